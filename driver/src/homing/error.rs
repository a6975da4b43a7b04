//! Why an axis was not homed.

use core::fmt;
use core::time::Duration;

use crate::command::CommandError;
use crate::map::{Flag, Parameter, Verb};
use crate::reply::ReplyError;
use crate::units::{Distance, Position, Velocity};

/// Why one axis was not homed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum HomingError {
    /// The map lacks what the method needs. Nothing was sent to the axis.
    Unsupported(Lacking),
    /// A command of the method cannot be put into words: a velocity or an axis that the device does not have. Nothing
    /// was sent to the axis.
    Command(CommandError),
    /// The chain has no such device. Nothing was sent to the axis.
    NoSuchDevice {
        /// How many there are.
        devices: usize,
    },
    /// The axis occurs twice. Nothing was sent for the second time.
    Twice,
    /// A homing velocity is zero or negative; the method gives the directions. Nothing was sent to the axis.
    VelocityNotPositive(Velocity),
    /// The home offset is more than a quarter of the counter's round, so that the shortest way there may be the wrong
    /// one. Nothing was sent to the axis.
    OffsetTooGreat {
        /// The offset.
        offset: Distance,
        /// The greatest one, to either side.
        greatest: Distance,
    },
    /// The axis is still being homed.
    Unfinished,
    /// The axis went as far as it may, and the switch was not pressed, or no stop was met.
    SwitchNotFound {
        /// How far it went, in microsteps.
        travelled: u64,
    },
    /// The axis went as far as it may, and the switch stayed pressed.
    SwitchStuck {
        /// How far it went, in microsteps.
        travelled: u64,
    },
    /// Homing took longer than it may.
    TimeOut {
        /// The longest time that it may take.
        after: Duration,
    },
    /// The device says that it refused a command.
    Rejected {
        /// The last one that was sent for the axis, other than questions.
        verb: Option<Verb>,
    },
    /// The device raised a flag; [`Flag::ResetOccurred`] means that it has started anew.
    Fault(Flag),
    /// Replies cannot be believed, even when asked again.
    Reply(ReplyError),
    /// The axis stands, but not for a reason that belongs to the method: a command was lost, somebody else stopped the
    /// axis, or the switch changed its mind after its edge.
    Interrupted,
    /// The counter was to be made zero, and is not.
    ZeroNotSet {
        /// What it shows.
        found: Position,
    },
    /// The caller had it stopped.
    Stopped,
}

/// What homing needs and a map does not have.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Lacking {
    /// A flag of the axis, in the reply to a question for the status.
    Flag(Flag),
    /// Both [`Flag::Busy`] and the motion state of the axis: nothing tells that it stands.
    Standstill,
    /// Both [`Flag::StallA`] and [`Flag::StallB`] of the axis.
    Stall,
    /// A register to read.
    Parameter(Parameter),
    /// A command.
    Command(Verb),
}

/// Why one axis was not homed, and which.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct AxisError {
    /// The device, counted from 0.
    pub device: usize,
    /// Its axis, counted from 0.
    pub axis: u8,
    /// Why not.
    pub error: HomingError,
}

impl fmt::Display for HomingError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Unsupported(lacking) => write!(f, "the map does not allow this way of homing: {lacking}"),
            Self::Command(error) => write!(f, "{error}"),
            Self::NoSuchDevice { devices } => write!(f, "the chain has only {devices} devices, counted from 0"),
            Self::Twice => f.write_str("the axis is to be homed twice at once"),
            Self::VelocityNotPositive(velocity) => write!(f, "a homing velocity is positive, not {velocity}"),
            Self::OffsetTooGreat { offset, greatest } => {
                write!(f, "the home offset is {offset}, {greatest} is the greatest")
            }
            Self::Unfinished => f.write_str("homing is still under way"),
            Self::SwitchNotFound { travelled } => {
                write!(f, "no switch or stop within {travelled} microsteps")
            }
            Self::SwitchStuck { travelled } => {
                write!(f, "the switch is still pressed after {travelled} microsteps away from it")
            }
            Self::TimeOut { after } => write!(f, "homing took longer than {after:?}"),
            Self::Rejected { verb: Some(verb) } => write!(f, "the device refused a command, maybe `{}`", verb.name()),
            Self::Rejected { verb: None } => f.write_str("the device refused a command"),
            Self::Fault(flag) => write!(f, "the device raised `{}`", flag.name()),
            Self::Reply(error) => write!(f, "{error}"),
            Self::Interrupted => f.write_str("the axis stands where the method gives it no reason to"),
            Self::ZeroNotSet { found } => write!(f, "the counter was made zero and shows {found}"),
            Self::Stopped => f.write_str("homing was stopped by its caller"),
        }
    }
}

impl core::error::Error for HomingError {
    fn source(&self) -> Option<&(dyn core::error::Error + 'static)> {
        match self {
            Self::Command(error) => Some(error),
            Self::Reply(error) => Some(error),
            _ => None,
        }
    }
}

impl fmt::Display for Lacking {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Flag(flag) => write!(f, "no status tells `{}` of the axis", flag.name()),
            Self::Standstill => f.write_str("no status tells whether the axis stands"),
            Self::Stall => f.write_str("no status tells of a stall of the axis"),
            Self::Parameter(parameter) => write!(f, "it has no register for `{parameter}`"),
            Self::Command(verb) => write!(f, "it has no command `{}`", verb.name()),
        }
    }
}

impl fmt::Display for AxisError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "device {}, axis {}: {}", self.device, self.axis, self.error)
    }
}

impl core::error::Error for AxisError {
    fn source(&self) -> Option<&(dyn core::error::Error + 'static)> {
        Some(&self.error)
    }
}
