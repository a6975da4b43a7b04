//! Verification: what was sent is asked for again, and what the devices made of it is looked at.
//!
//! ```text
//!   look      peek the status of all             the flags below must be down, or they would tell nothing later; where
//!                                                the map has none for refusals, the states in which it states some
//!   base      read the position                  only for a move by a distance, where it can be checked
//!   send      the commands                       of a take, the flags as in the next line: it brings them down itself
//!   judge     peek the status of all             command rejected, command unknown, CRC mismatch
//!   compare   read back what can be              a written parameter, a target position, an argument in a register, and
//!                                                once more what was read, if only writing changes it
//!   last      peek the status of all             spoilt bits of the exchanges before
//! ```
//!
//! Each line is one exchange for the whole chain, left out where no device has anything to ask. It is a
//! [`Procedure`](super::Procedure), so both fronts run it alike.
//!
//! # Which flipped bit is noticed by what
//!
//! Where the map has a status with the three flags. The tests of the whole way spoil every single bit of such calls in
//! turn, in either direction, on the virtual chain; with a check on the wire none goes unnoticed that does harm.
//!
//! | what is spoilt | with a check on the wire | without |
//! | --- | --- | --- |
//! | the request to write a parameter | flag "CRC mismatch" | read back, or flag "command unknown" |
//! | the request to read one that can be written | flag "CRC mismatch" | read twice, or flag |
//! | the request of a move absolute | flag "CRC mismatch" | target position read back, or flag |
//! | the request of a move relative | flag "CRC mismatch" | position before and target position after, or flag |
//! | the request of any other command | flag "CRC mismatch" | flag, if no other command is one bit away |
//! | what comes between the first look and a take | flag "CRC mismatch" in what was taken | flag in what was taken |
//! | filler | flag "CRC mismatch" | flag, if no command is one bit away |
//! | the reply to a read of what can be written | the reply's check | read twice |
//! | another value or status that is asked for | the reply's check | not noticed |
//!
//! # What is not noticed
//!
//! | case | why |
//! | --- | --- |
//! | no check: velocity and direction of a command that is a word (move velocity, search, pulse input) | no register says what was asked for: the ramp is still on its way to it |
//! | no check: a command that is one bit from another, which nothing above tells from it | the other is as good a command; the position shows it later, if at all |
//! | no check: what was read of a value that the device keeps, or of the status | it may have changed meanwhile, so reading it twice tells nothing |
//! | no check: a peek that becomes a take | its reply is right, but what was latched is down afterwards |
//! | no check: of a register's whole content, the other fields than the parameter's | one field is read back |
//! | buffered moves (their words alone are checked) | the target position is that of the motion under way |
//! | registers of the map's own | nobody here knows what reading them does |
//! | a reply's bits that nobody awaits, and padding | nobody reads them: no harm either |
//! | the last peek's request, and filler beside it | the flags that they raise show at the next call, as [`Doubt::Stale`] |
//! | a map without the flags, or without a status | what it does not tell |
//!
//! Of `reference::Latched`, which has no check, single bits in commands that nothing tells:
//!
//! | command | bits | what it becomes |
//! | --- | --- | --- |
//! | move velocity, search for switch | 24 and 1 | another velocity, the other direction |
//! | search for zero, pulse input | 1 | the other direction |
//! | search for zero, down, to save the position | 1 more | a take |
//! | move relative, buffered | 24 and 1 | another distance, the other direction |
//! | home on current position | 1 | a move relative |
//! | return to zero | 2 | a move relative, a return to the probed position |
//! | return to the probed position | 2 | a move relative, a return to zero |
//! | peek | 1 | a take |
//! | take | 2 | a peek, a search for zero, down: the motor moves |
//!
//! Such a move relative takes the filler after it for its distance.
//!
//! # What is repeated
//!
//! [`Retries`] says how often and after which errors. Questions are harmless and are repeated alone. A command is
//! repeated only if it [may arrive twice](crate::Command::may_arrive_twice) and is not buffered: no flag proves that a
//! device has not obeyed, because the spoilt bit may have been in the filler beside the command. After a raised flag
//! nothing is repeated: taking the status, which brings the flag down, would take away what else is latched, and that
//! is the owner's to see. A verified take that shows such a flag fails, and what else it took is lost with its reply: to
//! take what is latched, send the take without verification.

mod attempt;
mod judge;

use core::fmt;

use crate::map::{Flag, Verb};
use crate::reply::ReplyError;
use crate::units::Value;

use super::error::Error;
use super::refusal::Obstacle;

pub(super) use attempt::Attempt;

/// How often, and after what, a verified call tries again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Retries {
    /// How often in one call.
    pub count: u8,
    /// After a failed transfer.
    pub spi_errors: bool,
    /// After a reply that cannot be believed.
    pub reply_errors: bool,
}

impl Retries {
    /// Never.
    pub const NONE: Self = Self::times(0);

    /// So often, after either error.
    #[must_use]
    pub const fn times(count: u8) -> Self {
        Self { count, spi_errors: true, reply_errors: true }
    }
}

/// What has happened in verified calls so far; each count stays at its greatest.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub struct Counters {
    /// Calls.
    pub calls: u32,
    /// Exchanges, those that failed included.
    pub exchanges: u32,
    /// Exchanges that were repetitions.
    pub retries: u32,
    /// Failed transfers.
    pub spi_errors: u32,
    /// Replies with a wrong check.
    pub crc_errors: u32,
    /// Replies that could not be believed for another reason.
    pub other_reply_errors: u32,
    /// Commands that a device has refused.
    pub rejected: u32,
    /// Words that a device did not know, or whose check was wrong to it.
    pub not_understood: u32,
    /// Registers that held something else than what was sent.
    pub differing: u32,
}

/// A chain's policy and counters for verified calls: give it to `send_verified`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Verifier {
    retries: Retries,
    counters: Counters,
}

impl Verifier {
    /// Verification with these repetitions.
    #[must_use]
    pub const fn new(retries: Retries) -> Self {
        Self {
            retries,
            counters: Counters {
                calls: 0,
                exchanges: 0,
                retries: 0,
                spi_errors: 0,
                crc_errors: 0,
                other_reply_errors: 0,
                rejected: 0,
                not_understood: 0,
                differing: 0,
            },
        }
    }

    /// What has happened so far.
    #[must_use]
    pub const fn counters(&self) -> &Counters {
        &self.counters
    }
}

/// What speaks against a device's having done what it was told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Doubt {
    /// The flag was raised before anything was sent, so that it would tell nothing of the command. Nothing was sent:
    /// take the status first.
    Stale {
        /// The flag.
        flag: Flag,
    },
    /// The map has no flag for refusals and says that the command is refused in the device's present state. Nothing was
    /// sent.
    NotNow {
        /// The state.
        obstacle: Obstacle,
    },
    /// The device has refused the command.
    Rejected,
    /// The device did not understand something that it was sent; the command may have been obeyed or not.
    NotUnderstood {
        /// "Command unknown" or "CRC mismatch".
        flag: Flag,
    },
    /// A register holds something else than what was sent.
    Differs {
        /// The register's name.
        register: &'static str,
        /// What it should hold, as its code really means it.
        expected: Value,
        /// What it holds.
        found: Value,
    },
    /// A reply cannot be believed.
    Reply(ReplyError),
}

impl fmt::Display for Doubt {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Stale { flag } => {
                write!(f, "the flag `{}` was raised before: nothing was sent, take the status first", flag.name())
            }
            Self::NotNow { obstacle } => write!(f, "it is refused {obstacle}: nothing was sent"),
            Self::Rejected => f.write_str("the device has refused it"),
            Self::NotUnderstood { flag } => {
                write!(f, "the device has raised `{}`: it did not understand all that it was sent", flag.name())
            }
            Self::Differs { register, expected, found } => {
                write!(f, "register `{register}` should hold {expected} and holds {found}")
            }
            Self::Reply(error) => error.fmt(f),
        }
    }
}

/// Why a verified call failed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum VerifyError<E> {
    /// A command cannot be put into words, in which case nothing was sent, or a transfer failed more often than is put
    /// up with.
    Chain(Error<E>),
    /// A device has, as far as can be seen, not done what it was told. Of several the first; the others have had their
    /// commands too.
    Device {
        /// The device.
        device: usize,
        /// Its command; `None` for filler.
        verb: Option<Verb>,
        /// What speaks against it.
        doubt: Doubt,
    },
}

impl<E: embedded_hal::spi::Error> fmt::Display for VerifyError<E> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Chain(error) => error.fmt(f),
            Self::Device { device, verb, doubt } => {
                write!(f, "device {device}, `{}`: {doubt}", verb.map_or("filler", Verb::name))
            }
        }
    }
}

impl<E: embedded_hal::spi::Error> core::error::Error for VerifyError<E> {
    fn source(&self) -> Option<&(dyn core::error::Error + 'static)> {
        match self {
            Self::Chain(error) => error.source(),
            Self::Device { doubt: Doubt::Reply(error), .. } => Some(error),
            Self::Device { .. } => None,
        }
    }
}
