//! Why the machine does not do what it was told.

use core::fmt;

use embedded_hal::digital;
use stepchain::Error;
use stepchain::fault::FaultKind;
use stepchain::homing::{AxisError, HomingError};
use stepchain::plan::CoordinateError;
use stepchain::settings::ApplyError;
use stepchain::wiring::WiringError;

/// Why a call failed; `E` is the bus's own error. Behind all but [`Wiring`](Self::Wiring), [`NotHomed`](Self::NotHomed)
/// and [`Line`](Self::Line) the machine has to be homed again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum PickError<E> {
    /// A call of the chain failed.
    Chain(Error<E>),
    /// The chain is not wired as it should be.
    Wiring(WiringError),
    /// A pin could not be read.
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
    /// Nobody knows where the machine is. Nothing moved.
    NotHomed,
    /// The devices cannot go such a line. Nothing moved.
    Line(CoordinateError),
    /// The fault line fell. All axes have been told to stop.
    Fault {
        /// The first device that tells of a fault, and which one, if its answer came through.
        found: Option<(usize, FaultKind)>,
    },
    /// The stop key was pressed. All axes stand, and are held.
    Stopped,
    /// The motors had not arrived long after they should have. All axes have been told to stop.
    Late,
}

impl<E> PickError<E> {
    pub(crate) const fn homing(device: usize, error: HomingError) -> Self {
        Self::Homing(AxisError { device, axis: 0, error })
    }
}

impl<E> From<Error<E>> for PickError<E> {
    fn from(error: Error<E>) -> Self {
        Self::Chain(error)
    }
}

impl<E: embedded_hal::spi::Error> fmt::Display for PickError<E> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Chain(error) => error.fmt(f),
            Self::Wiring(error) => error.fmt(f),
            Self::Pin(kind) => write!(f, "a pin failed: {kind}"),
            Self::Setting { device, error } => write!(f, "device {device}: {error}"),
            Self::Homing(error) => error.fmt(f),
            Self::NotHomed => f.write_str("the machine has to be homed first"),
            Self::Line(error) => error.fmt(f),
            Self::Fault { found: Some((device, kind)) } => write!(f, "device {device}: {}", kind.cause()),
            Self::Fault { found: None } => f.write_str("the fault line fell, and no device says why"),
            Self::Stopped => f.write_str("the stop key was pressed"),
            Self::Late => f.write_str("the motors should have arrived long ago"),
        }
    }
}

impl<E: embedded_hal::spi::Error> core::error::Error for PickError<E> {}
