//! Against a simulation in fixed ticks that decides its slope anew in each tick and knows no closed form.

use super::{LIMITS, all_steps};
use crate::motion::{Engine, Limits};

const TICK_S: f64 = 1e-6;

/// Seconds at which the counter of the naive simulation changes, up to the last step but one: near the target it
/// creeps, and the instant of the last step is not defined to better than its way per tick.
fn naive_steps(target: usize, limits: &Limits) -> Vec<f64> {
    let (mut place, mut speed) = (0.0, 0.0_f64);
    let mut steps = Vec::new();
    let mut tick = 0_u32;
    while steps.len() + 1 < target {
        tick += 1;
        let left = target as f64 - place;
        let before = speed;
        if speed * speed / (2.0 * limits.deceleration) >= left {
            speed = (speed - limits.deceleration * TICK_S).max(1e-3);
        } else if speed < limits.velocity {
            speed = (speed + limits.acceleration * TICK_S).min(limits.velocity);
        }
        place += 0.5 * (before + speed) * TICK_S;
        if place >= (steps.len() + 1) as f64 {
            steps.push(f64::from(tick) * TICK_S);
        }
    }
    steps
}

#[test]
fn step_instants_agree_with_a_simulation_in_ticks() {
    let short = Limits { acceleration: 3000.0, ..LIMITS };
    for (target, limits) in [(1500, &LIMITS), (2, &LIMITS), (3, &short), (40, &short), (900, &short)] {
        let mut engine = Engine::new();
        engine.move_to(0, target as i64, limits).unwrap();
        let steps = all_steps(&engine, engine.settles_at_ns().unwrap());
        assert_eq!(steps.len(), target);
        for (step, naive_s) in steps.iter().zip(naive_steps(target, limits)) {
            let late_s = naive_s - step.offset_s;
            // Half a tick for reading off, and the way of one tick at full speed, 0.001, gone at 60 steps/s or more.
            assert!(late_s.abs() < 2e-5, "of {target}: {step:?}, in ticks at {naive_s} s");
        }
    }
}
