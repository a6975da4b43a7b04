//! Takes frames apart into the devices' words, and infers how many devices there are.
//!
//! ```text
//!   MOSI   | padding | device N-1 | ... | device 0 |     the last N·U bits
//!   MISO   | device N-1 | ... | device 0 | echo    |     the first N·U bits
//! ```

use std::collections::BTreeMap;

use stepchain::map::{BitOrder, SpareClocks, Wire};

use super::frame::Frame;
use super::trouble::TroubleKind;
use crate::decode::{Assembler, Decoded, Dictionary};

/// One device's bits of a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Word<'a> {
    /// The device, 0 for the one at the controller's output.
    pub device: usize,
    /// What it holds at the latch, first bit on the wire first.
    pub mosi: Option<&'a [bool]>,
    /// What it shifted out.
    pub miso: Option<&'a [bool]>,
}

/// A number that was inferred, and how much speaks for it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Evidence {
    /// The number.
    pub devices: usize,
    /// Frames that agree.
    pub agreeing: usize,
    /// Complete frames that were looked at.
    pub frames: usize,
}

/// The words of a frame, device 0 first, and what is wrong with its length; no words if it is too short.
#[must_use]
pub fn words<'a>(frame: &'a Frame, wire: &Wire, devices: usize) -> (Vec<Word<'a>>, Option<TroubleKind>) {
    let unit = usize::from(wire.unit_bits).max(1);
    let (chain, bits) = (devices * unit, frame.bits());
    let (bits_u64, expected) = (bits as u64, chain as u64);
    let exact = wire.spare_clocks == SpareClocks::Refused;
    if bits < chain || (exact && bits != chain) {
        return (Vec::new(), Some(TroubleKind::PartialFrame { bits: bits_u64, expected }));
    }
    let surplus = bits - chain >= unit.min(8);
    let part = |lane: &'a Option<Vec<bool>>, first: usize| lane.as_ref().and_then(|lane| lane.get(first..first + unit));
    let word = |device: usize| {
        let place = (devices - 1 - device) * unit;
        Word { device, mosi: part(&frame.mosi, bits - chain + place), miso: part(&frame.miso, place) }
    };
    let trouble = surplus.then_some(TroubleKind::SurplusBits { bits: bits_u64, expected });
    ((0..devices).map(word).collect(), trouble)
}

/// The unit that bits in the order of the wire make.
pub(crate) fn unit_of(bits: &[bool], order: BitOrder) -> u64 {
    let add = |unit: u64, bit: &bool| unit << 1 | u64::from(*bit);
    match order {
        BitOrder::MsbFirst => bits.iter().fold(0, add),
        BitOrder::LsbFirst => bits.iter().rev().fold(0, add),
    }
}

/// How many devices share the chain, from the length that most complete frames have.
#[must_use]
pub fn infer_devices<'a>(frames: impl IntoIterator<Item = &'a Frame>, wire: &Wire) -> Option<Evidence> {
    let (mut lengths, mut count) = (BTreeMap::<usize, usize>::new(), 0);
    for frame in frames.into_iter().filter(|frame| frame.complete && frame.bits() > 0) {
        *lengths.entry(frame.bits()).or_default() += 1;
        count += 1;
    }
    let (bits, agreeing) = lengths.into_iter().max_by_key(|&(_, agreeing)| agreeing)?;
    let devices = bits / usize::from(wire.unit_bits).max(1);
    (devices > 0).then_some(Evidence { devices, agreeing, frames: count })
}

/// How many words of these frames the map knows, of how many, if units are read in this order.
#[must_use]
pub fn known_words<'a>(
    frames: impl IntoIterator<Item = &'a Frame>,
    dictionary: &Dictionary,
    devices: usize,
    order: BitOrder,
) -> (usize, usize) {
    let mut assemblers = vec![Assembler::new(); devices];
    let (mut known, mut all) = (0, 0);
    for frame in frames.into_iter().filter(|frame| frame.complete) {
        let (words, _) = words(frame, &dictionary.layout().wire, devices);
        for (word, assembler) in words.iter().zip(&mut assemblers) {
            let Some(bits) = word.mosi else { continue };
            match assembler.push(unit_of(bits, order), dictionary) {
                Decoded::PartOf { .. } => continue,
                Decoded::Unknown { .. } | Decoded::CrcMismatch { .. } => {}
                _ => known += 1,
            }
            all += 1;
        }
    }
    (known, all)
}

#[cfg(test)]
mod tests {
    use stepchain::map::Piece;

    use super::*;
    use crate::wire::bits_of;

    const WIRE: Wire = Wire::latched_units(8, &[Piece::fixed(8, 0)]);

    fn frame(mosi: &[u8], miso: &[u8]) -> Frame {
        let (mosi, miso) = (Some(bits_of(mosi)), Some(bits_of(miso)));
        Frame { number: 0, start_ns: 0, end_ns: 0, mosi, miso, complete: true }
    }

    /// By hand, as drawn in the module's text: a spare unit in front of MOSI comes out at the end of MISO.
    #[test]
    fn the_last_bits_sent_and_the_first_received_belong_to_the_devices() {
        let frame = frame(&[0xAA, 0x22, 0x11], &[0x44, 0x33, 0xAA]);
        let (words, trouble) = words(&frame, &WIRE, 2);
        let units: Vec<_> = words
            .iter()
            .map(|word| [word.mosi, word.miso].map(|bits| unit_of(bits.unwrap(), BitOrder::MsbFirst)))
            .collect();
        assert_eq!(units, [[0x11, 0x33], [0x22, 0x44]]);
        assert_eq!(trouble, Some(TroubleKind::SurplusBits { bits: 24, expected: 16 }));
        assert_eq!(unit_of(&bits_of(&[0x12]), BitOrder::LsbFirst), 0x48);
    }

    #[test]
    fn a_frame_that_is_too_short_has_no_words() {
        let short = frame(&[0x11], &[0x33]);
        let (words, trouble) = words(&short, &WIRE, 2);
        assert!(words.is_empty());
        assert_eq!(trouble, Some(TroubleKind::PartialFrame { bits: 8, expected: 16 }));
    }

    #[test]
    fn the_length_that_most_frames_have_tells_the_number_of_devices() {
        let frames = [frame(&[1, 2, 3], &[]), frame(&[1], &[]), frame(&[1, 2, 3], &[])];
        assert_eq!(infer_devices(&frames, &WIRE), Some(Evidence { devices: 3, agreeing: 2, frames: 3 }));
        assert_eq!(infer_devices(&[], &WIRE), None);
    }
}
