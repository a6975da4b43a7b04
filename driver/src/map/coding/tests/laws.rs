//! Laws of random codings of every encoding, sign and width, in every unit.

extern crate std;
use std::boxed::Box;
use std::vec::Vec;

use proptest::prelude::*;
use proptest::sample::select;

use super::super::scale::{All, Scale};
use super::super::{Coding, Encoding, Sign, TableEntry};
use super::oracle;
use crate::units::Unit;

/// Factors as maps have them, and the ends of what they may be.
fn factor() -> impl Strategy<Value = u32> {
    prop_oneof![
        1u32..20,
        1u32..100_000,
        select(&[1, 1000, 1 << 16, 1 << 31, u32::MAX - 1, u32::MAX][..]),
        1u32..=u32::MAX
    ]
}

fn offset() -> impl Strategy<Value = i32> {
    prop_oneof![Just(0), -1000..1000, select(&[i32::MIN, i32::MAX][..]), any::<i32>()]
}

fn sign() -> impl Strategy<Value = Sign> {
    select(&[Sign::Unsigned, Sign::TwosComplement, Sign::SignMagnitude][..])
}

fn greatest_code() -> impl Strategy<Value = u32> {
    prop_oneof![3 => Just(u32::MAX), 1 => 1u32..1000, 1 => 1u32..=u32::MAX]
}

/// A table with as many of the entries as the coding can have; leaked, since a map's tables are constants.
fn table(coding: Coding, entries: &[(u32, u32, u32)]) -> Encoding {
    let (_, greatest) = coding.code_range();
    let mut table: Vec<TableEntry> = Vec::new();
    for &(code, numerator, denominator) in entries {
        let code = (u64::from(code) % (greatest as u64 + 1)) as u32;
        let numerator = if code == 0 && coding.sign != Sign::Unsigned { 0 } else { numerator };
        if table.iter().all(|entry| entry.code != code) {
            table.push(TableEntry::ratio(code, numerator, denominator));
        }
    }
    Encoding::Table(Box::leak(table.into_boxed_slice()))
}

prop_compose! {
    /// Any sound coding of at most `widest` bits.
    fn coding(widest: u8)(
        kind in 0..8,
        width in 1..=widest,
        sign in sign(),
        max_code in greatest_code(),
        (numerator, denominator, offset) in (factor(), factor(), offset()),
        mantissa in any::<u8>(),
        entries in proptest::collection::vec((any::<u32>(), factor(), factor()), 1..12),
    ) -> Coding {
        let mut coding = Coding::new(width, Encoding::Raw).sign(sign).up_to(max_code);
        let signed = sign != Sign::Unsigned;
        match kind {
            0 => {}
            1 => coding.encoding = Encoding::linear(numerator, denominator),
            2 => coding.encoding = Encoding::linear_from(numerator, denominator, offset),
            3 | 4 => {
                coding.width = width.max(1 + signed as u8);
                coding.encoding = Encoding::Reciprocal { numerator, denominator, zero: kind == 3 };
            }
            5 => {
                coding.sign = Sign::Unsigned;
                coding.encoding = Encoding::PowerOfTwo { numerator, denominator, falling: mantissa & 1 == 0 };
            }
            6 => coding.encoding = table(coding, &entries),
            _ => {
                coding.width = width.max(2 + signed as u8);
                let mantissa_bits = 1 + mantissa % (coding.width - signed as u8 - 1);
                coding.encoding = Encoding::MantissaExponent { numerator, denominator, mantissa_bits };
            }
        }
        coding
    }
}

/// The codes at and around one, and at the ends.
fn codes_around(coding: &Coding, code: u32) -> Vec<u32> {
    let mask = coding.mask();
    let half = mask / 2;
    let mut codes = Vec::from([0, 1 & mask, half, (half + 1) & mask, mask]);
    codes.extend([code.checked_sub(1), Some(code), code.checked_add(1)].into_iter().flatten().filter(|c| *c <= mask));
    codes
}

/// Whether a value that is read from this code must lead back to this very code: no neighbour has the same.
fn stands_alone(coding: &Coding, code: u32, unit: Unit) -> bool {
    if matches!(coding.encoding, Encoding::MantissaExponent { .. } | Encoding::Table(_)) {
        return false;
    }
    let value = oracle::value(coding, code, unit);
    // A zero may be read from either sign.
    let is_zero_code = coding.sign == Sign::SignMagnitude && code & (coding.mask() / 2) == 0;
    if is_zero_code || coding.sign != Sign::Unsigned && value == Some(0) || value.is_none() {
        return false;
    }
    // In two's complement the code before 0 is the one with all bits set.
    let neighbours = [code.wrapping_sub(1) & coding.mask(), code.wrapping_add(1) & coding.mask()];
    neighbours.iter().all(|&neighbour| oracle::value(coding, neighbour, unit) != value)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    #[test]
    fn a_code_means_what_the_definition_says_and_its_value_leads_back(
        coding in coding(32), code in any::<u32>(), unit in select(Unit::ALL),
    ) {
        prop_assert!(coding.is_sound(), "{coding:?}");
        let (min, max) = coding.limits(unit);
        for code in codes_around(&coding, code & coding.mask()) {
            let expected = oracle::value(&coding, code, unit);
            prop_assert_eq!(coding.value_of(code, unit).ok(), expected, "code {:#x}", code);
            let Some(bits) = expected else { continue };
            prop_assert!(min <= bits && bits <= max, "{} of code {:#x} is outside {}..={}", bits, code, min, max);
            let again = coding.code_of(bits, unit).unwrap();
            prop_assert_eq!(oracle::value(&coding, again, unit), Some(bits), "code {:#x} became {:#x}", code, again);
            if stands_alone(&coding, code, unit) {
                prop_assert_eq!(again, code);
            }
        }
    }

    #[test]
    fn the_code_of_a_value_is_at_least_as_near_as_its_neighbours(
        coding in coding(32), share in any::<u32>(), code in any::<u32>(), aside in -3i64..=3, unit in select(Unit::ALL),
    ) {
        let (min, max) = coding.limits(unit);
        if min > max {
            return Ok(());
        }
        let between = min + ((i128::from(max - min) * i128::from(share)) >> 32) as i64;
        let near = oracle::value(&coding, code & coding.mask(), unit).map(|bits| (bits + aside).clamp(min, max));
        for bits in [Some(between), near, Some(min), Some(max)].into_iter().flatten() {
            let code = coding.code_of(bits, unit).unwrap();
            let distance = |code| oracle::value(&coding, code, unit).map(|value| value.abs_diff(bits));
            let found = distance(code);
            prop_assert!(found.is_some(), "code {:#x} for {} means nothing", code, bits);
            for neighbour in codes_around(&coding, code) {
                if let Some(other) = distance(neighbour) {
                    prop_assert!(found <= Some(other), "{} became {:#x}, but {:#x} is nearer", bits, code, neighbour);
                }
            }
        }
    }

    /// With few bits every code can be looked at.
    #[test]
    fn no_code_at_all_is_nearer_and_the_limits_are_the_outermost_values(
        coding in coding(8), share in any::<u32>(), unit in select(Unit::ALL),
    ) {
        let values: Vec<_> = (0..=coding.mask()).filter_map(|code| oracle::value(&coding, code, unit)).collect();
        let (min, max) = coding.limits(unit);
        let (Some(&least), Some(&greatest)) = (values.iter().min(), values.iter().max()) else {
            prop_assert!(min > max, "no code means anything, but the limits are {}..={}", min, max);
            return Ok(());
        };
        prop_assert_eq!((min, max), (least, greatest));
        let bits = min + ((i128::from(max - min) * i128::from(share)) >> 32) as i64;
        let code = coding.code_of(bits, unit).unwrap();
        let nearest = values.iter().map(|value| value.abs_diff(bits)).min();
        prop_assert_eq!(oracle::value(&coding, code, unit).map(|value| value.abs_diff(bits)), nearest);
        for beyond in [min - 1, max + 1] {
            let error = coding.code_of(beyond, unit).unwrap_err();
            prop_assert_eq!((error.value().bits, error.min().bits, error.max().bits), (beyond, min, max));
        }
    }

    /// A map from a file reaches the coding before anything has called it sound.
    #[test]
    fn nothing_panics_whatever_the_coding_the_bits_and_the_code(
        coding in coding(32),
        (width, max_code, mantissa_bits) in (any::<u8>(), any::<u32>(), any::<u8>()),
        (numerator, denominator) in (select(&[0, 1, u32::MAX][..]), select(&[0, 1, u32::MAX][..])),
        bits in any::<i64>(), shift in 0u32..64, code in any::<u32>(), unit in select(Unit::ALL),
    ) {
        let mut unsound = Coding { width, max_code, ..coding };
        match &mut unsound.encoding {
            Encoding::Raw | Encoding::Table(_) => {}
            Encoding::Linear { numerator: n, denominator: d, .. }
            | Encoding::Reciprocal { numerator: n, denominator: d, .. }
            | Encoding::PowerOfTwo { numerator: n, denominator: d, .. } => (*n, *d) = (numerator, denominator),
            Encoding::MantissaExponent { numerator: n, denominator: d, mantissa_bits: m } => {
                (*n, *d, *m) = (numerator, denominator, mantissa_bits);
            }
        }
        for coding in [coding, unsound, Coding { width, ..coding }, Coding { max_code, ..coding }] {
            for bits in [bits >> shift, i64::MIN, i64::MAX] {
                let _ = coding.code_of(bits, unit);
            }
            for code in [code, code >> (shift % 32), 0, u32::MAX] {
                let _ = coding.value_of(code, unit);
            }
            let _ = (coding.is_sound(), coding.limits(unit), coding.code_range());
        }
    }

    /// A map's tables say what the coding says, where values are, between them, at both limits and beyond.
    #[test]
    fn a_scale_has_the_codes_values_and_errors_of_its_coding(
        coding in coding(32), code in any::<u32>(), share in any::<u32>(), aside in -3i64..=3, any_bits in any::<i64>(),
        unit in select(Unit::ALL),
    ) {
        let scale = Scale::new(coding, unit);
        let (min, max) = coding.limits(unit);
        let between = min.saturating_add((((i128::from(max) - i128::from(min)) * i128::from(share)) >> 32) as i64);
        let mut values = Vec::from([0, aside, between, min, max, min - 1, max + 1, any_bits, any_bits >> 31, i64::MIN]);
        for code in codes_around(&coding, code & coding.mask()) {
            let value = coding.value_of(code, unit);
            prop_assert_eq!(scale.value_of::<All>(code), value, "code {:#x}", code);
            // In the middle between two codes, where a bit decides.
            let next = coding.value_of(code.wrapping_add(1) & coding.mask(), unit);
            if let (Ok(one), Ok(other)) = (value, next) {
                values.extend([one, one + aside, (one + other) / 2 + aside, (one + other) / 2]);
            }
        }
        for bits in values {
            let expected = coding.code_of(bits, unit);
            prop_assert_eq!(scale.code_of::<All>(bits, false), expected.ok(), "{} of {:?}", bits, coding);
            let of_magnitude = coding.code_of(bits.saturating_abs(), unit);
            prop_assert_eq!(scale.code_of::<All>(bits, true), of_magnitude.ok());
            if let Err(error) = expected {
                prop_assert_eq!(scale.out_of_range(bits, false), error);
            }
            if let Err(error) = of_magnitude {
                prop_assert_eq!(scale.out_of_range(bits, true), error);
            }
        }
    }
}
