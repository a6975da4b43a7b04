//! Devices driven through their one door, by units worked out by hand from the drawings of the maps.

#![allow(clippy::unusual_byte_groupings, reason = "words are grouped by their pieces")]

mod history;
mod homing;
mod maps;
mod motion;
mod registers;
mod replies;
mod service;
mod status;
mod three_axes;

use std::sync::Arc;

use stepchain::map::{Layout, RegisterMap};
use stepchain::reference::{FixedWord, Latched};

use super::{Device, EventKind, Rejection};
use crate::decode::Dictionary;

const LATCHED: &Layout = &Latched::LAYOUT;
const FIXED_WORD: &Layout = &FixedWord::LAYOUT;

/// The latched map's filler.
const FILLER: u64 = 0x7E7E;
const MS: u64 = 1_000_000;
const S: u64 = 1_000 * MS;

fn device(layout: &'static Layout) -> Device {
    let mut device = Device::new(Arc::new(Dictionary::new(layout)), 0);
    assert_eq!(device.take_events(), [(0, EventKind::Reset)]);
    device
}

/// Latches the units one after the other at one instant and gives what leaves after each.
fn send(device: &mut Device, now_ns: u64, units: &[u64]) -> Vec<u64> {
    units.iter().map(|unit| device.latch(*unit, now_ns)).collect()
}

/// A 40-bit front with its check behind it.
///
/// CRC-8/AUTOSAR by plain long division: the first eight bits and the rest are inverted.
fn checked(front: u64) -> u64 {
    let mut rest = (front ^ 0xFF << 32) << 8;
    for bit in (8..48).rev() {
        if rest >> bit & 1 == 1 {
            rest ^= 0x12F << (bit - 8);
        }
    }
    front << 8 | rest ^ 0xFF
}

/// A fixed-word write.
fn write(address: u64, content: u64) -> u64 {
    checked((0x80 | address) << 32 | content)
}

/// A fixed-word read.
fn read(address: u64) -> u64 {
    checked(address << 32)
}

/// The reasons of all rejections since the last call.
fn rejections(device: &mut Device) -> Vec<Rejection> {
    let reason = |(_, kind)| match kind {
        EventKind::CommandRejected { reason, .. } => Some(reason),
        _ => None,
    };
    device.take_events().into_iter().filter_map(reason).collect()
}

#[test]
fn the_tests_own_check_is_the_published_one() {
    assert_eq!(checked(0x91_0003_0D40), 0x91_0003_0D40_5E, "worked out by hand with the decoder's tests");
    assert_eq!(checked(0), 0x4D);
}
