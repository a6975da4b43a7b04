//! Encodes everything that a bench will ask, before anything is sent: what cannot be said is an error of the bench, told
//! at the value's own place and in its own units.

use core::mem::discriminant;

use stepchain::map::{BufferMode, CommandForm, Layout, Piece, Request, Source, Verb};
use stepchain::units::{Number, OutOfRange, Unit};
use stepchain::{AxisCommand, BeginError, Codec, Command, CommandError, Pending};

use crate::bench::{Axis, Bench, Place, Problem, Step};

/// Encodes every setting and every step once, and drops the frames.
pub(super) fn check(bench: &Bench) -> Result<(), Problem> {
    let codec = codec(bench)?;
    // `places` are those of the orders.
    let encode = |orders: &[Asked], places: &[Place], place: Place| {
        let mut pending = vec![Pending::default(); bench.devices];
        let mut buffer = vec![0; codec.frame_bytes(bench.devices)];
        match codec.begin(&spread(bench, orders), &mut pending, &mut buffer) {
            Ok(_) => Ok(()),
            Err(error) => Err(refused(bench, orders, places, place, &error)),
        }
    };
    for setting in &bench.settings {
        let write = Command::WriteParameter { parameter: setting.register.parameter, value: setting.value };
        encode(&[(setting.axis, write, BufferMode::Aborting)], &[setting.place], setting.place)?;
    }
    for step in &bench.steps {
        let places: Vec<_> = step.orders.iter().map(|order| order.place).collect();
        encode(&asked(step), &places, step.place)?;
    }
    Ok(())
}

/// The driver's encoder for the bench's map.
pub(super) fn codec(bench: &Bench) -> Result<Codec, Problem> {
    Codec::new(bench.layout)
        .map_err(|flaw| Problem::of_file(&bench.file, format!("a map that cannot work: {flaw}"), "a map without flaw"))
}

/// A command, the axis of the bench that it is for, and when it begins.
pub(super) type Asked = (usize, Command, BufferMode);

/// What a step asks.
pub(super) fn asked(step: &Step) -> Vec<Asked> {
    step.orders.iter().map(|order| (order.axis, order.command, order.buffer_mode)).collect()
}

/// One command for each device; filler for those that are asked nothing.
pub(super) fn spread(bench: &Bench, orders: &[Asked]) -> Vec<AxisCommand> {
    let mut commands = vec![AxisCommand::default(); bench.devices];
    for &(axis, command, buffer_mode) in orders {
        if let Some(axis) = bench.axes.get(axis)
            && let Some(place) = commands.get_mut(axis.device)
        {
            *place = AxisCommand { buffer_mode, ..command.on(axis.axis) };
        }
    }
    commands
}

fn refused(bench: &Bench, orders: &[Asked], places: &[Place], step: Place, error: &BeginError) -> Problem {
    let of_device = |device| {
        let mut asked =
            orders.iter().zip(places).filter_map(|(&order, &place)| Some((bench.axes.get(order.0)?, order, place)));
        asked.find(|(axis, ..)| axis.device == device)
    };
    let (place, found, expected) = match error {
        BeginError::Command { device, error } => match of_device(*device) {
            Some((axis, order, place)) => {
                let (found, expected) = words(bench.layout, axis, order, error);
                (place, found, expected)
            }
            None => (step, error.to_string(), "a command that the map has".to_owned()),
        },
        error => (step, error.to_string(), "a chain that the map can frame".to_owned()),
    };
    Problem { place: Some(place), ..Problem::of_file(&bench.file, found, expected) }
}

/// What was found and what would have been right, in the words and units of the bench.
fn words(layout: &Layout, axis: &Axis, order: Asked, error: &CommandError) -> (String, String) {
    match *error {
        CommandError::OutOfRange { of, error } => out_of_range(layout, axis, order, of, &error),
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

fn out_of_range(layout: &Layout, axis: &Axis, order: Asked, of: &str, error: &OutOfRange) -> (String, String) {
    let (_, command, buffer_mode) = order;
    let unit = error.unit();
    // A number of the driver prints to as many digits as it has; a whole number of microsteps is exact in steps.
    let shown = |number: Number| match unit {
        Unit::Microsteps => axis.steps(number.bits as f64).to_string(),
        _ => number.to_string(),
    };
    let name = if unit == Unit::Microsteps { "steps" } else { unit.symbol() };
    let (mut value, mut min, max) = (shown(error.value()), shown(error.min()), shown(error.max()));
    let form = command.verb().and_then(|verb| layout.form_in(verb, buffer_mode));
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
        matches!(command, Command::MoveAbsolute { .. }) && error.min().bits == least && error.max().bits == greatest;
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
