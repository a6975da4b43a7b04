//! One exact ratio between steps of the motor and a unit of travel, and every conversion that it makes.

use core::marker::PhantomData;

use crate::map::Way;
use crate::track::UnwrappedPosition;
use crate::units::{Acceleration, Distance, MicrostepResolution, OutOfRange, Unit, Velocity};

use super::travel::{OutOfTravel, PerSecond, PerSecondSquared, Travel, TravelUnit};

/// How many full steps of the motor make how much travel, and in which direction; made by a
/// [`Mechanism`](super::Mechanism).
///
/// Each conversion is one 128-bit product and one 128-bit division. A travel whose unit is finer than a microstep
/// comes back from microsteps as the place that the motor really goes to; microsteps come back as they were.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Scale<U> {
    /// Full steps, below 2^48, in `counts` of the unit's smallest travel, below 2^62; neither is zero.
    steps: u64,
    counts: u64,
    resolution: MicrostepResolution,
    inverted: bool,
    unit: PhantomData<U>,
}

impl<U: TravelUnit> Scale<U> {
    pub(super) const fn new(steps: u64, counts: u64, resolution: MicrostepResolution, inverted: bool) -> Self {
        Self { steps, counts, resolution, inverted, unit: PhantomData }
    }

    /// The microstep resolution that the scale counts in.
    #[must_use]
    pub const fn resolution(&self) -> MicrostepResolution {
        self.resolution
    }

    /// The way round the device's counter that is this way round the output.
    #[must_use]
    pub const fn way(&self, way: Way) -> Way {
        match way {
            Way::Positive if self.inverted => Way::Negative,
            Way::Negative if self.inverted => Way::Positive,
            way => way,
        }
    }

    /// The place in microsteps that is nearest to a place of the output; both are zero together.
    ///
    /// # Errors
    /// [`OutOfTravel`] beyond 64 bits of microsteps.
    pub const fn position(&self, place: Travel<U>) -> Result<UnwrappedPosition, OutOfTravel> {
        let (numerator, range) = (self.microsteps(), (i64::MIN, i64::MAX));
        match self.converted(place, numerator, range) {
            Some(microsteps) => Ok(UnwrappedPosition::from_microsteps(microsteps)),
            None => Err(self.out_of_travel(place, numerator, range, U::SYMBOL)),
        }
    }

    /// The distance in microsteps that is nearest to a way of the output.
    ///
    /// # Errors
    /// [`OutOfTravel`] beyond ±2³¹ microsteps.
    pub const fn distance(&self, way: Travel<U>) -> Result<Distance, OutOfTravel> {
        let (numerator, range) = (self.microsteps(), Distance::UNIT.range());
        if let Some(microsteps) = self.converted(way, numerator, range)
            && let Ok(distance) = Distance::from_bits(microsteps)
        {
            return Ok(distance);
        }
        Err(self.out_of_travel(way, numerator, range, U::SYMBOL))
    }

    /// The motor's velocity that is nearest to a speed of the output.
    ///
    /// # Errors
    /// [`OutOfTravel`] beyond ±524 287 full steps/s.
    pub const fn velocity(&self, speed: PerSecond<U>) -> Result<Velocity, OutOfTravel> {
        let (numerator, range) = (self.fixed_point(Velocity::UNIT), Velocity::UNIT.range());
        if let Some(bits) = self.converted(speed.0, numerator, range)
            && let Ok(velocity) = Velocity::from_bits(bits)
        {
            return Ok(velocity);
        }
        Err(self.out_of_travel(speed.0, numerator, range, U::PER_SECOND))
    }

    /// The motor's acceleration that is nearest to one of the output; the direction of the motor plays no part.
    ///
    /// # Errors
    /// [`OutOfTravel`] below zero or above 16 777 215 full steps/s².
    pub const fn acceleration(&self, acceleration: PerSecondSquared<U>) -> Result<Acceleration, OutOfTravel> {
        let (numerator, range) = (self.fixed_point(Acceleration::UNIT), Acceleration::UNIT.range());
        let upright = Self { inverted: false, ..*self };
        // A negative one is refused even where it would be rounded to zero.
        if acceleration.0.count() >= 0
            && let Some(bits) = upright.converted(acceleration.0, numerator, range)
            && let Ok(acceleration) = Acceleration::from_bits(bits)
        {
            return Ok(acceleration);
        }
        let error = upright.out_of_travel(acceleration.0, numerator, range, U::PER_SECOND_SQUARED);
        Err(OutOfTravel { min: Travel::<U>::ZERO.decimal(), ..error })
    }

    /// Where the output is when the motor is at `position`.
    ///
    /// # Errors
    /// [`OutOfRange`], in microsteps, where the travel needs more than 64 bits.
    pub const fn place_of(&self, position: UnwrappedPosition) -> Result<Travel<U>, OutOfRange> {
        self.travel(position.to_microsteps(), self.microsteps(), Unit::Microsteps)
    }

    /// How far the output goes while the motor goes by `distance`.
    ///
    /// # Errors
    /// [`OutOfRange`], in microsteps, where the travel needs more than 64 bits.
    pub const fn travel_of(&self, distance: Distance) -> Result<Travel<U>, OutOfRange> {
        self.travel(distance.to_bits(), self.microsteps(), Unit::Microsteps)
    }

    /// How fast the output moves at a velocity of the motor.
    ///
    /// # Errors
    /// [`OutOfRange`], in full steps/s, where the speed needs more than 64 bits.
    pub const fn speed_of(&self, velocity: Velocity) -> Result<PerSecond<U>, OutOfRange> {
        match self.travel(velocity.to_bits(), self.fixed_point(Velocity::UNIT), Velocity::UNIT) {
            Ok(travel) => Ok(PerSecond(travel)),
            Err(error) => Err(error),
        }
    }

    /// How the output speeds up at an acceleration of the motor; never negative.
    ///
    /// # Errors
    /// [`OutOfRange`], in full steps/s², where the acceleration needs more than 64 bits.
    pub const fn acceleration_of(&self, acceleration: Acceleration) -> Result<PerSecondSquared<U>, OutOfRange> {
        let upright = Self { inverted: false, ..*self };
        let unit = Acceleration::UNIT;
        match upright.travel(acceleration.to_bits(), self.fixed_point(unit), unit) {
            Ok(travel) => Ok(PerSecondSquared(travel)),
            Err(error) => Err(error),
        }
    }

    /// Microsteps in `counts`: below 2^64.
    const fn microsteps(&self) -> u64 {
        self.steps * self.resolution.to_microsteps_per_step() as u64
    }

    /// Fixed-point bits of a unit of full steps in `counts`: at most 12 bits more than the steps have.
    const fn fixed_point(&self, unit: Unit) -> u64 {
        self.steps << unit.fraction_bits()
    }

    const fn converted(&self, travel: Travel<U>, numerator: u64, range: (i64, i64)) -> Option<i64> {
        converted(travel.count(), numerator, self.counts, self.inverted, range)
    }

    /// The error of a travel for which [`converted`](Self::converted) has nothing.
    const fn out_of_travel(
        &self,
        travel: Travel<U>,
        numerator: u64,
        range: (i64, i64),
        unit: &'static str,
    ) -> OutOfTravel {
        let (min, max) = converted_limits(numerator, self.counts, self.inverted, range);
        let (min, max) = (Travel::<U>::new(min), Travel::<U>::new(max));
        OutOfTravel { value: travel.decimal(), min: min.decimal(), max: max.decimal(), unit }
    }

    const fn travel(&self, bits: i64, numerator: u64, unit: Unit) -> Result<Travel<U>, OutOfRange> {
        const RANGE: (i64, i64) = (i64::MIN, i64::MAX);
        match converted(bits, self.counts, numerator, self.inverted, RANGE) {
            Some(count) => Ok(Travel::new(count)),
            None => {
                let (min, max) = converted_limits(self.counts, numerator, self.inverted, RANGE);
                Err(unit.out_of_range(bits, min, max))
            }
        }
    }
}

/// `value` · `numerator` / `denominator`, rounded to nearest, halves away from zero, negated if `inverted`; `None`
/// outside of `range`.
const fn converted(
    value: i64,
    numerator: u64,
    denominator: u64,
    inverted: bool,
    (min, max): (i64, i64),
) -> Option<i64> {
    let product = value.unsigned_abs() as u128 * numerator as u128;
    let divisor = denominator as u128;
    let (Some(below), Some(rest)) = (product.checked_div(divisor), product.checked_rem(divisor)) else {
        return None;
    };
    // At most 2^127, and less where anything is rounded up: the sum has room.
    let magnitude = if rest >= divisor - rest { below + 1 } else { below };
    let signed = if (value < 0) != inverted { -(magnitude as i128) } else { magnitude as i128 };
    if signed < min as i128 || signed > max as i128 { None } else { Some(signed as i64) }
}

/// The smallest and the greatest value that [`converted`] takes; `range` includes zero.
const fn converted_limits(numerator: u64, denominator: u64, inverted: bool, (min, max): (i64, i64)) -> (i64, i64) {
    let down = greatest_below_half(min.unsigned_abs(), numerator, denominator);
    let up = greatest_below_half(max.unsigned_abs(), numerator, denominator);
    let (down, up) = if inverted { (up, down) } else { (down, up) };
    let min = if down > i64::MAX as u128 { i64::MIN } else { -(down as i64) };
    (min, if up > i64::MAX as u128 { i64::MAX } else { up as i64 })
}

/// The greatest magnitude that is still rounded to `limit`: v·n/d < limit + ½, so 2·v·n ≤ (2·limit + 1)·d − 1.
const fn greatest_below_half(limit: u64, numerator: u64, denominator: u64) -> u128 {
    // A product beyond 128 bits, divided by at most 2^65, is beyond any value.
    match (2 * limit as u128 + 1).checked_mul(denominator as u128) {
        Some(product) => match product.saturating_sub(1).checked_div(2 * numerator as u128) {
            Some(greatest) => greatest,
            None => u128::MAX,
        },
        None => u128::MAX,
    }
}

#[cfg(test)]
mod tests;
