//! Registers: places, codings, reset codes, and the back-EMF curve as a whole.

use crate::units::Unit;

use super::super::coding::Coding;
use super::super::flaw::Flaw;
use super::super::layout::{Drive, Layout, same_text};
use super::super::parameter::{CurveSegment, Parameter};
use super::super::register::{Access, Register};
use super::super::vocabulary::Verb;
use super::super::wire::SharedWrite;
use super::{ok, refuse_if};

pub(super) const fn check(layout: &Layout) -> Result<(), Flaw> {
    let mut rest = layout.registers;
    while let [register, tail @ ..] = rest {
        ok!(one(layout, register));
        ok!(distinct(register, tail));
        rest = tail;
    }
    ok!(curves_are_alike(layout));
    // Only now: two registers on one address are more likely a slip than meant to share it.
    let by_shadow = matches!(layout.wire.shared_write, SharedWrite::Shadow);
    if by_shadow || layout.form(Verb::ReadParameter).is_some() {
        return Ok(());
    }
    let mut rest = layout.registers;
    while let [register, tail @ ..] = rest {
        let must_be_read_first = !matches!(register.access, Access::ReadOnly) && layout.is_shared(register.address);
        refuse_if!(must_be_read_first, Flaw::NoReadForm { register: register.name });
        rest = tail;
    }
    Ok(())
}

const fn one(layout: &Layout, register: &Register) -> Result<(), Flaw> {
    let name = register.name;
    let width = register.coding.width;
    let lsb = register.lsb;
    refuse_if!(width == 0 || lsb as u16 + width as u16 > 32, Flaw::RegisterWidth { register: name, lsb, width });
    refuse_if!(register.axis >= layout.axes, Flaw::RegisterAxis { register: name });
    if let Err(why) = register.coding.check() {
        return Err(Flaw::Coding { of: name, why });
    }
    let code = register.reset;
    refuse_if!(code & !register.coding.mask() != 0, Flaw::ResetWidth { register: name, code, width });
    refuse_if!(register.value_of(code).is_err(), Flaw::ResetMeaningless { register: name, code });
    if register.parameter.is_amplitude() {
        let expected = match layout.drive {
            Drive::Voltage => Unit::ShareOfSupply,
            Drive::Current => Unit::Amperes,
        };
        let found = register.unit;
        refuse_if!(found as u8 != expected as u8, Flaw::AmplitudeUnit { register: name, found, expected });
    }
    if let Parameter::BackEmfFrom(segment) | Parameter::BackEmfSlope(segment) = register.parameter {
        refuse_if!(!segment_is_sound(layout, register, segment), Flaw::Curve { register: name });
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

/// The register has a code for every resolution that the counter lists, and for no other.
const fn resolutions(layout: &Layout, register: &Register) -> Result<(), Flaw> {
    let (name, unit, coding) = (register.name, Unit::MicrostepsPerStep, &register.coding);
    if register.unit as u8 != unit as u8 {
        return Ok(());
    }
    let mut rest = layout.position.resolutions;
    while let [resolution, tail @ ..] = rest {
        let has_code = code_of_exactly(coding, *resolution).is_some();
        refuse_if!(!has_code, Flaw::ResolutionCode { register: name, resolution: *resolution });
        rest = tail;
    }
    let code = register.reset;
    let at_reset = match coding.value_of(code, unit) {
        Ok(bits) => bits as u16,
        Err(_) => return Err(Flaw::ResetMeaningless { register: name, code }),
    };
    refuse_if!(!lists(layout, at_reset), Flaw::ResolutionUnlisted { register: name, code, resolution: at_reset });
    // Only powers of two can be a resolution, so these are all that a code can mean.
    let mut next = Some(1u16);
    while let Some(resolution) = next {
        if let Some(code) = code_of_exactly(coding, resolution)
            && !lists(layout, resolution)
        {
            return Err(Flaw::ResolutionUnlisted { register: name, code, resolution });
        }
        next = resolution.checked_mul(2);
    }
    Ok(())
}

/// The code that means this resolution and not only one near it.
const fn code_of_exactly(coding: &Coding, resolution: u16) -> Option<u32> {
    let (bits, unit) = (resolution as i64, Unit::MicrostepsPerStep);
    let Ok(code) = coding.code_of(bits, unit) else {
        return None;
    };
    match coding.value_of(code, unit) {
        Ok(found) if found == bits => Some(code),
        _ => None,
    }
}

const fn lists(layout: &Layout, resolution: u16) -> bool {
    let mut rest = layout.position.resolutions;
    while let [listed, tail @ ..] = rest {
        if *listed == resolution {
            return true;
        }
        rest = tail;
    }
    false
}

/// A register and all those that come after it: each has its own bits, parameter and name.
const fn distinct(first: &Register, others: &[Register]) -> Result<(), Flaw> {
    // What is the same for all of them is found once: with many registers these pairs are most of the check.
    let (id, mask, is_custom) = (first.parameter.id(), first.mask(), matches!(first.parameter, Parameter::Custom(_)));
    let mut rest = others;
    while let [second, tail @ ..] = rest {
        refuse_if!(
            first.address == second.address && mask & second.mask() != 0,
            Flaw::RegistersOverlap { first: first.name, second: second.name }
        );
        let same_parameter = second.parameter.id() == id;
        refuse_if!(same_parameter && first.axis == second.axis, Flaw::ParameterTwice { register: second.name });
        // Names are how map files and messages tell parameters apart; a standard name is given by the parameter.
        let may_clash = !same_parameter && (is_custom || matches!(second.parameter, Parameter::Custom(_)));
        refuse_if!(may_clash && same_text(first.name, second.name), Flaw::CustomNameTwice { register: second.name });
        rest = tail;
    }
    Ok(())
}

/// There is one back-EMF curve, or one for each motion state, but not both.
const fn curves_are_alike(layout: &Layout) -> Result<(), Flaw> {
    let mut of_state = None;
    let mut rest = layout.registers;
    while let [register, tail @ ..] = rest {
        if let Parameter::BackEmfFrom(segment) | Parameter::BackEmfSlope(segment) = register.parameter {
            match of_state {
                Some(before) => {
                    refuse_if!(segment.state.is_some() != before, Flaw::Curve { register: register.name });
                }
                None => of_state = Some(segment.state.is_some()),
            }
        }
        rest = tail;
    }
    Ok(())
}

/// Whether the segment has its slope and a segment before it.
const fn segment_is_sound(layout: &Layout, register: &Register, segment: CurveSegment) -> bool {
    let axis = register.axis;
    let is_slope = matches!(register.parameter, Parameter::BackEmfSlope(_));
    if segment.index > 7 || !is_slope && layout.register(Parameter::BackEmfSlope(segment), axis).is_none() {
        return false;
    }
    let Some(before) = segment.index.checked_sub(1) else {
        return true;
    };
    let before = CurveSegment { state: segment.state, index: before };
    let begins = !is_slope || layout.register(Parameter::BackEmfFrom(segment), axis).is_some();
    begins && layout.register(Parameter::BackEmfSlope(before), axis).is_some()
}
