//! How far a motor can turn in a time, for how long a counter may go unread, and how far a motor goes on while braking.

use core::time::Duration;

use crate::map::{PositionCounter, WrapAround};
use crate::units::{Acceleration, Distance, MicrostepResolution, Velocity};

/// Fixed-point bits of a velocity times nanoseconds, for one full step.
const STEP: u128 = 1_000_000_000 << Velocity::UNIT.fraction_bits();

/// The most microsteps that a counter can have changed by within `elapsed` at speeds up to `fastest`, either way.
///
/// That is speed · resolution · time, rounded up: a counter shows whole microsteps of a place that lies between them.
/// Saturates at the greatest `u64`.
#[must_use]
pub const fn farthest(fastest: Velocity, resolution: MicrostepResolution, elapsed: Duration) -> u64 {
    match bits_per_second(fastest, resolution).checked_mul(elapsed.as_nanos()) {
        Some(product) if product.div_ceil(STEP) <= u64::MAX as u128 => product.div_ceil(STEP) as u64,
        _ => u64::MAX,
    }
}

/// The longest time between two reads of `counter` from which it can be unwrapped at speeds up to `fastest`.
///
/// In it the motor makes one microstep less than half the counter's range, so that the counter's shorter way round is
/// the way that the motor went. `None`: as long as one likes, for the counter does not wrap or the motor does not turn.
/// Never more than 584 years.
#[must_use]
pub const fn longest_gap(
    counter: &PositionCounter,
    fastest: Velocity,
    resolution: MicrostepResolution,
) -> Option<Duration> {
    if matches!(counter.wrap_around, WrapAround::Refuses) {
        return None;
    }
    let Some(nanoseconds) = (half_range(counter) as u128 * STEP).checked_div(bits_per_second(fastest, resolution))
    else {
        return None;
    };
    Some(of_nanoseconds(nanoseconds))
}

/// How far the motor goes on while it slows from `velocity` to a stand, signed as the velocity and rounded away from
/// zero: s = v²/(2a), the textbook's motion at constant deceleration.
///
/// `None` without a deceleration, or beyond ±2³¹ microsteps.
#[must_use]
pub const fn braking_distance(
    velocity: Velocity,
    deceleration: Acceleration,
    resolution: MicrostepResolution,
) -> Option<Distance> {
    let speed = velocity.to_bits().unsigned_abs() as u128;
    let slope = deceleration.to_bits().unsigned_abs() as u128;
    // At most 2^31 · 2^31 · 2^16. The square has twice the velocity's fraction bits, of which the slope takes its own.
    let product = speed * speed * resolution.to_microsteps_per_step() as u128;
    let divisor = slope << (2 * Velocity::UNIT.fraction_bits() - Acceleration::UNIT.fraction_bits() + 1);
    let (Some(below), Some(rest)) = (product.checked_div(divisor), product.checked_rem(divisor)) else {
        return None;
    };
    let microsteps = if rest > 0 { below + 1 } else { below };
    if microsteps > i32::MAX as u128 {
        return None;
    }
    let microsteps = microsteps as i32;
    Some(Distance::from_microsteps(if velocity.to_bits() < 0 { -microsteps } else { microsteps }))
}

/// So many nanoseconds; 584 years at most, as many as a `u64` has. Sums and differences of [`Duration`] itself may
/// leave a panic in the image.
pub(super) const fn of_nanoseconds(count: u128) -> Duration {
    Duration::from_nanos(if count > u64::MAX as u128 { u64::MAX } else { count as u64 })
}

/// The most microsteps that a wrapping counter can change by and still tell the direction.
pub(super) const fn half_range(counter: &PositionCounter) -> u64 {
    let (_, max) = counter.range();
    max.unsigned_abs()
}

const fn bits_per_second(fastest: Velocity, resolution: MicrostepResolution) -> u128 {
    fastest.to_bits().unsigned_abs() as u128 * resolution.to_microsteps_per_step() as u128
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const RESOLUTION: MicrostepResolution = MicrostepResolution::from_microsteps_per_step(128);

    /// By hand: 1000 steps/s are 128 000 microsteps/s. Half of 2²² is 2 097 152; one less takes 16.383 992 s.
    #[test]
    fn a_counter_of_22_bits_at_a_thousand_steps_a_second_is_read_at_least_every_16_seconds() {
        let counter = PositionCounter::new(22, &[128]);
        let fastest = Velocity::from_steps_per_s(-1000).unwrap();
        let gap = longest_gap(&counter, fastest, RESOLUTION).unwrap();
        assert_eq!(gap, Duration::from_nanos(2_097_151 * 1_000_000_000 / 128_000));
        assert_eq!(farthest(fastest, RESOLUTION, gap), 2_097_151);
        assert_eq!(farthest(fastest, RESOLUTION, gap + Duration::from_nanos(1_000)), 2_097_152);
    }

    #[test]
    fn without_wraps_or_motion_a_counter_may_stay_unread() {
        let fastest = Velocity::from_steps_per_s(1000).unwrap();
        let ending = PositionCounter::new(22, &[128]).refuses_to_wrap();
        assert_eq!(longest_gap(&ending, fastest, RESOLUTION), None);
        assert_eq!(longest_gap(&PositionCounter::new(22, &[128]), Velocity::ZERO, RESOLUTION), None);
        assert_eq!(farthest(fastest, RESOLUTION, Duration::MAX), u64::MAX);
        assert_eq!(farthest(Velocity::ZERO, RESOLUTION, Duration::MAX), 0);
    }

    /// By hand: 500²/(2 · 1000) are 125 steps, 16 000 microsteps of 1/128.
    #[test]
    fn braking_takes_half_the_square_of_the_speed_over_the_deceleration() {
        let slope = Acceleration::from_steps_per_s2(1000).unwrap();
        let braking = |steps| braking_distance(Velocity::from_steps_per_s(steps).unwrap(), slope, RESOLUTION);
        assert_eq!(braking(500), Some(Distance::from_microsteps(16_000)));
        assert_eq!(braking(-500), Some(Distance::from_microsteps(-16_000)));
        assert_eq!(braking(0), Some(Distance::ZERO));
        assert_eq!(braking(524_287), None);
        assert_eq!(braking_distance(Velocity::ZERO, Acceleration::ZERO, RESOLUTION), None);
    }

    proptest! {
        /// Floats are the other way of calculating here; they are good to a part in 10¹⁵.
        #[test]
        fn the_braking_distance_is_that_of_the_textbook(
            speed in -2_000_000i32..=2_000_000, slope in 1_000i32..=i32::MAX, resolution in 1u16..=256,
        ) {
            let velocity = Velocity::from_milli_steps_per_s(speed).unwrap();
            let deceleration = Acceleration::from_milli_steps_per_s2(slope).unwrap();
            let v = velocity.to_bits() as f64 / 4096.0;
            let expected = v * v / (2.0 * deceleration.to_bits() as f64 / 256.0) * f64::from(resolution);
            let resolution = MicrostepResolution::from_microsteps_per_step(resolution);
            let found = f64::from(braking_distance(velocity, deceleration, resolution).unwrap().to_microsteps().abs());
            let slack = 1e-6;
            prop_assert!(found >= expected - slack && found < expected + 1.0 + slack, "{} for {}", found, expected);
        }

        #[test]
        fn in_the_longest_gap_no_motor_goes_beyond_half_the_range_and_in_one_longer_it_could(
            bits in 8u8..=32, speed in 1i32..=i32::MAX, resolution in 1u16..=256,
        ) {
            let counter = PositionCounter::new(bits, &[1]);
            let fastest = Velocity::from_bits(i64::from(speed)).unwrap();
            let resolution = MicrostepResolution::from_microsteps_per_step(resolution);
            let gap = longest_gap(&counter, fastest, resolution).unwrap();
            prop_assert!(farthest(fastest, resolution, gap) < 1 << (bits - 1));
            prop_assert!(farthest(fastest, resolution, gap + Duration::from_nanos(1)) >= (1 << (bits - 1)) - 1);
            let beyond = gap + Duration::from_nanos(1) + gap / 2;
            prop_assert!(farthest(fastest, resolution, beyond) >= 1 << (bits - 1));
        }
    }
}
