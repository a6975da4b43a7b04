//! Reads and writes registers, and sees which writes set a command going.

use std::collections::BTreeMap;

use stepchain::map::{Access, BridgeState, Parameter, Register, Source, Verb};

use crate::decode::{Answer, Argument, Dictionary, Quantity, Trigger, value_of};

use super::Device;
use super::event::{EventKind, Rejection};
use super::registers::{field_of, live_code};

impl Device {
    /// What the register at an address holds now; zero where there is none.
    #[must_use]
    pub fn content(&self, address: u16, now_ns: u64) -> u32 {
        let placed = |field: &'static Register| self.code_now(field, now_ns) << field.lsb;
        self.dictionary.fields(address).fold(0, |content, field| content | placed(field))
    }

    /// What all registers hold now, by address.
    #[must_use]
    pub(crate) fn contents(&mut self, now_ns: u64) -> BTreeMap<u16, u32> {
        let registers = self.dictionary.layout().registers.iter();
        registers.map(|register| (register.address, self.content(register.address, now_ns))).collect()
    }

    pub(super) fn read(&mut self, address: u16, now_ns: u64) {
        let content = self.content(address, now_ns);
        let verb = Verb::ReadParameter;
        let Some(form) = self.dictionary.form(verb) else { return };
        let exists = self.dictionary.has_register(address);
        let known = if exists { Ok(()) } else { Err(Rejection::NoSuchRegister { address }) };
        match self.admit(form, 0, now_ns).and(known) {
            Ok(()) => {
                self.flags.word_is_fine();
                self.log(now_ns, EventKind::RegisterRead { address, content });
            }
            Err(reason) => self.reject(verb, 0, reason, now_ns),
        }
        let answer = Answer { status: self.status(now_ns), axis: 0, address, content };
        self.answer(form.reply, &answer);
    }

    pub(super) fn write(&mut self, address: u16, content: u32, now_ns: u64) {
        let verb = Verb::WriteParameter;
        let Some(form) = self.dictionary.form(verb) else { return };
        match self.admit(form, 0, now_ns).and_then(|()| self.try_write(address, content, now_ns)) {
            Ok(ignored) => {
                self.flags.word_is_fine();
                let content = self.content(address, now_ns);
                self.log(now_ns, EventKind::RegisterWritten { address, content });
                if ignored != 0 {
                    self.log(now_ns, EventKind::WriteIgnored { address, bits: ignored });
                }
                if let Some(trigger) = self.trigger(address, content) {
                    let argument = self.argument_of(&trigger);
                    self.carry_out(trigger.form, trigger.axis, argument, now_ns);
                }
            }
            Err(reason) => self.reject(verb, 0, reason, now_ns),
        }
        let content = self.content(address, now_ns);
        let answer = Answer { status: self.status(now_ns), axis: 0, address, content };
        self.answer(form.reply, &answer);
    }

    /// Writes all fields at an address that can be written, or none; the bits of those that cannot and were told otherwise.
    fn try_write(&mut self, address: u16, content: u32, now_ns: u64) -> Result<u32, Rejection> {
        let fields: Vec<_> = self.dictionary.fields(address).collect();
        if fields.is_empty() {
            return Err(Rejection::NoSuchRegister { address });
        }
        let is_shared = fields.len() > 1;
        let is_meant = |field: &&Register| !is_shared || field_of(content, field) != self.code_now(field, now_ns);
        let (writable, others): (Vec<_>, Vec<_>) = fields.into_iter().partition(|field| Dictionary::is_writable(field));
        if writable.is_empty() {
            return Err(Rejection::ReadOnly { address });
        }
        let differing = |field: &Register| (field_of(content, field) ^ self.code_now(field, now_ns)) << field.lsb;
        let ignored = others.into_iter().fold(0, |bits, field| bits | differing(field));
        let changed: Vec<_> = writable.into_iter().filter(is_meant).collect();
        for field in &changed {
            self.check_access(field, now_ns)?;
            let code = field_of(content, field);
            value_of(code, &field.coding).ok_or(Rejection::MeaninglessCode { code })?;
        }
        for field in changed {
            self.store(field, field_of(content, field), now_ns);
        }
        Ok(ignored)
    }

    fn check_access(&self, field: &Register, now_ns: u64) -> Result<(), Rejection> {
        let address = field.address;
        let mut axes = self.dictionary.axes_of(field).filter_map(|axis| self.axes.get(usize::from(axis)));
        match field.access {
            Access::ReadOnly => Err(Rejection::ReadOnly { address }),
            Access::AtStandstill if axes.any(|axis| axis.is_moving(now_ns)) => {
                Err(Rejection::NotAtStandstill { address })
            }
            Access::BridgeOff if axes.any(|axis| axis.bridge(now_ns) != BridgeState::HighImpedance) => {
                Err(Rejection::BridgeNotOff { address })
            }
            Access::Always | Access::AtStandstill | Access::BridgeOff => Ok(()),
        }
    }

    /// Puts a code into a field, with what this brings about in the axis.
    pub(super) fn store(&mut self, field: &Register, code: u32, now_ns: u64) {
        self.file.set(field, code);
        match field.parameter {
            Parameter::PositionDemandValue | Parameter::PositionActualValue => {
                let count = value_of(code, &field.coding).unwrap_or(0.0).round() as i64;
                let position = self.counter.shown(count);
                for axis in self.dictionary.axes_of(field) {
                    self.axes[usize::from(axis)].set_position(now_ns, position);
                }
            }
            Parameter::MicrostepResolution => {
                for axis in self.dictionary.axes_of(field) {
                    let resolution = self.resolution(axis);
                    self.axes[usize::from(axis)].set_resolution(now_ns, resolution);
                    self.apply(axis, now_ns);
                }
            }
            Parameter::MaxProfileVelocity | Parameter::FullStepThreshold => {
                for axis in self.dictionary.axes_of(field) {
                    self.apply(axis, now_ns);
                }
            }
            _ => {}
        }
    }

    fn code_now(&self, field: &Register, now_ns: u64) -> u32 {
        let axis = self.axes.get(usize::from(field.axis));
        let live = axis.and_then(|axis| live_code(field, axis, self.counter, now_ns));
        live.unwrap_or_else(|| self.file.code(field))
    }

    /// The command whose last write this was.
    fn trigger(&self, address: u16, content: u32) -> Option<Trigger> {
        let mut fields = self.dictionary.fields(address).filter(|field| Dictionary::is_writable(field));
        fields.find_map(|field| self.dictionary.trigger(field, field_of(content, field)))
    }

    /// What the registers of a command made of writes hold for it.
    fn argument_of(&self, trigger: &Trigger) -> Argument {
        let has_argument = trigger.writes.iter().any(|write| write.source == Source::Argument);
        let kind = match trigger.form.verb {
            Verb::MoveVelocity | Verb::SearchForSwitch(_) => Argument::Velocity,
            Verb::SearchForZero(_) if has_argument => Argument::Velocity,
            Verb::MoveRelative => Argument::Distance,
            Verb::MoveAbsolute(_) => Argument::Position,
            Verb::SearchForZero(_) | Verb::PulseInput => Argument::Direction,
            _ => return Argument::None,
        };
        let mut quantity = Quantity { code: 0, value: None };
        let mut direction = Quantity { code: 0, value: Some(1.0) };
        for write in trigger.writes {
            let Some(register) = self.dictionary.register(write.parameter, trigger.axis) else { continue };
            let code = self.file.code(register);
            match write.source {
                Source::Argument => quantity = Quantity { code, value: value_of(code, &register.coding) },
                Source::Direction { positive, .. } if code == positive => {
                    direction = Quantity { code, value: Some(1.0) }
                }
                Source::Direction { negative, .. } if code == negative => {
                    direction = Quantity { code, value: Some(-1.0) }
                }
                Source::Direction { .. } => direction = Quantity { code, value: None },
                Source::Code(_) => {}
            }
        }
        // A direction may be all there is; and if its code means nothing, it is the code to be told.
        let Some(sign) = direction.value.filter(|_| has_argument) else { return kind(direction) };
        let value = quantity.value.map(|value| if value == 0.0 { 0.0 } else { sign * value });
        kind(Quantity { value, ..quantity })
    }
}
