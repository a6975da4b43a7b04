//! From the text of a bench file to a [`Bench`], or to what is wrong with it and where.

use core::fmt;
use std::path::Path;

use stepchain::map::{Layout, RegisterMap};
use stepchain::reference::{FixedWord, Latched};
use toml::de::DeTable;

use super::problem::{Problem, Source};
use super::tree::{Node, Table};
use super::{Axis, Bench, CHAIN, HEAD, Machine, TABLES, faults, machine, motor, orders, settings, timeline};
use crate::map_file::{self, MapFileError};
use crate::spelling::{nearest, no_toml};

/// The maps that need no file.
const BUILT_IN_MAPS: [&str; 2] = ["latched", "fixed-word"];

/// Why a bench cannot be used.
#[derive(Debug)]
#[non_exhaustive]
pub enum BenchError {
    /// The bench file itself.
    Bench(Problem),
    /// The map file that it names.
    Map(MapFileError),
}

impl fmt::Display for BenchError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Bench(problem) => problem.fmt(f),
            Self::Map(error) => error.fmt(f),
        }
    }
}

impl core::error::Error for BenchError {}

impl From<Problem> for BenchError {
    fn from(problem: Problem) -> Self {
        Self::Bench(problem)
    }
}

/// The map that a name stands for: one of the reference maps, or the map file at a path seen from `base`.
///
/// # Errors
/// [`MapFileError`] if the file cannot be read or is no map.
pub fn map_of(name: &str, base: &Path) -> Result<&'static Layout, MapFileError> {
    match name {
        "latched" => Ok(&Latched::LAYOUT),
        "fixed-word" => Ok(&FixedWord::LAYOUT),
        path => {
            let file = base.join(path);
            if file.exists() {
                return map_file::load(file);
            }
            Err(MapFileError::Missing { file: file.display().to_string(), near: nearest(name, BUILT_IN_MAPS) })
        }
    }
}

/// Reads a bench file from disk.
///
/// # Errors
/// [`BenchError`] if it or its map cannot be read or used.
pub fn load(path: &Path) -> Result<Bench, BenchError> {
    load_with(path, parse)
}

/// Reads a bench file from disk of which only the machine matters: it may have no steps.
///
/// # Errors
/// As [`load`].
pub fn load_machine(path: &Path) -> Result<Bench, BenchError> {
    load_with(path, parse_machine)
}

fn load_with(path: &Path, parse: fn(&Source<'_>) -> Result<Bench, BenchError>) -> Result<Bench, BenchError> {
    let file = path.display().to_string();
    let bytes = std::fs::read(path)
        .map_err(|error| Problem::of_file(&file, format!("nothing that can be read ({error})"), "a bench file"))?;
    let text = String::from_utf8(bytes).map_err(|error| {
        let offset = error.utf8_error().valid_up_to();
        Problem::of_file(&file, format!("a byte that is no text, at byte {offset}"), "text in UTF-8")
    })?;
    parse(&Source { file: &file, text: &text })
}

/// Reads a bench from the text of a bench file; a map file is looked for beside the bench file.
///
/// # Errors
/// [`BenchError`] if it or its map cannot be used.
pub fn parse(source: &Source<'_>) -> Result<Bench, BenchError> {
    read(source, true)
}

/// Reads a bench of which only the machine matters from the text of a bench file: it may have no steps.
///
/// # Errors
/// As [`parse`].
pub fn parse_machine(source: &Source<'_>) -> Result<Bench, BenchError> {
    read(source, false)
}

fn read(source: &Source<'_>, needs_steps: bool) -> Result<Bench, BenchError> {
    let document = DeTable::parse(source.text).map_err(|error| {
        let (span, found) = no_toml(source.text, &error);
        Problem { expected: None, ..source.problem(&span, found, "") }
    })?;
    let bench = Table::new(source, 0..0, document.get_ref());
    if bench.get("wire").is_some() && bench.get("chain").is_none() {
        let problem = source.problem(&bench.span, "a map file", "a bench file, with `[chain]` and `[[step]]`");
        return Err(problem.hint("`stepchain map check` reads maps").into());
    }
    bench.only(&[HEAD, TABLES].concat())?;
    let text = |key| bench.get(key).map_or(Ok(""), |node| node.text("a text in quotes")).map(str::to_owned);
    let until_ns = bench.get("until_s").map(|node| timeline::nanoseconds(&node)).transpose()?;

    let chain = bench.need("chain", "a table with `map` and `axes`")?.table("a table with `map` and `axes`")?;
    chain.only(CHAIN)?;
    let layout = map(source, chain.need("map", "\"latched\", \"fixed-word\" or the path of a map file")?)?;
    let mut axes = axes(layout, &chain)?;
    let devices = axes.len() / usize::from(layout.axes);
    let spi_clock_hz = match chain.get("spi_clock_hz") {
        Some(node) => clock(layout, &node)?,
        None => layout.wire.max_clock_hz,
    };

    let tables = bench.get("settings").map(|node| node.table("a table of settings")).transpose()?;
    let settings = settings::read(source, layout, &mut axes, tables.as_ref())?;
    if let Some(node) = bench.get("machine") {
        machine::read(&node.table("a table for each axis, such as `[machine.lift]`")?, &mut axes)?;
    }
    if let Some(node) = bench.get("motor") {
        motor::read(source, &node.table("a table for each axis, such as `[motor.lift]`")?, &mut axes)?;
    }
    let steps = if needs_steps || bench.get("step").is_some() {
        timeline::read(source, layout, &axes, &bench, until_ns)?
    } else {
        Vec::new()
    };
    let faults = faults::read(source, &axes, &bench)?;
    if let Some(node) = bench.get("expect") {
        let expected = node.table("a table of positions")?;
        let names: Vec<_> = axes.iter().map(|axis| axis.name.clone()).collect();
        expected.only(&names.iter().map(String::as_str).collect::<Vec<_>>())?;
        for axis in &mut axes {
            if let Some(node) = expected.get(&axis.name) {
                axis.expected = Some(orders::whole_microsteps(&node, axis, "a position in full steps")?);
            }
        }
    }
    Ok(Bench {
        file: source.file.to_owned(),
        title: match text("title")? {
            title if title.is_empty() => source.file.to_owned(),
            title => title,
        },
        description: text("description")?,
        layout,
        devices,
        spi_clock_hz,
        axes,
        settings,
        steps,
        faults,
        until_ns,
    })
}

fn map(source: &Source<'_>, node: Node<'_>) -> Result<&'static Layout, BenchError> {
    let expected = "\"latched\", \"fixed-word\" or the path of a map file";
    let name = node.text(expected)?;
    let base = Path::new(source.file).parent().unwrap_or(Path::new(""));
    // A name that is neither of the two nor a file is most likely one of the two, misspelt.
    if !BUILT_IN_MAPS.contains(&name) && !base.join(name).is_file() {
        let problem = node.problem(format!("{name:?}, which is no file here"), expected);
        let near = nearest(name, BUILT_IN_MAPS);
        return Err(match near {
            Some(near) => problem.hint(format!("did you mean `{near}`?")),
            None => problem.hint("paths are seen from the bench file"),
        }
        .into());
    }
    map_of(name, base).map_err(BenchError::Map)
}

/// The axes by name, spread over the devices in the order of the chain.
fn axes(layout: &'static Layout, chain: &Table<'_>) -> Result<Vec<Axis>, Problem> {
    let node = chain.need("axes", "a list of names")?;
    let names = node.list("a list of names, such as [\"lift\", \"table\"]")?;
    let each = usize::from(layout.axes).max(1);
    let expected_devices = match chain.get("devices") {
        Some(devices) => Some(devices.whole("how many devices hang on the chain")?),
        None => None,
    };
    let fits = match expected_devices {
        Some(devices) => usize::try_from(devices).is_ok_and(|devices| devices * each == names.len()),
        None => names.len().is_multiple_of(each),
    };
    if names.is_empty() || !fits {
        let devices = expected_devices.map_or(String::new(), |devices| format!(" on {devices} devices"));
        let found = format!("{} names{devices}", names.len());
        return Err(node.problem(found, format!("a name for each axis; `{}` has {each} a device", layout.name)));
    }
    let devices = names.len() / each;
    layout.validate_for(devices).map_err(|flaw| node.problem(format!("{devices} devices"), flaw.to_string()))?;
    let mut axes: Vec<Axis> = Vec::new();
    for (index, node) in names.iter().enumerate() {
        let name = node.text("an axis name")?;
        if timeline::KEYS.contains(&name) || axes.iter().any(|axis| axis.name == name) {
            let expected = format!("a name that is not taken; steps already have `{}`", timeline::KEYS.join("`, `"));
            return Err(node.problem(format!("{name:?}"), expected));
        }
        let axis = u8::try_from(index % each).unwrap_or(u8::MAX);
        let resolution = settings::resolution_at_reset(layout, axis);
        let (name, machine) = (name.to_owned(), Machine::default());
        axes.push(Axis { name, device: index / each, axis, resolution, machine, motor: None, expected: None });
    }
    Ok(axes)
}

fn clock(layout: &Layout, node: &Node<'_>) -> Result<u32, Problem> {
    let fastest = layout.wire.max_clock_hz;
    let hertz = node.whole("a clock in hertz")?;
    match u32::try_from(hertz) {
        Ok(hertz) if (1..=fastest).contains(&hertz) => Ok(hertz),
        _ => Err(node.problem(format!("{hertz} Hz"), format!("1..={fastest} Hz, the fastest that the map allows"))),
    }
}
