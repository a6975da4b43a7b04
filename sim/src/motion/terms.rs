//! The words that all of motion shares: direction, and the ranges of numbers that it can be computed with.

use core::fmt;
use core::ops::RangeInclusive;

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
        if signed < 0.0 { Self::Negative } else { Self::Positive }
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
        let Self { what, value, min, max } = self;
        write!(f, "{what} {value} is outside {min}..={max}")
    }
}

impl core::error::Error for OutOfRange {}

pub(super) const VELOCITIES: RangeInclusive<f64> = 1e-6..=1e9;
pub(super) const ACCELERATIONS: RangeInclusive<f64> = 1e-6..=1e15;

/// Greatest distance of one move, 2⁵³ − 1: up to it an `f64` holds every whole count, and no greater count rounds to it.
pub(super) const GREATEST_DISTANCE: f64 = 9_007_199_254_740_991.0;

/// `value` in `range`, or the error that names it.
pub(super) fn within(what: &'static str, value: f64, range: RangeInclusive<f64>) -> Result<(), OutOfRange> {
    if range.contains(&value) {
        return Ok(());
    }
    let (min, max) = range.into_inner();
    Err(OutOfRange { what, value, min, max })
}
