//! How far an axis has come, and what it is when it is homed.

use crate::track::UnwrappedPosition;
use crate::units::Position;

use super::error::HomingError;

/// An axis is homed.
///
/// It stands at its zero position with its counter at zero. After [`Method::CurrentPosition`] it stands at the home
/// position, with its counter at zero. Both are what [`Tracker::homed_at`] is to be told.
///
/// [`Method::CurrentPosition`]: super::Method::CurrentPosition
/// [`Tracker::homed_at`]: crate::track::Tracker::homed_at
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Homed {
    /// What the device's counter shows.
    pub counter: Position,
    /// Where the axis is then: at zero, or where nothing moved, at the home offset.
    pub at: UnwrappedPosition,
}

/// How far an axis has come.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Phase {
    /// Old events are forgotten, and the axis is brought to a standstill.
    Settling,
    /// Fast toward the switch or the stop.
    Seeking,
    /// Fast off the switch.
    BackingOff,
    /// Slowly over the edge.
    Creeping,
    /// To the zero position.
    Moving,
    /// The counter is made zero.
    SettingZero,
    /// Something went wrong, and the axis is being stopped.
    Stopping(HomingError),
    /// Done.
    Homed(Homed),
    /// Given up.
    Failed {
        /// Why.
        error: HomingError,
        /// Whether the axis is known to stand. `false` is urgent: it was told to stop, and went on for as long as it
        /// may or does not answer.
        stands: bool,
    },
}
