//! A command to one device and its answer: what is told of a conversation.

use stepchain::map::{BufferMode, Verb};

use super::note::Note;
use super::reply::{FieldValue, Reply};

/// A command to one device, and its answer.
#[derive(Clone, Debug, PartialEq)]
pub struct Exchange {
    /// The device, 0 for the one at the controller's output.
    pub device: usize,
    /// The frame of its first unit, and that of its last.
    pub frames: (u64, u64),
    /// When its first frame began, in nanoseconds.
    pub start_ns: i64,
    /// When its last unit was latched: when it takes effect.
    pub latched_ns: i64,
    /// The units, first one first.
    pub units: Vec<u64>,
    /// What it asks.
    pub asked: Asked,
    /// What was answered; `None` where nothing is, or nothing was recorded.
    pub reply: Option<Reply>,
    /// What else the capture says about it.
    pub notes: Vec<Note>,
}

/// What a command asks.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum Asked {
    /// Anything but reading and writing a register.
    Command {
        /// What.
        verb: Verb,
        /// When it begins while another is being carried out.
        buffer_mode: BufferMode,
        /// The axis in the device.
        axis: u8,
        /// What it carries.
        argument: Option<FieldValue>,
    },
    /// Read the register at an address.
    Read {
        /// The address.
        address: u16,
        /// The names of its fields; none where there is no register.
        names: Vec<&'static str>,
    },
    /// Write the register at an address.
    Write {
        /// The address.
        address: u16,
        /// What.
        content: u32,
        /// What that means.
        values: Vec<FieldValue>,
        /// The command that this write sets going, where commands are made of writes.
        sets_going: Option<Box<Asked>>,
    },
    /// No word of the map.
    Unknown,
    /// A word with a wrong check.
    CrcMismatch,
    /// A word that was not finished when a frame came that cannot be read, or the capture ended.
    BrokenOff,
}
