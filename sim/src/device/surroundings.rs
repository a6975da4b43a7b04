//! What happens to a device from outside its bus: to the machines that its axes turn, and by pulses.
//!
//! Each call lets happen what was to happen before, and then what it brings about.

use super::bounce::Bounce;
use super::{Device, Switch};
use crate::inject::Winding;

impl Device {
    /// The machine of an axis has another home switch from now on.
    pub fn set_switch(&mut self, axis: usize, switch: Switch, now_ns: u64) {
        self.advance(now_ns);
        self.axes[axis].set_switch(now_ns, switch);
        self.tell_news(now_ns);
    }

    /// The contact of an axis' home switch bounces so from now on, or not at all.
    pub fn set_bounce(&mut self, axis: usize, bounce: Option<Bounce>, now_ns: u64) {
        self.advance(now_ns);
        self.axes[axis].set_bounce(now_ns, bounce);
        self.tell_news(now_ns);
    }

    /// The machine of an axis has an end stop from now on, in full steps from where the rotor was at power-up: below the
    /// rotor if it lies there, else above. There is one on each side at most.
    pub fn set_end_stop(&mut self, axis: usize, at_steps: f64, now_ns: u64) {
        self.advance(now_ns);
        self.axes[axis].set_end_stop(now_ns, at_steps);
        let [least, greatest] = self.axes[axis].end_stops_steps();
        self.change_motor(axis, now_ns, |motor| motor.set_end_stops(least, greatest));
        self.tell_news(now_ns);
    }

    /// The rotor of an axis cannot turn from now on, or can again.
    pub fn set_blocked(&mut self, axis: usize, is_blocked: bool, now_ns: u64) {
        self.change_motor(axis, now_ns, |motor| motor.block_rotor(is_blocked));
        self.axes[axis].set_blocked(now_ns, is_blocked);
        self.tell_news(now_ns);
    }

    /// A winding of an axis carries no current from now on, or does again. Without a motor the rotor then stays where it
    /// is, as [`inject`](crate::inject) says.
    pub fn set_open_winding(&mut self, axis: usize, winding: Winding, is_open: bool, now_ns: u64) {
        self.advance(now_ns);
        self.axes[axis].set_open(now_ns, winding, is_open);
        let broken = self.axes[axis].open_windings();
        self.change_motor(axis, now_ns, |motor| motor.break_windings(broken));
        self.tell_news(now_ns);
    }

    /// Outside pulses come at this instant, each for one microstep. An axis that does not follow them ignores them.
    pub fn pulse(&mut self, axis: usize, count: u64, now_ns: u64) {
        self.advance(now_ns);
        self.turn_motors(now_ns);
        let counter = self.counter;
        self.axes[axis].pulse(now_ns, count, |upwards| counter.end(upwards));
        self.tell_news(now_ns);
    }
}
