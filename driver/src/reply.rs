//! What came back, in physical units: a value, a status, or why it cannot be believed.

use core::fmt;

use crate::map::{Flag, MotionState, StatusBit, StatusLayout};
use crate::units::{OutOfRange, Value};

/// What a device answered to one command.
///
/// A command that the map makes of several words (a sequence of register writes, or one field of a register that is read
/// first) has as many replies. Where replies have slots of their own behind each request, all of them are examined, and
/// the last one is what stands here; behind one that cannot be believed nothing more of the command is sent. Where a
/// reply comes in the next frame, those to writes are not looked at: the last one would cost a frame more, and a plain
/// write is not waited for either. [`send_verified`](crate::Chain::send_verified) asks afterwards.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub struct Reply {
    /// The value that was read.
    pub value: Option<Value>,
    /// The status, or the part of it that the reply carried.
    pub status: Option<Status>,
}

/// A status word, read by the map that it came through.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Status {
    word: u64,
    known: u64,
    layout: &'static StatusLayout,
}

impl Status {
    pub(crate) const fn new(word: u64, known: u64, layout: &'static StatusLayout) -> Self {
        Self { word, known, layout }
    }

    /// The word as it came; bits that the reply did not carry are zeros.
    #[must_use]
    pub const fn word(&self) -> u64 {
        self.word
    }

    /// Whether every bit that came is the same: what a line that is stuck reads as, on a map without a check.
    ///
    /// A device may say so, too, if its map has a state in which all bits are alike; then it proves nothing. On a map
    /// with a check a stuck line is a [`ReplyError::Crc`] already.
    #[must_use]
    pub const fn is_all_alike(&self) -> bool {
        let word = self.word & self.known;
        word == 0 || word == self.known
    }

    /// Whether a flag is raised, on axis 0; `None` if the map has no such flag or the reply did not carry it.
    #[must_use]
    pub fn flag(&self, flag: Flag) -> Option<bool> {
        self.flag_of(flag, 0)
    }

    /// Whether a flag of one axis is raised.
    #[must_use]
    pub fn flag_of(&self, flag: Flag, axis: u8) -> Option<bool> {
        let bit = self.layout.flags.iter().find(|bit| bit.flag == flag && bit.axis == axis)?;
        let known = self.known.checked_shr(bit.bit as u32)? & 1 == 1;
        known.then(|| bit.is_raised(self.word))
    }

    /// The raised flags as the map describes them, with axis, and whether they show the present or were latched.
    pub fn raised_flags(&self) -> impl Iterator<Item = &'static StatusBit> + '_ {
        self.layout.flags.iter().filter(|bit| self.flag_of(bit.flag, bit.axis) == Some(true))
    }

    /// The flags that are raised, with their axes, in the order of the map.
    pub fn raised(&self) -> impl Iterator<Item = (Flag, u8)> + '_ {
        self.raised_flags().map(|bit| (bit.flag, bit.axis))
    }

    /// The motion state of axis 0; `None` if the map does not tell it, the reply did not carry it, or its code is
    /// none of the map's.
    #[must_use]
    pub fn motion_state(&self) -> Option<MotionState> {
        self.motion_state_of(0)
    }

    /// The motion state of one axis.
    #[must_use]
    pub fn motion_state_of(&self, axis: u8) -> Option<MotionState> {
        let field = self.layout.motion_states.iter().find(|field| field.axis == axis)?;
        let mask = (1u64.checked_shl(field.field.width as u32)?).checked_sub(1)?;
        let known = self.known.checked_shr(field.field.lsb as u32)? & mask;
        if known != mask {
            return None;
        }
        let code = self.word.checked_shr(field.field.lsb as u32)? & mask;
        MotionState::ALL.into_iter().find(|&state| field.code_of(state) as u64 == code)
    }
}

/// Why a reply cannot be believed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum ReplyError {
    /// The check over the reply's bits is wrong.
    Crc {
        /// What it would have to be.
        expected: u8,
        /// What came.
        found: u8,
    },
    /// A bit that the map fixes, or the echo of an address, is not as the map says: the chain is out of step, or the
    /// map is another device's.
    Malformed,
    /// The register's code means nothing, or a value that its unit does not hold.
    Meaningless {
        /// The register's name.
        register: &'static str,
        /// The code, or the value, and the limits.
        error: OutOfRange,
    },
}

impl fmt::Display for ReplyError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Crc { expected, found } => {
                write!(f, "the reply's check is {found:#04x}, but its bits make {expected:#04x}")
            }
            Self::Malformed => f.write_str("the reply has bits that the map says can never be so"),
            Self::Meaningless { register, error } => write!(f, "register `{register}`: {error}"),
        }
    }
}

impl core::error::Error for ReplyError {
    fn source(&self) -> Option<&(dyn core::error::Error + 'static)> {
        match self {
            Self::Meaningless { error, .. } => Some(error),
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::map::{BitField, MotionStateField, StatusBit};

    /// Busy of axis 0 is bit 0 and active low, of axis 1 bit 1; axis 1 has a motion state in bits 4..2.
    const LAYOUT: StatusLayout =
        StatusLayout::new(8, &[StatusBit::live(Flag::Busy, 0).active_low(), StatusBit::live(Flag::Busy, 1).axis(1)])
            .motion_states(&[MotionStateField::new(BitField::new(2, 3), [0, 1, 3, 4]).axis(1)]);

    #[test]
    fn a_flag_is_told_only_of_its_axis_and_only_if_its_bit_came() {
        let status = Status::new(0b11, 0b11, &LAYOUT);
        assert_eq!((status.flag(Flag::Busy), status.flag_of(Flag::Busy, 1)), (Some(false), Some(true)));
        assert_eq!(status.flag_of(Flag::Busy, 2), None);
        assert_eq!(Status::new(0, 0b10, &LAYOUT).flag(Flag::Busy), None, "a zero that did not come is not active low");
        assert_eq!(Status::new(0, 0b10, &LAYOUT).raised().count(), 0);
        assert_eq!(Status::new(0, 0b01, &LAYOUT).raised().next(), Some((Flag::Busy, 0)));
    }

    #[test]
    fn a_motion_state_is_told_only_of_its_axis_and_only_if_all_its_bits_came() {
        let state = |word, known| Status::new(word, known, &LAYOUT).motion_state_of(1);
        assert_eq!(state(0b0_0100, 0b1_1100), Some(MotionState::Accelerating));
        assert_eq!(state(0b0_0100, 0b0_1100), None);
        assert_eq!(state(0, 0), None);
        assert_eq!(state(0b0_1000, 0b1_1100), None, "2 is the code of no state");
        assert_eq!(Status::new(0b0_0100, 0b1_1100, &LAYOUT).motion_state(), None, "axis 0 has none");
    }
}
