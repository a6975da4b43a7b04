//! Commands that are sequences of register writes: what each write needs, and no sequence within another.

use crate::units::Unit;

use super::super::coding::Sign;
use super::super::flaw::Flaw;
use super::super::form::{CommandForm, Request, Source, Write};
use super::super::layout::Layout;
use super::super::register::{Access, Register};
use super::super::vocabulary::{BufferMode, Verb};
use super::tally::expect;
use super::{ok, refuse_if};

pub(super) const fn check(layout: &Layout, form: &CommandForm, writes: &[Write]) -> Result<(), Flaw> {
    let command = form.verb.name();
    let is_itself_a_word = form.verb.takes_address() || matches!(form.verb, Verb::PeekStatus | Verb::TakeStatus);
    refuse_if!(is_itself_a_word || !form.reply.is_empty(), Flaw::NotByWrites { command });
    let found = if writes.len() < u16::MAX as usize { writes.len() as u16 } else { u16::MAX };
    refuse_if!(found == 0 || found > 8, Flaw::WriteCount { command, found });
    refuse_if!(layout.form(Verb::WriteParameter).is_none(), Flaw::WriteNoForm { command });
    let (mut arguments, mut directions, mut signed) = (0, 0, false);
    let mut rest = writes;
    while let [write, tail @ ..] = rest {
        let mut axis = 0;
        while axis < layout.axes {
            let Some(register) = layout.register(write.parameter, axis) else {
                return Err(Flaw::WriteUnknown { command, parameter: write.parameter });
            };
            ok!(one(layout, form, write, register));
            // A register that the device has once would move its first axis, or all of them.
            refuse_if!(register.axis != axis, Flaw::ArgumentMissing { command, argument: "axis" });
            signed |= matches!(write.source, Source::Argument) && !matches!(register.coding.sign, Sign::Unsigned);
            axis += 1;
        }
        match write.source {
            Source::Argument => arguments += 1,
            Source::Direction { .. } => directions += 1,
            Source::Code(_) => {}
        }
        rest = tail;
    }
    let wants_argument = form.verb.argument().is_some() && (arguments > 0 || !form.verb.argument_is_optional());
    ok!(expect(command, "argument", arguments, wants_argument));
    ok!(expect(command, "direction", directions, form.verb.is_directed() && !signed));
    refuse_if!(
        matches!(form.buffer_mode, BufferMode::Buffered) && !form.verb.is_motion(),
        Flaw::NotBuffered { command }
    );
    if let [before @ .., last] = writes {
        refuse_if!(occurs(last, before), Flaw::SetsGoingEarly { command });
    }
    Ok(())
}

const fn one(layout: &Layout, form: &CommandForm, write: &Write, register: &Register) -> Result<(), Flaw> {
    let command = form.verb.name();
    let register_name = register.name;
    refuse_if!(matches!(register.access, Access::ReadOnly), Flaw::WriteReadOnly { command, register: register_name });
    let fits = match write.source {
        Source::Code(code) => register.value_of(code).is_ok(),
        Source::Direction { positive, negative } => {
            positive != negative && register.value_of(positive).is_ok() && register.value_of(negative).is_ok()
        }
        Source::Argument => true,
    };
    refuse_if!(
        !fits || layout.is_shared(register.address) || register.lsb != 0,
        Flaw::WriteShared { command, register: register_name }
    );
    if matches!(write.source, Source::Argument) {
        let same_unit = match form.verb.argument() {
            Some(Unit::StepsPerSecond) => matches!(register.unit, Unit::StepsPerSecond),
            _ => matches!(register.unit, Unit::Microsteps),
        };
        refuse_if!(!same_unit, Flaw::WriteUnit { command, register: register_name });
        let (min, _) = register.coding.limits(register.unit);
        refuse_if!(matches!(form.verb, Verb::MoveAbsolute(_)) && min >= 0, Flaw::PositionRange { of: register_name });
    }
    Ok(())
}

/// A write that sets one command going must not occur in another, neither at its end nor on the way.
pub(super) const fn distinct(first: &CommandForm, second: &CommandForm) -> Result<(), Flaw> {
    let (Request::Writes([.., last]), Request::Writes(writes)) = (first.request, second.request) else {
        return Ok(());
    };
    refuse_if!(occurs(last, writes), Flaw::OpcodeShadowed { first: first.verb.name(), second: second.verb.name() });
    Ok(())
}

/// Whether one of the writes may be the same as this one.
const fn occurs(wanted: &Write, writes: &[Write]) -> bool {
    let mut rest = writes;
    while let [write, tail @ ..] = rest {
        let alike = match (wanted.source, write.source) {
            (Source::Code(a), Source::Code(b)) => a == b,
            _ => true,
        };
        if alike && wanted.parameter.same(write.parameter) {
            return true;
        }
        rest = tail;
    }
    false
}
