//! Encodes everything that a bench will ask, before anything is sent: what cannot be said is an error of the bench, told
//! at the value's own place and in its own units.

use core::mem::discriminant;

use stepchain::map::{BufferMode, CommandForm, Layout, Piece, Request, Source, Verb};
use stepchain::units::{Number, OutOfRange, Unit};
use stepchain::{AxisCommand, BeginError, Codec, Command, CommandError, Pending};

use crate::bench::{Axis, Bench, Place, Problem};

/// A command to an axis of the bench, and where the bench says so.
type Asked = (usize, Command, Place);

/// Encodes every setting and every step once, and drops the frames.
pub(super) fn check(bench: &Bench) -> Result<(), Problem> {
    let codec = codec(bench)?;
    let encode = |asked: &[Asked], place: Place| {
        let mut pending = vec![Pending::default(); bench.devices];
        let mut buffer = vec![0; codec.frame_bytes(bench.devices)];
        let orders: Vec<_> = asked.iter().map(|&(axis, command, _)| (axis, command)).collect();
        match codec.begin(&spread(bench, &orders), &mut pending, &mut buffer) {
            Ok(_) => Ok(()),
            Err(error) => Err(refused(bench, asked, place, &error)),
        }
    };
    for setting in &bench.settings {
        let write = Command::WriteParameter { parameter: setting.register.parameter, value: setting.value };
        encode(&[(setting.axis, write, setting.place)], setting.place)?;
    }
    for step in &bench.steps {
        let asked: Vec<_> = step.orders.iter().map(|order| (order.axis, order.command, order.place)).collect();
        encode(&asked, step.place)?;
    }
    Ok(())
}

/// The driver's encoder for the bench's map.
pub(super) fn codec(bench: &Bench) -> Result<Codec, Problem> {
    Codec::new(bench.layout)
        .map_err(|flaw| Problem::of_file(&bench.file, format!("a map that cannot work: {flaw}"), "a map without flaw"))
}

/// One command for each device; filler for those that are asked nothing.
pub(super) fn spread(bench: &Bench, orders: &[(usize, Command)]) -> Vec<AxisCommand> {
    let mut commands = vec![AxisCommand::default(); bench.devices];
    for &(axis, command) in orders {
        if let Some(axis) = bench.axes.get(axis)
            && let Some(place) = commands.get_mut(axis.device)
        {
            *place = command.on(axis.axis);
        }
    }
    commands
}

fn refused(bench: &Bench, asked: &[Asked], step: Place, error: &BeginError) -> Problem {
    let of_device = |device| {
        let axes = asked.iter().filter_map(|&(axis, command, place)| Some((bench.axes.get(axis)?, command, place)));
        axes.into_iter().find(|(axis, ..)| axis.device == device)
    };
    let (place, found, expected) = match error {
        BeginError::Command { device, error } => match of_device(*device) {
            Some((axis, command, place)) => {
                let (found, expected) = words(bench.layout, axis, command, error);
                (place, found, expected)
            }
            None => (step, error.to_string(), "a command that the map has".to_owned()),
        },
        error => (step, error.to_string(), "a chain that the map can frame".to_owned()),
    };
    Problem { place: Some(place), ..Problem::of_file(&bench.file, found, expected) }
}

/// What was found and what would have been right, in the words and units of the bench.
fn words(layout: &Layout, axis: &Axis, command: Command, error: &CommandError) -> (String, String) {
    match *error {
        CommandError::OutOfRange { of, error } => out_of_range(layout, axis, command, of, &error),
        CommandError::Unsupported { verb, buffer_mode } => {
            let waits = if buffer_mode == BufferMode::Buffered { " that waits for another" } else { "" };
            let found = format!("`{}`{waits}, which `{}` does not have", verb.name(), layout.name);
            let of_mode = layout.commands.iter().filter(|form| form.buffer_mode == buffer_mode);
            let names = |like: &dyn Fn(Verb) -> bool| {
                let names: Vec<_> =
                    of_mode.clone().filter(|form| like(form.verb)).map(|form| form.verb.name()).collect();
                (!names.is_empty()).then(|| format!("one that it has: `{}`", names.join("`, `")))
            };
            let alike = names(&|other| discriminant(&other) == discriminant(&verb));
            let expected = alike.or_else(|| names(&|_| true));
            (found, expected.unwrap_or_else(|| "nothing: the map has no command".to_owned()))
        }
        CommandError::ReadOnly { register } => {
            (format!("a value for `{register}`, which can only be read"), "a parameter that can be written".to_owned())
        }
        other => (format!("something that `{}` cannot express", layout.name), format!("what it can: {other}")),
    }
}

fn out_of_range(layout: &Layout, axis: &Axis, command: Command, of: &str, error: &OutOfRange) -> (String, String) {
    let unit = error.unit;
    // A number of the driver prints to as many digits as it has; a whole number of microsteps is exact in steps.
    let shown = |number: Number| match unit {
        Unit::Microsteps => axis.steps(number.bits as f64).to_string(),
        _ => number.to_string(),
    };
    let name = if unit == Unit::Microsteps { "steps" } else { unit.symbol() };
    let (mut value, mut min, max) = (shown(error.value), shown(error.min), shown(error.max));
    let form = command.verb().and_then(|verb| layout.form(verb));
    if form.is_some_and(sends_direction) {
        // The direction goes apart, and what was refused is the magnitude.
        let counts_down = match command {
            Command::MoveVelocity { velocity }
            | Command::SearchForSwitch { velocity, .. }
            | Command::SearchForZero { velocity, .. } => velocity.to_bits() < 0,
            Command::MoveRelative { distance } => distance.to_bits() < 0,
            _ => false,
        };
        min = format!("-{max}");
        if counts_down {
            value.insert(0, '-');
        }
    }
    let counter = layout.position.bits;
    let (least, greatest) = layout.position.range();
    let is_counter =
        matches!(command, Command::MoveAbsolute { .. }) && error.min.bits == least && error.max.bits == greatest;
    let at = match unit {
        Unit::Microsteps => format!(" at {} microsteps a step", axis.resolution),
        _ => String::new(),
    };
    let why = if is_counter {
        format!("the map's counter of {counter} bits{at}")
    } else {
        format!("what `{of}` of `{}` holds{at}", layout.name)
    };
    (format!("{value} {name}"), format!("{min}..={max} {name} ({why})"))
}

/// Whether a form sends the direction of its argument apart from the magnitude.
fn sends_direction(form: &CommandForm) -> bool {
    match form.request {
        Request::Word(pieces) => pieces.iter().any(|piece| matches!(piece, Piece::Direction { .. })),
        Request::Writes(writes) => writes.iter().any(|write| matches!(write.source, Source::Direction { .. })),
    }
}
