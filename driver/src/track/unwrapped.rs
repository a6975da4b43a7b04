//! The count without end.

use core::fmt;

use crate::map::PositionCounter;
use crate::units::{Distance, OutOfRange, Position, Unit};

/// A place counted without end, in microsteps, 64 bits: what the device's counter would show if it never wrapped.
///
/// Not a [`Position`], which is what the counter does show: one of those means many of these. At a million
/// microsteps a second the count lasts for 292 000 years.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct UnwrappedPosition(i64);

impl UnwrappedPosition {
    /// The zero position.
    pub const ZERO: Self = Self(0);

    /// Builds the position from microsteps.
    #[must_use]
    pub const fn from_microsteps(count: i64) -> Self {
        Self(count)
    }

    /// The position in microsteps.
    #[must_use]
    pub const fn to_microsteps(self) -> i64 {
        self.0
    }

    /// What a counter shows here if it showed zero at zero.
    #[must_use]
    pub const fn wrapped(self, counter: &PositionCounter) -> Position {
        // A map's counter has at most 32 bits.
        Position::from_microsteps(counter.wrapped(self.0) as i32)
    }

    /// What a counter that showed zero at zero shows here, without having wrapped on the way.
    ///
    /// # Errors
    /// [`OutOfRange`] if the position is beyond the counter's ends.
    pub const fn in_counter(self, counter: &PositionCounter) -> Result<Position, OutOfRange> {
        let (min, max) = counter.range();
        if self.0 < min || self.0 > max {
            return Err(Unit::Microsteps.out_of_range(self.0, min, max));
        }
        Position::from_bits(self.0)
    }

    /// The way from `other` to here.
    ///
    /// # Errors
    /// [`OutOfRange`] beyond ±2³¹ microsteps.
    pub const fn distance_from(self, other: Self) -> Result<Distance, OutOfRange> {
        Distance::from_bits(self.0.saturating_sub(other.0))
    }

    /// The place at this distance from here; the last one that there is, where that is beyond 64 bits.
    #[must_use]
    pub const fn saturating_add(self, distance: Distance) -> Self {
        self.moved(distance.to_bits())
    }

    pub(super) const fn moved(self, microsteps: i64) -> Self {
        Self(self.0.saturating_add(microsteps))
    }
}

impl fmt::Display for UnwrappedPosition {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} microsteps", self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Common practice, no published source: 200 full steps make a turn. With 128 microsteps in each, 25 600 make a
    /// turn and 12 800 half of one.
    #[test]
    fn a_counter_of_22_bits_spans_about_164_turns() {
        let (min, max) = PositionCounter::new(22, &[128]).range();
        let tenths_of_a_turn = (max - min + 1) * 10 / (200 * 128);
        assert_eq!(tenths_of_a_turn, 1638);
    }

    #[test]
    fn a_position_beyond_the_counter_wraps_or_is_refused_as_asked() {
        let counter = PositionCounter::new(8, &[1]);
        let at = UnwrappedPosition::from_microsteps;
        assert_eq!(at(128).wrapped(&counter), Position::from_microsteps(-128));
        assert_eq!(at(-129).wrapped(&counter), Position::from_microsteps(127));
        assert_eq!(at(127).in_counter(&counter), Ok(Position::from_microsteps(127)));
        assert!(at(128).in_counter(&counter).is_err());
        assert!(at(-129).in_counter(&counter).is_err());
    }

    #[test]
    fn a_distance_is_signed_and_refused_beyond_its_type() {
        let at = UnwrappedPosition::from_microsteps;
        assert_eq!(at(-5).distance_from(at(7)), Ok(Distance::from_microsteps(-12)));
        assert_eq!(at(7).saturating_add(Distance::from_microsteps(-12)), at(-5));
        assert!(at(1 << 31).distance_from(at(0)).is_err());
        assert!(at(i64::MIN).distance_from(at(i64::MAX)).is_err());
        assert_eq!(at(i64::MAX).saturating_add(Distance::from_microsteps(1)), at(i64::MAX));
    }
}
