//! The commands of a step: every verb of the driver, by the names that the vocabulary gives them.

use stepchain::Command;
use stepchain::map::{BridgeState, BufferMode, Direction, EdgeAction, Layout, Parameter, StopRamp, Way};
use stepchain::units::{Distance, Number, OutOfRange, Position, Unit, Velocity};

use super::Axis;
use super::problem::{Problem, Source};
use super::settings::{bits, name_of, register, value};
use super::tree::{Node, Table, unknown};

const RAMPS: &[(&str, StopRamp)] =
    &[("profile", StopRamp::Profile), ("quick", StopRamp::Quick), ("none", StopRamp::None)];
const BRIDGES: &[(&str, BridgeState)] = &[
    ("driven", BridgeState::Driven),
    ("shorted", BridgeState::Shorted),
    ("high_impedance", BridgeState::HighImpedance),
];
const WAYS: &[(&str, Way)] = &[("shortest", Way::Shortest), ("positive", Way::Positive), ("negative", Way::Negative)];
const ACTIONS: &[(&str, EdgeAction)] = &[("probe", EdgeAction::Probe), ("zero", EdgeAction::Zero)];
const DIRECTIONS: &[(&str, Direction)] = &[("positive", Direction::Positive), ("negative", Direction::Negative)];
/// Commands without an argument: a bare word.
const WORDS: &[(&str, Command)] = &[
    ("home_on_current_position", Command::HomeOnCurrentPosition),
    ("return_to_zero", Command::ReturnToZero),
    ("return_to_probed_position", Command::ReturnToProbedPosition),
    ("restore_defaults", Command::RestoreDefaults),
    ("reset_node", Command::ResetNode),
    ("fault_reset", Command::FaultReset),
    ("peek_status", Command::PeekStatus),
    ("take_status", Command::TakeStatus),
    ("stop", Command::Stop { ramp: StopRamp::Profile, bridge: BridgeState::Driven }),
];
/// Every verb, by the key that a step has for it.
pub(crate) const VERBS: &[&str] = &[
    "move_velocity",
    "move_relative",
    "move_absolute",
    "stop",
    "home_on_current_position",
    "return_to_zero",
    "return_to_probed_position",
    "search_for_switch",
    "search_for_zero",
    "pulse_input",
    "restore_defaults",
    "reset_node",
    "fault_reset",
    "read_parameter",
    "write_parameter",
    "peek_status",
    "take_status",
];

/// What may stand beside a verb.
pub(super) const OPTIONS: &[&str] = &["way", "bridge", "value", "edge", "buffered"];

/// What one axis is asked: the command, when it begins, and the same in words.
pub(super) fn read(
    source: &Source<'_>,
    layout: &'static Layout,
    axis: &Axis,
    node: &Node<'_>,
) -> Result<(Command, BufferMode, String), Problem> {
    let (command, buffer_mode) = if node.as_text().is_some() {
        (node.word(WORDS)?, BufferMode::Aborting)
    } else {
        let table = node.table("a command such as { move_relative = 400 }, or a word such as \"take_status\"")?;
        from_table(source, layout, axis, &table)?
    };
    let mut text = text_of(layout, axis, command);
    if buffer_mode == BufferMode::Buffered {
        text.push_str(", buffered");
    }
    Ok((command, buffer_mode, text))
}

/// The value that a command acts on: its verb's, or all of what is no table.
pub(super) fn argument<'a>(node: &Node<'a>) -> Node<'a> {
    let table = node.table("a command");
    let verb = table.iter().flat_map(Table::entries).find(|entry| VERBS.contains(&entry.key));
    verb.map_or(*node, |verb| verb.node)
}

fn from_table(
    source: &Source<'_>,
    layout: &'static Layout,
    axis: &Axis,
    table: &Table<'_>,
) -> Result<(Command, BufferMode), Problem> {
    let stranger = table.entries().iter().find(|entry| ![VERBS, OPTIONS].concat().contains(&entry.key));
    if let Some(stranger) = stranger {
        return Err(unknown(source, &stranger.key_span, stranger.key, VERBS));
    }
    let verbs: Vec<_> = table.entries().iter().filter(|entry| VERBS.contains(&entry.key)).collect();
    let [verb] = verbs.as_slice() else {
        let found = format!("{} commands for one axis", verbs.len());
        return Err(source.problem(&table.span, found, format!("one of `{}`", VERBS.join("`, `"))));
    };
    let argument = verb.node;
    let allow = |option: &[&str]| table.only(&[&[verb.key, "buffered"], option].concat());
    let chosen = |option: &str| table.get(option);
    let velocity = || {
        let number = argument.number("a velocity in full steps/s")?;
        let velocity = Velocity::from_bits(bits(number, Unit::StepsPerSecond));
        velocity.map_err(|error| beyond(&argument, axis, &error))
    };
    let edge = || table.need("edge", "what becomes of the position at the edge")?.word(ACTIONS);
    let command = match verb.key {
        "move_velocity" => {
            allow(&[])?;
            Ok(Command::MoveVelocity { velocity: velocity()? })
        }
        "search_for_switch" => {
            allow(&["edge"])?;
            Ok(Command::SearchForSwitch { velocity: velocity()?, action: edge()? })
        }
        "search_for_zero" => {
            allow(&["edge"])?;
            Ok(Command::SearchForZero { velocity: velocity()?, action: edge()? })
        }
        "pulse_input" => {
            allow(&[])?;
            Ok(Command::PulseInput { direction: argument.word(DIRECTIONS)? })
        }
        "move_relative" => {
            allow(&[])?;
            let microsteps = whole_microsteps(&argument, axis, "a distance in full steps")?;
            let distance = Distance::from_bits(microsteps).map_err(|error| beyond(&argument, axis, &error))?;
            Ok(Command::MoveRelative { distance })
        }
        "move_absolute" => {
            allow(&["way"])?;
            let microsteps = whole_microsteps(&argument, axis, "a position in full steps")?;
            let target = Position::from_bits(microsteps).map_err(|error| beyond(&argument, axis, &error))?;
            let way = chosen("way").map_or(Ok(Way::Shortest), |node| node.word(WAYS))?;
            Ok(Command::MoveAbsolute { target, way })
        }
        "stop" => {
            allow(&["bridge"])?;
            let ramp = argument.word(RAMPS)?;
            let bridge = chosen("bridge").map_or(Ok(BridgeState::Driven), |node| node.word(BRIDGES))?;
            Ok(Command::Stop { ramp, bridge })
        }
        "read_parameter" => {
            allow(&[])?;
            Ok(Command::read(parameter(source, layout, axis, &argument)?))
        }
        "write_parameter" => {
            allow(&["value"])?;
            let parameter = parameter(source, layout, axis, &argument)?;
            let wanted = table.need("value", "the value to write")?;
            match layout.register(parameter, axis.axis) {
                Some(_) if parameter == Parameter::MicrostepResolution => Err(argument.problem(
                    "a change of the resolution on the timeline",
                    "it under `[settings]`, where every length in the bench can follow it",
                )),
                Some(register) => Ok(Command::write(parameter, value(&wanted, register, axis.resolution)?)),
                None => Err(argument.problem(format!("`{parameter}`"), "a parameter of this axis")),
            }
        }
        word => {
            allow(&[])?;
            argument.is_true()?;
            let command = WORDS.iter().find(|&&(known, _)| known == word);
            command.map(|&(_, command)| command).ok_or_else(|| unknown(source, &verb.key_span, word, VERBS))
        }
    }?;
    let Some(buffered) = table.get("buffered") else { return Ok((command, BufferMode::Aborting)) };
    buffered.is_true()?;
    match command.verb() {
        Some(verb) if layout.form_in(verb, BufferMode::Buffered).is_some() => Ok((command, BufferMode::Buffered)),
        _ => Err(buffered.problem("a command that this map does not let wait", "one that can, or nothing here")),
    }
}

fn parameter(source: &Source<'_>, layout: &'static Layout, axis: &Axis, node: &Node<'_>) -> Result<Parameter, Problem> {
    let name = node.text("the name of a parameter")?;
    register(layout, axis.axis, name).map(|register| register.parameter).ok_or_else(|| {
        let names: Vec<_> = layout.registers.iter().map(name_of).collect();
        unknown(source, &node.span(), name, &names.iter().map(String::as_str).collect::<Vec<_>>())
    })
}

/// The error of a number beyond the driver's own type, in the units of the bench.
fn beyond(node: &Node<'_>, axis: &Axis, error: &OutOfRange) -> Problem {
    let (value, min, max, unit) = (error.value(), error.min(), error.max(), error.unit());
    if unit != Unit::Microsteps {
        return node.problem(format!("{value} {unit}"), format!("{min}..={max} {unit}"));
    }
    let steps = |number: Number| axis.steps(number.bits as f64);
    let expected = format!("{}..={} steps at {} microsteps a step", steps(min), steps(max), axis.resolution);
    node.problem(format!("{} steps", steps(value)), expected)
}

/// Full steps as microsteps, which they must be a whole number of.
pub(super) fn whole_microsteps(node: &Node<'_>, axis: &Axis, expected: &str) -> Result<i64, Problem> {
    let steps = node.number(expected)?;
    let microsteps = steps * f64::from(axis.resolution);
    let whole = microsteps.round();
    // A decimal fraction such as 0.1 is not exact in binary; a real fraction of a microstep is far larger than this.
    if (microsteps - whole).abs() <= 1e-9 * microsteps.abs().max(1.0) {
        return Ok(whole as i64);
    }
    let found = format!("{steps} steps, which is {microsteps} microsteps");
    Err(node.problem(found, format!("a whole number of microsteps ({} in a step)", axis.resolution)))
}

/// A command in words, with lengths in full steps.
fn text_of(layout: &Layout, axis: &Axis, command: Command) -> String {
    let steps = |microsteps: i32| axis.steps(f64::from(microsteps));
    match command {
        Command::MoveVelocity { velocity } => format!("move velocity {velocity}"),
        Command::SearchForSwitch { velocity, action } | Command::SearchForZero { velocity, action } => {
            let action = ACTIONS.iter().find(|&&(_, known)| known == action).map_or("", |&(name, _)| name);
            let wanted = if matches!(command, Command::SearchForZero { .. }) { "zero" } else { "switch" };
            format!("search for {wanted} at {velocity}, {action}")
        }
        Command::PulseInput { direction } => {
            let way = DIRECTIONS.iter().find(|&&(_, known)| known == direction).map_or("", |&(name, _)| name);
            format!("pulse input, {way}")
        }
        Command::MoveRelative { distance } => format!("move relative {} steps", steps(distance.to_microsteps())),
        Command::MoveAbsolute { target, way } => {
            let way = WAYS.iter().find(|&&(_, known)| known == way).map_or("", |&(name, _)| name);
            format!("move absolute to {} steps, {way} way", steps(target.to_microsteps()))
        }
        Command::ReadParameter { parameter } => format!("read {}", named(layout, axis, parameter)),
        Command::WriteParameter { parameter, value } => {
            format!("write {} = {value}", named(layout, axis, parameter))
        }
        other => other.verb().map_or("nothing", stepchain::map::Verb::name).to_owned(),
    }
}

fn named(layout: &Layout, axis: &Axis, parameter: Parameter) -> String {
    match layout.register(parameter, axis.axis) {
        Some(register) if matches!(parameter, Parameter::Custom(_)) => register.name.to_owned(),
        _ => parameter.to_string(),
    }
}
