//! What of two wires must be alike, what is combined, and what each flaw says.

extern crate std;
use std::string::ToString;
use std::vec;

use super::*;
use crate::map::{Piece, ReplyTiming};

const PLAIN: Wire = Wire::latched_units(12, &[Piece::fixed(12, 0)]);
const WIDER: Wire = Wire::latched_units(13, &[Piece::fixed(13, 0)]);
const TOO_SHORT: Wire = Wire::latched_units(12, &[Piece::fixed(11, 0)]);
static FIRST: Layout = Layout::new("first", PLAIN.timing(3_000_000, 400));

fn layout(wire: Wire) -> &'static Layout {
    std::boxed::Box::leak(std::boxed::Box::new(Layout::new("other", wire)))
}

fn chain(layouts: &[&'static Layout]) -> Devices {
    Devices::unlike(layouts.to_vec().leak())
}

#[test]
fn each_part_of_the_wire_form_is_told_apart_with_its_device() {
    let mut fixed = PLAIN;
    fixed.framing = Framing::FixedWord;
    fixed.reply_timing = ReplyTiming::NextFrame;
    let cases = [
        (WIDER, WireDifference::UnitBits { found: 13, expected: 12 }, "its unit has 13 bits, that of device 0 has 12"),
        (
            PLAIN.mode(SpiMode::Mode2),
            WireDifference::Mode { found: SpiMode::Mode2, expected: SpiMode::Mode0 },
            "its SPI mode is 2, that of device 0 is 0",
        ),
        (
            PLAIN.bit_order(BitOrder::LsbFirst),
            WireDifference::BitOrder { found: BitOrder::LsbFirst, expected: BitOrder::MsbFirst },
            "it takes the least significant bit first, device 0 the most significant",
        ),
        (
            fixed,
            WireDifference::Framing { found: Framing::FixedWord, expected: Framing::LatchedUnits },
            "it takes fixed words, device 0 takes latched units",
        ),
    ];
    for (wire, difference, text) in cases {
        let flaw = chain(&[&FIRST, &FIRST, layout(wire), &FIRST]).validate().unwrap_err();
        assert_eq!(flaw, ChainFlaw::WireForm { device: 2, name: "other", difference });
        assert_eq!(flaw.to_string(), std::format!("device 2 (`other`): {text}"));
        assert_eq!(flaw.message().as_str(), flaw.to_string());
    }
}

#[test]
fn what_only_concerns_the_reading_of_a_unit_may_differ() {
    const OTHER: Wire = Wire::latched_units(12, &[Piece::fixed(12, 0xABC)])
        .reply_timing(ReplyTiming::NextFrame)
        .idle_reply(&[Piece::fixed(12, 0x123)])
        .shared_write(crate::map::SharedWrite::Shadow);
    const CHECKED: Wire = Wire::latched_units(12, &[Piece::fixed(4, 0), Piece::Crc]).crc(crate::map::Crc8::new(7));
    assert_eq!(chain(&[&FIRST, layout(OTHER), layout(CHECKED)]).validate(), Ok(()));
}

#[test]
fn the_weakest_device_sets_the_limits_wherever_it_stands() {
    let slow = layout(PLAIN.timing(1_000_000, 100));
    let tired = layout(PLAIN.timing(9_000_000, 7_000));
    for layouts in [[&FIRST, slow, tired], [tired, slow, &FIRST], [slow, &FIRST, tired]] {
        let devices = chain(&layouts);
        assert_eq!((devices.max_clock_hz(), devices.min_deselect_ns()), (1_000_000, 7_000));
        assert_eq!(devices.spare_clocks(), SpareClocks::Tolerated);
        assert_eq!(devices.validate_for(3), Ok(()));
    }
    let two_axes = layout(PLAIN);
    let devices = Devices::unlike(vec![two_axes, &*std::boxed::Box::leak(std::boxed::Box::new(FIRST.axes(3)))].leak());
    assert_eq!(devices.most_axes(), 3);
}

/// By hand: 36 bits are four and a half bytes, 48 bits are six.
#[test]
fn one_device_that_counts_its_clocks_refuses_the_padding_for_all() {
    let strict = layout(PLAIN.no_spare_clocks());
    for layouts in [[strict, &FIRST, &FIRST], [&FIRST, strict, &FIRST], [&FIRST, &FIRST, strict]] {
        let devices = chain(&layouts);
        assert_eq!(devices.spare_clocks(), SpareClocks::Refused);
        let flaw = Flaw::FrameNotWhole { devices: 3, unit_bits: 12 };
        assert_eq!(devices.validate_for(3), Err(ChainFlaw::Frame(flaw)));
        assert_eq!(ChainFlaw::Frame(flaw).to_string(), flaw.to_string());
    }
    assert_eq!(chain(&[&FIRST, strict, &FIRST, &FIRST]).validate_for(4), Ok(()));
}

#[test]
fn a_flawed_layout_is_named_with_its_device_and_its_flaw() {
    let flawed = layout(TOO_SHORT);
    let flaw = chain(&[&FIRST, flawed]).validate_for(2).unwrap_err();
    assert_eq!(flaw, ChainFlaw::Device { device: 1, flaw: Flaw::Filler });
    assert_eq!(flaw.to_string(), std::format!("device 1: {}", Flaw::Filler));
    assert_eq!(flaw.message().as_str(), flaw.to_string());
    assert_eq!(Devices::alike(flawed).validate(), Err(ChainFlaw::Device { device: 0, flaw: Flaw::Filler }));
}

#[test]
fn there_must_be_a_layout_for_each_device_and_one_at_least() {
    let two = chain(&[&FIRST, &FIRST]);
    for devices in [1, 3] {
        let flaw = two.validate_for(devices).unwrap_err();
        assert_eq!(flaw, ChainFlaw::Count { layouts: 2, devices });
        assert_eq!(flaw.to_string(), std::format!("there are layouts for 2 devices, and the chain has {devices}"));
    }
    assert_eq!(chain(&[]).validate_for(0), Err(ChainFlaw::Frame(Flaw::NoDevices)));
    assert_eq!(Devices::alike(&FIRST).validate_for(0), Err(ChainFlaw::Frame(Flaw::NoDevices)));
    assert_eq!(Devices::alike(&FIRST).validate_for(77), Ok(()));
}

#[test]
fn each_device_has_the_layout_that_was_given_for_it() {
    let other = layout(PLAIN);
    let names = |devices: Devices| core::array::from_fn(|device| devices.layout(device).name);
    assert_eq!(names(chain(&[&FIRST, other, &FIRST])), ["first", "other", "first", "first"]);
    assert_eq!(names(Devices::alike(other)), ["other"; 4]);
    assert!(Devices::alike(other).are_alike() && !chain(&[other]).are_alike());
}
