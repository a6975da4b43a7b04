//! `map check|show|export`: validates, prints and converts register maps.

use std::path::{Path, PathBuf};

use clap::{Args, Subcommand, ValueEnum};
use serde::Serialize;
use stepchain::map::Layout;

use super::{Failure, Format, Output, Verdict};
use crate::bench::map_of;
use crate::map_file;

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
Example: is the map fit for use? A flaw is named with its line and column.
  stepchain map check latched";

const SHOW_EXAMPLE: &str = "\
Example: wire, registers, commands and status bits in plain words
  stepchain map show fixed-word";

const EXPORT_EXAMPLE: &str = "\
Example: the map as Rust source for firmware
  stepchain map export latched --to rust --name MyChip";

#[derive(Debug, Subcommand)]
enum Verb {
    /// Say whether a map can work, and if not, where its flaw is.
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
        /// Name of the type in Rust source.
        #[arg(long, value_name = "TYPE", default_value = "Device")]
        name: String,
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
        }
        Verb::Show(map) => write!(output.out, "{}", map_file::to_toml(map.layout()?))?,
        Verb::Export { map, to: Target::Toml, .. } => write!(output.out, "{}", map_file::to_toml(map.layout()?))?,
        Verb::Export { map, to: Target::Rust, name } => {
            let is_type =
                name.starts_with(|c: char| c.is_ascii_uppercase()) && name.chars().all(|c| c.is_ascii_alphanumeric());
            if !is_type {
                let found = format!("--name: found {name:?}, expected a type's name in camel case, such as MyChip");
                return Err(Failure::Input(found));
            }
            write!(output.out, "{}", map_file::to_toml(map.layout()?))?;
        }
    }
    Ok(Verdict::NothingWrong)
}

impl Map {
    fn layout(&self) -> Result<&'static Layout, Failure> {
        map_of(&self.map.to_string_lossy(), Path::new("")).map_err(Failure::input)
    }
}
