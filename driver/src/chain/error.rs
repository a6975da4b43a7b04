//! Why a call of a chain failed, whichever front it was.

use core::fmt;

use crate::command::CommandError;
use crate::map::{Flag, Verb};
use crate::reply::ReplyError;

use super::refusal::Obstacle;

/// Why a call failed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Error<E> {
    /// The SPI transfer failed. What was sent before it may have taken effect; the next call brings the devices into
    /// step again before it sends anything else.
    Spi(E),
    /// A command cannot be put into words. Nothing was sent.
    Command {
        /// The device that it was for.
        device: usize,
        /// Why not.
        error: CommandError,
    },
    /// A reply cannot be believed. The commands were sent.
    Reply {
        /// The device that answered.
        device: usize,
        /// Why not.
        error: ReplyError,
    },
    /// A device says that it has refused a command, or has not understood one. The commands were sent, and the other
    /// devices have obeyed theirs.
    ///
    /// The flag may be older than the call: it is raised now, or has been since the status was taken last. Until
    /// [`TakeStatus`](crate::Command::TakeStatus) (or a fault reset, where the map says so) has cleared it, it is reported
    /// for every command.
    Rejected {
        /// The device.
        device: usize,
        /// Its command in this call.
        verb: Verb,
        /// "Command rejected", "command unknown" or "CRC mismatch".
        flag: Flag,
    },
    /// A device would refuse its command in its present state. Nothing was sent but the question for the status.
    ///
    /// Only of maps that have no flag for refusals; see [`RefusalNotice`](super::RefusalNotice).
    NotNow {
        /// The device that it was for.
        device: usize,
        /// The command.
        verb: Verb,
        /// The state.
        obstacle: Obstacle,
    },
}

/// What is wrong with one device's part of an exchange.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum DeviceError {
    /// Its reply cannot be believed.
    Reply(ReplyError),
    /// It says that it has refused a command, or has not understood one: now, or since the status was taken last.
    Rejected {
        /// Its command.
        verb: Verb,
        /// "Command rejected", "command unknown" or "CRC mismatch".
        flag: Flag,
    },
}

impl DeviceError {
    pub(super) const fn of<E>(self, device: usize) -> Error<E> {
        match self {
            Self::Reply(error) => Error::Reply { device, error },
            Self::Rejected { verb, flag } => Error::Rejected { device, verb, flag },
        }
    }
}

impl From<ReplyError> for DeviceError {
    fn from(error: ReplyError) -> Self {
        Self::Reply(error)
    }
}

impl fmt::Display for DeviceError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Reply(error) => error.fmt(f),
            Self::Rejected { verb, flag } => write!(
                f,
                "after `{}` the flag `{}` is raised, now or since the status was taken last",
                verb.name(),
                flag.name()
            ),
        }
    }
}

impl core::error::Error for DeviceError {
    fn source(&self) -> Option<&(dyn core::error::Error + 'static)> {
        match self {
            Self::Reply(error) => Some(error),
            Self::Rejected { .. } => None,
        }
    }
}

impl<E: embedded_hal::spi::Error> fmt::Display for Error<E> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Spi(error) => write!(f, "the SPI transfer failed: {}", error.kind()),
            Self::Command { device, error } => write!(f, "device {device}: {error}"),
            Self::Reply { device, error } => write!(f, "device {device}: {error}"),
            Self::Rejected { device, verb, flag } => {
                write!(f, "device {device}: {}", DeviceError::Rejected { verb: *verb, flag: *flag })
            }
            Self::NotNow { device, verb, obstacle } => {
                write!(f, "device {device}: it refuses `{}` {obstacle}", verb.name())
            }
        }
    }
}

impl<E: embedded_hal::spi::Error> core::error::Error for Error<E> {
    fn source(&self) -> Option<&(dyn core::error::Error + 'static)> {
        match self {
            Self::Spi(_) => None,
            Self::Command { error, .. } => Some(error),
            Self::Reply { error, .. } | Self::NotNow { obstacle: Obstacle::Unseen(error), .. } => Some(error),
            Self::Rejected { .. } | Self::NotNow { .. } => None,
        }
    }
}
