//! A coding as a map's compiled tables have it: with its unit, with the limits of its values worked out, and with what the
//! codings of one map have not left out of the arithmetic.
//!
//! It gives what [`Coding`] gives, code for code and error for error, but an image needs only the encodings that its maps have,
//! and most values take a few instructions of 32 bits.

use crate::units::{OutOfRange, Unit, divided, scaled};

use super::{Coding, Encoding, Sign};

/// The encodings that there are among some codings: arithmetic that is compiled for them has no others.
pub(crate) trait Encodings {
    /// The values of the codes of what has few of them.
    const VALUES: &'static [u32];
    /// Whether there is anything but lines through zero and what has few codes.
    const OTHERS: bool;
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
    const VALUES: &'static [u32] = &[];
    const OTHERS: bool = true;
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
    kind: Kind,
    unit: Unit,
    fraction_bits: u8,
    coding: Coding,
    /// Of lines: what values are multiplied and divided by.
    ratio: (u32, u32),
    up: End,
    down: End,
    /// Whether the smallest and the greatest value are negative.
    signs: (bool, bool),
}

/// How many codes are few.
const FEW: usize = 16;

/// How a code is found.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Kind {
    /// Values are proportional to codes, and 32 bits are enough.
    Narrow,
    /// Values are proportional to codes.
    Wide,
    /// All values are in the table from this place on, in the order of their codes.
    Few(u8),
    /// As the coding itself does it.
    Other,
}

/// Where values end, to one side of zero.
#[derive(Clone, Copy, Debug, PartialEq)]
struct End {
    /// Magnitude of the outermost value.
    value: u32,
    /// Magnitude of the outermost code whose value the unit holds; of lines.
    code: u32,
}

impl Scale {
    pub(crate) const ANY: Self = Self::new(Coding::new(1, Encoding::Raw), Unit::Code);

    pub(crate) const fn new(coding: Coding, unit: Unit) -> Self {
        let (min, max) = coding.limits(unit);
        let fraction_bits = unit.fraction_bits();
        // Magnitudes of a unit's values have 32 bits. Where it holds none of the codes' values, its greatest is called the
        // smallest, and so it is here.
        let (down, up) = (min.unsigned_abs() as u32, max.unsigned_abs() as u32);
        let mut scale = Self {
            kind: Kind::Other,
            unit,
            fraction_bits,
            coding,
            ratio: (1, 1),
            up: End { value: up, code: 0 },
            down: End { value: down, code: 0 },
            signs: (min < 0, max < 0),
        };
        let (numerator, denominator) = match coding.encoding {
            Encoding::Raw => (1, 1),
            Encoding::Linear { numerator, denominator, offset: 0 } => (numerator, denominator),
            _ => return scale,
        };
        if min > 0 || max < 0 {
            return scale;
        }
        let (least, greatest) = coding.code_range();
        scale.ratio = (numerator, denominator);
        scale.up.code = scale.end(greatest, max);
        scale.down.code = scale.end(least, min);
        let most = if scale.up.value > scale.down.value { scale.up.value } else { scale.down.value };
        // The whole part and the fraction of a value are multiplied apart.
        let wholes = (most as u64 >> fraction_bits) + 1;
        let step = (numerator as u64) << fraction_bits;
        let is_narrow = fraction_bits < 32
            && wholes.saturating_mul(denominator as u64) <= u32::MAX as u64
            && (denominator as u64) << fraction_bits <= u32::MAX as u64
            && 2 * step + denominator as u64 <= u32::MAX as u64;
        scale.kind = if is_narrow { Kind::Narrow } else { Kind::Wide };
        scale
    }

    /// The values of all codes from 0 on, if they are few, and each is another: then the coding is a scale by those.
    pub(crate) const fn few(&self) -> Option<([u32; FEW], usize)> {
        let (least, greatest) = self.coding.code_range();
        if !matches!(self.kind, Kind::Other) || !matches!(self.coding.sign, Sign::Unsigned) {
            return None;
        }
        if least != 0 || greatest < 1 || greatest >= FEW as i64 {
            return None;
        }
        let mut values = [0; FEW];
        let mut places: &mut [u32] = &mut values;
        let mut code = 0;
        let mut before: Option<i64> = None;
        let mut is_rising = None;
        while let (true, [place, more @ ..]) = (code <= greatest, places) {
            let value = match self.coding.held_bits::<All>(code, self.unit) {
                Some(value) if value >= 0 && self.coding.has_meaning::<All>(code) => value,
                _ => return None,
            };
            match (before, is_rising) {
                (None, _) => {}
                (Some(before), None) if before != value => is_rising = Some(value > before),
                (Some(before), Some(rising)) if before != value && rising == (value > before) => {}
                _ => return None,
            }
            *place = value as u32;
            before = Some(value);
            code += 1;
            places = more;
        }
        Some((values, greatest as usize + 1))
    }

    /// The same, whose values are in the table from `first` on.
    pub(crate) const fn by_values(mut self, first: u8) -> Self {
        self.kind = Kind::Few(first);
        self.up.code = self.coding.code_range().1 as u32;
        self
    }

    /// Whether its codes are found as the coding itself does it.
    pub(crate) const fn is_other(&self) -> bool {
        matches!(self.kind, Kind::Other)
    }

    /// The values of the codes of what has few of them.
    fn values<E: Encodings>(&self, first: u8) -> impl Iterator<Item = u32> {
        E::VALUES.iter().copied().skip(first.into()).take(self.up.code as usize + 1)
    }

    /// The magnitude of the outermost code toward `code` that the unit holds, whose value is `limit`.
    const fn end(&self, code: i64, limit: i64) -> u32 {
        if self.coding.held_bits::<All>(code, self.unit).is_some() {
            return code.unsigned_abs() as u32;
        }
        let (first, second) = self.coding.neighbours::<All>(limit, self.fraction_bits);
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

    /// As [`Coding::code_of`], of the magnitude if that is asked for; `None` where that is an error.
    #[inline(always)]
    pub(crate) fn code_of<E: Encodings>(&self, bits: i64, is_magnitude: bool) -> Option<u32> {
        let is_negative = bits < 0 && !is_magnitude;
        let end = if is_negative { self.down } else { self.up };
        let magnitude = bits.unsigned_abs();
        if self.kind == Kind::Narrow && magnitude <= end.value as u64 {
            let code = self.narrow_code(magnitude as u32, end.code, is_negative);
            return Some(if is_negative { self.negative(code) } else { code });
        }
        self.other_code::<E>(bits, is_magnitude)
    }

    const fn negative(&self, code: u32) -> u32 {
        match self.coding.sign {
            Sign::SignMagnitude if code > 0 => code | (self.mask() >> 1) + 1,
            _ => code.wrapping_neg() & self.mask(),
        }
    }

    /// What takes more than 32 bits, or is no line.
    #[inline(never)]
    fn other_code<E: Encodings>(&self, bits: i64, is_magnitude: bool) -> Option<u32> {
        let bits = if is_magnitude { bits.saturating_abs() } else { bits };
        let (min, max) = self.limits();
        if bits < min || bits > max {
            return None;
        }
        let magnitude = bits.unsigned_abs() as u32;
        match self.kind {
            Kind::Few(first) => {
                let mut nearest = (0, u32::MAX);
                for (code, value) in (0..).zip(self.values::<E>(first)) {
                    let distance = value.abs_diff(magnitude);
                    if distance <= nearest.1 {
                        nearest = (code, distance);
                    }
                }
                Some(nearest.0)
            }
            Kind::Other if E::OTHERS => Some(self.coding.with_sign(self.coding.nearest::<E>(bits, self.unit)?)),
            _ => {
                let end = if bits < 0 { self.down } else { self.up };
                let code = self.wide_code(magnitude, end.code, bits < 0);
                Some(if bits < 0 { self.negative(code) } else { code })
            }
        }
    }

    /// The error of a value that has no code.
    pub(crate) fn out_of_range(&self, bits: i64, is_magnitude: bool) -> OutOfRange {
        let (min, max) = self.limits();
        self.unit.out_of_range(if is_magnitude { bits.saturating_abs() } else { bits }, min, max)
    }

    fn limits(&self) -> (i64, i64) {
        let limit = |value: u32, is_negative: bool| if is_negative { -i64::from(value) } else { i64::from(value) };
        (limit(self.down.value, self.signs.0), limit(self.up.value, self.signs.1))
    }

    /// As [`Coding::value_of`], of a code that has no more bits than the coding.
    pub(crate) fn value_of<E: Encodings>(&self, code: u32) -> Result<i64, OutOfRange> {
        if E::OTHERS && self.kind == Kind::Other {
            return self.coding.value_among::<E>(code, self.unit);
        }
        let (least, greatest) = self.coding.code_range();
        let signed = self.coding.without_sign(code);
        if signed < least || signed > greatest {
            return Err(Unit::Code.out_of_range(signed, least, greatest));
        }
        let (numerator, denominator) = self.ratio;
        let value = match self.kind {
            Kind::Few(first) => self.values::<E>(first).nth(signed as usize).map(u64::from),
            _ => scaled((signed.unsigned_abs() as u32 as u64).wrapping_mul(numerator.into()), denominator.into(), self.fraction_bits),
        };
        // Beyond 64 bits it is the last value that they hold.
        let bits = value.and_then(|value| i64::try_from(value).ok());
        self.unit.checked(match (bits, signed < 0) {
            (Some(bits), true) => -bits,
            (Some(bits), false) => bits,
            (None, true) => i64::MIN,
            (None, false) => i64::MAX,
        })
    }

    /// The code, `end` at most, that is nearest to a value: all in 32 bits.
    #[inline(always)]
    const fn narrow_code(&self, magnitude: u32, end: u32, is_negative: bool) -> u32 {
        let (numerator, denominator) = self.ratio;
        let fraction_bits = self.fraction_bits as u32;
        let below_point = 1u32.wrapping_shl(fraction_bits).wrapping_sub(1);
        let parts = (magnitude & below_point).wrapping_mul(denominator);
        let whole = magnitude.wrapping_shr(fraction_bits).wrapping_mul(denominator);
        let mut below = whole.wrapping_add(parts.wrapping_shr(fraction_bits));
        let mut rest = parts & below_point;
        if numerator != 1
            && let Some(divided) = below.checked_div(numerator)
        {
            rest |= below.wrapping_sub(divided.wrapping_mul(numerator)).wrapping_shl(fraction_bits);
            below = divided;
        }
        if below >= end {
            return end;
        }
        let (twice, step) = (rest.wrapping_mul(2), numerator.wrapping_shl(fraction_bits));
        // Well off the middle, which is nearly always so.
        if twice.abs_diff(step) > denominator {
            return below + (twice > step) as u32;
        }
        below + is_above_middle(rest as u64, step.wrapping_sub(rest) as u64, denominator, is_negative) as u32
    }

    /// The same where 32 bits are too few.
    const fn wide_code(&self, magnitude: u32, end: u32, is_negative: bool) -> u32 {
        let (numerator, denominator) = self.ratio;
        let product = (magnitude as u64).wrapping_mul(denominator as u64);
        let step = (numerator as u64).wrapping_shl(self.fraction_bits as u32);
        let (below, rest) = divided(product, step);
        if below >= end as u64 {
            return end;
        }
        below as u32 + is_above_middle(rest, step.wrapping_sub(rest), denominator, is_negative) as u32
    }
}

/// Whether the value that is `left` above is nearer than the one that is `rest` below, once both are rounded to bits of
/// `denominator`; in the middle the upper one is.
#[inline(never)]
const fn is_above_middle(rest: u64, left: u64, denominator: u32, is_negative: bool) -> bool {
    // A code that is met exactly is the outer one of two where both count downwards; where codes are finer than bits, that tells.
    if is_negative && rest == 0 {
        return false;
    }
    // Each is half a bit beside its value at most. The lower one is rounded up on a half, away from zero, and so is the upper.
    let denominator = denominator as u64;
    let (below, remaining) = divided(rest, denominator);
    let below = below + (2 * remaining > denominator) as u64;
    let (above, remaining) = divided(left, denominator);
    let above = above + (2 * remaining >= denominator) as u64;
    below >= above
}
