//! The register file: what was written, and the live values that the device keeps in some of the registers.
//!
//! Live, whatever was written: position demand value, position actual value (the same until an end stop holds the rotor
//! back, and with a motor where that is), device temperature and supply voltage of an axis with a motor, probed position, velocity demand value, electrical angle; and the target position where it is read only. A writable target position tells what was
//! written to it.

use std::collections::BTreeMap;

use stepchain::map::{Layout, Parameter, Register, Sign};

use crate::decode::{Dictionary, nearest_code, value_of};

use super::axis::Axis;
use super::counter::Counter;

/// What was written, by address.
#[derive(Clone, Debug, Default)]
pub(super) struct RegisterFile {
    contents: BTreeMap<u16, u32>,
}

impl RegisterFile {
    /// Every register at its reset code.
    pub(super) fn new(layout: &Layout) -> Self {
        let mut file = Self::default();
        for register in layout.registers {
            file.set(register, register.reset);
        }
        file
    }

    /// The code in a field.
    pub(super) fn code(&self, register: &Register) -> u32 {
        field_of(self.contents.get(&register.address).copied().unwrap_or(0), register)
    }

    /// Puts a code into a field and leaves its neighbours.
    pub(super) fn set(&mut self, register: &Register, code: u32) {
        let mask = mask_of(register) << register.lsb;
        let content = self.contents.entry(register.address).or_default();
        *content = *content & !mask | code << register.lsb & mask;
    }

    /// The value of a parameter for an axis; `None` where no register carries it or its code means nothing.
    pub(super) fn value(&self, dictionary: &Dictionary, parameter: Parameter, axis: u8) -> Option<f64> {
        let register = dictionary.register(parameter, axis)?;
        value_of(self.code(register), &register.coding)
    }
}

/// The field's code in the content of its register.
pub(super) fn field_of(content: u32, register: &Register) -> u32 {
    content.checked_shr(u32::from(register.lsb)).unwrap_or(0) & mask_of(register)
}

fn mask_of(register: &Register) -> u32 {
    u32::MAX >> (32 - u32::from(register.coding.width.clamp(1, 32)))
}

/// The code of a register that shows what the axis does; `None` for one that only holds what is written.
pub(super) fn live_code(register: &Register, axis: &Axis, counter: Counter, now_ns: u64) -> Option<u32> {
    let place = |count: i64| {
        let shown = match register.coding.sign {
            Sign::Unsigned => counter.unsigned(count),
            Sign::TwosComplement | Sign::SignMagnitude => counter.shown(count),
        };
        nearest_code(shown as f64, &register.coding)
    };
    match register.parameter {
        Parameter::PositionDemandValue => Some(place(axis.position(now_ns))),
        Parameter::PositionActualValue => Some(place(axis.followed_position(now_ns))),
        Parameter::ProbedPosition => Some(place(axis.probed_position())),
        Parameter::TargetPosition if !Dictionary::is_writable(register) => Some(place(axis.target())),
        Parameter::VelocityDemandValue => {
            let velocity = axis.velocity_steps_per_s(now_ns);
            let shown = if register.coding.sign == Sign::Unsigned { velocity.abs() } else { velocity };
            Some(nearest_code(shown, &register.coding))
        }
        Parameter::DeviceTemperature => Some(nearest_code(axis.measured()?.stage.at_c(now_ns), &register.coding)),
        Parameter::SupplyVoltage => Some(nearest_code(axis.measured()?.supply_v, &register.coding)),
        Parameter::ElectricalAngle => Some(nearest_code(f64::from(axis.electrical_angle(now_ns)), &register.coding)),
        _ => None,
    }
}
