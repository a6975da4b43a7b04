//! Registers: places, codings, reset codes, and the back-EMF curve as a whole.

use crate::units::Unit;

use super::super::flaw::Flaw;
use super::super::layout::{Drive, Layout, same_text};
use super::super::parameter::{CurveSegment, Parameter};
use super::super::register::{Access, Register};
use super::super::vocabulary::Verb;
use super::{ok, refuse_if};

pub(super) const fn check(layout: &Layout) -> Result<(), Flaw> {
    let mut rest = layout.registers;
    while let [register, tail @ ..] = rest {
        ok!(one(layout, register));
        let mut others = tail;
        while let [other, more @ ..] = others {
            ok!(pair(register, other));
            others = more;
        }
        rest = tail;
    }
    Ok(())
}

const fn one(layout: &Layout, register: &Register) -> Result<(), Flaw> {
    let name = register.name;
    let width = register.coding.width;
    refuse_if!(width == 0 || register.lsb as u16 + width as u16 > 32, Flaw::RegisterWidth { register: name });
    refuse_if!(register.axis >= layout.axes, Flaw::RegisterAxis { register: name });
    refuse_if!(!register.coding.is_sound(), Flaw::Coding { of: name });
    let reset_fits = register.reset & !register.coding.mask() == 0 && register.value_of(register.reset).is_ok();
    refuse_if!(!reset_fits, Flaw::Reset { register: name });
    if register.parameter.is_amplitude() {
        let fits = match layout.drive {
            Drive::Voltage => matches!(register.unit, Unit::ShareOfSupply),
            Drive::Current => matches!(register.unit, Unit::Amperes),
        };
        refuse_if!(!fits, Flaw::AmplitudeUnit { register: name });
    }
    if let Parameter::BackEmfFrom(segment) | Parameter::BackEmfSlope(segment) = register.parameter {
        refuse_if!(!segment_is_sound(layout, register.axis, segment), Flaw::Curve { register: name });
    }
    let must_be_read_first = layout.is_shared(register.address) && !matches!(register.access, Access::ReadOnly);
    refuse_if!(must_be_read_first && layout.form(Verb::ReadParameter).is_none(), Flaw::NoReadForm { register: name });
    Ok(())
}

const fn pair(first: &Register, second: &Register) -> Result<(), Flaw> {
    refuse_if!(
        first.address == second.address && first.mask() & second.mask() != 0,
        Flaw::RegistersOverlap { first: first.name, second: second.name }
    );
    refuse_if!(
        first.axis == second.axis && first.parameter.same(second.parameter),
        Flaw::ParameterTwice { register: second.name }
    );
    let both_custom = matches!((first.parameter, second.parameter), (Parameter::Custom(_), Parameter::Custom(_)));
    refuse_if!(
        both_custom && first.axis == second.axis && same_text(first.name, second.name),
        Flaw::CustomNameTwice { register: second.name }
    );
    Ok(())
}

/// Whether the segment has its slope and a segment before it, and the curve's kind is the same throughout.
const fn segment_is_sound(layout: &Layout, axis: u8, segment: CurveSegment) -> bool {
    if segment.index > 7 || layout.register(Parameter::BackEmfSlope(segment), axis).is_none() {
        return false;
    }
    if let Some(before) = segment.index.checked_sub(1) {
        let before = CurveSegment { state: segment.state, index: before };
        let begins = layout.register(Parameter::BackEmfFrom(segment), axis).is_some();
        if !begins || layout.register(Parameter::BackEmfSlope(before), axis).is_none() {
            return false;
        }
    }
    let mut rest = layout.registers;
    while let [register, tail @ ..] = rest {
        if let Parameter::BackEmfFrom(other) | Parameter::BackEmfSlope(other) = register.parameter
            && other.state.is_some() != segment.state.is_some()
        {
            return false;
        }
        rest = tail;
    }
    true
}
