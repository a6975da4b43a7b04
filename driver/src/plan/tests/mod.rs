//! Predictions against closed forms in floating point, which the code under test does not use.

extern crate std;

use core::time::Duration;

use crate::map::{Layout, RegisterMap};
use crate::reference::{FixedWord, Latched};
use crate::units::{Acceleration, Distance, MicrostepResolution, Velocity};

use super::*;

mod changes;
mod ideal;
mod line;
mod moves;
mod oracle;
mod quantised;

static LATCHED: Layout = Latched::LAYOUT;
static FIXED_WORD: Layout = FixedWord::LAYOUT;

/// Full steps/s, full steps/s² twice, full steps/s, microsteps in a full step.
fn ramp(velocity: i32, acceleration: i32, deceleration: i32, start_stop: i32, resolution: u16) -> Ramp {
    Ramp {
        velocity: Velocity::from_steps_per_s(velocity).unwrap(),
        acceleration: Acceleration::from_steps_per_s2(acceleration).unwrap(),
        deceleration: Acceleration::from_steps_per_s2(deceleration).unwrap(),
        start_stop_velocity: Velocity::from_steps_per_s(start_stop).unwrap(),
        resolution: MicrostepResolution::from_microsteps_per_step(resolution),
    }
}

fn microsteps(count: i32) -> Distance {
    Distance::from_microsteps(count)
}

/// Less than 2 ns and 2⁻³⁰ of the duration, as is documented.
fn assert_near(found: Duration, expected_s: f64, case: &dyn core::fmt::Debug) {
    let off = (found.as_secs_f64() - expected_s).abs();
    assert!(
        off <= 2e-9 + expected_s / f64::from(1 << 30),
        "{} s, by the closed form {expected_s} s: {case:?}",
        found.as_secs_f64()
    );
}
