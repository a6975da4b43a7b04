//! Puts what a device answers into units, and reads units as an answer.

use stepchain::map::Piece;

use super::Dictionary;
use super::word::width_of;

/// What the pieces of an answer are filled from.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Answer {
    /// The status word.
    pub status: u64,
    /// The axis that was spoken of.
    pub axis: u8,
    /// The address that was spoken of.
    pub address: u16,
    /// The content of the register there.
    pub content: u32,
}

/// What units say, read as an answer.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Heard {
    /// What was said; zeros where the answer has no place for it.
    pub answer: Answer,
    /// A one for each bit of the status word that the answer has a place for.
    pub status_mask: u64,
    /// Whether the answer has a place for the content of a register.
    pub has_content: bool,
    /// Whether every fixed bit, and the echo of the address, is as it must be.
    pub is_well_formed: bool,
    /// Whether the check, where there is one, is right.
    pub check_is_right: bool,
}

impl Dictionary {
    /// How many units an answer of these pieces takes that speaks of the register at `address`.
    #[must_use]
    pub fn reply_units(&self, pieces: &[Piece], address: u16) -> usize {
        let bits: usize = pieces.iter().map(|piece| width_of(piece, self, address)).sum();
        bits.div_ceil(usize::from(self.layout().wire.unit_bits).max(1))
    }

    /// Reads units as the answer of these pieces: what [`reply`](Self::reply) made of it. Bits that are missing count
    /// as zeros, and make the answer malformed.
    #[must_use]
    pub fn hear(&self, pieces: &[Piece], address: u16, units: &[u64]) -> Heard {
        let weights = || (0..u32::from(self.layout().wire.unit_bits)).rev();
        let bits: Vec<bool> =
            units.iter().flat_map(|unit| weights().map(move |weight| unit >> weight & 1 == 1)).collect();
        let mut heard = Heard { is_well_formed: true, check_is_right: true, ..Heard::default() };
        let mut rest = &bits[..];
        for piece in pieces {
            let width = width_of(piece, self, address);
            let (held, after) = rest.split_at(width.min(rest.len()));
            heard.is_well_formed &= held.len() == width;
            let number = held.iter().fold(0u64, |number, &bit| number << 1 | u64::from(bit));
            let placed = |lsb: u8| number.checked_shl(lsb.into()).unwrap_or(0);
            match *piece {
                Piece::Fixed { value, .. } => heard.is_well_formed &= number == value,
                Piece::Axis { .. } => heard.answer.axis = number as u8,
                Piece::Address { .. } => {
                    heard.answer.address = number as u16;
                    heard.is_well_formed &= heard.answer.address == address;
                }
                Piece::Data { lsb, .. } => {
                    heard.answer.content |= placed(lsb) as u32;
                    heard.has_content = true;
                }
                Piece::DataByRegister => {
                    heard.answer.content = number as u32;
                    heard.has_content = true;
                }
                Piece::Status { lsb, width } => {
                    heard.answer.status |= placed(lsb);
                    let ones = 1u64.checked_shl(width.into()).unwrap_or(0).wrapping_sub(1);
                    heard.status_mask |= ones.checked_shl(lsb.into()).unwrap_or(0);
                }
                Piece::Crc => {
                    let before = &bits[..bits.len() - rest.len()];
                    heard.check_is_right = number == u64::from(self.check_over(before));
                }
                _ => {}
            }
            rest = after;
        }
        heard
    }

    /// The units of an answer, first one first; bits without meaning are zeros.
    #[must_use]
    pub fn reply(&self, pieces: &[Piece], answer: &Answer) -> Vec<u64> {
        let mut bits = Vec::new();
        for piece in pieces {
            match *piece {
                Piece::Fixed { width, value } => push(&mut bits, value, width.into()),
                Piece::Axis { width } => push(&mut bits, answer.axis.into(), width.into()),
                Piece::Address { width } => push(&mut bits, answer.address.into(), width.into()),
                Piece::Data { lsb, width } => push(&mut bits, from_bit(answer.content.into(), lsb), width.into()),
                Piece::DataByRegister => {
                    push(&mut bits, answer.content.into(), self.content_in_whole_units(answer.address));
                }
                Piece::Status { lsb, width } => push(&mut bits, from_bit(answer.status, lsb), width.into()),
                Piece::Crc => {
                    let check = self.check_over(&bits);
                    push(&mut bits, check.into(), 8);
                }
                // Nothing to say: arguments of commands do not come back.
                ref other => push(&mut bits, 0, width_of(other, self, answer.address)),
            }
        }
        let unit = |chunk: &[bool]| chunk.iter().fold(0, |unit, &bit| unit << 1 | u64::from(bit));
        bits.chunks(usize::from(self.layout().wire.unit_bits).max(1)).map(unit).collect()
    }

    /// The unit that a device shifts out when nothing was asked; zeros if the map names none.
    #[must_use]
    pub fn idle_unit(&self, status: u64) -> u64 {
        let answer = Answer { status, ..Answer::default() };
        self.reply(self.layout().wire.idle_reply, &answer).first().copied().unwrap_or(0)
    }
}

fn push(bits: &mut Vec<bool>, value: u64, width: usize) {
    bits.extend((0..width as u32).rev().map(|weight| value.checked_shr(weight).unwrap_or(0) & 1 == 1));
}

fn from_bit(value: u64, lsb: u8) -> u64 {
    value.checked_shr(u32::from(lsb)).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use stepchain::map::{RegisterMap, Verb};
    use stepchain::reference::FixedWord;

    use super::*;

    #[test]
    fn what_was_answered_is_heard_and_a_flipped_bit_is_noticed() {
        let dictionary = Dictionary::new(&FixedWord::LAYOUT);
        let pieces = dictionary.form(Verb::ReadParameter).unwrap().reply;
        let answer = Answer { status: 0x81, axis: 0, address: 0x20, content: 0x0123_4567 };
        let units = dictionary.reply(pieces, &answer);
        assert_eq!(dictionary.reply_units(pieces, 0x20), units.len());
        let heard = dictionary.hear(pieces, 0x20, &units);
        assert_eq!((heard.answer.status, heard.answer.content, heard.status_mask), (0x81, 0x0123_4567, 0xFF));
        assert!(heard.has_content && heard.is_well_formed && heard.check_is_right);
        for bit in 0..48 {
            assert!(!dictionary.hear(pieces, 0x20, &[units[0] ^ 1 << bit]).check_is_right, "bit {bit}");
        }
        assert!(!dictionary.hear(pieces, 0x20, &[]).is_well_formed);
        let pieces = dictionary.form(Verb::PeekStatus).unwrap().reply;
        assert_eq!(dictionary.hear(pieces, 0, &[0]).status_mask, 0xFF_FFFF);
        assert!(!dictionary.hear(pieces, 0, &[1 << 30]).is_well_formed, "a fixed bit");
    }
}
