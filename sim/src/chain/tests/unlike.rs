//! Unlike devices behind one chip select: each takes its own unit by its own map.

use stepchain::map::{ChainFlaw, Flaw, SpiMode, WireDifference};

use super::*;

const KEEPS: Layout = Layout::new("keeps", Wire::latched_units(8, &[Piece::fixed(8, 0xFF)]).timing(3_000_000, 2_000))
    .registers(&[Register::new(Parameter::ProfileVelocity, 2, 8)])
    .commands(&[CommandForm::word(
        Verb::WriteParameter,
        &[Piece::fixed(4, 3), Piece::address(4), Piece::DataByRegister],
    )]);

/// By hand: `counts` writes 0x55 to 1 by 0x91, 0x55, and has filler 0x00; `keeps` writes 0x66 to 2 by 0x32, 0x66. The unit
/// of the last device comes first.
#[test]
fn each_device_decodes_its_unit_by_its_own_map() {
    let chain = VirtualChain::unlike(&[&COUNTS, &KEEPS, &COUNTS]).unwrap();
    talk(&chain, &[&[0x91, 0x32, 0x00], &[0x55, 0x66, 0x00]]);
    assert_eq!([chain.read_register(0, 1), chain.read_register(1, 2), chain.read_register(2, 1)], [0, 0x66, 0x55]);
    assert_eq!(violations(&chain), []);
    let names: Vec<_> = (0..3).map(|device| chain.layout_of(device).name).collect();
    assert_eq!(names, ["counts", "keeps", "counts"]);
}

/// Device 0 counts, and drops the frame; device 1 acts on the last bits that reached it.
#[test]
fn in_a_frame_of_another_length_only_those_that_count_their_clocks_do_not_act() {
    let chain = VirtualChain::unlike(&[&COUNTS, &KEEPS]).unwrap();
    talk(&chain, &[&[0x32, 0x91], &[0x00, 0x66, 0x55]]);
    assert_eq!(violations(&chain), [Violation::ClockCount { clocks: 24, expected: 16 }]);
    assert_eq!([chain.read_register(0, 1), chain.read_register(1, 2)], [0, 0x66]);
}

/// By hand: the default wire bears 1 MHz and wants 1 µs; the other bears 3 MHz and wants 2 µs.
#[test]
fn the_slowest_clock_and_the_longest_gap_hold_for_all() {
    let chain = VirtualChain::unlike(&[&KEEPS, &COUNTS]).unwrap();
    chain.set_clock_hz(1_000_001);
    chain.set_gap_ns(1_999);
    talk(&chain, &[&[0x00, 0xFF], &[0x00, 0xFF]]);
    let fast = Violation::ClockTooFast { clock_hz: 1_000_001, greatest_hz: 1_000_000 };
    assert_eq!(violations(&chain), [fast, fast, Violation::DeselectTooShort { found_ns: 1_999, least_ns: 2_000 }]);
}

#[test]
fn layouts_that_cannot_be_one_chain_are_refused_with_the_device() {
    const CONTRARY: Layout = Layout::new("contrary", KEEPS.wire.mode(SpiMode::Mode1));
    let difference = WireDifference::Mode { found: SpiMode::Mode1, expected: SpiMode::Mode0 };
    let flaw = ChainFlaw::WireForm { device: 1, name: "contrary", difference };
    assert_eq!(VirtualChain::unlike(&[&COUNTS, &CONTRARY]).unwrap_err(), flaw);
    assert_eq!(VirtualChain::unlike(&[]).unwrap_err(), ChainFlaw::Frame(Flaw::NoDevices));
}
