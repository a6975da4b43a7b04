//! Changes of velocity and braking, by hand and against sums of signed areas.

use core::time::Duration;

use proptest::prelude::*;

use crate::map::Parameter;

use super::*;

fn velocity(steps_per_s: i32) -> Velocity {
    Velocity::from_steps_per_s(steps_per_s).unwrap()
}

/// By hand, up at 500 and down at 2000: 0 to 1000 in 2 s over 1000; 400 to −300 down in 0.2 s over 40, up in 0.6 s over
/// 90 the other way. With a jump of 200: −1000 to rest in 0.4 s over 240.
#[test]
fn changes_take_the_time_and_the_way_of_their_ramps() {
    for (from, to, jump, milliseconds, steps) in [
        (0, 1000, 0, 2000, 1000),
        (1000, 0, 0, 500, 250),
        (400, -300, 0, 800, 40 - 90),
        (-400, 300, 0, 800, 90 - 40),
        (300, 700, 0, 800, 400),
        (700, 300, 0, 200, 100),
        (-700, -300, 0, 200, -100),
        (-1000, 0, 200, 400, -240),
        (0, -1000, 200, 1600, -960),
        (150, 1000, 200, 1600, 960),
        (150, 0, 200, 0, 0),
        (0, 150, 200, 0, 0),
        (-100, 1000, 200, 1600, 960),
        (500, 500, 0, 0, 0),
        (0, 0, 0, 0, 0),
    ] {
        // The ramp's own velocity has no say.
        let change = VelocityChange::new(velocity(from), velocity(to), ramp(1, 500, 2000, jump, 8)).unwrap();
        assert_eq!(change.duration(), Duration::from_millis(milliseconds), "from {from} to {to}, jump {jump}");
        assert_eq!(change.distance(), microsteps(8 * steps), "from {from} to {to}, jump {jump}");
    }
}

/// By hand: 100² / (2 · 30) is 166.67.
#[test]
fn the_braking_distance_is_rounded_up_to_what_suffices() {
    let slope = Acceleration::from_steps_per_s2(30).unwrap();
    let one = MicrostepResolution::from_microsteps_per_step(1);
    let way = |speed, jump| braking_distance(velocity(speed), slope, velocity(jump), one);
    assert_eq!(way(100, 0), Ok(microsteps(167)));
    assert_eq!(way(-100, 0), Ok(microsteps(-167)));
    assert_eq!(way(100, 100), Ok(Distance::ZERO));
    assert_eq!(way(0, 0), Ok(Distance::ZERO));
    assert_eq!(way(1, -1), Err(PlanError::Negative { parameter: Parameter::StartStopVelocity }));
    let none = braking_distance(velocity(1), Acceleration::ZERO, Velocity::ZERO, one);
    assert_eq!(none, Err(PlanError::Standstill { parameter: Parameter::ProfileDeceleration }));
    // By hand: 524 288² / (2 · 30) is 4 581 298 449.07 steps, rounded up.
    let fastest = braking_distance(Velocity::from_bits(i32::MIN.into()).unwrap(), slope, Velocity::ZERO, one);
    assert_eq!(fastest, Err(PlanError::TooLong { microsteps: 4_581_298_450 }));
}

/// By hand: 500²/(2 · 1000) are 125 steps, 16 000 microsteps of 1/128.
#[test]
fn braking_takes_half_the_square_of_the_speed_over_the_deceleration() {
    let slope = Acceleration::from_steps_per_s2(1000).unwrap();
    let resolution = MicrostepResolution::from_microsteps_per_step(128);
    let braking = |steps| braking_distance(velocity(steps), slope, Velocity::ZERO, resolution);
    assert_eq!(braking(500), Ok(microsteps(16_000)));
    assert_eq!(braking(-500), Ok(microsteps(-16_000)));
    assert!(matches!(braking(524_287), Err(PlanError::TooLong { .. })));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    /// Floats are the other way of calculating here; they are good to a part in 10¹⁵.
    #[test]
    fn the_braking_distance_is_that_of_the_textbook(
        speed in -2_000_000i32..=2_000_000, slope in 1_000i32..=i32::MAX, resolution in 1u16..=256,
    ) {
        let velocity = Velocity::from_milli_steps_per_s(speed).unwrap();
        let deceleration = Acceleration::from_milli_steps_per_s2(slope).unwrap();
        let v = velocity.to_bits() as f64 / 4096.0;
        let expected = v * v / (2.0 * deceleration.to_bits() as f64 / 256.0) * f64::from(resolution);
        let resolution = MicrostepResolution::from_microsteps_per_step(resolution);
        let found = f64::from(braking_distance(velocity, deceleration, Velocity::ZERO, resolution).unwrap().to_microsteps().abs());
        let slack = 1e-6;
        prop_assert!(found >= expected - slack && found < expected + 1.0 + slack, "{} for {}", found, expected);
    }

    /// Each side of zero apart: the time is the change of speed over the slope, the way the area under it.
    #[test]
    fn changes_are_those_of_the_closed_form(
        from in any::<i32>(), to in any::<i32>(), shift in 0u32..31, slopes in any::<(u32, u32)>(),
        jump in prop_oneof![Just(0), 0i32..i32::MAX], scale in 1..=u16::MAX,
    ) {
        let [from, to, jump] = [from, to, jump].map(|bits| Velocity::from_bits(i64::from(bits >> shift)).unwrap());
        let [rising, falling] = [slopes.0, slopes.1].map(|bits| Acceleration::from_bits((bits | 1).into()).unwrap());
        let limits = Ramp {
            acceleration: rising,
            deceleration: falling,
            start_stop_velocity: jump,
            resolution: MicrostepResolution::from_microsteps_per_step(scale),
            velocity: Velocity::ZERO,
        };
        let [v, w, j] = [from, to, jump].map(|speed| speed.to_bits() as f64 / 4096.0);
        let [a, d] = [rising, falling].map(|slope| slope.to_bits() as f64 / 256.0);
        let (mut time_s, mut way) = (0.0, 0.0);
        let mut stretch = |begins: f64, ends: f64, slope: f64| {
            time_s += (ends - begins).abs() / slope;
            way += (ends - begins).abs() / slope * (begins + ends) / 2.0;
        };
        let sign = if v < 0.0 || v == 0.0 && w < 0.0 { -1.0 } else { 1.0 };
        let (speed, goal) = (v * sign, w * sign);
        if goal > 0.0 && goal > speed.max(j.min(goal)) {
            stretch(sign * speed.max(j), sign * goal, a);
        } else if goal > 0.0 && speed > goal {
            stretch(sign * speed, sign * goal, d);
        } else if goal <= 0.0 {
            if speed > j { stretch(sign * speed, sign * j, d); }
            if goal < -j { stretch(-sign * j, sign * goal, a); }
        }
        let way = way * f64::from(scale);
        match VelocityChange::new(from, to, limits) {
            Ok(change) => {
                assert_near(change.duration(), time_s, &(from, to, limits));
                let found = f64::from(change.distance().to_microsteps());
                prop_assert!((found - way).abs() <= 0.51, "{found}, by the closed form {way}");
            }
            Err(error) => {
                let PlanError::TooLong { microsteps } = error else { panic!("{error}") };
                prop_assert!(way.abs() > 2_147_483_646.0);
                prop_assert!((microsteps as f64 - way.abs()).abs() <= 1.0 + 1e-9 * way.abs());
            }
        }
    }
}
