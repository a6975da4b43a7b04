//! What a list of pieces holds, counted: how many of each kind, and which bits of each number.

use super::super::coding::Sign;
use super::super::flaw::Flaw;
use super::super::form::Piece;
use super::refuse_if;

/// The kinds of pieces counted, and the bits that parts of an argument have covered.
pub(super) struct Tally {
    pub(super) axis: u8,
    pub(super) address: u8,
    pub(super) direction: u8,
    pub(super) data: u64,
    pub(super) data_by_register: u8,
    pub(super) velocity: u64,
    pub(super) distance: u64,
    pub(super) position: u64,
    pub(super) status: u64,
    pub(super) signed: bool,
    pub(super) overlap: bool,
}

impl Tally {
    pub(super) const fn of(pieces: &[Piece]) -> Self {
        let mut tally = Self {
            axis: 0,
            address: 0,
            direction: 0,
            data: 0,
            data_by_register: 0,
            velocity: 0,
            distance: 0,
            position: 0,
            status: 0,
            signed: false,
            overlap: false,
        };
        let mut rest = pieces;
        while let [piece, tail @ ..] = rest {
            match *piece {
                Piece::Axis { .. } => tally.axis = tally.axis.saturating_add(1),
                Piece::Address { .. } => tally.address = tally.address.saturating_add(1),
                Piece::Direction { .. } => tally.direction = tally.direction.saturating_add(1),
                Piece::DataByRegister => tally.data_by_register = tally.data_by_register.saturating_add(1),
                Piece::Data { lsb, width } => {
                    tally.overlap |= tally.data & bits(lsb, width) != 0;
                    tally.data |= bits(lsb, width);
                }
                Piece::Velocity { coding, lsb, width } => {
                    tally.overlap |= tally.velocity & bits(lsb, width) != 0;
                    tally.velocity |= bits(lsb, width);
                    tally.signed |= !matches!(coding.sign, Sign::Unsigned);
                }
                Piece::Distance { coding, lsb, width } => {
                    tally.overlap |= tally.distance & bits(lsb, width) != 0;
                    tally.distance |= bits(lsb, width);
                    tally.signed |= !matches!(coding.sign, Sign::Unsigned);
                }
                Piece::Position { lsb, width, .. } => {
                    tally.overlap |= tally.position & bits(lsb, width) != 0;
                    tally.position |= bits(lsb, width);
                }
                Piece::Status { lsb, width } => {
                    tally.overlap |= tally.status & bits(lsb, width) != 0;
                    tally.status |= bits(lsb, width);
                }
                Piece::Fixed { .. } | Piece::Any { .. } | Piece::Crc => {}
            }
            rest = tail;
        }
        tally
    }

    pub(super) const fn has_data(&self) -> bool {
        self.data != 0 || self.data_by_register > 0
    }
}

const fn bits(lsb: u8, width: u8) -> u64 {
    low_bits(width) << (lsb & 63)
}

pub(super) const fn low_bits(width: u8) -> u64 {
    if width >= 64 { u64::MAX } else { (1 << width) - 1 }
}

pub(super) const fn is_run_from_zero(bits: u64) -> bool {
    bits & bits.wrapping_add(1) == 0
}

/// What is wanted occurs once, what is not wanted not at all.
pub(super) const fn expect(
    command: &'static str,
    argument: &'static str,
    found: u32,
    wanted: bool,
) -> Result<(), Flaw> {
    refuse_if!(wanted && found == 0, Flaw::ArgumentMissing { command, argument });
    refuse_if!(!wanted && found > 0, Flaw::ArgumentForeign { command, argument });
    refuse_if!(found > 1, Flaw::ArgumentTwice { command, argument });
    Ok(())
}
