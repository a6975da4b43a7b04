//! Checks of the motion against published values, an independent planner and a naive reference.

mod bound;
mod commands;
mod field;
mod line;
mod naive;
mod planner;
mod published;
mod steps;
mod ticks;

use super::{Engine, Limits, Step};

/// Unlike slopes, so that a mix-up of the two shows.
const LIMITS: Limits = Limits {
    velocity: 1000.0,
    acceleration: 500.0,
    deceleration: 2000.0,
    quick_deceleration: 8000.0,
    start_stop_velocity: 0.0,
};

const S: u64 = 1_000_000_000;

fn all_steps(engine: &Engine, to_ns: u64) -> Vec<Step> {
    engine.steps(0, to_ns).collect()
}

#[track_caller]
fn assert_near(found: f64, expected: f64, relative: f64) {
    let allowed = relative * expected.abs().max(1e-300);
    assert!((found - expected).abs() <= allowed, "found {found}, expected {expected} within {allowed:e}");
}

/// SplitMix64 (Steele, Lea and Flood 2014, from memory): the same numbers on every machine.
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Uniform in 0..1.
    fn share(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Between the two, uniform in the logarithm.
    fn magnitude(&mut self, min: f64, max: f64) -> f64 {
        libm::exp(libm::log(min) + self.share() * (libm::log(max) - libm::log(min)))
    }

    fn sign(&mut self) -> f64 {
        if self.next() & 1 == 0 { 1.0 } else { -1.0 }
    }
}
