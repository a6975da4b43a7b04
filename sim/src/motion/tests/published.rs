//! Against published values and closed forms that the code does not use itself.

use super::{LIMITS, Random, S, all_steps, assert_near};
use crate::motion::profile::{Ramp, stop, to_target, to_velocity};
use crate::motion::{Engine, Limits};

fn accelerating_from_rest(acceleration: f64) -> Engine {
    let mut engine = Engine::new();
    engine.move_velocity(0, 1e9, &Limits { acceleration, ..LIMITS }).unwrap();
    engine
}

/// D. Austin, "Generate stepper-motor speed profiles in real time", Embedded Systems Programming, January 2005:
/// c_n = c_0 (√(n+1) − √n), c_0 = √(2/a). Written here as c_0/(√(n+1) + √n).
#[test]
fn step_intervals_from_rest_are_those_of_austin() {
    for acceleration in [1.0, 1000.0, 4.7e6] {
        let steps: Vec<f64> =
            accelerating_from_rest(acceleration).steps(0, 100 * S).take(1002).map(|step| step.offset_s).collect();
        let first = (2.0 / acceleration).sqrt();
        assert_near(steps[0], first, 1e-15);
        for (n, pair) in steps.windows(2).enumerate() {
            let n = (n + 1) as f64;
            assert_near(pair[1] - pair[0], first / ((n + 1.0).sqrt() + n.sqrt()), 1e-11);
        }
    }
}

/// The exact column of Table 1 in the same article, to its four places.
#[test]
fn ratios_of_step_intervals_are_those_of_austins_table() {
    let mut times = vec![0.0];
    times.extend(accelerating_from_rest(1000.0).steps(0, 10 * S).take(1002).map(|step| step.offset_s));
    let interval = |n: usize| times[n + 1] - times[n];
    let table = [
        (1, 0.4142),
        (2, 0.7673),
        (3, 0.8430),
        (4, 0.8810),
        (5, 0.9041),
        (6, 0.9196),
        (10, 0.9511),
        (100, 0.9950),
        (1000, 0.9995),
    ];
    for (n, ratio) in table {
        let found = interval(n) / interval(n - 1);
        assert!((found - ratio).abs() <= 0.5e-4, "c_{n}/c_{} is {found}, published {ratio}", n - 1);
    }
}

/// By hand: 2 s up over 1000, 2 s down over 1000, 98 000 at 1000/s between.
#[test]
fn a_long_move_is_a_trapezoid() {
    let ramp = Ramp { velocity: 1000.0, acceleration: 500.0, deceleration: 500.0, start_velocity: 0.0 };
    for distance in [100_000.0, -100_000.0] {
        let plan = to_target(0.0, distance, &ramp).unwrap();
        assert_eq!(plan.duration_s(), 102.0);
        assert_eq!(plan.peak_velocity(), 1000.0);
        assert_eq!((plan.accelerate_s(), plan.cruise_s(), plan.decelerate_s()), (2.0, 98.0, 2.0));
        assert_eq!(plan.position_at(102.0), distance);
        assert_eq!(plan.position_at(1.0), distance.signum() * 250.0);
        assert_eq!(plan.velocity_at(101.0), distance.signum() * 500.0);
        assert_eq!(plan.segments().count(), 3);
    }
}

/// Triangle: peak = √(2 D a d/(a+d)), duration = peak (1/a + 1/d) (textbook), also for moves of 1 to 3 steps.
#[test]
fn a_short_move_is_a_triangle() {
    for distance in [1, 2, 3, 17, 100] {
        let way = f64::from(distance);
        let Limits { acceleration: a, deceleration: d, .. } = LIMITS;
        let peak = (2.0 * way * a * d / (a + d)).sqrt();
        let duration_s = peak * (a + d) / (a * d);
        let plan = to_target(0.0, way, &LIMITS.ramp()).unwrap();
        assert_near(plan.duration_s(), duration_s, 1e-14);
        assert_near(plan.peak_velocity(), peak, 1e-14);
        assert_eq!(plan.cruise_s(), 0.0);

        let mut engine = Engine::new();
        engine.move_to(0, -i64::from(distance), &LIMITS).unwrap();
        let end_ns = engine.settles_at_ns().unwrap();
        assert_eq!(end_ns, (duration_s * 1e9).ceil() as u64);
        let steps = all_steps(&engine, end_ns);
        assert_eq!(steps.len(), distance as usize);
        assert_eq!(steps.last().unwrap().at_ns(), end_ns);
        // The same instants from the other side: √(2 s/a) going up, the end less √(2 r/d) coming down.
        for (gone, step) in (1..=distance).zip(&steps) {
            let gone = f64::from(gone);
            let rising = gone <= peak * peak / (2.0 * a);
            let expected = if rising { (2.0 * gone / a).sqrt() } else { duration_s - (2.0 * (way - gone) / d).sqrt() };
            assert_near(step.offset_s, expected, 1e-13);
        }
    }
}

/// With start velocity u the way up to v takes (v − u)/a over (v² − u²)/2a; a cruise velocity below u leaves no
/// ramp at all; a triangle peaks at √((2 D a d + u² (a+d))/(a+d)).
#[test]
fn a_start_velocity_shortens_both_ramps() {
    let ramp = Ramp { velocity: 1000.0, acceleration: 500.0, deceleration: 2000.0, start_velocity: 200.0 };
    let plan = to_target(0.0, 10_000.0, &ramp).unwrap();
    assert_eq!((plan.accelerate_s(), plan.decelerate_s()), (1.6, 0.4));
    // 10 000 less 960 up and 240 down, at 1000/s.
    assert_near(plan.cruise_s(), 8.8, 1e-14);
    assert_eq!(plan.velocity_at(0.0), 200.0);
    let last = plan.segments().last().unwrap();
    assert_eq!((last.end_velocity, last.acceleration), (200.0, -2000.0));
    assert_eq!(plan.velocity_at(plan.duration_s()), 0.0);

    let plan = to_target(0.0, 60.0, &ramp).unwrap();
    let peak: f64 = (2.0 * 60.0 * 400.0 + 200.0 * 200.0_f64).sqrt();
    assert_near(plan.peak_velocity(), peak, 1e-14);
    assert_near(plan.duration_s(), (peak - 200.0) / 500.0 + (peak - 200.0) / 2000.0, 1e-13);

    let slow = Ramp { velocity: 50.0, ..ramp };
    let plan = to_target(0.0, -100.0, &slow).unwrap();
    assert_eq!((plan.duration_s(), plan.peak_velocity(), plan.cruise_s()), (2.0, 50.0, 2.0));
}

/// From a standing start with jump u the n-th step falls at (√(u² + 2 a n) − u)/a.
#[test]
fn first_steps_with_a_start_velocity_follow_its_closed_form() {
    let limits = Limits { start_stop_velocity: 200.0, ..LIMITS };
    let mut engine = Engine::new();
    engine.move_to(0, 10_000, &limits).unwrap();
    for (n, step) in (1..=500).zip(engine.steps(0, 20 * S)) {
        let expected = ((200.0_f64 * 200.0 + 2.0 * 500.0 * f64::from(n)).sqrt() - 200.0) / 500.0;
        assert_near(step.offset_s, expected, 1e-12);
    }
    assert_eq!(engine.velocity(0), 200.0);
}

#[test]
fn a_velocity_is_jumped_to_as_far_as_the_start_velocity_goes() {
    let ramp = Ramp { start_velocity: 200.0, ..LIMITS.ramp() };
    let plan = to_velocity(0.0, -1000.0, &ramp).unwrap();
    assert_eq!((plan.accelerate_s(), plan.velocity_at(0.0)), (1.6, -200.0));
    let plan = to_velocity(0.0, 150.0, &ramp).unwrap();
    assert_eq!((plan.accelerate_s(), plan.velocity_at(0.0), plan.peak_velocity()), (0.0, 150.0, 150.0));
}

/// The way is v/2 · v/d here, and rounds otherwise than the code's v²/2d.
#[test]
fn a_motion_that_can_just_stop_in_time_does_not_come_back() {
    let mut random = Random(8);
    for _ in 0..1000 {
        let ramp = Ramp { deceleration: random.magnitude(10.0, 1e5), ..LIMITS.ramp() };
        let velocity = random.magnitude(1.0, 1000.0);
        let plan = to_target(velocity, 0.5 * velocity * (velocity / ramp.deceleration), &ramp).unwrap();
        assert!(plan.segments().all(|segment| segment.start_velocity >= 0.0), "{plan:?}");
        assert_near(plan.decelerate_s(), velocity / ramp.deceleration, 1e-9);
    }
}

#[test]
fn the_last_drop_takes_no_time_and_no_way() {
    let plan = stop(-1000.0, 2000.0, 200.0).unwrap();
    assert_eq!(plan.duration_s(), 0.4);
    assert_near(plan.position_at(1.0), -240.0, 1e-15);
    assert_eq!(stop(200.0, 2000.0, 200.0).unwrap().duration_s(), 0.0);
}

#[test]
fn a_change_of_sign_goes_through_standstill() {
    let plan = to_velocity(400.0, -300.0, &LIMITS.ramp()).unwrap();
    assert_eq!(plan.decelerate_s(), 0.2);
    assert_eq!(plan.accelerate_s(), 0.6);
    assert_eq!((plan.duration_s(), plan.peak_velocity()), (f64::INFINITY, 400.0));
    assert_eq!(plan.velocity_at(1e6), -300.0);
    assert_eq!(plan.velocity_at(0.2), 0.0);
}
