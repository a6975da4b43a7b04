//! The register map outside of Rust: a TOML file for a whole [`Layout`], and a layout as TOML, Rust and plain words.
//!
//! ```text
//!   map file --[read]--> Layout --[write]--> map file      parse(to_toml(layout)) is the layout again
//!                          |---[rust]--> Rust source       of a `RegisterMap`, checked when it compiles
//!                          `---[show]--> plain words       for a person at the bench
//! ```
//!
//! Knows text and layouts; knows nothing of frames, and of a layout's meaning only what
//! [`validate`](Layout::validate) says.
//!
//! # The format
//!
//! What is left out has the value that the driver's constructors give; but with a motion command, `[position]` must be
//! told, since nobody could see that positions are full steps. Unknown keys are errors.
//!
//! ```
//! # let text = r#"
//! name = "invented"
//! axes = 1                            # motors on one device; default 1
//! drive = "voltage"                   # or "current"
//!
//! [wire]
//! framing = "latched-units"           # or "fixed-word"
//! unit_bits = 16
//! filler = [{ fixed = 0x7E7E, bits = 16 }]
//! mode = 3
//! bit_order = "msb-first"             # or "lsb-first"
//! reply = "same-slots"                # or "next-frame"
//! spare_clocks = "tolerated"          # or "refused"
//! shared_write = "read-modify-write"  # or "shadow"
//! idle_reply = [{ status = 16 }]
//! crc = { polynomial = 0x2F, initial = 0xFF, reflected = false, xor_out = 0xFF }
//! max_clock_hz = 5_000_000
//! min_deselect_ns = 800
//!
//! [[register]]
//! parameter = "profile velocity"      # or "back-EMF slope 1", "back-EMF slope 1 (accelerating)", "custom 0"
//! name = "speed"                      # default: the parameter's
//! axis = 0
//! address = 0x10
//! lsb = 0                             # several registers may share an address
//! bits = 24
//! sign = "unsigned"                   # or "twos-complement", "sign-magnitude"
//! linear = [1, 50]                    # one code is 1/50 steps/s
//! max_code = 0xFF_FFF0
//! unit = "steps/s"                    # default: the parameter's
//! access = "always"                   # or "read-only", "at-standstill", "bridge-off"
//! reset = 25_000
//!
//! [[register]]
//! parameter = "custom 0"
//! name = "motion kind"
//! address = 0x12
//! bits = 4
//!
//! [[command]]
//! verb = "write parameter"
//! request = ["1000 1000", { address = 8 }, "data by register"]
//!
//! [[command]]
//! verb = "move velocity"
//! request = ["10110", { direction = { positive = 1 } }, { any = 2 }, { velocity = { bits = 24, linear = [1, 50] } }]
//! reply = [{ status = 8, lsb = 8 }, "crc"]
//! buffered = false                    # true: it waits for the one that is being carried out
//! refused = ["while moving", "while bridge off", "while faulted"]
//!
//! [[command]]
//! verb = "home on current position"
//! writes = [{ "motion kind" = 9 }]
//!
//! [status]
//! bits = 16
//! flags = [
//!     { bit = 0, flag = "busy", active = "low" },
//!     { bit = 15, flag = "reset occurred", latched_until = "take-status" },
//! ]
//! motion_states = [
//!     { lsb = 2, bits = 2, standstill = 0, accelerating = 1, constant_velocity = 3, decelerating = 2 },
//! ]
//!
//! [position]
//! bits = 24
//! wrap_around = "wraps"               # or "refuses"
//! resolutions = [64, 32, 16, 8, 4, 2, 1]
//! # "#;
//! # assert_eq!(stepchain_sim::map_file::parse(text, "doc").unwrap().name, "invented");
//! ```
//!
//! **Pieces** stand in the order of the wire: `"1011 0"` (fixed bits, blanks only group), `{ fixed = 0x51, bits = 8 }`,
//! `{ any = 3 }`, `{ axis = 2 }`, `{ address = 8 }`, `{ data = 16 }`, `"data by register"`,
//! `{ direction = { positive = 1 } }`, `{ velocity = { …coding… } }`, likewise `distance` and `position`,
//! `{ status = 16 }`, `"crc"`. Parts: `{ data = 8, lsb = 24 }`, `{ status = 8, lsb = 8 }`,
//! `{ velocity = { bits = 24 }, lsb = 8, bits = 16 }`. Fixed values above 2⁶³ − 1, for which TOML has no number, are
//! written in quotes: `fixed = "0xFFFF_FFFF_FFFF_FFFF"`.
//!
//! **Codings** (`bits`, `sign`, `max_code` and at most one of the following; without any, the value is the code):
//! `linear = [numerator, denominator, offset]`, `reciprocal`, `reciprocal_or_zero`, `power_of_two` and
//! `falling_power_of_two` `= [numerator, denominator]`, `table = [[code, numerator, denominator], …]`,
//! `mantissa_exponent = { mantissa_bits = 10, scale = [1, 4] }`. A denominator of one (and an offset of zero) may be
//! left out. What they mean is told at [`Encoding`](stepchain::map::Encoding).
//!
//! **Writes** name a parameter, or the register that carries it, and what it becomes: `{ "motion kind" = 9 }`,
//! `{ "target position" = "argument" }`, `{ "turn" = { positive = 1, negative = 2 } }`.
//!
//! **Units** are `microsteps`, `steps/s`, `steps/s²` (or `steps/s^2`), `of supply`, `of supply per step/s`, `A`, `V`,
//! `°C` (or `degC`), `factor`, `microsteps/step`, `code`.

mod culprit;
mod error;
mod expression;
mod read;
mod rust;
mod section;
mod show;
mod words;
mod write;

use std::fs;

use toml::de::DeTable;

use stepchain::map::Layout;

use section::{Section, Source};

use crate::spelling::no_toml;

pub use error::{MapFileError, Place};
pub use rust::{to_rust, type_name};
pub use show::show;
pub use write::to_toml;

/// Reads a map file from disk.
///
/// The layout is leaked, some kilobytes with each call that succeeds: load a map once and pass it on.
///
/// # Errors
/// As [`parse`], and [`MapFileError::Read`] if the file cannot be read.
pub fn load(path: impl AsRef<std::path::Path>) -> Result<&'static Layout, MapFileError> {
    let file = path.as_ref().display().to_string();
    let bytes = fs::read(path).map_err(|source| MapFileError::Read { file: file.clone(), source })?;
    match str::from_utf8(&bytes) {
        Ok(text) => parse(text, &file),
        Err(error) => {
            let (good, bad) = bytes.split_at(error.valid_up_to());
            let text = String::from_utf8_lossy(good);
            let source = Source { name: &file, text: &text };
            let found = bad.first().map_or_else(String::new, |byte| format!("the byte 0x{byte:02X}"));
            Err(source.unexpected(good.len(), found, "text in UTF-8"))
        }
    }
}

/// Reads a map from the text of a map file; `file_name` is for messages.
///
/// The layout is leaked, as with [`load`].
///
/// # Errors
/// [`Syntax`](MapFileError::Syntax) if the text is not TOML, [`Unexpected`](MapFileError::Unexpected) where it says
/// what a map does not, [`Flawed`](MapFileError::Flawed) if the layout cannot work.
pub fn parse(text: &str, file_name: &str) -> Result<&'static Layout, MapFileError> {
    let source = Source { name: file_name, text };
    let table = DeTable::parse(text).map_err(|error| {
        let (span, message) = no_toml(text, &error);
        MapFileError::Syntax { place: source.place(span.start), message }
    })?;
    let holds = |key: &str| table.get_ref().contains_key(key);
    if holds("chain") && !holds("wire") {
        let error = source.unexpected(0, "a bench file".to_owned(), "a map file, with `name` and `[wire]`");
        return Err(error.hint("`stepchain run` runs benches".to_owned()));
    }
    let (layout, places) = read::layout(Section::root(source, table.get_ref()))?;
    match layout.validate() {
        Ok(()) => Ok(Box::leak(Box::new(layout))),
        Err(flaw) => {
            let place = source.place(culprit::offset(&layout, flaw, &places));
            Err(MapFileError::Flawed { place, flaw })
        }
    }
}

#[cfg(test)]
mod tests;
