//! `map check|show|export`: validates, prints and converts register maps.

use std::path::{Path, PathBuf};

use clap::{Args, Subcommand, ValueEnum};
use serde::Serialize;
use stepchain::map::{Layout, Register};

use super::{Failure, Format, Output, Verdict};
use crate::bench::map_of;
use crate::{conformance, map_file};

/// Check, print or convert a register map.
#[derive(Debug, Args)]
#[command(after_help = EXAMPLE)]
pub(super) struct Arguments {
    #[command(subcommand)]
    verb: Verb,
}

const EXAMPLE: &str = "\
Example: a map to start from, as a file
  stepchain map export latched --to toml > my-chip.toml";

const CHECK_EXAMPLE: &str = "\
Example: is the map fit for use? A flaw is named with its line and column. Then the driver
speaks to a virtual chain in all the map's words, and every law that is broken is told;
exit 1 if one is.
  stepchain map check latched";

const SHOW_EXAMPLE: &str = "\
Example: wire, registers, commands and status bits in plain words
  stepchain map show fixed-word";

const EXPORT_EXAMPLE: &str = "\
Example: the map as Rust source for firmware
  stepchain map export latched --to rust --name MyChip";

#[derive(Debug, Subcommand)]
enum Verb {
    /// Say whether a map can work, and if not, where its flaw is; then try every law on a virtual chain.
    #[command(after_help = CHECK_EXAMPLE)]
    Check(Map),
    /// Print a map in plain words.
    #[command(after_help = SHOW_EXAMPLE)]
    Show(Map),
    /// Write a map as TOML or as Rust source to stdout.
    #[command(after_help = EXPORT_EXAMPLE)]
    Export {
        #[command(flatten)]
        map: Map,
        /// What to write.
        #[arg(long, value_enum, default_value_t = Target::Toml)]
        to: Target,
        /// Name of the type in Rust source; made from the map's name if not given.
        #[arg(long, value_name = "TYPE")]
        name: Option<String>,
    },
}

#[derive(Debug, Args)]
struct Map {
    /// latched, fixed-word, or the path of a map file.
    #[arg(value_name = "MAP")]
    map: PathBuf,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum Target {
    /// A map file.
    Toml,
    /// A type that is a `RegisterMap`.
    Rust,
}

/// What is told of a map that can work.
#[derive(Debug, Serialize)]
struct Facts {
    map: &'static str,
    axes: u8,
    unit_bits: u8,
    registers: usize,
    commands: usize,
    status_flags: usize,
}

/// What came of one law.
#[derive(Debug, Serialize)]
struct Tried<'a> {
    law: &'static str,
    cases: usize,
    broken: usize,
    failures: &'a [String],
    not_tried: &'a [String],
}

/// What is told of one register.
#[derive(Debug, Serialize)]
struct Field {
    register: &'static str,
    parameter: String,
    axis: u8,
    address: u16,
    lsb: u8,
    bits: u8,
    unit: &'static str,
    reset: u32,
}

impl Field {
    fn of(register: &Register) -> Self {
        Self {
            register: register.name,
            parameter: register.parameter.to_string(),
            axis: register.axis,
            address: register.address,
            lsb: register.lsb,
            bits: register.coding.width,
            unit: register.unit.symbol(),
            reset: register.reset,
        }
    }
}

/// A map as source.
#[derive(Debug, Serialize)]
struct Source {
    map: &'static str,
    source: String,
}

pub(super) fn map(arguments: &Arguments, output: &mut Output<'_>) -> Result<Verdict, Failure> {
    match &arguments.verb {
        Verb::Check(map) => {
            let layout = map.layout()?;
            let facts = Facts {
                map: layout.name,
                axes: layout.axes,
                unit_bits: layout.wire.unit_bits,
                registers: layout.registers.len(),
                commands: layout.commands.len(),
                status_flags: layout.status.flags.len(),
            };
            match output.format {
                Format::Json => output.object(&facts)?,
                Format::Text => writeln!(
                    output.out,
                    "`{}` can work: {} registers, {} commands, {} status flags, units of {} bits.",
                    facts.map, facts.registers, facts.commands, facts.status_flags, facts.unit_bits
                )?,
            }
            return try_laws(layout, output);
        }
        Verb::Show(map) => {
            let layout = map.layout()?;
            match output.format {
                Format::Json => layout.registers.iter().try_for_each(|register| output.object(&Field::of(register)))?,
                Format::Text => write!(output.out, "{}", map_file::show(layout))?,
            }
        }
        Verb::Export { map, to, name } => {
            let layout = map.layout()?;
            let source = match to {
                Target::Toml => map_file::to_toml(layout),
                Target::Rust => map_file::to_rust(layout, &type_name(layout, name.as_deref())?),
            };
            match output.format {
                Format::Json => output.object(&Source { map: layout.name, source })?,
                Format::Text => write!(output.out, "{source}")?,
            }
        }
    }
    Ok(Verdict::NothingWrong)
}

/// Tries every law on the map and tells what came of it.
fn try_laws(layout: &'static Layout, output: &mut Output<'_>) -> Result<Verdict, Failure> {
    let report = conformance::check(layout);
    match output.format {
        Format::Json => report.laws.iter().try_for_each(|law| {
            let (failures, not_tried) = (law.failures.as_slice(), law.not_tried.as_slice());
            output.object(&Tried { law: law.name, cases: law.tried, broken: law.broken, failures, not_tried })
        })?,
        Format::Text => write!(output.out, "\n{report}\n{LIMITS}\n")?,
    }
    Ok(if report.is_kept() { Verdict::NothingWrong } else { Verdict::Found })
}

/// What no check can tell.
const LIMITS: &str = "\
The map agrees with itself as far as the table says. Whether it is the map of your chip, only the chip can tell:
an opcode, an address or a scale that is plausible but not the chip's is not found here.";

/// The name asked for, if it can be one, or one made from the map's.
fn type_name(layout: &Layout, asked: Option<&str>) -> Result<String, Failure> {
    let Some(name) = asked else {
        return Ok(map_file::type_name(layout.name));
    };
    let is_type = name.starts_with(|c: char| c.is_ascii_uppercase()) && name.chars().all(|c| c.is_ascii_alphanumeric());
    if is_type {
        return Ok(name.to_owned());
    }
    Err(Failure::Input(format!("--name: found {name:?}, expected a type's name in camel case, such as MyChip")))
}

impl Map {
    fn layout(&self) -> Result<&'static Layout, Failure> {
        map_of(&self.map.to_string_lossy(), Path::new("")).map_err(Failure::input)
    }
}
