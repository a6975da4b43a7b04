//! What a replay knows of a device, and what it can therefore hold against it.
//!
//! ```text
//!   never known        measured values (supply voltage, device temperature, position actual value, read-only custom)
//!   told by the world  home switch and switch event, unless a switch is given; stalls, supply, heat, current, fault, warning
//!   known once seen    registers and latched flags, once written, read or reset; the position, once read or made zero
//!   known once moved   target reached, direction, bridge, limit: once the axis was commanded
//!   known as a whole   motion: once the axis was seen to stand, as long as every register of its ramps is known
//! ```
//!
//! What is not known is taken over as it is captured, and is known from then on if it is of a kind that can be. After
//! power-up everything is known but what is measured and what the world tells.

use std::collections::BTreeSet;

use stepchain::map::{Access, Flag, Holding, MotionState, Parameter, Refusal, Register, StatusBit, Verb, WrapAround};

use super::difference::Difference;
use crate::decode::Dictionary;
use crate::device::{EventKind, Rejection};

/// What is known of an axis.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct AxisKnown {
    /// Its position, as far as it stands or its motion is known.
    pub(super) place: bool,
    /// How fast it goes, or that it stands.
    pub(super) motion: bool,
    /// What its last command was.
    pub(super) course: bool,
    /// Which way it went last.
    pub(super) direction: bool,
    /// Whether a limit has altered its last motion.
    pub(super) limit: bool,
    /// What its bridge does.
    pub(super) bridge: bool,
    /// Its probed position.
    pub(super) probe: bool,
    /// The phase of its windings.
    pub(super) angle: bool,
    /// Not to be compared any more: its map is known to be wrong.
    pub(super) muted: bool,
}

/// What is known of a device.
#[derive(Clone, Debug)]
pub(super) struct Known {
    pub(super) axes: Vec<AxisKnown>,
    registers: BTreeSet<u16>,
    /// Bits of the status word whose memory is known.
    status: u64,
    /// A word may have been refused or not, as nobody knows what held then.
    in_doubt: bool,
    has_been_told: bool,
}

/// What holds for the whole replay.
#[derive(Clone, Debug, Default)]
pub(super) struct Rules {
    pub(super) ignored: Vec<String>,
    /// Conditions from outside count as divergences.
    pub(super) strict: bool,
    /// The axes whose switch is known: device and axis.
    pub(super) switches: Vec<(usize, u8)>,
}

/// The ramps of a motion depend on these.
const RAMP: [Parameter; 7] = [
    Parameter::ProfileVelocity,
    Parameter::MaxProfileVelocity,
    Parameter::ProfileAcceleration,
    Parameter::ProfileDeceleration,
    Parameter::QuickStopDeceleration,
    Parameter::StartStopVelocity,
    Parameter::MicrostepResolution,
];

impl Known {
    /// Nothing is known yet of a device.
    pub(super) fn nothing(dictionary: &Dictionary) -> Self {
        let layout = dictionary.layout();
        let axes = vec![AxisKnown::default(); usize::from(layout.axes)];
        let remembered = layout.status.flags.iter().filter(|bit| bit.holding != Holding::Live);
        let status = !remembered.fold(0, |mask, bit| mask | 1u64.checked_shl(bit.bit.into()).unwrap_or(0));
        Self { axes, registers: BTreeSet::new(), status, in_doubt: false, has_been_told: false }
    }

    /// A device has just been powered up.
    pub(super) fn power_up(dictionary: &Dictionary) -> Self {
        let layout = dictionary.layout();
        let all = AxisKnown {
            place: true,
            motion: true,
            course: true,
            direction: true,
            limit: true,
            bridge: true,
            probe: true,
            angle: true,
            muted: false,
        };
        Self {
            axes: vec![all; usize::from(layout.axes)],
            registers: layout.registers.iter().map(|register| register.address).collect(),
            status: u64::MAX,
            in_doubt: false,
            has_been_told: true,
        }
    }

    fn axis(&self, axis: u8) -> AxisKnown {
        self.axes.get(usize::from(axis)).copied().unwrap_or_default()
    }

    fn has_ramps(&self, dictionary: &Dictionary, axis: u8) -> bool {
        let known = |parameter| {
            dictionary.register(parameter, axis).is_none_or(|register| self.registers.contains(&register.address))
        };
        RAMP.into_iter().all(known)
    }

    /// Whether a difference counts: what the captured device says is known to be otherwise.
    pub(super) fn counts(
        &self,
        difference: &Difference,
        rules: &Rules,
        device: usize,
        dictionary: &Dictionary,
    ) -> bool {
        if rules.ignored.iter().any(|name| name.eq_ignore_ascii_case(difference.name())) {
            return false;
        }
        match difference {
            Difference::Form | Difference::Check => true,
            Difference::State { axis, .. } => self.axis(*axis).motion && !self.axis(*axis).muted,
            Difference::Flag { bit, .. } => self.flag_counts(bit, rules, device),
            Difference::Register { register, .. } => self.register_counts(register, rules, dictionary),
        }
    }

    fn flag_counts(&self, bit: &StatusBit, rules: &Rules, device: usize) -> bool {
        let is_remembered = bit.holding != Holding::Live;
        if is_remembered && self.status.checked_shr(bit.bit.into()).unwrap_or(0) & 1 == 0 {
            return false;
        }
        let axis = self.axis(bit.axis);
        match bit.flag {
            Flag::HomeSwitch | Flag::SwitchEvent => {
                rules.strict || rules.switches.contains(&(device, bit.axis)) && axis.place && axis.motion
            }
            Flag::Busy => axis.motion && !axis.muted,
            Flag::TargetReached => axis.motion && axis.course && !axis.muted,
            Flag::PositiveDirection => axis.motion && axis.direction && !axis.muted,
            Flag::InternalLimitActive => axis.motion && axis.limit && !axis.muted,
            Flag::BridgeOff => axis.motion && axis.bridge && !axis.muted,
            Flag::CommandRejected | Flag::CommandUnknown | Flag::CrcMismatch => self.has_been_told && !self.in_doubt,
            Flag::ResetOccurred => is_remembered || self.has_been_told && !self.in_doubt,
            _ => rules.strict,
        }
    }

    fn register_counts(&self, register: &Register, rules: &Rules, dictionary: &Dictionary) -> bool {
        let axes = || dictionary.axes_of(register).map(|axis| self.axis(axis));
        let moves_as_known = axes().all(|axis| axis.motion && !axis.muted);
        match register.parameter {
            Parameter::SupplyVoltage | Parameter::DeviceTemperature => false,
            Parameter::PositionActualValue => rules.strict && moves_as_known && axes().all(|axis| axis.place),
            Parameter::PositionDemandValue => moves_as_known && axes().all(|axis| axis.place),
            Parameter::VelocityDemandValue => moves_as_known,
            Parameter::ElectricalAngle => moves_as_known && axes().all(|axis| axis.angle),
            Parameter::ProbedPosition => axes().all(|axis| axis.probe && !axis.muted),
            Parameter::TargetPosition if register.access == Access::ReadOnly => {
                axes().all(|axis| axis.limit && axis.place && !axis.muted)
            }
            Parameter::Custom(_) if register.access == Access::ReadOnly => rules.strict,
            _ => self.registers.contains(&register.address),
        }
    }

    /// A word that is not filler is latched.
    pub(super) fn told(&mut self) {
        self.has_been_told = true;
        let all = |axis: &AxisKnown| axis.motion && axis.place && axis.bridge && axis.probe && !axis.muted;
        self.in_doubt |= self.status != u64::MAX || !self.axes.iter().all(all);
    }

    /// Something has happened on the virtual device.
    pub(super) fn learn(&mut self, kind: &EventKind, dictionary: &Dictionary, rules: &Rules, device: usize) {
        match *kind {
            EventKind::Reset => *self = Self::power_up(dictionary),
            EventKind::RegisterWritten { address, .. } => {
                let refusable = |field: &Register| {
                    let mut axes = dictionary.axes_of(field).map(|axis| self.axis(axis));
                    match field.access {
                        Access::AtStandstill => axes.any(|axis| !axis.motion),
                        Access::BridgeOff => axes.any(|axis| !axis.bridge || !axis.motion),
                        Access::ReadOnly | Access::Always => false,
                    }
                };
                let form = dictionary.form(Verb::WriteParameter);
                let is_refusable = self.in_doubt && form.is_some_and(|form| form.refusal != Refusal::NEVER);
                if is_refusable || dictionary.fields(address).any(refusable) {
                    self.registers.remove(&address);
                    return;
                }
                self.registers.insert(address);
                for field in dictionary.fields(address).filter(|field| is_place(field.parameter)) {
                    for axis in dictionary.axes_of(field) {
                        self.placed(axis);
                    }
                }
            }
            EventKind::MotionStateChanged { axis, to, .. } if to != MotionState::Standstill => {
                if let Some(axis) = self.axes.get_mut(usize::from(axis)) {
                    axis.direction = axis.motion;
                }
            }
            EventKind::CommandRejected {
                reason: Rejection::NotAtStandstill { address } | Rejection::BridgeNotOff { address },
                ..
            } if self.in_doubt => {
                self.registers.remove(&address);
            }
            // The captured device may have obeyed.
            EventKind::CommandRejected { axis, verb, .. } if self.in_doubt && verb.is_of_one_axis() => {
                if let Some(axis) = self.axes.get_mut(usize::from(axis)) {
                    *axis = AxisKnown { muted: axis.muted, ..AxisKnown::default() };
                }
            }
            EventKind::CommandAccepted { verb, axis, .. } => self.obeyed(verb, axis, dictionary, rules, device),
            _ => {}
        }
    }

    fn placed(&mut self, axis: u8) {
        if let Some(axis) = self.axes.get_mut(usize::from(axis)) {
            axis.place = axis.motion;
        }
    }

    fn obeyed(&mut self, verb: Verb, axis: u8, dictionary: &Dictionary, rules: &Rules, device: usize) {
        match verb {
            Verb::RestoreDefaults => {
                self.registers = dictionary.layout().registers.iter().map(|register| register.address).collect();
                return;
            }
            Verb::HomeOnCurrentPosition => return self.placed(axis),
            _ => {}
        }
        if !verb.is_motion() && !matches!(verb, Verb::Stop(..)) {
            return;
        }
        let has_ramps = self.has_ramps(dictionary, axis);
        let wraps = dictionary.layout().position.wrap_around == WrapAround::Wraps;
        let form = dictionary.layout().commands.iter().find(|form| form.verb == verb);
        let needs_bridge = form.is_some_and(|form| form.refusal.while_bridge_off);
        let has_switch = rules.switches.contains(&(device, axis));
        let Some(known) = self.axes.get_mut(usize::from(axis)) else { return };
        let by_the_world = match verb {
            Verb::SearchForSwitch(_) | Verb::SearchForZero(_) => !has_switch || !known.place,
            Verb::PulseInput => true,
            Verb::ReturnToProbedPosition => !known.probe || !known.place,
            Verb::MoveAbsolute(_) | Verb::ReturnToZero => !known.place,
            // How far it is to the end of the counter.
            _ => !known.place && !wraps && verb.is_motion(),
        } || !known.bridge && needs_bridge;
        known.motion &= has_ramps && !by_the_world;
        known.place &= known.motion;
        known.course = true;
        known.limit |= verb.is_motion();
        known.bridge = true;
        if matches!(verb, Verb::SearchForSwitch(_) | Verb::SearchForZero(_)) {
            known.probe = known.motion;
        }
    }

    /// An answer was as expected, or was taken over.
    pub(super) fn heard_status(&mut self, mask: u64) {
        self.status |= mask;
        self.in_doubt &= mask == 0;
    }

    /// The content of a register was told.
    pub(super) fn heard_register(&mut self, address: u16) {
        self.registers.insert(address);
    }
}

/// Whether a register carries the position of the axis.
pub(super) const fn is_place(parameter: Parameter) -> bool {
    matches!(parameter, Parameter::PositionDemandValue | Parameter::PositionActualValue)
}
