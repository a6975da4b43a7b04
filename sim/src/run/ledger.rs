//! Keeps account of where each axis was told to end, and compares it with where it did.
//!
//! A target is due until another motion command takes its place. Targets are worked out from the bench and from where
//! the axis was when the command took effect, with arithmetic of this module's own.

use stepchain::Command;
use stepchain::map::{PositionCounter, Way, WrapAround};
use stepchain::units::Position;

use super::rig::{Call, Rig};
use crate::bench::{Bench, Step};
use crate::device::{Event, EventKind};

/// What each axis still owes.
#[derive(Debug)]
pub(super) struct Ledger {
    due: Vec<Option<Due>>,
}

/// A target that an axis was given.
#[derive(Clone, Copy, Debug)]
struct Due {
    /// In unwrapped microsteps.
    target: i64,
    step: usize,
}

/// What a device made of a command.
#[derive(Clone, Copy, Debug)]
enum Verdict {
    /// It obeyed at this instant.
    Obeyed(u64),
    Waits,
    Rejected,
}

impl Ledger {
    pub(super) fn new(bench: &Bench) -> Self {
        Self { due: vec![None; bench.axes.len()] }
    }

    /// Where the axis should be at the end, in unwrapped microsteps; none if its last motion had no target.
    pub(super) fn target(&self, axis: usize) -> Option<i64> {
        self.due.get(axis).copied().flatten().map(|due| due.target)
    }

    /// Enters what a step asked, where the device has obeyed.
    pub(super) fn enter(&mut self, number: usize, step: &Step, call: &Call, rig: &mut Rig<'_>) {
        for order in step.orders.iter().filter(|order| is_motion(order.command)) {
            let (Some(place), Some(axis)) = (self.due.get_mut(order.axis), rig.bench.axes.get(order.axis)) else {
                continue;
            };
            let asked = order.command.verb();
            let verdict = call.events.iter().find_map(|event| match event.kind {
                EventKind::CommandAccepted { verb, axis, .. } if rig.is_of(event, axis, order.axis) => {
                    (Some(verb) == asked).then_some(Verdict::Obeyed(event.time_ns))
                }
                EventKind::CommandBuffered { axis, .. } if rig.is_of(event, axis, order.axis) => Some(Verdict::Waits),
                EventKind::CommandRejected { axis, .. } if rig.is_of(event, axis, order.axis) => {
                    Some(Verdict::Rejected)
                }
                _ => None,
            });
            match verdict {
                Some(Verdict::Obeyed(obeyed_ns)) => {
                    let from = rig.chain.engine(axis.device, axis.axis.into()).position(obeyed_ns);
                    let target = target(order.command, from, &rig.bench.layout.position);
                    *place = target.map(|target| Due { target, step: number });
                }
                // It begins where the one before it ends, if that is known.
                Some(Verdict::Waits) => {
                    let from = place.map(|due| due.target);
                    let target = from.and_then(|from| target(order.command, from, &rig.bench.layout.position));
                    *place = target.map(|target| Due { target, step: number });
                }
                // The rig has said why; what was due before stays due.
                Some(Verdict::Rejected) => {}
                None => {
                    let text = format!("step {number}: `{}` did nothing at \"{}\"", axis.name, order.text);
                    rig.find(Some(order.axis), text);
                }
            }
        }
    }

    /// Compares what is due with where the axes are.
    pub(super) fn close(&self, rig: &mut Rig<'_>) {
        let bench = rig.bench;
        for (index, (axis, due)) in bench.axes.iter().zip(&self.due).enumerate() {
            let reached = rig.chain.position(axis.device, axis.axis.into());
            let steps = |microsteps: i64| axis.steps(microsteps as f64);
            let still_moving = rig.chain.is_moving(axis.device, axis.axis.into());
            let moving = if still_moving { " and still moving" } else { "" };
            let found = format!("`{}` is at {} steps{moving}", axis.name, steps(reached));
            if let Some(due) = due
                && due.target != reached
            {
                rig.find(Some(index), format!("{found}; step {} asked for {} steps", due.step, steps(due.target)));
            }
            if let Some(expected) = axis.expected
                && expected != reached
            {
                rig.find(Some(index), format!("{found}; the bench expects {} steps", steps(expected)));
            }
            let lost = rig.chain.lost_steps(axis.device, axis.axis.into());
            let out_of_step = out_of_step_s(rig, index);
            let text = match (out_of_step, lost != 0.0) {
                (None, false) => continue,
                (None, true) => {
                    format!("the rotor of `{}` is {lost} steps behind its counter, and not where that says", axis.name)
                }
                (Some(at_s), true) => format!(
                    "the rotor of `{}` fell out of step at {at_s} s and is {lost} steps behind its counter, and not \
                     where that says",
                    axis.name
                ),
                (Some(at_s), false) => format!("the rotor of `{}` fell out of step at {at_s} s", axis.name),
            };
            rig.find(Some(index), text);
        }
    }
}

/// When the rotor of an axis fell out of step for the first time on the timeline, in seconds.
fn out_of_step_s(rig: &Rig<'_>, index: usize) -> Option<f64> {
    let is_it = |event: &Event| match event.kind {
        EventKind::SynchronismLost { axis } => event.time_ns >= rig.start_ns() && rig.is_of(event, axis, index),
        _ => false,
    };
    let event = rig.chain.events().into_iter().find(is_it)?;
    Some(super::seconds(event.time_ns.saturating_sub(rig.start_ns())))
}

fn is_motion(command: Command) -> bool {
    matches!(
        command,
        Command::MoveVelocity { .. }
            | Command::MoveRelative { .. }
            | Command::MoveAbsolute { .. }
            | Command::Stop { .. }
            | Command::HomeOnCurrentPosition
            | Command::ReturnToZero
            | Command::ReturnToProbedPosition
            | Command::SearchForSwitch { .. }
            | Command::SearchForZero { .. }
            | Command::PulseInput { .. }
            | Command::ResetNode
    )
}

/// Where a command ends that takes effect at the unwrapped position `from`; none if it has no target.
fn target(command: Command, from: i64, counter: &PositionCounter) -> Option<i64> {
    match command {
        Command::MoveRelative { distance } => Some(from + distance.to_bits()),
        Command::MoveAbsolute { target, way } => {
            let turn = 1i64 << counter.bits;
            let up = (target.to_bits() - from).rem_euclid(turn);
            let down = up - turn;
            Some(match way {
                _ if up == 0 => from,
                // A counter that ends does not go round: there is one way only.
                _ if counter.wrap_around == WrapAround::Refuses => target.to_bits(),
                Way::Positive => from + up,
                Way::Negative => from + down,
                Way::Shortest if up <= -down => from + up,
                Way::Shortest => from + down,
            })
        }
        Command::ReturnToZero => {
            let zero = Command::MoveAbsolute { target: Position::ZERO, way: Way::Shortest };
            self::target(zero, from, counter)
        }
        Command::HomeOnCurrentPosition => Some(from),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use stepchain::units::Distance;

    use super::*;

    fn absolute(from: i64, to: i32, way: Way) -> Option<i64> {
        let command = Command::MoveAbsolute { target: Position::from_microsteps(to), way };
        target(command, from, &PositionCounter::new(8, &[1]))
    }

    /// By hand, on a counter of 8 bits, −128..=127: from 100 to −100 it is 56 up through the end, 200 down.
    #[test]
    fn the_shortest_way_may_lead_through_the_end_of_the_counter() {
        assert_eq!(absolute(100, -100, Way::Shortest), Some(156));
        assert_eq!(absolute(100, -100, Way::Negative), Some(-100));
        assert_eq!(absolute(156, 100, Way::Positive), Some(356));
        assert_eq!(absolute(0, -128, Way::Shortest), Some(128), "the positive way where both are alike");
        assert_eq!(absolute(300, 44, Way::Negative), Some(300), "44 is what 300 shows");
    }

    /// By hand: from 100 to −100 it is 200 down; that it would be 56 up through the end does not count where there is one.
    #[test]
    fn a_counter_that_ends_has_one_way_only() {
        let command = Command::MoveAbsolute { target: Position::from_microsteps(-100), way: Way::Shortest };
        assert_eq!(target(command, 100, &PositionCounter::new(8, &[1]).refuses_to_wrap()), Some(-100));
    }

    #[test]
    fn a_relative_move_ends_its_distance_from_where_it_begins_and_a_stop_anywhere() {
        let relative = Command::MoveRelative { distance: Distance::from_microsteps(-7) };
        let counter = PositionCounter::new(8, &[1]);
        assert_eq!(target(relative, 5, &counter), Some(-2));
        assert_eq!(target(Command::PeekStatus, 5, &counter), None);
    }
}
