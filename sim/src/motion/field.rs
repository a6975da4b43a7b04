//! Turns the counter into the electrical angle of the windings: microstep by microstep, or in full steps when the motor
//! is fast.
//!
//! ```text
//!   counter, velocity  --[cycle of four full steps, full-step threshold]-->  electrical angle, steps of the field
//! ```
//!
//! * **Up to the full-step threshold** the field follows the counter: each count is one microstep of angle.
//! * **Above it** both windings carry their full current all the time, each in the direction that it has at the
//!   microstep of the counter. So the field stands in the middle of the full step in which the counter is, half a full
//!   step past its beginning, and moves by a whole one where the counter enters another. On the average it neither leads
//!   nor lags.
//! * **The counter** goes on in microsteps, and the velocity does not know of the field: a position is the same however
//!   it was reached.
//! * **The switch-over** is at the instant at which the velocity passes the threshold, without hysteresis; the field jumps
//!   then by up to half a full step. At standstill the field is always where the counter is.
//!
//! With one microstep to the step there is nothing to switch over. Knows no currents.

use std::collections::VecDeque;

use super::course::{Course, instant_ns};
use super::engine::Engine;
use super::terms::Direction;

/// How the counter of an axis turns the field.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Field {
    /// Microsteps in a full step, at least 1.
    pub microsteps_per_step: u32,
    /// A count at which a cycle of four full steps begins.
    pub cycle_origin: i64,
    /// Speed above which only full steps are made, in microsteps/s; infinite if there is none.
    pub full_step_threshold: f64,
}

/// One movement of the field.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FieldStep {
    /// First whole nanosecond that is not before the movement.
    pub at_ns: u64,
    /// The counter when it moves; another step of it may fall into the same nanosecond.
    pub position: i64,
    /// Where the field is from then on, in microsteps since the beginning of the cycle of four full steps.
    pub angle: u32,
    /// Whether only full steps are made from then on.
    pub full_steps: bool,
}

impl Field {
    /// Where the field is, in microsteps since the beginning of the cycle of four full steps.
    #[must_use]
    pub fn angle(&self, engine: &Engine, now_ns: u64) -> u32 {
        self.angle_at(engine.position(now_ns), self.makes_full_steps(engine, now_ns))
    }

    /// Where the counter is in the cycle of four full steps, in microsteps.
    #[must_use]
    pub fn place(&self, position: i64) -> u32 {
        self.angle_at(position, false)
    }

    /// Whether only full steps are made: the velocity is above the threshold.
    #[must_use]
    pub fn makes_full_steps(&self, engine: &Engine, now_ns: u64) -> bool {
        let course = engine.course_at(now_ns);
        course.is_some_and(|course| self.fast(course).is_some_and(|stretch| course.is_within(stretch, now_ns)))
    }

    /// The movements of the field after `from_ns` up to and including `to_ns`, in the order of time.
    ///
    /// They lead from the [angle](Self::angle) then to that now. Each costs a closed form, wherever in the motion the
    /// stretch lies and however many microsteps a full step has.
    pub fn steps<'a>(&self, engine: &'a Engine, from_ns: u64, to_ns: u64) -> FieldSteps<'a> {
        FieldSteps {
            field: *self,
            courses: engine.courses(),
            from_ns,
            to_ns,
            parts: VecDeque::new(),
            angle: self.angle(engine, from_ns),
        }
    }

    fn angle_at(&self, position: i64, full_steps: bool) -> u32 {
        let step = i64::from(self.microsteps_per_step.max(1));
        let place = position.wrapping_sub(self.cycle_origin).rem_euclid(4 * step);
        let angle = if full_steps { place - place % step + step / 2 } else { place };
        angle as u32
    }

    fn step_to(&self, at_ns: u64, position: i64, full_steps: bool) -> FieldStep {
        FieldStep { at_ns, position, angle: self.angle_at(position, full_steps), full_steps }
    }

    /// When in the course only full steps are made.
    fn fast(&self, course: &Course) -> Option<(f64, f64)> {
        course.time_above(self.full_step_threshold)
    }

    /// How many steps of a course after `steps` the counter enters another full step.
    fn until_next_full_step(&self, course: &Course, steps: i64) -> i64 {
        let step = i64::from(self.microsteps_per_step.max(1));
        let next = course.count_at(steps + 1).wrapping_sub(self.cycle_origin);
        match course.leg.direction {
            Direction::Positive => 1 + next.wrapping_neg().rem_euclid(step),
            Direction::Negative => 1 + next.wrapping_add(1).rem_euclid(step),
        }
    }
}

/// A part of one course in which the field moves in one manner.
#[derive(Clone, Debug)]
enum Part<'a> {
    /// At each of these steps.
    Microsteps { course: &'a Course, next: i64, last: i64 },
    /// At those after `done`, of which each enters another full step.
    FullSteps { course: &'a Course, done: i64, last: i64 },
    /// Once, because the threshold is passed.
    SwitchOver(Option<FieldStep>),
}

/// The movements of the field between two instants, made by [`Field::steps`].
#[derive(Clone, Debug)]
pub struct FieldSteps<'a> {
    field: Field,
    /// Those not begun yet.
    courses: &'a [Course],
    from_ns: u64,
    to_ns: u64,
    /// What is left of the course that is under way.
    parts: VecDeque<Part<'a>>,
    angle: u32,
}

impl<'a> FieldSteps<'a> {
    fn begin(&mut self, course: &'a Course) {
        let (done, last) = (course.steps_by(self.from_ns), course.steps_by(self.to_ns));
        let Some((from_s, to_s)) = self.field.fast(course) else {
            self.parts.push_back(Part::Microsteps { course, next: done + 1, last });
            return;
        };
        let (slow, fast) = (course.steps_before(from_s), course.steps_before(to_s));
        self.parts.push_back(Part::Microsteps { course, next: done + 1, last: slow.min(last) });
        self.push_switch_over(course, from_s, slow, true);
        self.parts.push_back(Part::FullSteps { course, done: done.max(slow), last: fast.min(last) });
        self.push_switch_over(course, to_s, fast, false);
        self.parts.push_back(Part::Microsteps { course, next: done.max(fast).saturating_add(1), last });
    }

    fn push_switch_over(&mut self, course: &Course, at_s: f64, steps: i64, full_steps: bool) {
        if at_s.is_finite() {
            let at_ns = instant_ns(course.base_ns, at_s);
            if self.from_ns < at_ns && at_ns <= self.to_ns {
                let position = course.count_at(steps);
                self.parts.push_back(Part::SwitchOver(Some(self.field.step_to(at_ns, position, full_steps))));
            }
        }
    }

    /// The next movement in the part; none when it has no more.
    fn next_in(&self, part: &mut Part<'_>) -> Option<FieldStep> {
        match part {
            Part::Microsteps { course, next, last } => {
                let step = (*next <= *last).then(|| course.step(*next))?;
                *next += 1;
                Some(self.field.step_to(step.at_ns(), step.position, false))
            }
            Part::FullSteps { course, done, last } => {
                *done = done.saturating_add(self.field.until_next_full_step(course, *done));
                let step = (*done <= *last).then(|| course.step(*done))?;
                Some(self.field.step_to(step.at_ns(), step.position, true))
            }
            Part::SwitchOver(step) => step.take(),
        }
    }
}

impl Iterator for FieldSteps<'_> {
    type Item = FieldStep;

    fn next(&mut self) -> Option<FieldStep> {
        loop {
            let Some(mut part) = self.parts.pop_front() else {
                let (course, later) = self.courses.split_first()?;
                self.courses = later;
                self.begin(course);
                continue;
            };
            let Some(step) = self.next_in(&mut part) else { continue };
            self.parts.push_front(part);
            if step.angle != self.angle {
                self.angle = step.angle;
                return Some(step);
            }
        }
    }
}
