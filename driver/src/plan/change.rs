//! From one velocity to another: limits and two velocities in, time and way out.

use core::time::Duration;

use crate::map::Parameter;
use crate::units::{Acceleration, Distance, MicrostepResolution, Velocity};

use super::arithmetic::{ramp_length, ramp_time, up};
use super::error::PlanError;
use super::moves::{duration, least};
use super::ramp::{Ramp, scale_bits, slope_bits, speed_bits};

/// A planned change from one velocity to another, through standstill where the sign changes.
///
/// Below the start-stop velocity the speed needs no ramp to rise or to stop: it is jumped up to, as far as the new
/// velocity goes, and dropped at once on the way to standstill.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct VelocityChange {
    picoseconds: u128,
    distance: Distance,
}

impl VelocityChange {
    /// Plans the change. The ramp's own velocity has no say: `to` takes its place.
    ///
    /// # Errors
    /// [`PlanError::Standstill`] for a slope or a resolution of zero, [`PlanError::Negative`] for a negative start-stop
    /// velocity, [`PlanError::TooLong`] for a way that no distance holds.
    pub const fn new(from: Velocity, to: Velocity, ramp: Ramp) -> Result<Self, PlanError> {
        let rising = ok!(slope_bits(ramp.acceleration, Parameter::ProfileAcceleration));
        let falling = ok!(slope_bits(ramp.deceleration, Parameter::ProfileDeceleration));
        let jump = ok!(speed_bits(ramp.start_stop_velocity, Parameter::StartStopVelocity));
        let resolution = ok!(scale_bits(ramp.resolution));
        let (first, last) = (from.to_bits(), to.to_bits());
        let turns = first < 0 && last > 0 || first > 0 && last < 0;
        let (speed, goal) = (first.unsigned_abs() as u32, last.unsigned_abs() as u32);
        // What a leg to standstill drops at its end, what a leg to a velocity takes up at its beginning.
        let down = if turns || goal == 0 { Part::between(speed, jump, falling, resolution) } else { Part::NONE };
        let begins = if turns { 0 } else { speed };
        let along = if goal == 0 {
            Part::NONE
        } else if begins < goal {
            let jumped = if jump < goal { jump } else { goal };
            Part::between(goal, if begins > jumped { begins } else { jumped }, rising, resolution)
        } else {
            Part::between(begins, goal, falling, resolution)
        };
        let (forth, back) = if turns { (down.length, along.length) } else { (down.length + along.length, 0) };
        let is_negative = if turns || last == 0 { first < 0 } else { last < 0 };
        let distance = if forth >= back {
            signed_length(to_whole(forth - back), is_negative)
        } else {
            signed_length(to_whole(back - forth), !is_negative)
        };
        Ok(Self { picoseconds: down.time + along.time, distance: ok!(distance) })
    }

    /// How long the change takes, rounded up to whole nanoseconds: off from the exact closed form by less than 2 ns.
    #[must_use]
    pub const fn duration(&self) -> Duration {
        duration(self.picoseconds)
    }

    /// The way from the first instant of the change to the last, signed, to the nearest microstep.
    #[must_use]
    pub const fn distance(&self) -> Distance {
        self.distance
    }
}

/// How far a motor at `velocity` still goes once it slows down with `deceleration` to `start_stop_velocity` and drops
/// that: microsteps, with the sign of the velocity, rounded up to the distance that suffices.
///
/// ```
/// use stepchain::plan::braking_distance;
/// use stepchain::units::{Acceleration, MicrostepResolution, Velocity};
///
/// let velocity = Velocity::from_steps_per_s(-1000)?;
/// let resolution = MicrostepResolution::from_microsteps_per_step(16);
/// let way = braking_distance(velocity, Acceleration::from_steps_per_s2(500)?, Velocity::ZERO, resolution)?;
/// assert_eq!(way.to_microsteps(), -16_000); // 1000² / (2 · 500) full steps
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// [`PlanError::Standstill`] for a deceleration or a resolution of zero, [`PlanError::Negative`] for a negative
/// start-stop velocity, [`PlanError::TooLong`] for a way that no distance holds.
pub const fn braking_distance(
    velocity: Velocity,
    deceleration: Acceleration,
    start_stop_velocity: Velocity,
    resolution: MicrostepResolution,
) -> Result<Distance, PlanError> {
    let slope = ok!(slope_bits(deceleration, Parameter::ProfileDeceleration));
    let jump = ok!(speed_bits(start_stop_velocity, Parameter::StartStopVelocity));
    let scale = ok!(scale_bits(resolution));
    let way = Part::between(velocity.to_bits().unsigned_abs() as u32, jump, slope, scale);
    signed_length(up(way.length, 1 << 32), velocity.to_bits() < 0)
}

/// A stretch of rising or falling speed: its picoseconds, and its length in 2⁻³² microstep.
struct Part {
    time: u128,
    length: u128,
}

impl Part {
    const NONE: Self = Self { time: 0, length: 0 };

    /// Between two speeds; none if there is nothing between `high` and `low`.
    const fn between(high: u32, low: u32, slope: u32, resolution: u16) -> Self {
        let change = (high.saturating_sub(low) as u64) << 32;
        Self { time: ramp_time(change, slope), length: ramp_length(low, high, slope, resolution) }
    }
}

const fn to_whole(length: u128) -> u128 {
    (length + (1 << 31)) >> 32
}

/// The distance of this many microsteps.
///
/// # Errors
/// [`PlanError::TooLong`] if it does not hold them.
const fn signed_length(microsteps: u128, is_negative: bool) -> Result<Distance, PlanError> {
    if microsteps > i32::MAX as u128 {
        return Err(PlanError::TooLong { microsteps: least(microsteps, u64::MAX) });
    }
    Ok(Distance::from_microsteps(if is_negative { -(microsteps as i32) } else { microsteps as i32 }))
}
