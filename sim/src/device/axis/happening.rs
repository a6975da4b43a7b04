//! What happens to an axis at an instant of its own: the switch opens or closes under way, and its contact bounces, the rotor
//! runs into a stop, a motion ends, outside pulses come.
//!
//! When it happens is found in closed form by [`Axis::next_event`] and carried out by [`Axis::happen`], so nothing depends
//! on who looks when.

use std::convert::Infallible;

use stepchain::map::{EdgeAction, StopRamp};

use super::{Axis, Task};
use crate::device::bounce::Bounce;
use crate::device::machine::Switch;
use crate::inject::Winding;
use crate::motion::{self, Limits, OutOfRange};

/// What has happened since the device asked last.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(in crate::device) struct News {
    /// The home switch has closed.
    pub(in crate::device) has_closed: bool,
    /// The rotor no longer followed, as seen on winding A and on winding B.
    pub(in crate::device) has_stalled: [bool; 2],
}

/// A motion that ends when the home switch does something.
#[derive(Clone, Copy, Debug)]
pub(super) struct Search {
    until: Edge,
    limits: Limits,
}

/// What a search waits for, and what is done then.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::device) struct Edge {
    /// Until the switch is closed, or until it is open.
    pub(in crate::device) closed: bool,
    /// What becomes of the position.
    pub(in crate::device) action: EdgeAction,
}

impl Axis {
    /// Runs at a velocity, no farther than to an `end`, until the home switch is as wanted; then it stops.
    pub(in crate::device) fn search(
        &mut self,
        now_ns: u64,
        velocity: f64,
        end: Option<i64>,
        limits: &Limits,
        until: Edge,
    ) -> Result<(), OutOfRange> {
        limits.check()?;
        let is_found = self.is_switch_closed(now_ns) == until.closed;
        if !is_found {
            self.move_velocity(now_ns, velocity, end, limits)?;
        }
        self.task = Task::Move;
        self.drive();
        self.search = Some(Search { until, limits: *limits });
        self.notice(now_ns);
        Ok(())
    }

    /// From now on outside pulses make the steps; the axis' own cease at once.
    pub(in crate::device) fn follow_pulses(&mut self, now_ns: u64, upwards: bool) {
        self.cease(now_ns);
        self.task = Task::Pulses { upwards };
        self.search = None;
        self.drive();
    }

    /// Outside pulses come, all at this instant. Without a command to follow them nothing happens; beyond an `end` they
    /// do not count.
    pub(in crate::device) fn pulse(&mut self, now_ns: u64, count: u64, end: impl Fn(bool) -> Option<i64>) {
        let Task::Pulses { upwards } = self.task else { return };
        let sign = if upwards { 1 } else { -1 };
        let mut left = i64::try_from(count).unwrap_or(i64::MAX);
        if let Some(end) = end(upwards) {
            left = left.min(end.wrapping_sub(self.position(now_ns)).wrapping_mul(sign).max(0));
        }
        while left > 0 {
            let from = self.position(now_ns);
            let places = [self.machine.next_edge(from, upwards), self.machine.next_stall(from, upwards)];
            let ways = places.into_iter().flatten().map(|place| place.wrapping_sub(from).wrapping_mul(sign));
            let way = ways.fold(left, i64::min);
            let Ok(()) = self.replace(now_ns, |engine| {
                engine.set_position(now_ns, from.wrapping_add(sign * way));
                Ok::<(), Infallible>(())
            });
            self.chapter_pulses = sign * way;
            self.counted_up = upwards;
            self.notice(now_ns);
            left -= way;
        }
        self.machine.settle(self.position(now_ns));
        self.was_beyond = false;
    }

    /// The machine has another home switch from now on.
    pub(in crate::device) fn set_switch(&mut self, now_ns: u64, switch: Switch) {
        self.machine.set_switch(switch);
        self.notice(now_ns);
    }

    /// The contact of the home switch bounces so from now on.
    pub(in crate::device) fn set_bounce(&mut self, now_ns: u64, bounce: Option<Bounce>) {
        self.machine.contact.set_bounce(bounce);
        self.notice(now_ns);
    }

    /// The machine has an end stop from now on.
    pub(in crate::device) fn set_end_stop(&mut self, now_ns: u64, at_steps: f64) {
        self.machine.set_end_stop(at_steps, self.rotor_steps(now_ns));
        self.notice(now_ns);
    }

    /// The rotor cannot turn from now on, or can again.
    pub(in crate::device) fn set_blocked(&mut self, now_ns: u64, is_blocked: bool) {
        self.machine.set_blocked(is_blocked, self.position(now_ns));
        self.notice(now_ns);
    }

    /// A winding carries no current from now on, or does again.
    pub(in crate::device) fn set_open(&mut self, now_ns: u64, winding: Winding, is_open: bool) {
        self.machine.set_open(winding, is_open, self.position(now_ns));
        self.notice(now_ns);
    }

    /// When something will happen of itself, if nobody commands anything before.
    pub(in crate::device) fn next_event(&self) -> Option<u64> {
        let now_ns = self.happened_to_ns;
        let is_up = |direction| direction == motion::Direction::Positive;
        let machine = &self.machine;
        // What the rotor of a motor comes to is seen as it is measured.
        let ideal = self.rotor.is_none().then_some(&self.engine);
        let edge =
            ideal.and_then(|engine| engine.next_arrival_after(now_ns, |at, way| machine.next_edge(at, is_up(way))));
        let stall =
            ideal.and_then(|engine| engine.next_arrival_after(now_ns, |at, way| machine.next_stall(at, is_up(way))));
        let bounce = machine.contact.next_change_after(now_ns);
        [edge, stall, bounce, self.engine.next_end_after(now_ns)].into_iter().flatten().min()
    }

    /// When the command that is being carried out will be done.
    pub(in crate::device) fn done_at(&self) -> Option<u64> {
        let mut at_ns = self.happened_to_ns;
        while self.is_busy(at_ns) {
            at_ns = self.engine.next_phase_change_after(at_ns)?;
        }
        Some(at_ns)
    }

    /// The instant of an event has come.
    pub(in crate::device) fn happen(&mut self, now_ns: u64) {
        let has_ended = self.engine.next_end_after(self.happened_to_ns) == Some(now_ns);
        self.happened_to_ns = now_ns;
        self.notice(now_ns);
        if has_ended {
            self.machine.settle(self.position(now_ns));
            self.was_beyond = false;
        }
        if self.search.is_some() && !self.is_moving(now_ns) {
            // It came to the end of the counter.
            self.search = None;
            self.task = Task::None;
        }
    }

    /// Nothing will be asked any more about what was before.
    pub(in crate::device) fn pass(&mut self, now_ns: u64) {
        self.happened_to_ns = self.happened_to_ns.max(now_ns);
    }

    pub(in crate::device) fn take_news(&mut self) -> News {
        std::mem::take(&mut self.news)
    }

    /// Looks at the switch and at the rotor, and does what is to be done when they have changed.
    pub(super) fn notice(&mut self, now_ns: u64) {
        let count = self.position(now_ns);
        let is_contact_closed = self.is_contact_closed(now_ns);
        self.machine.contact.set(now_ns, is_contact_closed);
        let is_closed = self.machine.contact.shows(is_contact_closed, now_ns);
        let is_beyond = self.rotor.is_none() && self.machine.is_beyond(count);
        self.news.has_closed |= is_closed && !self.was_closed;
        if is_beyond && !self.was_beyond {
            let [on_a, on_b] = &mut self.news.has_stalled;
            *on_a |= self.machine.shows_on(Winding::A);
            *on_b |= self.machine.shows_on(Winding::B);
        }
        (self.was_closed, self.was_beyond) = (is_closed, is_beyond);
        if let Some(Search { until, limits }) = self.search.filter(|search| search.until.closed == is_closed) {
            self.search = None;
            match until.action {
                EdgeAction::Probe => self.probed = count,
                EdgeAction::Zero => self.set_position(now_ns, 0),
            }
            // The limits have been checked when the search began.
            let _ = self.replace(now_ns, |engine| engine.stop(now_ns, StopRamp::Profile, &limits));
        }
    }
}
