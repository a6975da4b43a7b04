//! Values worked out by hand for every encoding and sign, and laws that random codings must keep.
//!
//! The laws compare with [`oracle`], which calculates in 128-bit fractions and finds codes by looking at them.

extern crate std;

mod laws;
mod oracle;

use std::string::ToString;

use super::*;

const STEPS: Unit = Unit::StepsPerSecond;
const MICROSTEPS: Unit = Unit::Microsteps;

/// Each pair holds both ways.
fn both_ways(coding: Coding, unit: Unit, pairs: &[(u32, i64)]) {
    assert!(coding.is_sound(), "{coding:?}");
    for &(code, bits) in pairs {
        assert_eq!(coding.value_of(code, unit), Ok(bits), "the value of {code:#x} in {coding:?}");
        assert_eq!(coding.code_of(bits, unit), Ok(code), "the code of {bits} in {coding:?}");
    }
}

/// One bit beyond each limit is refused, with value, limits and unit.
fn edges(coding: Coding, unit: Unit, min: i64, max: i64) {
    assert_eq!(coding.limits(unit), (min, max), "{coding:?}");
    for bits in [min, max] {
        let code = coding.code_of(bits, unit).unwrap();
        assert_eq!(coding.value_of(code, unit), Ok(bits), "{coding:?}");
    }
    for bits in [min - 1, max + 1] {
        let error = coding.code_of(bits, unit).unwrap_err();
        let expected = unit.out_of_range(bits, min, max);
        assert_eq!((expected.value(), expected.min()), (unit.number(bits), unit.number(min)));
        assert_eq!((expected.max(), expected.unit()), (unit.number(max), unit));
        assert_eq!(error, expected, "{coding:?}");
    }
}

/// By hand: eight bits, 0xFB is 251 without a sign, −5 in two's complement (256 − 5), and as sign and magnitude
/// 0x80 + 0x7B, so −123; −5 there is 0x85.
#[test]
fn a_raw_code_is_its_value() {
    let raw = Coding::new(8, Encoding::Raw);
    both_ways(raw, MICROSTEPS, &[(0, 0), (1, 1), (0xFB, 251), (0xFF, 255)]);
    edges(raw, MICROSTEPS, 0, 255);
    let twos = raw.sign(Sign::TwosComplement);
    both_ways(twos, MICROSTEPS, &[(0, 0), (0x7F, 127), (0xFB, -5), (0xFF, -1), (0x80, -128)]);
    edges(twos, MICROSTEPS, -128, 127);
    let magnitude = raw.sign(Sign::SignMagnitude);
    both_ways(magnitude, MICROSTEPS, &[(0, 0), (0x7F, 127), (0xFB, -123), (0x85, -5), (0xFF, -127)]);
    edges(magnitude, MICROSTEPS, -127, 127);
    assert_eq!(magnitude.value_of(0x80, MICROSTEPS), Ok(0), "minus zero is zero");
}

/// By hand: 32 bits reach to the ends of the type itself, so nothing that a `Position` holds is refused.
#[test]
fn a_raw_code_of_32_bits_holds_every_position() {
    let twos = Coding::signed(32, Encoding::Raw);
    both_ways(twos, MICROSTEPS, &[(0x8000_0000, i32::MIN as i64), (0x7FFF_FFFF, i32::MAX as i64), (u32::MAX, -1)]);
    edges(twos, MICROSTEPS, i32::MIN as i64, i32::MAX as i64);
    edges(Coding::new(32, Encoding::Raw), MICROSTEPS, 0, i32::MAX as i64);
    both_ways(Coding::new(32, Encoding::Raw), Unit::Code, &[(u32::MAX, u32::MAX as i64)]);
}

/// By hand: a code of 3/1000 steps/s. Code 1000 is 3 steps/s, 3 · 4096 = 12 288 bits. Code 1 is 12.288 bits, so 12.
/// The greatest, 1023, is 3.069 steps/s, 12 570.624 bits, so 12 571.
#[test]
fn a_linear_code_is_counted_in_its_step() {
    let unsigned = Coding::new(10, Encoding::linear(3, 1000));
    both_ways(unsigned, STEPS, &[(0, 0), (1, 12), (1000, 12_288), (1023, 12_571)]);
    edges(unsigned, STEPS, 0, 12_571);
    // Codes 0 and 1 read as 0 and 12: 5 is nearer to 0, and 6, just between, goes to the greater code.
    assert_eq!(unsigned.code_of(5, STEPS), Ok(0));
    assert_eq!(unsigned.code_of(6, STEPS), Ok(1));
    // 11 bits signed: −1000 is 2048 − 1000 = 1048 in two's complement, 1024 + 1000 = 2024 as sign and magnitude.
    let twos = Coding::signed(11, Encoding::linear(3, 1000));
    both_ways(twos, STEPS, &[(1000, 12_288), (1048, -12_288), (2047, -12)]);
    // −1024 is −3.072 steps/s, −12 582.912 bits.
    edges(twos, STEPS, -12_583, 12_571);
    let magnitude = twos.sign(Sign::SignMagnitude);
    both_ways(magnitude, STEPS, &[(1000, 12_288), (2024, -12_288), (1025, -12)]);
    edges(magnitude, STEPS, -12_571, 12_571);
}

/// By hand: (5 · code − 400) / 10 °C is half a degree a code from −40 °C on: code 0 is −40 · 65 536 = −2 621 440
/// bits, code 80 is 0 °C, code 255 is 87.5 °C, 5 734 400 bits.
#[test]
fn a_linear_code_may_begin_elsewhere_than_at_zero() {
    let unit = Unit::DegreesCelsius;
    let unsigned = Coding::new(8, Encoding::linear_from(5, 10, -400));
    both_ways(unsigned, unit, &[(0, -2_621_440), (1, -2_588_672), (80, 0), (255, 5_734_400)]);
    edges(unsigned, unit, -2_621_440, 5_734_400);
    // With a sign the offset keeps its own: −1 is (−5 − 400)/10 = −40.5 °C, −2 654 208 bits; −128 is −104 °C.
    let twos = unsigned.sign(Sign::TwosComplement);
    both_ways(twos, unit, &[(0xFF, -2_654_208), (0, -2_621_440), (80, 0)]);
    edges(twos, unit, -104 * 65_536, (5 * 127 - 400) * 65_536 / 10);
    let magnitude = unsigned.sign(Sign::SignMagnitude);
    both_ways(magnitude, unit, &[(0x81, -2_654_208), (0, -2_621_440), (80, 0)]);
}

/// By hand: code + ½ is read as the whole number above, 1 for code 0 and 2 for code 1. Written back, 1 lies just
/// between the two; only code 0 reads as 1 again.
#[test]
fn a_value_that_was_read_is_written_back_as_it_was() {
    both_ways(Coding::new(4, Encoding::linear_from(2, 2, 1)), MICROSTEPS, &[(0, 1), (1, 2), (15, 16)]);
    // −½ and −1½ go down to −1 and −2, but ½ goes up to 1: nothing reads as zero, and zero is as near to either.
    let twos = Coding::signed(4, Encoding::linear_from(2, 2, 1));
    both_ways(twos, MICROSTEPS, &[(15, -1), (14, -2), (0, 1)]);
}

/// By hand: 4·10⁹ and 2³² − 1 are the greatest factors; a share of supply per step/s has 32 bits of fraction.
/// Code 3 · (2³² − 1)/(2³² − 1) is 3 itself. Code 1 · 1/(2³² − 1) is 1.000 000 000 2 · 2⁻³²: one bit.
#[test]
fn factors_of_32_bits_do_not_leave_the_arithmetic() {
    let whole = Coding::new(32, Encoding::linear(u32::MAX, u32::MAX));
    both_ways(whole, Unit::Code, &[(3, 3), (u32::MAX, u32::MAX as i64)]);
    let fine = Coding::new(32, Encoding::linear(1, u32::MAX));
    both_ways(fine, Unit::SharePerStepPerSecond, &[(1, 1), (3_000_000_000, 3_000_000_001)]);
    // (code − 2³¹)/4·10⁹: code 2³¹ is 0, the greatest is (2³¹ − 1)/4·10⁹ · 2³² = 2 305 843 008.14 bits.
    let offset = Coding::new(32, Encoding::linear_from(1, 4_000_000_000, i32::MIN));
    both_ways(offset, Unit::SharePerStepPerSecond, &[(1 << 31, 0), (u32::MAX, 2_305_843_008)]);
}

/// By hand: 16 · 10⁶ / code steps/s. Code 16 000 is 1000 steps/s, 4 096 000 bits; 65 535 is 244.144… steps/s,
/// 1 000 015.26 bits. Code 1 would be 16 million steps/s, more than the type holds: the fastest that it does is
/// 16·10⁶/31 = 516 129.03 steps/s, 2 114 064 516.13 bits, since 16·10⁶/30 is 533 333.
#[test]
fn a_reciprocal_code_is_a_period() {
    let period = Coding::new(16, Encoding::reciprocal(16_000_000, 1));
    both_ways(period, STEPS, &[(16_000, 4_096_000), (65_535, 1_000_015), (31, 2_114_064_516)]);
    edges(period, STEPS, 1_000_015, 2_114_064_516);
    assert_eq!(period.value_of(0, STEPS).unwrap_err().to_string(), "0 (code) is outside 1..=65535 (code)");
    let error = period.value_of(1, STEPS).unwrap_err();
    assert_eq!(error.to_string(), "16000000 steps/s is outside -524288..=524287.9998 steps/s");
}

/// By hand, in whole microsteps: 1000/code is 1000, 500, 333, 250, …, 67 for code 15. Between 67 and nothing, 34 is
/// nearer to 67 (33 away) than to 0.
#[test]
fn a_reciprocal_code_of_zero_may_mean_zero() {
    let period = Coding::new(4, Encoding::reciprocal_or_zero(1000, 1));
    both_ways(period, MICROSTEPS, &[(0, 0), (1, 1000), (2, 500), (3, 333), (15, 67)]);
    edges(period, MICROSTEPS, 0, 1000);
    assert_eq!(period.code_of(34, MICROSTEPS), Ok(15));
    assert_eq!(period.code_of(33, MICROSTEPS), Ok(0));
    let signed = period.sign(Sign::TwosComplement);
    both_ways(signed, MICROSTEPS, &[(0, 0), (1, 1000), (7, 143), (0xF, -1000), (0x9, -143)]);
    edges(signed, MICROSTEPS, -1000, 1000);
    // −8 has no partner +8, so it means nothing.
    assert_eq!(signed.value_of(8, MICROSTEPS).unwrap_err().to_string(), "-8 (code) is outside -7..=7 (code)");
    let magnitude = period.sign(Sign::SignMagnitude);
    both_ways(magnitude, MICROSTEPS, &[(0, 0), (7, 143), (0x9, -1000), (0xF, -143)]);
    // Zero stays zero, even where the longest period reads as zero as well.
    assert_eq!(Coding::new(16, Encoding::reciprocal_or_zero(1, 1)).code_of(0, MICROSTEPS), Ok(0));
}

/// By hand: 3 · 2^code is 3, 6, 12, 24; 17 is nearer to 12, and 18, just between, goes to 24.
#[test]
fn a_power_of_two_doubles_with_each_code() {
    let rising = Coding::new(2, Encoding::power_of_two(3));
    both_ways(rising, Unit::MicrostepsPerStep, &[(0, 3), (1, 6), (2, 12), (3, 24)]);
    edges(rising, Unit::MicrostepsPerStep, 3, 24);
    assert_eq!(rising.code_of(17, Unit::MicrostepsPerStep), Ok(2));
    assert_eq!(rising.code_of(18, Unit::MicrostepsPerStep), Ok(3));
    // Eight bits could count to 2²⁵⁵; the type holds 2¹⁵.
    let wide = Coding::new(8, Encoding::power_of_two(1));
    both_ways(wide, Unit::MicrostepsPerStep, &[(0, 1), (15, 1 << 15)]);
    edges(wide, Unit::MicrostepsPerStep, 1, 1 << 15);
    assert!(wide.value_of(64, Unit::MicrostepsPerStep).is_err());
}

/// By hand: 256 / 2^code is 256, 128, …, 1 for code 8; codes above 8 are cut off by `up_to`.
#[test]
fn a_falling_power_of_two_halves_with_each_code() {
    let falling = Coding::new(4, Encoding::falling_power_of_two(256)).up_to(8);
    both_ways(falling, Unit::MicrostepsPerStep, &[(0, 256), (4, 16), (8, 1)]);
    edges(falling, Unit::MicrostepsPerStep, 1, 256);
    assert_eq!(
        falling.value_of(9, Unit::MicrostepsPerStep).unwrap_err().to_string(),
        "9 (code) is outside 0..=8 (code)"
    );
    // (2³² − 1)/2^code in bits of 2⁻³²: 2 for code 63, 1 for 64, 0.499 999… for 65 and so 0 from there on.
    let long = Coding::new(8, Encoding::falling_power_of_two(u32::MAX));
    let unit = Unit::SharePerStepPerSecond;
    assert_eq!([63, 64, 65, 255].map(|code| long.value_of(code, unit).unwrap()), [2, 1, 0, 0]);
    assert_eq!(long.code_of(1, unit), Ok(64));
}

/// By hand: 1/2, 2 and 7/4 A in bits of 2⁻¹⁶ are 32 768, 131 072 and 114 688.
#[test]
fn a_table_means_what_it_lists() {
    const ENTRIES: &[TableEntry] = &[TableEntry::ratio(6, 1, 2), TableEntry::new(1, 2), TableEntry::ratio(3, 7, 4)];
    let unit = Unit::Amperes;
    let table = Coding::new(3, Encoding::Table(ENTRIES));
    both_ways(table, unit, &[(6, 32_768), (1, 131_072), (3, 114_688)]);
    edges(table, unit, 32_768, 131_072);
    assert_eq!(table.value_of(2, unit).unwrap_err().to_string(), "2 (code) is outside 0..=7 (code)");
    // Just between 7/4 and 2 A: the code of greater magnitude.
    assert_eq!(table.code_of(122_880, unit), Ok(3));
    let signed = Coding::signed(4, Encoding::Table(ENTRIES));
    both_ways(signed, unit, &[(6, 32_768), (0xA, -32_768), (0xF, -131_072)]);
    edges(signed, unit, -131_072, 131_072);
    both_ways(signed.sign(Sign::SignMagnitude), unit, &[(0xE, -32_768), (0x9, -131_072)]);
    // A zero in the table is as near from below as from above.
    const WITH_ZERO: &[TableEntry] = &[TableEntry::new(0, 0), TableEntry::new(1, 30)];
    assert_eq!(Coding::signed(2, Encoding::Table(WITH_ZERO)).code_of(-14, MICROSTEPS), Ok(0));
}

/// By hand: an entry that the type cannot hold (70 000 microsteps a step) is never chosen, however near.
#[test]
fn a_table_entry_beyond_the_type_is_passed_over() {
    const ENTRIES: &[TableEntry] = &[TableEntry::new(0, 60_000), TableEntry::new(1, 65_536)];
    let table = Coding::new(1, Encoding::Table(ENTRIES));
    edges(table, Unit::MicrostepsPerStep, 60_000, 60_000);
    assert!(table.value_of(1, Unit::MicrostepsPerStep).is_err());
}

/// By hand: three bits of mantissa, two of exponent, in quarters: (m · 2^e)/4 steps/s². Code 0b10_101 is 5 · 4 / 4 = 5
/// steps/s², 1280 bits of 2⁻⁸. The greatest is 7 · 8 / 4 = 14, 3584 bits.
#[test]
fn a_mantissa_and_exponent_multiply() {
    let unit = Unit::StepsPerSecondSquared;
    let coding = Coding::new(5, Encoding::mantissa_exponent(3, 1, 4));
    both_ways(coding, unit, &[(0, 0), (0b00_001, 64), (0b00_111, 448), (0b10_101, 1280), (0b11_111, 3584)]);
    edges(coding, unit, 0, 3584);
    // 4 · 2⁰ is 2 · 2¹: both are read alike, the lower exponent is written.
    assert_eq!(coding.value_of(0b01_010, unit), Ok(256));
    assert_eq!(coding.code_of(256, unit), Ok(0b00_100));
    // 7.5/4 is 480 bits, between 7 · 2⁰ and 4 · 2¹: the greater.
    assert_eq!(coding.code_of(480, unit), Ok(0b01_100));
    assert_eq!(coding.code_of(479, unit), Ok(0b00_111));
}

/// By hand: no code above 0b11_001, which is 1 · 8 and less than 7 · 4 for 0b10_111.
#[test]
fn a_greatest_code_need_not_mean_the_greatest_value() {
    let coding = Coding::new(5, Encoding::mantissa_exponent(3, 1, 1)).up_to(0b11_001);
    edges(coding, MICROSTEPS, 0, 28);
    both_ways(coding, MICROSTEPS, &[(0b10_111, 28), (0b10_110, 24)]);
    assert_eq!(coding.value_of(0b11_001, MICROSTEPS), Ok(8));
}

/// By hand: signed, six bits leave five for the magnitude; −(5 · 4) is −0b10_101, so 0b10_1011 in two's complement.
#[test]
fn a_mantissa_and_exponent_may_have_a_sign() {
    let twos = Coding::signed(6, Encoding::mantissa_exponent(3, 1, 1));
    both_ways(twos, MICROSTEPS, &[(0b01_0101, 20), (0b10_1011, -20)]);
    edges(twos, MICROSTEPS, -56, 56);
    assert!(twos.value_of(0b10_0000, MICROSTEPS).is_err(), "−32 has no partner");
    both_ways(twos.sign(Sign::SignMagnitude), MICROSTEPS, &[(0b01_0101, 20), (0b11_0101, -20)]);
}

#[test]
fn a_code_with_more_bits_than_the_coding_is_refused() {
    let error = Coding::new(8, Encoding::Raw).value_of(0x105, MICROSTEPS).unwrap_err();
    assert_eq!(error.to_string(), "261 (code) is outside 0..=255 (code)");
}

/// By hand: one code is 1000 microsteps a step, the type ends at 65 535; 65 400 would round up to 66 000.
#[test]
fn a_limit_is_the_value_of_a_code_where_the_type_ends_between_codes() {
    edges(Coding::new(8, Encoding::linear(1000, 1)), Unit::MicrostepsPerStep, 0, 65_000);
}

#[test]
fn a_coding_that_cannot_be_calculated_with_is_not_sound() {
    const TWICE: &[TableEntry] = &[TableEntry::new(1, 2), TableEntry::new(1, 3)];
    const BY_ZERO: &[TableEntry] = &[TableEntry::ratio(1, 2, 0)];
    const AT_ZERO: &[TableEntry] = &[TableEntry::new(0, 5)];
    const WIDE: &[TableEntry] = &[TableEntry::new(12, 5)];
    let unsound = [
        Coding::new(0, Encoding::Raw),
        Coding::new(33, Encoding::Raw),
        Coding::new(8, Encoding::linear(0, 1)),
        Coding::new(8, Encoding::linear(1, 0)),
        Coding::new(8, Encoding::reciprocal(0, 1)),
        Coding::new(8, Encoding::reciprocal_or_zero(1, 0)),
        Coding::new(8, Encoding::reciprocal(1, 1)).up_to(0),
        Coding::signed(1, Encoding::reciprocal_or_zero(1, 1)),
        Coding::new(8, Encoding::power_of_two(0)),
        Coding::signed(8, Encoding::power_of_two(1)),
        Coding::new(8, Encoding::mantissa_exponent(8, 1, 1)),
        Coding::new(8, Encoding::mantissa_exponent(0, 1, 1)),
        Coding::signed(8, Encoding::mantissa_exponent(7, 1, 1)),
        Coding::new(8, Encoding::Table(&[])),
        Coding::new(8, Encoding::Table(TWICE)),
        Coding::new(8, Encoding::Table(BY_ZERO)),
        Coding::signed(8, Encoding::Table(AT_ZERO)),
        Coding::signed(4, Encoding::Table(WIDE)),
        Coding::new(4, Encoding::Table(WIDE)).up_to(11),
    ];
    for coding in unsound {
        assert!(!coding.is_sound(), "{coding:?}");
    }
    assert!(Coding::new(8, Encoding::Table(AT_ZERO)).is_sound());
    assert!(Coding::new(4, Encoding::Table(WIDE)).is_sound());
}

#[test]
fn a_setting_given_as_a_constant_is_a_constant_code() {
    const CODE: u32 = match Coding::new(24, Encoding::linear(1, 50)).code_of(500 << 12, Unit::StepsPerSecond) {
        Ok(code) => code,
        Err(_) => 0,
    };
    assert_eq!(CODE, 25_000);
}
