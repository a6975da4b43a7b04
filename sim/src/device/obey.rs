//! Carries commands out: from arguments and registers to motion.

use stepchain::map::{Parameter, StopRamp, Verb};

use crate::decode::Argument;
use crate::motion::{Limits, OutOfRange};

use super::event::Rejection;
use super::{DEFAULT_ACCELERATION, DEFAULT_VELOCITY, Device};

impl From<OutOfRange> for Rejection {
    fn from(cause: OutOfRange) -> Self {
        Self::NoMotion(cause)
    }
}

impl Device {
    /// Does what a command says; its refusals have been looked at.
    pub(super) fn obey(&mut self, verb: Verb, axis: u8, argument: Argument, now_ns: u64) -> Result<(), Rejection> {
        let index = usize::from(axis);
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
                Ok(self.axes[index].stop(now_ns, ramp, bridge, &limits)?)
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
        let limits = self.limits(axis, if speed > 0.0 { speed } else { DEFAULT_VELOCITY });
        let velocity = if speed > 0.0 { limits.velocity.copysign(wanted) } else { 0.0 };
        let axis = &mut self.axes[usize::from(axis)];
        axis.move_velocity(now_ns, velocity, end, &limits)?;
        axis.set_limited(limited);
        Ok(())
    }

    fn go(&mut self, axis: u8, target: i64, now_ns: u64) -> Result<(), Rejection> {
        let max = self.parameter(Parameter::MaxProfileVelocity, axis);
        let wanted = self.parameter(Parameter::ProfileVelocity, axis).or(max).unwrap_or(DEFAULT_VELOCITY);
        let (speed, limited) = self.cut_down(axis, wanted);
        let limits = self.limits(axis, speed);
        let axis = &mut self.axes[usize::from(axis)];
        axis.move_to(now_ns, target, &limits)?;
        axis.set_limited(limited);
        Ok(())
    }

    /// A speed in full steps/s that is not above the greatest one, and whether it was.
    fn cut_down(&self, axis: u8, speed: f64) -> (f64, bool) {
        match self.parameter(Parameter::MaxProfileVelocity, axis) {
            Some(max) if speed > max => (max, true),
            _ => (speed, false),
        }
    }

    /// What the registers say about the ramps of a motion at a velocity in full steps/s; the limits are in microsteps.
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
