//! How far a motor can turn in a time, and for how long a counter may go unread.

use core::time::Duration;

use crate::map::{PositionCounter, WrapAround};
use crate::units::{MicrostepResolution, Velocity};

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

    proptest! {
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
