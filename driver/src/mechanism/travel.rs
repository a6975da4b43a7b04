//! Travel of the output in the units that a machine is described in, its rates, and the error of leaving a range.
//!
//! One type for each unit, so that an angle cannot stand where a length is asked for. The numbers are whole billionths
//! of a turn, millionths of a degree and nanometres: finer than the microsteps of any usual gear.

use core::fmt;
use core::hash::Hash;
use core::marker::PhantomData;

/// A unit in which travel is counted.
pub trait TravelUnit: Copy + fmt::Debug + Default + Ord + Hash + sealed::Sealed {
    /// Decimal places: the whole number that a [`Travel`] holds counts the unit's 10^−`PLACES`.
    const PLACES: u8;
    /// The unit's symbol.
    const SYMBOL: &'static str;
    /// The symbol of the unit per second.
    const PER_SECOND: &'static str;
    /// The symbol of the unit per second squared.
    const PER_SECOND_SQUARED: &'static str;
}

mod sealed {
    pub trait Sealed {}
}

/// A way or a place of the output, in the unit `U`, as an exact decimal; see [`Turns`], [`Angle`] and [`Length`].
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Travel<U>(i64, PhantomData<U>);

/// A speed of the output: the travel in one second.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct PerSecond<U>(pub Travel<U>);

/// An acceleration of the output: the speed gained in one second.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct PerSecondSquared<U>(pub Travel<U>);

impl<U: TravelUnit> Travel<U> {
    /// None at all.
    pub const ZERO: Self = Self::new(0);

    pub(super) const fn new(count: i64) -> Self {
        Self(count, PhantomData)
    }

    pub(super) const fn count(self) -> i64 {
        self.0
    }

    /// So much in each second.
    #[must_use]
    pub const fn per_second(self) -> PerSecond<U> {
        PerSecond(self)
    }

    /// So much speed gained in each second.
    #[must_use]
    pub const fn per_second_squared(self) -> PerSecondSquared<U> {
        PerSecondSquared(self)
    }

    /// Both together; `None` beyond what the type holds.
    #[must_use]
    pub const fn checked_add(self, other: Self) -> Option<Self> {
        match self.0.checked_add(other.0) {
            Some(count) => Some(Self::new(count)),
            None => None,
        }
    }

    /// The number in the unit itself.
    #[must_use]
    pub const fn decimal(self) -> Decimal {
        Decimal { digits: self.0, places: U::PLACES }
    }
}

macro_rules! travel {
    (
        $unit:ident, $alias:ident, $places:literal, $symbol:literal, $what:literal, $range:literal,
        $fine:literal: $from_fine:ident, $to_fine:ident,
        $coarse:literal = $per_coarse:literal: $from_coarse:ident, $to_coarse:ident,
        $whole:literal = $per_whole:literal: $from_whole:ident
    ) => {
        #[doc = concat!("Marks ", $what, " that is counted in ", $whole, ".")]
        #[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
        #[cfg_attr(feature = "defmt", derive(defmt::Format))]
        pub struct $unit;

        impl sealed::Sealed for $unit {}

        impl TravelUnit for $unit {
            const PLACES: u8 = $places;
            const SYMBOL: &'static str = $symbol;
            const PER_SECOND: &'static str = concat!($symbol, "/s");
            const PER_SECOND_SQUARED: &'static str = concat!($symbol, "/s²");
        }

        #[doc = concat!("Travel as ", $what, ": whole ", $fine, " in 64 bits, ", $range, ".")]
        pub type $alias = Travel<$unit>;

        impl Travel<$unit> {
            #[doc = concat!("Builds the travel from ", $fine, ".")]
            #[must_use]
            pub const fn $from_fine(count: i64) -> Self {
                Self::new(count)
            }

            #[doc = concat!("Builds the travel from ", $coarse, ".")]
            #[must_use]
            pub const fn $from_coarse(count: i32) -> Self {
                Self::new(count as i64 * $per_coarse)
            }

            #[doc = concat!("Builds the travel from whole ", $whole, ".")]
            #[must_use]
            pub const fn $from_whole(count: i32) -> Self {
                Self::new(count as i64 * $per_whole)
            }

            #[doc = concat!("The travel in ", $fine, ".")]
            #[must_use]
            pub const fn $to_fine(self) -> i64 {
                self.0
            }

            #[doc = concat!("The travel in ", $coarse, ", rounded to nearest, halves away from zero.")]
            #[must_use]
            pub const fn $to_coarse(self) -> i64 {
                let (whole, rest) = (self.0 / $per_coarse, self.0 % $per_coarse);
                if rest.unsigned_abs() < $per_coarse / 2 { whole } else { whole + rest.signum() }
            }
        }
    };
}

travel! {
    Turn, Turns, 9, "turns", "turns of the output", "±9.2 · 10⁹ turns",
    "nanoturns (10⁻⁹ turn)": from_nanoturns, to_nanoturns,
    "milliturns (a thousandth of a turn)" = 1_000_000: from_milliturns, to_milliturns,
    "turns" = 1_000_000_000: from_turns
}
travel! {
    Degree, Angle, 6, "°", "an angle of the output", "±2.5 · 10¹⁰ turns",
    "microdegrees": from_microdegrees, to_microdegrees,
    "millidegrees" = 1_000: from_millidegrees, to_millidegrees,
    "degrees" = 1_000_000: from_degrees
}
travel! {
    Metre, Length, 6, "mm", "a length", "±9.2 · 10⁶ km",
    "nanometres": from_nanometres, to_nanometres,
    "micrometres" = 1_000: from_micrometres, to_micrometres,
    "millimetres" = 1_000_000: from_millimetres
}

impl<U: TravelUnit> fmt::Display for Travel<U> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.decimal(), U::SYMBOL)
    }
}

impl<U: TravelUnit> fmt::Display for PerSecond<U> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.0.decimal(), U::PER_SECOND)
    }
}

impl<U: TravelUnit> fmt::Display for PerSecondSquared<U> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.0.decimal(), U::PER_SECOND_SQUARED)
    }
}

/// A decimal fraction: `digits` · 10^−`places`. Prints without trailing zeros.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Decimal {
    /// The number without its point.
    pub digits: i64,
    /// Digits behind the point, at most 18.
    pub places: u8,
}

impl fmt::Display for Decimal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut width = self.places.min(18) as usize;
        let one = 10u64.pow(width as u32);
        let magnitude = self.digits.unsigned_abs();
        let whole = magnitude.checked_div(one).unwrap_or(magnitude);
        let mut decimals = magnitude.checked_rem(one).unwrap_or(0);
        let sign = if self.digits < 0 { "-" } else { "" };
        write!(f, "{sign}{whole}")?;
        if decimals == 0 {
            return Ok(());
        }
        while decimals.is_multiple_of(10) {
            decimals /= 10;
            width -= 1;
        }
        // Said once more, for the formatter panics at widths that it does not hold.
        let width = width.min(18);
        write!(f, ".{decimals:0width$}")
    }
}

/// Travel, a speed or an acceleration of the output that the motor's quantity cannot hold; nothing was clamped.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct OutOfTravel {
    /// What was asked for.
    pub value: Decimal,
    /// The smallest value that would have been taken.
    pub min: Decimal,
    /// The greatest value that would have been taken.
    pub max: Decimal,
    /// The symbol of the unit of all three.
    pub unit: &'static str,
}

impl fmt::Display for OutOfTravel {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { value, min, max, unit } = self;
        write!(f, "{value} {unit} is outside {min}..={max} {unit}")
    }
}

impl core::error::Error for OutOfTravel {}

#[cfg(test)]
mod tests {
    extern crate std;
    use std::string::ToString;

    use super::*;

    #[test]
    fn travel_prints_as_an_exact_decimal_with_its_unit() {
        assert_eq!(Turns::from_milliturns(-2500).to_string(), "-2.5 turns");
        assert_eq!(Angle::from_millidegrees(45).per_second().to_string(), "0.045 °/s");
        assert_eq!(Length::from_nanometres(i64::MIN).to_string(), "-9223372036854.775808 mm");
        assert_eq!(Length::from_micrometres(7000).per_second_squared().to_string(), "7 mm/s²");
        assert_eq!(Decimal { digits: 5, places: 200 }.to_string(), "0.000000000000000005");
    }

    #[test]
    fn the_coarser_unit_is_rounded_to_nearest_halves_away_from_zero() {
        let micrometres = |nanometres| Length::from_nanometres(nanometres).to_micrometres();
        assert_eq!([499, 500, -499, -500, 1_499].map(micrometres), [0, 1, 0, -1, 1]);
        assert_eq!(Turns::from_milliturns(i32::MIN).to_milliturns(), i64::from(i32::MIN));
        assert_eq!(Angle::from_degrees(i32::MAX).to_millidegrees(), i64::from(i32::MAX) * 1000);
        assert_eq!(Length::from_nanometres(i64::MIN).to_micrometres(), -9_223_372_036_854_776);
    }

    #[test]
    fn travel_adds_up_within_its_type() {
        let sum = Angle::from_degrees(90).checked_add(Angle::from_millidegrees(-500));
        assert_eq!(sum, Some(Angle::from_millidegrees(89_500)));
        assert_eq!(Turns::from_nanoturns(i64::MAX).checked_add(Turns::from_nanoturns(1)), None);
    }
}
