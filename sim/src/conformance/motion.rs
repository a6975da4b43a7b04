//! Commands of motion: each is obeyed in some state, and does what its verb says.

use stepchain::map::{
    BridgeState, BufferMode, CommandForm, Direction, EdgeAction, MotionState, Parameter, StopRamp, Verb, Way,
    WrapAround,
};
use stepchain::units::{Position, Velocity};
use stepchain::{AxisCommand, Command};

use super::report::Law;
use super::rig::{Rig, number, scale};
use crate::device::{EventKind, Switch};

/// Each move, stop, search and return, on each axis.
pub(super) fn verbs(rig: &Rig) -> Law {
    let mut law = Law::new("every motion command does what its verb says");
    let rig = rig.fork();
    rig.prepare();
    for form in rig.map.commands.iter().filter(|form| form.verb.is_of_one_axis()) {
        for axis in 0..rig.map.axes {
            let name = || format!("{} of axis {axis}", form.verb.name());
            if form.buffer_mode == BufferMode::Buffered {
                match waits(&rig, form, axis) {
                    Some(outcome) => law.keep(outcome.map_err(|error| format!("{}, waiting: {error}", name()))),
                    None => law.cannot(format!("{}, waiting: there is no move that it could wait for", name())),
                }
                continue;
            }
            for upwards in [true, false] {
                let tried = one(&rig, form, axis, upwards);
                law.keep(
                    tried.map_err(|error| format!("{}, {}: {error}", name(), if upwards { "up" } else { "down" })),
                );
            }
        }
    }
    law
}

fn one(rig: &Rig, form: &CommandForm, axis: u8, upwards: bool) -> Result<(), String> {
    let rig = rig.fork();
    match form.verb {
        Verb::MoveVelocity => turns(&rig, form, axis, upwards),
        Verb::MoveRelative => {
            let command = rig.motion(form, axis, upwards).ok_or("its codes mean no distance")?;
            let Command::MoveRelative { distance } = command.command else { return Ok(()) };
            obeyed(&rig, form.verb, command)?;
            ends_at(&rig, axis, distance.to_bits())
        }
        Verb::MoveAbsolute(way) => goes_there(&rig, form, axis, upwards, way),
        Verb::Stop(ramp, bridge) => stops(&rig, axis, upwards, ramp, bridge),
        Verb::HomeOnCurrentPosition => {
            rig.chain.set_position(rig.target, axis.into(), if upwards { 37 } else { -37 });
            obeyed(&rig, form.verb, Command::HomeOnCurrentPosition.on(axis))?;
            ends_at(&rig, axis, 0)
        }
        Verb::ReturnToZero | Verb::ReturnToProbedPosition => {
            let (command, from) = match form.verb {
                Verb::ReturnToZero => (Command::ReturnToZero, 37),
                // Nothing has been probed: the place is zero.
                _ => (Command::ReturnToProbedPosition, 41),
            };
            rig.chain.set_position(rig.target, axis.into(), if upwards { -from } else { from });
            obeyed(&rig, form.verb, command.on(axis))?;
            ends_at(&rig, axis, 0)
        }
        Verb::SearchForSwitch(action) => searches(&rig, form, axis, upwards, (true, action)),
        Verb::SearchForZero(action) => searches(&rig, form, axis, upwards, (false, action)),
        Verb::PulseInput => {
            let direction = if upwards { Direction::Positive } else { Direction::Negative };
            obeyed(&rig, form.verb, Command::PulseInput { direction }.on(axis))?;
            rig.chain.pulse(rig.target, axis.into(), 5);
            ends_at(&rig, axis, if upwards { 5 } else { -5 })
        }
        other => Err(format!("no test knows `{}`", other.name())),
    }
}

/// Sends a command; if it is refused, once more with the bridge driven. What it was refused for at last.
fn obeyed(rig: &Rig, verb: Verb, command: AxisCommand) -> Result<(), String> {
    let mut refused = "the device did nothing".to_owned();
    for driven in [false, true] {
        if driven && !rig.drive(command.axis) {
            break;
        }
        for kind in rig.events_of(command)? {
            match kind {
                EventKind::CommandAccepted { verb: found, axis, .. } if (found, axis) == (verb, command.axis) => {
                    return Ok(());
                }
                EventKind::CommandAccepted { verb: found, axis, .. } => {
                    return Err(format!("the device obeys {} of axis {axis}", found.name()));
                }
                EventKind::CommandRejected { reason, .. } => refused = format!("never obeyed: {reason}"),
                EventKind::CommandUnknown { .. } | EventKind::CrcMismatch { .. } => {
                    return Err("the device does not know the word".to_owned());
                }
                _ => {}
            }
        }
    }
    Err(refused)
}

fn ends_at(rig: &Rig, axis: u8, position: i64) -> Result<(), String> {
    if !rig.run_until_still() {
        return Err("the axis never stands".to_owned());
    }
    let found = rig.position(axis);
    if found == position { Ok(()) } else { Err(format!("it ends at {found} and not at {position} microsteps")) }
}

fn turns(rig: &Rig, form: &CommandForm, axis: u8, upwards: bool) -> Result<(), String> {
    let command = rig.motion(form, axis, upwards).ok_or("its codes mean no velocity")?;
    let Command::MoveVelocity { velocity } = command.command else { return Ok(()) };
    obeyed(rig, form.verb, command)?;
    let greatest = rig.map.register(Parameter::MaxProfileVelocity, axis);
    let greatest = greatest.and_then(|register| register.value_of(rig.held(register)).ok()).map_or(f64::MAX, number);
    let wanted = number(velocity.into());
    let wanted = wanted.signum() * wanted.abs().min(greatest);
    for _ in 0..8 {
        if rig.phase(axis) == MotionState::ConstantVelocity {
            let found = rig.velocity(axis);
            // A fixed-point value may be half a bit from what the code means.
            let allowed = wanted.abs() * 1e-9 + 1.0 / scale(stepchain::units::Unit::StepsPerSecond);
            let is_right = (found - wanted).abs() <= allowed;
            return if is_right { Ok(()) } else { Err(format!("it turns at {found} and not at {wanted} steps/s")) };
        }
        if !rig.next_phase(axis) {
            break;
        }
    }
    // A counter that does not wrap may end before the velocity is reached.
    let went = rig.position(axis);
    if rig.map.position.wrap_around == WrapAround::Refuses && went != 0 && (went > 0) == upwards {
        return Ok(());
    }
    Err(format!("it never turns at {wanted} steps/s and is at {went} microsteps"))
}

fn goes_there(rig: &Rig, form: &CommandForm, axis: u8, upwards: bool, way: Way) -> Result<(), String> {
    let command = rig.motion(form, axis, upwards).ok_or("its codes mean no position")?;
    let Command::MoveAbsolute { target, .. } = command.command else { return Ok(()) };
    let shown = target.to_bits();
    let wraps = rig.map.position.wrap_around == WrapAround::Wraps;
    let against = matches!((way, upwards), (Way::Positive, false) | (Way::Negative, true));
    if against && !wraps {
        // Only over the end of a counter that has none to go over.
        let events = rig.events_of(command)?;
        let is_refused = events.iter().any(|kind| matches!(kind, EventKind::CommandRejected { .. }));
        return if is_refused { Ok(()) } else { Err("it goes a way that the counter does not have".to_owned()) };
    }
    let (least, greatest) = rig.map.position.range();
    let turn = greatest - least + 1;
    let expected = match (way, against) {
        (_, false) => shown,
        (Way::Positive, true) => shown + turn,
        (_, true) => shown - turn,
    };
    obeyed(rig, form.verb, command)?;
    ends_at(rig, axis, expected)
}

fn stops(rig: &Rig, axis: u8, upwards: bool, ramp: StopRamp, bridge: BridgeState) -> Result<(), String> {
    let moved = rig.set_going(axis, upwards);
    if moved {
        rig.next_phase(axis);
    }
    let still_moves = rig.is_moving(axis);
    let verb = Verb::Stop(ramp, bridge);
    obeyed(rig, verb, Command::Stop { ramp, bridge }.on(axis))?;
    if ramp == StopRamp::None && rig.is_moving(axis) {
        return Err("steps do not cease at once".to_owned());
    }
    let at = rig.position(axis);
    if !rig.run_until_still() {
        return Err("the axis never stands".to_owned());
    }
    if ramp == StopRamp::None && rig.position(axis) != at || !still_moves && rig.position(axis) != at {
        return Err("it makes steps after it has stopped".to_owned());
    }
    let found = rig.chain.bridge_state(rig.target, axis.into());
    if found == bridge { Ok(()) } else { Err(format!("the bridge is {found:?} and not {bridge:?}")) }
}

/// A search runs until the switch closes, or opens, and there the position becomes zero or is saved.
fn searches(rig: &Rig, form: &CommandForm, axis: u8, upwards: bool, until: (bool, EdgeAction)) -> Result<(), String> {
    let (closed, action) = until;
    // Not far from where it begins: a narrow counter ends soon.
    let edge = 20;
    let per_step = f64::from(rig.chain.microsteps_per_step(rig.target, axis.into()));
    let (near, far) = (f64::from(edge) / per_step, 1e6);
    let (from, to) = if closed { (near, far) } else { (-near, near) };
    let (from_steps, to_steps) = if upwards { (from, to) } else { (-to, -from) };
    rig.chain.set_switch(rig.target, axis.into(), Switch::ClosedBetween { from_steps, to_steps });
    let bits = rig.argument(form, axis, if upwards { 8.0 } else { -8.0 }).ok_or("its codes mean no velocity")?;
    let velocity = Velocity::from_bits(bits).map_err(|error| error.to_string())?;
    let command = match form.verb {
        Verb::SearchForSwitch(action) => Command::SearchForSwitch { velocity, action },
        _ => Command::SearchForZero { velocity, action },
    };
    obeyed(rig, form.verb, command.on(axis))?;
    if !rig.run_until_still() {
        return Err("the axis never stands".to_owned());
    }
    let way = (rig.chain.rotor_steps(rig.target, axis.into()) * per_step).abs();
    if way + 0.5 < f64::from(edge) {
        return Err(format!("it stands after {way} microsteps, before the edge at {edge}"));
    }
    let edge = if closed { edge } else { edge + 1 };
    let from_edge = (way.round() as i64 - i64::from(edge)) * if upwards { 1 } else { -1 };
    match action {
        EdgeAction::Zero if rig.position(axis) != from_edge => {
            Err(format!("{from_edge} microsteps behind the edge it counts {}", rig.position(axis)))
        }
        EdgeAction::Zero => Ok(()),
        EdgeAction::Probe => match rig.map.register(Parameter::ProbedPosition, axis) {
            None => Ok(()),
            Some(register) => {
                let saved = Position::from_bits(i64::from(if upwards { edge } else { -edge }));
                let wanted = saved.ok().and_then(|saved| register.code_of(saved.into()).ok());
                let held = rig.held(register);
                if wanted.is_none_or(|wanted| wanted == held) {
                    Ok(())
                } else {
                    Err(format!("it saves {held:#x} at the edge"))
                }
            }
        },
    }
}

/// A command that waits is told as waiting, and obeyed when the move before it is done. `None` without such a move.
fn waits(rig: &Rig, form: &CommandForm, axis: u8) -> Option<Result<(), String>> {
    let rig = rig.fork();
    let command = rig.motion(form, axis, true)?;
    if !rig.set_going(axis, true) {
        return None;
    }
    let mark = rig.chain.event_count();
    if let Err(error) = rig.to_target(command) {
        return Some(Err(error));
    }
    let events = rig.target_events(mark);
    let is_begun = |kind: &EventKind| matches!(kind, EventKind::CommandAccepted { verb, .. } if *verb == form.verb);
    if events.iter().any(is_begun) && rig.has_arrived_since(axis, 0) {
        // The move was over before the command was complete.
        return None;
    }
    if !events.iter().any(|kind| matches!(kind, EventKind::CommandBuffered { verb, .. } if *verb == form.verb)) {
        return Some(Err(format!("it does not wait: {events:?}")));
    }
    for _ in 0..16 {
        let is_obeyed = |kind: &EventKind| {
            matches!(kind, EventKind::CommandAccepted { verb, axis: of, .. } if (*verb, *of) == (form.verb, axis))
                || matches!(kind, EventKind::CommandRejected { verb, .. } if *verb == form.verb)
        };
        if rig.target_events(mark).iter().any(is_obeyed) {
            return Some(Ok(()));
        }
        if !rig.next_phase(axis) {
            break;
        }
    }
    Some(Err(format!("it waits for ever: {:?}", rig.target_events(mark))))
}
