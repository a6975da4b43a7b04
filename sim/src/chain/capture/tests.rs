//! Levels worked out by hand, faults of lines, and what a capture must not do.

use std::io::{self, Write};
use std::sync::{Arc, Mutex};

use embedded_hal::delay::DelayNs;
use embedded_hal::digital::{OutputPin, PinState};
use embedded_hal::spi::{Operation, SpiBus, SpiDevice};
use stepchain::map::{RegisterMap, SpiMode};
use stepchain::reference::Latched;

use super::{CaptureOptions, Captured};
use crate::chain::VirtualChain;
use crate::inject::{Bits, DataLine, Fault, Lasts, Line, Script, Start};

/// A writer whose content can be looked at.
#[derive(Clone, Default)]
struct Shared(Arc<Mutex<Vec<u8>>>);

impl Write for Shared {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.lock().unwrap().extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl Shared {
    fn text(&self) -> String {
        String::from_utf8(self.0.lock().unwrap().clone()).unwrap()
    }

    /// The changes of signals with these codes, one line for each instant at which there is one.
    fn changes(&self, codes: &str) -> Vec<String> {
        let text = self.text();
        let body = text.split_once("$enddefinitions $end\n").unwrap().1;
        let mut lines: Vec<String> = Vec::new();
        for line in body.lines() {
            if line.starts_with('#') {
                lines.push(line.to_owned());
            } else if codes.contains(line.chars().last().unwrap()) {
                let last = lines.last_mut().unwrap();
                *last = format!("{last} {}", line.replace(' ', ""));
            }
        }
        lines.retain(|line| line.contains(' '));
        lines
    }
}

/// `!` to `$` are cs, sck, mosi and miso; `%` and `&` the device's busy and fault; `'` and `(` the axis' home switch and
/// step pulses; `)` its position, `*` its velocity.
const BUS: &str = "!\"#$";

fn captured(chain: &VirtualChain, act: impl FnOnce()) -> Shared {
    let file = Shared::default();
    chain.capture_to(file.clone(), &CaptureOptions::default()).unwrap();
    act();
    assert_eq!(chain.end_capture().unwrap(), Captured::default());
    file
}

fn one() -> VirtualChain {
    VirtualChain::new(&Latched::LAYOUT, 1).unwrap()
}

/// By hand. The map says mode 3 and 5 MHz: the clock rests high; a bit has 200 ns, of which the clock falls after 50, where
/// data change, and rises after 150, where they are read. Sent is 1011 0100 1100 0000; the device answers zeros.
#[test]
fn a_frame_in_mode_3_is_written_edge_by_edge() {
    let chain = one();
    chain.advance_ns(1_000);
    let file = captured(&chain, || {
        chain.advance_ns(500);
        chain.spi().write(&[0xB4, 0xC0]).unwrap();
        chain.advance_ns(300);
    });
    let expected = "\
#1000 1! 1\" 0# z$
#1500 0! 0$
#1550 0\" 1#
#1650 1\"
#1750 0\" 0#
#1850 1\"
#1950 0\" 1#
#2050 1\"
#2150 0\"
#2250 1\"
#2350 0\" 0#
#2450 1\"
#2550 0\" 1#
#2650 1\"
#2750 0\" 0#
#2850 1\"
#2950 0\"
#3050 1\"
#3150 0\" 1#
#3250 1\"
#3350 0\"
#3450 1\"
#3550 0\" 0#
#3650 1\"
#3750 0\"
#3850 1\"
#3950 0\"
#4050 1\"
#4150 0\"
#4250 1\"
#4350 0\"
#4450 1\"
#4550 0\"
#4650 1\"
#4700 1! z$";
    assert_eq!(file.changes(BUS).join("\n"), expected);
    assert!(file.text().ends_with("\n#5000\n"), "it ends where it was ended:\n{}", file.text());
    assert!(file.text().contains("map latched; devices 1; mode 3; bit order msb;"));
}

/// By hand. In mode 0 the clock rests low and data are there from the beginning of a bit; at 2 MHz it has 500 ns. The pause
/// of 700 ns stands where the firmware makes it. The devices are in mode 3 and miss the first bit: nothing is sent here
/// that they could take for a command.
#[test]
fn another_mode_another_clock_and_a_pause_are_shown_as_they_are() {
    let chain = one();
    chain.set_mode(SpiMode::Mode0);
    chain.set_clock_hz(2_000_000);
    let file = captured(&chain, || {
        chain.advance_ns(100);
        let mut operations = [Operation::Write(&[0x40]), Operation::DelayNs(700), Operation::Write(&[0x01])];
        chain.spi().transaction(&mut operations).unwrap();
    });
    let all = file.changes("!\"#");
    let [cs, sck, mosi] = ['!', '"', '#'].map(|code| {
        let of = |line: &&String| line.split(' ').skip(1).any(|change| change.ends_with(code));
        let time = |line: &String| line[1..].split(' ').next().unwrap().parse::<u64>().unwrap();
        all.iter().filter(of).map(time).collect::<Vec<_>>()
    });
    assert_eq!(cs, [0, 100, 100 + 16 * 500 + 700]);
    // At first low; then up and down in each slot of 500 ns, the second byte 700 ns later.
    let rise = |bit: u64| 100 + 500 * bit + 125 + if bit < 8 { 0 } else { 700 };
    let edges: Vec<_> = std::iter::once(0).chain((0..16).flat_map(|bit| [rise(bit), rise(bit) + 250])).collect();
    assert_eq!(sck, edges);
    // 0100 0000, 0000 0001: up with the second bit, down with the third, up with the last.
    assert_eq!(mosi, [0, 600, 1_100, 100 + 500 * 15 + 700]);
}

/// By hand: 5 MHz, so bit 8 begins at 1600 ns and is read at 1750. From 1650 on the line is held low; a bit under way keeps
/// what it had, so this shows at 1750, and the end, which comes amid bit 13, at 2750.
#[test]
fn a_line_that_is_stuck_is_shown_where_it_is_stuck() {
    let chain = one();
    let stuck = |line| Fault::StuckLine { line, level: PinState::Low };
    let script = Script::new()
        .with(stuck(Line::Mosi), Start::At(1_650), Lasts::Ns(1_000), 1)
        .with(stuck(Line::Sck), Start::At(4_000), Lasts::Ns(4_000), 1)
        .with(stuck(Line::Cs), Start::At(9_000), Lasts::Ns(500), 1);
    chain.inject(&script).unwrap();
    let file = captured(&chain, || {
        chain.spi().write(&[0xFF, 0xFF]).unwrap();
        chain.spi().write(&[0x7E, 0x7E]).unwrap();
        chain.advance_ns(5_000);
    });
    assert_eq!(file.changes("#")[..4], ["#0 0#", "#50 1#", "#1750 0#", "#2750 1#"]);
    let of_clock = file.changes("\"");
    let edge = |ns: u64| of_clock.iter().any(|line| line.starts_with(&format!("#{ns} ")));
    // The second frame is from 4000 to 7200: the clock is held low all the while, and goes to its rest when it is let go.
    assert!(edge(3_150) && edge(4_000) && edge(8_000), "{of_clock:?}");
    assert!(!(4_001..8_000).any(edge), "{of_clock:?}");
    assert_eq!(file.changes("!"), ["#0 1!", "#1 0!", "#3200 1!", "#4000 0!", "#7200 1!", "#9000 0!", "#9500 1!"]);
}

#[test]
fn a_line_that_was_stuck_before_the_capture_is_so_from_its_beginning() {
    let chain = one();
    let held = Fault::StuckLine { line: Line::Sck, level: PinState::Low };
    chain.inject(&Script::new().with(held, Start::At(0), Lasts::ForEver, 1)).unwrap();
    chain.advance_ns(10);
    let file = captured(&chain, || chain.spi().write(&[0xFF, 0xFF]).unwrap());
    assert_eq!(file.changes("\""), ["#10 0\""]);
}

/// By hand: the answer of the device is zero, so the flipped bit 3 is the only high one, from 650 on; the next falling
/// edge ends it at 850. A flip of MOSI happens farther down the line.
#[test]
fn flips_are_shown_where_the_controller_reads_them_and_not_where_it_drives() {
    let chain = one();
    let flip = |line| Fault::BitFlips { line, bits: Bits::At(vec![3]) };
    let script = Script::new().with(flip(DataLine::Miso), Start::Frame(0), Lasts::Frames(1), 1).with(
        flip(DataLine::Mosi),
        Start::Frame(0),
        Lasts::Frames(1),
        1,
    );
    chain.inject(&script).unwrap();
    let mut read = [0x7E, 0x7E];
    let file = captured(&chain, || chain.spi().transfer_in_place(&mut read).unwrap());
    assert_eq!(read, [0x10, 0]);
    assert_eq!(file.changes("$"), ["#0 z$", "#1 0$", "#650 1$", "#850 0$", "#3200 z$"]);
    // 0111 1110, 0111 1110.
    assert_eq!(file.changes("#"), ["#0 0#", "#250 1#", "#1450 0#", "#1850 1#", "#3050 0#"]);
}

/// By hand: 8 bits at 5 MHz are 1600 ns.
#[test]
fn a_selection_that_follows_at_once_can_be_seen() {
    let chain = one();
    chain.set_gap_ns(0);
    let file = captured(&chain, || (0..2).for_each(|_| chain.spi().write(&[0x7E]).unwrap()));
    assert_eq!(file.changes("!"), ["#0 1!", "#1 0!", "#1600 1!", "#1601 0!", "#3200 1!"]);
}

/// By hand: 1 MHz, 8 bits in 8 µs from 0 on. Chip select falls at 2.5 µs, amid bit 2, which has left when its time is over.
#[test]
fn a_bus_that_is_late_is_shown_as_late() {
    let chain = one();
    chain.set_clock_hz(1_000_000);
    let file = captured(&chain, || {
        let (mut bus, mut select) = chain.bus();
        bus.write(&[0xFF]).unwrap();
        chain.delay().delay_ns(2_500);
        select.set_low().unwrap();
        bus.flush().unwrap();
        select.set_high().unwrap();
    });
    assert_eq!(file.changes("!"), ["#0 1!", "#2500 0!", "#8000 1!"]);
    let falls: Vec<_> = file.changes("\"").into_iter().filter(|line| line.ends_with("0\"")).collect();
    // Bit 2 has the 500 ns that are left of its slot.
    let expected = [250, 1_250, 2_625, 3_250, 4_250, 5_250, 6_250, 7_250].map(|ns: u64| format!("#{ns} 0\""));
    assert_eq!(falls, expected);
}

/// By hand: unit by unit 0xB400 1388 is 100 steps/s upwards, at 1000 steps/s² after power-up: 0.1 s, 5 steps.
#[test]
fn pins_and_motion_change_when_they_do_and_at_every_sample() {
    let chain = one();
    let file = captured(&chain, || {
        for unit in [[0xB4, 0x00], [0x13, 0x88]] {
            chain.spi().write(&unit).unwrap();
        }
        chain.advance_ns(100_000_000);
    });
    let latch_ns = 3_200 + 800 + 3_200;
    assert_eq!(
        file.changes("%"),
        ["#0 0%".to_owned(), format!("#{latch_ns} 1%"), format!("#{} 0%", latch_ns + 100_000_000)]
    );
    assert_eq!(file.changes("'&"), ["#0 0& 0'"]);
    let velocities = file.changes("*");
    assert_eq!(velocities.len(), 1 + 100 + 1, "at rest, each millisecond, at the end: {velocities:?}");
    let (at, value) = velocities[51].split_once(' ').unwrap();
    assert_eq!(at, "#51000000");
    // 51 ms less the 7.2 µs before the command.
    let velocity: f64 = value[1..].trim_end_matches('*').parse().unwrap();
    assert!((velocity - 50.9928).abs() < 1e-9, "{velocity}");
    let last = file.changes(")").pop().unwrap();
    assert_eq!(last, format!("#{} r5)", latch_ns + 100_000_000));
}

#[test]
fn pulses_that_firmware_makes_are_shown_with_their_width() {
    let chain = one();
    let file = captured(&chain, || {
        let mut pulse = chain.step_pulse_drive(0, 0, PinState::High);
        chain.advance_ns(100);
        pulse.set_high().unwrap();
        chain.advance_ns(30);
        pulse.set_low().unwrap();
        chain.advance_ns(100);
    });
    assert_eq!(file.changes("("), ["#0 z(", "#100 1(", "#130 0("]);
}

#[test]
fn a_chain_behaves_the_same_whether_it_is_captured_or_not() {
    let (plain, watched) = (one(), one());
    watched.capture_to(io::sink(), &CaptureOptions::default()).unwrap();
    let drive = |chain: &VirtualChain| {
        let (mut bus, mut select) = chain.bus();
        for (index, unit) in [[0x68, 0x00], [0x03, 0xE8], [0xE0, 0x00], [0xB4, 0x00], [0x13, 0x88]].iter().enumerate() {
            select.set_low().unwrap();
            bus.write(unit).unwrap();
            // Now and then chip select rises too early, and time passes with bits under way.
            if index == 3 {
                chain.delay().delay_ns(1_500);
                chain.reset_node(0);
            } else {
                bus.flush().unwrap();
            }
            select.set_high().unwrap();
            chain.delay().delay_us(700);
        }
        (chain.log_text(), chain.registers(0), chain.trajectory(0, 0), chain.now_ns())
    };
    assert_eq!(drive(&plain), drive(&watched));
}

#[test]
fn a_capture_that_nobody_ends_is_whole_when_the_chain_is_gone_and_its_fork_has_none() {
    let file = Shared::default();
    let chain = one();
    chain.capture_to(file.clone(), &CaptureOptions::default()).unwrap();
    let fork = chain.fork();
    fork.spi().write(&[0x12, 0x34]).unwrap();
    chain.spi().write(&[0x7E, 0x7E]).unwrap();
    drop(chain);
    assert_eq!(file.changes("!"), ["#0 1!", "#1 0!", "#3200 1!"]);
    assert!(file.text().ends_with("\n#3200\n"), "{}", file.text());
    assert_eq!(fork.end_capture().unwrap(), Captured::default());
}

#[test]
fn the_first_failure_of_the_writer_is_told_at_the_end() {
    struct Full(usize);
    impl Write for Full {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            self.0 = self.0.checked_sub(bytes.len()).ok_or(io::ErrorKind::StorageFull)?;
            Ok(bytes.len())
        }
        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }
    let chain = one();
    assert!(chain.capture_to(Full(20), &CaptureOptions::default()).is_err());
    chain.capture_to(Full(1_500), &CaptureOptions::default()).unwrap();
    (0..30).for_each(|_| chain.spi().write(&[0x7E, 0x7E]).unwrap());
    assert_eq!(chain.end_capture().unwrap_err().kind(), io::ErrorKind::StorageFull);
    assert_eq!(chain.frames(), 30);
}

#[test]
fn clocks_without_time_are_counted_and_not_made_up() {
    let chain = one();
    let file = Shared::default();
    chain.capture_to(file.clone(), &CaptureOptions::default()).unwrap();
    use crate::wire::BusEvent::{Bits, Deselect, Select};
    chain.advance_ns(10);
    chain.drive(Select);
    chain.drive(Bits(&[true; 16]));
    chain.advance_ns(10);
    chain.drive(Deselect);
    chain.set_clock_hz(600_000_000);
    chain.spi().write(&[0, 0]).unwrap();
    assert_eq!(chain.end_capture().unwrap(), Captured { unshown_clocks: 16 + 16 });
    assert_eq!(file.changes("\"#"), ["#0 1\" 0#"]);
    assert_eq!(file.changes("!")[..3], ["#0 1!", "#10 0!", "#20 1!"]);
}
