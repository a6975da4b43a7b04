//! Each fault on a chain: what it does, and that it begins and ends where it should. Bits by hand.

#![allow(clippy::unusual_byte_groupings, reason = "bytes are grouped by devices")]

use embedded_hal::digital::PinState;
use embedded_hal::spi::SpiDevice;
use proptest::prelude::*;
use stepchain::map::{BridgeState, Layout, RegisterMap};
use stepchain::reference::{FixedWord, Latched};

use crate::chain::VirtualChain;
use crate::device::{Event, EventKind, Violation};
use crate::inject::{Bits, DataLine, Fault, Lasts, Line, Script, Start, Winding};
use crate::wire::{BusEvent, bits_of, bytes_of};

mod fronts;
mod motors;

const LATCHED: &Layout = &Latched::LAYOUT;
const FIXED_WORD: &Layout = &FixedWord::LAYOUT;
const S: u64 = 1_000_000_000;
const MS: u64 = 1_000_000;

fn chain(layout: &'static Layout, devices: usize, fault: Fault, start: Start, lasts: Lasts) -> VirtualChain {
    let chain = VirtualChain::new(layout, devices).unwrap();
    chain.inject(&Script::new().with(fault, start, lasts, 1)).unwrap();
    chain
}

fn talk(chain: &VirtualChain, bytes: &[u8]) -> Vec<u8> {
    let mut came = bytes.to_vec();
    chain.spi().transfer_in_place(&mut came).unwrap();
    came
}

/// The log without what devices say about themselves: what, and when.
fn told(chain: &VirtualChain) -> Vec<(&'static str, u64)> {
    let told = chain.events().into_iter().filter_map(|event| {
        let what = match event.kind {
            EventKind::FaultBegan { .. } => "began",
            EventKind::FaultWorsened { .. } => "worse",
            EventKind::FaultStruck { .. } => "struck",
            EventKind::FaultEnded { .. } => "ended",
            _ => return None,
        };
        Some((what, event.time_ns))
    });
    told.collect()
}

fn violations(chain: &VirtualChain) -> Vec<Violation> {
    let violation = |event: Event| match event.kind {
        EventKind::Violation(violation) => Some(violation),
        _ => None,
    };
    chain.events().into_iter().filter_map(violation).collect()
}

fn struck(chain: &VirtualChain) -> Vec<(u64, u64, u64)> {
    let struck = chain.events().into_iter().filter_map(|event| match event.kind {
        EventKind::FaultStruck { frame, hits, first, .. } => Some((frame, hits, first)),
        _ => None,
    });
    struck.collect()
}

const fn stuck(line: Line, level: PinState) -> Fault {
    Fault::StuckLine { line, level }
}

/// One device of 16 bits is sent 32: the first 16 come out behind what it had to say. Bit 3 is 0x10 of the first byte.
#[test]
fn exact_bits_flip_in_the_frames_of_their_time_and_in_no_other() {
    let flips = |line| {
        let bits = Bits::At(vec![3, 17]);
        chain(LATCHED, 1, Fault::BitFlips { line, bits }, Start::Frame(1), Lasts::Frames(2))
    };
    let mosi = flips(DataLine::Mosi);
    let came: Vec<_> = (0..4).map(|_| talk(&mosi, &[0x7E, 0x7E, 0x7E, 0x7E])[2..].to_vec()).collect();
    assert_eq!(came, [[0x7E, 0x7E], [0x6E, 0x7E], [0x6E, 0x7E], [0x7E, 0x7E]]);
    // Frames of 32 bits at 5 MHz with 800 ns between them.
    assert_eq!(told(&mosi), [("began", 7_200), ("struck", 13_600), ("struck", 20_800), ("ended", 20_800)]);
    assert_eq!(struck(&mosi), [(1, 2, 3), (2, 2, 3)]);

    let miso = flips(DataLine::Miso);
    let clean = talk(&miso, &[0x7E, 0x7E, 0x7E, 0x7E]);
    let came = talk(&miso, &[0x7E, 0x7E, 0x7E, 0x7E]);
    assert_eq!([came[0] ^ clean[0], came[1] ^ clean[1], came[2] ^ clean[2]], [0x10, 0, 0x40]);
}

/// Bits are 200 ns: those that begin at 400, 600 and 800 ns are hit, the one at 1000 ns is spared.
#[test]
fn a_stuck_data_line_begins_and_ends_within_a_frame() {
    let at = |line, level| chain(LATCHED, 1, stuck(line, level), Start::At(400), Lasts::Ns(600));
    let mosi = at(Line::Mosi, PinState::High);
    assert_eq!(talk(&mosi, &[0, 0, 0, 0])[2..], [0b0011_1000, 0]);
    assert_eq!(told(&mosi), [("began", 400), ("struck", 1_000), ("ended", 1_000)]);
    assert_eq!(struck(&mosi), [(0, 3, 2)]);
    // The idle unit of this map is zeros.
    assert_eq!(talk(&at(Line::Miso, PinState::High), &[0x7E, 0x7E]), [0b0011_1000, 0]);
    assert_eq!(talk(&at(Line::Miso, PinState::Low), &[0x7E, 0x7E]), [0, 0]);
}

/// A captured bus has bits that take no time: the fault holds for all of them or for none.
#[test]
fn bits_of_a_bus_that_is_driven_by_hand_are_hit_at_its_instants() {
    let chain = chain(LATCHED, 1, stuck(Line::Miso, PinState::High), Start::At(100), Lasts::Ns(50));
    let mut read = Vec::new();
    chain.drive(BusEvent::Select);
    for _ in 0..4 {
        read.extend(chain.drive(BusEvent::Bits(&[false])));
        chain.advance_ns(50);
    }
    assert_eq!(read, [false, false, true, false]);
    assert!(chain.drive(BusEvent::Select).is_empty(), "selected twice is selected");
    chain.drive(BusEvent::Deselect);
    assert_eq!(chain.frames(), 1);
}

/// What stands in the chain are 16 zeros, behind them what it has taken in; the controller reads one of these bits twice.
#[test]
fn a_lost_clock_leaves_the_chain_a_bit_behind() {
    let lost = chain(LATCHED, 1, Fault::LostClocks { count: 1 }, Start::Frame(0), Lasts::Frames(1));
    let sent = bits_of(&[0xFF, 0x0F, 0x35, 0x3C]);
    let read = bits_of(&talk(&lost, &bytes_of(&sent)));
    let [(0, 1, place)] = *struck(&lost) else { panic!("{:?}", struck(&lost)) };
    let place = place as usize;
    assert!(place < 16, "a chain of 16 bits loses one of its first 16");
    let mut passed = [vec![false; 16], sent].concat();
    passed.remove(16 + place);
    let expected: Vec<_> = (0..32).map(|clock| passed[clock - usize::from(clock > place)]).collect();
    assert_eq!(read, expected);
}

/// As above, but each extra clock takes the bit that stands on mosi in once more, and skips one that is to be read.
#[test]
fn an_extra_clock_leaves_the_controller_a_bit_behind() {
    let extra = chain(LATCHED, 1, Fault::ExtraClocks { count: 1 }, Start::Frame(0), Lasts::Frames(1));
    let sent = bits_of(&[0xFF, 0x0F, 0x35, 0x3C]);
    let read = bits_of(&talk(&extra, &bytes_of(&sent)));
    let place = struck(&extra)[0].2 as usize;
    let mut passed = [vec![false; 16], sent.clone()].concat();
    passed.insert(16 + place, sent[place]);
    let expected: Vec<_> = (0..32).map(|clock| passed[clock + usize::from(clock > place)]).collect();
    assert_eq!(read, expected);
}

/// Seven clocks fewer or more than a chain that counts its clocks wants are seen by its devices, which ignore the frame.
#[test]
fn devices_see_as_many_clocks_as_are_left_or_come_in_addition() {
    let clocks = |fault| {
        let chain = chain(LATCHED, 2, fault, Start::Frame(1), Lasts::Frames(1));
        talk(&chain, &[0x7E; 4]);
        talk(&chain, &[0x7E; 4]);
        talk(&chain, &[0x7E; 4]);
        (violations(&chain), struck(&chain)[0].1)
    };
    let fewer = Violation::TooFewClocks { clocks: 25, least: 32 };
    assert_eq!(clocks(Fault::LostClocks { count: 7 }), (vec![fewer], 7));
    let more = Violation::SurplusUnits { bits: 48, chain_bits: 32 };
    assert_eq!(clocks(Fault::ExtraClocks { count: 16 }), (vec![more], 16));
    let none = Violation::TooFewClocks { clocks: 0, least: 32 };
    assert_eq!(clocks(stuck(Line::Sck, PinState::High)), (vec![none], 32));
}

/// Data goes in at device 0; behind it the line is high. Device 1 is passed through by ones, and device 0 by what is sent.
#[test]
fn a_break_between_two_devices_hides_those_before_it_and_lets_those_behind_it_answer() {
    let chain = chain(LATCHED, 3, stuck(Line::Behind(0), PinState::High), Start::Frame(0), Lasts::ForEver);
    // Peek: device 2 is sent to first.
    talk(&chain, &[0xE0, 0x00, 0xE0, 0x00, 0xE0, 0x00]);
    let unknown = chain.events().into_iter().filter_map(|event| match event.kind {
        EventKind::CommandUnknown { units } => Some((event.device, units)),
        _ => None,
    });
    let ones = vec![0xFFFF];
    assert_eq!(unknown.collect::<Vec<_>>(), [(Some(1), ones.clone()), (Some(2), ones)]);
    let came = talk(&chain, &[0x7E; 6]);
    assert_eq!(came[4..], [0xFF, 0xFF], "what device 0 has to say goes lost");
}

/// Move velocity, 100 steps/s, in two units; the frames of one device are 3.2 µs long.
#[test]
fn chip_select_stuck_high_is_no_frame_and_stuck_low_is_no_latch() {
    let moves = |chain: &VirtualChain| chain.is_moving(0, 0);
    let cs = |level, lasts| chain(LATCHED, 1, stuck(Line::Cs, level), Start::At(0), lasts);
    let high = cs(PinState::High, Lasts::Frames(2));
    assert_eq!(talk(&high, &[0xB4, 0x00]), [0xFF, 0xFF], "an open line is high");
    talk(&high, &[0x13, 0x88]);
    assert_eq!((moves(&high), high.frames(), struck(&high)), (false, 2, vec![(0, 16, 0), (1, 16, 0)]));
    talk(&high, &[0xB4, 0x00]);
    talk(&high, &[0x13, 0x88]);
    assert!(moves(&high), "with the line free again the chain obeys");

    // What this map has to say when nothing was asked begins with ones.
    let nobody = chain(FIXED_WORD, 1, stuck(Line::Cs, PinState::High), Start::At(0), Lasts::ForEver);
    nobody.set_open_line(false);
    assert_eq!(talk(&nobody, &[0; 6]), [0; 6], "nobody drives miso");

    // Both units run through, and the last one is latched alone as the line comes up.
    let low = cs(PinState::Low, Lasts::Frames(2));
    talk(&low, &[0xB4, 0x00]);
    assert_eq!(talk(&low, &[0x0E, 0x66]), [0xB4, 0x00], "what was sent before comes out again");
    assert_eq!((moves(&low), low.frames()), (false, 2));
    let accepted = |event: &Event| matches!(event.kind, EventKind::CommandAccepted { .. });
    let last: Vec<_> = low.events().into_iter().filter(accepted).map(|event| event.time_ns).collect();
    assert_eq!(last, [7_200], "pulse input, when the fault ends");
    let surplus = EventKind::Violation(Violation::SurplusUnits { bits: 32, chain_bits: 16 });
    assert!(low.events().iter().any(|event| event.kind == surplus));
}

/// At 1600 ns eight of sixteen bits have been clocked: the edge of the line cuts the frame, and devices latch what they have.
#[test]
fn a_chip_select_that_rises_within_a_frame_cuts_it() {
    let cut = chain(LATCHED, 1, stuck(Line::Cs, PinState::High), Start::At(1_600), Lasts::Ns(10 * MS));
    talk(&cut, &[0x7E, 0x7E]);
    let cut_at = cut.events().into_iter().find(|event| matches!(event.kind, EventKind::Violation(_))).unwrap();
    assert_eq!(cut_at.kind, EventKind::Violation(Violation::TooFewClocks { clocks: 8, least: 16 }));
    assert_eq!((cut_at.time_ns, cut.frames()), (1_600, 1));
}

#[test]
fn the_same_seed_gives_the_same_bytes_and_another_one_others() {
    let run = |seed| {
        let flips = |line| Fault::BitFlips { line, bits: Bits::Each(0.05) };
        let script = Script::new()
            .with(flips(DataLine::Mosi), Start::Frame(0), Lasts::ForEver, seed)
            .with(flips(DataLine::Miso), Start::Frame(3), Lasts::Frames(9), seed + 1)
            .with(Fault::LostClocks { count: 2 }, Start::Frame(5), Lasts::Frames(3), seed + 2);
        let chain = VirtualChain::new(FIXED_WORD, 3).unwrap();
        chain.inject(&script).unwrap();
        let came: Vec<_> = (0..20).map(|frame: u8| talk(&chain, &[frame; 18])).collect();
        (came, chain.events())
    };
    assert_eq!(run(7), run(7));
    assert_ne!(run(7).0, run(8).0);
}

/// About 1 in 20 of 20 · 144 bits is 144; five standard deviations of a binomial law are 58.
#[test]
fn bits_flip_as_often_as_their_probability_says() {
    let bits = Bits::Each(0.05);
    let noise = chain(FIXED_WORD, 3, Fault::BitFlips { line: DataLine::Miso, bits }, Start::Frame(0), Lasts::ForEver);
    (0..20).for_each(|_| drop(talk(&noise, &[0; 18])));
    let hits: u64 = struck(&noise).into_iter().map(|(_, hits, _)| hits).sum();
    assert!((86..=202).contains(&hits), "{hits}");
    let sure = Fault::BitFlips { line: DataLine::Miso, bits: Bits::Each(1.0) };
    let sure = chain(LATCHED, 1, sure, Start::Frame(0), Lasts::Frames(1));
    assert_eq!(talk(&sure, &[0x7E, 0x7E]), [0xFF, 0xFF]);
}

/// What one fault draws does not hang on what another one does.
#[test]
fn a_fault_strikes_where_it_does_whatever_else_is_in_the_script() {
    let run = |others: bool| {
        let noise = Fault::BitFlips { line: DataLine::Miso, bits: Bits::Each(0.1) };
        let other = Fault::BitFlips { line: DataLine::Mosi, bits: Bits::Each(0.5) };
        let mut script = Script::new().with(noise, Start::Frame(0), Lasts::ForEver, 3);
        if others {
            script = script.with(other, Start::Frame(0), Lasts::ForEver, 3);
        }
        let chain = VirtualChain::new(LATCHED, 1).unwrap();
        chain.inject(&script).unwrap();
        (0..9).for_each(|_| drop(talk(&chain, &[0x7E, 0x7E])));
        let own = |event: Event| match event.kind {
            EventKind::FaultStruck { number: 0, frame, hits, first } => Some((frame, hits, first)),
            _ => None,
        };
        chain.events().into_iter().filter_map(own).collect::<Vec<_>>()
    };
    assert_eq!(run(false), run(true));
    assert!(!run(true).is_empty());
}

fn any_fault() -> impl Strategy<Value = Fault> {
    let line = prop_oneof![Just(DataLine::Mosi), Just(DataLine::Miso)];
    let lines = prop_oneof![
        Just(Line::Sck),
        Just(Line::Mosi),
        Just(Line::Miso),
        Just(Line::Cs),
        Just(Line::Cs),
        Just(Line::Behind(0))
    ];
    let level = any::<bool>().prop_map(PinState::from);
    prop_oneof![
        (line, 0.0..=1.0).prop_map(|(line, share)| Fault::BitFlips { line, bits: Bits::Each(share) }),
        (1u32..9).prop_map(|count| Fault::LostClocks { count }),
        (1u32..9).prop_map(|count| Fault::ExtraClocks { count }),
        (lines, level).prop_map(|(line, level)| Fault::StuckLine { line, level }),
        (0usize..2).prop_map(|device| Fault::ResetNode { device }),
        (0usize..2).prop_map(|device| Fault::Undervoltage { device }),
        (0usize..2, 0..S).prop_map(|(device, shut_off_after_ns)| Fault::Overheating { device, shut_off_after_ns }),
        (0usize..2).prop_map(|device| Fault::BlockedRotor { device, axis: 0 }),
        (0usize..2, any::<bool>()).prop_map(|(device, of_a)| {
            let winding = if of_a { Winding::A } else { Winding::B };
            Fault::OpenWinding { device, axis: 0, winding }
        }),
    ]
}

fn any_start() -> impl Strategy<Value = Start> {
    prop_oneof![
        (0..2 * S).prop_map(Start::At),
        (0u64..8).prop_map(Start::Frame),
        (0usize..2, 1u64..3).prop_map(|(device, nth)| Start::Motion { device, axis: 0, nth }),
        (0usize..2, -50.0..50.0).prop_map(|(device, steps)| Start::Position { device, axis: 0, steps }),
        (0usize..2, 1.0..200.0).prop_map(|(device, steps_per_s)| Start::Velocity { device, axis: 0, steps_per_s }),
    ]
}

fn any_duration() -> impl Strategy<Value = Lasts> {
    prop_oneof![(1..S).prop_map(Lasts::Ns), (1u64..4).prop_map(Lasts::Frames), Just(Lasts::ForEver)]
}

proptest! {
    /// Whatever the script, nothing panics or hangs, the log is in order and balanced, and all is the same a second time.
    #[test]
    fn any_script_leaves_a_world_that_is_the_same_each_time(
        which in 0usize..2,
        faults in prop::collection::vec((any_fault(), any_start(), any_duration(), any::<u64>()), 0..6),
        frames in prop::collection::vec((any::<bool>(), 0usize..14, 0..S), 0..16),
    ) {
        let layout = [LATCHED, FIXED_WORD][which];
        let turn: [&[u8]; 2] = [&[0xB4, 0x00, 0xB0, 0x00, 0x13, 0x88, 0x13, 0x88], &[0x92, 0, 0, 0, 1, 0]];
        let run = || {
            let chain = VirtualChain::new(layout, 2).unwrap();
            for (fault, start, lasts, seed) in faults.clone() {
                chain.inject(&Script::new().with(fault, start, lasts, seed)).unwrap();
            }
            let mut came = Vec::new();
            for &(moves, length, pause_ns) in &frames {
                if moves {
                    turn[which].chunks(4).for_each(|frame| came.push(talk(&chain, frame)));
                } else {
                    came.push(talk(&chain, &vec![0x7E; length]));
                }
                chain.advance_ns(pause_ns / 2);
                chain.run_until_still(pause_ns / 2);
            }
            (came, chain.events(), chain.trajectory(0, 0), [0, 1].map(|device| chain.rotor_steps(device, 0)))
        };
        let (came, events, corners, rotors) = run();
        prop_assert!(events.is_sorted_by_key(|event| event.time_ns), "{events:#?}");
        prop_assert!(corners.is_sorted_by_key(|corner| corner.time_ns));
        let turns = |number, is_end: bool| {
            let is_it = |event: &&Event| match event.kind {
                EventKind::FaultBegan { number: other, .. } => other == number && !is_end,
                EventKind::FaultEnded { number: other, .. } => other == number && is_end,
                _ => false,
            };
            events.iter().filter(is_it).count()
        };
        prop_assert!((0..faults.len()).all(|number| turns(number, true) <= turns(number, false) && turns(number, false) <= 1));
        prop_assert_eq!((came, events, corners, rotors), run());
    }
}
