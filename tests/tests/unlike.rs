//! Unlike devices in one chain, end to end: typed commands to each by its own map, through one chain of shift registers,
//! to virtual devices that decode each by its own dictionary.

use core::time::Duration;

use embassy_futures::block_on;
use stepchain::chain::{Retries, UntilStill, Verifier};
use stepchain::homing::{AxisHoming, Homing, HomingError, HomingVelocities, Lacking, Method, SearchLimits};
use stepchain::map::{
    BridgeState, ChainFlaw, ChainMap, Devices, Flag, Parameter, RegisterMap, StopRamp, Verb, Way, WireDifference,
};
use stepchain::reference::{FixedWord, Latched};
use stepchain::settings::{Apply, ReadBack, Setting, Settings};
use stepchain::units::{Distance, Position, Value, Velocity};
use stepchain::{AsyncChain, Chain, Codec, Command, Mailbox, Recorder, release, wiring};
use stepchain_sim::chain::{VirtualChain, VirtualSpi};
use stepchain_sim::device::{EventKind, Switch, Violation};
use stepchain_tests::maps::{Prefixed, Sibling, Twin};

const SECOND: u64 = 1_000_000_000;

/// One axis, two axes, one axis, two axes.
struct Machine;
impl ChainMap for Machine {
    const DEVICES: Devices = Devices::unlike(LAYOUTS);
}
const LAYOUTS: &[&stepchain::map::Layout] = &[&Latched::LAYOUT, &Sibling::LAYOUT, &Latched::LAYOUT, &Sibling::LAYOUT];

type Blocking = Chain<Machine, VirtualSpi, 4>;

fn rig() -> (VirtualChain, Blocking) {
    let bench = VirtualChain::unlike(LAYOUTS).unwrap();
    let chain = Chain::new(bench.spi());
    (bench, chain)
}

fn velocity(steps_per_s: i32) -> Velocity {
    Velocity::from_steps_per_s(steps_per_s).unwrap()
}

fn distance(microsteps: i32) -> Command {
    Command::MoveRelative { distance: Distance::from_microsteps(microsteps) }
}

/// No time was too short, no clock too fast, and no device heard what it did not know.
fn assert_well(bench: &VirtualChain) {
    let bad: Vec<_> = bench
        .events()
        .into_iter()
        .filter(|event| {
            matches!(
                event.kind,
                EventKind::Violation(_) | EventKind::CommandRejected { .. } | EventKind::CommandUnknown { .. }
            )
        })
        .collect();
    assert!(bad.is_empty(), "{bad:#?}");
}

#[test]
fn moves_of_unlike_devices_start_on_one_edge_and_end_where_they_should() {
    let (bench, mut chain) = rig();
    let commands = [distance(640).into(), distance(-320).on(1), distance(-1280).into(), distance(160).on(0)];
    chain.send(&commands).unwrap();
    let starts: Vec<_> = bench
        .events()
        .into_iter()
        .filter(|event| matches!(event.kind, EventKind::CommandAccepted { verb: Verb::MoveRelative, .. }))
        .map(|event| event.time_ns)
        .collect();
    assert_eq!(starts, [starts[0]; 4]);
    let mut still = UntilStill::of(Blocking::DEVICES, Duration::from_millis(20), 500);
    chain.run(&mut still, &mut bench.delay()).unwrap();
    assert_eq!(still.result(), Ok(()));
    let reached = [bench.position(0, 0), bench.position(1, 1), bench.position(2, 0), bench.position(3, 0)];
    assert_eq!(reached, [640, -320, -1280, 160]);
    assert_eq!([bench.position(1, 0), bench.position(3, 1)], [0, 0], "the other axes of the two-axis devices");

    let read = Command::read(Parameter::PositionDemandValue);
    let replies = chain.send(&[read.on(0), read.on(1), read.on(0), read.on(0)]).unwrap();
    for (reply, reached) in replies.iter().zip(reached) {
        assert_eq!(reply.value, Some(Value::Position(Position::from_microsteps(reached as i32))));
    }
    for (device, reply) in chain.send_all(Command::PeekStatus).unwrap().iter().enumerate() {
        let status = reply.status.unwrap();
        assert_eq!(status.flag(Flag::TargetReached), Some(bench.position(device, 0) != 0), "device {device}");
        assert_eq!(status.flag(Flag::ResetOccurred), Some(true));
    }
    assert_well(&bench);
}

#[test]
fn the_chain_keeps_to_the_limits_of_its_weakest_device() {
    let (bench, mut chain) = rig();
    assert_eq!((Blocking::DEVICES.max_clock_hz(), Blocking::DEVICES.min_deselect_ns()), (2_000_000, 800));
    // Faster than the sibling bears, and not faster than the other.
    bench.set_clock_hz(3_000_000);
    chain.send_all(Command::PeekStatus).unwrap();
    let violations = bench.events().into_iter().filter_map(|event| match event.kind {
        EventKind::Violation(violation) => Some(violation),
        _ => None,
    });
    let fast = Violation::ClockTooFast { clock_hz: 3_000_000, greatest_hz: 2_000_000 };
    assert_eq!(violations.collect::<Vec<_>>(), [fast, fast]);
}

const FASTER: Settings<1> =
    Settings::new([Setting::new(Parameter::ProfileVelocity, Value::Velocity(Velocity::steps_per_s::<150>()))]);
/// Only at standstill, and each device has codes of its own.
const BRISK: Settings<2> = Settings::new([
    Setting::new(Parameter::ProfileVelocity, Value::Velocity(Velocity::steps_per_s::<320>())),
    Setting::new(
        Parameter::QuickStopDeceleration,
        Value::Acceleration(stepchain::units::Acceleration::steps_per_s2::<7_000>()),
    ),
]);

#[test]
fn settings_reach_one_device_or_all_each_in_its_own_codes() {
    let (bench, mut chain) = rig();
    let mut apply = Apply::new(Blocking::DEVICES, [None, Some(&FASTER), None, None]);
    chain.run(&mut apply, &mut bench.delay()).unwrap();
    assert_eq!(apply.results(), &[Ok(()); 4]);
    // By hand: at 0x40 of the sibling a code is 1/256 step/s, at 0x10 of the other 1/50, from 500 on.
    assert_eq!(bench.read_register(1, 0x40), 150 * 256);
    assert_eq!([bench.read_register(0, 0x10), bench.read_register(3, 0x40)], [25_000, 200 * 256]);

    let mut apply = Apply::to_all(Blocking::DEVICES, &BRISK);
    chain.run(&mut apply, &mut bench.delay()).unwrap();
    assert_eq!(apply.results(), &[Ok(()); 4]);
    assert_eq!([bench.read_register(2, 0x10), bench.read_register(3, 0x40)], [16_000, 81_920]);
    // By hand: 7000 steps/s² are 3500 codes of two and 1400 of five.
    assert_eq!([bench.read_register(2, 0x13), bench.read_register(1, 0x43)], [3_500, 1_400]);
    let mut read = ReadBack::<2, 4>::new(&BRISK);
    chain.run(&mut read, &mut bench.delay()).unwrap();
    assert!(read.found().iter().all(|found| found.unwrap() == BRISK));
    assert_well(&bench);

    // While one of them moves, nothing is written to any that asks for standstill.
    chain.send_one(3, Command::MoveVelocity { velocity: velocity(50) }).unwrap();
    let mut apply = Apply::to_all(Blocking::DEVICES, &BRISK);
    chain.run(&mut apply, &mut bench.delay()).unwrap();
    let refused: Vec<_> = apply.results().iter().map(Result::is_err).collect();
    assert_eq!(refused, [false, false, false, true]);
}

#[test]
fn the_wiring_of_unlike_devices_is_counted_and_each_answers_by_its_own_map() {
    let (bench, mut chain) = rig();
    let mut buffer = [0; 64];
    let report = chain.check_wiring(&mut buffer).unwrap().unwrap();
    assert_eq!((report.devices, report.counted, report.replies_checked), (4, true, true));
    assert!(chain.is_in_step());
    chain.send(&[distance(64).on(0), distance(64).on(1), Command::Filler.on(0), distance(64).on(0)]).unwrap();
    assert!(bench.run_until_still(60 * SECOND));
    assert_eq!([bench.position(0, 0), bench.position(1, 1), bench.position(3, 0)], [64; 3]);
    assert_well_but_for_surplus(&bench);

    let bench = VirtualChain::unlike(&LAYOUTS[..3]).unwrap();
    let error = Blocking::new(bench.spi()).check_wiring(&mut buffer).unwrap().unwrap_err();
    assert_eq!(error, wiring::WiringError::WrongCount { expected: 4, found: 3 });
}

/// A marker behind the frame is more than the chain holds, on purpose; no device may take anything for a command.
fn assert_well_but_for_surplus(bench: &VirtualChain) {
    for event in bench.events() {
        let is_bad = match event.kind {
            EventKind::Violation(violation) => !matches!(violation, Violation::SurplusUnits { .. }),
            ref kind => matches!(kind, EventKind::CommandRejected { .. } | EventKind::CommandUnknown { .. }),
        };
        assert!(!is_bad, "{event:?}");
    }
}

#[test]
fn the_release_sequence_lets_every_bridge_of_every_kind_go() {
    let (bench, mut chain) = rig();
    let turn = Command::MoveVelocity { velocity: velocity(100) };
    chain.send_all(turn).unwrap();
    chain.send(&[turn.on(0), turn.on(1), turn.on(0), turn.on(1)]).unwrap();
    bench.advance_ns(SECOND);
    let axes = [(0, 0), (1, 0), (1, 1), (2, 0), (3, 0), (3, 1)];
    assert!(axes.iter().all(|&(device, axis)| bench.is_moving(device, axis)));
    release::send::<Machine, _, 4>(&mut bench.spi()).unwrap();
    for (device, axis) in axes {
        assert!(!bench.is_moving(device, axis));
        assert_eq!(bench.bridge_state(device, axis), BridgeState::HighImpedance, "device {device}, axis {axis}");
    }
    assert_well(&bench);
}

#[test]
fn verified_sends_and_the_mailbox_serve_unlike_devices() {
    let (bench, mut chain) = rig();
    chain.send_all(Command::TakeStatus).unwrap();
    let mut verifier = Verifier::new(Retries::times(1));
    let target = Command::MoveAbsolute { target: Position::from_microsteps(96), way: Way::Shortest };
    let write = Command::write(Parameter::ProfileVelocity, velocity(123));
    chain.send_verified(&[target.on(0), write.on(1), write.on(0), target.on(1)], &mut verifier).unwrap();
    assert_eq!(verifier.counters().retries, 0);
    assert!(bench.run_until_still(60 * SECOND));
    assert_eq!([bench.position(0, 0), bench.position(3, 1)], [96; 2]);
    assert_eq!([bench.read_register(1, 0x50), bench.read_register(2, 0x10)], [123 * 256, 123 * 50]);

    let mailbox = Mailbox::<4, 2, 2>::new();
    mailbox.post(1, distance(16).on(1)).unwrap();
    mailbox.post(2, distance(64)).unwrap();
    assert_eq!(mailbox.pump(&mut chain).unwrap().iter().flatten().count(), 2);
    assert!(bench.run_until_still(60 * SECOND));
    assert_eq!([bench.position(1, 1), bench.position(2, 0)], [16, 64]);
    assert_well(&bench);
}

#[test]
fn axes_of_a_kind_that_can_home_do_and_those_of_another_say_what_they_lack() {
    const SPEEDS: HomingVelocities = HomingVelocities {
        search_for_switch: Velocity::steps_per_s::<300>(),
        search_for_zero: Velocity::steps_per_s::<40>(),
    };
    const LIMITS: SearchLimits =
        SearchLimits { travel: Distance::from_microsteps(60_000), time: Duration::from_secs(60) };
    const AXIS: AxisHoming = AxisHoming::new(Method::NegativeLimitSwitch, SPEEDS, LIMITS);
    let (bench, mut chain) = rig();
    for (device, edge) in [(0, -30.0), (2, 45.0)] {
        bench.set_switch(device, 0, Switch::ClosedBetween { from_steps: -1e6, to_steps: edge });
    }
    let mut homing = Homing::new(Blocking::DEVICES, [AXIS, AXIS.device(1).axis(1), AXIS.device(2)]);
    chain.run(&mut homing, &mut bench.delay()).unwrap();
    let [first, sibling, third] = homing.results();
    assert!(first.is_ok() && third.is_ok(), "{first:?}, {third:?}");
    assert_eq!(sibling, Err(HomingError::Unsupported(Lacking::Flag(Flag::HomeSwitch))));
    for (device, edge) in [(0, -30.0), (2, 45.0)] {
        assert_eq!(bench.position(device, 0), 0);
        assert!((bench.rotor_steps(device, 0) - edge).abs() < 0.02, "{}", bench.rotor_steps(device, 0));
    }
    assert_well(&bench);
}

/// A blocking bus behind the async trait.
struct Both<S>(S);

impl<S: embedded_hal::spi::ErrorType> embedded_hal::spi::ErrorType for Both<S> {
    type Error = S::Error;
}

impl<S: embedded_hal::spi::SpiDevice> embedded_hal_async::spi::SpiDevice for Both<S> {
    async fn transaction(&mut self, operations: &mut [embedded_hal::spi::Operation<'_, u8>]) -> Result<(), S::Error> {
        self.0.transaction(operations)
    }
}

#[test]
fn both_fronts_sound_alike_on_unlike_devices() {
    let all = [
        Command::TakeStatus,
        Command::MoveVelocity { velocity: velocity(-321) },
        Command::PeekStatus,
        Command::Stop { ramp: StopRamp::Quick, bridge: BridgeState::HighImpedance },
        Command::HomeOnCurrentPosition,
        Command::read(Parameter::PositionDemandValue),
        Command::write(Parameter::ProfileVelocity, velocity(77)),
    ];
    let rotated = |from: usize| core::array::from_fn::<_, 4, _>(|device| all[(from + 2 * device) % all.len()]);
    let frames = |spi: &Recorder<VirtualSpi, 256, 32>| -> Vec<_> {
        spi.frames().map(|frame| (frame.mosi().to_vec(), frame.miso().to_vec())).collect()
    };

    let bench = VirtualChain::unlike(LAYOUTS).unwrap();
    let mut chain = Chain::<Machine, _, 4>::new(Recorder::<_, 256, 32>::new(bench.spi()));
    let heard: Vec<_> = (0..all.len()).map(|from| chain.exchange(&rotated(from)).unwrap()).collect();
    chain.run(&mut Apply::to_all(Machine::DEVICES, &FASTER), &mut bench.delay()).unwrap();
    let blocking = frames(&chain.release());

    let bench = VirtualChain::unlike(LAYOUTS).unwrap();
    let mut chain = AsyncChain::<Machine, _, 4>::new(Both(Recorder::<_, 256, 32>::new(bench.spi())));
    let heard_async: Vec<_> = (0..all.len()).map(|from| block_on(chain.exchange(&rotated(from))).unwrap()).collect();
    block_on(chain.run(&mut Apply::to_all(Machine::DEVICES, &FASTER), &mut bench.delay())).unwrap();
    let asynchronous = frames(&chain.release().0);

    assert_eq!(heard, heard_async);
    assert!(blocking.len() > 20, "{} frames are too few to show anything", blocking.len());
    assert_eq!(blocking, asynchronous);
}

#[test]
fn maps_of_unlike_wire_form_are_refused_by_driver_and_bench_with_what_differs_and_where() {
    let cases: [(&'static [&stepchain::map::Layout], usize, &str, WireDifference); 3] = [
        (
            &[&Latched::LAYOUT, &FixedWord::LAYOUT],
            1,
            "fixed-word",
            WireDifference::UnitBits { found: 48, expected: 16 },
        ),
        (
            &[&Twin::LAYOUT, &Twin::LAYOUT, &Prefixed::LAYOUT],
            2,
            "prefixed",
            WireDifference::UnitBits { found: 8, expected: 24 },
        ),
        (
            &[&Sibling::LAYOUT, &Latched::LAYOUT, &Latched::LAYOUT, &Twin::LAYOUT],
            3,
            "twin",
            WireDifference::UnitBits { found: 24, expected: 16 },
        ),
    ];
    for (layouts, device, name, difference) in cases {
        let flaw = ChainFlaw::WireForm { device, name, difference };
        assert_eq!(Codec::for_devices(Devices::unlike(layouts)).unwrap_err(), flaw);
        assert_eq!(VirtualChain::unlike(layouts).unwrap_err(), flaw);
    }
}
