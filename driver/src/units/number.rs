//! Bare fixed-point numbers, the units that they are counted in, and the error of leaving a range.

use core::fmt;

/// What a number counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Unit {
    /// Microsteps: positions and distances.
    Microsteps,
    /// Full steps per second.
    StepsPerSecond,
    /// Full steps per second squared.
    StepsPerSecondSquared,
    /// Share of the supply voltage, 0 to 1.
    ShareOfSupply,
    /// Share of the supply voltage per full step per second.
    SharePerStepPerSecond,
    /// Amperes, peak per phase.
    Amperes,
    /// Volts.
    Volts,
    /// Degrees Celsius.
    DegreesCelsius,
    /// A dimensionless factor.
    Factor,
    /// Microsteps in one full step.
    MicrostepsPerStep,
    /// A register's bare code, for what has no physical unit.
    Code,
}

impl Unit {
    /// Every unit, in the order of the declaration.
    pub const ALL: &'static [Self] = &[
        Self::Microsteps,
        Self::StepsPerSecond,
        Self::StepsPerSecondSquared,
        Self::ShareOfSupply,
        Self::SharePerStepPerSecond,
        Self::Amperes,
        Self::Volts,
        Self::DegreesCelsius,
        Self::Factor,
        Self::MicrostepsPerStep,
        Self::Code,
    ];

    /// The unit as it is printed behind a number; empty for a factor.
    #[must_use]
    pub const fn symbol(self) -> &'static str {
        match self {
            Self::Microsteps => "microsteps",
            Self::StepsPerSecond => "steps/s",
            Self::StepsPerSecondSquared => "steps/s²",
            Self::ShareOfSupply => "of supply",
            Self::SharePerStepPerSecond => "of supply per step/s",
            Self::Amperes => "A",
            Self::Volts => "V",
            Self::DegreesCelsius => "°C",
            Self::Factor => "",
            Self::MicrostepsPerStep => "microsteps/step",
            Self::Code => "(code)",
        }
    }

    /// How many bits stand behind the binary point in this unit's [`Number`].
    #[must_use]
    pub const fn fraction_bits(self) -> u8 {
        match self {
            Self::Microsteps | Self::MicrostepsPerStep | Self::Code => 0,
            Self::StepsPerSecond => 12,
            Self::StepsPerSecondSquared => 8,
            Self::ShareOfSupply => 31,
            Self::SharePerStepPerSecond => 32,
            Self::Amperes | Self::Volts | Self::DegreesCelsius | Self::Factor => 16,
        }
    }

    /// Smallest and greatest fixed-point bits that the unit's type holds.
    #[must_use]
    pub const fn range(self) -> (i64, i64) {
        match self {
            Self::Microsteps | Self::StepsPerSecond | Self::Amperes | Self::Volts | Self::DegreesCelsius => {
                (i32::MIN as i64, i32::MAX as i64)
            }
            Self::StepsPerSecondSquared | Self::SharePerStepPerSecond | Self::Factor | Self::Code => {
                (0, u32::MAX as i64)
            }
            Self::ShareOfSupply => (0, 1 << 31),
            Self::MicrostepsPerStep => (0, u16::MAX as i64),
        }
    }

    /// Writes a number with the unit behind it, if it has a symbol.
    pub(super) fn write(self, number: Number, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{number}")?;
        match self.symbol() {
            "" => Ok(()),
            symbol => write!(f, " {symbol}"),
        }
    }

    /// The number that `bits` mean in this unit.
    #[must_use]
    pub const fn number(self, bits: i64) -> Number {
        Number { bits, fraction_bits: self.fraction_bits() }
    }

    /// `Ok` if the unit's type holds `bits`.
    pub(crate) const fn checked(self, bits: i64) -> Result<i64, OutOfRange> {
        let (min, max) = self.range();
        if bits < min || bits > max {
            return Err(self.out_of_range(bits, min, max));
        }
        Ok(bits)
    }

    pub(crate) const fn out_of_range(self, bits: i64, min: i64, max: i64) -> OutOfRange {
        OutOfRange { bits, min, max, of: self, unit: self }
    }
}

impl fmt::Display for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.symbol())
    }
}

/// A fixed-point number: `bits` · 2^−`fraction_bits`.
///
/// Prints as a decimal fraction, without trailing zeros, to at most nine places. `Debug` prints that too, since so an
/// error leaves `main`, with the bits behind it.
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Number {
    /// The number times 2^`fraction_bits`.
    pub bits: i64,
    /// Bits behind the binary point, at most 32.
    pub fraction_bits: u8,
}

impl fmt::Debug for Number {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{self} ({}/2^{})", self.bits, self.fraction_bits)
    }
}

impl fmt::Display for Number {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let fraction_bits = self.fraction_bits.min(32) as u32;
        let magnitude = self.bits.unsigned_abs();
        let one = 1u64 << fraction_bits;
        // A decimal place is worth 3.3 bits; more than nine would not fit the product below.
        let places = (fraction_bits * 3 / 10 + 1).min(9);
        let scale = 10u64.pow(places);
        let mut whole = magnitude >> fraction_bits;
        let mut decimals = ((magnitude & (one - 1)) * scale + one / 2) >> fraction_bits;
        if decimals >= scale {
            whole += 1;
            decimals = 0;
        }
        let sign = if self.bits < 0 { "-" } else { "" };
        write!(f, "{sign}{whole}")?;
        if fraction_bits == 0 || decimals == 0 {
            return Ok(());
        }
        let mut width = places as usize;
        while decimals.is_multiple_of(10) {
            decimals /= 10;
            width -= 1;
        }
        write!(f, ".{decimals:0width$}")
    }
}

/// A value that a type, a register or a command field cannot hold; nothing was clamped and nothing was sent.
///
/// Keeps bare bits, for which an error of nearly every call is the smaller: what they mean, the units say.
#[derive(Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct OutOfRange {
    bits: i64,
    min: i64,
    max: i64,
    /// The unit of the value: another one than that of the limits where a register has another.
    of: Unit,
    unit: Unit,
}

impl OutOfRange {
    /// A value of the unit `of` beyond limits in `unit`.
    pub(crate) const fn new(bits: i64, of: Unit, (min, max): (i64, i64), unit: Unit) -> Self {
        Self { bits, min, max, of, unit }
    }

    /// What was asked for.
    #[must_use]
    pub const fn value(&self) -> Number {
        self.of.number(self.bits)
    }

    /// The smallest value that would have been taken.
    #[must_use]
    pub const fn min(&self) -> Number {
        self.unit.number(self.min)
    }

    /// The greatest value that would have been taken.
    #[must_use]
    pub const fn max(&self) -> Number {
        self.unit.number(self.max)
    }

    /// The unit of the limits, and of the value if it is not of another one than the register.
    #[must_use]
    pub const fn unit(&self) -> Unit {
        self.unit
    }
}

impl fmt::Debug for OutOfRange {
    /// With numbers that can be read, since so an error leaves `main`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("OutOfRange")
            .field("value", &self.value())
            .field("min", &self.min())
            .field("max", &self.max())
            .field("unit", &self.unit)
            .finish()
    }
}

impl fmt::Display for OutOfRange {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (value, min, max, unit) = (self.value(), self.min(), self.max(), self.unit);
        // A factor has no symbol, and then no space before it.
        let space = if unit.symbol().is_empty() { "" } else { " " };
        write!(f, "{value}{space}{unit} is outside {min}..={max}{space}{unit}")
    }
}

impl core::error::Error for OutOfRange {}

/// `numerator` · 2^`shift` / `denominator`, rounded to nearest, halves away from zero.
///
/// `None` if the denominator is zero or the result (or what leads to it) needs more than 64 bits. Two
/// divisions (none by one) and nothing wider than 64 bits: the whole part and the rest are scaled apart.
pub(crate) const fn scaled(numerator: u64, denominator: u64, shift: u8) -> Option<u64> {
    if denominator == 1 {
        return if numerator.leading_zeros() < shift as u32 { None } else { numerator.checked_shl(shift as u32) };
    }
    if denominator == 0 {
        return None;
    }
    let (whole, rest) = divided(numerator, denominator);
    if whole.leading_zeros() < shift as u32 || rest.leading_zeros() < shift as u32 {
        return None;
    }
    // `rest << 64` cannot happen: a shift is at most 32 here, and 64 leading zeros mean zero.
    let (Some(high), Some(rest)) = (whole.checked_shl(shift as u32), rest.checked_shl(shift as u32)) else {
        return None;
    };
    let (low, rest) = divided(rest, denominator);
    // Compared without doubling the rest or adding half of the denominator: either may leave 64 bits.
    high.checked_add(low + (rest >= denominator - rest) as u64)
}

/// Quotient and remainder; of a division by zero, zero and the dividend.
///
/// What fits 32 bits is divided so. A processor of 32 bits has no division of 64, and what the compiler puts in its place
/// takes half a kilobyte of flash; what is rarely wider is divided here bit by bit instead.
#[inline(never)]
pub(crate) const fn divided(dividend: u64, divisor: u64) -> (u64, u64) {
    if dividend <= u32::MAX as u64
        && divisor <= u32::MAX as u64
        && let (Some(quotient), Some(rest)) =
            ((dividend as u32).checked_div(divisor as u32), (dividend as u32).checked_rem(divisor as u32))
    {
        return (quotient as u64, rest as u64);
    }
    if usize::BITS >= u64::BITS
        && let (Some(quotient), Some(rest)) = (dividend.checked_div(divisor), dividend.checked_rem(divisor))
    {
        return (quotient, rest);
    }
    divided_by_bits(dividend, divisor)
}

const fn divided_by_bits(dividend: u64, divisor: u64) -> (u64, u64) {
    if divisor == 0 {
        return (0, dividend);
    }
    let mut quotient = dividend;
    let mut rest: u64 = 0;
    let mut bit = 0;
    while bit < u64::BITS {
        // The rest is below the divisor, which may have all 64 bits: the one that is shifted out counts, too.
        let carry = rest >> 63;
        rest = rest << 1 | quotient >> 63;
        quotient <<= 1;
        if carry != 0 || rest >= divisor {
            rest = rest.wrapping_sub(divisor);
            quotient |= 1;
        }
        bit += 1;
    }
    (quotient, rest)
}

#[cfg(test)]
mod tests {
    extern crate std;
    use std::format;
    use std::string::ToString;

    use super::*;

    #[test]
    fn scaled_rounds_to_nearest_and_refuses_what_does_not_fit() {
        assert_eq!(scaled(1, 3, 0), Some(0));
        assert_eq!(scaled(2, 3, 0), Some(1));
        assert_eq!(scaled(1, 2, 0), Some(1), "a half goes away from zero");
        assert_eq!(scaled(15_625, 1 << 20, 12), Some(61), "15625/256 is 61.035");
        assert_eq!(scaled(1, 0, 0), None);
        assert_eq!(scaled(u64::MAX, 1, 1), None);
    }

    /// By hand: (2³² − 1) · 2³² / 2⁶³ is 2 − 2⁻³¹, so 2; and (2³² − 1) · 2³² is only 2³² below 2⁶⁴, too near for half
    /// of 2⁶³ to be added to it.
    #[test]
    fn scaled_rounds_up_to_the_end_of_64_bits() {
        assert_eq!(scaled(u32::MAX as u64, 1 << 63, 32), Some(2));
        assert_eq!(scaled(u64::MAX, u64::MAX - 1, 0), Some(1));
        assert_eq!(scaled(u64::MAX, 2, 0), Some(1 << 63), "2⁶³ − ½ goes away from zero");
    }

    #[test]
    fn dividing_bit_by_bit_gives_what_dividing_gives() {
        let numbers =
            [0, 1, 2, 3, 50, 1000, 4095, u32::MAX as u64, 1 << 32, (1 << 63) - 1, 1 << 63, u64::MAX - 1, u64::MAX];
        for dividend in numbers {
            assert_eq!(divided(dividend, 0), (0, dividend));
            for divisor in numbers.into_iter().skip(1) {
                let expected = (dividend / divisor, dividend % divisor);
                assert_eq!(divided_by_bits(dividend, divisor), expected, "{dividend} / {divisor}");
                assert_eq!(divided(dividend, divisor), expected, "{dividend} / {divisor}");
            }
        }
    }

    #[test]
    fn a_number_prints_as_a_decimal_without_trailing_zeros() {
        let text = |bits, fraction_bits| Number { bits, fraction_bits }.to_string();
        assert_eq!(text(1000 << 12, 12), "1000");
        assert_eq!(text((1000 << 12) + (1 << 11), 12), "1000.5");
        assert_eq!(text(-(1 << 10), 12), "-0.25");
        assert_eq!(text(1, 32), "0");
        assert_eq!(text(43, 32), "0.00000001");
        assert_eq!(text((1 << 12) - 1, 12), "0.9998");
    }

    #[test]
    fn debug_shows_the_decimal_and_tells_equal_values_of_unlike_form_apart() {
        assert_eq!(format!("{:?}", Number { bits: 51_200_000, fraction_bits: 8 }), "200000 (51200000/2^8)");
        assert_eq!(format!("{:?}", Number { bits: 200_000, fraction_bits: 0 }), "200000 (200000/2^0)");
    }
}
