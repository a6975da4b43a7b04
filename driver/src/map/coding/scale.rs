//! A coding as a map's compiled tables have it: with its unit, with the limits of its values worked out, and with what the
//! codings of one map have not left out of the arithmetic.
//!
//! It gives what [`Coding`] gives, code for code and error for error, but an image needs only the encodings that its maps have,
//! and most values take a few instructions of 32 bits.

use crate::units::{OutOfRange, Unit, divided};

use super::{Coding, Encoding, Sign};

/// The encodings that there are among some codings: arithmetic that is compiled for them has no others.
pub(crate) trait Encodings {
    /// Whether lines through zero go the way of all others.
    const LINES: bool;
    /// Lines.
    const LINEAR: bool;
    /// Lines that do not go through zero.
    const OFFSET: bool;
    /// Periods.
    const RECIPROCAL: bool;
    /// Rising powers of two.
    const RISING: bool;
    /// Falling powers of two.
    const FALLING: bool;
    /// Tables.
    const TABLE: bool;
    /// Mantissas with exponents.
    const MANTISSA: bool;
}

/// Every encoding.
#[derive(Clone, Copy, Debug)]
pub(crate) struct All;

impl Encodings for All {
    const LINES: bool = true;
    const LINEAR: bool = true;
    const OFFSET: bool = true;
    const RECIPROCAL: bool = true;
    const RISING: bool = true;
    const FALLING: bool = true;
    const TABLE: bool = true;
    const MANTISSA: bool = true;
}

/// A coding with a unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Scale {
    coding: Coding,
    unit: Unit,
    /// Whether values are proportional to codes.
    is_line: bool,
    /// Whether 32 bits are enough to find a line's code.
    is_narrow: bool,
    /// Greatest magnitude of a code whose value the unit holds, upwards and downwards; of lines.
    ends: (u32, u32),
    min: i64,
    max: i64,
}

impl Scale {
    pub(crate) const ANY: Self = Self::new(Coding::new(1, Encoding::Raw), Unit::Code);

    pub(crate) const fn new(coding: Coding, unit: Unit) -> Self {
        let (min, max) = coding.limits(unit);
        let mut scale = Self { coding, unit, is_line: false, is_narrow: false, ends: (0, 0), min, max };
        let Some((numerator, denominator)) = scale.ratio() else {
            return scale;
        };
        scale.is_line = min <= max;
        let (least, greatest) = coding.code_range();
        scale.ends = (scale.end(greatest, max), scale.end(least, min));
        let fraction_bits = unit.fraction_bits() as u32;
        let most = greater(min.unsigned_abs(), max.unsigned_abs());
        // The whole part and the fraction of a value are multiplied apart.
        let step = (numerator as u64) << fraction_bits;
        scale.is_narrow = fraction_bits < 32
            && ((most >> fraction_bits) + 1).saturating_mul(denominator as u64) <= u32::MAX as u64
            && (denominator as u64) << fraction_bits <= u32::MAX as u64
            && 2 * step + denominator as u64 <= u32::MAX as u64;
        scale
    }

    const fn ratio(&self) -> Option<(u32, u32)> {
        match self.coding.encoding {
            Encoding::Raw => Some((1, 1)),
            Encoding::Linear { numerator, denominator, offset: 0 } => Some((numerator, denominator)),
            _ => None,
        }
    }

    /// The magnitude of the outermost code toward `code` that the unit holds, whose value is `limit`.
    const fn end(&self, code: i64, limit: i64) -> u32 {
        if self.coding.held_bits::<All>(code, self.unit).is_some() {
            return code.unsigned_abs() as u32;
        }
        let (first, second) = self.coding.neighbours::<All>(limit, self.unit.fraction_bits());
        let is_held = self.coding.held_bits::<All>(second, self.unit).is_some();
        (if is_held { second } else { first }).unsigned_abs() as u32
    }

    pub(crate) const fn unit(&self) -> Unit {
        self.unit
    }


    pub(crate) const fn mask(&self) -> u32 {
        self.coding.mask()
    }

    pub(crate) const fn is_same(&self, coding: &Coding, unit: Unit) -> bool {
        self.unit as u8 == unit as u8 && self.coding.same(coding)
    }

    /// As [`Coding::code_of`].
    pub(crate) fn code_of<E: Encodings>(&self, bits: i64) -> Result<u32, OutOfRange> {
        if bits < self.min || bits > self.max {
            return Err(self.unit.out_of_range(bits, self.min, self.max));
        }
        if let (true, Some((numerator, denominator))) = (self.is_line, self.ratio()) {
            let (up, down) = self.ends;
            let (end, magnitude) = if bits < 0 { (down, bits.unsigned_abs()) } else { (up, bits.unsigned_abs()) };
            let fraction_bits = self.unit.fraction_bits() as u32;
            let code = if self.is_narrow {
                narrow_code(magnitude as u32, numerator, denominator, fraction_bits, end)
            } else {
                wide_code(magnitude, numerator, denominator, fraction_bits, end)
            };
            let is_negative = bits < 0;
            return Ok(match self.coding.sign {
                Sign::SignMagnitude if is_negative && code > 0 => code | (self.mask() >> 1) + 1,
                _ if is_negative => code.wrapping_neg() & self.mask(),
                _ => code,
            });
        }
        match self.coding.nearest::<E>(bits, self.unit) {
            Some(code) => Ok(self.coding.with_sign(code)),
            None => Err(self.unit.out_of_range(bits, self.min, self.max)),
        }
    }

    /// As [`Coding::value_of`].
    pub(crate) fn value_of<E: Encodings>(&self, code: u32) -> Result<i64, OutOfRange> {
        self.coding.value_among::<E>(code, self.unit)
    }
}

/// The code, `end` at most, that is nearest to a value of a line: all in 32 bits.
const fn narrow_code(magnitude: u32, numerator: u32, denominator: u32, fraction_bits: u32, end: u32) -> u32 {
    let fraction = magnitude & ((1 << fraction_bits) - 1);
    let parts = fraction.wrapping_mul(denominator);
    let whole = (magnitude >> fraction_bits).wrapping_mul(denominator).wrapping_add(parts >> fraction_bits);
    let (below, more) = match (numerator, whole.checked_div(numerator)) {
        (1, _) | (_, None) => (whole, 0),
        (_, Some(below)) => (below, whole.wrapping_sub(below.wrapping_mul(numerator))),
    };
    if below >= end {
        return end;
    }
    let rest = more << fraction_bits | parts & ((1 << fraction_bits) - 1);
    let left = (numerator << fraction_bits).wrapping_sub(rest);
    below + is_above_middle(rest as u64, left as u64, denominator) as u32
}

/// The same where 32 bits are too few.
const fn wide_code(magnitude: u64, numerator: u32, denominator: u32, fraction_bits: u32, end: u32) -> u32 {
    // A unit's bits are at most 2³², so the product and a numerator's step are within 64 bits.
    let product = magnitude.wrapping_mul(denominator as u64);
    let step = (numerator as u64) << fraction_bits;
    let (below, rest) = if numerator == 1 {
        (product >> fraction_bits, product & (step - 1))
    } else {
        divided(product, step)
    };
    if below >= end as u64 {
        return end;
    }
    below as u32 + is_above_middle(rest, step.wrapping_sub(rest), denominator) as u32
}

/// Whether the value that is `left` above is nearer than the one that is `rest` below, once both are rounded to bits of
/// `denominator`; in the middle the upper one is.
const fn is_above_middle(rest: u64, left: u64, denominator: u32) -> bool {
    if rest.abs_diff(left) > denominator as u64 {
        return rest > left;
    }
    // Each is half a bit beside its value at most. The lower one is rounded up on a half, away from zero, and so is the upper.
    let denominator = denominator as u64;
    let (below, remaining) = divided(rest, denominator);
    let below = below + (2 * remaining > denominator) as u64;
    let (above, remaining) = divided(left, denominator);
    let above = above + (2 * remaining >= denominator) as u64;
    below >= above
}

const fn greater(a: u64, b: u64) -> u64 {
    if a > b { a } else { b }
}
