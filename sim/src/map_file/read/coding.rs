//! Reads what codes mean, and the registers that hold them.

use stepchain::map::{Access, Coding, Encoding, Parameter, Register, Sign, TableEntry};

use super::super::section::{At, Result, Section, Whole};
use super::super::words;
use super::leaked;

/// The keys of which a coding may have one; without any, the code is the value.
pub(in super::super) const ENCODINGS: [&str; 7] = [
    "linear",
    "reciprocal",
    "reciprocal_or_zero",
    "power_of_two",
    "falling_power_of_two",
    "table",
    "mantissa_exponent",
];

pub(super) fn register(mut section: Section<'_>) -> Result<Register> {
    let parameter = parameter(section.need("parameter")?)?;
    let name = section.optional("name");
    let axis = section.number_or("axis", 0)?;
    let address = section.need("address")?.number()?;
    let lsb = section.number_or("lsb", 0)?;
    let coding = coding(&mut section)?;
    let mut register = Register::new(parameter, address, coding.width).axis(axis).at_bit(lsb);
    register.coding = coding;
    if let Some(name) = name {
        register.name = leaked(name.text()?);
    }
    if let Some(value) = section.optional("unit") {
        let unit = words::unit(value.text()?);
        register.unit = unit.ok_or_else(|| {
            let known = stepchain::units::Unit::ALL.iter().map(|unit| words::Word::word(*unit));
            value.instead_of(words::list::<stepchain::units::Unit>()).or_near(value.text().unwrap_or_default(), known)
        })?;
    }
    register.access = section.word_or("access", Access::Always)?;
    register.reset = section.number_or("reset", 0)?;
    section.finish()?;
    Ok(register)
}

fn parameter(value: At<'_>) -> Result<Parameter> {
    let text = value.text()?;
    words::parameter(text).ok_or_else(|| value.instead_of(parameters()).or_near(text, parameter_names()))
}

/// The names that a misspelt one is compared with.
pub(super) fn parameter_names() -> impl Iterator<Item = &'static str> {
    Parameter::PLAIN.iter().map(|parameter| parameter.name())
}

/// What a parameter may be, for an error.
pub(super) fn parameters() -> String {
    let plain = Parameter::PLAIN.iter().map(|parameter| format!("`{parameter}`"));
    let indexed = ["`back-EMF from velocity 1`", "`back-EMF slope 0 (accelerating)`", "`custom 0`"];
    words::one_of(plain.chain(indexed.map(str::to_owned)))
}

/// The keys of a coding among those of its section.
pub(super) fn coding(section: &mut Section<'_>) -> Result<Coding> {
    let mut coding = Coding::new(section.need("bits")?.number()?, Encoding::Raw);
    coding.sign = section.word_or("sign", Sign::Unsigned)?;
    coding.max_code = section.number_or("max_code", coding.max_code)?;
    let mut chosen = None;
    for key in ENCODINGS {
        if let Some(value) = section.optional(key) {
            if chosen.is_some() {
                return Err(value.instead_of("only one meaning of a code"));
            }
            chosen = Some(encoding(key, value)?);
        }
    }
    coding.encoding = chosen.unwrap_or(Encoding::Raw);
    Ok(coding)
}

fn encoding(key: &str, value: At<'_>) -> Result<Encoding> {
    if key == "table" {
        let entries = value.list("[code, numerator, denominator]")?;
        let entries: Vec<TableEntry> = entries.into_iter().map(table_entry).collect::<Result<_>>()?;
        return Ok(Encoding::Table(entries.leak()));
    }
    if key == "mantissa_exponent" {
        let mut section = value.section("bits of the mantissa, scale")?;
        let mantissa_bits = section.need("mantissa_bits")?.number()?;
        let (numerator, denominator) = section.optional("scale").map_or(Ok((1, 1)), ratio)?;
        section.finish()?;
        return Ok(Encoding::MantissaExponent { numerator, denominator, mantissa_bits });
    }
    if key == "linear" {
        return linear(value);
    }
    let (numerator, denominator) = ratio(value)?;
    Ok(match key {
        "reciprocal" => Encoding::Reciprocal { numerator, denominator, zero: false },
        "reciprocal_or_zero" => Encoding::Reciprocal { numerator, denominator, zero: true },
        "power_of_two" => Encoding::PowerOfTwo { numerator, denominator, falling: false },
        _ => Encoding::PowerOfTwo { numerator, denominator, falling: true },
    })
}

/// A number, or numerator and denominator.
fn ratio(value: At<'_>) -> Result<(u32, u32)> {
    if value.is_number() {
        return Ok((value.number()?, 1));
    }
    match value.list("numerator, denominator")?.as_slice() {
        [numerator, denominator] => Ok((number(numerator)?, number(denominator)?)),
        _ => Err(value.instead_of("a number, or [numerator, denominator]")),
    }
}

/// As a ratio, with an offset that is added to the numerator's product as the third number.
fn linear(value: At<'_>) -> Result<Encoding> {
    if !value.is_number()
        && let [numerator, denominator, offset] = value.list("numerator, denominator, offset")?.as_slice()
    {
        return Ok(Encoding::linear_from(number(numerator)?, number(denominator)?, number(offset)?));
    }
    let (numerator, denominator) = ratio(value)?;
    Ok(Encoding::linear(numerator, denominator))
}

fn table_entry(value: At<'_>) -> Result<TableEntry> {
    match value.list("code, numerator, denominator")?.as_slice() {
        [code, whole] => Ok(TableEntry::new(number(code)?, number(whole)?)),
        [code, numerator, denominator] => {
            Ok(TableEntry::ratio(number(code)?, number(numerator)?, number(denominator)?))
        }
        _ => Err(value.instead_of("[code, value] or [code, numerator, denominator]")),
    }
}

fn number<T: Whole>(value: &At<'_>) -> Result<T> {
    value.number()
}
