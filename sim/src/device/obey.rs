//! Carries commands out: from arguments and registers to motion.

use stepchain::map::{BridgeState, Parameter, Register, StopRamp, Verb, Way};

use crate::decode::Argument;
use crate::motion::{Limits, OutOfRange};

use super::axis::Edge;
use super::event::Rejection;
use super::{CREEP_SHARE, DEFAULT_ACCELERATION, DEFAULT_VELOCITY, Device};

impl From<OutOfRange> for Rejection {
    fn from(cause: OutOfRange) -> Self {
        Self::NoMotion(cause)
    }
}

impl Device {
    /// Does what a command says; its refusals have been looked at.
    pub(super) fn obey(&mut self, verb: Verb, axis: u8, argument: Argument, now_ns: u64) -> Result<(), Rejection> {
        let index = usize::from(axis);
        if verb.is_motion() && self.is_shut_off(axis) {
            return Err(Rejection::ShutOff);
        }
        let amount = match argument.quantity() {
            None => 0.0,
            Some(quantity) => quantity.value.ok_or(Rejection::MeaninglessCode { code: quantity.code })?,
        };
        match verb {
            Verb::MoveVelocity => self.turn(axis, amount, now_ns),
            Verb::MoveRelative => {
                let target = self.counter.relative(self.axes[index].position(now_ns), amount.round() as i64)?;
                self.go(axis, target, now_ns)
            }
            Verb::MoveAbsolute(way) => {
                let from = self.axes[index].position(now_ns);
                let target = self.counter.absolute(from, amount.round() as i64, way)?;
                self.go(axis, target, now_ns)
            }
            Verb::Stop(ramp, bridge) => {
                let limits = self.stop_limits(axis, ramp);
                let bridge = if self.is_shut_off(axis) { BridgeState::HighImpedance } else { bridge };
                Ok(self.axes[index].stop(now_ns, ramp, bridge, &limits)?)
            }
            Verb::ReturnToZero => self.go_back(axis, 0, now_ns),
            Verb::ReturnToProbedPosition => self.go_back(axis, self.axes[index].probed_position(), now_ns),
            Verb::SearchForSwitch(action) => self.search(axis, amount, Edge { closed: true, action }, now_ns),
            Verb::SearchForZero(action) => {
                let velocity = match argument {
                    Argument::Direction(_) => self.creep_speed(axis).copysign(amount),
                    _ => amount,
                };
                self.search(axis, velocity, Edge { closed: false, action }, now_ns)
            }
            Verb::PulseInput => {
                self.axes[index].follow_pulses(now_ns, amount > 0.0);
                self.axes[index].set_limited(false);
                Ok(())
            }
            Verb::RestoreDefaults => {
                self.restore_defaults(now_ns);
                Ok(())
            }
            Verb::ResetNode => {
                self.reset(now_ns);
                Ok(())
            }
            Verb::FaultReset => {
                self.flags.reset_faults();
                Ok(())
            }
            Verb::HomeOnCurrentPosition => {
                self.axes[index].home(now_ns);
                Ok(())
            }
            // Questions: their answer is all.
            _ => Ok(()),
        }
    }

    fn turn(&mut self, axis: u8, wanted: f64, now_ns: u64) -> Result<(), Rejection> {
        let (speed, limited) = self.cut_down(axis, wanted.abs());
        let end = self.counter.end(wanted > 0.0);
        // The limit takes no part where the velocity is zero, but has to be one.
        let limits = self.limits(axis, if speed > 0.0 { wanted.abs() } else { DEFAULT_VELOCITY });
        let velocity = if speed > 0.0 { limits.velocity.copysign(wanted) } else { 0.0 };
        let axis = &mut self.axes[usize::from(axis)];
        axis.move_velocity(now_ns, velocity, end, &limits)?;
        axis.set_limited(limited);
        Ok(())
    }

    fn search(&mut self, axis: u8, wanted: f64, until: Edge, now_ns: u64) -> Result<(), Rejection> {
        let (_, limited) = self.cut_down(axis, wanted.abs());
        let end = self.counter.end(wanted > 0.0);
        let limits = self.limits(axis, wanted.abs());
        let axis = &mut self.axes[usize::from(axis)];
        axis.search(now_ns, limits.velocity.copysign(wanted), end, &limits, until)?;
        axis.set_limited(limited);
        Ok(())
    }

    /// To what the counter has shown at a count, by the shortest way.
    fn go_back(&mut self, axis: u8, count: i64, now_ns: u64) -> Result<(), Rejection> {
        let from = self.axes[usize::from(axis)].position(now_ns);
        let target = self.counter.absolute(from, self.counter.shown(count), Way::Shortest)?;
        self.go(axis, target, now_ns)
    }

    /// Every register at its reset code; what is not written but counted or measured stays.
    fn restore_defaults(&mut self, now_ns: u64) {
        let is_counted = |register: &&Register| {
            matches!(register.parameter, Parameter::PositionDemandValue | Parameter::PositionActualValue)
        };
        for register in self.dictionary.layout().registers.iter().filter(|register| !is_counted(register)) {
            self.store(register, register.reset, now_ns);
        }
    }

    fn go(&mut self, axis: u8, target: i64, now_ns: u64) -> Result<(), Rejection> {
        let wanted = self.profile_velocity(axis);
        let (_, limited) = self.cut_down(axis, wanted);
        let limits = self.limits(axis, wanted);
        let axis = &mut self.axes[usize::from(axis)];
        axis.move_to(now_ns, target, &limits)?;
        axis.set_limited(limited);
        Ok(())
    }

    fn profile_velocity(&self, axis: u8) -> f64 {
        let max = self.parameter(Parameter::MaxProfileVelocity, axis);
        self.parameter(Parameter::ProfileVelocity, axis).or(max).unwrap_or(DEFAULT_VELOCITY)
    }

    /// How fast a search for zero creeps that is not told.
    fn creep_speed(&self, axis: u8) -> f64 {
        let start_stop = self.parameter(Parameter::StartStopVelocity, axis).filter(|speed| *speed > 0.0);
        start_stop.unwrap_or_else(|| CREEP_SHARE * self.profile_velocity(axis))
    }

    /// A speed in full steps/s that is not above the greatest one, and whether it was.
    fn cut_down(&self, axis: u8, speed: f64) -> (f64, bool) {
        match self.parameter(Parameter::MaxProfileVelocity, axis) {
            Some(max) if speed > max => (max, true),
            _ => (speed, false),
        }
    }

    /// Lets an axis follow those registers that act at once, whatever it does.
    pub(super) fn apply(&mut self, axis: u8, now_ns: u64) {
        let bound = self.parameter(Parameter::MaxProfileVelocity, axis).unwrap_or(f64::INFINITY);
        let threshold = self.parameter(Parameter::FullStepThreshold, axis).unwrap_or(f64::INFINITY);
        let axis = &mut self.axes[usize::from(axis)];
        axis.bound_velocity(now_ns, bound);
        axis.set_full_step_threshold(now_ns, threshold);
    }

    /// What the registers say about the ramps of a motion at a velocity in full steps/s; the limits are in microsteps. The
    /// axis itself cuts the velocity down.
    fn limits(&self, axis: u8, velocity: f64) -> Limits {
        let acceleration = self.parameter(Parameter::ProfileAcceleration, axis).unwrap_or(DEFAULT_ACCELERATION);
        let deceleration = self.parameter(Parameter::ProfileDeceleration, axis).unwrap_or(acceleration);
        let start_stop_velocity = self.parameter(Parameter::StartStopVelocity, axis).unwrap_or(0.0);
        let scale = f64::from(self.resolution(axis));
        Limits {
            velocity: velocity * scale,
            acceleration: acceleration * scale,
            deceleration: deceleration * scale,
            // No motion but a stop has this slope.
            quick_deceleration: deceleration * scale,
            start_stop_velocity: start_stop_velocity * scale,
        }
    }

    /// As [`limits`](Self::limits) for a stop: what the other ramps are like has no say in whether it is possible.
    fn stop_limits(&self, axis: u8, ramp: StopRamp) -> Limits {
        let mut limits = self.limits(axis, DEFAULT_VELOCITY);
        if ramp == StopRamp::Quick
            && let Some(quick) = self.parameter(Parameter::QuickStopDeceleration, axis)
        {
            limits.quick_deceleration = quick * f64::from(self.resolution(axis));
            limits.deceleration = limits.quick_deceleration;
        }
        limits.acceleration = limits.deceleration;
        limits
    }

    /// Microsteps in a full step that the registers say, else the first resolution that the map lists.
    pub(super) fn resolution(&self, axis: u8) -> u32 {
        let first = self.dictionary.layout().position.resolutions.first().map_or(1.0, |count| f64::from(*count));
        self.parameter(Parameter::MicrostepResolution, axis).unwrap_or(first).round().max(1.0) as u32
    }
}
