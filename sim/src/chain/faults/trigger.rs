//! When an event of a script will come, in closed form from what the axes are about to do.

use crate::device::{Axis, Device};
use crate::inject::Start;
use crate::motion::Direction;

/// A velocity is reached if it is nearer than this share of it: ramps end on it but for rounding.
const SNAP: f64 = 1e-9;

/// The axis that a start waits for.
pub(super) fn axis_of<'a>(start: &Start, devices: &'a [Device]) -> Option<&'a Axis> {
    match *start {
        Start::Motion { device, axis, .. }
        | Start::Position { device, axis, .. }
        | Start::Velocity { device, axis, .. } => devices.get(device)?.axes().get(axis),
        _ => None,
    }
}

/// The instant after `looked_ns` at which the axis counts its way to a position, if nobody commands anything before.
pub(super) fn arrival(axis: &Axis, steps: f64, looked_ns: u64) -> Option<u64> {
    let goal = (steps * f64::from(axis.microsteps_per_step())).round() as i64;
    axis.engine().next_arrival_after(looked_ns, |count, way| match way {
        Direction::Positive => (goal > count).then_some(goal),
        Direction::Negative => (goal < count).then_some(goal),
    })
}

/// The first instant from `looked_ns` on at which the axis is as fast as this, if nobody commands anything before.
pub(super) fn speed(axis: &Axis, steps_per_s: f64, looked_ns: u64) -> Option<u64> {
    let is_fast = |at_ns| axis.velocity_steps_per_s(at_ns).abs() >= steps_per_s * (1.0 - SNAP);
    let mut at_ns = looked_ns;
    loop {
        if is_fast(at_ns) {
            return Some(at_ns);
        }
        let change_ns = axis.engine().next_phase_change_after(at_ns)?;
        if is_fast(change_ns - 1) {
            // Within a phase the velocity goes one way only.
            let (mut slow_ns, mut fast_ns) = (at_ns, change_ns - 1);
            while fast_ns - slow_ns > 1 {
                let middle_ns = slow_ns + (fast_ns - slow_ns) / 2;
                if is_fast(middle_ns) { fast_ns = middle_ns } else { slow_ns = middle_ns }
            }
            return Some(fast_ns);
        }
        at_ns = change_ns;
    }
}
