//! Words: each decodes as what was meant and as nothing else, and filler changes nothing, whatever the motor does.

use stepchain::map::{BufferMode, CommandForm, Direction, Request, Source, Verb};
use stepchain::units::{Distance, Position, Unit, Velocity};
use stepchain::{AxisCommand, Command};

use super::report::Law;
use super::rig::{Rig, argument_of, scale};
use crate::decode::{Assembler, Decoded, Dictionary, value_of};
use crate::wire::{BusEvent, ShiftRegisters, bits_of};

/// Every command, on every axis and with the edges of its argument, is decoded as itself and leaves nothing behind.
pub(super) fn unique(rig: &Rig) -> Law {
    let mut law = Law::new("every word is decoded as what was meant");
    for form in rig.map.commands {
        for axis in 0..rig.map.axes {
            for (command, wanted) in commands(rig, form, axis) {
                let asked = AxisCommand { buffer_mode: form.buffer_mode, ..command.on(axis) };
                law.keep(
                    heard(rig, asked)
                        .and_then(|heard| as_meant(rig, form.verb, form.buffer_mode, asked, wanted, &heard)),
                );
            }
        }
    }
    law
}

/// The commands that are tried of a form, each with its argument as a number.
fn commands(rig: &Rig, form: &CommandForm, axis: u8) -> Vec<(Command, Option<f64>)> {
    let plain = |command| vec![(command, None)];
    let with = |unit: Unit, make: &dyn Fn(i64) -> Option<Command>| {
        let arguments = arguments(rig, form, axis, unit).into_iter();
        arguments.filter_map(|bits| Some((make(bits)?, Some(bits as f64 / scale(unit))))).collect()
    };
    let velocities = |make: &dyn Fn(Velocity) -> Command| {
        with(Unit::StepsPerSecond, &|bits| Velocity::from_bits(bits).ok().map(make))
    };
    let registers = || rig.map.registers.iter().filter(move |register| register.axis == axis);
    match form.verb {
        Verb::MoveVelocity => velocities(&|velocity| Command::MoveVelocity { velocity }),
        Verb::SearchForSwitch(action) => velocities(&|velocity| Command::SearchForSwitch { velocity, action }),
        Verb::SearchForZero(action) => velocities(&|velocity| Command::SearchForZero { velocity, action }),
        Verb::MoveRelative => {
            with(Unit::Microsteps, &|bits| Some(Command::MoveRelative { distance: Distance::from_bits(bits).ok()? }))
        }
        Verb::MoveAbsolute(way) => {
            with(Unit::Microsteps, &|bits| Some(Command::MoveAbsolute { target: Position::from_bits(bits).ok()?, way }))
        }
        Verb::PulseInput => [(Direction::Positive, 1.0), (Direction::Negative, -1.0)]
            .map(|(direction, sign)| (Command::PulseInput { direction }, Some(sign)))
            .to_vec(),
        Verb::ReadParameter => registers().map(|register| (Command::read(register.parameter), None)).collect(),
        // What is written is tried with the codes.
        Verb::WriteParameter => Vec::new(),
        Verb::Stop(ramp, bridge) => plain(Command::Stop { ramp, bridge }),
        Verb::PeekStatus => plain(Command::PeekStatus),
        Verb::TakeStatus => plain(Command::TakeStatus),
        Verb::HomeOnCurrentPosition => plain(Command::HomeOnCurrentPosition),
        Verb::ReturnToZero => plain(Command::ReturnToZero),
        Verb::ReturnToProbedPosition => plain(Command::ReturnToProbedPosition),
        Verb::RestoreDefaults => plain(Command::RestoreDefaults),
        Verb::ResetNode => plain(Command::ResetNode),
        Verb::FaultReset => plain(Command::FaultReset),
        _ => Vec::new(),
    }
}

/// Both edges of what the argument's codes can mean, nothing, and something between; as fixed-point bits.
fn arguments(rig: &Rig, form: &CommandForm, axis: u8, unit: Unit) -> Vec<i64> {
    let Some((coding, apart)) = argument_of(rig.map, form, axis) else {
        return vec![1, -1];
    };
    let (min, max) = coding.limits(unit);
    let (least, most) = match form.verb {
        Verb::MoveAbsolute(_) => rig.map.position.range(),
        _ => (i64::MIN, i64::MAX),
    };
    let (min, max) = (min.max(least), max.min(most));
    let mut all: Vec<_> =
        [min, max, min / 2 + max / 2, max / 3, 0].into_iter().filter(|bits| (min..=max).contains(bits)).collect();
    if apart {
        all.extend(all.clone().into_iter().map(|bits| -bits));
    }
    all.sort_unstable();
    all.dedup();
    all
}

/// What the target decodes of a command; everything but filler.
fn heard(rig: &Rig, command: AxisCommand) -> Result<Vec<Decoded>, String> {
    let mut commands = vec![AxisCommand::default(); rig.devices];
    commands[rig.target] = command;
    let mut pending = vec![stepchain::Pending::default(); rig.devices];
    let mut buffer = vec![0; rig.codec.frame_bytes(rig.devices)];
    let name = command.command.verb().map_or("filler", Verb::name);
    let mut talk = rig
        .codec
        .begin(&commands, &mut pending, &mut buffer)
        .map_err(|error| format!("{name} cannot be sent: {error}"))?;
    let device = rig.chain.layout();
    let dictionary = Dictionary::new(device);
    let mut registers = ShiftRegisters::new(&device.wire, rig.devices);
    let mut assemblers = vec![Assembler::new(); rig.devices];
    let (mut heard, mut is_open) = (Vec::new(), false);
    while let Some(frame) = talk.next_frame() {
        let mut miso = Vec::new();
        registers.take(BusEvent::Select, &mut miso);
        registers.take(BusEvent::Bits(&bits_of(frame)), &mut miso);
        let Some(latched) = registers.take(BusEvent::Deselect, &mut miso) else { continue };
        for (device, (unit, assembler)) in latched.units.into_iter().zip(&mut assemblers).enumerate() {
            let decoded = assembler.push(unit, &dictionary);
            if device == rig.target {
                is_open = matches!(decoded, Decoded::PartOf { .. });
            }
            match decoded {
                Decoded::Filler | Decoded::PartOf { .. } => {}
                decoded if device == rig.target => heard.push(decoded),
                decoded => return Err(format!("{name}: device {device} was sent filler and heard {decoded:?}")),
            }
        }
    }
    if is_open {
        return Err(format!("{name}: the device waits for more units than are sent"));
    }
    Ok(heard)
}

fn as_meant(
    rig: &Rig,
    verb: Verb,
    buffer_mode: BufferMode,
    asked: AxisCommand,
    wanted: Option<f64>,
    heard: &[Decoded],
) -> Result<(), String> {
    let otherwise = || Err(format!("{} on axis {} ({wanted:?}): the device heard {heard:?}", verb.name(), asked.axis));
    let Some(form) = rig.map.form_in(verb, buffer_mode) else { return otherwise() };
    let dictionary = Dictionary::new(rig.chain.layout());
    match (asked.command, form.request) {
        (Command::ReadParameter { parameter }, _) => {
            let address = rig.map.register(parameter, asked.axis).map(|register| register.address);
            match heard {
                [Decoded::Read { address: found }] if Some(*found) == address => Ok(()),
                _ => otherwise(),
            }
        }
        (_, Request::Writes(writes)) => {
            let mut triggers: Vec<&CommandForm> = Vec::new();
            for (decoded, write) in heard.iter().zip(writes) {
                let Decoded::Write { address, content } = *decoded else { return otherwise() };
                let Some(register) = dictionary.fields(address).next() else { return otherwise() };
                let is_meant = register.parameter == write.parameter
                    && match write.source {
                        Source::Code(code) => content == code,
                        Source::Argument | Source::Direction { .. } => true,
                    };
                if !is_meant {
                    return otherwise();
                }
                triggers.extend(dictionary.trigger(register, content).map(|trigger| trigger.form));
            }
            let goes = triggers.iter().map(|form| (form.verb, form.buffer_mode)).collect::<Vec<_>>();
            if heard.len() == writes.len() && goes == [(verb, buffer_mode)] {
                return Ok(());
            }
            Err(format!("{}: its writes set going {goes:?}", verb.name()))
        }
        (_, Request::Word(pieces)) => {
            let [Decoded::Command { verb: found, buffer_mode: mode, axis, argument }] = heard else {
                return otherwise();
            };
            let names_axis = pieces.iter().any(|piece| matches!(piece, stepchain::map::Piece::Axis { .. }));
            let is_argument = match (argument.quantity(), wanted) {
                (None, None) => true,
                (Some(quantity), Some(wanted)) => {
                    quantity.value.is_some_and(|value| is_near(rig, form, asked, value, wanted))
                }
                _ => false,
            };
            let axis_is_right = *axis == if names_axis { asked.axis } else { 0 };
            if (*found, *mode) == (verb, buffer_mode) && axis_is_right && is_argument { Ok(()) } else { otherwise() }
        }
    }
}

/// Whether a value is as near to the wanted one as the codes of the argument allow.
fn is_near(rig: &Rig, form: &CommandForm, asked: AxisCommand, value: f64, wanted: f64) -> bool {
    let Some((coding, apart)) = argument_of(rig.map, form, asked.axis) else {
        return value == if wanted >= 0.0 { 1.0 } else { -1.0 };
    };
    let magnitude = if apart { wanted.abs() } else { wanted };
    let nearest = value_of(crate::decode::nearest_code(magnitude, &coding), &coding).unwrap_or(0.0);
    let allowed = (nearest - magnitude).abs() + wanted.abs() * 1e-9 + 1.0 / form.verb.argument().map_or(1.0, scale);
    (value - wanted).abs() <= allowed
}

/// Filler on every device, at power-up, held, in each phase of a motion and after it: all is as if none had been sent.
pub(super) fn filler(rig: &Rig) -> Law {
    let mut law = Law::new("filler changes nothing, whatever the motor does");
    let rig = rig.fork();
    law.keep(is_no_op(&rig, "at power-up"));
    rig.prepare();
    for axis in 0..rig.map.axes {
        let rig = rig.fork();
        if !rig.set_going(axis, true) {
            law.cannot(format!("axis {axis} cannot be set going: filler is tried at standstill only"));
            continue;
        }
        let mut phases = 0;
        loop {
            law.keep(is_no_op(&rig, rig.phase(axis).name()));
            phases += 1;
            if phases > 8 {
                break;
            }
            if rig.next_phase(axis) {
                continue;
            }
            // It turns for ever, or stands.
            if !rig.is_moving(axis) {
                break;
            }
            let stop = rig.map.commands.iter().find_map(|form| match form.verb {
                Verb::Stop(ramp, bridge) => Some(Command::Stop { ramp, bridge }),
                _ => None,
            });
            let Some(stop) = stop else { break };
            let _ = rig.to_target(stop.on(axis));
        }
    }
    law
}

fn is_no_op(rig: &Rig, when: &str) -> Result<(), String> {
    let (sent, left) = (rig.fork(), rig.fork());
    sent.idle(2 * rig.codec.resync_frames()).map_err(|error| format!("filler cannot be sent: {error}"))?;
    left.chain.advance_ns(sent.chain.now_ns() - left.chain.now_ns());
    let told = |rig: &Rig| rig.chain.log_text();
    if told(&sent) != told(&left) {
        let mark = rig.chain.event_count();
        let news = sent.chain.events_since(mark).into_iter().map(|event| event.kind.to_string());
        return Err(format!("filler {when}: {}", news.collect::<Vec<_>>().join("; ")));
    }
    let status = |rig: &Rig| (0..rig.devices).map(|device| rig.chain.status(device)).collect::<Vec<_>>();
    if sent.contents() != left.contents() || status(&sent) != status(&left) {
        return Err(format!("filler {when} changes a register or the status"));
    }
    for device in 0..rig.devices {
        for axis in 0..usize::from(rig.map.axes) {
            if sent.chain.trajectory(device, axis) != left.chain.trajectory(device, axis) {
                return Err(format!("filler {when} changes the motion of axis {device}.{axis}"));
            }
        }
    }
    Ok(())
}
