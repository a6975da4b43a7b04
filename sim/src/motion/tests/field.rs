//! The field of the windings: with the counter, and in full steps when the motor is fast.

use stepchain::map::StopRamp;

use super::{LIMITS, Random, S};
use crate::motion::{Engine, Field, FieldStep, Limits};

/// 490/s is passed after 0.98 s and 240.1 microsteps, and again 0.245 s before the end.
const FIELD: Field = Field { microsteps_per_step: 16, cycle_origin: 0, full_step_threshold: 490.0 };

fn moving(target: i64) -> Engine {
    let mut engine = Engine::new();
    engine.move_to(0, target, &LIMITS).unwrap();
    engine
}

/// By hand: 240 begins the last full step of a cycle of 64: 48 to 64, whose middle is 56. The next one begins at 256: 0 to 16,
/// with 8 in its middle.
#[test]
fn above_the_threshold_the_field_stands_in_the_middle_of_full_steps() {
    const PASSED_NS: u64 = 980_000_000;
    let engine = moving(5_000);
    assert_eq!((FIELD.angle(&engine, PASSED_NS - 1), FIELD.makes_full_steps(&engine, PASSED_NS - 1)), (48, false));
    assert_eq!((FIELD.angle(&engine, PASSED_NS), FIELD.makes_full_steps(&engine, PASSED_NS)), (56, true));
    let steps: Vec<_> = FIELD.steps(&engine, PASSED_NS - 4_000_000, S + 60_000_000).collect();
    let told: Vec<_> = steps.iter().map(|step| (step.position, step.angle, step.full_steps)).collect();
    assert_eq!(told, [(239, 47, false), (240, 48, false), (240, 56, true), (256, 8, true), (272, 24, true)]);
    assert_eq!(steps[2].at_ns, PASSED_NS);
    let end_ns = engine.settles_at_ns().unwrap();
    assert_eq!(FIELD.angle(&engine, end_ns), 5_000 % 64);
    assert!(!FIELD.makes_full_steps(&engine, end_ns - 245_000_000 + 1));
    assert!(FIELD.makes_full_steps(&engine, end_ns - 245_000_000 - 1));
}

#[test]
fn downwards_the_same_places_are_in_the_same_full_steps() {
    let engine = moving(-5_000);
    let steps: Vec<_> = FIELD.steps(&engine, S, S + 60_000_000).collect();
    let told: Vec<_> = steps.iter().map(|step| (step.position, step.angle)).collect();
    assert_eq!(told, [(-257, 56), (-273, 40)], "−257 is in the full step from −272 on, which is 48 in its cycle");
}

#[test]
fn without_a_threshold_or_with_whole_steps_every_step_of_the_counter_moves_the_field() {
    let engine = moving(5_000);
    for field in [
        Field { full_step_threshold: f64::INFINITY, ..FIELD },
        Field { microsteps_per_step: 1, ..FIELD },
        Field { full_step_threshold: 1000.0, ..FIELD },
    ] {
        assert_eq!(field.steps(&engine, 0, 99 * S).count(), 5_000);
    }
}

/// Half an hour at 10⁶ microsteps/s: a window in the middle has its 62 500 full steps a second and no more.
#[test]
fn a_window_deep_in_a_long_move_has_only_its_own_steps() {
    let limits = Limits { velocity: 1e6, acceleration: 1e6, deceleration: 2e6, ..LIMITS };
    let mut engine = Engine::new();
    engine.move_to(0, 128_000_000_000, &limits).unwrap();
    assert_eq!(FIELD.steps(&engine, 64_000 * S, 64_001 * S).count(), 62_500);
    assert_eq!(FIELD.steps(&engine, 64_000 * S, u64::MAX).take(3).count(), 3);
}

#[test]
fn the_steps_of_the_field_lead_from_angle_to_angle_through_any_commands() {
    let mut random = Random(9);
    let mut switched = 0;
    for _ in 0..300 {
        let field = Field {
            microsteps_per_step: 1 << (random.next() % 6),
            cycle_origin: (random.next() % 300) as i64 - 150,
            full_step_threshold: random.magnitude(20.0, 2000.0),
        };
        let mut engine = Engine::new();
        let mut now_ns = 0;
        for _ in 0..4 {
            let limits = Limits {
                velocity: random.magnitude(50.0, 2000.0),
                acceleration: random.magnitude(500.0, 20_000.0),
                start_stop_velocity: if random.share() < 0.5 { 0.0 } else { random.magnitude(10.0, 900.0) },
                ..LIMITS
            };
            let amount = random.sign() * random.magnitude(5.0, 1500.0);
            match random.next() % 4 {
                0 => engine.move_velocity(now_ns, amount, &limits).unwrap(),
                1 => engine.stop(now_ns, StopRamp::Profile, &limits).unwrap(),
                2 => engine.bound_velocity(now_ns, amount.abs()),
                _ => engine.move_to(now_ns, amount as i64, &limits).unwrap(),
            }
            let until_ns = now_ns + random.magnitude(1e6, 2e9) as u64;
            switched += check(&field, &engine, now_ns, until_ns, &mut random);
            now_ns = until_ns;
        }
    }
    assert!(switched > 50, "{switched}");
}

/// How often the threshold was passed.
fn check(field: &Field, engine: &Engine, from_ns: u64, to_ns: u64, random: &mut Random) -> usize {
    let steps: Vec<FieldStep> = field.steps(engine, from_ns, to_ns).collect();
    let angle_by = |now_ns: u64| {
        let done = steps.partition_point(|step| step.at_ns <= now_ns);
        steps[..done].last().map_or(field.angle(engine, from_ns), |step| step.angle)
    };
    assert!(steps.is_sorted_by_key(|step| step.at_ns));
    for step in &steps {
        for now_ns in [step.at_ns - 1, step.at_ns].into_iter().filter(|&now_ns| now_ns >= from_ns) {
            assert_eq!(angle_by(now_ns), field.angle(engine, now_ns), "{field:?} at {now_ns}: {engine:?}");
        }
        assert!((step.position - engine.position(step.at_ns)).abs() <= 1, "{step:?}");
    }
    for _ in 0..3 {
        let now_ns = from_ns + (random.share() * (to_ns - from_ns) as f64) as u64;
        assert_eq!(angle_by(now_ns), field.angle(engine, now_ns), "{field:?} at {now_ns}: {engine:?}");
        assert_eq!(field.steps(engine, now_ns, to_ns).count(), steps.iter().filter(|step| step.at_ns > now_ns).count());
    }
    steps.windows(2).filter(|pair| pair[0].full_steps != pair[1].full_steps).count()
}
