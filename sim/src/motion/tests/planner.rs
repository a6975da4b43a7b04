//! Against `rsruckig`, an independent planner, with infinite jerk: second order like ours.
//!
//! Its acceleration limits go by the sign of the acceleration, so the two slopes change places for negative moves.
//! What it refuses is no check of ours; those cases are counted and must stay few.

use rsruckig::prelude::*;

use super::{Random, S};
use crate::motion::profile::{Profile as Plan, Ramp, to_target, to_velocity};
use crate::motion::{Engine, Limits};

const CASES: usize = 1500;

fn input(velocity: f64, ramp: &Ramp, direction: f64) -> InputParameter<1> {
    let (rising, falling) =
        if direction > 0.0 { (ramp.acceleration, ramp.deceleration) } else { (ramp.deceleration, ramp.acceleration) };
    let mut input = InputParameter::<1>::new(None);
    input.current_velocity[0] = velocity;
    input.max_velocity[0] = ramp.velocity;
    input.max_acceleration[0] = rising;
    input.min_acceleration = Some(DataArrayOrVec::Stack([-falling]));
    input.max_jerk[0] = f64::INFINITY;
    input
}

fn plan(input: &InputParameter<1>) -> Option<Trajectory<1>> {
    let mut planner = Ruckig::<1, ThrowErrorHandler>::new(None, 0.001);
    let mut trajectory = Trajectory::new(None);
    planner.calculate(input, &mut trajectory).ok().map(|_| trajectory)
}

fn to_place(velocity: f64, distance: f64, ramp: &Ramp, direction: f64) -> Option<Trajectory<1>> {
    let mut input = input(velocity, ramp, direction);
    input.target_position[0] = distance;
    plan(&input)
}

fn to_speed(velocity: f64, goal: f64, ramp: &Ramp, direction: f64) -> Option<Trajectory<1>> {
    let mut input = input(velocity, ramp, direction);
    input.control_interface = ControlInterface::Velocity;
    input.target_velocity[0] = goal;
    plan(&input)
}

fn state(trajectory: &Trajectory<1>, at_s: f64) -> (f64, f64) {
    let mut position = DataArrayOrVec::Stack([0.0]);
    let mut velocity = DataArrayOrVec::Stack([0.0]);
    trajectory.at_time(at_s, &mut Some(&mut position), &mut Some(&mut velocity), &mut None, &mut None, &mut None);
    (position[0], velocity[0])
}

/// Ramps that take 1 ms to 3 s: the planner checks its ends to an absolute 10⁻⁸ and gives up on very long ways.
fn random_ramp(random: &mut Random) -> Ramp {
    let velocity = random.magnitude(10.0, 1e6);
    Ramp {
        velocity,
        acceleration: velocity / random.magnitude(1e-3, 3.0),
        deceleration: velocity / random.magnitude(1e-3, 3.0),
        start_velocity: 0.0,
    }
}

/// Several independent plans, one after another, each relative to where the one before ends.
#[track_caller]
fn assert_same(plan: &Plan, parts: &[Trajectory<1>], way: f64, random: &mut Random, case: &str) {
    let duration_s: f64 = parts.iter().map(Trajectory::get_duration).sum();
    let found_s = plan.duration_s();
    assert!((found_s - duration_s).abs() <= 1e-9 * duration_s, "{case}: {found_s} s, independently {duration_s} s");
    for _ in 0..8 {
        let at_s = random.share() * duration_s;
        let (mut begun_s, mut begun_at) = (0.0, 0.0);
        for (index, part) in parts.iter().enumerate() {
            let in_part_s = at_s - begun_s;
            if in_part_s <= part.get_duration() || index + 1 == parts.len() {
                let (position, velocity) = state(part, in_part_s);
                let (found, found_velocity) = (plan.position_at(at_s), plan.velocity_at(at_s));
                let position = begun_at + position;
                assert!(
                    (found - position).abs() <= 1e-9 * way.max(position.abs()),
                    "{case}: at {at_s} s {found}, independently {position}"
                );
                assert!(
                    (found_velocity - velocity).abs() <= 1e-6 * plan.peak_velocity(),
                    "{case}: at {at_s} s {found_velocity}/s, independently {velocity}/s"
                );
                break;
            }
            begun_at += state(part, part.get_duration()).0;
            begun_s += part.get_duration();
        }
    }
}

/// How many cases had no second opinion, for who reads along, and that they are few.
#[track_caller]
fn tell_skipped(skipped: usize) {
    println!("{} cases compared, {skipped} without an oracle", CASES - skipped);
    assert!(skipped * 100 <= CASES, "no oracle in {skipped} of {CASES} cases");
}

#[test]
fn moves_from_rest_agree_with_an_independent_planner() {
    let mut random = Random(1);
    let (mut skipped, mut triangles, mut trapezoids) = (0, 0, 0);
    for _ in 0..CASES {
        let ramp = random_ramp(&mut random);
        let distance = random.sign() * random.magnitude(1.0, 1e7).round();
        let case = format!("{ramp:?} over {distance}");
        let Some(oracle) = to_place(0.0, distance, &ramp, distance) else {
            skipped += 1;
            continue;
        };
        let plan = to_target(0.0, distance, &ramp).unwrap();
        let duration_s = oracle.get_duration();
        *(if plan.cruise_s() > 0.0 { &mut trapezoids } else { &mut triangles }) += 1;

        let limits = Limits {
            velocity: ramp.velocity,
            acceleration: ramp.acceleration,
            deceleration: ramp.deceleration,
            quick_deceleration: 1e6,
            start_stop_velocity: 0.0,
        };
        let mut engine = Engine::new();
        engine.move_to(7 * S, distance as i64, &limits).unwrap();
        let end_ns = engine.settles_at_ns().unwrap();
        let took_ns = (end_ns - 7 * S) as f64;
        assert!((took_ns - duration_s * 1e9).abs() <= 2.0 + duration_s, "{case}: {took_ns} ns, {duration_s} s");
        assert_eq!(engine.position(end_ns), distance as i64, "{case}");
        let mid_ns = (random.share() * duration_s * 1e9) as u64;
        let (ideal, _) = state(&oracle, mid_ns as f64 / 1e9);
        let found = engine.ideal_position(7 * S + mid_ns);
        assert!((found - ideal).abs() <= 1e-9 * distance.abs().max(1.0), "{case}: {found}, independently {ideal}");

        assert_same(&plan, &[oracle], distance.abs(), &mut random, &case);
    }
    tell_skipped(skipped);
    assert!(triangles > 100 && trapezoids > 100, "{triangles} {trapezoids}");
}

#[test]
fn moves_begun_in_motion_agree_with_an_independent_planner() {
    let mut random = Random(2);
    let (mut skipped, mut straight, mut too_fast, mut returns) = (0, 0, 0, 0);
    for _ in 0..CASES {
        let ramp = random_ramp(&mut random);
        let velocity = random.sign() * ramp.velocity * random.magnitude(0.1, 3.0);
        let braking = velocity * velocity.abs() / (2.0 * ramp.deceleration);
        let distance = random.sign() * braking.abs() * random.magnitude(0.1, 100.0);
        let case = format!("{ramp:?} from {velocity}/s over {distance}");
        let plan = to_target(velocity, distance, &ramp).unwrap();
        let parts = if distance * velocity > 0.0 && distance.abs() > braking.abs() {
            if velocity.abs() > ramp.velocity {
                too_fast += 1;
            } else {
                straight += 1;
            }
            to_place(velocity, distance, &ramp, velocity).map(|whole| vec![whole])
        } else {
            returns += 1;
            let brake = to_speed(velocity, 0.0, &ramp, velocity);
            brake.and_then(|brake| {
                let rest = distance - state(&brake, brake.get_duration()).0;
                Some(vec![brake, to_place(0.0, rest, &ramp, rest)?])
            })
        };
        let Some(parts) = parts else {
            skipped += 1;
            continue;
        };
        assert_same(&plan, &parts, distance.abs().max(braking.abs()), &mut random, &case);
        assert!((plan.position_at(f64::INFINITY) - distance).abs() <= 1e-12 * braking.abs().max(distance.abs()));
    }
    tell_skipped(skipped);
    assert!(straight > 100 && too_fast > 100 && returns > 100, "{straight} {too_fast} {returns}");
}

#[test]
fn changes_of_velocity_agree_with_an_independent_planner() {
    let mut random = Random(3);
    let mut skipped = 0;
    for _ in 0..CASES {
        let ramp = random_ramp(&mut random);
        let velocity = random.sign() * ramp.velocity * random.share();
        let goal = random.sign() * ramp.velocity * random.magnitude(0.01, 1.0);
        let case = format!("{ramp:?} from {velocity}/s to {goal}/s");
        // Its slopes go by the sign of the acceleration: one plan down to rest, one up from it.
        let parts = if velocity * goal > 0.0 {
            to_speed(velocity, goal, &ramp, goal).map(|whole| vec![whole])
        } else {
            to_speed(velocity, 0.0, &ramp, velocity)
                .and_then(|brake| Some(vec![brake, to_speed(0.0, goal, &ramp, goal)?]))
        };
        let Some(parts) = parts else {
            skipped += 1;
            continue;
        };
        let plan = to_velocity(velocity, goal, &ramp).unwrap();
        let duration_s: f64 = parts.iter().map(Trajectory::get_duration).sum();
        let way: f64 = parts.iter().map(|part| state(part, part.get_duration()).0).sum();
        let change_s = plan.accelerate_s() + plan.decelerate_s();
        assert!((change_s - duration_s).abs() <= 1e-9 * duration_s, "{case}: {change_s} s, not {duration_s} s");
        let scale = velocity.abs().max(goal.abs()) * duration_s;
        let found = plan.position_at(duration_s);
        assert!((found - way).abs() <= 1e-9 * scale, "{case}: {found}, independently {way}");
        let later = plan.position_at(duration_s + 1.0);
        assert!((later - way - goal).abs() <= 1e-9 * (scale + goal.abs()), "{case}: cruises from {way} to {later}");
    }
    tell_skipped(skipped);
}
