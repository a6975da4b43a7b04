//! Firmware's view of a chain, in bytes worked out by hand, and the back door.

#![allow(clippy::unusual_byte_groupings, reason = "bytes are grouped by devices")]

mod motor_stories;
mod motors;
mod watching;

use embedded_hal::delay::DelayNs;
use embedded_hal::spi::{Operation, SpiDevice};
use proptest::prelude::*;
use stepchain::map::{CommandForm, Parameter, Piece, Register, RegisterMap, Verb, Wire};
use stepchain::reference::{FixedWord, Latched};

use super::*;
use crate::device::{Event, EventKind, Rejection, Switch, Violation};

mod unlike;

const LATCHED: &Layout = &Latched::LAYOUT;
const FIXED_WORD: &Layout = &FixedWord::LAYOUT;
const S: u64 = 1_000_000_000;
const MS: u64 = 1_000_000;

fn chain(layout: &'static Layout, devices: usize) -> VirtualChain {
    VirtualChain::new(layout, devices).expect("the map is valid")
}

/// Sends each frame in a transaction of its own and gives what came back in the last.
fn talk(chain: &VirtualChain, frames: &[&[u8]]) -> Vec<u8> {
    let mut came = Vec::new();
    for frame in frames {
        came = frame.to_vec();
        chain.spi().transfer_in_place(&mut came).unwrap();
    }
    came
}

fn violations(chain: &VirtualChain) -> Vec<Violation> {
    let violation = |event: Event| match event.kind {
        EventKind::Violation(violation) => Some(violation),
        _ => None,
    };
    chain.events().into_iter().filter_map(violation).collect()
}

/// Each device reads another register: 0x10 (25 000 = 0x0061A8), 0x11 (500 = 0x01F4), 0x20 (64 = 0x0040). The short
/// reads come a frame later, behind the filler, so that all end together.
#[test]
fn device_0_is_sent_to_last_and_heard_last() {
    for devices in 1..=3 {
        let chain = chain(LATCHED, devices);
        let requests: [u8; 6] = [0x50, 0x20, 0x50, 0x11, 0x50, 0x10];
        let filler = [0x7E; 6];
        let end = 2 * devices;
        let first = talk(&chain, &[&requests[6 - end..], &filler[..end]]);
        let second = talk(&chain, &[&filler[..end]]);
        assert_eq!(first, [0x00, 0x40, 0x01, 0xF4, 0x00, 0x00][6 - end..], "{devices} devices");
        assert_eq!(second, [0x00, 0x00, 0x00, 0x00, 0x61, 0xA8][6 - end..], "{devices} devices");
        assert_eq!((chain.frames(), chain.bytes_on_wire()), (3, 6 * devices as u64));
        assert_eq!(violations(&chain), []);
    }
}

/// A filler to device 1 (checks 0x4D) and to device 0 a read of the profile velocity, 0x20 with 200 000 = 0x030D40.
/// The status after power-up is 0x84: bridge off and reset occurred.
#[test]
fn fixed_words_are_answered_in_the_next_frame() {
    let chain = chain(FIXED_WORD, 2);
    let read = [0x00, 0, 0, 0, 0, 0x4D, 0x20, 0, 0, 0, 0, 0xD0];
    let filler = [0x00, 0, 0, 0, 0, 0x4D, 0x00, 0, 0, 0, 0, 0x4D];
    let idle = [0x84, 0, 0, 0, 0, 0x8D];
    assert_eq!(talk(&chain, &[&read]), [idle, idle].concat(), "nothing was asked before");
    assert_eq!(talk(&chain, &[&filler]), [idle, [0x84, 0x00, 0x03, 0x0D, 0x40, 0xC0]].concat());
}

/// 16 bits at 5 MHz are 3.2 µs, the gap is 0.8 µs, and the first frame has none before it.
#[test]
fn frames_take_the_time_of_their_bits_and_of_the_gap_between_them() {
    let chain = chain(LATCHED, 1);
    talk(&chain, &[&[0x7E, 0x7E]]);
    assert_eq!(chain.now_ns(), 3_200);
    talk(&chain, &[&[0x7E, 0x7E]]);
    assert_eq!(chain.now_ns(), 7_200);
    chain.advance_ns(10_000);
    talk(&chain, &[&[0x7E, 0x7E]]);
    assert_eq!(chain.now_ns(), 20_400, "the gap has passed already");
    chain.set_clock_hz(1_000_000);
    talk(&chain, &[&[0x7E, 0x7E]]);
    assert_eq!(chain.now_ns(), 37_200);
}

#[test]
fn commands_of_one_frame_act_at_the_same_instant() {
    let chain = chain(LATCHED, 3);
    talk(&chain, &[&[0xB4, 0, 0xB4, 0, 0xB4, 0], &[0x61, 0xA8, 0x61, 0xA8, 0x61, 0xA8]]);
    let accepted: Vec<_> = chain
        .events()
        .into_iter()
        .filter(|event| matches!(event.kind, EventKind::CommandAccepted { .. }))
        .map(|event| (event.time_ns, event.device))
        .collect();
    let at = 2 * 9_600 + 800;
    assert_eq!(accepted, [(at, Some(0)), (at, Some(1)), (at, Some(2))]);
}

#[test]
fn delays_advance_virtual_time_and_no_more() {
    let chain = chain(LATCHED, 1);
    let mut delay = chain.delay();
    delay.delay_ns(1);
    delay.delay_us(3);
    delay.delay_ms(5_000);
    assert_eq!(chain.now_ns(), 5_000_003_001);
}

#[test]
fn running_until_still_ends_where_the_last_axis_stands_or_at_the_limit() {
    let chain = chain(LATCHED, 2);
    // Device 0 goes 32 000 microsteps, 1.5 s; device 1 gets filler, then the same 2.5 s later.
    talk(&chain, &[&[0x7E, 0x7E, 0x68, 0x00], &[0x7E, 0x7E, 0x7D, 0x00]]);
    let begun = chain.now_ns();
    assert!(!chain.run_until_still(S));
    assert_eq!(chain.now_ns(), begun + S);
    assert!(chain.run_until_still(S));
    assert_eq!(chain.now_ns(), begun + S + S / 2);
    assert_eq!((chain.position(0, 0), chain.position(1, 0)), (32_000, 0));
    talk(&chain, &[&[0xB4, 0x00, 0x7E, 0x7E], &[0x61, 0xA8, 0x7E, 0x7E]]);
    assert!(!chain.run_until_still(1_000 * S), "device 1 turns for ever");
}

#[test]
fn too_few_clocks_are_a_violation_and_the_rest_comes_from_the_neighbour() {
    let chain = chain(LATCHED, 2);
    talk(&chain, &[&[0x50, 0x10, 0x7E, 0x7E], &[0x7E, 0x7E]]);
    assert_eq!(violations(&chain), [Violation::TooFewClocks { clocks: 16, least: 32 }]);
    // Device 1 held what device 0 had to give: 0x0000, which is no word.
    let unknown = chain.events().into_iter().find(|event| matches!(event.kind, EventKind::CommandUnknown { .. }));
    assert_eq!(
        unknown.map(|event| (event.device, event.kind)),
        Some((Some(1), EventKind::CommandUnknown { units: vec![0x0000] }))
    );
}

const COUNTS: Layout = Layout::new("counts", Wire::latched_units(8, &[Piece::fixed(8, 0)]).no_spare_clocks())
    .registers(&[Register::new(Parameter::ProfileVelocity, 1, 8)])
    .commands(&[CommandForm::word(
        Verb::WriteParameter,
        &[Piece::fixed(4, 9), Piece::address(4), Piece::DataByRegister],
    )]);

#[test]
fn devices_that_count_their_clocks_ignore_a_frame_of_another_length() {
    let chain = chain(&COUNTS, 2);
    talk(&chain, &[&[0x00, 0x91], &[0x00, 0x00, 0x55]]);
    assert_eq!(violations(&chain), [Violation::ClockCount { clocks: 24, expected: 16 }]);
    talk(&chain, &[&[0x00, 0x66]]);
    assert_eq!(chain.read_register(0, 1), 0, "the word under way was dropped with the frame");
    talk(&chain, &[&[0x00, 0x91], &[0x00, 0x66]]);
    assert_eq!(chain.read_register(0, 1), 0x66);
}

#[test]
fn spare_clocks_in_front_fall_out_where_they_are_tolerated() {
    let chain = chain(LATCHED, 1);
    let came = talk(&chain, &[&[0x50, 0x11], &[0xAA, 0x7E, 0x7E]]);
    assert_eq!(came, [0x01, 0xF4, 0xAA]);
    assert_eq!(violations(&chain), []);
}

#[test]
fn a_short_gap_and_a_fast_clock_are_violations() {
    let chain = chain(LATCHED, 1);
    chain.set_gap_ns(799);
    chain.set_clock_hz(5_000_001);
    talk(&chain, &[&[0x7E, 0x7E], &[0x7E, 0x7E]]);
    let fast = Violation::ClockTooFast { clock_hz: 5_000_001, greatest_hz: 5_000_000 };
    assert_eq!(violations(&chain), [fast, fast, Violation::DeselectTooShort { found_ns: 799, least_ns: 800 }]);
    chain.set_clock_hz(5_000_000);
    chain.advance_ns(800);
    talk(&chain, &[&[0x7E, 0x7E]]);
    assert_eq!(violations(&chain).len(), 3);
}

#[test]
fn a_delay_within_a_transaction_keeps_the_chain_selected() {
    let chain = chain(LATCHED, 1);
    chain
        .spi()
        .transaction(&mut [Operation::Write(&[0x88]), Operation::DelayNs(500), Operation::Write(&[0x11])])
        .unwrap();
    assert_eq!((chain.now_ns(), chain.frames()), (3_700, 1));
    talk(&chain, &[&[0x12, 0x34]]);
    assert_eq!(chain.read_register(0, 0x11), 0x1234);
}

#[test]
fn transfers_of_unlike_lengths_clock_the_longer_one() {
    let chain = chain(LATCHED, 1);
    talk(&chain, &[&[0x50, 0x11]]);
    let mut read = [0; 1];
    chain.spi().transaction(&mut [Operation::Transfer(&mut read, &[0x50, 0x10])]).unwrap();
    assert_eq!(read, [0x01]);
    let mut read = [0; 2];
    chain.spi().transaction(&mut [Operation::Transfer(&mut read, &[0x7E])]).unwrap();
    assert_eq!(read, [0x00, 0x00], "the first unit of 0x0061A8");
    assert_eq!(violations(&chain), []);
    let mut read = [0; 2];
    chain.spi().read(&mut read).unwrap();
    assert_eq!(read, [0x61, 0xA8]);
}

#[test]
fn a_reset_node_forgets_its_reply_and_its_neighbour_does_not() {
    let chain = chain(LATCHED, 2);
    talk(&chain, &[&[0x50, 0x11, 0x50, 0x11]]);
    chain.reset_node(1);
    assert_eq!(talk(&chain, &[&[0x7E; 4]]), [0x00, 0x00, 0x01, 0xF4]);
    assert_eq!(chain.status(1) & 1 << 15, 0);
    let resets = chain.events().into_iter().filter(|event| event.kind == EventKind::Reset);
    assert_eq!(resets.map(|event| event.device).collect::<Vec<_>>(), [Some(0), Some(1), Some(1)]);
}

#[test]
fn events_from_a_capture_need_no_clock() {
    let chain = chain(LATCHED, 1);
    chain.advance_ns(5_000);
    let mut came = Vec::new();
    for event in [BusEvent::Select, BusEvent::Bits(&crate::wire::bits_of(&[0x50, 0x77])), BusEvent::Deselect] {
        came.extend(chain.drive(event));
    }
    assert_eq!((chain.now_ns(), came.len()), (5_000, 16));
    let events = chain.events();
    let [.., rejected, _flag] = events.as_slice() else { panic!("the read was rejected: {events:?}") };
    let reason = Rejection::NoSuchRegister { address: 0x77 };
    assert_eq!(rejected.kind, EventKind::CommandRejected { verb: Verb::ReadParameter, axis: 0, reason });
}

#[test]
fn a_flawed_map_or_a_frame_that_cannot_be_sent_is_refused() {
    const FLAWED: Layout = Layout::new("flawed", Wire::latched_units(8, &[Piece::fixed(7, 0)]));
    const FOUR_BITS: Layout = Layout::new("four", Wire::latched_units(4, &[Piece::fixed(4, 0)]).no_spare_clocks());
    assert_eq!(VirtualChain::new(&FLAWED, 1).err(), Some(Flaw::Filler));
    assert_eq!(VirtualChain::new(&FOUR_BITS, 3).err(), Some(Flaw::FrameNotWhole { devices: 3, unit_bits: 4 }));
    assert!(VirtualChain::new(&FOUR_BITS, 2).is_ok());
}

#[test]
fn a_chain_of_no_devices_is_refused() {
    assert_eq!(VirtualChain::new(LATCHED, 0).err(), Some(Flaw::NoDevices));
}

/// A driver that believes in a third device: its frames push the units of the two that are there out of place.
#[test]
fn a_frame_with_units_for_devices_that_are_not_there_is_a_violation() {
    let chain = chain(LATCHED, 2);
    talk(&chain, &[&[0x7E; 6]]);
    assert_eq!(violations(&chain), [Violation::SurplusUnits { bits: 48, chain_bits: 32 }]);
    // Eight spare clocks are half a unit: some controllers send them.
    talk(&chain, &[&[0x7E; 5]]);
    assert_eq!(violations(&chain).len(), 1);
}

/// By hand: three devices of 4 bits are 12 bits, two bytes; the 4 bits that lead are padding and no unit.
#[test]
fn bits_that_fill_a_byte_are_no_surplus() {
    const FOUR_BITS: Layout = Layout::new("four", Wire::latched_units(4, &[Piece::fixed(4, 0)]));
    let chain = VirtualChain::new(&FOUR_BITS, 3).unwrap();
    talk(&chain, &[&[0x00, 0x00]]);
    assert_eq!(violations(&chain), []);
    talk(&chain, &[&[0x00, 0x00, 0x00]]);
    assert_eq!(violations(&chain), [Violation::SurplusUnits { bits: 24, chain_bits: 12 }]);
}

#[test]
#[should_panic(expected = "the chain has 2 devices, counted from 0, and no device 5")]
fn a_device_that_is_not_there_cannot_be_asked() {
    let _ = chain(LATCHED, 2).position(5, 0);
}

#[test]
#[should_panic(expected = "a device has 1 axes, counted from 0, and no axis 1")]
fn an_axis_that_is_not_there_cannot_be_asked() {
    let _ = chain(LATCHED, 2).position(0, 1);
}

#[test]
#[should_panic(expected = "a device has 1 axes, counted from 0, and no axis 300")]
fn an_axis_that_is_not_there_has_no_condition() {
    chain(LATCHED, 2).set_condition(0, 300, Flag::Fault, true);
}

/// By hand: 100 steps/s after 5 steps; the switches are 45 and 95 steps farther, and 5 steps behind them all stand.
#[test]
fn running_until_still_goes_through_searches_and_what_waits() {
    let chain = chain(LATCHED, 2);
    let switch = |from_steps| Switch::ClosedBetween { from_steps, to_steps: from_steps + 2.0 };
    chain.set_switch(0, 0, switch(50.0));
    chain.set_switch(1, 0, switch(100.0));
    // A search on both that makes the edge zero; then both are to come back by 64 microsteps of what follows.
    talk(&chain, &[&[0x9E, 0x00, 0x9E, 0x00], &[0x13, 0x88, 0x13, 0x88]]);
    talk(&chain, &[&[0x6D, 0x00, 0x6D, 0x00], &[0x01, 0x40, 0x01, 0x40]]);
    assert!(chain.run_until_still(100 * S));
    assert_eq!([0, 1].map(|device| chain.position(device, 0)), [0, 0], "5 steps on and 5 steps back");
    assert_eq!([0, 1].map(|device| chain.rotor_steps(device, 0)), [50.0, 100.0]);
    assert!(chain.events().is_sorted_by_key(|event| event.time_ns));
    let begun = chain
        .events()
        .into_iter()
        .filter(|event| matches!(event.kind, EventKind::CommandAccepted { verb: Verb::MoveRelative, .. }));
    let begun: Vec<_> = begun.map(|event| (event.device, event.time_ns / MS)).collect();
    assert_eq!(begun, [(Some(0), 650), (Some(1), 1_150)]);
}

#[test]
fn pulses_and_stops_of_the_back_door_reach_their_axis() {
    let chain = chain(LATCHED, 1);
    talk(&chain, &[&[0x0A, 0x66]]);
    chain.set_end_stop(0, 0, -1.0);
    chain.pulse(0, 0, 65);
    assert_eq!((chain.position(0, 0), chain.rotor_steps(0, 0)), (-65, -1.0));
    assert_eq!(chain.status(0) >> 7 & 1, 1, "a stall");
}

proptest! {
    /// Whatever is sent, nothing panics, the log is in order, and the same bytes give the same world.
    #[test]
    fn any_bytes_leave_a_world_that_is_the_same_each_time(
        which in 0usize..2,
        frames in prop::collection::vec((prop::collection::vec(any::<u8>(), 0..14), 0u64..S), 0..40),
        begun in prop::collection::vec(0usize..18, 40),
    ) {
        let layout = [LATCHED, FIXED_WORD][which];
        // Random bytes seldom are a command: some frames begin with an opcode.
        let opcodes = [
            0xB4, 0x68, 0xD0, 0x39, 0x88, 0x4D, 0xE1, 0x50, 0x9D, 0x9A, 0xA6, 0x28, 0x0E, 0x14, 0x69, 0x6D, 0xD6,
        ];
        let run = || {
            let chain = chain(layout, 2);
            chain.set_switch(0, 0, Switch::ClosedBetween { from_steps: -20.0, to_steps: 10.5 });
            chain.set_switch(1, 0, Switch::ClosedBetween { from_steps: 3.0, to_steps: 1e6 });
            chain.set_end_stop(1, 0, 300.0);
            let mut came = Vec::new();
            for ((bytes, pause_ns), begun) in frames.iter().zip(&begun) {
                let mut bytes = bytes.clone();
                if let (Some(first), Some(opcode)) = (bytes.first_mut(), opcodes.get(*begun)) {
                    *first = *opcode;
                }
                chain.spi().transfer_in_place(&mut bytes).unwrap();
                chain.advance_ns(*pause_ns);
                came.push(bytes);
            }
            (came, chain.events(), chain.trajectory(0, 0), chain.trajectory(1, 0))
        };
        let (came, events, first, second) = run();
        prop_assert!(events.is_sorted_by_key(|event| event.time_ns));
        prop_assert!(first.is_sorted_by_key(|corner| corner.time_ns));
        prop_assert_eq!((came, events, first, second), run());
    }
}

#[test]
fn one_byte_less_than_a_frame_is_told_and_a_frame_is_not() {
    let chain = chain(LATCHED, 2);
    talk(&chain, &[&[0x7E; 4], &[0x7E; 3]]);
    assert_eq!(violations(&chain), [Violation::TooFewClocks { clocks: 24, least: 32 }]);
}

/// By hand: 24 bits at 3 MHz are 8000 ns; eight are 2666.7, and three times that, each rounded up, would be 8001.
#[test]
fn a_transaction_takes_the_same_time_however_it_is_cut() {
    let chain = chain(LATCHED, 1);
    chain.set_clock_hz(3_000_000);
    let byte = [0x7E];
    let [first, second, third] = [&byte; 3].map(|byte| Operation::Write(byte));
    chain.spi().transaction(&mut [first, second, third]).unwrap();
    assert_eq!(chain.now_ns(), 8_000);
}
