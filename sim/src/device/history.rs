//! Remembers the motion of an axis from power-up on: from chapters of motion to its corners, its steps and its state at any
//! instant.
//!
//! ```text
//!   engine before each command, outside pulses -> chapters -> corners, steps, steps of the field, demand
//! ```
//!
//! The engine forgets what was before a command. So whenever something other than the passing of time changes a motion, it is
//! kept as it was until then: a chapter. What it costs is the number of commands, however many steps there were.

use stepchain::map::MotionState;

use super::past::Past;
use crate::motion::{Direction, Engine, Field, FieldStep, Step};

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

/// What an axis is told to be at at one instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Demand {
    /// The count in microsteps, without wrap-around, with the number that it had then.
    pub position: i64,
    /// In full steps/s, positive counting up.
    pub velocity_steps_per_s: f64,
    /// Microsteps since the start of the cycle of four full steps.
    pub electrical_angle: u32,
    /// Whether only full steps are made, the velocity being above the full-step threshold.
    pub full_steps: bool,
    /// What the ramp generator does.
    pub state: MotionState,
}

/// The whole motion of one axis: what has been, and as long as nobody commands anything else, what will be.
///
/// Behind the instant at which it was taken it is what is planned: what a search or an end does then is not in it. Before
/// the power-up the axis is as it was then.
#[derive(Clone, Debug)]
pub struct History {
    past: Past,
    present: Chapter,
}

/// A stretch of time after `since_ns` up to and including `until_ns`.
#[derive(Clone, Debug)]
pub(super) struct Chapter {
    pub(super) since_ns: u64,
    pub(super) until_ns: u64,
    pub(super) engine: Engine,
    pub(super) field: Field,
    /// Outside pulses at its very beginning, before anything else: how many, signed. The engine stands behind them.
    pub(super) pulses: i64,
}

impl History {
    /// Chapters in the order of time, each from where the one before it ends; `present` has no end.
    pub(super) fn new(past: Past, present: Chapter) -> Self {
        Self { past, present }
    }

    /// State of the axis at any instant; where something changes at that very instant, the state after it.
    #[must_use]
    pub fn demand(&self, at_ns: u64) -> Demand {
        let has_begun = self.present.since_ns <= at_ns;
        let chapter = if has_begun { None } else { self.past.at(at_ns).or(self.past.first()) };
        let chapter = chapter.unwrap_or(&self.present);
        chapter.demand(at_ns.max(chapter.since_ns))
    }

    /// The steps of the counter after `from_ns` up to and including `to_ns`, in the order of time; outside pulses are steps
    /// too. Each costs a closed form.
    pub fn steps(&self, from_ns: u64, to_ns: u64) -> impl Iterator<Item = Step> + '_ {
        self.chapters_in(from_ns, to_ns).flat_map(move |chapter| {
            let (from_ns, to_ns) = chapter.window(from_ns, to_ns);
            let pulses = chapter.pulses().filter(move |_| from_ns.is_none());
            pulses.chain(chapter.engine.steps(from_ns.unwrap_or(chapter.since_ns), to_ns))
        })
    }

    /// The movements of the field after `from_ns` up to and including `to_ns`, in the order of time; also those that a
    /// command brings about at once. Each costs a closed form.
    pub fn field_steps(&self, from_ns: u64, to_ns: u64) -> impl Iterator<Item = FieldStep> + '_ {
        let mut angle = self.demand(from_ns).electrical_angle;
        let all = self.chapters_in(from_ns, to_ns).flat_map(move |chapter| {
            let (from_ns, to_ns) = chapter.window(from_ns, to_ns);
            let pulses = chapter.pulses().filter(move |_| from_ns.is_none()).map(|pulse| chapter.field_of(&pulse));
            let begin = from_ns.is_none().then(|| chapter.beginning());
            let steps = chapter.field.steps(&chapter.engine, from_ns.unwrap_or(chapter.since_ns), to_ns);
            pulses.chain(begin).chain(steps)
        });
        // What begins where it was is no movement.
        all.filter(move |step| std::mem::replace(&mut angle, step.angle) != step.angle)
    }

    /// The corners between quadratics up to `to_ns`, the last one at that instant.
    #[must_use]
    pub fn corners(&self, to_ns: u64) -> Vec<Breakpoint> {
        let mut corners = Vec::new();
        for chapter in self.chapters().take_while(|chapter| chapter.since_ns <= to_ns) {
            chapter.write_corners(chapter.until_ns.min(to_ns), &mut corners);
        }
        corners.dedup();
        corners
    }

    fn chapters(&self) -> impl Iterator<Item = &Chapter> {
        self.past.iter().chain([&self.present])
    }

    /// Those of which something may lie after `from_ns` and not after `to_ns`.
    fn chapters_in(&self, from_ns: u64, to_ns: u64) -> impl Iterator<Item = &Chapter> {
        let later = self.past.ending_after(from_ns).chain([&self.present]);
        later.filter(move |chapter| chapter.until_ns > from_ns).take_while(move |chapter| chapter.since_ns <= to_ns)
    }
}

impl Chapter {
    pub(super) fn demand(&self, at_ns: u64) -> Demand {
        Demand {
            position: self.engine.position(at_ns),
            velocity_steps_per_s: self.engine.velocity(at_ns) / f64::from(self.field.microsteps_per_step),
            electrical_angle: self.field.angle(&self.engine, at_ns),
            full_steps: self.field.makes_full_steps(&self.engine, at_ns),
            state: self.engine.phase(at_ns),
        }
    }

    /// The part of a stretch of time in the chapter. No beginning says that the chapter begins within the stretch.
    fn window(&self, from_ns: u64, to_ns: u64) -> (Option<u64>, u64) {
        ((from_ns >= self.since_ns).then_some(from_ns), to_ns.min(self.until_ns))
    }

    fn pulses(&self) -> impl Iterator<Item = Step> + use<> {
        let (count, at_ns) = (self.pulses.saturating_abs(), self.since_ns);
        let direction = if self.pulses < 0 { Direction::Negative } else { Direction::Positive };
        let end = self.engine.position(at_ns);
        (0..count).rev().map(move |left| {
            let position = end.wrapping_sub(direction.sign() * left);
            Step { base_ns: at_ns, offset_s: 0.0, position, direction }
        })
    }

    fn field_of(&self, pulse: &Step) -> FieldStep {
        let angle = self.field.place(pulse.position);
        FieldStep { at_ns: pulse.at_ns(), position: pulse.position, angle, full_steps: false }
    }

    /// Where the field is when the chapter begins.
    fn beginning(&self) -> FieldStep {
        let Demand { position, electrical_angle, full_steps, .. } = self.demand(self.since_ns);
        FieldStep { at_ns: self.since_ns, position, angle: electrical_angle, full_steps }
    }

    fn write_corners(&self, to_ns: u64, corners: &mut Vec<Breakpoint>) {
        let engine = &self.engine;
        let mut at_ns = self.since_ns;
        corners.push(self.corner(at_ns, engine.velocity(at_ns)));
        while let Some(change_ns) = engine.next_phase_change_after(at_ns).filter(|&change_ns| change_ns <= to_ns) {
            corners.extend(velocity_before_jump(engine, change_ns).map(|velocity| self.corner(change_ns, velocity)));
            corners.push(self.corner(change_ns, engine.velocity(change_ns)));
            at_ns = change_ns;
        }
        corners.push(self.corner(to_ns, engine.velocity(to_ns)));
    }

    fn corner(&self, time_ns: u64, velocity: f64) -> Breakpoint {
        let microsteps_per_step = f64::from(self.field.microsteps_per_step);
        Breakpoint {
            time_ns,
            position_steps: self.engine.ideal_position(time_ns) / microsteps_per_step,
            velocity_steps_per_s: velocity / microsteps_per_step,
        }
    }
}

/// The velocity just before an instant if it jumps there, by more than the slopes before and behind can explain.
fn velocity_before_jump(engine: &Engine, at_ns: u64) -> Option<f64> {
    let [earlier, before, after, later] =
        [at_ns.saturating_sub(2), at_ns.saturating_sub(1), at_ns, at_ns.saturating_add(1)]
            .map(|instant_ns| engine.velocity(instant_ns));
    let slope = (before - earlier).abs().max((later - after).abs());
    ((after - before).abs() > 2.0 * slope + 1e-9 * before.abs()).then_some(before)
}
