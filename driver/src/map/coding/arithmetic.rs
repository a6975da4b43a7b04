//! The arithmetic of every encoding, both ways: a code's value, and the two codes between which a value lies.
//!
//! Codes have their sign here; values are fixed-point bits. The way back first finds, in closed form and exactly, the
//! two codes whose values enclose the wanted one, and then takes the one that is nearer once rounded: so a value that
//! was read from a code always leads back to a code of that value. Knows nothing of code bits and of errors.

use crate::units::{Unit, divided, scaled};

use super::scale::{All, Encodings};
use super::{Coding, Encoding, TableEntry};

impl Coding {
    /// Whether a signed code in range means a value at all.
    pub(super) const fn has_meaning<E: Encodings>(&self, code: i64) -> bool {
        match self.encoding {
            Encoding::Reciprocal { zero: false, .. } if E::RECIPROCAL => code != 0,
            Encoding::Table(entries) if E::TABLE => table_entry(entries, code.unsigned_abs()).is_some(),
            _ => true,
        }
    }

    /// The fixed-point bits of a signed code's value, rounded to nearest, halves away from zero; `None` if it means
    /// nothing, or overflows, or is of an encoding that `E` leaves out.
    pub(super) const fn bits_of<E: Encodings>(&self, code: i64, fraction_bits: u8) -> Option<i64> {
        let magnitude = code.unsigned_abs();
        let bits = match self.encoding {
            Encoding::Raw => scaled(magnitude, 1, fraction_bits),
            Encoding::Linear { numerator, denominator, offset } if E::LINEAR => {
                let Some(product) = magnitude.checked_mul(numerator as u64) else {
                    return None;
                };
                let Some((negative, sum)) = plus(code < 0, product, offset as i64) else {
                    return None;
                };
                return with_sign(negative, scaled(sum, denominator as u64, fraction_bits));
            }
            Encoding::Reciprocal { zero: true, .. } if E::RECIPROCAL && code == 0 => Some(0),
            Encoding::Reciprocal { numerator, denominator, .. } if E::RECIPROCAL => {
                match magnitude.checked_mul(denominator as u64) {
                    Some(divisor) => scaled(numerator as u64, divisor, fraction_bits),
                    None => None,
                }
            }
            Encoding::PowerOfTwo { numerator, denominator, falling: false } if E::RISING => {
                match times_power_of_two(numerator as u64, magnitude) {
                    Some(product) => scaled(product, denominator as u64, fraction_bits),
                    None => None,
                }
            }
            Encoding::PowerOfTwo { numerator, denominator, falling: true } if E::FALLING => {
                halved((numerator as u64).checked_shl(fraction_bits as u32), denominator as u64, magnitude)
            }
            Encoding::Table(entries) if E::TABLE => match table_entry(entries, magnitude) {
                Some(entry) => scaled(entry.numerator as u64, entry.denominator as u64, fraction_bits),
                None => None,
            },
            Encoding::MantissaExponent { numerator, denominator, mantissa_bits } if E::MANTISSA => {
                let mantissa = magnitude & low_bits(mantissa_bits);
                let exponent = match magnitude.checked_shr(mantissa_bits as u32) {
                    Some(exponent) => exponent,
                    None => 0,
                };
                match (numerator as u64).checked_mul(mantissa) {
                    // A mantissa of zero is zero, whatever the exponent.
                    Some(0) => Some(0),
                    Some(product) => match times_power_of_two(product, exponent) {
                        Some(product) => scaled(product, denominator as u64, fraction_bits),
                        None => None,
                    },
                    None => None,
                }
            }
            _ => return None,
        };
        with_sign(code < 0, bits)
    }

    /// Smallest and greatest of the values that the codes mean, whether the unit holds them or not; `None` for what
    /// overflows. For a table, only of those that the unit holds.
    pub(super) const fn extremes(&self, unit: Unit) -> (Option<i64>, Option<i64>) {
        let (least, greatest) = self.code_range();
        let fraction_bits = unit.fraction_bits();
        let (smallest, largest) = match self.encoding {
            Encoding::Raw | Encoding::Linear { .. } => {
                return (self.bits_of::<All>(least, fraction_bits), self.bits_of::<All>(greatest, fraction_bits));
            }
            Encoding::Table(entries) => return table_extremes(entries, least < 0, unit),
            Encoding::Reciprocal { zero, .. } => (if zero { 0 } else { greatest }, 1),
            Encoding::PowerOfTwo { falling, .. } => {
                if falling {
                    (greatest, 0)
                } else {
                    (0, greatest)
                }
            }
            Encoding::MantissaExponent { mantissa_bits, .. } => (0, self.code_of_greatest(mantissa_bits)),
        };
        let max = self.bits_of::<All>(largest, fraction_bits);
        // With a sign, the values reach as far down as up.
        let min = if least < 0 {
            self.bits_of::<All>(-largest, fraction_bits)
        } else {
            self.bits_of::<All>(smallest, fraction_bits)
        };
        (min, max)
    }

    /// As [`nearest`](Self::nearest), with one division of 32 bits: where values are proportional to codes, and the wanted one
    /// lies between two of them that the unit holds, by more than a bit off the middle. `None` for everything else.
    pub(super) const fn nearest_of_line(&self, bits: i64, unit: Unit) -> Option<i64> {
        let (numerator, denominator) = match self.encoding {
            Encoding::Raw => (1, 1),
            Encoding::Linear { numerator, denominator, offset: 0 } => (numerator, denominator),
            _ => return None,
        };
        let (unit_min, unit_max) = unit.range();
        let (least, greatest) = self.code_range();
        if bits < unit_min || bits > unit_max {
            return None;
        }
        let (end, beyond) = if bits < 0 { (least, unit_min) } else { (greatest, unit_max) };
        let fraction_bits = unit.fraction_bits() as u32;
        // A unit's bits are at most 2³², so the product stays within 64 bits; with room for a step above it below.
        let product = bits.unsigned_abs().wrapping_mul(denominator as u64);
        let step = (numerator as u64) << fraction_bits;
        let whole = product >> fraction_bits;
        if whole > u32::MAX as u64 || (product | step) >> 62 != 0 {
            return None;
        }
        let Some(below) = (if numerator == 1 { Some(whole as u32) } else { (whole as u32).checked_div(numerator) })
        else {
            return None;
        };
        let twice_rest = product.wrapping_sub((below as u64).wrapping_mul(step)) << 1;
        // Values are rounded to bits, each by half a bit at most, which is half of the denominator here.
        if below as u64 >= end.unsigned_abs() || twice_rest.abs_diff(step) <= denominator as u64 {
            return None;
        }
        // Where the unit ends before the second code, the values end at the first.
        if (below as u64 + 1).wrapping_mul(step) > beyond.unsigned_abs().wrapping_mul(denominator as u64) {
            return None;
        }
        let code = below as i64 + (twice_rest > step) as i64;
        Some(if bits < 0 { -code } else { code })
    }

    /// The signed code whose value, among those that the unit holds, is nearest to these bits.
    pub(super) const fn nearest<E: Encodings>(&self, bits: i64, unit: Unit) -> Option<i64> {
        if let Encoding::Table(entries) = self.encoding
            && E::TABLE
        {
            let (least, _) = self.code_range();
            return table_nearest(entries, bits, least < 0, unit);
        }
        let (first, second) = self.neighbours::<E>(bits, unit.fraction_bits());
        match (self.held_bits::<E>(first, unit), self.held_bits::<E>(second, unit)) {
            (Some(a), Some(b)) => Some(if a.abs_diff(bits) < b.abs_diff(bits) { first } else { second }),
            (Some(_), None) => Some(first),
            (None, Some(_)) => Some(second),
            (None, None) => None,
        }
    }

    /// The bits of the value that is nearest to these bits.
    pub(super) const fn nearest_bits(&self, bits: i64, unit: Unit) -> Option<i64> {
        match self.nearest::<All>(bits, unit) {
            Some(code) => self.held_bits::<All>(code, unit),
            None => None,
        }
    }

    /// The bits of a code's value, if the unit holds it.
    pub(super) const fn held_bits<E: Encodings>(&self, code: i64, unit: Unit) -> Option<i64> {
        let (min, max) = unit.range();
        match self.bits_of::<E>(code, unit.fraction_bits()) {
            Some(bits) if min <= bits && bits <= max => Some(bits),
            _ => None,
        }
    }

    /// The two codes in range between whose values the wanted one lies (or the outermost one twice), the one of
    /// greater magnitude second. Not for tables.
    pub(super) const fn neighbours<E: Encodings>(&self, bits: i64, fraction_bits: u8) -> (i64, i64) {
        let (least, greatest) = self.code_range();
        let greatest = greatest.unsigned_abs();
        // Without a sign, what is nearest to a negative value is what is nearest to zero.
        let negative = bits < 0 && least < 0;
        let magnitude = if bits < 0 && !negative { 0 } else { bits.unsigned_abs() };
        let (first, second) = match self.encoding {
            Encoding::Raw if E::LINES => return self.linear_neighbours(bits, 1, 1, 0, fraction_bits),
            Encoding::Linear { numerator, denominator, offset } if E::LINES || E::OFFSET => {
                return self.linear_neighbours(bits, numerator, denominator, offset, fraction_bits);
            }
            Encoding::Reciprocal { numerator, denominator, zero } if E::RECIPROCAL => {
                // The code is scaled numerator / (denominator · value); where that leaves the range, zero is next.
                let code = quotient(
                    (numerator as u64).checked_shl(fraction_bits as u32),
                    magnitude.checked_mul(denominator as u64),
                );
                match code {
                    _ if zero && magnitude == 0 => (0, 0),
                    Some((code, _)) if code < greatest => (if code == 0 { 1 } else { code }, code + 1),
                    _ => (if zero { 0 } else { greatest }, greatest),
                }
            }
            Encoding::PowerOfTwo { numerator, denominator, falling: false } if E::RISING => {
                let code = match multiple(magnitude, denominator, numerator, fraction_bits).checked_ilog2() {
                    Some(code) => code as u64,
                    None => 0,
                };
                (least_of(code, greatest), least_of(code + 1, greatest))
            }
            Encoding::PowerOfTwo { numerator, denominator, falling: true } if E::FALLING => {
                // The first code at which the halved value is not above the wanted one.
                let times = quotient(
                    (numerator as u64).checked_shl(fraction_bits as u32),
                    magnitude.checked_mul(denominator as u64),
                );
                let code = match times {
                    Some((times, exact)) => {
                        let below = if exact { times.saturating_sub(1) } else { times };
                        match below.checked_ilog2() {
                            Some(power) => power as u64 + 1,
                            None => 0,
                        }
                    }
                    None => greatest,
                };
                (least_of(code.saturating_sub(1), greatest), least_of(code, greatest))
            }
            Encoding::MantissaExponent { numerator, denominator, mantissa_bits } if E::MANTISSA => {
                let multiple = multiple(magnitude, denominator, numerator, fraction_bits);
                let used_bits = u64::BITS - multiple.leading_zeros();
                let exponent = used_bits.saturating_sub(mantissa_bits as u32);
                let mantissa = match multiple.checked_shr(exponent) {
                    Some(mantissa) => mantissa,
                    None => 0,
                };
                let top = self.code_of_greatest(mantissa_bits).unsigned_abs();
                let first = joined(exponent, mantissa, mantissa_bits);
                let second = if mantissa < low_bits(mantissa_bits) {
                    joined(exponent, mantissa + 1, mantissa_bits)
                } else {
                    // One more than the greatest mantissa is the same as half of one more, an exponent higher.
                    joined(exponent + 1, (low_bits(mantissa_bits) >> 1) + 1, mantissa_bits)
                };
                (least_of(first, top), least_of(second, top))
            }
            _ => return (least, least),
        };
        if negative { (-(first as i64), -(second as i64)) } else { (first as i64, second as i64) }
    }

    const fn linear_neighbours(
        &self,
        bits: i64,
        numerator: u32,
        denominator: u32,
        offset: i32,
        fraction_bits: u8,
    ) -> (i64, i64) {
        let (least, greatest) = self.code_range();
        let below = match floor_of(bits, denominator, fraction_bits) {
            Some((negative, whole)) => match plus(negative, whole, -(offset as i64)) {
                Some((negative, sum)) => floor_divided(negative, sum, numerator),
                None => greatest,
            },
            None => greatest,
        };
        let above = clamped(below.saturating_add(1), least, greatest);
        let below = clamped(below, least, greatest);
        if below < 0 { (above, below) } else { (below, above) }
    }

    /// With an exponent above the mantissa, the code that means most need not be the greatest one.
    const fn code_of_greatest(&self, mantissa_bits: u8) -> i64 {
        let (_, greatest) = self.code_range();
        let mantissas = low_bits(mantissa_bits);
        let mantissa = greatest.unsigned_abs() & mantissas;
        match greatest.checked_sub(mantissa as i64) {
            // The greatest mantissa at the exponent below.
            Some(first) if first > 0 && mantissa <= mantissas >> 1 => first - 1,
            _ => greatest,
        }
    }
}

/// `negative`'s sign for `magnitude`, `None` if 63 bits do not hold it.
const fn with_sign(negative: bool, magnitude: Option<u64>) -> Option<i64> {
    match magnitude {
        Some(magnitude) if magnitude <= i64::MAX as u64 => {
            Some(if negative { -(magnitude as i64) } else { magnitude as i64 })
        }
        _ => None,
    }
}

/// A number of sign and magnitude plus another: sums of 64-bit products need the 65th bit.
const fn plus(negative: bool, magnitude: u64, addend: i64) -> Option<(bool, u64)> {
    let added = addend.unsigned_abs();
    if negative == (addend < 0) {
        return match magnitude.checked_add(added) {
            Some(sum) => Some((negative, sum)),
            None => None,
        };
    }
    match magnitude.checked_sub(added) {
        Some(difference) => Some((negative, difference)),
        None => Some((!negative, added - magnitude)),
    }
}

/// `bits · denominator / 2^shift`, rounded down, as sign and magnitude.
const fn floor_of(bits: i64, denominator: u32, shift: u8) -> Option<(bool, u64)> {
    let Some(product) = bits.unsigned_abs().checked_mul(denominator as u64) else {
        return None;
    };
    let (Some(whole), rest) = (product.checked_shr(shift as u32), product & low_bits(shift)) else {
        return None;
    };
    let negative = bits < 0;
    plus(negative, whole, if negative && rest != 0 { -1 } else { 0 })
}

/// A number of sign and magnitude over a divisor, rounded down.
const fn floor_divided(negative: bool, magnitude: u64, divisor: u32) -> i64 {
    let Some((quotient, exact)) = quotient(Some(magnitude), Some(divisor as u64)) else {
        return 0;
    };
    let quotient = if quotient < i64::MAX as u64 { quotient as i64 } else { i64::MAX - 1 };
    match (negative, exact) {
        (false, _) => quotient,
        (true, true) => -quotient,
        (true, false) => -quotient - 1,
    }
}

/// A quotient rounded down, and whether it is exact.
const fn quotient(numerator: Option<u64>, divisor: Option<u64>) -> Option<(u64, bool)> {
    match (numerator, divisor) {
        (_, Some(0)) => None,
        (Some(numerator), Some(divisor)) => {
            let (quotient, rest) = divided(numerator, divisor);
            Some((quotient, rest == 0))
        }
        _ => None,
    }
}

/// How many times `numerator / denominator` goes into a value, rounded down.
const fn multiple(magnitude: u64, denominator: u32, numerator: u32, shift: u8) -> u64 {
    match floor_of(magnitude as i64, denominator, shift) {
        Some((_, whole)) if numerator > 0 => divided(whole, numerator as u64).0,
        Some(_) => 0,
        None => u64::MAX,
    }
}

/// `scaled_numerator / (denominator · 2^code)`, rounded to nearest: where the power leaves 64 bits the value is small.
const fn halved(scaled_numerator: Option<u64>, denominator: u64, code: u64) -> Option<u64> {
    let Some(numerator) = scaled_numerator else {
        return None;
    };
    if code == 0 {
        return scaled(numerator, denominator, 0);
    }
    if denominator == 0 {
        return None;
    }
    if code > u64::BITS as u64 {
        return Some(0);
    }
    // What the division drops is below the half that decides.
    let twice = divided(numerator, denominator).0 >> (code - 1) as u32;
    Some((twice >> 1) + (twice & 1))
}

const fn times_power_of_two(factor: u64, exponent: u64) -> Option<u64> {
    if exponent > factor.leading_zeros() as u64 {
        return None;
    }
    factor.checked_shl(exponent as u32)
}

/// A code of exponent and mantissa; what 64 bits do not hold is beyond every code.
const fn joined(exponent: u32, mantissa: u64, mantissa_bits: u8) -> u64 {
    match times_power_of_two(exponent as u64, mantissa_bits as u64) {
        Some(high) => high | mantissa,
        None => u64::MAX,
    }
}

const fn low_bits(count: u8) -> u64 {
    match 1u64.checked_shl(count as u32) {
        Some(bit) => bit - 1,
        None => u64::MAX,
    }
}

const fn least_of(a: u64, b: u64) -> u64 {
    if a < b { a } else { b }
}

const fn clamped(value: i64, min: i64, max: i64) -> i64 {
    if value < min {
        min
    } else if value > max {
        max
    } else {
        value
    }
}

const fn table_entry(entries: &[TableEntry], code: u64) -> Option<&TableEntry> {
    let mut rest = entries;
    while let [entry, tail @ ..] = rest {
        if entry.code as u64 == code {
            return Some(entry);
        }
        rest = tail;
    }
    None
}

/// The bits of an entry's value with a sign, if the unit holds them; code 0 has no negative but zero.
const fn entry_bits(entry: &TableEntry, negative: bool, unit: Unit) -> Option<i64> {
    if negative && entry.code == 0 && entry.numerator != 0 {
        return None;
    }
    let (min, max) = unit.range();
    match with_sign(negative, scaled(entry.numerator as u64, entry.denominator as u64, unit.fraction_bits())) {
        Some(bits) if min <= bits && bits <= max => Some(bits),
        _ => None,
    }
}

const fn table_nearest(entries: &[TableEntry], bits: i64, signed: bool, unit: Unit) -> Option<i64> {
    let negative = signed && bits < 0;
    let mut best: Option<(i64, u64)> = None;
    let mut rest = entries;
    while let [entry, tail @ ..] = rest {
        rest = tail;
        let Some(value) = entry_bits(entry, negative, unit) else {
            continue;
        };
        let code = if negative { -(entry.code as i64) } else { entry.code as i64 };
        let distance = value.abs_diff(bits);
        match best {
            Some((found, shortest))
                if shortest < distance || shortest == distance && found.unsigned_abs() >= entry.code as u64 => {}
            _ => best = Some((code, distance)),
        }
    }
    match best {
        Some((code, _)) => Some(code),
        None => None,
    }
}

const fn table_extremes(entries: &[TableEntry], signed: bool, unit: Unit) -> (Option<i64>, Option<i64>) {
    let (mut min, mut max) = (None, None);
    let mut rest = entries;
    while let [entry, tail @ ..] = rest {
        rest = tail;
        let positive = entry_bits(entry, false, unit);
        let negative = if signed { entry_bits(entry, true, unit) } else { None };
        (min, max) = widened(min, max, positive);
        (min, max) = widened(min, max, negative);
    }
    (min, max)
}

const fn widened(min: Option<i64>, max: Option<i64>, value: Option<i64>) -> (Option<i64>, Option<i64>) {
    match (min, max, value) {
        (Some(low), Some(high), Some(value)) => {
            (Some(if value < low { value } else { low }), Some(if value > high { value } else { high }))
        }
        (_, _, Some(value)) => (Some(value), Some(value)),
        (min, max, None) => (min, max),
    }
}
