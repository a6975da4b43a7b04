//! Motors on the axes of a device: what the device does to them, and what it notices.
//!
//! ```text
//!   counter, registers, bridge  ->  drive     ->  motor         (voltages or currents, microstep by microstep)
//!   motor                       ->  attached  ->  flags, log    (as the device looks at it, at instants of a grid)
//! ```
//!
//! What is physical and what the device notices of it stands at [`MotorSetup`].

mod attached;
mod drive;
mod record;
mod setup;

use stepchain::map::Parameter;

pub use attached::LOOK_NS;
pub use record::MotorSample;
pub use setup::{HYSTERESIS_K, MotorSetup, OutputStage};

use super::{Axis, Device, EventKind};
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
        let (of_axis, OfAxis { attached, written }) = self.with_motor(axis)?;
        Some(attached.motor_at(of_axis, written, now_ns))
    }

    /// Where the rotor of an axis is now, in full steps from where it was at power-up.
    #[must_use]
    pub fn rotor_steps(&self, axis: usize, now_ns: u64) -> f64 {
        let motor = self.motor(axis, now_ns);
        motor.map_or_else(|| self.axes[axis].rotor_steps(now_ns), |motor| motor.position_steps())
    }

    /// How far the rotor of an axis is behind its count now, in full steps: what it lags, and what it has lost.
    #[must_use]
    pub fn following_error_steps(&self, axis: usize, now_ns: u64) -> f64 {
        let of_axis = &self.axes[axis];
        let commanded_steps = of_axis.commanded_steps(now_ns);
        commanded_steps.map_or_else(|| of_axis.lost_steps(now_ns), |steps| steps - self.rotor_steps(axis, now_ns))
    }

    /// Where the rotor of an axis' motor is told to be, in full steps from where it was at power-up, whatever numbers the
    /// counter was given meanwhile; `None` without a motor.
    pub(crate) fn commanded_steps(&self, axis: usize, now_ns: u64) -> Option<f64> {
        self.axes.get(axis)?.commanded_steps(now_ns)
    }

    /// Whether every motor has come to rest: nothing turns, and no current changes.
    #[must_use]
    pub fn is_settled(&self) -> bool {
        self.motors.values().all(|motor| motor.attached.is_at_rest())
    }

    /// Keeps a sample of the motor of an axis as often as this from now on; what was kept before is forgotten.
    pub fn record_motor(&mut self, axis: usize, every_ns: u64) {
        if let Some(OfAxis { attached, .. }) = u8::try_from(axis).ok().and_then(|axis| self.motors.get_mut(&axis)) {
            attached.set_record(every_ns);
        }
    }

    /// What has been kept of the motor of an axis, in the order of time, the last sample at this instant.
    #[must_use]
    pub fn motor_samples(&self, axis: usize, now_ns: u64) -> Vec<MotorSample> {
        let samples = |(of_axis, motor): (&Axis, &OfAxis)| motor.attached.samples(of_axis, &motor.written, now_ns);
        self.with_motor(axis).map_or(Vec::new(), samples)
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
            let of_axis = &self.axes[usize::from(axis)];
            attached.turn(of_axis, written, now_ns);
            attached.rouse(of_axis, now_ns);
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

    fn with_motor(&self, axis: usize) -> Option<(&Axis, &OfAxis)> {
        self.axes.get(axis).zip(self.motors.get(&u8::try_from(axis).ok()?))
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
