//! Unwraps one axis's counter, and keeps account of whether the result can be trusted.

use core::fmt;
use core::time::Duration;

use crate::command::Command;
use crate::map::{Flag, PositionCounter, Way, WrapAround};
use crate::reply::Status;
use crate::units::{MicrostepResolution, OutOfRange, Position, Unit, Velocity};

use super::place::Place;
use super::reach::{farthest, half_range, longest_gap};
use super::trust::{Doubt, PositionUnknown, Trust};
use super::unwrapped::UnwrappedPosition;

/// Where one axis is, from readings of its counter, and whether that means anything.
///
/// After power-up the position is [unknown](Trust::Unknown), and so again once [`observe`](Self::observe) has seen
/// that the device has started anew. Until [`homed_at`](Self::homed_at) or [`assume`](Self::assume) it refuses moves
/// that need a place ([`allow`](Self::allow)).
///
/// The counter has to be read at least once in [`longest_gap`](Self::longest_gap), whether the axis is watched or not:
/// then, and only then, its shorter way round is the way that the motor went. The tracker can check that only where
/// [`update`](Self::update) is told the time since the last reading.
///
/// Counts are microsteps: after the resolution is changed, make a new tracker.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Tracker {
    shape: PositionCounter,
    resolution: MicrostepResolution,
    fastest: Velocity,
    axis: u8,
    doubted_by: &'static [Flag],
    /// What the counter showed last; `None` before the first reading.
    counter: Option<Position>,
    count: UnwrappedPosition,
    trust: Trust,
    /// How often the counter was read, and how often somebody has said where the axis is.
    readings: u32,
    tellings: u32,
}

/// Why a reading of the counter could not be made a position.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum UpdateError {
    /// The reading is none that the counter can show. It was not taken in.
    NotOfCounter(OutOfRange),
    /// The counter may have gone round unseen. The reading was taken in, and the position is unknown.
    Ambiguous {
        /// The time since the last reading.
        elapsed: Duration,
        /// The longest time in which there is no doubt.
        longest: Duration,
    },
    /// The counter has changed by more than the motor can turn: it was set, or the device has started anew. The
    /// reading was taken in, and the position is unknown.
    ImpossibleMotion {
        /// By how many microsteps it has changed.
        moved: i64,
        /// The most that it could have.
        farthest: u64,
    },
}

impl Tracker {
    /// A tracker of axis 0 that knows nothing yet.
    ///
    /// `counter` is the map's ([`Layout::position`](crate::map::Layout::position)), `resolution` what the device is
    /// set to. `fastest` is a speed in full steps/s that the axis never exceeds, either way; a few percent above the
    /// profile velocity leave room for clocks that do not agree.
    #[must_use]
    pub const fn new(counter: &PositionCounter, resolution: MicrostepResolution, fastest: Velocity) -> Self {
        Self {
            shape: *counter,
            resolution,
            fastest,
            axis: 0,
            doubted_by: &[],
            counter: None,
            count: UnwrappedPosition::ZERO,
            trust: Trust::Unknown(Doubt::PowerUp),
            readings: 0,
            tellings: 0,
        }
    }

    /// The same for another axis of the device.
    #[must_use]
    pub const fn of_axis(mut self, axis: u8) -> Self {
        self.axis = axis;
        self
    }

    /// The same with these flags as reasons for doubt, as far as they speak of the axis.
    ///
    /// [`Flag::ResetOccurred`] always is one. Which others are hangs on the machine: a stall means lost steps where
    /// the stall limit is set well, and a rotor that was let go may have been turned by its load.
    #[must_use]
    pub const fn doubted_by(mut self, flags: &'static [Flag]) -> Self {
        self.doubted_by = flags;
        self
    }

    /// How far the position can be trusted.
    #[must_use]
    pub const fn trust(&self) -> Trust {
        self.trust
    }

    /// The position.
    ///
    /// # Errors
    /// [`PositionUnknown`] unless the axis was homed, or somebody has said where it is.
    pub const fn position(&self) -> Result<UnwrappedPosition, PositionUnknown> {
        match self.trust {
            Trust::Unknown(doubt) => Err(PositionUnknown { doubt }),
            Trust::Homed | Trust::Told => Ok(self.count),
        }
    }

    /// The position, beside what the counter shows there.
    ///
    /// # Errors
    /// As [`position`](Self::position).
    pub const fn place(&self) -> Result<Place, PositionUnknown> {
        match (self.position(), self.counter) {
            (Ok(at), Some(counter)) => Ok(Place::new(&self.shape, counter, at)),
            (Err(error), _) => Err(error),
            // Trust comes with a counter.
            (Ok(_), None) => Err(PositionUnknown { doubt: Doubt::PowerUp }),
        }
    }

    /// The count without end, whether it can be trusted or not: good for differences while an axis is being homed.
    #[must_use]
    pub const fn count(&self) -> UnwrappedPosition {
        self.count
    }

    /// The longest time between two readings; `None` if the counter may go unread as long as one likes.
    #[must_use]
    pub const fn longest_gap(&self) -> Option<Duration> {
        longest_gap(&self.shape, self.fastest, self.resolution)
    }

    /// Takes in a reading of the counter, and the time since the one before.
    ///
    /// Measure the time generously, from before the last reading was asked for until after this one came: then a late
    /// reading is always found, and a counter that has jumped by more than the motor can turn, as at a reset that
    /// nobody has noticed yet, nearly always. With no time given the caller vouches for both. The first reading, and
    /// the first after a reset, only sets the count.
    ///
    /// # Errors
    /// [`UpdateError`]; all but [`UpdateError::NotOfCounter`] leave the position unknown.
    pub const fn update(&mut self, counter: Position, elapsed: Option<Duration>) -> Result<(), UpdateError> {
        let (min, max) = self.shape.range();
        if counter.to_bits() < min || counter.to_bits() > max {
            return Err(UpdateError::NotOfCounter(Unit::Microsteps.out_of_range(counter.to_bits(), min, max)));
        }
        self.readings = self.readings.wrapping_add(1);
        let Some(before) = self.counter else {
            self.counter = Some(counter);
            self.count = UnwrappedPosition::from_microsteps(counter.to_bits());
            return Ok(());
        };
        let moved = Place::new(&self.shape, before, self.count).way_to(counter, Way::Shortest);
        self.counter = Some(counter);
        self.count = self.count.moved(moved);
        let Some(elapsed) = elapsed else {
            return Ok(());
        };
        let farthest = farthest(self.fastest, self.resolution, elapsed);
        let wraps = matches!(self.shape.wrap_around, WrapAround::Wraps);
        if wraps
            && farthest > half_range(&self.shape)
            && let Some(longest) = self.longest_gap()
        {
            self.doubt(Doubt::ReadTooLate);
            return Err(UpdateError::Ambiguous { elapsed, longest });
        }
        if moved.unsigned_abs() > farthest {
            self.doubt(Doubt::ImpossibleMotion);
            return Err(UpdateError::ImpossibleMotion { moved, farthest });
        }
        Ok(())
    }

    /// Looks at a status for a reason for doubt, and gives it.
    ///
    /// A latched flag is seen as often as it is peeked at, until the status is taken: take it once before homing, or
    /// the next peek makes the homed position unknown again.
    pub fn observe(&mut self, status: &Status) -> Option<Doubt> {
        let doubt = status.raised().find_map(|(flag, axis)| match flag {
            // A device starts anew as a whole.
            Flag::ResetOccurred => Some(Doubt::DeviceReset),
            flag if axis == self.axis && self.doubted_by.contains(&flag) => Some(Doubt::Raised(flag)),
            _ => None,
        })?;
        self.doubt(doubt);
        Some(doubt)
    }

    /// Makes the position unknown.
    ///
    /// Of several reasons the first is kept, for it is likely the cause of the others; but a reset explains all.
    pub const fn doubt(&mut self, doubt: Doubt) {
        let is_reset = matches!(doubt, Doubt::DeviceReset);
        if is_reset {
            self.counter = None;
        }
        if is_reset || !matches!(self.trust, Trust::Unknown(_)) {
            self.trust = Trust::Unknown(doubt);
        }
    }

    /// The axis has been homed: where the counter shows `counter`, it is at `at`.
    ///
    /// After [`Command::HomeOnCurrentPosition`] the counter shows zero. The axis need not be there any more, as when
    /// `counter` is a probed position, but must not have gone half a round of the counter since.
    pub const fn homed_at(&mut self, counter: Position, at: UnwrappedPosition) {
        self.set(counter, at, Trust::Homed);
    }

    /// Somebody says that the axis is at `at` where the counter shows `counter`: from a store, a mark or an encoder, or
    /// because it does not matter.
    pub const fn assume(&mut self, counter: Position, at: UnwrappedPosition) {
        self.set(counter, at, Trust::Told);
    }

    const fn set(&mut self, counter: Position, at: UnwrappedPosition, trust: Trust) {
        self.counter = Some(Place::new(&self.shape, counter, at).counter());
        self.count = at;
        self.trust = trust;
        self.tellings = self.tellings.wrapping_add(1);
    }

    /// Changes with every reading that was taken in.
    pub(super) const fn readings(&self) -> u32 {
        self.readings
    }

    /// Changes whenever somebody says where the axis is.
    pub(super) const fn tellings(&self) -> u32 {
        self.tellings
    }

    /// Whether a command may be sent now.
    ///
    /// While the position is unknown, absolute moves are refused, and relative ones too: where one ends cannot be held
    /// against any limit, and a device that has started anew is at another microstep resolution, at which the same
    /// distance is another way. Velocity runs, searches for a switch, stops, homing on the spot, readings and
    /// settings stay allowed, or nothing could be homed; a homing method that creeps by a distance knows that it does,
    /// and need not ask. A [`Guard`](super::Guard) is stricter: it refuses every motion until it is told otherwise.
    ///
    /// # Errors
    /// [`PositionUnknown`] if not; nothing was sent.
    pub const fn allow(&self, command: &Command) -> Result<(), PositionUnknown> {
        match (command, self.trust) {
            (
                Command::MoveAbsolute { .. }
                | Command::MoveRelative { .. }
                | Command::ReturnToZero
                | Command::ReturnToProbedPosition,
                Trust::Unknown(doubt),
            ) => Err(PositionUnknown { doubt }),
            _ => Ok(()),
        }
    }
}

impl fmt::Display for UpdateError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotOfCounter(error) => write!(f, "the counter cannot show this: {error}"),
            Self::Ambiguous { elapsed, longest } => {
                write!(f, "the counter went unread for {elapsed:?} and may have gone round, {longest:?} is the longest")
            }
            Self::ImpossibleMotion { moved, farthest } => {
                write!(f, "the counter has changed by {moved} microsteps, and the motor can turn by {farthest} at most")
            }
        }
    }
}

impl core::error::Error for UpdateError {
    fn source(&self) -> Option<&(dyn core::error::Error + 'static)> {
        match self {
            Self::NotOfCounter(error) => Some(error),
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests;
