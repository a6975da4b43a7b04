//! What a command means in its context: the notes beside an exchange.

use std::fmt;

use crate::report::number;

/// What the capture itself says about a command, beyond its bits.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum Note {
    /// It came while the axis was turning.
    WhileMoving {
        /// The velocity that had been asked for, in full steps/s; `None` if only the status told.
        velocity: Option<f64>,
    },
    /// It came after a motion of which the capture shows no end.
    PerhapsMoving,
    /// The map says that the device refuses this while it moves.
    RefusedWhileMoving,
    /// The velocity has changed its sign under way.
    Reverses,
    /// There is no register at the address.
    NoRegister,
    /// The register cannot be written.
    ReadOnly,
    /// A code means nothing.
    MeaninglessCode {
        /// The code.
        code: u32,
    },
    /// What was read differs from what was written before.
    ReadBackDiffers {
        /// What was written.
        written: u32,
    },
    /// The device says that it has started anew.
    HasReset,
    /// The device says that it has rejected or not known a command.
    Rejected,
    /// The answer has bits that its form does not allow.
    ReplyMalformed,
    /// The answer's check is wrong.
    ReplyCheck,
    /// The answer was cut short: by the next question, by a frame that could not be read, or by the end.
    ReplyMissing,
}

impl fmt::Display for Note {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::WhileMoving { velocity: Some(velocity) } => {
                write!(f, "while turning at {} steps/s", number(*velocity))
            }
            Self::WhileMoving { velocity: None } => f.write_str("while moving"),
            Self::PerhapsMoving => f.write_str("perhaps still moving"),
            Self::RefusedWhileMoving => f.write_str("the device refuses this while it moves"),
            Self::Reverses => f.write_str("reverses"),
            Self::NoRegister => f.write_str("there is no such register"),
            Self::ReadOnly => f.write_str("the register is read only"),
            Self::MeaninglessCode { code } => write!(f, "code {code:#x} means nothing"),
            Self::ReadBackDiffers { written } => write!(f, "differs from what was written ({written:#x})"),
            Self::HasReset => f.write_str("the device has started anew"),
            Self::Rejected => f.write_str("the device has rejected a command"),
            Self::ReplyMalformed => f.write_str("the answer is malformed"),
            Self::ReplyCheck => f.write_str("the answer's check is wrong"),
            Self::ReplyMissing => f.write_str("the answer is cut short"),
        }
    }
}
