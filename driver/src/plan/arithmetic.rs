//! The closed forms of motion with constant acceleration, in integers.
//!
//! Reckons in the bits of the unit types, so that nothing is rounded on the way in: V is a speed in 2⁻¹² steps/s, A an
//! acceleration in 2⁻⁸ steps/s², R the microsteps in a full step. Hence the powers of two:
//!
//! ```text
//!   time      (V − S) / (16 · A)              seconds      v = v₀ + a t
//!   length    (V² − S²) · R / (2¹⁷ · A)       microsteps   v² − v₀² = 2 a s
//!   speed     S + 16 · A · t                  bits
//!   way       (2 · S + 16 · A · t) · R · t / 2¹³           s = v₀ t + a t² / 2
//! ```
//!
//! Three units are made finer than the types: speeds to 2⁻³² of a bit ("fine"), lengths to 2⁻³² microstep, times to
//! picoseconds. A picosecond is what the fastest speed that the types hold needs: 3.4 · 10¹⁰ microsteps/s go a
//! thirtieth of a microstep in it. The products need up to 127 bits, which is said at each; quotients are taken by
//! `checked_div`, so that nothing here panics. Knows no move.

/// Picoseconds in a second.
pub(super) const PS_PER_S: u128 = 1_000_000_000_000;
/// Nanoseconds in a second.
pub(super) const NS_PER_S: u128 = 1_000_000_000;
/// Picoseconds in a nanosecond.
pub(super) const PS_PER_NS: u128 = 1_000;
/// 10¹² is 2¹² times this.
const FIVE_TO_12: u128 = 244_140_625;

/// `numerator / denominator`, to nearest; zero for a denominator of zero.
pub(super) const fn nearest(numerator: u128, denominator: u128) -> u128 {
    match numerator.saturating_add(denominator >> 1).checked_div(denominator) {
        Some(quotient) => quotient,
        None => 0,
    }
}

/// `numerator / denominator`, rounded up; zero for a denominator of zero.
pub(super) const fn up(numerator: u128, denominator: u128) -> u128 {
    match (numerator.checked_div(denominator), numerator.checked_rem(denominator)) {
        (Some(quotient), Some(0)) => quotient,
        (Some(quotient), _) => quotient.saturating_add(1),
        (None, _) => 0,
    }
}

/// Picoseconds in which the speed changes by `change` (fine) at `acceleration`.
///
/// 63 + 36 bits.
pub(super) const fn ramp_time(change: u64, acceleration: u32) -> u128 {
    nearest(change as u128 * (PS_PER_S >> 4), (acceleration as u128) << 32)
}

/// Length between the speeds `low` and `high` (bits) at `acceleration`, in 2⁻³² microstep.
///
/// 62 + 16 + 15 bits.
pub(super) const fn ramp_length(low: u32, high: u32, acceleration: u32, resolution: u16) -> u128 {
    let gain = high.saturating_sub(low) as u64 * (high as u64 + low as u64);
    nearest((gain as u128 * resolution as u128) << 15, acceleration as u128)
}

/// Picoseconds that `length` (2⁻³² microstep) takes at the speed `velocity` (bits).
///
/// 64 + 28 bits.
pub(super) const fn cruise_time(length: u64, velocity: u32, resolution: u16) -> u128 {
    nearest(length as u128 * FIVE_TO_12, (velocity as u128 * resolution as u128) << 8)
}

/// Length gone in `time` (ps) at the speed `velocity` (bits), in 2⁻³² microstep, rounded down.
///
/// At most 85 bits for a length that a distance holds, 127 bits at worst.
pub(super) const fn cruise_length(time: u128, velocity: u32, resolution: u16) -> u128 {
    match (velocity as u128 * resolution as u128).checked_mul(time) {
        Some(product) => (product / FIVE_TO_12).saturating_mul(1 << 8),
        None => u128::MAX,
    }
}

/// Way gone in `time` (ps) while the speed rises from `start` (bits) at `acceleration`, in 2⁻³² microstep.
///
/// Rounded up if `is_up`, otherwise down. At most 124 bits for a way that a distance holds; what needs more is longer
/// than any distance, and is told as the greatest number there is.
pub(super) const fn ramp_way(time: u128, start: u32, acceleration: u32, resolution: u16, is_up: bool) -> u128 {
    let Some(gained) = time.checked_mul((acceleration as u128) << 4) else {
        return u128::MAX;
    };
    let Some(ends) = gained.checked_add(start as u128 * 2 * PS_PER_S) else {
        return u128::MAX;
    };
    let Some(per_time) = ends.checked_mul(resolution as u128) else {
        return u128::MAX;
    };
    let Some(product) = per_time.checked_mul(time) else {
        return u128::MAX;
    };
    // 2¹³ · 10²⁴ / 2³² is 2⁵ · 5²⁴.
    let divisor = (FIVE_TO_12 * FIVE_TO_12) << 5;
    if is_up { up(product, divisor) } else { product / divisor }
}

/// Speed after `time` (ps) of rising from `start` (bits) at `acceleration`, in bits, to nearest.
pub(super) const fn ramp_speed(time: u128, start: u32, acceleration: u32) -> u128 {
    match time.checked_mul((acceleration as u128) << 4) {
        Some(gained) => nearest(gained, PS_PER_S).saturating_add(start as u128),
        None => u128::MAX,
    }
}

/// The fine speed at which a move of `distance` microsteps, from `start` (bits) and back to it, has to turn from
/// speeding up to slowing down; `None` if it would be at or above `cruise` (bits), which the move then reaches.
///
/// P² = S² + 2¹⁷ D A B / (R (A + B)), where S² ≤ P² < V² < 2⁶². Two divisions and a square root of 126 bits.
pub(super) const fn turning_speed(
    distance: u32,
    start: u32,
    cruise: u32,
    acceleration: u32,
    deceleration: u32,
    resolution: u16,
) -> Option<u64> {
    // 31 + 64 + 17 bits.
    let way = (distance as u128 * (acceleration as u64 * deceleration as u64) as u128) << 17;
    let slopes = resolution as u128 * (acceleration as u128 + deceleration as u128);
    let gain = cruise.saturating_sub(start) as u64 * (cruise as u64 + start as u64);
    // 62 + 16 + 33 bits.
    if way >= slopes * gain as u128 {
        return None;
    }
    // 64 bits of fraction; the whole part is below 2⁶², the rest below 2⁴⁹.
    let (Some(whole), Some(rest)) = (way.checked_div(slopes), way.checked_rem(slopes)) else {
        return None;
    };
    let square = (((start as u64 * start as u64) as u128 + whole) << 64) + nearest(rest << 64, slopes);
    Some(square.isqrt() as u64)
}

/// The share of `distance` microsteps, all ramp, in which the speed rises, in 2⁻³² microstep: D · B / (A + B).
///
/// 31 + 32 + 32 bits.
pub(super) const fn rising_share(distance: u32, acceleration: u32, deceleration: u32) -> u64 {
    nearest((distance as u128 * deceleration as u128) << 32, acceleration as u128 + deceleration as u128) as u64
}
