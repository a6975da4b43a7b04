//! Counts the devices of a chain, and tells what is wrong with its wiring.
//!
//! A marker of 32 bits is shifted through, with nothing but filler behind it. It comes out after as many bits as the
//! chain holds:
//!
//! ```text
//!   MOSI    | marker | filler  filler  filler  filler  filler |
//!   MISO    | what the devices had to say  | marker | filler  |
//!           |<---------- N units --------->|
//! ```
//!
//! That is done until two frames in a row agree, one with the marker and one with its complement: no bits that the
//! devices say by themselves can pass for both. When chip select rises, every device holds filler and does nothing.
//! Before it the devices are brought into step by idle frames, and after it, where the number of devices was known
//! beforehand and the map has a status to peek at, each is asked for it, so that one that answers nonsense is named.
//!
//! | what is told | by what |
//! | --- | --- |
//! | a line stuck high or low | nothing else ever comes back |
//! | input tied to output | the marker comes back at once |
//! | another number of devices | the marker comes back after another number of whole units |
//! | wrong SPI mode, other devices | the marker comes back after no whole number of units |
//! | a break, dead devices, more devices than the buffer is for | no marker comes back |
//! | a device that answers nonsense | its status has a wrong check, or bits that the map says can never be so |
//!
//! In a wrong SPI mode the devices may hold filler that is shifted by a bit, and that may be a command. Check the wiring
//! of a new board before the motors have their supply.
//!
//! # Devices that count their clocks
//!
//! A map that tolerates no [spare clocks](crate::map::SpareClocks) leaves no room for a marker: with exactly N units in
//! a frame it never comes back. With such a map stuck lines, input tied to output and the devices' answers are told, and
//! [`Report::counted`] is `false`; to count without knowing N is [`WiringError::Unsupported`].
//!
//! # Unlike devices
//!
//! In a chain of [unlike devices](crate::map::Devices) each gets its own filler, in the probes too, and each that has a
//! status to peek at is asked by its own map; the count tells how many there are, and not in which order. Two that stand
//! in each other's place are told if an answer is one that the map expected there says can never be, and else not.
//!
//! [`Check`] does no I/O; [`Chain::check_wiring`](crate::Chain::check_wiring) and [`discover`] are thin fronts on it.

mod check;
mod fronts;
#[cfg(test)]
mod tests;

use core::fmt;

use crate::map::{ChainFlaw, Flaw, Layout};
use crate::reply::ReplyError;

pub use check::Check;
pub use fronts::discover;
#[cfg(feature = "async")]
pub use fronts::discover_async;

/// Bits of the marker.
pub(crate) const MARKER_BITS: u8 = 32;

/// How many bytes of buffer a check needs that can tell up to `most` devices apart; of unlike devices, with the layout of
/// any of them.
#[must_use]
pub const fn buffer_bytes(layout: &Layout, most: usize) -> usize {
    layout.frame_bytes(most).saturating_add(MARKER_BITS as usize / 8)
}

/// What a check has found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub struct Report {
    /// How many devices there are; as many as expected, where some number was.
    pub devices: usize,
    /// Whether they were counted; not so if they tolerate no spare clocks.
    pub counted: bool,
    /// Whether each device's answer was checked; not so if no number was expected, or the map (of unlike devices: one of
    /// their maps) has no status to peek at.
    pub replies_checked: bool,
}

/// What is wrong with the wiring.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum WiringError {
    /// The controller's input is high all the time.
    StuckHigh,
    /// The controller's input is low all the time.
    StuckLow,
    /// What is sent comes back at once: the controller's input is tied to its output, and there are no devices.
    TiedTogether,
    /// There are more or fewer devices than expected.
    WrongCount {
        /// How many are expected.
        expected: usize,
        /// How many there are.
        found: usize,
    },
    /// What is sent comes back after a number of bits that is no whole number of units: the SPI mode is wrong (above all
    /// if it is one bit more or less), or the devices are others.
    NotWholeUnits {
        /// After how many bits it comes back.
        delay_bits: usize,
        /// How many bits a unit has.
        unit_bits: u8,
    },
    /// What is sent does not come back, though something does: the chain is broken somewhere, a device is without supply,
    /// bits are spoilt, or there are more devices than the buffer is for.
    NoMarker {
        /// The level that came at the end of every frame, if it was always the same: behind the break the line rests.
        rests: Option<bool>,
    },
    /// A device's answer cannot be believed, though what is sent through it comes out at the end.
    Reply {
        /// The device.
        device: usize,
        /// Why not.
        error: ReplyError,
    },
    /// The devices cannot be counted: they tolerate no spare clocks.
    Unsupported,
    /// A chain of this many devices cannot be framed in whole bytes.
    Frame(Flaw),
    /// There are not as many layouts of unlike devices as devices are expected.
    Devices(ChainFlaw),
    /// The buffer, or the space for replies, is too short.
    BufferLength {
        /// How much there is.
        found: usize,
        /// How much is needed.
        needed: usize,
    },
    /// The check is not over.
    Unfinished,
}

impl fmt::Display for WiringError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::StuckHigh => f.write_str("the controller's input is stuck high"),
            Self::StuckLow => f.write_str("the controller's input is stuck low"),
            Self::TiedTogether => f.write_str("the controller's input is tied to its output: there are no devices"),
            Self::WrongCount { expected, found } => write!(f, "there are {found} devices, expected were {expected}"),
            Self::NotWholeUnits { delay_bits, unit_bits } => write!(
                f,
                "what is sent comes back after {delay_bits} bits, no whole number of units of {unit_bits} bits: wrong SPI mode, or other devices"
            ),
            Self::NoMarker { rests: None } => f.write_str("what is sent does not come back"),
            Self::NoMarker { rests: Some(high) } => {
                write!(f, "what is sent does not come back, the line rests {}", if *high { "high" } else { "low" })
            }
            Self::Reply { device, error } => write!(f, "device {device}: {error}"),
            Self::Unsupported => f.write_str("devices that tolerate no spare clocks cannot be counted"),
            Self::Frame(flaw) => write!(f, "{flaw}"),
            Self::Devices(flaw) => write!(f, "{flaw}"),
            Self::BufferLength { found, needed } => write!(f, "the buffer has {found} places, needed are {needed}"),
            Self::Unfinished => f.write_str("the check is not over"),
        }
    }
}

impl core::error::Error for WiringError {
    fn source(&self) -> Option<&(dyn core::error::Error + 'static)> {
        match self {
            Self::Reply { error, .. } => Some(error),
            Self::Frame(flaw) => Some(flaw),
            Self::Devices(flaw) => Some(flaw),
            _ => None,
        }
    }
}
