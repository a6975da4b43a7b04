//! The faults of a bench: what goes wrong, when, for how long, and by which seed.

use embedded_hal::digital::PinState;

use super::problem::{Problem, Source};
use super::timeline::nanoseconds;
use super::tree::{Entry, Node, Table, unknown};
use super::{Axis, PlannedFault};
use crate::inject::{Bits, DataLine, Fault, InjectError, Injection, Lasts, Line, Script, Start, Winding};

/// Every fault, by the key that a `[[fault]]` has for it.
const KINDS: &[&str] = &[
    "bit_flips",
    "lost_clocks",
    "extra_clocks",
    "stuck_line",
    "reset",
    "undervoltage",
    "overheating",
    "open_winding",
    "blocked_rotor",
];

/// What any fault may have beside it.
const COMMON: &[&str] = &["at_s", "at_frame", "on", "lasts_s", "lasts_frames", "seed", "note"];
/// What only some have.
const OPTIONS: &[&str] = &["probability", "bits", "level", "behind", "shut_off_after_s", "winding"];
/// Keys of the event that a fault waits for.
const EVENT: &[&str] = &["axis", "motion", "position", "velocity"];

/// Every key of a `[[fault]]`, its verbs included.
#[cfg(test)]
pub(super) fn keys() -> Vec<&'static str> {
    [KINDS, COMMON, OPTIONS, EVENT].concat()
}

const LEVELS: &[(&str, PinState)] = &[("low", PinState::Low), ("high", PinState::High)];
const DATA_LINES: &[(&str, DataLine)] = &[("mosi", DataLine::Mosi), ("miso", DataLine::Miso)];
/// Without a line: the one behind a device.
const LINES: &[(&str, Option<Line>)] = &[
    ("sck", Some(Line::Sck)),
    ("mosi", Some(Line::Mosi)),
    ("miso", Some(Line::Miso)),
    ("cs", Some(Line::Cs)),
    ("behind", None),
];
const WINDINGS: &[(&str, Winding)] = &[("a", Winding::A), ("b", Winding::B)];

/// All faults in the order of the file.
pub(super) fn read(source: &Source<'_>, axes: &[Axis], bench: &Table<'_>) -> Result<Vec<PlannedFault>, Problem> {
    let Some(node) = bench.get("fault") else { return Ok(Vec::new()) };
    let tables = node.list("`[[fault]]` tables")?;
    (1..).zip(tables).map(|(number, node)| one(source, axes, &node.table("a `[[fault]]` table")?, number)).collect()
}

fn one(source: &Source<'_>, axes: &[Axis], table: &Table<'_>, number: u64) -> Result<PlannedFault, Problem> {
    let is_known = |entry: &&Entry<'_>| [KINDS, COMMON, OPTIONS].concat().contains(&entry.key);
    if let Some(stranger) = table.entries().iter().find(|entry| !is_known(entry)) {
        let known = [KINDS, COMMON].concat();
        return Err(unknown(source, &stranger.key_span, stranger.key, &known));
    }
    let kinds: Vec<_> = table.entries().iter().filter(|entry| KINDS.contains(&entry.key)).collect();
    let [kind] = kinds.as_slice() else {
        let found = format!("{} faults in one table", kinds.len());
        return Err(source.problem(&table.span, found, format!("one of `{}`", KINDS.join("`, `"))));
    };
    let (fault, text) = fault(source, axes, table, kind)?;
    let (start, start_text) = start(source, axes, table)?;
    let seconds = table.get("lasts_s").map(|node| nanoseconds(&node)).transpose()?;
    let frames = table.get("lasts_frames").map(|node| count(&node, "how many frames it lasts")).transpose()?;
    let lasts = match (seconds, frames) {
        (Some(_), Some(_)) => {
            return Err(source.problem(&table.span, "`lasts_s` beside `lasts_frames`", "one of them, or none"));
        }
        (Some(seconds), None) => Lasts::Ns(seconds),
        (None, Some(frames)) => Lasts::Frames(frames),
        (None, None) if matches!(fault, Fault::ResetNode { .. }) => Lasts::Instant,
        (None, None) => Lasts::ForEver,
    };
    let seed = table.get("seed").map_or(Ok(number), |node| count(&node, "a seed, a whole number"))?;
    let injection = Injection { fault, start, lasts, seed };
    let script = Script::from_iter([injection.clone()]);
    script.check(&axes_of_devices(axes)).map_err(|error| refused(source, table, kind, error))?;
    let note = table.get("note").map_or(Ok(""), |node| node.text("a text in quotes"))?.to_owned();
    Ok(PlannedFault { injection, text, start: start_text, note })
}

/// What goes wrong, and the same in words.
fn fault(source: &Source<'_>, axes: &[Axis], table: &Table<'_>, kind: &Entry<'_>) -> Result<(Fault, String), Problem> {
    let allow = |options: &[&str]| table.only(&[&[kind.key], COMMON, options].concat());
    let axis = || axis_of(source, axes, &kind.node);
    let told = |fault: Fault| {
        let text = fault.to_string();
        (fault, text)
    };
    let of_axis = |fault: Fault, name: &str, axis: &Axis| (fault, format!("{name} of `{}`", axis.name));
    Ok(match kind.key {
        "bit_flips" => {
            allow(&["probability", "bits"])?;
            let line = kind.node.word(DATA_LINES)?;
            let bits = match (table.get("probability"), table.get("bits")) {
                (Some(node), None) => Bits::Each(node.number("a probability of each bit, 0..=1")?),
                (None, Some(node)) => {
                    let places = node.list("a list of bits of each frame, counted from 0, such as [3, 17]")?;
                    Bits::At(places.iter().map(|node| count(node, "a bit, counted from 0")).collect::<Result<_, _>>()?)
                }
                _ => {
                    let expected = "either `probability` of each bit, or `bits` of each frame";
                    return Err(source.problem(&kind.key_span, "`bit_flips` of no certain bits", expected));
                }
            };
            told(Fault::BitFlips { line, bits })
        }
        "lost_clocks" | "extra_clocks" => {
            allow(&[])?;
            let expected = "how many clocks in each frame";
            let clocks = u32::try_from(count(&kind.node, expected)?);
            let count = clocks.map_err(|_| kind.node.problem("a number beyond 32 bits", expected))?;
            told(if kind.key == "lost_clocks" { Fault::LostClocks { count } } else { Fault::ExtraClocks { count } })
        }
        "stuck_line" => {
            allow(&["level", "behind"])?;
            let level = table.need("level", "\"low\" or \"high\"")?.word(LEVELS)?;
            let behind = table.get("behind");
            match (kind.node.word(LINES)?, behind) {
                (Some(line), None) => told(Fault::StuckLine { line, level }),
                (Some(_), Some(node)) => {
                    return Err(node.problem("a device for a line that is common to all", "nothing here"));
                }
                (None, _) => {
                    let node = table.need("behind", "the axis whose device is before the break")?;
                    let axis = axis_of(source, axes, &node)?;
                    let fault = Fault::StuckLine { line: Line::Behind(axis.device), level };
                    let name = if level == PinState::High { "high" } else { "low" };
                    (fault, format!("the line behind the device of `{}` stuck {name}", axis.name))
                }
            }
        }
        "reset" => {
            allow(&[])?;
            let axis = axis()?;
            of_axis(Fault::ResetNode { device: axis.device }, "reset of the device", axis)
        }
        "undervoltage" => {
            allow(&[])?;
            let axis = axis()?;
            of_axis(Fault::Undervoltage { device: axis.device }, "undervoltage", axis)
        }
        "overheating" => {
            allow(&["shut_off_after_s"])?;
            let axis = axis()?;
            let shut_off_after_ns = table.get("shut_off_after_s").map_or(Ok(u64::MAX), |node| nanoseconds(&node))?;
            of_axis(Fault::Overheating { device: axis.device, shut_off_after_ns }, "overheating", axis)
        }
        "open_winding" => {
            allow(&["winding"])?;
            let axis = axis()?;
            let winding = table.need("winding", "\"a\" or \"b\"")?.word(WINDINGS)?;
            let fault = Fault::OpenWinding { device: axis.device, axis: axis.axis.into(), winding };
            of_axis(fault, &format!("open winding {winding}"), axis)
        }
        _ => {
            allow(&[])?;
            let axis = axis()?;
            of_axis(Fault::BlockedRotor { device: axis.device, axis: axis.axis.into() }, "blocked rotor", axis)
        }
    })
}

/// When it begins, on the timeline, and the same in words.
fn start(source: &Source<'_>, axes: &[Axis], table: &Table<'_>) -> Result<(Start, String), Problem> {
    match (table.get("at_s"), table.get("at_frame"), table.get("on")) {
        (Some(node), None, None) => {
            let at_ns = nanoseconds(&node)?;
            Ok((Start::At(at_ns), format!("at {} s", at_ns as f64 / 1e9)))
        }
        (None, Some(node), None) => {
            let frame = count(&node, "a frame, counted from 0 at power-up")?;
            Ok((Start::Frame(frame), format!("with frame {frame}")))
        }
        (None, None, Some(node)) => event(source, axes, &node),
        (None, None, None) => {
            Err(source.problem(&table.span, "a fault without a start", "one of `at_s`, `at_frame`, `on`"))
        }
        _ => Err(source.problem(&table.span, "a fault with more than one start", "one of `at_s`, `at_frame`, `on`")),
    }
}

fn event(source: &Source<'_>, axes: &[Axis], node: &Node<'_>) -> Result<(Start, String), Problem> {
    let expected = "an event such as { axis = \"lift\", position = 120 }";
    let table = node.table(expected)?;
    table.only(EVENT)?;
    let found = axis_of(source, axes, &table.need("axis", "the name of an axis")?)?;
    let (device, axis, name) = (found.device, usize::from(found.axis), &found.name);
    match (table.get("motion"), table.get("position"), table.get("velocity")) {
        (Some(node), None, None) => {
            let nth = count(&node, "which of its motions from standstill, counted from 1")?;
            Ok((Start::Motion { device, axis, nth }, format!("as `{name}` begins to move for the {}", ordinal(nth))))
        }
        (None, Some(node), None) => {
            let steps = node.number("a position in full steps")?;
            Ok((Start::Position { device, axis, steps }, format!("as `{name}` comes to {steps} steps")))
        }
        (None, None, Some(node)) => {
            let steps_per_s = node.number("a velocity in full steps/s")?;
            Ok((Start::Velocity { device, axis, steps_per_s }, format!("as `{name}` is at {steps_per_s} steps/s")))
        }
        _ => Err(node.problem("an event that is not one of three", "one of `motion`, `position`, `velocity`")),
    }
}

fn ordinal(nth: u64) -> String {
    match nth {
        1 => "first time".to_owned(),
        2 => "second time".to_owned(),
        3 => "third time".to_owned(),
        nth => format!("{nth}th time"),
    }
}

fn axis_of<'a>(source: &Source<'_>, axes: &'a [Axis], node: &Node<'_>) -> Result<&'a Axis, Problem> {
    let name = node.text("the name of an axis")?;
    axes.iter().find(|axis| axis.name == name).ok_or_else(|| {
        let names: Vec<_> = axes.iter().map(|axis| axis.name.as_str()).collect();
        unknown(source, &node.span(), name, &names)
    })
}

/// How many axes each device has.
fn axes_of_devices(axes: &[Axis]) -> Vec<usize> {
    let devices = axes.iter().map(|axis| axis.device + 1).max().unwrap_or(0);
    (0..devices).map(|device| axes.iter().filter(|axis| axis.device == device).count()).collect()
}

fn count(node: &Node<'_>, expected: &str) -> Result<u64, Problem> {
    let number = node.whole(expected)?;
    u64::try_from(number).map_err(|_| node.problem(format!("the number {number}"), format!("{expected}, not negative")))
}

/// What the script has against a fault, at the key that is to blame.
fn refused(source: &Source<'_>, table: &Table<'_>, kind: &Entry<'_>, error: InjectError) -> Problem {
    let at = |key: &str| table.get(key).map_or(kind.node.span(), |node| node.span());
    let problem = |key: &str, found: &str, expected: &str| source.problem(&at(key), found, expected);
    match error {
        InjectError::NoProbability { found } => problem("probability", &found.to_string(), "a probability, 0..=1"),
        InjectError::NoMotion => problem("on", "a motion number 0", "a motion, counted from 1"),
        InjectError::NoVelocity { found } => problem("on", &format!("{found} steps/s"), "a velocity above zero"),
        InjectError::NothingBehind { .. } => problem(
            "behind",
            "the last device of the chain",
            "one that has another behind it; the line from it is miso",
        ),
        InjectError::NoEffect if table.get("lasts_s").is_some() => {
            problem("lasts_s", "a fault that is over at once and changes nothing", "a time above zero")
        }
        InjectError::NoEffect if table.get("lasts_frames").is_some() => {
            problem("lasts_frames", "a fault of no frames", "1 or more")
        }
        error => problem(kind.key, &error.to_string(), "a fault that can be"),
    }
}
