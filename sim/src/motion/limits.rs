//! What a command says beside its goal: the limits of the axis and the way of stopping, in microsteps.

use super::profile::Ramp;
use super::terms::{ACCELERATIONS, OutOfRange, within};

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
    /// The limits without the quick stop, as [`profile`](super::profile) takes them.
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
