//! How the twin becomes what the recording says, and what it learns from that.
//!
//! A difference that does not count is adopted: the device's own state is made to be as captured, and what hangs on it
//! is from then on known, or no longer. What moves is compared with some slack in time.

use stepchain::map::{BridgeState, Flag, Holding, MotionState, Parameter};

use super::difference::Difference;
use super::known::{AxisKnown, is_place};
use super::twin::{Disagreement, Twin};
use crate::decode::value_of;
use crate::device::{Demand, Switch};

impl Twin {
    /// The twin is as a difference says that the captured device is.
    pub(super) fn adopt(
        &mut self,
        device: usize,
        difference: &Difference,
        status: Option<(u64, u64)>,
        content: Option<(u16, u32)>,
    ) {
        let chain = &self.chain;
        match *difference {
            Difference::Form | Difference::Check => {}
            Difference::State { axis, captured, .. } => {
                if captured == Some(MotionState::Standstill) && chain.is_moving(device, axis.into()) {
                    self.stand(device, axis);
                }
            }
            Difference::Flag { bit, captured } => {
                let (axis, known) = (usize::from(bit.axis), &mut self.known[device]);
                let Some(of_axis) = known.axes.get_mut(axis) else { return };
                match bit.flag {
                    Flag::HomeSwitch => {
                        chain.set_switch(device, axis, if captured { Switch::Closed } else { Switch::Open });
                        of_axis.place &= of_axis.motion;
                    }
                    Flag::BridgeOff if !chain.is_moving(device, axis) => {
                        let bridge = if captured { BridgeState::HighImpedance } else { BridgeState::Driven };
                        chain.assume_stand(device, axis, bridge);
                        of_axis.bridge = true;
                    }
                    Flag::Fault | Flag::Overcurrent | Flag::Undervoltage | Flag::Overtemperature if captured => {
                        chain.set_condition(device, axis, bit.flag, true);
                        if bit.holding != Holding::Live {
                            chain.set_condition(device, axis, bit.flag, false);
                        }
                        of_axis.motion = false;
                        of_axis.place = false;
                    }
                    Flag::Fault
                    | Flag::Warning
                    | Flag::Overcurrent
                    | Flag::Undervoltage
                    | Flag::Overtemperature
                    | Flag::OvertemperatureWarning
                    | Flag::StallA
                    | Flag::StallB
                        if bit.holding == Holding::Live =>
                    {
                        chain.set_condition(device, axis, bit.flag, captured);
                    }
                    Flag::CommandRejected => {
                        // What was refused, or was not, may have been a motion.
                        for axis in &mut known.axes {
                            axis.motion = false;
                            axis.place = false;
                        }
                    }
                    _ => {}
                }
                if let Some((status, _)) = status {
                    self.chain.assume_latched(device, status, 1u64.checked_shl(bit.bit.into()).unwrap_or(0));
                }
            }
            Difference::Register { register, expected, captured } if is_place(register.parameter) => {
                if register.parameter == Parameter::PositionActualValue {
                    return;
                }
                let value = |code| value_of(code, &register.coding).unwrap_or(0.0);
                let delta = (value(captured) - value(expected)).round() as i64;
                for axis in self.dictionary.axes_of(register) {
                    let position = chain.position(device, axis.into());
                    chain.set_position(device, axis.into(), position.saturating_add(delta));
                    if let Some(known) = self.known[device].axes.get_mut(usize::from(axis)) {
                        known.place = known.motion;
                    }
                }
            }
            Difference::Register { .. } => {
                if let Some((address, content)) = content {
                    chain.assume_content(device, address, self.with_places(device, address, content));
                }
            }
        }
    }

    /// The content of a register with the fields left as they are that show a position.
    fn with_places(&self, device: usize, address: u16, content: u32) -> u32 {
        let held = self.chain.read_register(device, address);
        let places = self.dictionary.fields(address).filter(|field| is_place(field.parameter));
        let mask = places.fold(0, |mask, field| mask | field.mask());
        content & !mask | held & mask
    }

    fn stand(&mut self, device: usize, axis: u8) {
        self.chain.assume_stand(device, axis.into(), BridgeState::Driven);
        if let Some(known) = self.known[device].axes.get_mut(usize::from(axis)) {
            known.place = false;
            known.bridge = false;
        }
    }

    /// What an answer tells that is as expected, or has been taken over.
    pub(super) fn learn(
        &mut self,
        device: usize,
        status: Option<(u64, u64)>,
        content: Option<(u16, u32)>,
        asked_ns: u64,
    ) {
        if let Some((status, mask)) = status {
            self.known[device].heard_status(mask);
            for axis in 0..self.layout().axes {
                let known = self.known[device].axes[usize::from(axis)];
                if asked_ns < self.commanded(device, axis) {
                    // It was asked before the axis was told something else.
                    continue;
                }
                match self.stands(status, mask, axis) {
                    Some(true) if !self.moved_at(device, axis, asked_ns) => {
                        self.known[device].axes[usize::from(axis)].motion = true;
                    }
                    // What moves has its bridge driven.
                    Some(false) if !known.bridge && !self.chain.is_moving(device, axis.into()) => {
                        self.chain.assume_stand(device, axis.into(), BridgeState::Driven);
                        self.known[device].axes[usize::from(axis)].bridge = true;
                    }
                    _ => {}
                }
            }
        }
        if let Some((address, content)) = content {
            self.known[device].heard_register(address);
            for field in self.dictionary.fields(address) {
                if field.parameter == Parameter::VelocityDemandValue && content & field.mask() == 0 {
                    for axis in self.dictionary.axes_of(field) {
                        let is_late = asked_ns < self.commanded(device, axis);
                        if !is_late && !self.moved_at(device, axis, asked_ns) {
                            self.known[device].axes[usize::from(axis)].motion = true;
                        }
                    }
                }
                if field.parameter == Parameter::PositionDemandValue {
                    for axis in self.dictionary.axes_of(field) {
                        if let Some(known) = self.known[device].axes.get_mut(usize::from(axis)) {
                            known.place = known.motion;
                        }
                    }
                }
            }
        }
    }

    fn moved_at(&self, device: usize, axis: u8, at_ns: u64) -> bool {
        self.chain.is_moving(device, axis.into())
            || self.chain.history(device, axis.into()).demand(at_ns).state != MotionState::Standstill
    }

    /// Whether a status says that an axis makes no steps, or that it does; `None` if it says neither.
    fn stands(&self, status: u64, mask: u64, axis: u8) -> Option<bool> {
        let layout = self.layout();
        let state = layout.status.motion_states.iter().find(|told| told.axis == axis).and_then(|told| {
            let ones = (1u64 << told.field.width.min(63)) - 1;
            let place = ones.checked_shl(told.field.lsb.into()).unwrap_or(0);
            (mask & place == place).then(|| {
                let code = status.checked_shr(told.field.lsb.into()).unwrap_or(0) & ones;
                code == u64::from(told.code_of(MotionState::Standstill))
            })
        });
        let busy = layout.status.flags.iter().find(|bit| bit.flag == Flag::Busy && bit.axis == axis);
        let busy = busy.filter(|bit| mask.checked_shr(bit.bit.into()).unwrap_or(0) & 1 == 1);
        // One that turns at its velocity is not busy either.
        state.or_else(|| busy.filter(|bit| bit.is_raised(status)).map(|_| false))
    }

    /// A device tells that it has refused a command.
    pub(super) fn refuse(&self, device: usize) {
        let bits = self.layout().status.flags.iter().filter(|bit| bit.flag == Flag::CommandRejected);
        for bit in bits {
            let place = 1u64.checked_shl(bit.bit.into()).unwrap_or(0);
            let status = if bit.is_raised(place) { place } else { 0 };
            self.chain.assume_latched(device, status, place);
        }
    }

    /// The twin is as a disagreement says that the captured device is, as far as that can be.
    pub(super) fn give_in(&mut self, disagreement: &Disagreement) {
        let Disagreement { device, differences, status, content, asked_ns, .. } = disagreement;
        if differences.iter().any(|it| matches!(it, Difference::Form | Difference::Check)) {
            return;
        }
        for difference in differences {
            let axis = match difference {
                Difference::State { axis, .. } => Some(*axis),
                Difference::Flag { bit, .. } if is_of_motion(bit.flag) => Some(bit.axis),
                Difference::Register { register, .. } if is_live(register.parameter) => Some(register.axis),
                _ => None,
            };
            if let Some(known) = axis.and_then(|axis| self.known[*device].axes.get_mut(usize::from(axis))) {
                *known = AxisKnown { muted: known.muted, ..Default::default() };
            }
            self.adopt(*device, difference, *status, *content);
        }
        self.learn(*device, *status, *content, *asked_ns);
    }

    /// What moves on an axis is not compared any more.
    pub(super) fn mute(&mut self, device: usize, axis: u8) {
        if let Some(known) = self.known[device].axes.get_mut(usize::from(axis)) {
            known.muted = true;
        }
    }

    /// Whether a difference in what moves is no greater than what the time of the recording leaves open.
    pub(super) fn is_within_slack(&self, device: usize, difference: &Difference, asked_ns: u64) -> bool {
        let axis = match difference {
            Difference::State { axis, .. } => *axis,
            Difference::Flag { bit, .. } if is_of_motion(bit.flag) => bit.axis,
            Difference::Register { register, .. } if is_live(register.parameter) => register.axis,
            _ => return false,
        };
        let since_ns = self.commanded(device, axis);
        let drift_ns = (self.slack.clock * asked_ns.saturating_sub(since_ns) as f64).ceil() as u64;
        let slack_ns = self.slack.time_ns.saturating_add(drift_ns);
        if slack_ns == 0 {
            return false;
        }
        let history = self.chain.history(device, usize::from(axis));
        // What was before the command is no part of what it brings about.
        let (from_ns, to_ns) = (asked_ns.saturating_sub(slack_ns).max(since_ns.min(asked_ns)), asked_ns + slack_ns);
        let (first, last) = (history.demand(from_ns), history.demand(to_ns));
        match difference {
            Difference::Register { register, expected, captured } => {
                let value = |code| value_of(code, &register.coding);
                let (Some(expected), Some(captured)) = (value(*expected), value(*captured)) else { return false };
                let told = |demand: &Demand| match register.parameter {
                    Parameter::VelocityDemandValue => demand.velocity_steps_per_s,
                    _ => demand.position as f64,
                };
                let [low, high] = [f64::min, f64::max].map(|pick| pick(told(&first), told(&last)));
                // The wrap of a counter and the rounding of a code are the same at all three instants.
                let now = told(&history.demand(asked_ns));
                let room = 0.01 * expected.abs() * f64::from(register.parameter == Parameter::VelocityDemandValue);
                (low - now - room - 1.0..=high - now + room + 1.0).contains(&(captured - expected))
            }
            _ => first.state != last.state || first.velocity_steps_per_s * last.velocity_steps_per_s < 0.0,
        }
    }
}

/// Whether a flag hangs on the motion of its axis.
pub(super) const fn is_of_motion(flag: Flag) -> bool {
    matches!(
        flag,
        Flag::Busy | Flag::TargetReached | Flag::PositiveDirection | Flag::InternalLimitActive | Flag::BridgeOff
    )
}

/// Whether a register shows what its axis does.
pub(super) const fn is_live(parameter: Parameter) -> bool {
    matches!(
        parameter,
        Parameter::PositionDemandValue
            | Parameter::PositionActualValue
            | Parameter::VelocityDemandValue
            | Parameter::ElectricalAngle
            | Parameter::ProbedPosition
    )
}
