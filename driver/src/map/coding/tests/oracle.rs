//! What codes mean, calculated another way: in 128-bit fractions, straight from the encodings' definitions.

use super::super::{Coding, Encoding, Sign};
use crate::units::Unit;

/// The signed number behind a code, from the definitions of the three signs.
fn signed(coding: &Coding, code: u32) -> i128 {
    let code = i128::from(code);
    let half = 1i128 << (coding.width - 1);
    match coding.sign {
        Sign::Unsigned => code,
        Sign::TwosComplement => (code ^ half) - half,
        Sign::SignMagnitude => (code & (half - 1)) * if code & half == 0 { 1 } else { -1 },
    }
}

/// A code's value in fixed-point bits, as a fraction with positive denominator; `None` if it means nothing, or so much
/// that no unit holds it.
fn exact(coding: &Coding, code: u32, unit: Unit) -> Option<(i128, i128)> {
    let signed = signed(coding, code);
    let magnitude = signed.abs();
    let is_linear = matches!(coding.encoding, Encoding::Raw | Encoding::Linear { .. });
    let has_partner = signed >= 0 || magnitude < 1 << (coding.width - 1);
    if magnitude > i128::from(coding.max_code) || !is_linear && !has_partner {
        return None;
    }
    let one = 1i128 << unit.fraction_bits();
    let (numerator, denominator) = match coding.encoding {
        Encoding::Raw => return Some((signed * one, 1)),
        Encoding::Linear { numerator, denominator, offset } => {
            let sum = signed * i128::from(numerator) + i128::from(offset);
            return Some((sum * one, i128::from(denominator)));
        }
        Encoding::Reciprocal { zero, .. } if magnitude == 0 => return zero.then_some((0, 1)),
        Encoding::Reciprocal { numerator, denominator, .. } => {
            (i128::from(numerator), i128::from(denominator) * magnitude)
        }
        Encoding::PowerOfTwo { numerator, denominator, falling: false } => {
            (doubled(i128::from(numerator), magnitude)?, i128::from(denominator))
        }
        // 2⁸⁰ halves the greatest value away to nothing.
        Encoding::PowerOfTwo { numerator, denominator, falling: true } => {
            (i128::from(numerator), i128::from(denominator) << magnitude.min(80))
        }
        Encoding::Table(entries) => {
            let entry = entries.iter().find(|entry| i128::from(entry.code) == magnitude)?;
            (i128::from(entry.numerator), i128::from(entry.denominator))
        }
        Encoding::MantissaExponent { numerator, denominator, mantissa_bits } => {
            let (mantissa, exponent) = (magnitude % (1 << mantissa_bits), magnitude >> mantissa_bits);
            (doubled(mantissa * i128::from(numerator), exponent)?, i128::from(denominator))
        }
    };
    Some((numerator * one * if signed < 0 { -1 } else { 1 }, denominator))
}

/// `factor · 2^times`, `None` from 2⁸⁰ on: over the greatest denominator that is still 2⁴⁸.
fn doubled(factor: i128, times: i128) -> Option<i128> {
    if factor == 0 {
        return Some(0);
    }
    (i128::from(factor.ilog2()) + times < 80).then(|| factor << times)
}

/// A code's value in whole fixed-point bits, halves away from zero; `None` if it means nothing or the unit does not
/// hold it.
pub(super) fn value(coding: &Coding, code: u32, unit: Unit) -> Option<i64> {
    let (numerator, denominator) = exact(coding, code, unit)?;
    let rounded = (2 * numerator.abs() + denominator) / (2 * denominator) * numerator.signum();
    let (min, max) = unit.range();
    i64::try_from(rounded).ok().filter(|bits| (min..=max).contains(bits))
}
