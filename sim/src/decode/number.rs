//! Reads codes as numbers and finds the code nearest to a number.
//!
//! A code's value is an exact quotient of 128-bit integers; only the last step turns it into an `f64`. On the way
//! back the number is first taken to the nearest multiple of 2⁻⁴⁰, and from there everything is exact, too.

use stepchain::map::{Coding, Encoding, Sign, TableEntry};

/// Bits behind the binary point when a number is turned into a code.
const FRACTION_BITS: u32 = 40;
/// Beyond this magnitude every number is alike: no unit holds as much.
const GREATEST: f64 = (1u64 << 48) as f64;
/// No power of two above this one is looked at.
const GREATEST_EXPONENT: u64 = 64;

/// The signed number that a code's bits stand for; `None` if it is above the greatest code of its register.
#[must_use]
pub fn signed_code(code: u32, coding: &Coding) -> Option<i64> {
    let code = i64::from(code) & ones(coding.width);
    let top = 1 << (coding.width.clamp(1, 32) - 1);
    let signed = match coding.sign {
        Sign::TwosComplement if code & top != 0 => code - 2 * top,
        Sign::SignMagnitude if code & top != 0 => -(code - top),
        Sign::Unsigned | Sign::TwosComplement | Sign::SignMagnitude => code,
    };
    (signed.unsigned_abs() <= u64::from(coding.max_code)).then_some(signed)
}

/// The value of a code, in the unit of its register; `None` if the code means nothing.
#[must_use]
pub fn value_of(code: u32, coding: &Coding) -> Option<f64> {
    let signed = signed_code(code, coding)?;
    let (numerator, denominator) = match coding.encoding {
        Encoding::Raw => (i128::from(signed), 1),
        Encoding::Linear { numerator, denominator, offset } => {
            (i128::from(signed) * i128::from(numerator) + i128::from(offset), i128::from(denominator))
        }
        // The least code of two's complement has no partner that it could be the negative of.
        _ if coding.sign == Sign::TwosComplement && signed.unsigned_abs() > ones(coding.width - 1) as u64 => {
            return None;
        }
        _ => {
            let (numerator, denominator) = magnitude_of(signed.unsigned_abs(), &coding.encoding)?;
            (if signed < 0 { -numerator } else { numerator }, denominator)
        }
    };
    Some(numerator as f64 / denominator as f64)
}

/// Numerator and denominator of what an unsigned code means in the encodings that are alike in both directions.
fn magnitude_of(code: u64, encoding: &Encoding) -> Option<(i128, i128)> {
    let quotient = |numerator: u32, denominator: u32| (i128::from(numerator), i128::from(denominator));
    match *encoding {
        Encoding::Raw | Encoding::Linear { .. } => None,
        Encoding::Reciprocal { zero, .. } if code == 0 => zero.then_some((0, 1)),
        Encoding::Reciprocal { numerator, denominator, .. } => {
            Some((i128::from(numerator), i128::from(denominator) * i128::from(code)))
        }
        Encoding::PowerOfTwo { numerator, denominator, falling } => {
            let (numerator, denominator) = quotient(numerator, denominator);
            let power = power_of_two(code)?;
            Some(if falling { (numerator, denominator * power) } else { (numerator * power, denominator) })
        }
        Encoding::Table(entries) => {
            let entry = entries.iter().find(|entry| u64::from(entry.code) == code)?;
            Some(quotient(entry.numerator, entry.denominator))
        }
        Encoding::MantissaExponent { numerator, denominator, mantissa_bits } => {
            let mantissa = i128::from(code & ones(mantissa_bits) as u64);
            let power = if mantissa == 0 { 1 } else { power_of_two(code >> mantissa_bits)? };
            Some((i128::from(numerator) * mantissa * power, i128::from(denominator)))
        }
    }
}

/// The code whose value is nearest to `value`, as a device shows a quantity that it keeps: beyond its ends a code
/// stays at its end, and a code without sign stays at zero for what is negative. Ties go away from zero.
#[must_use]
pub fn nearest_code(value: f64, coding: &Coding) -> u32 {
    let (least, greatest) = code_range(coding);
    let bits = (value.clamp(-GREATEST, GREATEST) * (1u64 << FRACTION_BITS) as f64).round() as i128;
    let signed = match coding.encoding {
        Encoding::Raw => divided(bits, 1 << FRACTION_BITS),
        Encoding::Linear { numerator, denominator, offset } => divided(
            bits * i128::from(denominator) - (i128::from(offset) << FRACTION_BITS),
            i128::from(numerator) << FRACTION_BITS,
        ),
        _ if bits < 0 && coding.sign != Sign::Unsigned => {
            -i128::from(nearest_magnitude(bits.unsigned_abs(), coding, least.unsigned_abs()))
        }
        _ => i128::from(nearest_magnitude(bits.max(0).unsigned_abs(), coding, greatest.unsigned_abs())),
    };
    let signed = signed.clamp(i128::from(least), i128::from(greatest)) as i64;
    match coding.sign {
        Sign::SignMagnitude if signed < 0 => 1 << (coding.width - 1) | signed.unsigned_abs() as u32,
        _ => (signed & ones(coding.width)) as u32,
    }
}

fn code_range(coding: &Coding) -> (i64, i64) {
    let limit = i64::from(coding.max_code);
    let (least, greatest) = match coding.sign {
        Sign::Unsigned => (0, ones(coding.width)),
        Sign::TwosComplement if matches!(coding.encoding, Encoding::Raw | Encoding::Linear { .. }) => {
            (-ones(coding.width - 1) - 1, ones(coding.width - 1))
        }
        Sign::TwosComplement | Sign::SignMagnitude => (-ones(coding.width - 1), ones(coding.width - 1)),
    };
    (least.max(-limit), greatest.min(limit))
}

/// The unsigned code up to `greatest` whose magnitude is nearest to `bits` · 2^−40.
fn nearest_magnitude(bits: u128, coding: &Coding, greatest: u64) -> u64 {
    let nearer = |first: u64, second: u64| {
        let distance = |code: u64| magnitude_of(code, &coding.encoding).map(|value| Distance::between(value, bits));
        match (distance(first), distance(second)) {
            (Some(a), Some(b)) if a.is_less_than(&b) => first,
            (Some(_), None) => first,
            _ => second,
        }
    };
    match coding.encoding {
        Encoding::Raw | Encoding::Linear { .. } => 0,
        Encoding::Reciprocal { numerator, denominator, .. } => {
            let one_code = u128::from(numerator) << FRACTION_BITS;
            match one_code.checked_div(bits.saturating_mul(u128::from(denominator))) {
                None => nearer(greatest, 0),
                Some(below) => {
                    let below = u64::try_from(below).unwrap_or(u64::MAX).min(greatest);
                    let above = (below + 1).min(greatest);
                    // Far below the slowest period, zero may be nearer than any.
                    nearer(nearer(below, above), if above == greatest { 0 } else { above })
                }
            }
        }
        Encoding::PowerOfTwo { .. } => (0..=greatest.min(GREATEST_EXPONENT)).reduce(nearer).unwrap_or(0),
        Encoding::Table(entries) => entries.iter().map(code_of_entry).reduce(nearer).unwrap_or(0),
        Encoding::MantissaExponent { numerator, denominator, mantissa_bits } => {
            let mantissas = 1u128 << mantissa_bits;
            let code_with = |exponent: u32| {
                let scaled = bits.saturating_mul(u128::from(denominator));
                let step = u128::from(numerator) << (FRACTION_BITS + exponent);
                let mantissa = scaled.saturating_add(step / 2) / step;
                (mantissa < mantissas).then(|| u64::from(exponent) << mantissa_bits | mantissa as u64)
            };
            // The smallest exponent that reaches has the finest steps. Where a greatest code cuts its exponent off, the
            // last code of the exponent below may mean more.
            match (0..48).find_map(code_with) {
                Some(code) if code <= greatest => code,
                _ => nearer(greatest, (greatest >> mantissa_bits << mantissa_bits).saturating_sub(1)),
            }
        }
    }
}

/// How far a quotient is from a number: itself a quotient.
struct Distance {
    numerator: u128,
    denominator: u128,
}

impl Distance {
    fn between((numerator, denominator): (i128, i128), bits: u128) -> Self {
        let (numerator, denominator) = (numerator.unsigned_abs(), denominator.unsigned_abs());
        let value = numerator.saturating_mul(1 << FRACTION_BITS);
        Self { numerator: value.abs_diff(bits.saturating_mul(denominator)), denominator }
    }

    fn is_less_than(&self, other: &Self) -> bool {
        match (self.numerator.checked_mul(other.denominator), other.numerator.checked_mul(self.denominator)) {
            (Some(a), Some(b)) => a < b,
            // Only for distances so great that rounding does not decide.
            _ => (self.numerator as f64 / self.denominator as f64) < other.numerator as f64 / other.denominator as f64,
        }
    }
}

fn power_of_two(exponent: u64) -> Option<i128> {
    (exponent <= GREATEST_EXPONENT).then(|| 1 << exponent)
}

fn code_of_entry(entry: &TableEntry) -> u64 {
    u64::from(entry.code)
}

/// The lowest `width` bits, at most 32 of them.
fn ones(width: u8) -> i64 {
    (1 << width.min(32)) - 1
}

/// Rounded to nearest, halves away from zero; the divisor is positive.
fn divided(numerator: i128, divisor: i128) -> i128 {
    let half = if numerator < 0 { -divisor / 2 } else { divisor / 2 };
    (numerator + half) / divisor
}
