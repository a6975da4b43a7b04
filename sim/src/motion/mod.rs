//! Turns motion commands with their limits into a step counter that can be asked at any instant.
//!
//! ```text
//! limits, command  ->  legs (closed form)  ->  Engine  ->  position, velocity, phase, steps
//! ```
//!
//! Between two commands the ideal motion is a handful of quadratics in time, so everything here is computed
//! from closed forms: the cost of a move or of a question does not grow with the length of the move.
//!
//! What holds throughout:
//!
//! * **A leg** is motion in one direction. A reversal goes through standstill and so makes two legs.
//! * **A step** to count n happens at the instant at which the ideal motion reaches n. The position counter is
//!   the number of steps, signed by their direction; a fraction of a microstep that is left at standstill is
//!   dropped, and the next leg begins on the whole count.
//! * **Start-stop velocity**: below it the velocity follows without a ramp. A leg from rest jumps up to it in its
//!   first instant, and a leg that ends drops it in its last. It is never above the cruise velocity.
//! * **Instants** are whole nanoseconds of virtual time outside; inside a leg they are seconds since its beginning.
//!   Where an instant falls between two nanoseconds, the later one is told.
//!
//! [`profile`] and [`mod@line`] know no microsteps: they reckon in any unit of length. Nothing here knows registers,
//! counters that wrap, switches or motors, and nothing keeps time: `now` is always an argument.

use core::fmt;
use core::ops::RangeInclusive;

mod engine;
mod leg;
pub mod line;
pub mod profile;
#[cfg(test)]
mod tests;

pub use engine::{Engine, Step, Steps};

use profile::Ramp;

/// What the ramp generator is doing: the motion state.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Phase {
    /// No motion is commanded.
    #[default]
    Standstill,
    /// The speed grows, in either direction.
    Accelerating,
    /// The speed stays as it is.
    ConstantVelocity,
    /// The speed falls, to a lower one or to standstill.
    Decelerating,
}

/// How a stop slows down.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum StopRamp {
    /// With the deceleration of moves.
    Profile,
    /// With the quick stop deceleration.
    Quick,
    /// Not at all: steps cease at once.
    None,
}

/// Way in which a leg goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Direction {
    /// The position counts up.
    Positive,
    /// The position counts down.
    Negative,
}

impl Direction {
    /// Direction of a signed velocity or distance; zero counts as positive.
    pub(crate) fn of(signed: f64) -> Self {
        if signed < 0.0 {
            Self::Negative
        } else {
            Self::Positive
        }
    }

    /// +1 or −1: what one step adds to the position.
    #[must_use]
    pub const fn sign(self) -> i64 {
        match self {
            Self::Positive => 1,
            Self::Negative => -1,
        }
    }

    /// `magnitude` with the sign of this direction.
    pub(crate) fn signed(self, magnitude: f64) -> f64 {
        match self {
            Self::Positive => magnitude,
            Self::Negative => -magnitude,
        }
    }
}

/// Limits of the motion of one axis, in microsteps and seconds. All are magnitudes.
///
/// Velocities go from 10⁻⁶ to 10⁹ microsteps/s (at 10⁹ steps come every nanosecond, the resolution of virtual time),
/// accelerations from 10⁻⁶ to 10¹⁵ microsteps/s².
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limits {
    /// Cruise velocity of moves to a target, in microsteps/s.
    pub velocity: f64,
    /// Slope of rising speed, in microsteps/s².
    pub acceleration: f64,
    /// Slope of falling speed, in microsteps/s².
    pub deceleration: f64,
    /// Slope of falling speed in a quick stop, in microsteps/s².
    pub quick_deceleration: f64,
    /// Velocity taken up or dropped without a ramp, in microsteps/s; zero for none. What exceeds the cruise
    /// velocity has no effect.
    pub start_stop_velocity: f64,
}

impl Limits {
    /// The limits without the quick stop, as [`profile`] takes them.
    #[must_use]
    pub fn ramp(&self) -> Ramp {
        Ramp {
            velocity: self.velocity,
            acceleration: self.acceleration,
            deceleration: self.deceleration,
            start_velocity: self.start_stop_velocity,
        }
    }

    /// Checks every limit against its range.
    ///
    /// # Errors
    /// [`OutOfRange`] names the first limit that is outside, with its value and range; a value that is not a
    /// number is outside.
    pub fn check(&self) -> Result<(), OutOfRange> {
        self.ramp().check()?;
        within("quick deceleration", self.quick_deceleration, ACCELERATIONS)
    }
}

/// A number that motion cannot be computed with.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OutOfRange {
    /// What the number means, in the words of the vocabulary.
    pub what: &'static str,
    /// The number as it was given.
    pub value: f64,
    /// Least usable value, in the unit of the value.
    pub min: f64,
    /// Greatest usable value, in the unit of the value.
    pub max: f64,
}

impl fmt::Display for OutOfRange {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self {
            what,
            value,
            min,
            max,
        } = self;
        write!(f, "{what} {value} is outside {min}..={max}")
    }
}

impl core::error::Error for OutOfRange {}

const VELOCITIES: RangeInclusive<f64> = 1e-6..=1e9;
const ACCELERATIONS: RangeInclusive<f64> = 1e-6..=1e15;

/// Greatest distance of one move, 2⁵³ − 1: up to it an `f64` holds every whole count, and no greater count rounds to it.
const GREATEST_DISTANCE: f64 = 9_007_199_254_740_991.0;

fn within(what: &'static str, value: f64, range: RangeInclusive<f64>) -> Result<(), OutOfRange> {
    if range.contains(&value) {
        return Ok(());
    }
    let (min, max) = range.into_inner();
    Err(OutOfRange {
        what,
        value,
        min,
        max,
    })
}
