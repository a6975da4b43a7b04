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
    // Only now: two registers on one address are more likely a slip than meant to share it.
    let mut rest = layout.registers;
    while let [register, tail @ ..] = rest {
        let must_be_read_first = layout.is_shared(register.address) && !matches!(register.access, Access::ReadOnly);
        refuse_if!(
            must_be_read_first && layout.form(Verb::ReadParameter).is_none(),
            Flaw::NoReadForm { register: register.name }
        );
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
    if matches!(register.parameter, Parameter::PositionDemandValue) && matches!(register.unit, Unit::Microsteps) {
        let (min, max) = layout.position.range();
        let (least, greatest) = register.coding.limits(register.unit);
        refuse_if!(least > min || greatest < max, Flaw::PositionRange { of: name });
    }
    if matches!(register.parameter, Parameter::MicrostepResolution) {
        ok!(resolutions(layout, register));
    }
    Ok(())
}

/// The register has a code for every resolution that the counter knows, and powers up with one of them.
const fn resolutions(layout: &Layout, register: &Register) -> Result<(), Flaw> {
    let unit = Unit::MicrostepsPerStep;
    if register.unit as u8 != unit as u8 {
        return Ok(());
    }
    let at_reset = match register.coding.value_of(register.reset, unit) {
        Ok(bits) => bits,
        Err(_) => return Err(Flaw::Reset { register: register.name }),
    };
    let mut resets_to_one = false;
    let mut rest = layout.position.resolutions;
    while let [resolution, tail @ ..] = rest {
        let bits = *resolution as i64;
        let read_back = match register.coding.code_of(bits, unit) {
            Ok(code) => register.coding.value_of(code, unit),
            Err(error) => Err(error),
        };
        let has_code = matches!(read_back, Ok(found) if found == bits);
        refuse_if!(!has_code, Flaw::ResolutionCode { register: register.name, resolution: *resolution });
        resets_to_one |= bits == at_reset;
        rest = tail;
    }
    refuse_if!(!resets_to_one, Flaw::ResolutionCode { register: register.name, resolution: at_reset as u16 });
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
    // Names are how map files and messages tell parameters apart; a standard name is given by the parameter.
    let any_custom =
        matches!(first.parameter, Parameter::Custom(_)) || matches!(second.parameter, Parameter::Custom(_));
    refuse_if!(
        any_custom && !first.parameter.same(second.parameter) && same_text(first.name, second.name),
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
