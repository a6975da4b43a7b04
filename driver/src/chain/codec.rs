//! The I/O-free core: commands in, frame bytes out; frame bytes in, replies out.
//!
//! One call of [`Codec::begin`] makes a [`Talk`]: as many frames as the longest command needs, and as many more as
//! the longest reply. Shorter commands are preceded by filler, so that all of them are complete on the same
//! chip-select edge:
//!
//! ```text
//!   frame        0        1        2        3        4
//!   device 0   filler   filler   stop                        1 unit
//!   device 1   write    content  content                     3 units
//!   device 2   filler   filler   read     filler   filler    1 unit, its reply in 3 and 4
//!                                     ^ all commands take effect on this edge
//! ```
//!
//! Where devices are unlike ([`Codec::for_devices`]), each is encoded to, filled in for and understood by its own
//! layout; they only share the wire form, so that every unit has its place in the frame.
//!
//! In each frame the unit of the last device leaves first and that of device 0 last, after padding to whole bytes;
//! what comes in begins with the last device's unit.

use core::fmt;

use crate::command::{AxisCommand, Command, CommandError, Prepared};
use crate::map::{ChainFlaw, Devices, Flaw, Layout};

use super::talk::{Pending, Talk};

/// Encodes and decodes for the devices of a chain, alike or not; does not know SPI.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Codec {
    devices: Devices,
}

/// Why a talk could not begin. Nothing was sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum BeginError {
    /// A command cannot be put into words.
    Command {
        /// The device that it was for.
        device: usize,
        /// Why not.
        error: CommandError,
    },
    /// The chain's frame cannot be made of whole bytes.
    Frame(Flaw),
    /// There are not as many commands as devices that have each a layout of their own.
    Devices(ChainFlaw),
    /// There are not as many places for pending replies as commands.
    PendingLength {
        /// How many places there are.
        found: usize,
        /// How many are needed.
        needed: usize,
    },
    /// The frame does not fit into the buffer.
    BufferLength {
        /// How many bytes there are.
        found: usize,
        /// How many are needed.
        needed: usize,
    },
}

impl fmt::Display for BeginError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Command { device, error } => write!(f, "device {device}: {error}"),
            Self::Frame(flaw) => write!(f, "{flaw}"),
            Self::Devices(flaw) => write!(f, "{flaw}"),
            Self::PendingLength { found, needed } => {
                write!(f, "{found} places for pending replies, but {needed} commands")
            }
            Self::BufferLength { found, needed } => {
                write!(f, "the buffer has {found} bytes, the frame needs {needed}")
            }
        }
    }
}

impl core::error::Error for BeginError {
    fn source(&self) -> Option<&(dyn core::error::Error + 'static)> {
        match self {
            Self::Command { error, .. } => Some(error),
            Self::Frame(flaw) => Some(flaw),
            Self::Devices(flaw) => Some(flaw),
            _ => None,
        }
    }
}

impl Codec {
    /// A codec for any number of devices of this kind.
    ///
    /// # Errors
    /// The layout's first [`Flaw`].
    pub const fn new(layout: &'static Layout) -> Result<Self, Flaw> {
        match layout.validate() {
            Ok(()) => Ok(Self { devices: Devices::alike(layout) }),
            Err(flaw) => Err(flaw),
        }
    }

    /// A codec for these devices, which may be unlike if they share the wire form.
    ///
    /// ```
    /// use stepchain::map::{Devices, RegisterMap};
    /// use stepchain::reference::{FixedWord, Latched};
    /// use stepchain::Codec;
    ///
    /// let refused = Codec::for_devices(Devices::unlike(&[&Latched::LAYOUT, &FixedWord::LAYOUT])).unwrap_err();
    /// assert_eq!(refused.to_string(), "device 1 (`fixed-word`): its unit has 48 bits, that of device 0 has 16");
    /// ```
    ///
    /// # Errors
    /// The first [`ChainFlaw`], which names the device and what is wrong with it, or differs from device 0.
    pub const fn for_devices(devices: Devices) -> Result<Self, ChainFlaw> {
        match devices.validate() {
            Ok(()) => Ok(Self { devices }),
            Err(flaw) => Err(flaw),
        }
    }

    /// As [`for_devices`](Self::for_devices), for what a constant has checked.
    pub(crate) const fn of_checked(devices: Devices) -> Self {
        Self { devices }
    }

    /// The devices whose layouts it interprets.
    #[must_use]
    pub const fn devices(&self) -> &Devices {
        &self.devices
    }

    /// The layout of device 0, and of all others where devices are alike.
    #[must_use]
    pub const fn layout(&self) -> &'static Layout {
        self.devices.layout(0)
    }

    /// Bytes in the frame of a chain of `devices`.
    #[must_use]
    pub const fn frame_bytes(&self, devices: usize) -> usize {
        self.devices.frame_bytes(devices)
    }

    /// How many idle frames bring devices into step that may hold any part of any command.
    ///
    /// As many as the longest command of any of them has units: what was half sent is complete then (with filler in place
    /// of what it lacked), or dropped. That is one frame more than the command can lack, because the frame that comes
    /// after a transfer that was cut off may run together with it in one chip selection. One frame for fixed words.
    #[must_use]
    pub const fn resync_frames(&self) -> u16 {
        self.devices.longest_word()
    }

    /// Begins a talk: one command for each device, all complete on the same chip-select edge.
    ///
    /// `pending` needs as many places as there are commands; what they held before does not matter. `buffer` needs
    /// [`frame_bytes`](Self::frame_bytes); each frame is made and answered in it.
    ///
    /// # Errors
    /// [`BeginError`] if a command cannot be put into words or a slice is too short; nothing was sent then.
    pub fn begin<'a, C>(
        &self,
        commands: &[C],
        pending: &'a mut [Pending],
        buffer: &'a mut [u8],
    ) -> Result<Talk<'a>, BeginError>
    where
        C: Copy + Into<AxisCommand>,
    {
        let needed = commands.len();
        self.devices.validate_count(needed).map_err(|flaw| match flaw {
            ChainFlaw::Frame(flaw) => BeginError::Frame(flaw),
            flaw => BeginError::Devices(flaw),
        })?;
        let found = pending.len();
        let pending = pending.get_mut(..needed).ok_or(BeginError::PendingLength { found, needed })?;
        let (found, bytes) = (buffer.len(), self.frame_bytes(needed));
        let buffer = buffer.get_mut(..bytes).ok_or(BeginError::BufferLength { found, needed: bytes })?;
        self.talk(commands, pending, buffer).map_err(|(device, error)| BeginError::Command { device, error })
    }

    /// As [`begin`](Self::begin), with slices of the right lengths; in the error the device whose command it is.
    pub(super) fn talk<'a, C>(
        &self,
        commands: &[C],
        pending: &'a mut [Pending],
        frame: &'a mut [u8],
    ) -> Result<Talk<'a>, (usize, CommandError)>
    where
        C: Copy + Into<AxisCommand>,
    {
        for (device, (place, &command)) in pending.iter_mut().zip(commands).enumerate() {
            self.ask(device, command.into(), place).map_err(|error| (device, error))?;
        }
        Ok(Talk::new(self.devices, pending, frame))
    }

    /// As [`talk`](Self::talk), with the same command for every device that has a place in `pending` and a form for it;
    /// the others get filler.
    pub(crate) fn same_for_all<'a>(
        &self,
        command: Command,
        pending: &'a mut [Pending],
        frame: &'a mut [u8],
    ) -> Talk<'a> {
        for (device, place) in pending.iter_mut().enumerate() {
            if self.ask(device, command.into(), place).is_err() {
                *place = Pending::default();
            }
        }
        Talk::new(self.devices, pending, frame)
    }

    /// Puts a command into the terms of the device that it is for.
    fn ask(&self, device: usize, command: AxisCommand, place: &mut Pending) -> Result<(), CommandError> {
        let layout = self.devices.layout(device);
        let prepared = Prepared::new(layout, command)?;
        *place = Pending::new(layout, prepared);
        Ok(())
    }
}
