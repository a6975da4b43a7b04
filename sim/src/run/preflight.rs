//! Encodes everything that a bench will ask, before anything is sent: what cannot be said is an error of the bench.

use stepchain::map::BufferMode;
use stepchain::{AxisCommand, BeginError, Codec, Command, Pending};

use crate::bench::{Bench, Place, Problem, Step};

/// Encodes every setting and every step once, and drops the frames.
pub(super) fn check(bench: &Bench) -> Result<(), Problem> {
    let codec = codec(bench)?;
    let encode = |orders: &[Asked], place: Place| {
        let mut pending = vec![Pending::default(); bench.devices];
        let mut buffer = vec![0; codec.frame_bytes(bench.devices)];
        match codec.begin(&spread(bench, orders), &mut pending, &mut buffer) {
            Ok(_) => Ok(()),
            Err(error) => Err(refused(bench, orders, place, &error)),
        }
    };
    for setting in &bench.settings {
        let write = Command::WriteParameter { parameter: setting.register.parameter, value: setting.value };
        encode(&[(setting.axis, write, BufferMode::Aborting)], setting.place)?;
    }
    for step in &bench.steps {
        encode(&asked(step), step.place)?;
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

fn refused(bench: &Bench, orders: &[Asked], place: Place, error: &BeginError) -> Problem {
    let mut problem = match error {
        BeginError::Command { device, error } => {
            let mut asked = orders.iter().filter_map(|&(axis, ..)| bench.axes.get(axis));
            let axis = asked.find(|axis| axis.device == *device).map_or("", |axis| &axis.name);
            let found = format!("something for `{axis}` that `{}` cannot express", bench.layout.name);
            Problem::of_file(&bench.file, found, "what it can").hint(error.to_string())
        }
        error => Problem::of_file(&bench.file, error.to_string(), "a chain that the map can frame"),
    };
    problem.place = Some(place);
    problem
}
