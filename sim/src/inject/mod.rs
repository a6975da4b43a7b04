//! Faults by script: what goes wrong on a chain, from when, for how long, and by which seed. Plain data.
//!
//! ```text
//!   Script (faults, starts, durations, seeds)  ->  chain, which lets them happen in virtual time
//! ```
//!
//! A fault has an *effect* on the wire (bits, clocks, lines), on a device (reset, supply, heat) or on a motor (winding,
//! rotor). What a device makes of it is what it makes of the same condition from elsewhere:
//!
//! * **Bit flips** turn bits of one data line over: what all devices receive (mosi, at device 0), or what the controller
//!   reads (miso).
//! * **Lost clocks** are clocks of the controller that no device sees: the chain falls behind, and the controller reads
//!   the same bit twice. **Extra clocks** are seen by all devices and not meant by the controller: the bit that stands on
//!   mosi goes in once more, and a bit of the reply is never read. So many in each frame, at different places of the
//!   chain's length that the seed chooses; a frame that is shorter may be spared.
//! * **Stuck lines**: no clock gets through a stuck *sck*, at whichever level; *mosi* and *miso* read as their level, and so
//!   does the line behind a device, from there to the next. *cs* stuck high is no selection: nothing is taken, and miso, which
//!   nobody drives then, reads as an [open line](crate::chain::VirtualChain::set_open_line). *cs* stuck low is no release: the bits of frame after frame run through the chain and
//!   nothing is latched before the line moves again. The line moves as the fault begins and ends: an edge that comes of
//!   it is an edge.
//! * **Reset**: the device starts anew. With a duration it is held in reset until the end: it obeys nothing, and the unit
//!   that it shifts out is zero; its shift register still passes on what it gets.
//! * **Undervoltage**: the condition of this name, for all axes of the device. **Overheating**: first the warning, and
//!   [overtemperature](stepchain::map::Flag::Overtemperature) as well once it has lasted for so long.
//! * **Blocked rotor**: it stays where it is while the device counts on, which is a stall as at an end stop. An axis with a
//!   [motor](crate::device::MotorSetup) has its rotor blocked, and shows what its device then measures.
//! * **Open winding**: of a motor, no current flows in it any more. Without one, there is no model of currents. One winding alone makes a field that swings and does
//!   not turn, so the rotor is taken to stay where it is; a real one may tremble, slip, or run on unloaded. The device
//!   sees no current in that winding: a stall on that winding alone, while it makes steps.
//!
//! All fronts of a chain (SPI device, bus and pin, events from a capture) meet the same faults, and each bit those that hold as
//! its clock begins. Where the controller is set to another SPI mode than the devices, what it makes of each bit goes
//! edge by edge through the same lines; only a mode that is set while chip select is low makes an edge that no fault
//! touches. Bits that are clocked while chip select is high concern other chains: no fault but a stuck miso shows.
//!
//! Two faults that want the same at a time hold it until the last of them is over. A condition that tests have set by hand
//! ends with a fault that sets it, too.
//!
//! Knows no chain and no device: numbers that must exist are checked against the chain that takes the script.

mod error;
mod script;
#[cfg(test)]
mod tests;

use core::fmt;

use embedded_hal::digital::PinState;

pub use error::InjectError;
pub use script::{Injection, Lasts, Script, Start};

/// What goes wrong; the [module](self) says what each does.
///
/// Devices are counted from 0 at the controller's output, axes from 0 within a device.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum Fault {
    /// Bits of a data line are turned over.
    BitFlips {
        /// Which line.
        line: DataLine,
        /// Which bits.
        bits: Bits,
    },
    /// Clocks that no device sees.
    LostClocks {
        /// How many in each frame.
        count: u32,
    },
    /// Clocks that the controller has not made.
    ExtraClocks {
        /// How many in each frame.
        count: u32,
    },
    /// A line stays at a level.
    StuckLine {
        /// Which line.
        line: Line,
        /// At which level.
        level: PinState,
    },
    /// A device starts anew.
    ResetNode {
        /// The device.
        device: usize,
    },
    /// A device's supply is too low.
    Undervoltage {
        /// The device.
        device: usize,
    },
    /// A device gets hot.
    Overheating {
        /// The device.
        device: usize,
        /// For how long it warns before it is too hot, in nanoseconds.
        shut_off_after_ns: u64,
    },
    /// No current flows in a winding.
    OpenWinding {
        /// The device.
        device: usize,
        /// Its axis.
        axis: usize,
        /// The winding.
        winding: Winding,
    },
    /// A rotor cannot turn.
    BlockedRotor {
        /// The device.
        device: usize,
        /// Its axis.
        axis: usize,
    },
}

/// A line that carries data at one of the controller's ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DataLine {
    /// From the controller to device 0.
    Mosi,
    /// From the last device to the controller.
    Miso,
}

/// Bits of a data line.
#[derive(Clone, Debug, PartialEq)]
pub enum Bits {
    /// Each bit with this probability, by the seed.
    Each(f64),
    /// These of each frame, counted from 0 as they are clocked.
    At(Vec<u64>),
}

/// A line of the bus.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Line {
    /// The clock.
    Sck,
    /// From the controller to device 0.
    Mosi,
    /// From the last device to the controller.
    Miso,
    /// Chip select, which selects when it is low.
    Cs,
    /// From this device to the one behind it.
    Behind(usize),
}

/// One of a motor's two windings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Winding {
    /// Winding A.
    A,
    /// Winding B.
    B,
}

impl Fault {
    /// The device that it befalls; none for a fault of the bus.
    #[must_use]
    pub const fn device(&self) -> Option<usize> {
        match self {
            Self::ResetNode { device }
            | Self::Undervoltage { device }
            | Self::Overheating { device, .. }
            | Self::OpenWinding { device, .. }
            | Self::BlockedRotor { device, .. } => Some(*device),
            _ => None,
        }
    }

    /// The axis of the [device](Self::device) that it befalls; none if it is all of them.
    #[must_use]
    pub const fn axis(&self) -> Option<usize> {
        match self {
            Self::OpenWinding { axis, .. } | Self::BlockedRotor { axis, .. } => Some(*axis),
            _ => None,
        }
    }
}

impl fmt::Display for DataLine {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Mosi => "mosi",
            Self::Miso => "miso",
        })
    }
}

impl fmt::Display for Line {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Sck => f.write_str("sck"),
            Self::Mosi => f.write_str("mosi"),
            Self::Miso => f.write_str("miso"),
            Self::Cs => f.write_str("cs"),
            Self::Behind(device) => write!(f, "the line behind device {device}"),
        }
    }
}

impl fmt::Display for Winding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::A => "A",
            Self::B => "B",
        })
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::BitFlips { line, bits: Bits::Each(probability) } => {
                write!(f, "bit flips on {line}, each bit with a probability of {probability}")
            }
            Self::BitFlips { line, bits: Bits::At(places) } => {
                let places: Vec<_> = places.iter().map(u64::to_string).collect();
                write!(f, "bit flips on {line}, at {} of each frame", places.join(", "))
            }
            Self::LostClocks { count } => write!(f, "lost clocks, {count} a frame"),
            Self::ExtraClocks { count } => write!(f, "extra clocks, {count} a frame"),
            Self::StuckLine { line, level } => {
                write!(f, "{line} stuck {}", if *level == PinState::High { "high" } else { "low" })
            }
            Self::ResetNode { device } => write!(f, "reset of device {device}"),
            Self::Undervoltage { device } => write!(f, "undervoltage of device {device}"),
            Self::Overheating { device, .. } => write!(f, "overheating of device {device}"),
            Self::OpenWinding { device, axis, winding } => {
                write!(f, "open winding {winding} of axis {axis} of device {device}")
            }
            Self::BlockedRotor { device, axis } => write!(f, "blocked rotor of axis {axis} of device {device}"),
        }
    }
}
