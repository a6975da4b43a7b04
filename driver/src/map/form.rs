//! The form of a command: which bits it is made of, what it answers, when the device refuses it.
//!
//! A form lists its pieces in the order of the wire, most significant bit of the first unit first, as a
//! datasheet draws them:
//!
//! ```text
//!   MoveVelocity   | 0x51          |dir|0 0 0| velocity            |
//!                   8 bits          1   3      20 bits                = two units of 16
//! ```
//!
//! Because pieces follow one another, none can overlap another or leave a hole.

use super::coding::{Coding, Encoding};
use super::parameter::Parameter;
use super::vocabulary::{BufferMode, Verb};

/// A run of bits in a command or in a reply.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Piece {
    /// Always these bits: an opcode, an option, a reserved field. In a reply: expected, else it is malformed.
    Fixed {
        /// Bits taken.
        width: u8,
        /// What they are.
        value: u64,
    },
    /// In a reply: bits of no meaning. In a request: sent as zeros, ignored by the device.
    Any {
        /// Bits taken.
        width: u8,
    },
    /// The axis within the device, counted from 0.
    Axis {
        /// Bits taken.
        width: u8,
    },
    /// The address of the register that is read or written. In a reply: its echo, checked.
    Address {
        /// Bits taken.
        width: u8,
    },
    /// The content of the register, or `width` bits of it from bit `lsb` on.
    Data {
        /// The content's bit that the piece's last bit holds; 0 unless the content is sent in parts.
        lsb: u8,
        /// Bits taken.
        width: u8,
    },
    /// The content of the register in as many whole units as its width needs, right-aligned.
    DataByRegister,
    /// One bit for the direction of a velocity or distance, which then is a magnitude.
    Direction {
        /// The bit's level for the positive direction.
        positive: bool,
    },
    /// The command's velocity, or `width` bits of its code from bit `lsb` on.
    Velocity {
        /// How the velocity becomes a code.
        coding: Coding,
        /// The code's bit that the piece's last bit holds.
        lsb: u8,
        /// Bits taken.
        width: u8,
    },
    /// The command's distance, or a part of its code.
    Distance {
        /// How the distance becomes a code.
        coding: Coding,
        /// The code's bit that the piece's last bit holds.
        lsb: u8,
        /// Bits taken.
        width: u8,
    },
    /// The command's target position, or a part of its code.
    Position {
        /// How the position becomes a code.
        coding: Coding,
        /// The code's bit that the piece's last bit holds.
        lsb: u8,
        /// Bits taken.
        width: u8,
    },
    /// `width` bits of the status word from bit `lsb` on. Replies only.
    Status {
        /// The status word's bit that the piece's last bit holds.
        lsb: u8,
        /// Bits taken.
        width: u8,
    },
    /// The eight bits of the wire's check over all bits in front of it. Last of its form.
    Crc,
}

impl Piece {
    /// Fixed bits.
    #[must_use]
    pub const fn fixed(width: u8, value: u64) -> Self {
        Self::Fixed { width, value }
    }

    /// Bits of no meaning.
    #[must_use]
    pub const fn any(width: u8) -> Self {
        Self::Any { width }
    }

    /// The axis number.
    #[must_use]
    pub const fn axis(width: u8) -> Self {
        Self::Axis { width }
    }

    /// The register's address.
    #[must_use]
    pub const fn address(width: u8) -> Self {
        Self::Address { width }
    }

    /// The register's content, whole.
    #[must_use]
    pub const fn data(width: u8) -> Self {
        Self::Data { lsb: 0, width }
    }

    /// `width` bits of the register's content from bit `lsb` on.
    #[must_use]
    pub const fn data_part(lsb: u8, width: u8) -> Self {
        Self::Data { lsb, width }
    }

    /// The direction bit, at this level for the positive direction.
    #[must_use]
    pub const fn direction(positive: bool) -> Self {
        Self::Direction { positive }
    }

    /// The velocity, whole.
    #[must_use]
    pub const fn velocity(coding: Coding) -> Self {
        Self::Velocity { coding, lsb: 0, width: coding.width }
    }

    /// The distance, whole.
    #[must_use]
    pub const fn distance(coding: Coding) -> Self {
        Self::Distance { coding, lsb: 0, width: coding.width }
    }

    /// The target position, whole.
    #[must_use]
    pub const fn position(coding: Coding) -> Self {
        Self::Position { coding, lsb: 0, width: coding.width }
    }

    /// The same argument, but only `width` bits of its code from bit `lsb` on; other pieces are left as they are.
    #[must_use]
    pub const fn part(self, lsb: u8, width: u8) -> Self {
        match self {
            Self::Velocity { coding, .. } => Self::Velocity { coding, lsb, width },
            Self::Distance { coding, .. } => Self::Distance { coding, lsb, width },
            Self::Position { coding, .. } => Self::Position { coding, lsb, width },
            Self::Data { .. } => Self::Data { lsb, width },
            Self::Status { .. } => Self::Status { lsb, width },
            other => other,
        }
    }

    /// The status word, whole.
    #[must_use]
    pub const fn status(width: u8) -> Self {
        Self::Status { lsb: 0, width }
    }

    /// How many bits the piece takes; `data_bits` is what [`DataByRegister`](Self::DataByRegister) stands for.
    #[must_use]
    pub const fn width(&self, data_bits: u16) -> u16 {
        match *self {
            Self::Fixed { width, .. }
            | Self::Any { width }
            | Self::Axis { width }
            | Self::Address { width }
            | Self::Data { width, .. }
            | Self::Velocity { width, .. }
            | Self::Distance { width, .. }
            | Self::Position { width, .. }
            | Self::Status { width, .. } => width as u16,
            Self::Direction { .. } => 1,
            Self::Crc => 8,
            Self::DataByRegister => data_bits,
        }
    }

    /// How many bits a list of pieces takes; `data_bits` is what [`DataByRegister`](Self::DataByRegister) stands for.
    #[must_use]
    pub const fn total_width(pieces: &[Self], data_bits: u16) -> u16 {
        let mut sum: u16 = 0;
        let mut rest = pieces;
        while let [piece, tail @ ..] = rest {
            sum = sum.saturating_add(piece.width(data_bits));
            rest = tail;
        }
        sum
    }

    /// Whether a list of pieces has one whose length hangs on the register.
    #[must_use]
    pub const fn has_data_by_register(pieces: &[Self]) -> bool {
        let mut rest = pieces;
        while let [piece, tail @ ..] = rest {
            if matches!(piece, Self::DataByRegister) {
                return true;
            }
            rest = tail;
        }
        false
    }
}

macro_rules! kinds {
    ($($pattern:pat => $name:literal, $example:expr;)*) => {
        impl Piece {
            /// One piece of every kind, in the order of the declaration: for tests that must leave none out.
            pub const ONE_OF_EACH: &'static [Self] = &[$($example,)*];

            /// The kind's name in documents, messages and map files.
            #[must_use]
            pub const fn name(&self) -> &'static str {
                match self {
                    $($pattern => $name,)*
                }
            }
        }
    };
}

kinds! {
    Self::Fixed { .. } => "fixed", Self::fixed(8, 0xA5);
    Self::Any { .. } => "any", Self::any(3);
    Self::Axis { .. } => "axis", Self::axis(2);
    Self::Address { .. } => "address", Self::address(7);
    Self::Data { .. } => "data", Self::data_part(8, 16);
    Self::DataByRegister => "data by register", Self::DataByRegister;
    Self::Direction { .. } => "direction", Self::direction(true);
    Self::Velocity { .. } => "velocity", Self::velocity(Coding::new(24, Encoding::Raw));
    Self::Distance { .. } => "distance", Self::distance(Coding::new(24, Encoding::Raw)).part(8, 16);
    Self::Position { .. } => "position", Self::position(Coding::signed(24, Encoding::Raw));
    Self::Status { .. } => "status", Self::status(8).part(8, 8);
    Self::Crc => "crc", Self::Crc;
}

/// What is written in one step of a [`Request::Writes`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Source {
    /// Always this code.
    Code(u32),
    /// The command's velocity, distance or target position, by the register's own coding.
    Argument,
    /// The direction of the command's velocity or distance, which then is written as a magnitude.
    Direction {
        /// The code for the positive direction.
        positive: u32,
        /// The code for the negative direction.
        negative: u32,
    },
}

/// One register write of a command that is a sequence of them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Write {
    /// The parameter whose register is written, on the command's axis.
    pub parameter: Parameter,
    /// What is written.
    pub source: Source,
}

impl Write {
    /// Writes a constant code.
    #[must_use]
    pub const fn code(parameter: Parameter, code: u32) -> Self {
        Self { parameter, source: Source::Code(code) }
    }

    /// Writes the command's argument.
    #[must_use]
    pub const fn argument(parameter: Parameter) -> Self {
        Self { parameter, source: Source::Argument }
    }

    /// Writes the direction of the command's argument.
    #[must_use]
    pub const fn direction(parameter: Parameter, positive: u32, negative: u32) -> Self {
        Self { parameter, source: Source::Direction { positive, negative } }
    }
}

/// How a command is put on the wire.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Request {
    /// One word of these pieces.
    Word(&'static [Piece]),
    /// Register writes in this order; the last one sets the device going.
    Writes(&'static [Write]),
}

/// In which states the device refuses a command.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub struct Refusal {
    /// While the motor moves.
    pub while_moving: bool,
    /// While the bridges are in high impedance.
    pub while_bridge_off: bool,
    /// While a fault is latched.
    pub while_faulted: bool,
}

impl Refusal {
    /// Never refused.
    pub const NEVER: Self = Self { while_moving: false, while_bridge_off: false, while_faulted: false };

    /// Also refused while the motor moves.
    #[must_use]
    pub const fn while_moving(mut self) -> Self {
        self.while_moving = true;
        self
    }

    /// Also refused while the bridges are in high impedance.
    #[must_use]
    pub const fn while_bridge_off(mut self) -> Self {
        self.while_bridge_off = true;
        self
    }

    /// Also refused while a fault is latched.
    #[must_use]
    pub const fn while_faulted(mut self) -> Self {
        self.while_faulted = true;
        self
    }
}

/// One command that the device knows: its verb, its bits, its reply, its refusals.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub struct CommandForm {
    /// What the command does.
    pub verb: Verb,
    /// When it begins while another is being carried out.
    pub buffer_mode: BufferMode,
    /// How it is put on the wire.
    pub request: Request,
    /// What it answers, in the units after the request's; empty if nothing.
    pub reply: &'static [Piece],
    /// When the device refuses it.
    pub refusal: Refusal,
}

impl CommandForm {
    /// A command of one word.
    #[must_use]
    pub const fn word(verb: Verb, pieces: &'static [Piece]) -> Self {
        Self {
            verb,
            buffer_mode: BufferMode::Aborting,
            request: Request::Word(pieces),
            reply: &[],
            refusal: Refusal::NEVER,
        }
    }

    /// A command that is a sequence of register writes.
    #[must_use]
    pub const fn writes(verb: Verb, writes: &'static [Write]) -> Self {
        Self {
            verb,
            buffer_mode: BufferMode::Aborting,
            request: Request::Writes(writes),
            reply: &[],
            refusal: Refusal::NEVER,
        }
    }

    /// The same, but the command waits for the one that is being carried out.
    #[must_use]
    pub const fn buffered(mut self) -> Self {
        self.buffer_mode = BufferMode::Buffered;
        self
    }

    /// The same with this reply.
    #[must_use]
    pub const fn reply(mut self, pieces: &'static [Piece]) -> Self {
        self.reply = pieces;
        self
    }

    /// The same with these refusals.
    #[must_use]
    pub const fn refused(mut self, refusal: Refusal) -> Self {
        self.refusal = refusal;
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_kind_of_piece_has_a_name_of_its_own() {
        for (at, piece) in Piece::ONE_OF_EACH.iter().enumerate() {
            for other in &Piece::ONE_OF_EACH[at + 1..] {
                assert_ne!(piece.name(), other.name());
                assert_ne!(core::mem::discriminant(piece), core::mem::discriminant(other));
            }
        }
    }
}
