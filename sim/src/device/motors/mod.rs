//! Motors on the axes of a device: what the device does to them, and what it notices.
//!
//! ```text
//!   counter, registers, bridge  ->  drive     ->  motor         (voltages or currents, microstep by microstep)
//!   motor                       ->  attached  ->  flags, log    (as the device looks at it, at instants of a grid)
//! ```
//!
//! **Physical**: the rotor with its load, which the home switch sees; end stops, a blocked rotor and open windings hold
//! it or its currents. **Noticed by the device**, every [`LOOK_NS`], and through the same conditions and latches as what is
//! [injected](crate::inject):
//!
//! * **Stall**, by current: a winding whose current exceeds the map's stall limit while steps are made. In step the
//!   back-EMF stands against the voltage, and a rotor that stands induces none, so that the current rises. It is the
//!   detector of which the map has a register. It shows nothing where the back-EMF is small (at low speed), where the
//!   current is regulated, or in a winding that is open: as a real one, it can miss a stall. A map without a stall limit
//!   shows none.
//! * **Overcurrent**: a current above the map's limit, ripple and swings included. A map without a limit shows none.
//! * **Overtemperature** and its warning: the node of the [`OutputStage`], not the winding, which no device can feel.
//! * **Undervoltage**: the supply below the limit of the [`MotorSetup`].
//! * **Lost steps**: no flag tells them, the log does; first that the rotor is out of step, and at rest how many it has lost.

mod attached;
mod drive;
mod setup;

use stepchain::map::Parameter;

pub use attached::LOOK_NS;
pub use setup::{HYSTERESIS_K, MotorSetup, OutputStage};

use super::{Device, EventKind};
use crate::motor::{Load, Motor, Supply};
use attached::{Attached, CONDITIONS, Looked, Synchronism, Written};

/// A motor, and what its registers say.
#[derive(Clone, Debug)]
pub(super) struct OfAxis {
    attached: Attached,
    written: Written,
}

impl Device {
    /// A motor is on an axis from now on, its rotor where the axis had it; one that was there is taken off.
    pub fn attach_motor(&mut self, axis: usize, setup: &MotorSetup, now_ns: u64) {
        self.advance(now_ns);
        self.turn_motors(now_ns);
        let of_axis = &mut self.axes[axis];
        let attached = Attached::new(setup, of_axis.rotor_steps(now_ns), of_axis.end_stops_steps(), now_ns);
        of_axis.couple(now_ns, attached.measured());
        if let Ok(axis) = u8::try_from(axis) {
            let written = self.written(axis);
            self.motors.insert(axis, OfAxis { attached, written });
        }
        self.tell_news(now_ns);
    }

    /// A copy of the motor of an axis as it is now, if it has one.
    #[must_use]
    pub fn motor(&self, axis: usize, now_ns: u64) -> Option<Motor> {
        self.attached_at(axis, now_ns).map(|attached| attached.motor)
    }

    /// Where the rotor of an axis is now, in full steps from where it was at power-up.
    #[must_use]
    pub fn rotor_steps(&self, axis: usize, now_ns: u64) -> f64 {
        let motor = self.motor(axis, now_ns);
        motor.map_or_else(|| self.axes[axis].rotor_steps(now_ns), |motor| motor.position_steps())
    }

    /// The motor of an axis turns another load from now on; without a motor nothing happens.
    pub fn set_load(&mut self, axis: usize, load: &Load, now_ns: u64) {
        self.change_motor(axis, now_ns, |motor| motor.set_load(load));
    }

    /// The bridges of an axis hang on another supply from now on; without a motor nothing happens.
    pub fn set_supply(&mut self, axis: usize, supply: &Supply, now_ns: u64) {
        self.change_motor(axis, now_ns, |motor| motor.set_supply(supply));
    }

    /// Changes the motor of an axis, which is as it was up to now.
    pub(super) fn change_motor(&mut self, axis: usize, now_ns: u64, change: impl FnOnce(&mut Motor)) {
        self.advance(now_ns);
        self.turn_motors(now_ns);
        let motor = u8::try_from(axis).ok().and_then(|axis| self.motors.get_mut(&axis));
        if let Some(OfAxis { attached, .. }) = motor {
            change(&mut attached.motor);
        }
    }

    /// Brings the motors to an instant at which something is about to change that drives them.
    pub(super) fn turn_motors(&mut self, now_ns: u64) {
        for (&axis, OfAxis { attached, written }) in &mut self.motors {
            attached.turn(&self.axes[usize::from(axis)], written, now_ns);
            attached.rouse(now_ns);
        }
    }

    /// The registers may have changed.
    pub(super) fn read_again(&mut self) {
        let axes: Vec<_> = self.motors.keys().copied().collect();
        for axis in axes {
            let read = self.written(axis);
            if let Some(OfAxis { written, .. }) = self.motors.get_mut(&axis) {
                *written = read;
            }
        }
    }

    /// When a motor is to be looked at next, and which one.
    pub(super) fn next_look(&self) -> Option<(u64, u8)> {
        let next = self.motors.iter().filter_map(|(&axis, motor)| Some((motor.attached.next_ns()?, axis)));
        next.filter(|&(at_ns, _)| at_ns < u64::MAX).min()
    }

    /// Looks at a motor, and lets happen what comes of it.
    pub(super) fn look(&mut self, axis: u8, now_ns: u64) {
        let of_axis = &mut self.axes[usize::from(axis)];
        let Some(OfAxis { attached, written }) = self.motors.get_mut(&axis) else { return };
        attached.turn(of_axis, written, now_ns);
        let Looked { measured, holds, synchronism } = attached.look(of_axis, written, now_ns);
        of_axis.measure(now_ns, measured);
        if let Some(synchronism) = synchronism {
            let kind = match synchronism {
                Synchronism::Lost => EventKind::SynchronismLost { axis },
                Synchronism::StepsLost(steps) => EventKind::StepsLost { axis, steps },
            };
            self.log(now_ns, kind);
        }
        for (flag, holds) in CONDITIONS.into_iter().zip(holds) {
            if self.flags.notice(flag, axis, holds) && holds {
                self.turn_motors(now_ns);
                self.shut_off_by(flag, now_ns);
            }
        }
        self.tell_news(now_ns);
    }

    fn attached_at(&self, axis: usize, now_ns: u64) -> Option<Attached> {
        let OfAxis { attached, written } = self.motors.get(&u8::try_from(axis).ok()?)?;
        let mut attached = attached.clone();
        attached.turn(self.axes.get(axis)?, written, now_ns);
        Some(attached)
    }

    fn written(&self, axis: u8) -> Written {
        let read = |parameter| self.parameter(parameter, axis);
        Written {
            setting: drive::setting(self.layout().drive, read),
            overcurrent_a: read(Parameter::OvercurrentLimit),
            stall_a: read(Parameter::StallLimit),
        }
    }
}
