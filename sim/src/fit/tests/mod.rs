//! Fits against the simulated motor, against a closed form, and against what cannot be told.

mod coverage;
mod refusals;

use crate::bench::Source;
use crate::dice::Dice;
use crate::motor::{self, MotorFile};

fn demo() -> MotorFile {
    let text = include_str!("../../../../examples/motors/demo.toml");
    motor::parse(&Source { file: "demo.toml", text }).unwrap()
}

/// A draw from the normal distribution with deviation 1 (Box and Muller).
fn normal(dice: &mut Dice) -> f64 {
    let radius = libm::sqrt(-2.0 * libm::log(1.0 - dice.share()));
    radius * libm::cos(core::f64::consts::TAU * dice.share())
}
