//! Commands to the device as a whole: status, faults, defaults, restart.

use stepchain::map::{Access, Clearing, Flag, Holding, Verb};
use stepchain::{AxisCommand, Command};

use super::codes::codes_of;
use super::report::Law;
use super::rig::{Rig, is_live};
use crate::decode::Dictionary;
use crate::device::EventKind;

/// Peeking clears nothing, taking and acknowledging clear what the map says, defaults and restart bring back the codes of
/// power-up, and all are obeyed.
pub(super) fn verbs(rig: &Rig) -> Law {
    let mut law = Law::new("every service command does what its verb says");
    for form in rig.map.commands.iter().filter(|form| !form.verb.is_of_one_axis()) {
        let outcome = match form.verb {
            Verb::PeekStatus => clears(rig, Command::PeekStatus, None),
            Verb::TakeStatus => clears(rig, Command::TakeStatus, Some(Clearing::TakeStatus)),
            Verb::FaultReset => clears(rig, Command::FaultReset, Some(Clearing::FaultReset)),
            Verb::RestoreDefaults => restores(rig, Command::RestoreDefaults),
            Verb::ResetNode => restores(rig, Command::ResetNode),
            // These are tried with the codes.
            _ => continue,
        };
        law.keep(outcome.map_err(|error| format!("{}: {error}", form.verb.name())));
    }
    law
}

/// What a device tells of having done something.
fn is_done(events: &[EventKind], verb: Verb) -> Result<(), String> {
    let is_wanted = |kind: &EventKind| matches!(kind, EventKind::CommandAccepted { verb: found, .. } if *found == verb);
    if events.iter().any(is_wanted) { Ok(()) } else { Err(format!("never obeyed: {events:?}")) }
}

/// Raises each flag that lasts, one at a time, takes its cause away, and looks whether it is there after the command.
fn clears(rig: &Rig, command: Command, cleared: Option<Clearing>) -> Result<(), String> {
    let Some(verb) = command.verb() else { return Ok(()) };
    is_done(&rig.fork().events_of(command.on(0))?, verb)?;
    // What is so still is caught again at once.
    let is_state = |flag| {
        matches!(
            flag,
            Flag::Busy | Flag::TargetReached | Flag::PositiveDirection | Flag::BridgeOff | Flag::InternalLimitActive
        )
    };
    for bit in rig.map.status.flags.iter().filter(|bit| bit.holding != Holding::Live && !is_state(bit.flag)) {
        let rig = rig.fork();
        // An open switch is as it was; a reset has been there before.
        for holds in [true, false] {
            rig.chain.set_condition(rig.target, bit.axis.into(), bit.flag, holds);
        }
        if !bit.is_raised(rig.chain.status(rig.target)) {
            continue;
        }
        rig.to_target(command.on(0))?;
        let expected = cleared.is_none_or(|clearing| bit.holding != Holding::LatchedUntil(clearing));
        if bit.is_raised(rig.chain.status(rig.target)) != expected {
            let text = if expected { "is cleared" } else { "is not cleared" };
            return Err(format!("{} of axis {} {text}", bit.flag.name(), bit.axis));
        }
    }
    Ok(())
}

/// Writes another code to every register that takes one, and looks whether all are at their reset codes after the command.
fn restores(rig: &Rig, command: Command) -> Result<(), String> {
    let rig = rig.fork();
    let dictionary = Dictionary::new(rig.map);
    for register in rig.map.registers.iter().filter(|register| register.access != Access::ReadOnly) {
        let is_other = |code: &u32| *code != register.reset && dictionary.trigger(register, *code).is_none();
        if !is_live(register.parameter)
            && let Some(code) = codes_of(register).into_iter().find(is_other)
            && let Ok(write) = rig.write_of(register, code)
        {
            let _ = rig.to_target(write);
        }
    }
    let mark = rig.chain.event_count();
    let Some(verb) = command.verb() else { return Ok(()) };
    rig.to_target(AxisCommand::from(command))?;
    let events = rig.target_events(mark);
    is_done(&events, verb)?;
    if verb == Verb::ResetNode && !events.contains(&EventKind::Reset) {
        return Err("the device does not start anew".to_owned());
    }
    let is_off =
        |register: &&stepchain::map::Register| !is_live(register.parameter) && rig.held(register) != register.reset;
    match rig.map.registers.iter().find(is_off) {
        None => Ok(()),
        Some(register) => {
            Err(format!("`{}` holds {:#x} and not {:#x}", register.name, rig.held(register), register.reset))
        }
    }
}
