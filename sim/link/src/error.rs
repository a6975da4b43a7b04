//! Why an exchange over the link did not come about.

use core::fmt;

use embedded_hal::{digital, spi};

/// Why the simulator does not do what it is asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Refusal {
    /// Another client has the chain.
    Busy,
    /// It speaks another version of the protocol.
    Version,
    /// It does not know the request, or cannot read it.
    Unreadable,
    /// The chain has no such device, axis or line.
    NoSuchLine,
    /// The request is neither the next one nor the last one again: the other end has begun another session, or lost this.
    OutOfStep,
    /// Something that this end does not know.
    Other(u8),
}

impl Refusal {
    /// As it goes over the line.
    #[must_use]
    pub const fn code(self) -> u8 {
        match self {
            Self::Busy => 1,
            Self::Version => 2,
            Self::Unreadable => 3,
            Self::NoSuchLine => 4,
            Self::OutOfStep => 5,
            Self::Other(code) => code,
        }
    }

    /// As it came over the line.
    #[must_use]
    pub const fn from_code(code: u8) -> Self {
        match code {
            1 => Self::Busy,
            2 => Self::Version,
            3 => Self::Unreadable,
            4 => Self::NoSuchLine,
            5 => Self::OutOfStep,
            other => Self::Other(other),
        }
    }
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Busy => f.write_str("another client has the chain"),
            Self::Version => f.write_str("the other end speaks another version of the protocol"),
            Self::Unreadable => f.write_str("the other end cannot read the request"),
            Self::NoSuchLine => f.write_str("the chain has no such device, axis or line"),
            Self::OutOfStep => f.write_str("the other end has lost this session"),
            Self::Other(code) => write!(f, "the other end gives reason {code}"),
        }
    }
}

/// Why an exchange over the link did not come about; `E` is the transport's own error.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum LinkError<E> {
    /// The transport failed.
    Transport(E),
    /// No answer, however often it was asked.
    Silent,
    /// The other end does not do it.
    Refused(Refusal),
    /// The answer is not one to this question.
    Answer,
    /// More than fits a packet.
    TooLong {
        /// Bytes of the request.
        bytes: usize,
        /// Bytes that fit.
        most: usize,
    },
    /// An exchange that could not tell so failed before: a delay.
    Lost,
}

impl<E: fmt::Debug> fmt::Display for LinkError<E> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Transport(error) => write!(f, "the line failed: {error:?}"),
            Self::Silent => f.write_str("no answer over the link"),
            Self::Refused(refusal) => refusal.fmt(f),
            Self::Answer => f.write_str("an answer over the link that makes no sense"),
            Self::TooLong { bytes, most } => write!(f, "{bytes} bytes in one request, {most} fit"),
            Self::Lost => f.write_str("the link was lost in a delay"),
        }
    }
}

impl<E: fmt::Debug> core::error::Error for LinkError<E> {}

impl<E: fmt::Debug> spi::Error for LinkError<E> {
    fn kind(&self) -> spi::ErrorKind {
        spi::ErrorKind::Other
    }
}

impl<E: fmt::Debug> digital::Error for LinkError<E> {
    fn kind(&self) -> digital::ErrorKind {
        digital::ErrorKind::Other
    }
}
