//! A register: where it stands, who may write it, and what its code means.

use crate::units::{OutOfRange, Unit, Value};

use super::coding::{Coding, Encoding, Sign};
use super::parameter::Parameter;

/// A run of bits inside a register or a status word.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct BitField {
    /// The lowest bit, 0 for the least significant.
    pub lsb: u8,
    /// How many bits.
    pub width: u8,
}

impl BitField {
    /// `width` bits from bit `lsb` on.
    #[must_use]
    pub const fn new(lsb: u8, width: u8) -> Self {
        Self { lsb, width }
    }
}

/// Who may write a register, and when.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Access {
    /// Nobody: the device keeps it.
    ReadOnly,
    /// The controller, at any time.
    Always,
    /// The controller, while the motor stands.
    AtStandstill,
    /// The controller, while the bridges are in high impedance.
    BridgeOff,
}

/// One parameter's place in the device.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub struct Register {
    /// What it carries.
    pub parameter: Parameter,
    /// Its name for people.
    pub name: &'static str,
    /// The axis that it belongs to; 0 for what a device has once.
    pub axis: u8,
    /// Its address.
    pub address: u16,
    /// Its lowest bit in the register at that address.
    pub lsb: u8,
    /// How many bits, what sign, what a code means.
    pub coding: Coding,
    /// The unit that codes are turned into.
    pub unit: Unit,
    /// Who may write it.
    pub access: Access,
    /// The code after power-up.
    pub reset: u32,
}

impl Register {
    /// The register of `parameter` at `address`, `width` bits wide from bit 0 on.
    ///
    /// Unsigned, bare codes, writable always, zero after power-up, until told otherwise.
    #[must_use]
    pub const fn new(parameter: Parameter, address: u16, width: u8) -> Self {
        Self {
            parameter,
            name: parameter.name(),
            axis: 0,
            address,
            lsb: 0,
            coding: Coding::new(width, Encoding::Raw),
            unit: parameter.unit(),
            access: Access::Always,
            reset: 0,
        }
    }

    /// The same with a name of its own.
    #[must_use]
    pub const fn named(mut self, name: &'static str) -> Self {
        self.name = name;
        self
    }

    /// The same for another axis of the device.
    #[must_use]
    pub const fn axis(mut self, axis: u8) -> Self {
        self.axis = axis;
        self
    }

    /// The same as a field that begins at bit `lsb`, beside others at the same address.
    #[must_use]
    pub const fn at_bit(mut self, lsb: u8) -> Self {
        self.lsb = lsb;
        self
    }

    /// The same with this meaning of its codes.
    #[must_use]
    pub const fn encoding(mut self, encoding: Encoding) -> Self {
        self.coding.encoding = encoding;
        self
    }

    /// The same with this sign.
    #[must_use]
    pub const fn sign(mut self, sign: Sign) -> Self {
        self.coding.sign = sign;
        self
    }

    /// The same with no code (without its sign) above `code`.
    #[must_use]
    pub const fn up_to(mut self, code: u32) -> Self {
        self.coding.max_code = code;
        self
    }

    /// The same in another unit.
    #[must_use]
    pub const fn unit(mut self, unit: Unit) -> Self {
        self.unit = unit;
        self
    }

    /// The same with this access.
    #[must_use]
    pub const fn access(mut self, access: Access) -> Self {
        self.access = access;
        self
    }

    /// The same with this code after power-up.
    #[must_use]
    pub const fn reset(mut self, code: u32) -> Self {
        self.reset = code;
        self
    }

    /// The field in the register at its address.
    #[must_use]
    pub const fn field(&self) -> BitField {
        BitField::new(self.lsb, self.coding.width)
    }

    /// The field's bits in the register at its address.
    #[must_use]
    pub const fn mask(&self) -> u32 {
        match self.coding.mask().checked_shl(self.lsb as u32) {
            Some(mask) => mask,
            None => 0,
        }
    }

    /// The register's content where this field holds `code` and all others zero.
    #[must_use]
    pub const fn content(&self, code: u32) -> u32 {
        match (code & self.coding.mask()).checked_shl(self.lsb as u32) {
            Some(content) => content,
            None => 0,
        }
    }

    /// The code for a value: the nearest one, so that a value nearer to zero than to the first code becomes zero.
    /// [`quantised`](Self::quantised) shows it.
    ///
    /// # Errors
    /// [`OutOfRange`] if no code means the value, or if the value is of another unit than the register (then the
    /// limits are the register's and the unit is its own).
    pub const fn code_of(&self, value: Value) -> Result<u32, OutOfRange> {
        if value.unit() as u8 != self.unit as u8 {
            return Err(OutOfRange::new(value.to_bits(), value.unit(), self.coding.limits(self.unit), self.unit));
        }
        self.coding.code_of(value.to_bits(), self.unit)
    }

    /// The value that a code means.
    ///
    /// # Errors
    /// [`OutOfRange`] if the register's unit does not hold it or the code means nothing.
    pub const fn value_of(&self, code: u32) -> Result<Value, OutOfRange> {
        match self.coding.value_of(code, self.unit) {
            Ok(bits) => Value::from_bits(self.unit, bits),
            Err(error) => Err(error),
        }
    }

    /// The value that the code for `value` really means.
    ///
    /// # Errors
    /// As [`code_of`](Self::code_of).
    pub const fn quantised(&self, value: Value) -> Result<Value, OutOfRange> {
        match self.code_of(value) {
            Ok(code) => self.value_of(code),
            Err(error) => Err(error),
        }
    }
}

#[cfg(test)]
mod tests {
    extern crate std;
    use std::string::ToString;

    use super::*;
    use crate::units::{Acceleration, Amplitude, MicrostepResolution, Velocity};

    /// By hand: 5 steps/s² are 5 · 2⁸ bits, which as a velocity would be 0.3125 steps/s, and so code 0.
    #[test]
    fn a_register_refuses_a_value_of_another_unit() {
        let register = Register::new(Parameter::ProfileVelocity, 0, 8);
        let error = register.code_of(Acceleration::from_steps_per_s2(5).unwrap().into()).unwrap_err();
        assert_eq!(error.to_string(), "5 steps/s is outside 0..=255 steps/s");
        assert!(register.code_of(Value::Code(5)).is_err());
        assert!(register.code_of(MicrostepResolution::from_microsteps_per_step(8).into()).is_err());
        assert!(register.quantised(Amplitude::from_per_mille(5).unwrap().into()).is_err());
    }

    #[test]
    fn the_quantised_value_is_what_the_code_means() {
        let register = Register::new(Parameter::ProfileVelocity, 0, 8);
        let velocity = Velocity::from_milli_steps_per_s(5400).unwrap();
        assert_eq!(register.quantised(velocity.into()), Ok(Velocity::from_steps_per_s(5).unwrap().into()));
        assert!(register.quantised(Velocity::from_steps_per_s(256).unwrap().into()).is_err());
    }
}
