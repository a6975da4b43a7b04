//! Conversions against products in 128 bits, at the edges of every type, and over a million increments.

extern crate std;
use std::string::ToString;

use proptest::prelude::*;

use super::super::{Angle, Lead, Length, Mechanism, Ratio, Turn, Turns};
use super::*;

const RESOLUTION: MicrostepResolution = MicrostepResolution::from_microsteps_per_step(128);
const MOTOR: Mechanism = Mechanism::new(200, RESOLUTION).unwrap();
const GEARED: Mechanism = MOTOR.gear(Ratio::new(37, 10).unwrap());

/// Common practice, no published source: most motors make 200 full steps in a turn.
#[test]
fn half_a_turn_of_200_steps_at_128_microsteps_is_12_800() {
    let half = Distance::from_microsteps(12_800);
    assert_eq!(MOTOR.turns().distance(Turns::from_milliturns(500)), Ok(half));
    assert_eq!(MOTOR.degrees().distance(Angle::from_degrees(180)), Ok(half));
    assert_eq!(MOTOR.degrees().travel_of(half), Ok(Angle::from_degrees(180)));
    assert_eq!(MOTOR.turns().resolution(), RESOLUTION);
}

/// By hand: 3.7 · 200 = 740 steps are a turn of the output, or 5 mm; 740 · 128 = 94 720 microsteps.
#[test]
fn a_gear_and_a_lead_scale_every_quantity() {
    let slide = GEARED.millimetres(Lead::from_micrometres(Ratio::whole(5000).unwrap())).unwrap();
    assert_eq!(GEARED.turns().position(Turns::from_turns(1)), Ok(UnwrappedPosition::from_microsteps(94_720)));
    assert_eq!(slide.distance(Length::from_millimetres(5)), Ok(Distance::from_microsteps(94_720)));
    let velocity = slide.velocity(Length::from_millimetres(-5).per_second());
    assert_eq!(velocity, Ok(Velocity::from_steps_per_s(-740).unwrap()));
    let acceleration = slide.acceleration(Length::from_micrometres(2500).per_second_squared());
    assert_eq!(acceleration, Ok(Acceleration::from_steps_per_s2(370).unwrap()));
    assert_eq!(slide.speed_of(velocity.unwrap()), Ok(Length::from_millimetres(-5).per_second()));
    let back = slide.acceleration_of(acceleration.unwrap());
    assert_eq!(back, Ok(Length::from_micrometres(2500).per_second_squared()));
}

/// The inch is 25.4 mm exactly. By hand: twelve threads to the inch are 25 400/12 µm a turn, which is 25 600 microsteps.
#[test]
fn a_lead_that_is_no_whole_number_is_exact() {
    let slide = MOTOR.millimetres(Lead::from_micrometres(Ratio::new(25_400, 12).unwrap())).unwrap();
    let inch = Length::from_micrometres(25_400);
    assert_eq!(slide.position(inch), Ok(UnwrappedPosition::from_microsteps(12 * 25_600)));
}

#[test]
fn an_inverted_motor_counts_the_other_way_but_accelerates_alike() {
    let (scale, inverted) = (GEARED.degrees(), GEARED.inverted().degrees());
    let angle = Angle::from_millidegrees(12_345);
    let microsteps = scale.position(angle).unwrap().to_microsteps();
    assert_eq!(inverted.position(angle), Ok(UnwrappedPosition::from_microsteps(-microsteps)));
    assert_eq!(
        inverted.velocity(angle.per_second()).unwrap().to_bits(),
        -scale.velocity(angle.per_second()).unwrap().to_bits()
    );
    assert_eq!(inverted.acceleration(angle.per_second_squared()), scale.acceleration(angle.per_second_squared()));
    assert_eq!(inverted.way(Way::Positive), Way::Negative);
    assert_eq!(inverted.way(Way::Negative), Way::Positive);
    assert_eq!([scale.way(Way::Positive), inverted.way(Way::Shortest)], [Way::Positive, Way::Shortest]);
    assert_eq!(GEARED.inverted().inverted(), GEARED);
}

/// By hand: a type's last value and half a bit more, which is still rounded to it, is (2³¹ − ½)/25 600 turns,
/// (2³¹ − ½)/4096/200 turns/s, (2³² − ½)/256/200 turns/s²; cut off at nine places.
#[test]
fn what_a_type_cannot_hold_is_refused_with_value_limits_and_unit() {
    let error = MOTOR.turns().distance(Turns::from_turns(100_000)).unwrap_err();
    assert_eq!(error.to_string(), "100000 turns is outside -83886.080019531..=83886.079980468 turns");
    let error = MOTOR.turns().acceleration(Turns::from_milliturns(-1).per_second_squared()).unwrap_err();
    assert_eq!(error.to_string(), "-0.001 turns/s² is outside 0..=83886.079990234 turns/s²");
    let error = MOTOR.turns().velocity(Turns::from_turns(2622).per_second()).unwrap_err();
    assert_eq!(error.to_string(), "2622 turns/s is outside -2621.44000061..=2621.439999389 turns/s");
    let coarse = Mechanism::new(1, MicrostepResolution::from_microsteps_per_step(1)).unwrap();
    let error = coarse.turns().place_of(UnwrappedPosition::from_microsteps(i64::MAX)).unwrap_err();
    assert_eq!(error.to_string(), "9223372036854775807 microsteps is outside -9223372036..=9223372036 microsteps");
    assert!(GEARED.turns().position(Turns::from_nanoturns(i64::MIN)).is_ok());
}

/// With one microstep a turn the number of turns is the number of microsteps.
#[test]
fn halves_are_rounded_away_from_zero_at_the_limits_too() {
    let scale = Mechanism::new(1, MicrostepResolution::from_microsteps_per_step(1)).unwrap().turns();
    let rounded = |milliturns| scale.distance(Turns::from_milliturns(milliturns)).unwrap().to_microsteps();
    assert_eq!([499, 500, 1_499, 1_500, -499, -500, -1_500].map(rounded), [0, 1, 1, 2, 0, -1, -2]);
    let error = scale.distance(Turns::from_nanoturns(2_147_483_647_500_000_000)).unwrap_err();
    assert_eq!(error.to_string(), "2147483647.5 turns is outside -2147483648.499999999..=2147483647.499999999 turns");
}

#[test]
fn a_negative_acceleration_is_refused_even_where_it_would_be_rounded_to_zero() {
    let least = |nanoturns| MOTOR.turns().acceleration(Turns::from_nanoturns(nanoturns).per_second_squared());
    assert_eq!(least(1), Ok(Acceleration::ZERO));
    assert!(least(-1).is_err());
}

/// 17/1000 of a turn are 1610.24 microsteps behind the gear: a million rounded distances would end 240 000 short.
#[test]
fn a_million_increments_by_absolute_targets_end_within_half_a_microstep() {
    let scale = GEARED.turns();
    let (mut at, mut rounded_apart) = (UnwrappedPosition::ZERO, UnwrappedPosition::ZERO);
    let increment = Turns::from_milliturns(17);
    let mut target = Turns::ZERO;
    for count in 1..=1_000_000i64 {
        target = target.checked_add(increment).unwrap();
        at = at.saturating_add(scale.position(target).unwrap().distance_from(at).unwrap());
        rounded_apart = rounded_apart.saturating_add(scale.distance(increment).unwrap());
        // 37/10 · 25 600 · 17/1000 · count, in twenty-fifths: 40 256 · count.
        let error = (at.to_microsteps() * 25 - 40_256 * count).abs();
        assert!(error * 2 <= 25, "{error} twenty-fifths after {count} increments");
    }
    assert_eq!(at.to_microsteps(), 1_610_240_000);
    assert_eq!(rounded_apart.to_microsteps(), 1_610_000_000, "what adding rounded distances does");
}

fn ratio() -> impl Strategy<Value = Ratio> {
    (1u32..=10_000, 1u32..=10_000).prop_map(|(numerator, denominator)| Ratio::new(numerator, denominator).unwrap())
}

fn mechanism() -> impl Strategy<Value = (Mechanism, i128, i128, i128)> {
    (1u16..=1000, 0u32..=8, ratio(), any::<bool>()).prop_map(|(steps, power, gear, inverted)| {
        let resolution = MicrostepResolution::from_microsteps_per_step(1 << power);
        let mechanism = Mechanism::new(steps, resolution).unwrap().gear(gear);
        let sign = if inverted { -1 } else { 1 };
        let mechanism = if inverted { mechanism.inverted() } else { mechanism };
        // Full steps in a turn of the output, as a fraction with its sign; and microsteps in a step.
        (mechanism, sign * i128::from(steps) * i128::from(gear.numerator()), gear.denominator().into(), 1 << power)
    })
}

/// Whether `found` is the integer nearest to numerator/denominator, the one farther from zero of two.
fn is_nearest(found: i128, numerator: i128, denominator: i128) -> bool {
    let (found, numerator) = if numerator < 0 { (-found, -numerator) } else { (found, numerator) };
    2 * numerator - denominator < 2 * found * denominator && 2 * found * denominator <= 2 * numerator + denominator
}

/// Whether a place is further away than 64 bits of nanoturns reach.
fn is_beyond_turns(count: i128, microsteps: i128, per: i128) -> bool {
    (count * per * 1_000_000_000 / microsteps).abs() >= i128::from(i64::MAX)
}

proptest! {
    #[test]
    fn turns_and_degrees_are_rounded_once_and_to_nearest(
        (mechanism, steps, per, microsteps) in mechanism(), count in -1i64 << 40..1 << 40,
    ) {
        let count_wide = i128::from(count);
        let position = mechanism.turns().position(Turns::from_nanoturns(count)).unwrap().to_microsteps();
        prop_assert!(is_nearest(position.into(), count_wide * steps * microsteps, per * 1_000_000_000));
        let position = mechanism.degrees().position(Angle::from_microdegrees(count)).unwrap().to_microsteps();
        prop_assert!(is_nearest(position.into(), count_wide * steps * microsteps, per * 360_000_000));
        let Ok(turns) = mechanism.turns().place_of(UnwrappedPosition::from_microsteps(count >> 8)) else {
            prop_assert!(is_beyond_turns((count >> 8).into(), steps * microsteps, per));
            return Ok(());
        };
        let (numerator, denominator) = ((count_wide >> 8) * per * 1_000_000_000 * steps.signum(), steps.abs() * microsteps);
        prop_assert!(is_nearest(turns.to_nanoturns().into(), numerator, denominator));
    }

    #[test]
    fn lengths_and_rates_are_rounded_once_and_to_nearest(
        (mechanism, steps, per, microsteps) in mechanism(), lead in ratio(), count in -1i64 << 26..1 << 26,
    ) {
        let scale = mechanism.millimetres(Lead::from_micrometres(lead)).unwrap();
        let length = Length::from_nanometres(count);
        let (n, d) = (
            i128::from(count) * steps * i128::from(lead.denominator()),
            per * i128::from(lead.numerator()) * 1000,
        );
        prop_assert!(is_nearest(scale.position(length).unwrap().to_microsteps().into(), n * microsteps, d));
        let fits = |bits: i128| i32::try_from(bits / d).is_ok();
        if fits(n * 4096 * 2) {
            prop_assert!(is_nearest(scale.velocity(length.per_second()).unwrap().to_bits().into(), n * 4096, d));
        }
        if count >= 0 && fits(n * 256 * 2) {
            let found = scale.acceleration(length.per_second_squared()).unwrap().to_bits();
            prop_assert!(is_nearest(found.into(), n.abs() * 256, d));
        }
    }

    #[test]
    fn the_limits_in_an_error_are_the_last_values_that_are_taken(
        (mechanism, ..) in mechanism(), is_negative: bool,
    ) {
        let scale: Scale<Turn> = mechanism.turns();
        let turns = Turns::from_nanoturns(if is_negative { i64::MIN } else { i64::MAX });
        if let Err(error) = scale.distance(turns) {
            let taken = |digits| scale.distance(Turns::from_nanoturns(digits)).is_ok();
            let (min, max) = (error.min.digits, error.max.digits);
            prop_assert!(taken(min) && (min == i64::MIN || !taken(min - 1)));
            prop_assert!(taken(max) && (max == i64::MAX || !taken(max + 1)));
        }
        if let Err(error) = scale.velocity(turns.per_second()) {
            let taken = |digits| scale.velocity(Turns::from_nanoturns(digits).per_second()).is_ok();
            let (min, max) = (error.min.digits, error.max.digits);
            prop_assert!(taken(min) && (min == i64::MIN || !taken(min - 1)));
            prop_assert!(taken(max) && (max == i64::MAX || !taken(max + 1)));
        }
        let position = UnwrappedPosition::from_microsteps(if is_negative { i64::MIN } else { i64::MAX });
        if let Err(error) = scale.place_of(position) {
            let taken = |bits| scale.place_of(UnwrappedPosition::from_microsteps(bits)).is_ok();
            let (min, max) = (error.min().bits, error.max().bits);
            prop_assert!(taken(min) && (min == i64::MIN || !taken(min - 1)));
            prop_assert!(taken(max) && (max == i64::MAX || !taken(max + 1)));
        }
    }

    #[test]
    fn microsteps_come_back_where_the_unit_is_finer(
        (mechanism, steps, per, microsteps) in mechanism(), count: i32,
    ) {
        let position = UnwrappedPosition::from_microsteps(count.into());
        // A nanoturn is less than a microstep.
        if steps.abs() * microsteps < per * 1_000_000_000 {
            match mechanism.turns().place_of(position) {
                Ok(turns) => prop_assert_eq!(mechanism.turns().position(turns), Ok(position)),
                Err(_) => prop_assert!(is_beyond_turns(count.into(), steps * microsteps, per)),
            }
        }
    }

    #[test]
    fn no_input_panics(
        steps in 1u16.., resolution in 1u16.., gear: (u32, u32), lead: (u32, u32), value: i64, inverted: bool,
    ) {
        let (Some(gear), Some(lead)) = (Ratio::new(gear.0, gear.1), Ratio::new(lead.0, lead.1)) else { return Ok(()) };
        let mechanism = Mechanism::new(steps, MicrostepResolution::from_microsteps_per_step(resolution)).unwrap().gear(gear);
        let mechanism = if inverted { mechanism.inverted() } else { mechanism };
        if let Some(scale) = mechanism.millimetres(Lead::from_micrometres(lead)) {
            let length = Length::from_nanometres(value);
            let _ = (scale.position(length), scale.distance(length), scale.velocity(length.per_second()));
            let _ = scale.acceleration(length.per_second_squared());
        }
        let _ = mechanism.turns().place_of(UnwrappedPosition::from_microsteps(value));
        let _ = mechanism.degrees().position(Angle::from_microdegrees(value));
    }
}
