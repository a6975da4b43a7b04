//! Remembers where an axis has been, as the corners between quadratics, so that a report can draw it exactly.
//!
//! The engine forgets what was before a command. So before each command the corners up to it are written down here,
//! and after it the state that it has brought about.

use crate::motion::Engine;

/// A corner in the motion of an axis. Between two of them velocity is linear in time and position quadratic; where
/// two share an instant, the motion jumps from the first to the second.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Breakpoint {
    /// When, in nanoseconds of virtual time.
    pub time_ns: u64,
    /// The unwrapped position in full steps, without the grain of microsteps.
    pub position_steps: f64,
    /// The velocity in full steps/s, positive counting up.
    pub velocity_steps_per_s: f64,
}

/// The corners of one axis so far.
#[derive(Clone, Debug, Default)]
pub(super) struct History {
    points: Vec<Breakpoint>,
    written_to_ns: u64,
}

impl History {
    /// Writes down all corners after those already written, up to `now_ns`, and the state then.
    pub(super) fn write_to(&mut self, engine: &Engine, now_ns: u64, microsteps_per_step: f64) {
        let mut at_ns = self.written_to_ns;
        while let Some(change_ns) = engine.next_phase_change_after(at_ns).filter(|&change_ns| change_ns <= now_ns) {
            if let Some(speed) = speed_before_jump(engine, change_ns) {
                self.push(point(engine, change_ns, speed, microsteps_per_step));
            }
            self.write_state(engine, change_ns, microsteps_per_step);
            at_ns = change_ns;
        }
        self.write_state(engine, now_ns, microsteps_per_step);
        self.written_to_ns = now_ns;
    }

    /// Writes down the state at an instant, after whatever happened then.
    pub(super) fn write_state(&mut self, engine: &Engine, now_ns: u64, microsteps_per_step: f64) {
        self.push(point(engine, now_ns, engine.velocity(now_ns), microsteps_per_step));
    }

    pub(super) fn points(&self) -> &[Breakpoint] {
        &self.points
    }

    fn push(&mut self, point: Breakpoint) {
        if self.points.last() != Some(&point) {
            self.points.push(point);
        }
    }
}

fn point(engine: &Engine, time_ns: u64, velocity: f64, microsteps_per_step: f64) -> Breakpoint {
    Breakpoint {
        time_ns,
        position_steps: engine.ideal_position(time_ns) / microsteps_per_step,
        velocity_steps_per_s: velocity / microsteps_per_step,
    }
}

/// The velocity just before an instant if it jumps there, by more than the slopes before and behind can explain.
fn speed_before_jump(engine: &Engine, at_ns: u64) -> Option<f64> {
    let [earlier, before, after, later] =
        [at_ns.saturating_sub(2), at_ns.saturating_sub(1), at_ns, at_ns.saturating_add(1)]
            .map(|instant_ns| engine.velocity(instant_ns));
    let slope = (before - earlier).abs().max((later - after).abs());
    ((after - before).abs() > 2.0 * slope + 1e-9 * before.abs()).then_some(before)
}
