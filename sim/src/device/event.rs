//! What happened, for people and tests to read: the entries of a log in the order of virtual time.

use std::fmt;

use stepchain::map::{BridgeState, Flag, MotionState, Verb};

use crate::decode::Argument;
use crate::inject::Fault;
use crate::motion::OutOfRange;

/// One entry of the log.
#[derive(Clone, Debug, PartialEq)]
pub struct Event {
    /// When, in nanoseconds of virtual time.
    pub time_ns: u64,
    /// The device, counted from the controller's output; `None` for what concerns the bus as a whole.
    pub device: Option<usize>,
    /// What.
    pub kind: EventKind,
}

/// What happened.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum EventKind {
    /// A device has started anew.
    Reset,
    /// A command other than reading or writing a register was obeyed: it takes effect now.
    CommandAccepted {
        /// What it does.
        verb: Verb,
        /// For which axis of the device.
        axis: u8,
        /// What it carried.
        argument: Argument,
    },
    /// A command waits until the one that is being carried out is done; then it is accepted, or rejected after all.
    CommandBuffered {
        /// What it will do.
        verb: Verb,
        /// For which axis of the device.
        axis: u8,
        /// What it carried.
        argument: Argument,
    },
    /// A command was understood and not obeyed; nothing has changed.
    CommandRejected {
        /// What it would have done.
        verb: Verb,
        /// For which axis of the device.
        axis: u8,
        /// Why not.
        reason: Rejection,
    },
    /// Units that are no word of the device.
    CommandUnknown {
        /// The units, first one first.
        units: Vec<u64>,
    },
    /// A word with a wrong check.
    CrcMismatch {
        /// The units, first one first.
        units: Vec<u64>,
    },
    /// A register was read.
    RegisterRead {
        /// Its address.
        address: u16,
        /// What it held.
        content: u32,
    },
    /// A register was written.
    RegisterWritten {
        /// Its address.
        address: u16,
        /// What it holds now.
        content: u32,
    },
    /// Of a register that was written, the read-only fields beside the written ones were told otherwise and hold what
    /// they held. No harm, and no more than a stale copy where such a field is live.
    WriteIgnored {
        /// Its address.
        address: u16,
        /// The bits of the content in which what was told differs from what is held.
        bits: u32,
    },
    /// The ramp generator of an axis does something else from now on.
    MotionStateChanged {
        /// The axis of the device.
        axis: u8,
        /// What it did.
        from: MotionState,
        /// What it does.
        to: MotionState,
    },
    /// The bridge of an axis does something else to the windings from now on.
    BridgeChanged {
        /// The axis of the device.
        axis: u8,
        /// What it did.
        from: BridgeState,
        /// What it does.
        to: BridgeState,
    },
    /// The last motion command of an axis has arrived: at rest, or at its velocity.
    TargetReached {
        /// The axis of the device.
        axis: u8,
        /// Where, in microsteps without wrap-around.
        position: i64,
    },
    /// The home switch of an axis has closed or opened.
    SwitchChanged {
        /// The axis of the device.
        axis: u8,
        /// Whether it is closed.
        closed: bool,
    },
    /// The rotor of an axis with a motor has fallen out of step with what is commanded.
    SynchronismLost {
        /// The axis of the device.
        axis: u8,
    },
    /// The rotor of an axis with a motor is at rest, but not where its counter says.
    StepsLost {
        /// The axis of the device.
        axis: u8,
        /// Full steps that it is behind, in whole cycles of four; negative if it is ahead.
        steps: i64,
    },
    /// A flag of the map's status word has gone up or down as it would be read, whatever the polarity of its bit.
    FlagChanged {
        /// The axis that the map lists it under.
        axis: u8,
        /// The flag.
        flag: Flag,
        /// Whether it is up.
        raised: bool,
        /// Whether its bit remembers; otherwise it shows what is so.
        latched: bool,
    },
    /// The controller did what the device's datasheet forbids.
    Violation(Violation),
    /// A fault of the script begins.
    FaultBegan {
        /// Its number: how many the chain was given before it.
        number: usize,
        /// What it is.
        fault: Fault,
    },
    /// A fault of the script has lasted so long that it gets worse: what was a warning is a failure.
    FaultWorsened {
        /// Its number.
        number: usize,
        /// What it is.
        fault: Fault,
    },
    /// What a fault of the bus has done to a frame, told as the frame ends or the fault does.
    FaultStruck {
        /// Its number.
        number: usize,
        /// The frame, counted from 0 at power-up.
        frame: u64,
        /// How many bits, clocks or edges are other than without it.
        hits: u64,
        /// Where the first of them is: bits that the controller had clocked before it in this frame.
        first: u64,
    },
    /// A fault of the script is over.
    FaultEnded {
        /// Its number.
        number: usize,
        /// What it was.
        fault: Fault,
    },
}

/// Why a device does not obey.
#[derive(Clone, Copy, Debug, PartialEq)]
#[non_exhaustive]
pub enum Rejection {
    /// There is no register at the address.
    NoSuchRegister {
        /// The address.
        address: u16,
    },
    /// The device has no such axis.
    NoSuchAxis,
    /// The register cannot be written.
    ReadOnly {
        /// Its address.
        address: u16,
    },
    /// The register can be written at standstill only, and the motor moves.
    NotAtStandstill {
        /// Its address.
        address: u16,
    },
    /// The register can be written with the bridge in high impedance only, and it is not.
    BridgeNotOff {
        /// Its address.
        address: u16,
    },
    /// The code has no meaning.
    MeaninglessCode {
        /// The code.
        code: u32,
    },
    /// Not while the motor moves.
    WhileMoving,
    /// Not while the bridge is in high impedance.
    WhileBridgeOff,
    /// Not while a fault is shown.
    WhileFaulted,
    /// Another command waits already.
    PlaceTaken,
    /// The bridge is shut off by a fault that lasts.
    ShutOff,
    /// The move would pass an end of the position counter.
    BeyondCounter,
    /// The parameters of the ramp, or the velocity itself, admit no motion.
    NoMotion(OutOfRange),
}

/// What the controller did that the datasheet forbids.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Violation {
    /// A selection with fewer clocks than the chain has bits; devices have latched what then was in them.
    TooFewClocks {
        /// Clocks of the selection.
        clocks: u64,
        /// Bits of the chain.
        least: u64,
    },
    /// A selection with another number of clocks than the chain has bits, where devices count; they have ignored it.
    ClockCount {
        /// Clocks of the selection.
        clocks: u64,
        /// Bits of the chain.
        expected: u64,
    },
    /// A selection with clocks for more units than the chain has devices, where spare clocks are tolerated; each device
    /// has taken the last unit that reached it. Whoever sent it believes in another chain.
    SurplusUnits {
        /// Clocks of the selection.
        bits: u64,
        /// Bits of the chain.
        chain_bits: u64,
    },
    /// Chip select was released for too short a time before a selection.
    DeselectTooShort {
        /// How long it was released.
        found_ns: u64,
        /// How long it should have been.
        least_ns: u64,
    },
    /// The clock was faster than the device can follow.
    ClockTooFast {
        /// The clock.
        clock_hz: u32,
        /// The fastest that the device can follow.
        greatest_hz: u32,
    },
    /// Chip select was released without a flush, while the bus still had bits to send: no device has heard them.
    ReleasedUnderWay {
        /// How many bits were left; none may be.
        bits: u64,
    },
}

impl fmt::Display for Rejection {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoSuchRegister { address } => write!(f, "there is no register at {address:#04x}"),
            Self::NoSuchAxis => f.write_str("the device has no such axis"),
            Self::ReadOnly { address } => write!(f, "the register at {address:#04x} is read only"),
            Self::NotAtStandstill { address } => {
                write!(f, "the register at {address:#04x} is written at standstill only")
            }
            Self::BridgeNotOff { address } => {
                write!(f, "the register at {address:#04x} is written with the bridge in high impedance only")
            }
            Self::MeaninglessCode { code } => write!(f, "the code {code:#x} means nothing"),
            Self::WhileMoving => f.write_str("not while the motor moves"),
            Self::WhileBridgeOff => f.write_str("not while the bridge is in high impedance"),
            Self::WhileFaulted => f.write_str("not while a fault is shown"),
            Self::PlaceTaken => f.write_str("another command waits already"),
            Self::ShutOff => f.write_str("the bridge is shut off by a fault that lasts"),
            Self::BeyondCounter => f.write_str("the move would pass an end of the position counter"),
            Self::NoMotion(cause) => write!(f, "no motion is possible: {cause}"),
        }
    }
}

impl std::error::Error for Rejection {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::NoMotion(cause) => Some(cause),
            _ => None,
        }
    }
}

impl fmt::Display for Violation {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::SurplusUnits { bits, chain_bits } => {
                write!(f, "{bits} clocks for a chain of {chain_bits} bits, a unit or more too many")
            }
            Self::TooFewClocks { clocks, least } => write!(f, "{clocks} clocks for a chain of {least} bits"),
            Self::ClockCount { clocks, expected } => {
                write!(f, "{clocks} clocks for a chain that counts {expected} bits")
            }
            Self::DeselectTooShort { found_ns, least_ns } => {
                write!(f, "chip select was released for {found_ns} ns, {least_ns} ns are needed")
            }
            Self::ClockTooFast { clock_hz, greatest_hz } => {
                write!(f, "a clock of {clock_hz} Hz, {greatest_hz} Hz are possible")
            }
            Self::ReleasedUnderWay { bits } => {
                write!(f, "chip select was released while {bits} bits were still to be sent, without a flush")
            }
        }
    }
}
