//! What an axis turns in the machine: where its rotor is, where the home switch is closed, and where it runs into a stop.
//!
//! ```text
//!   count of the axis  --[anchor, microsteps]-->  place of the rotor in full steps  -->  switch, end stops
//! ```
//!
//! Places are full steps from where the rotor was at power-up. To give the counter another number, to change the
//! resolution or to reset the device moves neither the rotor nor anything else in the machine: only the anchor, the
//! count that belongs to a place, becomes another.
//!
//! A rotor that runs into an end stop stays there while the counter goes on. When the motion ends or turns round, the
//! rotor is still at the stop and follows from there. A real rotor slips by whole cycles of four full steps, and bounces;
//! nothing of this is here. A rotor that is held (blocked, or with an open winding) is one between two stops at its place.
//!
//! The rotor of a [motor](super::MotorSetup) is where the motor has it; of all this only the places of switch and stops
//! concern it then.

use crate::inject::Winding;

use super::bounce::Contact;

/// The home switch of an axis, as the machine has it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub enum Switch {
    /// Open, wherever the axis is.
    #[default]
    Open,
    /// Closed, wherever the axis is.
    Closed,
    /// Closed between two places and at both of them, in full steps from where the rotor was at power-up, the lesser one
    /// first; a range without a microstep in it is never closed.
    ClosedBetween {
        /// The lesser end.
        from_steps: f64,
        /// The greater end.
        to_steps: f64,
    },
}

/// A place that is nearer to a count than this is meant to be on it: decimal fractions of a step are not exact.
const SNAP: f64 = 1e-6;

/// The rotor of an axis and what is around it.
#[derive(Clone, Debug)]
pub(super) struct Machine {
    switch: Switch,
    /// Between the switch and its input.
    pub(super) contact: Contact,
    least_steps: f64,
    greatest_steps: f64,
    /// The place that belongs to `anchor_count`.
    anchor_steps: f64,
    anchor_count: i64,
    microsteps_per_step: u32,
    /// Counts that the rotor has not followed since the counter was given its number.
    lost: i64,
    is_blocked: bool,
    /// A and B.
    open_windings: [bool; 2],
    /// Where the rotor is held, if it is.
    held_steps: Option<f64>,
}

impl Machine {
    /// The rotor at place zero, which is count zero; no switch is closed and no stop is near.
    pub(super) fn new(microsteps_per_step: u32) -> Self {
        Self {
            switch: Switch::Open,
            contact: Contact::default(),
            least_steps: f64::NEG_INFINITY,
            greatest_steps: f64::INFINITY,
            anchor_steps: 0.0,
            anchor_count: 0,
            microsteps_per_step,
            lost: 0,
            is_blocked: false,
            open_windings: [false; 2],
            held_steps: None,
        }
    }

    pub(super) fn set_switch(&mut self, switch: Switch) {
        self.switch = switch;
    }

    /// Puts a stop where the axis can turn no farther, on the side of the rotor on which it lies.
    pub(super) fn set_end_stop(&mut self, at_steps: f64, rotor_steps: f64) {
        if at_steps < rotor_steps {
            self.least_steps = at_steps;
        } else {
            self.greatest_steps = at_steps;
        }
    }

    /// The rotor cannot turn from now on, or can again.
    pub(super) fn set_blocked(&mut self, is_blocked: bool, count: i64) {
        self.is_blocked = is_blocked;
        self.hold(count);
    }

    /// A winding carries no current from now on, or does again.
    pub(super) fn set_open(&mut self, winding: Winding, is_open: bool, count: i64) {
        let [a, b] = &mut self.open_windings;
        *(match winding {
            Winding::A => a,
            Winding::B => b,
        }) = is_open;
        self.hold(count);
    }

    /// Whether a rotor that does not follow shows on this winding. With a winding open, the other one is as it ever was.
    pub(super) fn shows_on(&self, winding: Winding) -> bool {
        let [a, b] = self.open_windings;
        let is_open = match winding {
            Winding::A => a,
            Winding::B => b,
        };
        is_open || self.is_blocked || !(a || b)
    }

    /// Holds the rotor where it is, or lets it follow again from there.
    fn hold(&mut self, count: i64) {
        let rotor_steps = self.rotor_steps(count);
        // What it has not followed until now it never will.
        self.settle(count);
        let is_held = self.is_blocked || self.open_windings.contains(&true);
        self.held_steps = is_held.then_some(rotor_steps);
    }

    /// The place below which the rotor does not turn.
    fn least_steps(&self) -> f64 {
        self.held_steps.unwrap_or(self.least_steps)
    }

    /// The place above which the rotor does not turn.
    fn greatest_steps(&self) -> f64 {
        self.held_steps.unwrap_or(self.greatest_steps)
    }

    /// Where the rotor is when the axis counts so.
    pub(super) fn rotor_steps(&self, count: i64) -> f64 {
        let ahead = count.wrapping_sub(self.anchor_count) as f64;
        let free = self.anchor_steps + ahead / f64::from(self.microsteps_per_step);
        free.max(self.least_steps()).min(self.greatest_steps())
    }

    /// What the axis would count if it had counted only what the rotor has followed.
    pub(super) fn followed(&self, count: i64) -> i64 {
        let (first, last) = self.free_counts();
        count.max(first).min(last).wrapping_sub(self.lost)
    }

    /// Whether the switch is closed when the axis counts so.
    pub(super) fn is_closed(&self, count: i64) -> bool {
        self.closed_counts().is_some_and(|(first, last)| (first..=last).contains(&count))
    }

    /// Whether the switch is closed when the rotor is at a place, in full steps.
    pub(super) fn is_closed_at(&self, rotor_steps: f64) -> bool {
        match self.switch {
            Switch::Open => false,
            Switch::Closed => true,
            Switch::ClosedBetween { from_steps, to_steps } => (from_steps..=to_steps).contains(&rotor_steps),
        }
    }

    /// Whether winding A, and whether winding B, carries no current.
    pub(super) const fn open_windings(&self) -> [bool; 2] {
        self.open_windings
    }

    /// The end stops below and above, in full steps; infinite where there is none.
    pub(super) const fn end_stops_steps(&self) -> [f64; 2] {
        [self.least_steps, self.greatest_steps]
    }

    /// The next count in a direction at which the switch opens or closes.
    pub(super) fn next_edge(&self, count: i64, upwards: bool) -> Option<i64> {
        let (first, last) = self.closed_counts()?;
        match upwards {
            true if count < first => Some(first),
            true => last.checked_add(1).filter(|after| *after > count),
            false if count > last => Some(last),
            false => first.checked_sub(1).filter(|before| *before < count),
        }
    }

    /// The next count in a direction to which the rotor does not follow.
    pub(super) fn next_stall(&self, count: i64, upwards: bool) -> Option<i64> {
        let (first, last) = self.free_counts();
        if upwards {
            last.checked_add(1).filter(|beyond| *beyond > count)
        } else {
            first.checked_sub(1).filter(|beyond| *beyond < count)
        }
    }

    /// Whether the axis counts farther than the rotor can turn.
    pub(super) fn is_beyond(&self, count: i64) -> bool {
        let (first, last) = self.free_counts();
        count < first || count > last
    }

    /// The motion has ended or turns round: from a stop the rotor follows again.
    pub(super) fn settle(&mut self, count: i64) {
        if self.is_beyond(count) {
            let followed = self.followed(count);
            self.anchor_steps = self.rotor_steps(count);
            self.anchor_count = count;
            self.lost = count.wrapping_sub(followed);
        }
    }

    /// The axis counts `new` from now on where it counted `old`.
    pub(super) fn relabel(&mut self, old: i64, new: i64) {
        self.anchor_count = self.anchor_count.wrapping_add(new.wrapping_sub(old));
        self.lost = 0;
    }

    /// A microstep is another share of a full step from now on; the count stays.
    pub(super) fn rescale(&mut self, count: i64, microsteps_per_step: u32) {
        self.settle(count);
        self.anchor_steps = self.rotor_steps(count);
        self.anchor_count = count;
        self.lost = self.lost * i64::from(microsteps_per_step) / i64::from(self.microsteps_per_step);
        self.microsteps_per_step = microsteps_per_step;
        // Nothing has moved, though rounding may see the rotor on another side of an edge now.
        self.contact.correct(self.is_closed(count));
    }

    /// The device starts anew and counts from zero; the machine is what and where it was.
    pub(super) fn restart(&mut self, count: i64, microsteps_per_step: u32) {
        self.rescale(count, microsteps_per_step);
        self.relabel(count, 0);
    }

    /// The first and the last count at which the switch is closed.
    fn closed_counts(&self) -> Option<(i64, i64)> {
        let (from_steps, to_steps) = match self.switch {
            Switch::Open => return None,
            Switch::Closed => return Some((i64::MIN, i64::MAX)),
            Switch::ClosedBetween { from_steps, to_steps } => (from_steps, to_steps),
        };
        if from_steps > self.greatest_steps() || to_steps < self.least_steps() {
            return None;
        }
        // At a stop within the range the switch stays closed, however far the axis counts.
        let first = if from_steps <= self.least_steps() { i64::MIN } else { self.first_count(from_steps) };
        let last = if to_steps >= self.greatest_steps() { i64::MAX } else { self.last_count(to_steps) };
        (first <= last).then_some((first, last))
    }

    /// The first and the last count to which the rotor follows.
    fn free_counts(&self) -> (i64, i64) {
        (self.first_count(self.least_steps()), self.last_count(self.greatest_steps()))
    }

    /// The least count that is not below a place.
    fn first_count(&self, steps: f64) -> i64 {
        ((self.ahead_of_anchor(steps) - SNAP).ceil() as i64).saturating_add(self.anchor_count)
    }

    /// The greatest count that is not above a place.
    fn last_count(&self, steps: f64) -> i64 {
        ((self.ahead_of_anchor(steps) + SNAP).floor() as i64).saturating_add(self.anchor_count)
    }

    fn ahead_of_anchor(&self, steps: f64) -> f64 {
        (steps - self.anchor_steps) * f64::from(self.microsteps_per_step)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::device::bounce::Bounce;

    fn machine(from_steps: f64, to_steps: f64) -> Machine {
        let mut machine = Machine::new(16);
        machine.set_switch(Switch::ClosedBetween { from_steps, to_steps });
        machine
    }

    /// By hand: 2 steps are 32 microsteps, 2.5 are 40.
    #[test]
    fn a_switch_is_closed_at_both_of_its_ends_and_changes_one_count_beyond() {
        let machine = machine(2.0, 2.5);
        assert_eq!([31, 32, 40, 41].map(|count| machine.is_closed(count)), [false, true, true, false]);
        assert_eq!([0, 32, 41].map(|count| machine.next_edge(count, true)), [Some(32), Some(41), None]);
        assert_eq!([0, 32, 41].map(|count| machine.next_edge(count, false)), [None, Some(31), Some(40)]);
        assert!(!self::machine(2.01, 2.05).is_closed(32), "32/16 is below 2.01 and 33/16 above 2.05");
    }

    #[test]
    fn a_place_in_decimals_is_the_count_that_it_means() {
        let mut machine = Machine::new(10);
        for tenths in -50..50 {
            let place = f64::from(tenths) / 10.0;
            machine.set_switch(Switch::ClosedBetween { from_steps: place, to_steps: place });
            assert!(machine.is_closed(tenths.into()), "{place}");
        }
    }

    #[test]
    fn another_number_another_resolution_and_a_restart_move_nothing_in_the_machine() {
        let mut machine = machine(2.0, 2.5);
        machine.relabel(40, 0);
        assert_eq!((machine.rotor_steps(0), machine.is_closed(0), machine.is_closed(1)), (2.5, true, false));
        machine.rescale(0, 4);
        assert_eq!([-3, -2, 0, 1].map(|count| machine.is_closed(count)), [false, true, true, false]);
        machine.restart(-2, 16);
        assert_eq!((machine.rotor_steps(0), machine.is_closed(-1), machine.is_closed(8)), (2.0, false, true));
    }

    /// Half a millionth of a step away is on the place for microsteps of a full step, and not for those of a 16th.
    #[test]
    fn a_switch_that_another_resolution_sees_otherwise_has_not_moved_and_does_not_bounce() {
        let mut machine = Machine::new(1);
        machine.set_switch(Switch::ClosedBetween { from_steps: 5e-7, to_steps: 1.0 });
        machine.contact.set_bounce(Some(Bounce { duration_ns: 1_000, bounces: 3, seed: 1 }));
        machine.contact.set(0, machine.is_closed(0));
        assert_eq!((machine.is_closed(0), machine.contact.next_change_after(1_000)), (true, None));
        machine.rescale(0, 16);
        assert!(!machine.is_closed(0));
        machine.contact.set(5_000, machine.is_closed(0));
        assert_eq!(machine.contact.next_change_after(5_000), None);
    }

    /// By hand: the stop at 3 steps is count 48. At 64 the rotor has lost 16; back at 56 it is 8 counts below the stop.
    #[test]
    fn a_rotor_stays_at_its_stop_and_follows_back_at_once() {
        let mut machine = Machine::new(16);
        machine.set_end_stop(3.0, 0.0);
        machine.set_end_stop(-1.0, 0.0);
        assert_eq!((machine.next_stall(0, true), machine.next_stall(0, false)), (Some(49), Some(-17)));
        assert_eq!((machine.is_beyond(48), machine.is_beyond(49)), (false, true));
        assert_eq!((machine.rotor_steps(64), machine.followed(64)), (3.0, 48));
        machine.settle(64);
        assert_eq!((machine.rotor_steps(56), machine.followed(56), machine.is_beyond(64)), (2.5, 40, false));
        machine.relabel(56, 0);
        assert_eq!((machine.followed(0), machine.next_stall(0, true)), (0, Some(9)));
    }

    /// By hand: held at 20 of 16 a step, 1.25 steps. At 30 it has lost 10; let go, it follows 12 counts back to 0.5.
    #[test]
    fn a_held_rotor_stays_whichever_way_it_is_counted_and_follows_from_there() {
        let mut machine = Machine::new(16);
        machine.set_blocked(true, 20);
        assert_eq!([19, 20, 21].map(|count| machine.is_beyond(count)), [true, false, true]);
        assert_eq!((machine.next_stall(20, true), machine.next_stall(20, false)), (Some(21), Some(19)));
        assert_eq!((machine.rotor_steps(30), machine.followed(30)), (1.25, 20));
        machine.settle(30);
        assert_eq!((machine.rotor_steps(-5), machine.followed(-5)), (1.25, 20), "still held when it turns round");
        machine.set_blocked(false, 30);
        assert_eq!((machine.rotor_steps(18), machine.followed(18), machine.is_beyond(18)), (0.5, 8, false));
    }

    #[test]
    fn a_rotor_is_held_until_the_last_reason_is_gone_and_shows_on_the_windings_concerned() {
        let mut machine = Machine::new(16);
        let shows = |machine: &Machine| [Winding::A, Winding::B].map(|winding| machine.shows_on(winding));
        assert_eq!(shows(&machine), [true, true], "an end stop shows on both");
        machine.set_open(Winding::B, true, 0);
        assert_eq!((shows(&machine), machine.is_beyond(1)), ([false, true], true));
        machine.set_blocked(true, 0);
        assert_eq!(shows(&machine), [true, true]);
        machine.set_open(Winding::B, false, 0);
        assert!(machine.is_beyond(1));
        machine.set_blocked(false, 0);
        assert!(!machine.is_beyond(1));
    }

    #[test]
    fn a_switch_that_a_stop_lies_in_stays_closed_beyond_and_one_behind_it_never_closes() {
        let mut machine = machine(2.0, 4.0);
        machine.set_end_stop(3.0, 0.0);
        assert!(machine.is_closed(1_000_000));
        assert_eq!(machine.next_edge(0, true), Some(32));
        machine.set_switch(Switch::ClosedBetween { from_steps: 3.5, to_steps: 4.0 });
        assert_eq!(machine.next_edge(0, true), None);
    }
}
