//! Why the machine does not do what it was told.

use core::fmt;

use embedded_hal::digital;
use stepchain::fault::{self, FaultKind};
use stepchain::homing::AxisError;
use stepchain::settings::ApplyError;
use stepchain::{Error, Reply, ReplyError};

use crate::course::CourseError;

/// Why a call failed; `E` is the bus's own error. Behind all but [`Setting`](Self::Setting) and
/// [`Course`](Self::Course) the machine has to be homed again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum DipError<E> {
    /// A call of the chain failed.
    Chain(Error<E>),
    /// A pin could not be read or waited for.
    Pin(digital::ErrorKind),
    /// A device does not hold what it was set to.
    Setting {
        /// The device.
        device: usize,
        /// Why not.
        error: ApplyError,
    },
    /// An axis was not homed.
    Homing(AxisError),
    /// There is no line to the place. Nothing moved.
    Course(CourseError),
    /// The fault line fell. Both axes have been told to stop.
    Fault {
        /// The first device that tells of a fault, if its answer came through, and the gravest that it tells of by name.
        found: Option<(usize, FaultKind)>,
    },
    /// The motors had not arrived long after they should have. Both axes have been told to stop.
    Late,
}

impl<E> From<Error<E>> for DipError<E> {
    fn from(error: Error<E>) -> Self {
        Self::Chain(error)
    }
}

impl<E> From<CourseError> for DipError<E> {
    fn from(error: CourseError) -> Self {
        Self::Course(error)
    }
}

impl<E> From<AxisError> for DipError<E> {
    fn from(error: AxisError) -> Self {
        Self::Homing(error)
    }
}

impl<E> DipError<E> {
    /// A pin's own error, as far as embedded-hal lets one look at it.
    pub(crate) fn pin(error: &impl digital::Error) -> Self {
        Self::Pin(error.kind())
    }

    /// What the devices say when they are asked after the fault line fell.
    pub(crate) fn fault<const N: usize>(answers: &[Result<Reply, ReplyError>; N]) -> Self {
        let gravest = |(device, answer): (usize, &Result<Reply, ReplyError>)| {
            let status = answer.ok()?.status?;
            let kinds = fault::faults(&status).map(|fault| fault.kind).filter(|kind| kind.casts_doubt_on_position());
            // The flag of any fault at all says least of all.
            let kind = kinds.reduce(|gravest, kind| if kind == FaultKind::Fault { gravest } else { kind })?;
            Some((device, kind))
        };
        Self::Fault { found: answers.iter().enumerate().find_map(gravest) }
    }
}

impl<E: embedded_hal::spi::Error> fmt::Display for DipError<E> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Chain(error) => error.fmt(f),
            Self::Pin(kind) => write!(f, "a pin failed: {kind}"),
            Self::Setting { device, error } => write!(f, "device {device}: {error}"),
            Self::Homing(error) => error.fmt(f),
            Self::Course(error) => error.fmt(f),
            Self::Fault { found: Some((device, kind)) } => {
                write!(f, "device {device}: {}; {}", kind.cause(), kind.remedy())
            }
            Self::Fault { found: None } => f.write_str("the fault line fell, and no device says why"),
            Self::Late => f.write_str("the motors should have arrived long ago"),
        }
    }
}

impl<E: embedded_hal::spi::Error> core::error::Error for DipError<E> {}
