//! Patterns for entries of the log: what happened, and, where it matters, to whom and when.

use std::fmt;
use std::ops::RangeInclusive;

use stepchain::map::{BridgeState, Flag, MotionState, Verb};

use crate::device::{Event, EventKind, bridge_name, grouped};

/// What an entry of the log must be like.
#[derive(Clone, Debug)]
pub struct Pattern {
    what: What,
    device: Option<usize>,
    axis: Option<u8>,
    time_ns: Option<RangeInclusive<u64>>,
}

#[derive(Clone, Debug)]
enum What {
    Accepted(Verb),
    Buffered(Verb),
    Rejected(Verb),
    State(MotionState),
    Bridge(BridgeState),
    Arrived,
    Switch(bool),
    Flag(Flag, bool),
    Written(u16),
    Reset,
    Violation,
    FaultBegan(usize),
    FaultWorsened(usize),
    FaultStruck(usize),
    FaultEnded(usize),
    That(&'static str, fn(&EventKind) -> bool),
}

impl Pattern {
    const fn new(what: What) -> Self {
        Self { what, device: None, axis: None, time_ns: None }
    }

    /// A command took effect.
    #[must_use]
    pub const fn accepted(verb: Verb) -> Self {
        Self::new(What::Accepted(verb))
    }

    /// A command was put where it waits for another.
    #[must_use]
    pub const fn buffered(verb: Verb) -> Self {
        Self::new(What::Buffered(verb))
    }

    /// A command was rejected, whatever the reason.
    #[must_use]
    pub const fn rejected(verb: Verb) -> Self {
        Self::new(What::Rejected(verb))
    }

    /// The ramp generator of an axis began to do this.
    #[must_use]
    pub const fn state(state: MotionState) -> Self {
        Self::new(What::State(state))
    }

    /// The bridge of an axis began to do this.
    #[must_use]
    pub const fn bridge(state: BridgeState) -> Self {
        Self::new(What::Bridge(state))
    }

    /// A motion command arrived.
    #[must_use]
    pub const fn arrived() -> Self {
        Self::new(What::Arrived)
    }

    /// A home switch closed, or opened.
    #[must_use]
    pub const fn switch(closed: bool) -> Self {
        Self::new(What::Switch(closed))
    }

    /// A flag of the status word went up.
    #[must_use]
    pub const fn raised(flag: Flag) -> Self {
        Self::new(What::Flag(flag, true))
    }

    /// A flag of the status word went down.
    #[must_use]
    pub const fn fallen(flag: Flag) -> Self {
        Self::new(What::Flag(flag, false))
    }

    /// The register at an address was written.
    #[must_use]
    pub const fn written(address: u16) -> Self {
        Self::new(What::Written(address))
    }

    /// A device started anew.
    #[must_use]
    pub const fn reset() -> Self {
        Self::new(What::Reset)
    }

    /// The controller did what the datasheet forbids.
    #[must_use]
    pub const fn violation() -> Self {
        Self::new(What::Violation)
    }

    /// The fault of this number began, counted from 0 in the order in which the chain was given them.
    #[must_use]
    pub const fn fault_began(number: usize) -> Self {
        Self::new(What::FaultBegan(number))
    }

    /// The fault of this number got worse.
    #[must_use]
    pub const fn fault_worsened(number: usize) -> Self {
        Self::new(What::FaultWorsened(number))
    }

    /// The fault of this number changed something in a frame.
    #[must_use]
    pub const fn fault_struck(number: usize) -> Self {
        Self::new(What::FaultStruck(number))
    }

    /// The fault of this number was over.
    #[must_use]
    pub const fn fault_ended(number: usize) -> Self {
        Self::new(What::FaultEnded(number))
    }

    /// Anything that the function says, under a name for tables.
    #[must_use]
    pub const fn that(name: &'static str, is_like: fn(&EventKind) -> bool) -> Self {
        Self::new(What::That(name, is_like))
    }

    /// The same on one device.
    #[must_use]
    pub const fn on(mut self, device: usize) -> Self {
        self.device = Some(device);
        self
    }

    /// The same for one axis of a device.
    #[must_use]
    pub const fn axis(mut self, axis: u8) -> Self {
        self.axis = Some(axis);
        self
    }

    /// The same within these instants, in nanoseconds of virtual time, both included.
    #[must_use]
    pub const fn within_ns(mut self, first_ns: u64, last_ns: u64) -> Self {
        self.time_ns = Some(RangeInclusive::new(first_ns, last_ns));
        self
    }

    /// Whether an entry is like that.
    #[must_use]
    pub fn is_like(&self, event: &Event) -> bool {
        let is_what = match (&self.what, &event.kind) {
            (What::Accepted(wanted), EventKind::CommandAccepted { verb, .. })
            | (What::Buffered(wanted), EventKind::CommandBuffered { verb, .. })
            | (What::Rejected(wanted), EventKind::CommandRejected { verb, .. }) => verb == wanted,
            (What::State(wanted), EventKind::MotionStateChanged { to, .. }) => to == wanted,
            (What::Bridge(wanted), EventKind::BridgeChanged { to, .. }) => to == wanted,
            (What::Switch(wanted), EventKind::SwitchChanged { closed, .. }) => closed == wanted,
            (What::Flag(wanted, up), EventKind::FlagChanged { flag, raised, .. }) => flag == wanted && raised == up,
            (What::Written(wanted), EventKind::RegisterWritten { address, .. }) => address == wanted,
            (What::FaultBegan(wanted), EventKind::FaultBegan { number, .. })
            | (What::FaultWorsened(wanted), EventKind::FaultWorsened { number, .. })
            | (What::FaultStruck(wanted), EventKind::FaultStruck { number, .. })
            | (What::FaultEnded(wanted), EventKind::FaultEnded { number, .. }) => number == wanted,
            (What::Arrived, EventKind::TargetReached { .. })
            | (What::Reset, EventKind::Reset)
            | (What::Violation, EventKind::Violation(_)) => true,
            (What::That(_, is_like), kind) => is_like(kind),
            _ => false,
        };
        is_what
            && self.device.is_none_or(|device| event.device == Some(device))
            && self.axis.is_none_or(|axis| event.kind.axis() == Some(axis))
            && self.time_ns.as_ref().is_none_or(|time_ns| time_ns.contains(&event.time_ns))
    }
}

impl fmt::Display for Pattern {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.what {
            What::Accepted(verb) => write!(f, "accepted {}", verb.name()),
            What::Buffered(verb) => write!(f, "buffered {}", verb.name()),
            What::Rejected(verb) => write!(f, "rejected {}", verb.name()),
            What::State(state) => write!(f, "state {}", state.name()),
            What::Bridge(state) => write!(f, "bridge {}", bridge_name(*state)),
            What::Arrived => f.write_str("arrived"),
            What::Switch(true) => f.write_str("switch closed"),
            What::Switch(false) => f.write_str("switch open"),
            What::Flag(flag, true) => write!(f, "raised {}", flag.name()),
            What::Flag(flag, false) => write!(f, "fallen {}", flag.name()),
            What::Written(address) => write!(f, "written {address:#04x}"),
            What::Reset => f.write_str("reset"),
            What::Violation => f.write_str("violation"),
            What::FaultBegan(number) => write!(f, "began fault {number}"),
            What::FaultWorsened(number) => write!(f, "worsened fault {number}"),
            What::FaultStruck(number) => write!(f, "struck fault {number}"),
            What::FaultEnded(number) => write!(f, "ended fault {number}"),
            What::That(name, _) => f.write_str(name),
        }?;
        match (self.device, self.axis) {
            (None, None) => Ok(()),
            (Some(device), None) => write!(f, ", device {device}"),
            (Some(device), Some(axis)) => write!(f, ", axis {device}.{axis}"),
            (None, Some(axis)) => write!(f, ", axis {axis} of any device"),
        }?;
        match &self.time_ns {
            None => Ok(()),
            Some(time_ns) => write!(f, ", {} to {} ns", grouped(*time_ns.start()), grouped(*time_ns.end())),
        }
    }
}
