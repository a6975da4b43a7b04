//! Codes and what they mean: both directions of every encoding, exact, in integers.
//!
//! A code is first given its sign ([`Sign`]), then its meaning ([`Encoding`]), a value rounded to the fixed-point bits
//! of a [`Unit`]. The way back finds the code whose value, so rounded, is nearest; a value outside of what the codes
//! can mean is an error, never a clamp. Ties go to the code of greater magnitude. The calculating itself stands in
//! `arithmetic`, for both directions. No arithmetic is wider than 64 bits.

mod arithmetic;
pub(crate) mod scale;
#[cfg(test)]
mod tests;

use crate::units::{OutOfRange, Unit};

use scale::{All, Encodings};

/// How a code carries a sign.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
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
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
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
/// keeps its sign); so code 0 can only mean zero or nothing, and a code without a positive partner, as two's
/// complement has one, means nothing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
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

impl Encoding {
    const fn same(&self, other: &Self) -> bool {
        match (*self, *other) {
            (Self::Raw, Self::Raw) => true,
            (
                Self::Linear { numerator: n, denominator: d, offset: o },
                Self::Linear { numerator, denominator, offset },
            ) => n == numerator && d == denominator && o == offset,
            (
                Self::Reciprocal { numerator: n, denominator: d, zero: z },
                Self::Reciprocal { numerator, denominator, zero },
            ) => n == numerator && d == denominator && z == zero,
            (
                Self::PowerOfTwo { numerator: n, denominator: d, falling: f },
                Self::PowerOfTwo { numerator, denominator, falling },
            ) => n == numerator && d == denominator && f == falling,
            (
                Self::MantissaExponent { numerator: n, denominator: d, mantissa_bits: m },
                Self::MantissaExponent { numerator, denominator, mantissa_bits },
            ) => n == numerator && d == denominator && m == mantissa_bits,
            (Self::Table(a), Self::Table(b)) => same_entries(a, b),
            _ => false,
        }
    }
}

const fn same_entries(a: &[TableEntry], b: &[TableEntry]) -> bool {
    let (mut a, mut b) = (a, b);
    loop {
        match (a, b) {
            ([], []) => return true,
            ([x, rest_a @ ..], [y, rest_b @ ..])
                if x.code == y.code && x.numerator == y.numerator && x.denominator == y.denominator =>
            {
                (a, b) = (rest_a, rest_b);
            }
            _ => return false,
        }
    }
}

/// Why a coding cannot be calculated with.
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum CodingFlaw {
    /// A code has 1 to 32 bits.
    Width {
        /// The bits that it should have.
        found: u8,
    },
    /// Only code 0 is left, and it means nothing.
    GreatestCode {
        /// The greatest code.
        found: u32,
    },
    /// A factor of zero, or one divided by zero.
    Ratio {
        /// The numerator.
        numerator: u32,
        /// The denominator.
        denominator: u32,
    },
    /// No mantissa, or no bit beside it for the exponent.
    MantissaWidth {
        /// The bits of the mantissa.
        found: u8,
        /// The most that it can have.
        most: u8,
    },
    /// A table without a code.
    TableEmpty,
    /// A code in the table that is too great.
    TableCode {
        /// The code.
        code: u32,
        /// The greatest one, which bits, sign and upper limit leave.
        greatest: u32,
    },
    /// A code that the table has twice.
    TableTwice {
        /// The code.
        code: u32,
    },
    /// A value divided by zero.
    TableDenominator {
        /// Its code.
        code: u32,
    },
    /// A sign where code 0 is not zero: it has no negative.
    SignedZero,
}

/// How wide a code is, how it carries a sign, and what it means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
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
    /// Nearest may be zero: where one code is 5 steps/s², 1 step/s² becomes code 0, which may stop all motion. What a
    /// code really means, [`value_of`](Self::value_of) and [`Register::quantised`](super::Register::quantised) tell.
    ///
    /// # Errors
    /// [`OutOfRange`] if the value is outside of what the codes mean.
    pub const fn code_of(&self, bits: i64, unit: Unit) -> Result<u32, OutOfRange> {
        // What most values of most registers need; it is never another code than the one below.
        if let Some(code) = self.nearest_of_line(bits, unit) {
            return Ok(self.with_sign(code));
        }
        let (min, max) = self.limits(unit);
        if bits < min || bits > max {
            return Err(unit.out_of_range(bits, min, max));
        }
        match self.nearest::<All>(bits, unit) {
            Some(code) => Ok(self.with_sign(code)),
            None => Err(unit.out_of_range(bits, min, max)),
        }
    }

    /// The fixed-point bits of the value that a code means.
    ///
    /// # Errors
    /// [`OutOfRange`] if the code has more bits than the coding or means nothing (then the value is the code itself,
    /// with its sign), or if the unit does not hold its value (beyond 64 bits, the last value that they hold).
    pub const fn value_of(&self, code: u32, unit: Unit) -> Result<i64, OutOfRange> {
        self.value_among::<All>(code, unit)
    }

    /// As [`value_of`](Self::value_of), of an encoding that is among `E`'s.
    const fn value_among<E: Encodings>(&self, code: u32, unit: Unit) -> Result<i64, OutOfRange> {
        let (least, greatest) = self.code_range();
        if code > self.mask() {
            return Err(Unit::Code.out_of_range(code as i64, least, greatest));
        }
        let signed = self.without_sign(code);
        if signed < least || signed > greatest || !self.has_meaning::<E>(signed) {
            return Err(Unit::Code.out_of_range(signed, least, greatest));
        }
        match self.bits_of::<E>(signed, unit.fraction_bits()) {
            Some(bits) => unit.checked(bits),
            None => unit.checked(if signed < 0 { i64::MIN } else { i64::MAX }),
        }
    }

    /// The fixed-point bits of the smallest and of the greatest value that a code means and this unit holds.
    ///
    /// The first is above the second if there is no such value.
    #[must_use]
    pub const fn limits(&self, unit: Unit) -> (i64, i64) {
        let (unit_min, unit_max) = unit.range();
        let (min, max) = self.extremes(unit);
        // What overflows 64 bits is beyond the unit's own range, too.
        let min = match min {
            Some(min) if unit_min <= min && min <= unit_max => Some(min),
            _ => self.nearest_bits(unit_min, unit),
        };
        let max = match max {
            Some(max) if unit_min <= max && max <= unit_max => Some(max),
            _ => self.nearest_bits(unit_max, unit),
        };
        match (min, max) {
            (Some(min), Some(max)) => (min, max),
            // A type that reaches one bit further down than up can hold a negative value alone.
            (Some(only), None) | (None, Some(only)) => (only, only),
            (None, None) => (unit_max, unit_min),
        }
    }

    /// Smallest and greatest code once it has its sign.
    #[must_use]
    pub const fn code_range(&self) -> (i64, i64) {
        let mask = self.mask() as i64;
        let limit = self.max_code as i64;
        let least = match (self.sign, self.encoding) {
            (Sign::Unsigned, Encoding::Reciprocal { zero: false, .. }) => 1,
            (Sign::Unsigned, _) => 0,
            (Sign::TwosComplement, Encoding::Raw | Encoding::Linear { .. }) => -(mask >> 1) - 1,
            (Sign::TwosComplement | Sign::SignMagnitude, _) => -(mask >> 1),
        };
        let greatest = if matches!(self.sign, Sign::Unsigned) { mask } else { mask >> 1 };
        (if least < -limit { -limit } else { least }, if greatest > limit { limit } else { greatest })
    }

    /// Whether the coding can be calculated with, and tells a value from its negative.
    #[must_use]
    pub const fn is_sound(&self) -> bool {
        self.check().is_ok()
    }

    /// Checks that the coding can be calculated with, and tells a value from its negative.
    ///
    /// # Errors
    /// The first [`CodingFlaw`] found.
    pub const fn check(&self) -> Result<(), CodingFlaw> {
        if self.width == 0 || self.width > 32 {
            return Err(CodingFlaw::Width { found: self.width });
        }
        let (least, greatest) = self.code_range();
        if least > greatest {
            return Err(CodingFlaw::GreatestCode { found: greatest as u32 });
        }
        let is_signed = !matches!(self.sign, Sign::Unsigned);
        match self.encoding {
            Encoding::Raw => Ok(()),
            Encoding::Table(entries) => check_table(entries, greatest, is_signed),
            Encoding::Linear { numerator, denominator, .. }
            | Encoding::Reciprocal { numerator, denominator, .. }
            | Encoding::PowerOfTwo { numerator, denominator, .. }
            | Encoding::MantissaExponent { numerator, denominator, .. }
                if numerator == 0 || denominator == 0 =>
            {
                Err(CodingFlaw::Ratio { numerator, denominator })
            }
            Encoding::Linear { .. } => Ok(()),
            Encoding::Reciprocal { .. } if greatest == 0 => Err(CodingFlaw::GreatestCode { found: 0 }),
            Encoding::Reciprocal { .. } => Ok(()),
            // Code 0 means more than nothing and has no negative partner.
            Encoding::PowerOfTwo { .. } if is_signed => Err(CodingFlaw::SignedZero),
            Encoding::PowerOfTwo { .. } => Ok(()),
            Encoding::MantissaExponent { mantissa_bits, .. } => {
                let magnitude_bits = self.width - is_signed as u8;
                if mantissa_bits > 0 && mantissa_bits < magnitude_bits {
                    return Ok(());
                }
                Err(CodingFlaw::MantissaWidth { found: mantissa_bits, most: magnitude_bits.saturating_sub(1) })
            }
        }
    }

    /// Whether both are the same: `==` for use in `const fn`.
    pub(crate) const fn same(&self, other: &Self) -> bool {
        let alike = self.width == other.width && self.max_code == other.max_code && self.sign as u8 == other.sign as u8;
        alike && self.encoding.same(&other.encoding)
    }

    /// The signed number that a code's bits stand for.
    const fn without_sign(&self, code: u32) -> i64 {
        let top = ((self.mask() >> 1) + 1) as i64;
        let code = code as i64;
        match self.sign {
            Sign::TwosComplement if code >= top => code - 2 * top,
            Sign::SignMagnitude if code >= top => top - code,
            _ => code,
        }
    }

    /// The code's bits for a signed number in [`code_range`](Self::code_range).
    const fn with_sign(&self, signed: i64) -> u32 {
        match self.sign {
            Sign::SignMagnitude if signed < 0 => ((self.mask() >> 1) + 1) | signed.unsigned_abs() as u32,
            _ => signed as u32 & self.mask(),
        }
    }
}

const fn check_table(entries: &[TableEntry], greatest: i64, is_signed: bool) -> Result<(), CodingFlaw> {
    let mut rest = entries;
    while let [entry, tail @ ..] = rest {
        let code = entry.code;
        if entry.denominator == 0 {
            return Err(CodingFlaw::TableDenominator { code });
        }
        if code as i64 > greatest {
            return Err(CodingFlaw::TableCode { code, greatest: greatest as u32 });
        }
        if is_signed && code == 0 && entry.numerator != 0 {
            return Err(CodingFlaw::SignedZero);
        }
        let mut others = tail;
        while let [other, more @ ..] = others {
            if other.code == code {
                return Err(CodingFlaw::TableTwice { code });
            }
            others = more;
        }
        rest = tail;
    }
    if entries.is_empty() { Err(CodingFlaw::TableEmpty) } else { Ok(()) }
}
