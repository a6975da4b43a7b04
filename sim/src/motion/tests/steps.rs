//! Laws that hold for any commands at any time.

use proptest::prelude::*;

use stepchain::map::{MotionState, StopRamp};

use crate::motion::{Engine, Limits, Step};

#[derive(Clone, Copy, Debug)]
enum Command {
    Velocity(f64),
    Target(i64),
    Stop(StopRamp),
}

fn limits() -> impl Strategy<Value = Limits> {
    let slope = || 10.0..20_000.0;
    (1.0..3000.0, slope(), slope(), slope(), prop_oneof![Just(0.0), 1.0..500.0]).prop_map(
        |(velocity, acceleration, deceleration, quick_deceleration, start_stop_velocity)| Limits {
            velocity,
            acceleration,
            deceleration,
            quick_deceleration,
            start_stop_velocity,
        },
    )
}

fn command() -> impl Strategy<Value = Command> {
    let ramp = prop_oneof![Just(StopRamp::Profile), Just(StopRamp::Quick), Just(StopRamp::None)];
    prop_oneof![
        (-3000.0..3000.0).prop_map(Command::Velocity),
        (-400_i64..400).prop_map(Command::Target),
        (-3_i64..3).prop_map(Command::Target),
        ramp.prop_map(Command::Stop),
    ]
}

/// Commands with the nanoseconds that pass after each.
fn script() -> impl Strategy<Value = Vec<(Command, Limits, u64)>> {
    let pause = prop_oneof![0_u64..10, 0_u64..1_000_000, 0_u64..400_000_000];
    prop::collection::vec((command(), limits(), pause), 1..8)
}

fn give(engine: &mut Engine, now_ns: u64, command: Command, limits: &Limits) {
    match command {
        Command::Velocity(velocity) => engine.move_velocity(now_ns, velocity, limits),
        Command::Target(target) => engine.move_to(now_ns, target, limits),
        Command::Stop(ramp) => engine.stop(now_ns, ramp, limits),
    }
    .unwrap();
}

/// `position` at any instant is where the last step up to it left the counter, and the ideal motion is never a
/// whole microstep away.
fn check_counter(engine: &Engine, from_ns: u64, to_ns: u64, shares: &[f64]) -> Result<(), TestCaseError> {
    let steps: Vec<Step> = engine.steps(from_ns, to_ns).collect();
    let start = engine.position(from_ns);
    let mut count = start;
    let mut last_ns = from_ns;
    for step in &steps {
        count += step.direction.sign();
        prop_assert_eq!(step.position, count);
        prop_assert!(step.at_ns() >= last_ns && step.at_ns() <= to_ns, "{:?} after {}", step, last_ns);
        last_ns = step.at_ns();
    }
    prop_assert_eq!(engine.position(to_ns), count);
    let anywhere = shares.iter().map(|share| from_ns + (share * (to_ns - from_ns) as f64) as u64);
    let at_steps = steps.iter().flat_map(|step| [step.at_ns() - 1, step.at_ns()]);
    for now_ns in anywhere.chain(at_steps).filter(|&now_ns| now_ns >= from_ns) {
        let done = steps.partition_point(|step| step.at_ns() <= now_ns);
        let expected = steps[..done].last().map_or(start, |step| step.position);
        prop_assert_eq!(engine.position(now_ns), expected, "at {}", now_ns);
        let ahead = (engine.ideal_position(now_ns) - expected as f64) * engine.velocity(now_ns).signum();
        prop_assert!((-1e-5..1.0 + 1e-5).contains(&ahead), "ideally {} ahead at {}", ahead, now_ns);
        // A stretch that begins here has the rest of the steps.
        if done % 7 == 0 {
            prop_assert_eq!(engine.steps(now_ns, to_ns).count(), steps.len() - done);
        }
    }
    Ok(())
}

fn check_phases(engine: &Engine, from_ns: u64, to_ns: u64) -> Result<(), TestCaseError> {
    let mut now_ns = from_ns;
    while let Some(change_ns) = engine.next_phase_change_after(now_ns) {
        prop_assert!(change_ns > now_ns);
        prop_assert_ne!(engine.phase(change_ns), engine.phase(now_ns));
        for between_ns in [now_ns, now_ns + (change_ns - now_ns) / 2, change_ns - 1] {
            prop_assert_eq!(engine.phase(between_ns), engine.phase(now_ns), "at {}", between_ns);
        }
        now_ns = change_ns;
    }
    prop_assert_eq!(engine.phase(now_ns), engine.phase(to_ns.max(now_ns)));
    Ok(())
}

/// Steps that fall on whole nanoseconds but for rounding: the worst case for agreeing on which are due.
#[test]
fn counter_and_steps_agree_where_steps_fall_on_whole_nanoseconds() {
    for period_ns in [3_u64, 7, 11, 13, 1000, 1003, 12_345] {
        let velocity = 1e9 / period_ns as f64;
        let limits = Limits {
            velocity,
            acceleration: 1e6,
            deceleration: 1e6,
            quick_deceleration: 1e6,
            start_stop_velocity: velocity,
        };
        let mut engine = Engine::new();
        engine.move_velocity(0, velocity, &limits).unwrap();
        for begin in [0, 999_999_937, 10_000_000_000] {
            check_counter(&engine, begin * period_ns, (begin + 3000) * period_ns, &[]).unwrap();
        }
        let mut engine = Engine::new();
        engine.move_to(0, -3000, &limits).unwrap();
        check_counter(&engine, 0, 3001 * period_ns, &[]).unwrap();
        assert_eq!(engine.position(3000 * period_ns + 1), -3000);
    }
}

proptest! {
    #[test]
    fn counter_and_steps_agree_through_any_commands(
        script in script(),
        shares in prop::collection::vec(0.0..1.0, 4),
    ) {
        let mut engine = Engine::new();
        let mut now_ns = 0;
        for (command, limits, pause_ns) in script {
            let before = (engine.position(now_ns), engine.ideal_position(now_ns), engine.velocity(now_ns));
            give(&mut engine, now_ns, command, &limits);
            prop_assert_eq!(engine.position(now_ns), before.0);
            let jump = engine.ideal_position(now_ns) - before.1;
            // Only a motion that ends here and now drops its fraction.
            let dropped = engine.velocity(now_ns) * before.2 <= 0.0;
            prop_assert!(jump.abs() < if dropped { 1.0 } else { 2e-9 }, "the ideal place jumps by {}", jump);
            check_counter(&engine, now_ns, now_ns + pause_ns, &shares)?;
            check_phases(&engine, now_ns, now_ns + pause_ns)?;
            now_ns += pause_ns;
        }
    }

    #[test]
    fn a_target_is_reached_from_any_motion(
        script in script(),
        target in -400_i64..400,
        limits in limits(),
    ) {
        let mut engine = Engine::new();
        let mut now_ns = 0;
        for (command, limits, pause_ns) in script {
            give(&mut engine, now_ns, command, &limits);
            now_ns += pause_ns;
        }
        engine.move_to(now_ns, target, &limits).unwrap();
        let end_ns = engine.settles_at_ns().unwrap();
        prop_assert_eq!(engine.position(end_ns), target);
        prop_assert_eq!(engine.ideal_position(end_ns), target as f64);
        prop_assert_eq!((engine.phase(end_ns), engine.velocity(end_ns)), (MotionState::Standstill, 0.0));
        let turns = engine.steps(now_ns, end_ns).collect::<Vec<_>>();
        let turns = turns.windows(2).filter(|pair| pair[0].direction != pair[1].direction).count();
        prop_assert!(turns <= 1);
    }

    #[test]
    fn speed_never_grows_above_the_cruise_velocity(
        target in -4000_i64..4000,
        limits in limits(),
        share in 0.0..1.0,
    ) {
        let mut engine = Engine::new();
        engine.move_to(0, target, &limits).unwrap();
        let end_ns = engine.settles_at_ns().unwrap();
        let now_ns = (share * end_ns as f64) as u64;
        prop_assert!(engine.velocity(now_ns).abs() <= limits.velocity);
        let peak = engine.peak_velocity(0, end_ns);
        prop_assert!(peak <= limits.velocity && engine.velocity(now_ns).abs() <= peak);
        prop_assert!(engine.peak_velocity(0, now_ns) >= engine.velocity(now_ns).abs());
    }
}
