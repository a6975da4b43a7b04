//! Events as text: one line each, in columns, the same on any machine, for people and for files to compare with.
//!
//! ```text
//!       time in ns  who   what       details
//!        1_206_400  0.0   accepted   move relative, 128 microsteps
//!        1_206_400  0.0   state      standstill -> accelerating
//!      101_206_400  bus   violation  8 clocks for a chain of 32 bits
//! ```
//!
//! *Who* is a device, a device and its axis, or the bus. Times are grouped as number literals are, so that one can be
//! copied into a test.

use std::fmt;

use stepchain::map::BridgeState;

use super::event::{Event, EventKind};
use crate::decode::{Argument, Quantity};

impl fmt::Display for Event {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let who = match (self.device, self.kind.axis()) {
            (None, _) => "bus".to_owned(),
            (Some(device), None) => device.to_string(),
            (Some(device), Some(axis)) => format!("{device}.{axis}"),
        };
        write!(f, "{:>17}  {who:<4}  {}", grouped(self.time_ns), self.kind)
    }
}

impl EventKind {
    /// The axis of the device that it is about; `None` for what is about the device as a whole.
    #[must_use]
    pub const fn axis(&self) -> Option<u8> {
        match self {
            Self::CommandAccepted { verb, axis, .. }
            | Self::CommandBuffered { verb, axis, .. }
            | Self::CommandRejected { verb, axis, .. } => {
                if verb.is_of_one_axis() {
                    Some(*axis)
                } else {
                    None
                }
            }
            Self::MotionStateChanged { axis, .. }
            | Self::BridgeChanged { axis, .. }
            | Self::TargetReached { axis, .. }
            | Self::SwitchChanged { axis, .. }
            | Self::SynchronismLost { axis }
            | Self::StepsLost { axis, .. }
            | Self::FlagChanged { axis, .. } => Some(*axis),
            Self::FaultBegan { fault, .. } | Self::FaultWorsened { fault, .. } | Self::FaultEnded { fault, .. } => {
                match fault.axis() {
                    // A chain takes no fault of an axis that it does not have, and no device has more than these.
                    Some(axis) if axis <= u8::MAX as usize => Some(axis as u8),
                    _ => None,
                }
            }
            _ => None,
        }
    }

    /// What kind of entry it is, in a word.
    #[must_use]
    pub const fn word(&self) -> &'static str {
        match self {
            Self::Reset => "reset",
            Self::CommandAccepted { .. } => "accepted",
            Self::CommandBuffered { .. } => "buffered",
            Self::CommandRejected { .. } => "rejected",
            Self::CommandUnknown { .. } => "unknown",
            Self::CrcMismatch { .. } => "check",
            Self::RegisterRead { .. } => "read",
            Self::RegisterWritten { .. } => "written",
            Self::WriteIgnored { .. } => "ignored",
            Self::MotionStateChanged { .. } => "state",
            Self::BridgeChanged { .. } => "bridge",
            Self::TargetReached { .. } => "arrived",
            Self::SwitchChanged { .. } => "switch",
            Self::SynchronismLost { .. } | Self::StepsLost { .. } => "lost",
            Self::FlagChanged { raised: true, .. } => "raised",
            Self::FlagChanged { raised: false, .. } => "fallen",
            Self::Violation(_) => "violation",
            Self::FaultBegan { .. } => "began",
            Self::FaultWorsened { .. } => "worsened",
            Self::FaultStruck { .. } => "struck",
            Self::FaultEnded { .. } => "ended",
        }
    }
}

impl fmt::Display for EventKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let word = self.word();
        match self {
            Self::Reset => f.write_str(word),
            Self::CommandAccepted { verb, argument, .. } | Self::CommandBuffered { verb, argument, .. } => {
                write!(f, "{word:<9}  {}{}", verb.name(), Carried(*argument))
            }
            Self::CommandRejected { verb, reason, .. } => write!(f, "{word:<9}  {}: {reason}", verb.name()),
            Self::CommandUnknown { units } | Self::CrcMismatch { units } => {
                write!(f, "{word:<9} ")?;
                units.iter().try_for_each(|unit| write!(f, " {unit:#x}"))
            }
            Self::RegisterRead { address, content } | Self::RegisterWritten { address, content } => {
                write!(f, "{word:<9}  {content:#x} at {address:#04x}")
            }
            Self::WriteIgnored { address, bits } => {
                write!(f, "{word:<9}  bits {bits:#x} at {address:#04x}, which are read only")
            }
            Self::MotionStateChanged { from, to, .. } => write!(f, "{word:<9}  {} -> {}", from.name(), to.name()),
            Self::BridgeChanged { from, to, .. } => {
                write!(f, "{word:<9}  {} -> {}", bridge_name(*from), bridge_name(*to))
            }
            Self::TargetReached { position, .. } => write!(f, "{word:<9}  at {position} microsteps"),
            Self::SwitchChanged { closed, .. } => write!(f, "{word:<9}  {}", if *closed { "closed" } else { "open" }),
            Self::SynchronismLost { .. } => write!(f, "{word:<9}  the rotor is out of step"),
            Self::StepsLost { steps, .. } => write!(f, "{word:<9}  {steps} steps behind the counter at rest"),
            Self::FlagChanged { flag, latched, .. } => {
                write!(f, "{word:<9}  {}{}", flag.name(), if *latched { ", latched" } else { "" })
            }
            Self::Violation(violation) => write!(f, "{word:<9}  {violation}"),
            Self::FaultBegan { number, fault }
            | Self::FaultWorsened { number, fault }
            | Self::FaultEnded { number, fault } => write!(f, "{word:<9}  fault {number}: {fault}"),
            Self::FaultStruck { number, frame, hits, first } => {
                write!(f, "{word:<9}  fault {number}: frame {frame}, hits {hits}, first at bit {first}")
            }
        }
    }
}

/// What a command carried, with a comma in front.
struct Carried(Argument);

impl fmt::Display for Carried {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (quantity, unit) = match self.0 {
            Argument::None => return Ok(()),
            Argument::Direction(Quantity { value: Some(sign), .. }) => {
                return f.write_str(if sign > 0.0 { ", positive" } else { ", negative" });
            }
            Argument::Velocity(quantity) => (quantity, "steps/s"),
            Argument::Distance(quantity) | Argument::Position(quantity) | Argument::Direction(quantity) => {
                (quantity, "microsteps")
            }
        };
        match quantity.value {
            Some(value) => write!(f, ", {value} {unit}"),
            None => write!(f, ", code {:#x} without meaning", quantity.code),
        }
    }
}

/// The bridge state's name in texts.
#[must_use]
pub(crate) const fn bridge_name(state: BridgeState) -> &'static str {
    match state {
        BridgeState::Driven => "driven",
        BridgeState::Shorted => "shorted",
        BridgeState::HighImpedance => "high impedance",
    }
}

/// A number in groups of three digits, as a literal of source text.
#[must_use]
pub(crate) fn grouped(number: u64) -> String {
    let digits = number.to_string();
    let mut text = String::with_capacity(digits.len() + digits.len() / 3);
    for (index, digit) in digits.chars().enumerate() {
        if index > 0 && (digits.len() - index).is_multiple_of(3) {
            text.push('_');
        }
        text.push(digit);
    }
    text
}
