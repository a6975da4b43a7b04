//! Reads the pieces of a word, in the order of the wire.

use stepchain::map::{Coding, Piece};

use super::super::section::{At, Result, Section};
use super::coding;

/// The keys of which a piece that is a table has one.
const KINDS: [&str; 10] =
    ["fixed", "any", "axis", "address", "data", "direction", "velocity", "distance", "position", "status"];

const EXPECTED: &str = "a piece: binary digits in quotes, \"crc\", \"data by register\", or a table with `fixed`, \
    `any`, `axis`, `address`, `data`, `direction`, `velocity`, `distance`, `position` or `status`";

/// A list of pieces.
pub(super) fn list(value: At<'_>) -> Result<&'static [Piece]> {
    let pieces: Vec<Piece> = value.list("pieces")?.into_iter().map(piece).collect::<Result<_>>()?;
    Ok(pieces.leak())
}

fn piece(value: At<'_>) -> Result<Piece> {
    if value.is_text() {
        return match value.text()? {
            "crc" => Ok(Piece::Crc),
            "data by register" => Ok(Piece::DataByRegister),
            text => bits(text).ok_or_else(|| value.instead_of(EXPECTED)),
        };
    }
    let mut section = value.section("a piece")?;
    let entries = section.entries();
    let kind = KINDS.into_iter().find(|kind| entries.iter().any(|(key, _)| key.text == *kind));
    let Some(kind) = kind else {
        return Err(value.instead_of(EXPECTED));
    };
    let piece = of_kind(kind, section.need(kind)?, &mut section)?;
    section.finish()?;
    Ok(piece)
}

/// Binary digits as a datasheet draws them; blanks and underscores group them.
fn bits(text: &str) -> Option<Piece> {
    let digits = text.replace([' ', '_'], "");
    if !digits.bytes().all(|digit| matches!(digit, b'0' | b'1')) {
        return None;
    }
    // An empty text and more than 64 digits are no number of 64 bits.
    let value = u64::from_str_radix(&digits, 2).ok()?;
    Some(Piece::fixed(u8::try_from(digits.len()).ok()?, value))
}

fn of_kind(kind: &str, value: At<'_>, section: &mut Section<'_>) -> Result<Piece> {
    match kind {
        "fixed" => Ok(Piece::fixed(section.need("bits")?.number()?, value.wide_number()?)),
        "any" => Ok(Piece::any(value.number()?)),
        "axis" => Ok(Piece::axis(value.number()?)),
        "address" => Ok(Piece::address(value.number()?)),
        "data" => Ok(Piece::data_part(section.number_or("lsb", 0)?, value.number()?)),
        "status" => Ok(Piece::status(0).part(section.number_or("lsb", 0)?, value.number()?)),
        "direction" => direction(value),
        "velocity" => argument(Piece::velocity, value, section),
        "distance" => argument(Piece::distance, value, section),
        _ => argument(Piece::position, value, section),
    }
}

fn direction(value: At<'_>) -> Result<Piece> {
    let mut section = value.section("the bit's level for the positive direction")?;
    let positive = section.need("positive")?;
    section.finish()?;
    match positive.number::<u8>() {
        Ok(level @ (0 | 1)) => Ok(Piece::direction(level == 1)),
        _ => Err(positive.instead_of("the bit's level for the positive direction, 0 or 1")),
    }
}

/// An argument, whole or (with `lsb` and `bits` beside it) a part of its code.
fn argument(of: fn(Coding) -> Piece, value: At<'_>, section: &mut Section<'_>) -> Result<Piece> {
    let mut inner = value.section("how the argument becomes a code")?;
    let coding = coding::coding(&mut inner)?;
    inner.finish()?;
    let (lsb, bits) = (section.number_or("lsb", 0)?, section.number_or("bits", coding.width)?);
    Ok(of(coding).part(lsb, bits))
}
