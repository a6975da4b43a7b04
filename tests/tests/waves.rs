//! What a virtual chain's capture says, read back twice: by a reader of VCD files that is not ours (crate `wellen`), and by
//! `capture`.

use std::path::{Path, PathBuf};

use embedded_hal::spi::{Phase, Polarity, SpiDevice};
use proptest::prelude::*;
use stepchain::map::{BitOrder, BridgeState, RegisterMap, SpiMode, StopRamp, Way};
use stepchain::reference::{FixedWord, Latched};
use stepchain::units::{Position, Velocity};
use stepchain::{Chain, Command};
use stepchain_sim::capture::{self, Item, Options};
use stepchain_sim::chain::{CaptureOptions, Captured, VirtualChain};
use stepchain_sim::random_map;
use wellen::SignalValueRef;
use wellen::simple::Waveform;

fn path(name: &str) -> PathBuf {
    Path::new(env!("CARGO_TARGET_TMPDIR")).join(name)
}

/// A file as the other reader sees it.
struct Other(Waveform);

impl Other {
    fn open(path: &Path) -> Self {
        Self(wellen::simple::read(path).unwrap())
    }

    /// All changes of a signal: instants in nanoseconds, and what `value` makes of them.
    fn changes<T>(&mut self, name: &str, value: impl Fn(SignalValueRef<'_>) -> T) -> Vec<(u64, T)> {
        let parts: Vec<_> = name.split('.').collect();
        let (last, scopes) = parts.split_last().unwrap();
        let hierarchy = self.0.hierarchy();
        let unit = hierarchy.timescale().unwrap();
        assert_eq!((unit.factor, unit.unit), (1, wellen::TimescaleUnit::NanoSeconds));
        let variable = hierarchy.lookup_var(scopes, *last).unwrap_or_else(|| panic!("no signal {name}"));
        let signal = hierarchy[variable].signal_ref();
        self.0.load_signals(&[signal]);
        let times = self.0.time_table();
        let changes = self.0.get_signal(signal).unwrap().iter_changes();
        changes.map(|(index, found)| (times[index as usize], value(found))).collect()
    }

    fn levels(&mut self, name: &str) -> Vec<(u64, char)> {
        self.changes(name, |value| match value {
            SignalValueRef::BitVec(bits) if bits.width() == 1 => bits.get_bit(0).as_ascii(),
            other => panic!("{name}: {other:?} is no level"),
        })
    }

    fn numbers(&mut self, name: &str) -> Vec<(u64, f64)> {
        self.changes(name, |value| match value {
            SignalValueRef::Real(number) => number,
            other => panic!("{name}: {other:?} is no number"),
        })
    }
}

/// What a line was at just before an instant.
fn before(changes: &[(u64, char)], at_ns: u64) -> char {
    changes.iter().take_while(|&&(ns, _)| ns < at_ns).last().unwrap().1
}

/// One selection: from when to when, and what went over the lines, first bit first.
#[derive(Debug, PartialEq)]
struct Selection {
    span_ns: (u64, u64),
    mosi: String,
    miso: String,
}

fn text(bytes: &[u8], order: BitOrder) -> String {
    let byte = |byte: &u8| format!("{:08b}", if order == BitOrder::MsbFirst { *byte } else { byte.reverse_bits() });
    bytes.iter().map(byte).collect()
}

/// Reads selections off the levels by the definitions of embedded-hal's `Polarity` and `Phase`.
fn selections(file: &mut Other, mode: SpiMode) -> Vec<Selection> {
    let [cs, sck, mosi, miso] = ["bus.cs", "bus.sck", "bus.mosi", "bus.miso"].map(|name| file.levels(name));
    let (polarity, phase) = (mode.to_hal().polarity, mode.to_hal().phase);
    let rest = if polarity == Polarity::IdleHigh { '1' } else { '0' };
    let falls = cs.iter().filter(|(_, level)| *level == '0').map(|&(ns, _)| ns);
    let selection = |from_ns: u64| {
        let to_ns = cs.iter().find(|&&(ns, level)| ns > from_ns && level == '1').unwrap().0;
        assert_eq!(before(&sck, from_ns), rest, "the clock rests when chip select falls");
        let inside = sck.iter().filter(|&&(ns, _)| from_ns < ns && ns < to_ns);
        let edges: Vec<_> = inside.map(|&(ns, _)| ns).collect();
        assert!(!sck.iter().any(|&(ns, _)| ns == from_ns || ns == to_ns), "no edge at one of chip select");
        assert_eq!(before(&sck, to_ns), rest, "and when it rises");
        let skipped = usize::from(phase == Phase::CaptureOnSecondTransition);
        let read = |line: &[(u64, char)]| edges.iter().skip(skipped).step_by(2).map(|&ns| before(line, ns)).collect();
        Selection { span_ns: (from_ns, to_ns), mosi: read(&mosi), miso: read(&miso) }
    };
    falls.map(selection).collect()
}

/// The same, read by `capture` without being told which signals to take, nor the mode.
fn decoded(path: &Path) -> Vec<Selection> {
    // The gap between two selections may be shorter than what is otherwise taken for a clock's glitch.
    let options = Options { min_pulse_ns: Some(0), ..Options::default() };
    let bits = |bits: &Option<Vec<bool>>| -> String {
        bits.as_ref().unwrap().iter().map(|&bit| if bit { '1' } else { '0' }).collect()
    };
    let capture = capture::open(path, &options).unwrap();
    let frames = capture.map(|item| match item.unwrap() {
        Item::Frame(frame) => {
            assert!(frame.complete, "{frame:?}");
            Selection {
                span_ns: (frame.start_ns as u64, frame.end_ns as u64),
                mosi: bits(&frame.mosi),
                miso: bits(&frame.miso),
            }
        }
        Item::Trouble(trouble) => panic!("{trouble}"),
    });
    frames.collect()
}

const MODES: [SpiMode; 4] = [SpiMode::Mode0, SpiMode::Mode1, SpiMode::Mode2, SpiMode::Mode3];
const ORDERS: [BitOrder; 2] = [BitOrder::MsbFirst, BitOrder::LsbFirst];

/// Sends bytes of any meaning, and compares what both readers find with what went through the firmware's hands.
fn check(chain: &VirtualChain, mode: SpiMode, order: BitOrder, name: &str, frames: &[Vec<u8>]) {
    let path = path(name);
    chain.set_mode(mode);
    chain.set_bit_order(order);
    chain.capture_to_file(&path).unwrap();
    chain.advance_ns(1_000);
    let wire = chain.layout().wire;
    let (gap_ns, hz) = (u64::from(wire.min_deselect_ns).max(100), u64::from(wire.max_clock_hz));
    chain.set_gap_ns(gap_ns);
    let mut expected = Vec::new();
    for (index, sent) in frames.iter().enumerate() {
        let mut bytes = sent.clone();
        let from_ns = chain.now_ns() + if index == 0 { 0 } else { gap_ns };
        chain.spi().transfer_in_place(&mut bytes).unwrap();
        let to_ns = chain.now_ns();
        let clocks = 8 * sent.len() as u64;
        assert_eq!(to_ns - from_ns, (clocks * 1_000_000_000).div_ceil(hz), "the time of its clocks");
        expected.push(Selection { span_ns: (from_ns, to_ns), mosi: text(sent, order), miso: text(&bytes, order) });
    }
    chain.advance_ns(1_000);
    assert_eq!(chain.end_capture().unwrap(), Captured::default());
    assert_eq!(selections(&mut Other::open(&path), mode), expected, "by the other reader, {mode:?}, {order:?}");
    assert_eq!(decoded(&path), expected, "by our own, {mode:?}, {order:?}");
    std::fs::remove_file(path).unwrap();
}

/// A controller in a mode that is not the devices' makes the edges of its own mode, and reads what it reads.
#[test]
fn both_readers_find_what_was_sent_to_the_reference_maps_in_every_mode_and_bit_order() {
    for (layout, name) in [(&Latched::LAYOUT, "latched"), (&FixedWord::LAYOUT, "fixed-word")] {
        for mode in MODES {
            for order in ORDERS {
                let chain = VirtualChain::new(layout, 2).unwrap();
                let byte = |frame: u8, place: u8| frame.wrapping_mul(37).wrapping_add(place.wrapping_mul(29));
                let frames: Vec<_> = (0..5).map(|frame| (0..12).map(|place| byte(frame, place)).collect()).collect();
                check(&chain, mode, order, &format!("{name}-{mode:?}-{order:?}.vcd"), &frames);
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(150))]

    #[test]
    fn both_readers_find_what_was_sent_to_random_maps(
        seed in 0u64..2_000, devices in 1usize..6, mode in prop::option::of(0usize..4), order in 0usize..2,
        frames in prop::collection::vec(prop::collection::vec(any::<u8>(), 1..40), 1..8),
    ) {
        let layout = random_map::layout(seed);
        prop_assume!(layout.can_frame(devices));
        let chain = VirtualChain::new(layout, devices).unwrap();
        let mode = mode.map_or(layout.wire.mode, |mode| MODES[mode]);
        check(&chain, mode, ORDERS[order], &format!("random-{seed}-{devices}.vcd"), &frames);
    }
}

/// The numbers of the file against the axis' own history, at every instant that the file has; and how dense they are.
fn check_motion<M: RegisterMap>(name: &str) {
    let chain = VirtualChain::new(&M::LAYOUT, 2).unwrap();
    let path = path(name);
    let options =
        CaptureOptions { sample_ns: 500_000, axis_names: [((1, 0), "lift.left".to_owned())].into_iter().collect() };
    chain.capture_to(std::fs::File::create(&path).unwrap(), &options).unwrap();
    let mut driver = Chain::<M, _, 2>::new(chain.spi());
    driver
        .send(&[
            Command::MoveVelocity { velocity: Velocity::from_steps_per_s(-90).unwrap() },
            Command::MoveAbsolute { target: Position::from_microsteps(2_000), way: Way::Shortest },
        ])
        .unwrap();
    chain.advance_ns(1_500_000_000);
    driver.send(&[Command::Stop { ramp: StopRamp::Profile, bridge: BridgeState::Driven }; 2]).unwrap();
    assert!(chain.run_until_still(5_000_000_000));
    let still_ns = chain.now_ns();
    chain.advance_ns(200_000_000);
    chain.end_capture().unwrap();
    let mut file = Other::open(&path);
    for (device, scope) in [(0, "device_0.axis_0"), (1, "device_1.lift_left")] {
        let history = chain.history(device, 0);
        let microsteps = f64::from(chain.microsteps_per_step(device, 0));
        let positions = file.numbers(&format!("{scope}.position_steps"));
        let velocities = file.numbers(&format!("{scope}.velocity_steps_per_s"));
        assert!(positions.len() > 100 && velocities.len() > 100, "{scope}: {} positions", positions.len());
        for &(ns, steps) in &positions {
            assert_eq!(steps, history.demand(ns).position as f64 / microsteps, "{scope} at {ns} ns");
        }
        for &(ns, velocity) in &velocities {
            assert_eq!(velocity, history.demand(ns).velocity_steps_per_s, "{scope} at {ns} ns");
        }
        // Between two samples nothing has been missed: the last one still holds just before the next.
        for at_ns in (500_000..chain.now_ns()).step_by(500_000) {
            let held = velocities.iter().take_while(|&&(ns, _)| ns <= at_ns).last().unwrap().1;
            assert_eq!(held, history.demand(at_ns).velocity_steps_per_s, "{scope} at {at_ns} ns");
        }
        let busy = file.levels(&format!("device_{device}.busy"));
        assert_eq!(busy.first(), Some(&(0, '0')));
        assert!(busy.len() >= 3 && busy.last().is_some_and(|&(ns, level)| level == '0' && ns <= still_ns), "{busy:?}");
        for pair in busy.windows(2) {
            assert_ne!(pair[0].1, pair[1].1, "only changes are written");
        }
    }
    assert!(file.0.time_table().last().is_some_and(|&ns| ns == chain.now_ns()), "it ends where it was ended");
}

#[test]
fn position_and_velocity_are_the_axis_own_at_every_instant_of_the_file() {
    check_motion::<Latched>("motion-latched.vcd");
    check_motion::<FixedWord>("motion-fixed-word.vcd");
}
