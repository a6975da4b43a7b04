//! Why a call of a chain failed, whichever front it was.

use core::fmt;

use crate::command::CommandError;
use crate::reply::ReplyError;

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
}

impl<E: embedded_hal::spi::Error> fmt::Display for Error<E> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Spi(error) => write!(f, "the SPI transfer failed: {}", error.kind()),
            Self::Command { device, error } => write!(f, "device {device}: {error}"),
            Self::Reply { device, error } => write!(f, "device {device}: {error}"),
        }
    }
}

impl<E: embedded_hal::spi::Error> core::error::Error for Error<E> {
    fn source(&self) -> Option<&(dyn core::error::Error + 'static)> {
        match self {
            Self::Spi(_) => None,
            Self::Command { error, .. } => Some(error),
            Self::Reply { error, .. } => Some(error),
        }
    }
}
