//! Whether a position means anything, and why not.

use core::fmt;

use crate::map::Flag;

/// How far the position of an axis can be trusted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Trust {
    /// Not at all: the counter has no known place.
    Unknown(Doubt),
    /// The axis has been homed since.
    Homed,
    /// Somebody has said where the axis is, without homing.
    Told,
}

/// Why a position is unknown.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Doubt {
    /// Nothing has been said since power-up.
    PowerUp,
    /// The device has started anew: its counter too.
    DeviceReset,
    /// A flag was raised that the caller has named as a reason for doubt.
    Raised(Flag),
    /// The counter went unread for so long that it may have gone round unseen.
    ReadTooLate,
    /// The counter has changed by more than the motor can turn.
    ImpossibleMotion,
    /// The device's replies have stayed away.
    RepliesStopped,
    /// The caller has a reason of its own.
    Withdrawn,
}

/// The position of the axis is unknown: home it, or say where it is. Nothing was sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct PositionUnknown {
    /// Why.
    pub doubt: Doubt,
}

impl fmt::Display for Doubt {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::PowerUp => f.write_str("the axis has not been homed since power-up"),
            Self::DeviceReset => f.write_str("the device has started anew"),
            Self::Raised(flag) => write!(f, "the device has raised `{}`", flag.name()),
            Self::ReadTooLate => f.write_str("the counter went unread for too long"),
            Self::ImpossibleMotion => f.write_str("the counter has changed by more than the motor can turn"),
            Self::RepliesStopped => f.write_str("the device's replies have stayed away"),
            Self::Withdrawn => f.write_str("trust was withdrawn"),
        }
    }
}

impl fmt::Display for PositionUnknown {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "the position is unknown until the axis is homed: {}", self.doubt)
    }
}

impl core::error::Error for PositionUnknown {}
