//! What can be wrong with a map, in words that name the culprit, at compile time as at run time.

mod parts;

use core::fmt;

use crate::units::Unit;

use super::coding::CodingFlaw;
use super::message::Message;
use super::parameter::Parameter;

pub(super) use parts::{Part, Parts, padded};

/// Why a layout cannot be used.
///
/// Texts in it are the map's own names of registers, commands and flags.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
#[allow(missing_docs, reason = "each variant's message says what it means, see the module `parts`")]
pub enum Flaw {
    UnitBits { found: u8 },
    Axes { found: u8 },
    MaxClock,
    Filler,
    IdleReply,
    RepliesInSameSlots,
    RegisterWidth { register: &'static str, lsb: u8, width: u8 },
    RegisterAxis { register: &'static str },
    RegistersOverlap { first: &'static str, second: &'static str },
    ParameterTwice { register: &'static str },
    CustomNameTwice { register: &'static str },
    Coding { of: &'static str, why: CodingFlaw },
    NoValue { of: &'static str, unit: Unit },
    ResetWidth { register: &'static str, code: u32, width: u8 },
    ResetMeaningless { register: &'static str, code: u32 },
    AmplitudeUnit { register: &'static str, found: Unit, expected: Unit },
    Curve { register: &'static str },
    CommandTwice { command: &'static str },
    NotBuffered { command: &'static str },
    NotWholeUnits { command: &'static str, of: &'static str, bits: u16, unit_bits: u8 },
    NotOneWord { command: &'static str, of: &'static str, bits: u16, word_bits: u8 },
    TooManyUnits { command: &'static str, of: &'static str, units: u16 },
    RequestEmpty { command: &'static str },
    DataByRegister { command: &'static str },
    WriteCount { command: &'static str, found: u16 },
    PieceWidth { command: &'static str },
    FixedValue { command: &'static str },
    Parts { command: &'static str },
    ArgumentMissing { command: &'static str, argument: &'static str },
    ArgumentForeign { command: &'static str, argument: &'static str },
    ArgumentTwice { command: &'static str, argument: &'static str },
    AddressWidth { command: &'static str, register: &'static str, found: u8, expected: u8 },
    DataWidth { command: &'static str, register: &'static str, found: u8, expected: u8 },
    CrcMissing { command: &'static str },
    CrcNotLast { command: &'static str },
    CrcLeftOut { command: &'static str },
    DataBeforeAddress { command: &'static str },
    ReplyMissing { command: &'static str },
    OpcodeShadowed { first: &'static str, second: &'static str },
    WriteUnknown { command: &'static str, parameter: Parameter },
    WriteReadOnly { command: &'static str, register: &'static str },
    WriteShared { command: &'static str, register: &'static str },
    WriteUnit { command: &'static str, register: &'static str },
    WriteNoForm { command: &'static str },
    NotByWrites { command: &'static str },
    SetsGoingEarly { command: &'static str },
    NoReadForm { register: &'static str },
    StatusBits { found: u8 },
    StatusBit { flag: &'static str },
    StatusOverlap { first: &'static str, second: &'static str },
    StatusTwice { flag: &'static str },
    MotionStateField,
    CounterBits { found: u8 },
    Resolution { found: u16 },
    PositionRange { of: &'static str },
    ResolutionCode { register: &'static str, resolution: u16 },
    ResolutionUnlisted { register: &'static str, code: u32, resolution: u16 },
    NoDevices,
    FrameNotWhole { devices: u16, unit_bits: u8 },
}

impl Flaw {
    /// The message as text, built without allocation and at compile time if need be.
    #[must_use]
    pub const fn message(self) -> Message {
        let mut message = Message::of(&[]);
        message.push_parts(&self.parts());
        message
    }
}

impl fmt::Display for Flaw {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.parts().iter().try_for_each(|part| part.fmt(f))
    }
}

impl core::error::Error for Flaw {}
