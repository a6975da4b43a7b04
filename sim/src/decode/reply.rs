//! Puts what a device answers into units.

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

impl Dictionary {
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
