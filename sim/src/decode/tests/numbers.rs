//! Codings, hand-worked and over random codes.

use proptest::prelude::*;
use stepchain::map::{Coding, Encoding, Sign, TableEntry};

use crate::decode::{nearest_code, signed_code, value_of};

/// By hand, 5 bits: 0b10011 is 19; 19 − 32; minus the magnitude 0b0011.
#[test]
fn each_sign_reads_the_same_bits_differently() {
    let read = |sign| signed_code(0b10011, &Coding::new(5, Encoding::Raw).sign(sign));
    assert_eq!(read(Sign::Unsigned), Some(19));
    assert_eq!(read(Sign::TwosComplement), Some(-13));
    assert_eq!(read(Sign::SignMagnitude), Some(-3));
    assert_eq!(signed_code(u32::MAX, &Coding::signed(32, Encoding::Raw)), Some(-1));
    assert_eq!(signed_code(1, &Coding::signed(1, Encoding::Raw)), Some(-1));
}

#[test]
fn a_code_beyond_the_greatest_means_nothing_in_either_direction() {
    let coding = Coding::signed(12, Encoding::Raw).up_to(1000);
    assert_eq!(value_of(1000, &coding), Some(1000.0));
    assert_eq!(value_of(1001, &coding), None);
    assert_eq!(value_of(4096 - 1000, &coding), Some(-1000.0));
    assert_eq!(value_of(4096 - 1001, &coding), None);
    assert_eq!(nearest_code(5000.0, &coding), 1000);
    assert_eq!(nearest_code(-5000.0, &coding), 4096 - 1000);
}

/// By hand: (3 · 20 − 50)/4; 1 000 000/(8 · 20); 5 · 2³/2; 256/2³; 5 · 2² · 3/2 from mantissa 101 and exponent 2.
#[test]
fn every_encoding_means_what_it_says() {
    let value = |encoding, code| value_of(code, &Coding::new(8, encoding));
    assert_eq!(value(Encoding::linear_from(3, 4, -50), 20), Some(2.5));
    assert_eq!(value(Encoding::reciprocal(1_000_000, 8), 20), Some(6250.0));
    assert_eq!(value(Encoding::reciprocal(1_000_000, 8), 0), None);
    assert_eq!(value(Encoding::reciprocal_or_zero(1_000_000, 8), 0), Some(0.0));
    assert_eq!(value(Encoding::PowerOfTwo { numerator: 5, denominator: 2, falling: false }, 3), Some(20.0));
    assert_eq!(value(Encoding::falling_power_of_two(256), 3), Some(32.0));
    assert_eq!(value(Encoding::mantissa_exponent(3, 3, 2), 2 << 3 | 5), Some(30.0));
    assert_eq!(value(Encoding::Table(TABLE), 7), Some(0.25));
    assert_eq!(value(Encoding::Table(TABLE), 1), None);
}

/// The negative of a code means the negative value, but a linear offset keeps its sign: (−20 + 5)/1.
#[test]
fn a_sign_turns_the_value_but_not_a_linear_offset() {
    let signed = |encoding| value_of(1 << 7 | 20, &Coding::new(8, encoding).sign(Sign::SignMagnitude));
    assert_eq!(signed(Encoding::linear_from(1, 1, 5)), Some(-15.0));
    assert_eq!(signed(Encoding::reciprocal(1000, 1)), Some(-50.0));
    assert_eq!(signed(Encoding::mantissa_exponent(3, 1, 1)), Some(-16.0));
}

const TABLE: &[TableEntry] = &[TableEntry::new(2, 1), TableEntry::ratio(7, 1, 4), TableEntry::new(0, 10)];

/// By hand: between 1000/6 = 166.67 and 1000/5 = 200 the middle is 183.33; a quarter below 3·2⁷ is nearest to
/// 2⁸ or 2⁹ from 384 on; of 1, ¼ and 10 the number 5.6 is nearest to 10.
#[test]
fn the_nearest_code_is_nearest_in_value_and_not_in_code() {
    let code = |encoding, value| nearest_code(value, &Coding::new(8, encoding));
    assert_eq!(code(Encoding::reciprocal(1000, 1), 183.0), 6);
    assert_eq!(code(Encoding::reciprocal(1000, 1), 183.4), 5);
    assert_eq!(code(Encoding::reciprocal(1000, 1), 0.0), 255);
    assert_eq!(code(Encoding::reciprocal_or_zero(1000, 1), 1.9), 0, "1000/255 is 3.92");
    assert_eq!(code(Encoding::reciprocal_or_zero(1000, 1), 2.0), 255);
    assert_eq!(code(Encoding::reciprocal(1000, 1), 1e9), 1);
    assert_eq!(code(Encoding::power_of_two(1), 383.9), 8);
    assert_eq!(code(Encoding::power_of_two(1), 384.1), 9);
    assert_eq!(code(Encoding::falling_power_of_two(256), 95.0), 2, "between 128 and 64 the middle is 96");
    assert_eq!(code(Encoding::falling_power_of_two(256), 97.0), 1);
    assert_eq!(code(Encoding::Table(TABLE), 5.6), 0);
    assert_eq!(code(Encoding::Table(TABLE), 5.4), 2);
    assert_eq!(code(Encoding::mantissa_exponent(3, 1, 1), 7.6), 1 << 3 | 4, "8 is mantissa 4 and exponent 1");
    assert_eq!(code(Encoding::mantissa_exponent(3, 1, 1), 13.1), 1 << 3 | 7, "12 and 14, the middle is 13");
    let cut_off = Coding::new(9, Encoding::mantissa_exponent(6, 1, 1)).up_to(128);
    assert_eq!(nearest_code(128.1, &cut_off), 127, "63 · 2 is nearer than mantissa 0 and exponent 2");
    assert_eq!(code(Encoding::linear(3, 1000), -1.0), 0, "a code without sign stays at zero");
    let signed = Coding::signed(8, Encoding::linear(3, 1000));
    assert_eq!([-0.0044, -0.0046].map(|value| nearest_code(value, &signed)), [0xFF, 0xFE], "−1.5 codes are −0.0045");
}

fn codings() -> impl Strategy<Value = Coding> {
    let quotient = (1u32..100_000, 1u32..100_000);
    let encoding = (quotient, 0u8..6, -1000i32..1000, any::<bool>(), 1u8..12).prop_map(
        |((numerator, denominator), kind, offset, flag, mantissa_bits)| match kind {
            0 => Encoding::Raw,
            1 => Encoding::Linear { numerator, denominator, offset },
            2 => Encoding::Reciprocal { numerator, denominator, zero: flag },
            3 => Encoding::PowerOfTwo { numerator, denominator, falling: flag },
            4 => Encoding::Table(TABLE),
            _ => Encoding::MantissaExponent { numerator, denominator, mantissa_bits },
        },
    );
    let sign = prop_oneof![Just(Sign::Unsigned), Just(Sign::TwosComplement), Just(Sign::SignMagnitude)];
    let coding =
        (encoding, sign, 1u8..=32, any::<u32>(), any::<bool>()).prop_map(|(encoding, sign, width, limit, limited)| {
            let coding = Coding::new(width, encoding).sign(sign);
            if limited { coding.up_to(limit >> (32 - width)) } else { coding }
        });
    // What no valid map has is drawn to what is nearest to it: without sign, or without encoding.
    coding.prop_map(|coding| match (coding.is_sound(), coding.sign(Sign::Unsigned)) {
        (true, _) => coding,
        (false, unsigned) if unsigned.is_sound() => unsigned,
        (false, unsigned) => Coding::new(unsigned.width, Encoding::Raw),
    })
}

proptest! {
    #[test]
    fn no_code_and_no_number_is_too_much(coding in codings(), code in any::<u32>(), value in any::<f64>()) {
        let _ = value_of(code, &coding);
        let nearest = nearest_code(value, &coding);
        prop_assert!(u64::from(nearest) < 1 << coding.width);
    }

    /// The oracle tries the codes around and at the ends.
    #[test]
    fn no_neighbour_is_nearer_than_the_nearest_code(coding in codings(), code in any::<u32>(), shift in -0.49f64..0.49) {
        let code = (u64::from(code) & ((1 << coding.width) - 1)) as u32;
        let Some(value) = value_of(code, &coding) else { return Ok(()) };
        prop_assume!(value.abs() < 4e9 && (value == 0.0 || value.abs() > 1e-6));
        let wanted = value * (1.0 + shift);
        let found = value_of(nearest_code(wanted, &coding), &coding).expect("the nearest code means something");
        let around = [code, code.wrapping_sub(1), code.wrapping_add(1), 0, 1];
        for other in around.into_iter().filter_map(|code| value_of(code, &coding)) {
            let slack = wanted.abs() * 1e-12 + 1e-12;
            prop_assert!((found - wanted).abs() <= (other - wanted).abs() + slack, "{found} and {other} for {wanted}");
        }
    }
}
