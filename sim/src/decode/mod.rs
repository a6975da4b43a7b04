//! Turns the units that a device latches into what they mean, and what a device answers into units.
//!
//! ```text
//! units  ->  Assembler  ->  Decoded        content, status  ->  Dictionary::reply  ->  units
//!                \________ Dictionary (the map's data) ________/
//! ```
//!
//! All of it reads the same [`Layout`](stepchain::map::Layout) as the driver, and none of the driver's code: bits,
//! checks, lengths and codings are worked out here once more, so that what the encoder gets wrong shows.
//!
//! Decoding is total: any bits give a value. It is stateless but for the [`Assembler`], which gathers the units of a
//! command. Whether the device obeys what is decoded is not known here, nor what a register holds, nor what time it is.

mod dictionary;
mod number;
mod reply;
#[cfg(test)]
mod tests;
mod word;

pub use dictionary::{Dictionary, Trigger};
pub use number::{nearest_code, signed_code, value_of};
pub use reply::{Answer, Heard};
pub use word::Assembler;

use stepchain::map::{BufferMode, Verb};

/// What units mean.
#[derive(Clone, Debug, PartialEq)]
pub enum Decoded {
    /// The unit that means nothing.
    Filler,
    /// Any command but reading and writing a register, in a word of its own.
    Command {
        /// What it does.
        verb: Verb,
        /// When it begins while another is being carried out.
        buffer_mode: BufferMode,
        /// The axis in the device, 0 where the word names none.
        axis: u8,
        /// What it carries.
        argument: Argument,
    },
    /// Reads the register at an address, whether or not there is one.
    Read {
        /// The address.
        address: u16,
    },
    /// Writes the register at an address, whether or not there is one.
    Write {
        /// The address.
        address: u16,
        /// The bits of the content that the register has, from bit 0 on.
        content: u32,
    },
    /// The beginning of a longer word.
    PartOf {
        /// Units so far.
        units: usize,
    },
    /// No word of this device begins so.
    Unknown {
        /// The units, first one first.
        units: Vec<u64>,
    },
    /// A word with a wrong check.
    CrcMismatch {
        /// The units, first one first.
        units: Vec<u64>,
    },
}

/// What a command carries.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Argument {
    /// Nothing.
    None,
    /// A velocity in full steps/s, positive counting up.
    Velocity(Quantity),
    /// A distance in microsteps, positive counting up.
    Distance(Quantity),
    /// A target position in microsteps.
    Position(Quantity),
    /// A direction and nothing else: its value is 1 for the positive one and −1 for the negative one.
    Direction(Quantity),
}

impl Argument {
    /// The quantity, if there is one.
    #[must_use]
    pub const fn quantity(&self) -> Option<Quantity> {
        match *self {
            Self::None => None,
            Self::Velocity(quantity)
            | Self::Distance(quantity)
            | Self::Position(quantity)
            | Self::Direction(quantity) => Some(quantity),
        }
    }
}

/// A code and the value that it means.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Quantity {
    /// The code as it came.
    pub code: u32,
    /// Its value with the sign that the command gives it; `None` if the code means nothing.
    pub value: Option<f64>,
}
