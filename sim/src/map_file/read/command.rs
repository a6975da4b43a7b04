//! Reads the forms of commands: words of pieces, or writes of registers.

use stepchain::map::{CommandForm, Parameter, Refusal, Register, Write};

use super::super::section::{At, Named, Result, Section};
use super::super::words;
use super::{coding, piece};

pub(super) fn form(mut section: Section<'_>, registers: &[Register]) -> Result<CommandForm> {
    let verb = section.need("verb")?.word()?;
    let mut form = match (section.optional("request"), section.optional("writes")) {
        (Some(pieces), None) => CommandForm::word(verb, piece::list(pieces)?),
        (None, Some(list)) => {
            let list = list.list("register writes")?;
            let writes: Vec<Write> = list.into_iter().map(|value| write(value, registers)).collect::<Result<_>>()?;
            CommandForm::writes(verb, writes.leak())
        }
        (Some(_), Some(writes)) => return Err(writes.instead_of("either `request` or `writes`, not both")),
        (None, None) => return Err(section.lacks("`request` (pieces) or `writes` (register writes)")),
    };
    if let Some(value) = section.optional("buffered")
        && value.boolean()?
    {
        form = form.buffered();
    }
    if let Some(value) = section.optional("reply") {
        form.reply = piece::list(value)?;
    }
    if let Some(value) = section.optional("refused") {
        form.refusal = refusal(value)?;
    }
    section.finish()?;
    Ok(form)
}

fn refusal(value: At<'_>) -> Result<Refusal> {
    let mut refusal = Refusal::NEVER;
    for state in value.list("states")? {
        refusal = match state.text()? {
            "while moving" => refusal.while_moving(),
            "while bridge off" => refusal.while_bridge_off(),
            "while faulted" => refusal.while_faulted(),
            _ => return Err(state.instead_of("`while moving`, `while bridge off` or `while faulted`")),
        };
    }
    Ok(refusal)
}

/// `{ "target position" = "argument" }`, `{ "motion kind" = 2 }`, `{ "turn" = { positive = 1, negative = 2 } }`.
fn write(value: At<'_>, registers: &[Register]) -> Result<Write> {
    const EXPECTED: &str = "one parameter and what it becomes, such as { \"target position\" = \"argument\" }";
    let section = value.section(EXPECTED)?;
    let [(key, source)] = section.entries()[..] else {
        return Err(value.instead_of(EXPECTED));
    };
    let parameter = target(key, registers)?;
    if source.is_number() {
        return Ok(Write::code(parameter, source.number()?));
    }
    if source.is_text() {
        return match source.text()? {
            "argument" => Ok(Write::argument(parameter)),
            _ => Err(source.instead_of("`argument`, a code, or { positive = …, negative = … }")),
        };
    }
    let mut codes = source.section("a code for each direction")?;
    let (positive, negative) = (codes.need("positive")?.number()?, codes.need("negative")?.number()?);
    codes.finish()?;
    Ok(Write::direction(parameter, positive, negative))
}

/// A parameter by its own name, or by the name of the register that carries it.
fn target(key: Named<'_>, registers: &[Register]) -> Result<Parameter> {
    let by_register = || registers.iter().find(|register| register.name == key.text).map(|found| found.parameter);
    words::parameter(key.text).or_else(by_register).ok_or_else(|| {
        let known = registers.iter().map(|register| register.name).chain(coding::parameter_names());
        let expected = format!("the name of a register of this file, or {}", coding::parameters());
        key.instead_of(expected).or_near(key.text, known)
    })
}
