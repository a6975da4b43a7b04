//! Laws of numbers and quantities of every unit, and the edges of their types.

extern crate std;
use std::format;
use std::string::{String, ToString};

use proptest::prelude::*;
use proptest::sample::select;

use super::*;

/// `numerator / denominator` in bits of a unit, halves away from zero, in 128 bits.
fn ratio_bits(numerator: i64, denominator: u32, unit: Unit) -> i128 {
    let (scaled, denominator) = (i128::from(numerator) << unit.fraction_bits(), i128::from(denominator));
    (2 * scaled.abs() + denominator) / (2 * denominator) * scaled.signum()
}

macro_rules! for_each_quantity {
    ($($name:ident),*) => {
        /// The bits that a quantity's `from_ratio` makes.
        fn from_ratio(unit: Unit, numerator: i64, denominator: u32) -> Option<Result<i64, OutOfRange>> {
            $(if unit == $name::UNIT {
                return Some($name::from_ratio(numerator, denominator).map($name::to_bits));
            })*
            None
        }

        #[test]
        fn every_quantity_says_its_unit_and_its_value_tells_it_back() {
            $(
                let (min, max) = $name::UNIT.range();
                for bits in [min, max, 0] {
                    let quantity = $name::from_bits(bits).unwrap();
                    let value = Value::from(quantity);
                    assert_eq!(quantity.to_bits(), bits);
                    assert_eq!((value.to_bits(), value.unit()), (bits, $name::UNIT), stringify!($name));
                    assert_eq!(quantity.number(), value.number());
                    assert_eq!(quantity.to_string(), value.to_string());
                }
                assert_eq!($name::ZERO.to_bits(), 0);
                for bits in [min - 1, max + 1, i64::MIN, i64::MAX] {
                    let error = $name::from_bits(bits).unwrap_err();
                    assert_eq!((error.value().bits, error.min().bits, error.max().bits), (bits, min, max));
                    assert_eq!(error.unit(), $name::UNIT);
                }
            )*
        }
    };
}

for_each_quantity!(
    Position,
    Distance,
    Velocity,
    Acceleration,
    Amplitude,
    AmplitudeSlope,
    Current,
    Voltage,
    Temperature,
    Factor,
    MicrostepResolution
);

/// By hand: −7/2 V is −229 376 bits of 2⁻¹⁶; −1/131 072 V is half a bit below zero, and goes away from it; a third
/// of a volt is 21 845.3 bits.
#[test]
fn a_ratio_is_rounded_alike_on_both_sides_of_zero() {
    assert_eq!(Voltage::from_ratio(-7, 2).unwrap().to_bits(), -229_376);
    assert_eq!(Voltage::from_ratio(-1, 131_072).unwrap().to_bits(), -1);
    assert_eq!(Voltage::from_ratio(1, 131_072).unwrap().to_bits(), 1);
    assert_eq!(Voltage::from_ratio(-1, 131_073).unwrap().to_bits(), 0);
    assert_eq!(Voltage::from_ratio(-1, 3).unwrap().to_bits(), -21_845);
    assert_eq!(Distance::from_ratio(-5, 2).unwrap().to_microsteps(), -3);
}

/// By hand: −2³¹ bits are the last; −32 768 V are they, and half a bit less rounds beyond.
#[test]
fn a_ratio_reaches_to_the_last_bit_of_the_type() {
    assert_eq!(Voltage::from_ratio(-32_768, 1).unwrap().to_bits(), i32::MIN as i64);
    assert!(Voltage::from_ratio(-32_768 * 131_072 - 1, 131_072).is_err());
    assert_eq!(Position::from_ratio(i32::MIN as i64, 1).unwrap().to_microsteps(), i32::MIN);
    assert!(Position::from_ratio(i32::MIN as i64 - 1, 1).is_err());
    assert_eq!(Amplitude::from_ratio(1, 1).unwrap().to_bits(), 1 << 31);
    assert!(AmplitudeSlope::from_ratio(1, 1).is_err(), "a slope is below one");
    assert_eq!(AmplitudeSlope::from_ratio(u32::MAX as i64 - 1, u32::MAX).unwrap().to_bits(), u32::MAX as i64);
    assert!(Acceleration::from_ratio(-1, u32::MAX).is_ok(), "a negative value may round to zero");
    assert!(Acceleration::from_ratio(-1, 512).is_err());
}

/// By hand: 2³¹ bits of 2⁻¹² are 524 288, and those of 2⁻⁸ are 8 388 608.
#[test]
fn an_error_shows_its_numbers_in_debug_too_and_the_value_in_its_own_unit() {
    let error = OutOfRange::new(1 << 31, Unit::StepsPerSecond, (0, 1 << 31), Unit::StepsPerSecondSquared);
    let expected = "OutOfRange { value: 524288 (2147483648/2^12), min: 0 (0/2^8), \
        max: 8388608 (2147483648/2^8), unit: StepsPerSecondSquared }";
    assert_eq!(format!("{error:?}"), expected);
}

#[test]
fn a_ratio_beyond_64_bits_or_over_zero_is_refused_and_keeps_its_sign() {
    for (numerator, denominator) in [(i64::MAX, 1), (i64::MIN, 1), (i64::MIN, u32::MAX), (1, 0), (-1, 0)] {
        let error = Velocity::from_ratio(numerator, denominator).unwrap_err();
        assert_eq!(error.value().bits.signum(), numerator.signum(), "{numerator}/{denominator}: {error}");
    }
}

/// A decimal as a count of 10⁻¹²; read digit by digit.
fn parsed(text: &str) -> i128 {
    let (negative, digits) = text.strip_prefix('-').map_or((false, text), |rest| (true, rest));
    let (whole, decimals) = digits.split_once('.').unwrap_or((digits, ""));
    assert!(!whole.is_empty() && decimals.len() <= 9 && !decimals.ends_with('0'), "{text}");
    let decimals = format!("{decimals:0<12}");
    let magnitude = whole.parse::<i128>().unwrap() * 1_000_000_000_000 + decimals.parse::<i128>().unwrap();
    if negative { -magnitude } else { magnitude }
}

fn any_bits() -> impl Strategy<Value = i64> {
    (any::<i64>(), 0u32..64).prop_map(|(bits, shift)| bits >> shift)
}

proptest! {
    #[test]
    fn a_ratio_is_the_nearest_bits_or_refused(
        numerator in any_bits(), denominator in prop_oneof![1u32..1000, 1u32..=u32::MAX], unit in select(Unit::ALL),
    ) {
        let Some(found) = from_ratio(unit, numerator, denominator) else {
            prop_assert_eq!(unit, Unit::Code, "only bare codes have no quantity");
            return Ok(());
        };
        let expected = ratio_bits(numerator, denominator, unit);
        let (min, max) = unit.range();
        if i128::from(min) <= expected && expected <= i128::from(max) {
            prop_assert_eq!(found.map(i128::from), Ok(expected));
        } else {
            let error = found.unwrap_err();
            prop_assert_eq!((error.min(), error.max(), error.unit()), (unit.number(min), unit.number(max), unit));
            let saturated = expected.clamp(-i128::from(i64::MAX), i128::from(i64::MAX));
            // Beyond 64 bits on the way, the value shows as the last one.
            prop_assert!([saturated, saturated.signum() * i128::from(i64::MAX)].contains(&error.value().bits.into()));
        }
    }

    #[test]
    fn a_value_keeps_its_bits_and_its_unit(bits in any_bits(), unit in select(Unit::ALL)) {
        let (min, max) = unit.range();
        match Value::from_bits(unit, bits) {
            Ok(value) => {
                prop_assert!(min <= bits && bits <= max);
                prop_assert_eq!((value.unit(), value.to_bits()), (unit, bits));
                prop_assert_eq!(value.number(), unit.number(bits));
            }
            Err(error) => {
                prop_assert!(bits < min || max < bits);
                prop_assert_eq!((error.value().bits, error.min().bits, error.max().bits), (bits, min, max));
            }
        }
    }

    /// The last place is that of the digits which the bits are worth, at most the ninth.
    #[test]
    fn a_printed_number_is_within_half_of_its_last_place(bits in any_bits(), fraction_bits in 0u8..=32) {
        let text = Number { bits, fraction_bits }.to_string();
        let places = (u32::from(fraction_bits) * 3 / 10 + 1).min(9);
        let half_a_place = 10i128.pow(12 - places) / 2;
        let exact = i128::from(bits) * 1_000_000_000_000;
        let error = (parsed(&text) << fraction_bits) - exact;
        prop_assert!(error.abs() <= half_a_place << fraction_bits, "{} for {}/2^{}", text, bits, fraction_bits);
        prop_assert!(fraction_bits > 0 || text == bits.to_string());
        prop_assert!(!text.starts_with('-') || bits < 0);
    }

    #[test]
    fn an_error_prints_value_limits_and_unit(bits in any_bits(), unit in select(Unit::ALL)) {
        if let Err(error) = Value::from_bits(unit, bits) {
            let (value, min, max) = (error.value().to_string(), error.min().to_string(), error.max().to_string());
            let symbol = unit.symbol();
            let expected: String = format!("{value} {symbol} is outside {min}..={max} {symbol}");
            let expected = expected.replace("  ", " ");
            prop_assert_eq!(error.to_string(), expected.trim_end());
        }
    }
}
