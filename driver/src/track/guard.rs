//! Trust and limits put in front of a chain: what they refuse is not sent, and what comes back is looked at.
//!
//! A [`Guard`] joins one axis's [`Tracker`] and its [`PositionLimits`]. [`Chain::send_guarded`] (and that of the async
//! front) asks the guards before anything goes out, and shows them every status that comes back, so that a device that
//! has started anew is noticed and refused motion without further ado. Reading the position often enough
//! ([`Tracker::longest_gap`]) stays the caller's business.

use core::fmt;

use embedded_hal::spi::SpiDevice;

#[cfg(feature = "async")]
use crate::chain::AsyncChain;
use crate::chain::{Chain, Error};
use crate::command::{AxisCommand, Command};
use crate::map::ChainMap;
use crate::reply::Reply;
use crate::units::Distance;

use super::limits::{LimitError, PositionLimits};
use super::tracker::Tracker;
use super::trust::PositionUnknown;

/// What watches over one axis of one device.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub struct Guard {
    /// The device, counted from the controller's output.
    pub device: usize,
    /// The axis of the device, counted from 0; the tracker is of the same.
    pub axis: u8,
    /// Where the axis is, and whether that is known.
    pub tracker: Tracker,
    /// Where it may go; everywhere if `None`.
    pub limits: Option<PositionLimits>,
    /// How far it goes on once it is told to stop.
    pub braking: Distance,
}

/// Why a guard lets a command not pass. Nothing was sent to any device.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Refused {
    /// The command needs a position that is known.
    PositionUnknown(PositionUnknown),
    /// The command leads beyond the limits.
    Limit(LimitError),
}

/// Why a guarded call failed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum GuardedError<E> {
    /// A guard refused a command. Nothing was sent.
    Refused {
        /// The device that it was for.
        device: usize,
        /// Its axis.
        axis: u8,
        /// Why.
        reason: Refused,
    },
    /// As without guards.
    Chain(Error<E>),
}

impl Guard {
    /// Watches over axis 0 of a device, without limits.
    #[must_use]
    pub const fn new(device: usize, tracker: Tracker) -> Self {
        Self { device, axis: 0, tracker, limits: None, braking: Distance::ZERO }
    }

    /// The same for another axis of the device.
    #[must_use]
    pub const fn axis(mut self, axis: u8) -> Self {
        self.axis = axis;
        self.tracker = self.tracker.of_axis(axis);
        self
    }

    /// The same with limits, and how far the axis goes on once it is told to stop.
    #[must_use]
    pub const fn within(mut self, limits: PositionLimits, braking: Distance) -> Self {
        self.limits = Some(limits);
        self.braking = braking;
        self
    }

    /// Whether a command may be sent.
    ///
    /// Limits are judged from where the tracker is. While the position is unknown nothing can be said of them, and only
    /// what needs no position passes. A command that waits for another is judged as if it began here: send it alone.
    ///
    /// # Errors
    /// [`Refused`], with the reason.
    pub fn check(&self, command: &Command) -> Result<(), Refused> {
        self.tracker.allow(command).map_err(Refused::PositionUnknown)?;
        match (self.limits, self.tracker.place()) {
            (Some(limits), Ok(place)) => limits.check(command, &place, self.braking).map_err(Refused::Limit),
            _ => Ok(()),
        }
    }

    fn watches(&self, device: usize, axis: u8) -> bool {
        self.device == device && self.axis == axis
    }
}

impl<M: ChainMap, S: SpiDevice, const N: usize> Chain<M, S, N> {
    /// As [`send`](Self::send), unless a guard refuses one of the commands; the guards see what comes back.
    ///
    /// # Errors
    /// [`GuardedError`]; nothing was sent where a guard refused.
    pub fn send_guarded<C>(
        &mut self,
        commands: &[C; N],
        guards: &mut [Guard],
    ) -> Result<[Reply; N], GuardedError<S::Error>>
    where
        C: Copy + Into<AxisCommand>,
    {
        let commands = commands.map(Into::into);
        refusal(guards, &commands)?;
        let replies = self.send(&commands).map_err(GuardedError::Chain)?;
        observe(guards, &replies);
        Ok(replies)
    }
}

#[cfg(feature = "async")]
impl<M: ChainMap, S: embedded_hal_async::spi::SpiDevice, const N: usize> AsyncChain<M, S, N> {
    /// As [`Chain::send_guarded`].
    ///
    /// # Errors
    /// As [`Chain::send_guarded`].
    pub async fn send_guarded<C>(
        &mut self,
        commands: &[C; N],
        guards: &mut [Guard],
    ) -> Result<[Reply; N], GuardedError<S::Error>>
    where
        C: Copy + Into<AxisCommand>,
    {
        let commands = commands.map(Into::into);
        refusal(guards, &commands)?;
        let replies = self.send(&commands).await.map_err(GuardedError::Chain)?;
        observe(guards, &replies);
        Ok(replies)
    }
}

/// Asks the guards about every command; the first refusal, with its device and axis.
fn refusal<E>(guards: &[Guard], commands: &[AxisCommand]) -> Result<(), GuardedError<E>> {
    for (device, &AxisCommand { axis, command, .. }) in commands.iter().enumerate() {
        for guard in guards.iter().filter(|guard| guard.watches(device, axis)) {
            guard.check(&command).map_err(|reason| GuardedError::Refused { device, axis, reason })?;
        }
    }
    Ok(())
}

/// Shows the guards what came back.
fn observe(guards: &mut [Guard], replies: &[Reply]) {
    for guard in guards {
        if let Some(status) = replies.get(guard.device).and_then(|reply| reply.status) {
            guard.tracker.observe(&status);
        }
    }
}

impl fmt::Display for Refused {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::PositionUnknown(error) => write!(f, "{error}"),
            Self::Limit(error) => write!(f, "{error}"),
        }
    }
}

impl core::error::Error for Refused {}

impl<E: embedded_hal::spi::Error> fmt::Display for GuardedError<E> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Refused { device, axis, reason } => write!(f, "device {device}, axis {axis}: {reason}"),
            Self::Chain(error) => write!(f, "{error}"),
        }
    }
}

impl<E: embedded_hal::spi::Error> core::error::Error for GuardedError<E> {}
