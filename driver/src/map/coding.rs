//! Codes and what they mean: both directions of every encoding, exact, in integers.
//!
//! A code is first given its sign ([`Sign`]), then its meaning ([`Encoding`]), a value in the fixed-point bits of a
//! [`Unit`]. The way back finds the code whose value is nearest; a value outside of what the codes can mean is an
//! error, never a clamp. Ties go to the code of greater magnitude. No arithmetic is wider than 64 bits.

use crate::units::{OutOfRange, Unit, scaled};

/// How a code carries a sign.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sign {
    /// It has none.
    Unsigned,
    /// Two's complement.
    TwosComplement,
    /// The highest bit is one for negative, the others are the magnitude.
    SignMagnitude,
}

/// One code of a [`Encoding::Table`] and the value `numerator / denominator` that it means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TableEntry {
    /// The code.
    pub code: u32,
    /// The value's numerator.
    pub numerator: u32,
    /// The value's denominator.
    pub denominator: u32,
}

impl TableEntry {
    /// A code that means a whole number.
    #[must_use]
    pub const fn new(code: u32, value: u32) -> Self {
        Self { code, numerator: value, denominator: 1 }
    }

    /// A code that means a fraction.
    #[must_use]
    pub const fn ratio(code: u32, numerator: u32, denominator: u32) -> Self {
        Self { code, numerator, denominator }
    }
}

/// What an unsigned code means, in its register's unit.
///
/// With a sign, the value of −c is the negative of the value of c (but for [`Linear`](Self::Linear), whose offset
/// keeps its sign).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Encoding {
    /// The value is the code.
    Raw,
    /// The value is (`numerator` · code + `offset`) / `denominator`.
    Linear {
        /// Multiplies the code.
        numerator: u32,
        /// Divides the whole.
        denominator: u32,
        /// Added before dividing.
        offset: i32,
    },
    /// The code is a period: the value is `numerator` / (`denominator` · code). Code 0 means a value of zero or nothing.
    Reciprocal {
        /// Value of code 1 times the denominator.
        numerator: u32,
        /// Divides.
        denominator: u32,
        /// Whether code 0 means zero; otherwise it means nothing.
        zero: bool,
    },
    /// The value is `numerator / denominator` times (or, if falling, divided by) two to the power of the code.
    PowerOfTwo {
        /// Value of code 0 times the denominator.
        numerator: u32,
        /// Divides.
        denominator: u32,
        /// Whether the value halves with each code rather than doubles.
        falling: bool,
    },
    /// The codes listed mean the values listed; no other code means anything.
    Table(&'static [TableEntry]),
    /// The lower `mantissa_bits` are m, the bits above them e: the value is m · 2^e · `numerator` / `denominator`.
    MantissaExponent {
        /// Value of mantissa 1 and exponent 0 times the denominator.
        numerator: u32,
        /// Divides.
        denominator: u32,
        /// Bits of the mantissa.
        mantissa_bits: u8,
    },
}

impl Encoding {
    /// The value is `numerator · code / denominator`.
    #[must_use]
    pub const fn linear(numerator: u32, denominator: u32) -> Self {
        Self::Linear { numerator, denominator, offset: 0 }
    }

    /// The value is `(numerator · code + offset) / denominator`.
    #[must_use]
    pub const fn linear_from(numerator: u32, denominator: u32, offset: i32) -> Self {
        Self::Linear { numerator, denominator, offset }
    }

    /// The value is `numerator / (denominator · code)`; code 0 means nothing.
    #[must_use]
    pub const fn reciprocal(numerator: u32, denominator: u32) -> Self {
        Self::Reciprocal { numerator, denominator, zero: false }
    }

    /// The value is `numerator / (denominator · code)`; code 0 means zero.
    #[must_use]
    pub const fn reciprocal_or_zero(numerator: u32, denominator: u32) -> Self {
        Self::Reciprocal { numerator, denominator, zero: true }
    }

    /// The value is `first · 2^code`.
    #[must_use]
    pub const fn power_of_two(first: u32) -> Self {
        Self::PowerOfTwo { numerator: first, denominator: 1, falling: false }
    }

    /// The value is `first / 2^code`.
    #[must_use]
    pub const fn falling_power_of_two(first: u32) -> Self {
        Self::PowerOfTwo { numerator: first, denominator: 1, falling: true }
    }

    /// The value is `mantissa · 2^exponent · numerator / denominator`, the exponent in the code's upper bits.
    #[must_use]
    pub const fn mantissa_exponent(mantissa_bits: u8, numerator: u32, denominator: u32) -> Self {
        Self::MantissaExponent { numerator, denominator, mantissa_bits }
    }
}

/// How wide a code is, how it carries a sign, and what it means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub struct Coding {
    /// Bits in the code, 1 to 32.
    pub width: u8,
    /// How it carries a sign.
    pub sign: Sign,
    /// What it means.
    pub encoding: Encoding,
    /// No code, taken without its sign, is above this.
    pub max_code: u32,
}

impl Coding {
    /// Unsigned codes of this width with this meaning.
    #[must_use]
    pub const fn new(width: u8, encoding: Encoding) -> Self {
        Self { width, sign: Sign::Unsigned, encoding, max_code: u32::MAX }
    }

    /// Two's complement codes of this width with this meaning.
    #[must_use]
    pub const fn signed(width: u8, encoding: Encoding) -> Self {
        Self { width, sign: Sign::TwosComplement, encoding, max_code: u32::MAX }
    }

    /// The same with another sign.
    #[must_use]
    pub const fn sign(mut self, sign: Sign) -> Self {
        self.sign = sign;
        self
    }

    /// The same with no code (without its sign) above `code`.
    #[must_use]
    pub const fn up_to(mut self, code: u32) -> Self {
        self.max_code = code;
        self
    }

    /// A one in each of the code's bits.
    #[must_use]
    pub const fn mask(&self) -> u32 {
        match self.width {
            0 => 0,
            width if width >= 32 => u32::MAX,
            width => (1 << width) - 1,
        }
    }

    /// The code whose value is nearest to the value with these fixed-point bits.
    ///
    /// # Errors
    /// [`OutOfRange`] if the value is outside of what the codes mean.
    pub const fn code_of(&self, bits: i64, unit: Unit) -> Result<u32, OutOfRange> {
        let (min, max) = self.limits(unit);
        if bits < min || bits > max {
            return Err(unit.out_of_range(bits, min, max));
        }
        match self.nearest(bits, unit.fraction_bits()) {
            Some(code) => Ok(self.with_sign(code)),
            None => Err(unit.out_of_range(bits, min, max)),
        }
    }

    /// The fixed-point bits of the value that a code means.
    ///
    /// # Errors
    /// [`OutOfRange`] if the code means nothing (then the value is the code itself) or the unit does not hold its
    /// value.
    pub const fn value_of(&self, code: u32, unit: Unit) -> Result<i64, OutOfRange> {
        let (least, greatest) = self.code_range();
        let signed = self.without_sign(code & self.mask());
        if signed < least || signed > greatest {
            return Err(Unit::Code.out_of_range(signed, least, greatest));
        }
        match self.bits_of(signed, unit.fraction_bits()) {
            Some(bits) => unit.checked(bits),
            None => Err(Unit::Code.out_of_range(signed, least, greatest)),
        }
    }

    /// Smallest and greatest fixed-point bits that a code means in this unit.
    #[must_use]
    pub const fn limits(&self, unit: Unit) -> (i64, i64) {
        let (least, greatest) = self.code_range();
        let (unit_min, unit_max) = unit.range();
        let fraction_bits = unit.fraction_bits();
        let (mut min, mut max) = match self.encoding {
            Encoding::Table(entries) => table_limits(entries, fraction_bits),
            Encoding::Reciprocal { zero, .. } => {
                let slowest = if zero { Some(0) } else { self.bits_of(greatest, fraction_bits) };
                (slowest, self.bits_of(1, fraction_bits))
            }
            Encoding::PowerOfTwo { falling: true, .. } => {
                (self.bits_of(greatest, fraction_bits), self.bits_of(0, fraction_bits))
            }
            _ => {
                (self.bits_of(if least < 0 { least } else { 0 }, fraction_bits), self.bits_of(greatest, fraction_bits))
            }
        };
        // A symmetric encoding with a sign reaches as far down as up.
        if least < 0 && !matches!(self.encoding, Encoding::Raw | Encoding::Linear { .. }) {
            min = match max {
                Some(max) => Some(-max),
                None => None,
            };
        }
        // What overflows 64 bits is beyond the unit's own range, too.
        if min.is_none() {
            min = Some(unit_min);
        }
        if max.is_none() {
            max = Some(unit_max);
        }
        match (min, max) {
            (Some(min), Some(max)) => {
                (if min < unit_min { unit_min } else { min }, if max > unit_max { unit_max } else { max })
            }
            _ => (unit_min, unit_max),
        }
    }

    /// Smallest and greatest code once it has its sign.
    #[must_use]
    pub const fn code_range(&self) -> (i64, i64) {
        let mask = self.mask() as i64;
        let limit = self.max_code as i64;
        let (least, greatest) = match self.sign {
            Sign::Unsigned => (0, mask),
            Sign::TwosComplement => (-(mask >> 1) - 1, mask >> 1),
            Sign::SignMagnitude => (-(mask >> 1), mask >> 1),
        };
        (if least < -limit { -limit } else { least }, if greatest > limit { limit } else { greatest })
    }

    /// The signed number that a code's bits stand for.
    const fn without_sign(&self, code: u32) -> i64 {
        let top = (self.mask() >> 1) + 1;
        let code = code as i64;
        match self.sign {
            Sign::Unsigned => code,
            Sign::TwosComplement if code >= top as i64 => code - 2 * top as i64,
            Sign::SignMagnitude if code >= top as i64 => top as i64 - code,
            _ => code,
        }
    }

    /// The code's bits for a signed number in [`code_range`](Self::code_range).
    const fn with_sign(&self, signed: i64) -> u32 {
        match self.sign {
            Sign::SignMagnitude if signed < 0 => (self.mask() >> 1) + 1 + signed.unsigned_abs() as u32,
            _ => signed as u32 & self.mask(),
        }
    }

    /// The fixed-point bits of a signed code's value, rounded to nearest; `None` if it means nothing or overflows.
    const fn bits_of(&self, code: i64, fraction_bits: u8) -> Option<i64> {
        let magnitude = code.unsigned_abs();
        let bits = match self.encoding {
            Encoding::Raw => return signed_scaled(code, 1, fraction_bits),
            Encoding::Linear { numerator, denominator, offset } => {
                let Some(product) = code.checked_mul(numerator as i64) else {
                    return None;
                };
                return signed_scaled(product.saturating_add(offset as i64), denominator as u64, fraction_bits);
            }
            Encoding::Reciprocal { zero: true, .. } if code == 0 => Some(0),
            Encoding::Reciprocal { numerator, denominator, .. } => match magnitude.checked_mul(denominator as u64) {
                Some(divisor) => scaled(numerator as u64, divisor, fraction_bits),
                None => None,
            },
            Encoding::PowerOfTwo { numerator, denominator, falling } => {
                let power = power_of_two(magnitude);
                if falling {
                    match (denominator as u64).checked_mul(power) {
                        Some(divisor) => scaled(numerator as u64, divisor, fraction_bits),
                        None => None,
                    }
                } else {
                    match (numerator as u64).checked_mul(power) {
                        Some(product) => scaled(product, denominator as u64, fraction_bits),
                        None => None,
                    }
                }
            }
            Encoding::Table(entries) => table_value(entries, magnitude, fraction_bits),
            Encoding::MantissaExponent { numerator, denominator, mantissa_bits } => {
                let mantissa = magnitude & (power_of_two(mantissa_bits as u64) - 1);
                let exponent = match magnitude.checked_shr(mantissa_bits as u32) {
                    Some(exponent) => exponent,
                    None => 0,
                };
                match (numerator as u64).checked_mul(mantissa) {
                    Some(product) => match product.checked_mul(power_of_two(exponent)) {
                        Some(product) => scaled(product, denominator as u64, fraction_bits),
                        // A mantissa of zero is zero, whatever the exponent.
                        None if mantissa == 0 => Some(0),
                        None => None,
                    },
                    None => None,
                }
            }
        };
        match bits {
            Some(bits) if bits <= i64::MAX as u64 => Some(if code < 0 { -(bits as i64) } else { bits as i64 }),
            _ => None,
        }
    }

    /// The signed code whose value is nearest; the bits are within the limits.
    const fn nearest(&self, bits: i64, fraction_bits: u8) -> Option<i64> {
        let magnitude = bits.unsigned_abs();
        let code = match self.encoding {
            Encoding::Raw => return divided(bits, 1, fraction_bits),
            Encoding::Linear { numerator, denominator, offset } => {
                let (Some(product), Some(shifted)) =
                    (bits.checked_mul(denominator as i64), (offset as i64).checked_mul(1 << fraction_bits))
                else {
                    return None;
                };
                let Some(rest) = product.checked_sub(shifted) else {
                    return None;
                };
                return divided(rest, numerator as u64, fraction_bits);
            }
            Encoding::Reciprocal { numerator, denominator, .. } => {
                let Some(scaled_numerator) = (numerator as u64).checked_mul(1 << fraction_bits) else {
                    return None;
                };
                match magnitude.checked_mul(denominator as u64) {
                    Some(divisor) => match scaled_numerator.checked_div(divisor) {
                        Some(below) => self.nearer(magnitude, below, below + 1, fraction_bits),
                        None => self.nearer(magnitude, 0, self.greatest(), fraction_bits),
                    },
                    None => None,
                }
            }
            Encoding::Table(entries) => table_nearest(entries, magnitude, fraction_bits),
            Encoding::PowerOfTwo { .. } => {
                let mut best = 0;
                let mut code = 1;
                while code <= self.greatest() && code < 64 {
                    match self.nearer(magnitude, best, code, fraction_bits) {
                        Some(nearer) => best = nearer,
                        None => return None,
                    }
                    code += 1;
                }
                Some(best)
            }
            Encoding::MantissaExponent { numerator, denominator, mantissa_bits } => {
                let limit = power_of_two(mantissa_bits as u64);
                let Some(product) = magnitude.checked_mul(denominator as u64) else {
                    return None;
                };
                let mut exponent = 0;
                loop {
                    let Some(divisor) = (numerator as u64).checked_mul(power_of_two(exponent)) else {
                        return None;
                    };
                    let Some(mantissa) = rounded_quotient(product, divisor, fraction_bits) else {
                        return None;
                    };
                    if mantissa < limit {
                        let code = exponent * limit + mantissa;
                        break if code <= self.greatest() { Some(code) } else { Some(self.greatest()) };
                    }
                    exponent += 1;
                    if exponent >= 64 {
                        return None;
                    }
                }
            }
        };
        match code {
            Some(code) if bits < 0 => Some(-(code as i64)),
            Some(code) => Some(code as i64),
            None => None,
        }
    }

    /// Of two codes, in range or not, the one whose value is nearer; the second if they are alike.
    const fn nearer(&self, magnitude: u64, first: u64, second: u64, fraction_bits: u8) -> Option<u64> {
        let first_bits = if first <= self.greatest() { self.bits_of(first as i64, fraction_bits) } else { None };
        let second_bits = if second <= self.greatest() { self.bits_of(second as i64, fraction_bits) } else { None };
        match (first_bits, second_bits) {
            (Some(a), Some(b)) => {
                let a = a.abs_diff(magnitude as i64);
                let b = b.abs_diff(magnitude as i64);
                if a < b { Some(first) } else { Some(second) }
            }
            (Some(_), None) => Some(first),
            (None, Some(_)) => Some(second),
            (None, None) => None,
        }
    }

    const fn greatest(&self) -> u64 {
        let (_, greatest) = self.code_range();
        greatest as u64
    }
}

const fn power_of_two(exponent: u64) -> u64 {
    if exponent < 64 { 1 << exponent } else { u64::MAX }
}

/// [`scaled`] for a signed numerator.
const fn signed_scaled(numerator: i64, denominator: u64, shift: u8) -> Option<i64> {
    match scaled(numerator.unsigned_abs(), denominator, shift) {
        Some(bits) if bits <= i64::MAX as u64 => Some(if numerator < 0 { -(bits as i64) } else { bits as i64 }),
        _ => None,
    }
}

/// `numerator / (divisor · 2^shift)`, rounded to nearest, halves away from zero.
const fn divided(numerator: i64, divisor: u64, shift: u8) -> Option<i64> {
    match rounded_quotient(numerator.unsigned_abs(), divisor, shift) {
        Some(quotient) if quotient <= i64::MAX as u64 => {
            Some(if numerator < 0 { -(quotient as i64) } else { quotient as i64 })
        }
        _ => None,
    }
}

const fn rounded_quotient(numerator: u64, divisor: u64, shift: u8) -> Option<u64> {
    let Some(divisor) = divisor.checked_mul(1 << shift) else {
        return None;
    };
    match (numerator.checked_div(divisor), numerator.checked_rem(divisor)) {
        (Some(quotient), Some(rest)) => Some(if rest >= divisor - rest { quotient + 1 } else { quotient }),
        _ => None,
    }
}

const fn table_value(entries: &[TableEntry], code: u64, fraction_bits: u8) -> Option<u64> {
    let mut rest = entries;
    while let [entry, tail @ ..] = rest {
        if entry.code as u64 == code {
            return scaled(entry.numerator as u64, entry.denominator as u64, fraction_bits);
        }
        rest = tail;
    }
    None
}

const fn table_nearest(entries: &[TableEntry], magnitude: u64, fraction_bits: u8) -> Option<u64> {
    let mut best: Option<(u64, u64)> = None;
    let mut rest = entries;
    while let [entry, tail @ ..] = rest {
        rest = tail;
        let Some(value) = scaled(entry.numerator as u64, entry.denominator as u64, fraction_bits) else {
            continue;
        };
        let distance = value.abs_diff(magnitude);
        match best {
            Some((_, shortest)) if shortest < distance => {}
            _ => best = Some((entry.code as u64, distance)),
        }
    }
    match best {
        Some((code, _)) => Some(code),
        None => None,
    }
}

const fn table_limits(entries: &[TableEntry], fraction_bits: u8) -> (Option<i64>, Option<i64>) {
    let mut limits: Option<(u64, u64)> = None;
    let mut rest = entries;
    while let [entry, tail @ ..] = rest {
        rest = tail;
        let Some(value) = scaled(entry.numerator as u64, entry.denominator as u64, fraction_bits) else {
            continue;
        };
        // As in `bits_of`: what 63 bits do not hold is no value of any unit.
        if value > i64::MAX as u64 {
            continue;
        }
        limits = match limits {
            None => Some((value, value)),
            Some((min, max)) => Some((if value < min { value } else { min }, if value > max { value } else { max })),
        };
    }
    match limits {
        Some((min, max)) => (Some(min as i64), Some(max as i64)),
        None => (None, None),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: 2³¹ and more, times 2³² for the unit's fraction bits, needs 64 bits; 1/4 · 2³² is 2³⁰.
    #[test]
    fn a_table_entry_beyond_any_unit_does_not_turn_the_limits_around() {
        const TABLE: Coding =
            Coding::new(2, Encoding::Table(&[TableEntry::ratio(0, 1, 4), TableEntry::new(1, u32::MAX)]));
        assert_eq!(TABLE.limits(Unit::SharePerStepPerSecond), (1 << 30, 1 << 30));
    }
}
