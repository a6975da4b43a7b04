//! A procedure that asks the status of all devices again and again until nothing moves.

use core::fmt;
use core::time::Duration;

use crate::command::{AxisCommand, Command};
use crate::map::Devices;
use crate::reply::{Reply, ReplyError};

use super::procedure::{Procedure, Step};
use super::refusal::moves;

/// Polls the status of a whole chain, without clearing anything, until every axis stands.
///
/// An axis moves if its motion state says so, or where the map has none its busy flag. Drive it with a chain's `run`,
/// then ask [`result`](Self::result).
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[must_use = "a procedure does nothing until a chain runs it"]
pub struct UntilStill<const N: usize> {
    axes: [u8; N],
    period: Duration,
    polls: u32,
    waits: bool,
    result: Result<(), StillError>,
}

/// Why it is not known that everything stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum StillError {
    /// As often as it was asked, this axis moved.
    Moving {
        /// The device.
        device: usize,
        /// Its axis.
        axis: u8,
    },
    /// A device's status cannot be believed.
    Reply {
        /// The device.
        device: usize,
        /// Why not.
        error: ReplyError,
    },
    /// The device's status tells neither the axis's motion state nor whether it is busy.
    Unknown {
        /// The device.
        device: usize,
        /// Its axis.
        axis: u8,
    },
}

impl fmt::Display for StillError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Moving { device, axis } => write!(f, "device {device}, axis {axis}: it still moves"),
            Self::Reply { device, error } => write!(f, "device {device}: {error}"),
            Self::Unknown { device, axis } => {
                write!(f, "device {device}, axis {axis}: the status does not tell whether it moves")
            }
        }
    }
}

impl core::error::Error for StillError {
    fn source(&self) -> Option<&(dyn core::error::Error + 'static)> {
        match self {
            Self::Reply { error, .. } => Some(error),
            _ => None,
        }
    }
}

impl<const N: usize> UntilStill<N> {
    /// Asks at once and then every `period`, `polls` times in all, devices of so many axes.
    pub const fn new(axes: u8, period: Duration, polls: u32) -> Self {
        Self { axes: [axes; N], period, polls, waits: false, result: Err(StillError::Moving { device: 0, axis: 0 }) }
    }

    /// As [`new`](Self::new), with as many axes in each device as its layout says, also where devices are unlike.
    ///
    /// ```
    /// # use stepchain::map::{Devices, RegisterMap};
    /// use core::time::Duration;
    /// use stepchain::chain::UntilStill;
    /// use stepchain::reference::Latched;
    ///
    /// let devices = Devices::unlike(&[&Latched::LAYOUT, &Latched::LAYOUT]);
    /// let still = UntilStill::<2>::of(devices, Duration::from_millis(5), 100);
    /// # assert!(still.result().is_err());
    /// ```
    pub fn of(devices: impl Into<Devices>, period: Duration, polls: u32) -> Self {
        let devices = devices.into();
        Self { axes: core::array::from_fn(|device| devices.layout(device).axes), ..Self::new(0, period, polls) }
    }

    /// Whether everything stood when it was asked last.
    ///
    /// # Errors
    /// [`StillError`] for the first axis of which that is not known.
    pub const fn result(&self) -> Result<(), StillError> {
        self.result
    }

    fn judge(&self, replies: &[Result<Reply, ReplyError>; N]) -> Result<(), StillError> {
        for (device, (reply, &axes)) in replies.iter().zip(&self.axes).enumerate() {
            let reply = reply.map_err(|error| StillError::Reply { device, error })?;
            for axis in 0..axes {
                match reply.status.and_then(|status| moves(&status, axis)) {
                    Some(false) => {}
                    Some(true) => return Err(StillError::Moving { device, axis }),
                    None => return Err(StillError::Unknown { device, axis }),
                }
            }
        }
        Ok(())
    }
}

impl<const N: usize> Procedure<N> for UntilStill<N> {
    fn next(&mut self, commands: &mut [AxisCommand; N]) -> Step {
        let may_change = matches!(self.result, Err(StillError::Moving { .. } | StillError::Reply { .. }));
        if self.polls == 0 || !may_change {
            return Step::Done;
        }
        if self.waits {
            self.waits = false;
            return Step::Wait(self.period);
        }
        *commands = [Command::PeekStatus.on(0); N];
        Step::Exchange
    }

    fn came_back(&mut self, replies: &[Result<Reply, ReplyError>; N]) {
        self.polls = self.polls.saturating_sub(1);
        self.waits = true;
        self.result = self.judge(replies);
    }
}
