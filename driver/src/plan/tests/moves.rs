//! Moves worked out by hand, published step times, and random moves over the whole range.

use core::time::Duration;
use std::format;
use std::string::ToString;

use proptest::prelude::*;

use crate::map::{MotionState, Parameter};

use super::ideal::Ideal;
use super::*;

const MICROSECOND: Duration = Duration::from_micros(1);

/// By hand: 2 s up over 1000, 2 s down over 1000, 98 000 at 1000/s between.
#[test]
fn a_long_move_is_a_trapezoid() {
    for sign in [1, -1] {
        let plan = Move::new(ramp(1000, 500, 500, 0, 1), microsteps(sign * 100_000)).unwrap();
        let phases = [plan.accelerate_duration(), plan.cruise_duration(), plan.decelerate_duration()];
        assert_eq!(phases, [2, 98, 2].map(Duration::from_secs));
        assert_eq!(plan.duration(), Duration::from_secs(102));
        assert_eq!(plan.peak_velocity(), Velocity::from_steps_per_s(sign * 1000).unwrap());
        assert_eq!(plan.braking_distance(), microsteps(sign * 1000));
        // 500 · 1²/2; all of the ramp; 1000 + 50 · 1000; the mirror of the first.
        for (at_s, expected) in [(0, 0), (1, 250), (2, 1000), (52, 51_000), (101, 99_750), (102, 100_000)] {
            let at = Duration::from_secs(at_s);
            assert_eq!(plan.position_at(at), microsteps(sign * expected), "after {at_s} s");
            assert_eq!(plan.remaining_at(at), microsteps(sign * (100_000 - expected)), "after {at_s} s");
        }
        for (at_ms, expected, state) in [
            (0, 0, MotionState::Accelerating),
            (500, 250, MotionState::Accelerating),
            (2000, 1000, MotionState::ConstantVelocity),
            (100_000, 1000, MotionState::Decelerating),
            (101_500, 250, MotionState::Decelerating),
            (102_000, 0, MotionState::Standstill),
        ] {
            let at = Duration::from_millis(at_ms);
            assert_eq!(plan.velocity_at(at), Velocity::from_steps_per_s(sign * expected).unwrap(), "at {at_ms} ms");
            assert_eq!(plan.state_at(at), state, "at {at_ms} ms");
        }
    }
}

/// By hand: 16 times as many microsteps at 16 to the step are the same way.
#[test]
fn microsteps_change_the_count_and_not_the_time() {
    let plan = Move::new(ramp(1000, 500, 500, 0, 16), microsteps(1_600_000)).unwrap();
    assert_eq!(plan.duration(), Duration::from_secs(102));
    assert_eq!(plan.position_at(Duration::from_secs(1)), microsteps(4000));
    assert_eq!(plan.braking_distance(), microsteps(16_000));
}

/// Triangle: peak √(2 D a d / (a + d)), duration peak (1/a + 1/d) (textbook). By hand: a = 3, d = 1.5 and D = 2 make a
/// peak of √4, up in 2/3 s, down in 4/3 s.
#[test]
fn moves_of_one_to_three_steps_are_triangles() {
    let limits = ramp(1000, 500, 1500, 0, 1);
    for steps in [1, 2, 3] {
        let plan = Move::new(limits, microsteps(steps)).unwrap();
        let peak = (2.0 * f64::from(steps) * 500.0 * 1500.0 / 2000.0).sqrt();
        assert_near(plan.duration(), peak / 500.0 + peak / 1500.0, &plan);
        assert_near(plan.accelerate_duration(), peak / 500.0, &plan);
        assert_eq!(plan.cruise_duration(), Duration::ZERO);
        assert!((plan.peak_velocity().to_bits() as f64 / 4096.0 - peak).abs() <= 0.5 / 4096.0, "{plan:?}");
        // The last step is the end, and not before.
        assert_eq!(plan.position_at(plan.duration()), microsteps(steps));
        assert_eq!(plan.position_at(plan.duration() - MICROSECOND), microsteps(steps - 1));
    }
    let limits = Ramp { deceleration: Acceleration::from_milli_steps_per_s2(1500).unwrap(), ..ramp(10, 3, 1, 0, 1) };
    let plan = Move::new(limits, microsteps(2)).unwrap();
    assert_eq!(plan.peak_velocity(), Velocity::from_steps_per_s(2).unwrap());
    assert_eq!(plan.accelerate_duration(), Duration::from_nanos(666_666_667));
    assert_eq!(plan.duration(), Duration::from_secs(2));
}

/// D. Austin, "Generate stepper-motor speed profiles in real time", Embedded Systems Programming, January 2005: from
/// rest the n-th step comes at t_n = √(2 n / a). The last steps are its mirror.
#[test]
fn steps_from_rest_come_at_austins_times() {
    for acceleration in [100, 1000, 470_000] {
        let plan = Move::new(ramp(500_000, acceleration, acceleration, 0, 1), microsteps(20_000)).unwrap();
        for n in (1..200).chain([1000, 5000, 9999]) {
            let at = Duration::from_secs_f64((2.0 * f64::from(n) / f64::from(acceleration)).sqrt());
            let around = Duration::from_nanos(2);
            assert_eq!(plan.position_at(at - around), microsteps(n - 1), "before step {n}");
            assert_eq!(plan.position_at(at + around), microsteps(n), "after step {n}");
            let mirrored = plan.duration() - at;
            assert_eq!(plan.remaining_at(mirrored - around), microsteps(n + 1), "before {n} from the end");
            assert_eq!(plan.remaining_at(mirrored + around), microsteps(n), "after {n} from the end");
        }
    }
}

/// By hand: from 200 to 1000 at 500 takes 1.6 s over (1000² − 200²)/1000 = 960, down at 2000 0.4 s over 240; the
/// other 8800 of 10 000 take 8.8 s. A cruise below the start-stop velocity has no ramps: 100 at 50/s is 2 s.
#[test]
fn the_start_stop_velocity_is_taken_up_and_dropped_at_once() {
    let plan = Move::new(ramp(1000, 500, 2000, 200, 1), microsteps(10_000)).unwrap();
    let phases = [plan.accelerate_duration(), plan.cruise_duration(), plan.decelerate_duration()];
    assert_eq!(phases, [1600, 8800, 400].map(Duration::from_millis));
    assert_eq!(plan.braking_distance(), microsteps(240));
    assert_eq!(plan.velocity_at(Duration::ZERO), Velocity::from_steps_per_s(200).unwrap());
    let last = plan.velocity_at(plan.duration() - Duration::from_nanos(1));
    assert_eq!(last, Velocity::from_steps_per_s(200).unwrap());
    assert_eq!(plan.velocity_at(plan.duration()), Velocity::ZERO);

    let plan = Move::new(ramp(50, 500, 2000, 200, 1), microsteps(-100)).unwrap();
    assert_eq!((plan.duration(), plan.cruise_duration()), (Duration::from_secs(2), Duration::from_secs(2)));
    assert_eq!(plan.peak_velocity(), Velocity::from_steps_per_s(-50).unwrap());
    assert_eq!(plan.state_at(Duration::ZERO), MotionState::ConstantVelocity);
    assert_eq!(plan.braking_distance(), Distance::ZERO);
}

#[test]
fn a_move_by_nothing_takes_no_time_and_needs_no_limits() {
    let plan = Move::new(ramp(0, 0, 0, 0, 0), Distance::ZERO).unwrap();
    assert_eq!(plan.duration(), Duration::ZERO);
    assert_eq!(plan.state_at(Duration::ZERO), MotionState::Standstill);
    assert_eq!(plan.position_at(Duration::MAX), Distance::ZERO);
}

#[test]
fn limits_with_which_nothing_arrives_are_refused_by_name() {
    let refused = |limits| Move::new(limits, microsteps(1)).unwrap_err();
    let standstill = |parameter| PlanError::Standstill { parameter };
    assert_eq!(refused(ramp(0, 1, 1, 0, 1)), standstill(Parameter::ProfileVelocity));
    assert_eq!(refused(ramp(1, 0, 1, 0, 1)), standstill(Parameter::ProfileAcceleration));
    assert_eq!(refused(ramp(1, 1, 0, 0, 1)), standstill(Parameter::ProfileDeceleration));
    assert_eq!(refused(ramp(1, 1, 1, 0, 0)), standstill(Parameter::MicrostepResolution));
    assert_eq!(refused(ramp(-1, 1, 1, 0, 1)), PlanError::Negative { parameter: Parameter::ProfileVelocity });
    assert_eq!(
        refused(ramp(1, 1, 1, -1, 1)).to_string(),
        "the start-stop velocity is negative; only a distance has a direction"
    );
}

/// By hand: 2³¹ microsteps at 2⁻¹² full steps/s, one microstep to the step, are 2⁴³ s.
#[test]
fn the_slowest_move_of_all_is_told_exactly() {
    let limits = Ramp { velocity: Velocity::from_bits(1).unwrap(), ..ramp(1, 1, 1, 1, 1) };
    let plan = Move::new(limits, microsteps(i32::MIN)).unwrap();
    assert_eq!(plan.duration(), Duration::from_secs(1 << 43));
    assert_eq!(plan.position_at(Duration::from_secs(1 << 42)), microsteps(-(1 << 30)));
    assert_eq!(plan.position_at(Duration::MAX), microsteps(i32::MIN));
}

/// Every size of a number is as likely as any other.
fn sized(bits: u32) -> impl Strategy<Value = u32> {
    (0..bits).prop_flat_map(|top| (1u32 << top)..=((1u64 << (top + 1)) - 1) as u32)
}

fn any_ramp() -> impl Strategy<Value = Ramp> {
    let start_stop = prop_oneof![Just(0), sized(31)];
    (sized(31), sized(32), sized(32), start_stop, sized(16)).prop_map(|(v, a, d, s, r)| Ramp {
        velocity: Velocity::from_bits(v.into()).unwrap(),
        acceleration: Acceleration::from_bits(a.into()).unwrap(),
        deceleration: Acceleration::from_bits(d.into()).unwrap(),
        start_stop_velocity: Velocity::from_bits(s.into()).unwrap(),
        resolution: MicrostepResolution::from_microsteps_per_step(r as u16),
    })
}

fn any_length() -> impl Strategy<Value = i32> {
    (sized(31), any::<bool>())
        .prop_map(|(length, is_negative)| if is_negative { -(length as i32) } else { length as i32 })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    #[test]
    fn durations_are_those_of_the_closed_form(limits in any_ramp(), length in any_length()) {
        let plan = Move::new(limits, microsteps(length)).unwrap();
        let ideal = Ideal::new(&limits, length.unsigned_abs());
        let case = (&plan, &ideal);
        assert_near(plan.duration(), ideal.duration_s(), &case);
        assert_near(plan.accelerate_duration(), ideal.accelerate_s, &case);
        assert_near(plan.decelerate_duration(), ideal.decelerate_s, &case);
        let sum = plan.accelerate_duration() + plan.cruise_duration() + plan.decelerate_duration();
        prop_assert_eq!(sum, plan.duration());
        let peak = ideal.peak / f64::from(limits.resolution.to_microsteps_per_step()) * 4096.0;
        let found = plan.peak_velocity().to_bits() as f64 * f64::from(length.signum());
        prop_assert!((found - peak).abs() <= 0.5 + 1e-9 * peak, "{found} and {peak}");
    }

    /// A count is right if its own step is not still to come and the next one not long past, one step of slack each.
    #[test]
    fn positions_are_those_of_the_closed_form(limits in any_ramp(), length in any_length(), share in 0.0..1.0) {
        let plan = Move::new(limits, microsteps(length)).unwrap();
        let ideal = Ideal::new(&limits, length.unsigned_abs());
        let at = plan.duration().mul_f64(share);
        let steps = plan.position_at(at).to_microsteps();
        prop_assert!(steps == 0 || steps.signum() == length.signum());
        let n = f64::from(steps.unsigned_abs());
        let at_s = at.as_secs_f64();
        // The question itself is only put to a nanosecond, and so is the clock of the closed form.
        let slack = 1e-12 * at_s;
        prop_assert!(ideal.time_of(n - 1.0) <= at_s + slack, "{n} at {at_s} s is too early: {ideal:?}");
        if n + 2.0 <= ideal.length {
            prop_assert!(at_s <= ideal.time_of(n + 2.0) + slack, "{n} at {at_s} s is too late: {ideal:?}");
        }
        let left = plan.remaining_at(at).to_microsteps();
        prop_assert_eq!(steps + left, length);
    }

    #[test]
    fn velocities_are_those_of_the_closed_form(limits in any_ramp(), length in any_length(), share in 0.0..1.0) {
        let plan = Move::new(limits, microsteps(length)).unwrap();
        let at = plan.duration().mul_f64(share);
        let bits = plan.velocity_at(at).to_bits().unsigned_abs() as f64;
        let jump = limits.start_stop_velocity.min(limits.velocity).to_bits() as f64;
        let (rising, falling) = (limits.acceleration.to_bits() as f64, limits.deceleration.to_bits() as f64);
        let left_s = (plan.duration() - at).as_secs_f64();
        let lines = [jump + 16.0 * rising * at.as_secs_f64(), jump + 16.0 * falling * left_s, limits.velocity.to_bits() as f64];
        let expected = lines.into_iter().fold(f64::INFINITY, f64::min);
        // The end is rounded up by up to a nanosecond or two.
        let slack = 1.0 + 16.0 * falling * 2e-9 + 1e-9 * expected;
        prop_assert!(at >= plan.duration() || (bits - expected).abs() <= slack, "{bits} and {expected}: {plan:?}");
    }

    #[test]
    fn the_count_never_falls_and_ends_at_the_distance(limits in any_ramp(), length in any_length(), share in 0.0..1.0) {
        let plan = Move::new(limits, microsteps(length)).unwrap();
        let edges = [
            plan.accelerate_duration(),
            plan.accelerate_duration() + plan.cruise_duration(),
            plan.duration(),
            plan.duration().mul_f64(share),
        ];
        for edge in edges {
            let mut last = 0;
            for nanoseconds in 0..40 {
                let at = (edge + Duration::from_nanos(nanoseconds)).saturating_sub(Duration::from_nanos(20));
                let steps = plan.position_at(at).to_microsteps().unsigned_abs();
                prop_assert!(steps >= last, "{}", format!("{last}, then {steps} at {at:?}: {plan:?}"));
                last = steps;
            }
        }
        prop_assert_eq!(plan.position_at(plan.duration()), microsteps(length));
        prop_assert_eq!(plan.velocity_at(plan.duration()), Velocity::ZERO);
    }

    #[test]
    fn braking_takes_what_the_fall_takes(limits in any_ramp(), length in any_length()) {
        let plan = Move::new(limits, microsteps(length)).unwrap();
        let ideal = Ideal::new(&limits, length.unsigned_abs());
        let begins = plan.accelerate_duration() + plan.cruise_duration();
        let left = plan.remaining_at(begins).to_microsteps().unsigned_abs();
        let braking = plan.braking_distance().to_microsteps().unsigned_abs();
        // The whole nanosecond is later than the instant by what can be gone in it.
        let gone = (ideal.peak * 1e-9).ceil() as u32;
        prop_assert!(left <= braking + 1 && braking <= left + gone + 1, "{braking} and {left}: {plan:?}");
    }
}
