//! Every command from standstill and in motion, worked out by hand.

use super::{LIMITS, S, all_steps, assert_near};
use stepchain::map::{MotionState, StopRamp};

use crate::motion::{Direction, Engine, Limits};

/// 1000 microsteps/s since 2 s, at position 1000 then.
fn cruising() -> Engine {
    let mut engine = Engine::new();
    engine.move_velocity(0, 1000.0, &LIMITS).unwrap();
    engine
}

#[test]
fn a_velocity_is_reached_and_kept_for_ever() {
    let engine = cruising();
    assert_eq!(engine.settles_at_ns(), None);
    assert_eq!((engine.phase(0), engine.phase(2 * S - 1)), (MotionState::Accelerating, MotionState::Accelerating));
    assert_eq!((engine.phase(2 * S), engine.next_phase_change_after(0)), (MotionState::ConstantVelocity, Some(2 * S)));
    assert_eq!(engine.next_phase_change_after(2 * S), None);
    assert_eq!((engine.position(2 * S), engine.velocity(S)), (1000, 500.0));
    assert_eq!(engine.position(1_000_000 * S), 1000 + 999_998 * 1000);
    assert_eq!(engine.peak_velocity(0, S), 500.0);
    assert_eq!(engine.peak_velocity(0, 9 * S), 1000.0);
}

/// From 1000/s: 1 s up to 1500/s over 1250; from there 0.5 s down to 500/s over 500.
#[test]
fn a_new_velocity_is_taken_up_while_running() {
    let mut engine = cruising();
    engine.move_velocity(3 * S, 1500.0, &LIMITS).unwrap();
    assert_eq!((engine.phase(3 * S), engine.position(3 * S)), (MotionState::Accelerating, 2000));
    assert_eq!((engine.position(4 * S), engine.velocity(4 * S)), (3250, 1500.0));
    engine.move_velocity(4 * S, 500.0, &LIMITS).unwrap();
    assert_eq!((engine.phase(4 * S), engine.velocity(4 * S)), (MotionState::Decelerating, 1500.0));
    let changed_ns = engine.next_phase_change_after(4 * S).unwrap();
    assert_eq!((changed_ns, engine.phase(changed_ns)), (4 * S + S / 2, MotionState::ConstantVelocity));
    assert_eq!((engine.position(changed_ns), engine.velocity(changed_ns)), (3750, 500.0));
}

/// From 1000/s: 0.5 s over 250 to standstill, then back at 500/s².
#[test]
fn an_opposite_velocity_goes_through_standstill() {
    let mut engine = cruising();
    engine.move_velocity(3 * S, -200.0, &LIMITS).unwrap();
    let turn_ns = 3 * S + S / 2;
    assert_eq!((engine.position(turn_ns), engine.velocity(turn_ns)), (2250, 0.0));
    assert_eq!(
        (engine.phase(turn_ns - 1), engine.phase(turn_ns)),
        (MotionState::Decelerating, MotionState::Accelerating)
    );
    let steps: Vec<_> = engine.steps(3 * S, 4 * S).collect();
    assert_eq!(steps.iter().filter(|step| step.direction == Direction::Positive).count(), 250);
    // Half a second back at 500/s²: 0.4 s over 40 to 200/s, then 20.
    assert_eq!((engine.position(4 * S), steps.len()), (2250 - 60, 310));
    assert_eq!(engine.velocity(4 * S), -200.0);
}

#[test]
fn a_reversal_within_a_microstep_drops_the_fraction() {
    let mut engine = cruising();
    // At 1000/s half a microstep after 2000; braking with 3000/s² takes 166.67 more and so ends at 2167.17.
    let limits = Limits { deceleration: 3000.0, ..LIMITS };
    let now_ns = 3 * S + 500_000;
    engine.move_velocity(now_ns, -1000.0, &limits).unwrap();
    let turn_ns = engine.next_phase_change_after(now_ns).unwrap();
    assert_near(engine.ideal_position(turn_ns - 1), 2000.5 + 1e6 / 6000.0, 1e-9);
    assert_eq!((engine.position(turn_ns), engine.ideal_position(turn_ns)), (2167, 2167.0));
    // A whole microstep back, from rest.
    let back = engine.steps(turn_ns, turn_ns + S).next().unwrap();
    assert_eq!((back.position, back.base_ns), (2166, turn_ns));
    assert_near(back.offset_s, (2.0_f64 / 500.0).sqrt(), 1e-15);
}

#[test]
fn each_stop_ends_where_its_slope_says() {
    for (ramp, took_ns, way) in [(StopRamp::Profile, S / 2, 250), (StopRamp::Quick, S / 8, 62), (StopRamp::None, 0, 0)]
    {
        let mut engine = cruising();
        engine.stop(3 * S, ramp, &LIMITS).unwrap();
        let end_ns = engine.settles_at_ns().unwrap();
        assert_eq!(end_ns, 3 * S + took_ns, "{ramp:?}");
        assert_eq!(engine.position(end_ns), 2000 + way, "{ramp:?}");
        assert_eq!((engine.velocity(end_ns), engine.phase(end_ns)), (0.0, MotionState::Standstill));
        assert_eq!(engine.steps(3 * S, 9 * S).count() as i64, way, "{ramp:?}");
        assert_eq!((engine.ideal_position(end_ns), engine.is_moving(end_ns)), ((2000 + way) as f64, false));
        assert_eq!(engine.next_phase_change_after(end_ns), None);
    }
}

#[test]
fn a_stop_drops_the_start_stop_velocity_at_its_end() {
    let mut engine = cruising();
    let limits = Limits { start_stop_velocity: 200.0, ..LIMITS };
    engine.stop(3 * S, StopRamp::Profile, &limits).unwrap();
    let end_ns = engine.settles_at_ns().unwrap();
    assert_eq!((end_ns, engine.position(end_ns)), (3 * S + 400_000_000, 2240));
    assert_near(engine.velocity(end_ns - 1), 200.0, 1e-7);

    let mut engine = cruising();
    engine.stop(S / 5, StopRamp::Profile, &limits).unwrap();
    assert_eq!(engine.settles_at_ns(), Some(S / 5), "100/s is below what can be dropped");
}

/// The slope is chosen so that the way to standstill is a whole number of steps but for rounding.
#[test]
fn a_stop_that_ends_on_a_step_makes_it() {
    for way in 1..3000 {
        let mut engine = cruising();
        let deceleration = 1e6 / (2.0 * way as f64);
        engine.stop(3 * S, StopRamp::Profile, &Limits { deceleration, ..LIMITS }).unwrap();
        assert_eq!(engine.position(engine.settles_at_ns().unwrap()), 2000 + way);
    }
}

/// With a cruise velocity of 100/s no move drops more than that: 0.45 s down to it, over 247.5 of which the half step
/// is dropped.
#[test]
fn coming_back_drops_no_more_than_the_cruise_velocity() {
    let mut engine = cruising();
    let limits = Limits { velocity: 100.0, start_stop_velocity: 200.0, ..LIMITS };
    engine.move_to(3 * S, 2000, &limits).unwrap();
    let turn_ns = engine.next_phase_change_after(3 * S).unwrap();
    assert_eq!((turn_ns, engine.position(turn_ns)), (3 * S + 450_000_000, 2247));
    assert_eq!((engine.velocity(turn_ns), engine.settles_at_ns()), (-100.0, Some(turn_ns + 2_470_000_000)));
}

#[test]
fn zero_velocity_is_a_stop() {
    let mut engine = cruising();
    engine.move_velocity(3 * S, 0.0, &LIMITS).unwrap();
    assert_eq!(engine.settles_at_ns(), Some(3 * S + S / 2));
}

#[test]
fn a_target_ahead_is_reached_without_standing_still() {
    let mut engine = cruising();
    engine.move_to(3 * S, 5000, &LIMITS).unwrap();
    // 2750 at 1000/s, then 0.5 s over 250.
    let end_ns = engine.settles_at_ns().unwrap();
    assert_eq!(end_ns, 3 * S + 3_250_000_000);
    assert_eq!((engine.phase(3 * S), engine.position(end_ns)), (MotionState::ConstantVelocity, 5000));
    assert_eq!(engine.steps(3 * S, end_ns).last().unwrap().at_ns(), end_ns);
}

#[test]
fn a_target_too_near_is_passed_and_come_back_to() {
    for target in [2100, 2000, 1000, -7] {
        let mut engine = cruising();
        engine.move_to(3 * S, target, &LIMITS).unwrap();
        assert_eq!(engine.position(3 * S + S / 2), 2250);
        let end_ns = engine.settles_at_ns().unwrap();
        assert_eq!((engine.position(end_ns), engine.position(end_ns - 1)), (target, target + 1));
        let steps: Vec<_> = engine.steps(3 * S, end_ns).collect();
        assert_eq!(steps.len() as i64, 250 + 2250 - target);
    }
}

#[test]
fn a_faster_motion_slows_down_to_the_new_cruise_velocity_first() {
    let mut engine = cruising();
    engine.move_to(3 * S, 3000, &Limits { velocity: 200.0, ..LIMITS }).unwrap();
    // 0.4 s over 240 to 200/s; 10 to stop from there; 750 between at 200/s; 0.1 s.
    let end_ns = engine.settles_at_ns().unwrap();
    assert_eq!(end_ns, 3 * S + 400_000_000 + 3_750_000_000 + 100_000_000);
    assert_eq!(engine.velocity(4 * S), 200.0);
    assert_eq!(engine.position(end_ns), 3000);
}

#[test]
fn a_target_given_again_while_braking_changes_nothing() {
    let mut once = Engine::new();
    once.move_to(0, 3000, &LIMITS).unwrap();
    let end_ns = once.settles_at_ns().unwrap();
    for before_ns in (1..450).map(|n| n * 1_000_003) {
        let mut again = once.clone();
        again.move_to(end_ns - before_ns, 3000, &LIMITS).unwrap();
        let late_ns = again.settles_at_ns().unwrap().abs_diff(end_ns);
        // Rounding of the place by 10⁻¹², gone at the end with 2000/s².
        assert!(late_ns <= 100, "given again {before_ns} ns before the end: {late_ns} ns off");
        assert_eq!(again.position(end_ns + 100), 3000);
    }
}

#[test]
fn a_move_to_the_present_place_stands_still() {
    let mut engine = Engine::new();
    engine.set_position(S, -12);
    engine.move_to(2 * S, -12, &LIMITS).unwrap();
    assert_eq!((engine.settles_at_ns(), engine.phase(2 * S)), (Some(2 * S), MotionState::Standstill));
    assert_eq!((engine.steps(0, u64::MAX).count(), engine.position(3 * S)), (0, -12));
    engine.stop(3 * S, StopRamp::Profile, &LIMITS).unwrap();
    assert!(!engine.is_moving(3 * S));
}

#[test]
fn setting_the_position_leaves_the_motion_as_it_is() {
    let mut engine = cruising();
    let before: Vec<_> = engine.steps(3 * S, 4 * S).map(|step| step.at_ns()).collect();
    engine.set_position(3 * S, 50);
    let after: Vec<_> = engine.steps(3 * S, 4 * S).map(|step| step.at_ns()).collect();
    assert_eq!(before, after);
    assert_eq!((engine.position(3 * S), engine.position(4 * S)), (50, 1050));
    engine.set_position(4 * S, i64::MAX);
    assert_eq!(engine.position(4 * S), i64::MAX);
}

#[test]
fn refused_numbers_leave_the_engine_as_it_is() {
    let mut engine = cruising();
    let before = format!("{engine:?}");
    let bad = [
        Limits { velocity: 0.0, ..LIMITS },
        Limits { acceleration: -1.0, ..LIMITS },
        Limits { deceleration: f64::NAN, ..LIMITS },
        Limits { quick_deceleration: f64::INFINITY, ..LIMITS },
        Limits { start_stop_velocity: -0.5, ..LIMITS },
    ];
    let names = ["velocity", "acceleration", "deceleration", "quick deceleration", "start-stop velocity"];
    for (limits, name) in bad.iter().zip(names) {
        assert_eq!(engine.move_to(3 * S, 5, limits).unwrap_err().what, name);
        assert_eq!(engine.move_velocity(3 * S, 5.0, limits).unwrap_err().what, name);
        assert_eq!(engine.stop(3 * S, StopRamp::Quick, limits).unwrap_err().what, name);
    }
    for velocity in [f64::NAN, 1e10, 1e-7] {
        assert!(engine.move_velocity(3 * S, velocity, &LIMITS).is_err());
    }
    // 2⁵³ counts from the position 2000.
    let far = engine.move_to(3 * S, 2000 + 9_007_199_254_740_992, &LIMITS).unwrap_err();
    assert_eq!(far.what, "distance");
    assert!(engine.move_to(3 * S, i64::MIN, &LIMITS).is_err());
    assert_eq!(format!("{engine:?}"), before);
    let message = Limits { velocity: 0.0, ..LIMITS }.check().unwrap_err().to_string();
    assert_eq!(message, "velocity 0 is outside 0.000001..=1000000000");
}

/// 10⁹ full steps of 128 microsteps: 35 hours at a million microsteps a second. Not the time is measured but what
/// it depends on: the number of segments.
#[test]
fn a_very_long_move_costs_three_segments_and_ends_on_its_last_step() {
    let target = 128_000_000_000;
    let limits = Limits { velocity: 1e6, acceleration: 1e6, deceleration: 2e6, ..LIMITS };
    let plan = crate::motion::profile::to_target(0.0, target as f64, &limits.ramp()).unwrap();
    assert_eq!(plan.segments().count(), 3);
    let mut engine = Engine::new();
    engine.move_to(0, target, &limits).unwrap();
    // 1 s up over 500 000, 0.5 s down over 250 000, the rest at 10⁶/s.
    let end_ns = engine.settles_at_ns().unwrap();
    assert_eq!(end_ns, 1_500_000_000 + (target as u64 - 750_000) * 1000);
    let last: Vec<_> = engine.steps(end_ns - 2_000_000, end_ns).collect();
    assert_eq!(last.last().map(|step| (step.position, step.at_ns())), Some((target, end_ns)));
    // Two milliseconds before the end: 2·10⁶ (0.002)²/2 = 4 steps, the first of them at that very instant.
    assert_eq!((last.len(), engine.position(end_ns - 2_000_000)), (4, target - 4));
    let mid_ns = 64_000 * S;
    assert_eq!(engine.position(mid_ns), 64_000_000_000 - 500_000);
    assert_eq!(engine.steps(mid_ns, mid_ns + 5000).count(), 5);
}

#[test]
fn the_end_of_time_is_no_surprise() {
    let mut engine = Engine::new();
    let slow = Limits { velocity: 1e-6, ..LIMITS };
    engine.move_to(u64::MAX - 5, 9_007_199_254_740_991, &slow).unwrap();
    assert_eq!(engine.settles_at_ns(), Some(u64::MAX));
    assert_eq!((engine.position(u64::MAX), all_steps(&engine, u64::MAX).len()), (0, 0));
}

#[test]
fn all_steps_of_a_move_come_once_and_in_order() {
    let mut engine = Engine::new();
    engine.set_position(0, 10);
    engine.move_to(0, -20, &LIMITS).unwrap();
    let positions: Vec<_> = engine.steps(0, u64::MAX).map(|step| step.position).collect();
    assert_eq!(positions, (-20..10).rev().collect::<Vec<_>>());
}
