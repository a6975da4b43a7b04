//! What an oscilloscope shows of each axis with a motor: start, speed reached and stop of its longest move.
//!
//! When that is, a first run tells. A second one, which is the same to the nanosecond, has the scope armed.

use stepchain::map::MotionState;

use super::{Outcome, run_watched};
use crate::bench::{Bench, Problem};
use crate::report::Track;
use crate::scope::{Cursors, Event, Moment, Trace, Window, events};

/// A trace of an axis, and what to read off it.
#[derive(Clone, Debug, PartialEq)]
pub struct ScopeView {
    /// The axis.
    pub axis: usize,
    /// At what the trace was triggered.
    pub moment: Moment,
    /// The trace; its times are those of the chain.
    pub trace: Trace,
    /// Between which instants it is read.
    pub cursors: Cursors,
    /// The current to compare with, in amperes: what the amplitude of that part of the motion makes at rest.
    pub reference_a: Option<f64>,
}

/// Electrical periods at the move's greatest speed that a trace has at most, before and after its event; and samples of each.
const PERIODS: u32 = 12;
const SAMPLES: u32 = 100;

/// What is planned before the second run.
struct Plan {
    axis: usize,
    event: Event,
    window: Window,
    cursors: Cursors,
}

/// Runs a bench that has been run once more, and shows its motors at work; nothing if it has none.
///
/// # Errors
/// Those of [`run`](super::run), which there were none of before.
pub fn scope_views(bench: &Bench, outcome: &Outcome) -> Result<Vec<ScopeView>, Problem> {
    let plans: Vec<Plan> = (bench.axes.iter().zip(&outcome.tracks).enumerate())
        .filter(|(_, (axis, _))| axis.motor.is_some())
        .flat_map(|(index, (_, track))| plans(index, track, outcome.start_ns))
        .collect();
    if plans.is_empty() {
        return Ok(Vec::new());
    }
    let mut chain = None;
    run_watched::<Problem>(bench, |powered_up| {
        for Plan { axis, event, window, .. } in &plans {
            if let Some(axis) = bench.axes.get(*axis) {
                powered_up.arm_scope(axis.device, axis.axis.into(), event.time_ns, window);
            }
        }
        chain = Some(powered_up.clone());
        Ok(())
    })?;
    let Some(chain) = chain else { return Ok(Vec::new()) };
    // What is after the end of the run is seen too.
    let last_ns = plans.iter().map(|plan| plan.event.time_ns + plan.window.after_ns).max().unwrap_or(0);
    chain.advance_ns(last_ns.saturating_sub(chain.now_ns()));
    let traces = chain.scope_traces();
    let view = |(plan, trace): (&Plan, &Trace)| {
        let Plan { axis, event: Event { moment, .. }, cursors, .. } = *plan;
        let state = match moment {
            Moment::Start => MotionState::Accelerating,
            Moment::SpeedReached => MotionState::ConstantVelocity,
            Moment::Stop => MotionState::Decelerating,
        };
        let of_bench = bench.axes.get(axis);
        let reference_a = of_bench.and_then(|axis| chain.current_without_droop_a(axis.device, axis.axis.into(), state));
        ScopeView { axis, moment, trace: trace.clone(), cursors, reference_a }
    };
    Ok(plans.iter().zip(&traces).map(view).collect())
}

/// What is looked at of an axis: the moments of its longest move.
fn plans(axis: usize, track: &Track, start_ns: u64) -> Vec<Plan> {
    let at_ns = |time_s: f64| start_ns.saturating_add(libm::round(time_s * 1e9).max(0.0) as u64);
    let state = |(knot, after): (&crate::report::Knot, Option<&crate::report::Knot>)| {
        let speed = knot.velocity_steps_per_s.abs();
        let end = after.map_or(speed, |after| {
            (knot.velocity_steps_per_s + knot.acceleration_steps_per_s2 * (after.time_s - knot.time_s)).abs()
        });
        // A constant velocity comes out of the ramp with the last bits of its arithmetic.
        let is_level = (end - speed).abs() <= 1e-6 * speed.max(end);
        let state = match () {
            () if speed.max(end) == 0.0 => MotionState::Standstill,
            () if is_level => MotionState::ConstantVelocity,
            () if end > speed => MotionState::Accelerating,
            () => MotionState::Decelerating,
        };
        (at_ns(knot.time_s), state)
    };
    let after = track.knots.iter().skip(1).map(Some).chain([None]);
    let found: Vec<Event> = events(track.knots.iter().zip(after).map(state)).collect();
    let moves = found.chunk_by(|_, next| next.moment != Moment::Start);
    let length_ns = |events: &&[Event]| match (events.first(), events.last()) {
        (Some(first), Some(last)) => last.time_ns - first.time_ns,
        _ => 0,
    };
    // Of moves that are as long as each other the first.
    let Some(longest) = moves.rev().max_by_key(length_ns) else { return Vec::new() };
    let ends_ns = longest.last().map_or(u64::MAX, |last| last.time_ns);
    let passed = track.knots.iter().filter(|knot| at_ns(knot.time_s) <= ends_ns);
    let begins_ns = longest.first().map_or(0, |first| first.time_ns);
    let speed = passed.filter(|knot| at_ns(knot.time_s) >= begins_ns).map(|knot| knot.velocity_steps_per_s.abs());
    let speed = speed.fold(0.0, f64::max);
    let window_of = |moment| {
        let (before, after) = match moment {
            Moment::Start => (PERIODS / 4, PERIODS),
            Moment::SpeedReached => (PERIODS / 2, PERIODS),
            Moment::Stop => (PERIODS, PERIODS),
        };
        Window::of_periods(speed, before, after, SAMPLES)
    };
    let plan = |(place, event): (usize, &Event)| {
        let window = window_of(event.moment);
        // The last stretch of the move where it stops, else from the event on up to the next one.
        let (from_ns, to_ns) = match event.moment {
            Moment::Stop => (event.time_ns.saturating_sub(window.before_ns), event.time_ns),
            _ => (event.time_ns, event.time_ns.saturating_add(window.after_ns)),
        };
        let next_ns = longest.get(place + 1).map_or(u64::MAX, |next| next.time_ns);
        let cursors = Cursors { from_ns, to_ns: to_ns.min(next_ns) };
        Plan { axis, event: *event, window, cursors }
    };
    longest.iter().enumerate().map(plan).collect()
}
