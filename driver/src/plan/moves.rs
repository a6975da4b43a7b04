//! One move from rest to rest: limits and a distance in, when it will be where out.

use core::time::Duration;

use crate::map::MotionState;
use crate::units::{Distance, Velocity};

use super::arithmetic::{
    NS_PER_S, PS_PER_NS, cruise_length, cruise_time, nearest, ramp_length, ramp_speed, ramp_time, ramp_way,
    rising_share, turning_speed, up,
};
use super::error::PlanError;
use super::ramp::{Bits, Ramp};

/// A planned move from rest to rest: speeds up, cruises, slows down; without a cruise when it is short.
///
/// The velocity jumps from zero to the start-stop velocity in the first instant, and back in the last; a start-stop
/// velocity above the cruising speed counts as that speed. A step to count n happens when the ideal position reaches
/// n, so the last step is the end of the move.
///
/// Planning costs at most one square root of 126 bits and seven divisions of 128 by 128 bits, a question two or three
/// such divisions; no loop grows with the move.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Move {
    /// Microsteps, without a sign.
    length: u32,
    is_negative: bool,
    /// The limits, with a start-stop velocity that is not above the velocity.
    limits: Bits,
    /// In 2⁻⁴⁴ steps/s.
    peak: u64,
    /// Lengths of the two ramps, in 2⁻³² microstep.
    rise: u64,
    fall: u64,
    /// Ends of the three phases, in picoseconds since the start.
    rise_ends: u128,
    cruise_ends: u128,
    ends: u128,
}

impl Move {
    /// The move that goes nowhere and takes no time.
    pub(super) const NONE: Self = Self {
        length: 0,
        is_negative: false,
        limits: Bits { velocity: 0, acceleration: 0, deceleration: 0, start_stop: 0, resolution: 0 },
        peak: 0,
        rise: 0,
        fall: 0,
        rise_ends: 0,
        cruise_ends: 0,
        ends: 0,
    };

    /// Plans the move by `distance`, as fast as the limits allow. A distance of zero takes no time, whatever the limits.
    ///
    /// For what a device will do, give the limits that its codes mean: [`Ramp::quantised`].
    ///
    /// # Errors
    /// [`PlanError::Standstill`] if a limit other than the start-stop velocity is zero, [`PlanError::Negative`] if a
    /// velocity is negative.
    pub const fn new(ramp: Ramp, distance: Distance) -> Result<Self, PlanError> {
        let is_negative = distance.to_microsteps() < 0;
        let length = distance.to_microsteps().unsigned_abs();
        if length == 0 {
            return Ok(Self::NONE);
        }
        let mut limits = match ramp.bits() {
            Ok(limits) => limits,
            Err(error) => return Err(error),
        };
        if limits.start_stop > limits.velocity {
            limits.start_stop = limits.velocity;
        }
        let Bits { velocity, acceleration, deceleration, start_stop, resolution } = limits;
        let turning = turning_speed(length, start_stop, velocity, acceleration, deceleration, resolution);
        let whole = (length as u64) << 32;
        let (peak, rise, fall) = match turning {
            Some(peak) => {
                let rise = rising_share(length, acceleration, deceleration);
                (peak, rise, whole.saturating_sub(rise))
            }
            None => {
                // Both ramps fit, so neither needs more than 64 bits; what rounding gives them beyond, the cut takes.
                let rise = least(ramp_length(start_stop, velocity, acceleration, resolution), whole);
                let fall = least(ramp_length(start_stop, velocity, deceleration, resolution), whole - rise);
                ((velocity as u64) << 32, rise, fall)
            }
        };
        let change = peak.saturating_sub((start_stop as u64) << 32);
        let cruise = whole.saturating_sub(rise).saturating_sub(fall);
        let rise_ends = ramp_time(change, acceleration);
        let cruise_ends = rise_ends + cruise_time(cruise, velocity, resolution);
        let ends = cruise_ends + ramp_time(change, deceleration);
        Ok(Self { length, is_negative, limits, peak, rise, fall, rise_ends, cruise_ends, ends })
    }

    /// How long the move takes: until the first whole nanosecond at which it is over.
    ///
    /// Off from the exact closed form by less than 2 ns and 2⁻³⁰ of itself.
    #[must_use]
    pub const fn duration(&self) -> Duration {
        duration(self.ends)
    }

    /// How long the speed rises. The three phases add up to [`duration`](Self::duration).
    #[must_use]
    pub const fn accelerate_duration(&self) -> Duration {
        duration(self.rise_ends)
    }

    /// How long the speed is kept.
    #[must_use]
    pub const fn cruise_duration(&self) -> Duration {
        between(self.rise_ends, self.cruise_ends)
    }

    /// How long the speed falls.
    #[must_use]
    pub const fn decelerate_duration(&self) -> Duration {
        between(self.cruise_ends, self.ends)
    }

    /// The distance of the move.
    #[must_use]
    pub const fn distance(&self) -> Distance {
        self.signed_distance(self.length)
    }

    /// The greatest velocity of the move, with the sign of its distance; the profile velocity if there is a cruise.
    #[must_use]
    pub const fn peak_velocity(&self) -> Velocity {
        self.signed_velocity(self.peak_bits())
    }

    /// The way from the first instant of slowing down to the end, with the sign of the distance, rounded up.
    #[must_use]
    pub const fn braking_distance(&self) -> Distance {
        self.signed_distance(up(self.fall as u128, 1 << 32) as u32)
    }

    /// The steps made by the time `at` after the start: microsteps, with the sign of the distance.
    ///
    /// Within one microstep of the exact closed form: only a step that falls within some picoseconds of `at` may be told
    /// too early or too late.
    #[must_use]
    pub const fn position_at(&self, at: Duration) -> Distance {
        self.signed_distance(self.steps_at(at))
    }

    /// The steps that are still to be made at the time `at` after the start, with the sign of the distance.
    #[must_use]
    pub const fn remaining_at(&self, at: Duration) -> Distance {
        self.signed_distance(self.length.saturating_sub(self.steps_at(at)))
    }

    /// The velocity at the time `at` after the start, with the sign of the distance, to the nearest bit.
    ///
    /// Where it jumps, the velocity after the jump: zero from the end on.
    #[must_use]
    pub const fn velocity_at(&self, at: Duration) -> Velocity {
        let at = picoseconds(at);
        let Bits { acceleration, deceleration, start_stop, .. } = self.limits;
        let peak = self.peak_bits();
        let bits = match self.state(at) {
            MotionState::Standstill => 0,
            MotionState::Accelerating => least(ramp_speed(at, start_stop, acceleration), peak as u64) as u32,
            MotionState::ConstantVelocity => peak,
            MotionState::Decelerating => {
                least(ramp_speed(self.ends - at, start_stop, deceleration), peak as u64) as u32
            }
        };
        self.signed_velocity(bits)
    }

    /// What the ramp generator does at the time `at` after the start; standstill from the end on.
    #[must_use]
    pub const fn state_at(&self, at: Duration) -> MotionState {
        self.state(picoseconds(at))
    }

    const fn state(&self, at: u128) -> MotionState {
        if at >= self.ends {
            MotionState::Standstill
        } else if at >= self.cruise_ends {
            MotionState::Decelerating
        } else if at >= self.rise_ends {
            MotionState::ConstantVelocity
        } else {
            MotionState::Accelerating
        }
    }

    /// The whole microsteps gone. Each phase keeps to its own share of the length, so that the count never falls where
    /// phases with rounded ends meet.
    const fn steps_at(&self, at: Duration) -> u32 {
        let at = picoseconds(at);
        let Bits { velocity, acceleration, deceleration, start_stop, resolution } = self.limits;
        let whole = (self.length as u64) << 32;
        let gone = match self.state(at) {
            MotionState::Standstill => whole,
            MotionState::Accelerating => least(ramp_way(at, start_stop, acceleration, resolution, false), self.rise),
            MotionState::ConstantVelocity => {
                let cruised = cruise_length(at - self.rise_ends, velocity, resolution);
                least(cruised.saturating_add(self.rise as u128), whole - self.fall)
            }
            MotionState::Decelerating => {
                whole - least(ramp_way(self.ends - at, start_stop, deceleration, resolution, true), self.fall)
            }
        };
        (gone >> 32) as u32
    }

    const fn peak_bits(&self) -> u32 {
        nearest(self.peak as u128, 1 << 32) as u32
    }

    const fn signed_distance(&self, microsteps: u32) -> Distance {
        let microsteps = if self.is_negative { -(microsteps as i64) } else { microsteps as i64 };
        // Not more than the distance, which has this sign.
        Distance::from_microsteps(microsteps as i32)
    }

    const fn signed_velocity(&self, bits: u32) -> Velocity {
        match Velocity::from_bits(if self.is_negative { -(bits as i64) } else { bits as i64 }) {
            Ok(velocity) => velocity,
            // Not above the cruising speed, which the type holds.
            Err(_) => Velocity::ZERO,
        }
    }
}

/// The time of this many picoseconds, rounded up to whole nanoseconds.
pub(super) const fn duration(picoseconds: u128) -> Duration {
    of_nanoseconds(up(picoseconds, PS_PER_NS))
}

/// The time of this many nanoseconds. The sums and differences of [`Duration`] keep a panic in the image, even those
/// that saturate; so does [`Duration::new`] unless it can be seen that no second is carried.
pub(super) const fn of_nanoseconds(nanoseconds: u128) -> Duration {
    Duration::new((nanoseconds / NS_PER_S) as u64, (nanoseconds % NS_PER_S) as u32 % NS_PER_S as u32)
}

/// The time between two ends of phases, each rounded up to whole nanoseconds.
const fn between(begins: u128, ends: u128) -> Duration {
    of_nanoseconds(up(ends, PS_PER_NS).saturating_sub(up(begins, PS_PER_NS)))
}

const fn picoseconds(duration: Duration) -> u128 {
    duration.as_nanos() * PS_PER_NS
}

/// The smaller of the two.
pub(super) const fn least(a: u128, b: u64) -> u64 {
    if a < b as u128 { a as u64 } else { b }
}
