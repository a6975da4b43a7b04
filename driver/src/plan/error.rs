//! Why motion cannot be predicted.

use core::fmt;

use crate::map::Parameter;

/// Why a motion cannot be predicted: it would never end, or the numbers do not hold it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum PlanError {
    /// A velocity, an acceleration or the resolution is zero: the motion would never arrive.
    Standstill {
        /// Which one.
        parameter: Parameter,
    },
    /// A velocity of the ramp is negative; the direction of a move is that of its distance.
    Negative {
        /// Which one.
        parameter: Parameter,
    },
    /// The motion takes more microsteps than a [`Distance`](crate::units::Distance) holds.
    TooLong {
        /// How many it takes, without a sign.
        microsteps: u64,
    },
}

impl fmt::Display for PlanError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Standstill { parameter } => write!(f, "the {parameter} is zero, so the motion would never arrive"),
            Self::Negative { parameter } => write!(f, "the {parameter} is negative; only a distance has a direction"),
            Self::TooLong { microsteps } => {
                write!(f, "the motion takes {microsteps} microsteps, a distance holds at most {}", i32::MAX)
            }
        }
    }
}

impl core::error::Error for PlanError {}
