//! The bound of all velocities changed under way, worked out by hand. From rest 1000/s is reached after 2 s and 1000.

use super::{LIMITS, S, assert_near};
use crate::motion::{Engine, Limits};
use stepchain::map::{MotionState, StopRamp};

const FREE: f64 = f64::INFINITY;

fn on_the_way_to_10_000(limits: &Limits) -> Engine {
    let mut engine = Engine::new();
    engine.move_to(0, 10_000, limits).unwrap();
    engine
}

/// From 2000 at 3 s: 0.4 s over 240 to 200/s; at the end 0.1 s over 10; between them 7750 at 200/s.
#[test]
fn a_move_that_is_too_fast_slows_down_and_still_ends_on_its_target() {
    let mut engine = on_the_way_to_10_000(&LIMITS);
    engine.bound_velocity(3 * S, 200.0);
    assert!(engine.is_cut_down(3 * S));
    assert_eq!(engine.phase(3 * S), MotionState::Decelerating);
    assert_eq!((engine.velocity(4 * S), engine.settles_at_ns()), (200.0, Some(42_250_000_000)));
    assert_eq!(engine.position(43 * S), 10_000);
}

/// 3560 at 10 s and 200/s: 1.6 s over 960 up, 0.5 s over 250 down, and 5230 at 1000/s.
#[test]
fn a_move_is_as_fast_again_as_it_was_told_when_the_bound_rises() {
    let mut engine = on_the_way_to_10_000(&LIMITS);
    engine.bound_velocity(3 * S, 200.0);
    engine.bound_velocity(10 * S, FREE);
    assert!(!engine.is_cut_down(10 * S));
    assert_eq!(engine.settles_at_ns(), Some(17_330_000_000));
    assert_eq!((engine.peak_velocity(10 * S, 20 * S), engine.position(20 * S)), (1000.0, 10_000));
}

#[test]
fn a_velocity_follows_the_bound_down_and_up_but_not_beyond_what_was_told() {
    let mut engine = Engine::new();
    engine.move_velocity(0, -1000.0, &LIMITS).unwrap();
    for (second, bound, velocity) in
        [(3, 400.0, -400.0), (5, 700.0, -700.0), (7, 5000.0, -1000.0), (9, 1000.0, -1000.0)]
    {
        engine.bound_velocity(second * S, bound);
        assert_eq!(engine.velocity((second + 2) * S), velocity);
    }
}

#[test]
fn a_bound_that_was_there_before_cuts_the_command_down() {
    let mut engine = Engine::new();
    engine.bound_velocity(0, 200.0);
    engine.move_to(0, 10_000, &LIMITS).unwrap();
    assert_eq!(engine.peak_velocity(0, 99 * S), 200.0);
    engine.move_velocity(S, 300.0, &LIMITS).unwrap();
    assert_eq!(engine.velocity(9 * S), 200.0);
}

/// With 500/s dropped at once the way down from 1000/s is 187.5 and begins at 9812.5. At 9800 the bound falls to 100/s,
/// which would take 247.5: braking at once leaves √(1000² − 2·2000·200) = 447.2/s at the target.
#[test]
fn a_move_that_is_too_near_its_end_brakes_all_the_way_and_does_not_pass_it() {
    let limits = Limits { start_stop_velocity: 500.0, ..LIMITS };
    let mut engine = on_the_way_to_10_000(&limits);
    let now_ns = 10_050_000_000;
    assert_eq!(engine.position(now_ns), 9_800);
    engine.bound_velocity(now_ns, 100.0);
    let end_ns = engine.settles_at_ns().unwrap();
    let last = 200_000_f64.sqrt();
    assert_near((end_ns - now_ns) as f64 / 1e9, (1000.0 - last) / 2000.0, 1e-8);
    assert_near(engine.velocity(end_ns - 1), last, 1e-7);
    assert_eq!((engine.position(end_ns), engine.steps(now_ns, end_ns).count()), (10_000, 200));
}

/// Whenever it comes, on the last ramp to the target a bound below what is dropped there changes nothing.
#[test]
fn a_move_on_its_last_ramp_goes_on_as_it_was() {
    let limits = Limits { start_stop_velocity: 500.0, ..LIMITS };
    for before_ns in (1..240).map(|n| n * 1_000_003) {
        let mut engine = on_the_way_to_10_000(&limits);
        let end_ns = engine.settles_at_ns().unwrap();
        engine.bound_velocity(end_ns - before_ns, 100.0);
        assert!(engine.settles_at_ns().unwrap().abs_diff(end_ns) <= 2, "{before_ns} ns before the end");
        assert_eq!(engine.position(end_ns + 2), 10_000);
    }
}

#[test]
fn a_motion_that_is_slower_anyway_is_left_alone() {
    let mut engine = on_the_way_to_10_000(&LIMITS);
    let end_ns = engine.settles_at_ns().unwrap();
    let before = engine.steps(end_ns - S / 4, end_ns).collect::<Vec<_>>();
    engine.bound_velocity(end_ns - S / 4, 600.0);
    assert_eq!(engine.steps(end_ns - S / 4, end_ns).collect::<Vec<_>>(), before);
}

#[test]
fn a_bound_of_zero_stops_for_good_and_refuses_what_comes() {
    let mut engine = on_the_way_to_10_000(&LIMITS);
    engine.bound_velocity(3 * S, 0.0);
    assert_eq!((engine.settles_at_ns(), engine.position(4 * S)), (Some(3 * S + S / 2), 2_250));
    assert_eq!(engine.move_to(4 * S, 0, &LIMITS).unwrap_err().what, "velocity");
    assert_eq!(engine.move_velocity(4 * S, 5.0, &LIMITS).unwrap_err().what, "velocity");
    engine.bound_velocity(5 * S, FREE);
    assert!(!engine.is_moving(5 * S));
    engine.move_to(6 * S, 0, &LIMITS).unwrap();
    assert!(engine.is_moving(6 * S));
}

#[test]
fn a_stop_does_not_know_the_bound() {
    let mut engine = on_the_way_to_10_000(&LIMITS);
    engine.stop(3 * S, StopRamp::Profile, &LIMITS).unwrap();
    engine.bound_velocity(3 * S + S / 10, 1.0);
    assert_eq!(engine.settles_at_ns(), Some(3 * S + S / 2));
}

#[test]
fn a_target_keeps_its_place_when_the_counter_gets_another_number() {
    let mut engine = on_the_way_to_10_000(&LIMITS);
    engine.set_position(3 * S, 50);
    engine.bound_velocity(4 * S, 200.0);
    assert_eq!(engine.position(engine.settles_at_ns().unwrap()), 8_050);
}
