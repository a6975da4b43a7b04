//! Locks: what may not be written, or not now, stays as it is, and the log says why; so does what does not exist.

use stepchain::Command;
use stepchain::map::{Access, Layout, Parameter, Register, Verb};

use super::codes::codes_of;
use super::report::Law;
use super::rig::{Rig, is_live};
use crate::device::{EventKind, Rejection};

/// Registers that are read only, locked while the motor moves, or locked while the bridge drives are not changed by a
/// write then; an address without a register is neither read nor written.
pub(super) fn hold(rig: &Rig) -> Law {
    let mut law = Law::new("locked, read-only and missing registers are left alone and told");
    if rig.map.form(Verb::WriteParameter).is_none() {
        law.cannot("the map cannot write a register".to_owned());
        return law;
    }
    let open = opened(rig.map);
    for register in rig.map.registers {
        match register.access {
            Access::Always => {}
            // The driver would refuse it: another map lets it try.
            Access::ReadOnly => match open.and_then(|map| rig.with_map(map).ok()) {
                Some(rig) => law.keep(is_kept(&rig, register, |reason| matches!(reason, Rejection::ReadOnly { .. }))),
                None => law.cannot(format!("`{}`: no other map writes it", register.name)),
            },
            Access::AtStandstill | Access::BridgeOff => {
                let rig = rig.fork();
                rig.prepare();
                if rig.set_going(register.axis, true) {
                    law.keep(is_kept(&rig, register, |reason| {
                        matches!(reason, Rejection::NotAtStandstill { .. } | Rejection::BridgeNotOff { .. })
                    }));
                } else {
                    law.cannot(format!("`{}`: its axis cannot be set going", register.name));
                }
            }
        }
    }
    match rig_with_a_stranger(rig) {
        Some((rig, address)) => {
            for command in [Command::read(STRANGER), Command::WriteContent { parameter: STRANGER, content: 1 }] {
                if command.verb().is_some_and(|verb| rig.map.form(verb).is_some()) {
                    law.keep(is_unknown(&rig, command, address));
                }
            }
        }
        None => law.cannot("every address has a register or another meaning".to_owned()),
    }
    law
}

/// A parameter that stands for a register that is not there.
const STRANGER: Parameter = Parameter::Custom(u8::MAX);

/// A rig whose driver believes in one register more than the devices have, and its address.
pub(super) fn rig_with_a_stranger(rig: &Rig) -> Option<(Rig, u16)> {
    if rig.map.registers.iter().any(|register| register.parameter == STRANGER) {
        return None;
    }
    let missing = |address: &u16| rig.map.registers.iter().all(|register| register.address != *address);
    // From above, as most maps leave the highest addresses free; a map whose addresses are narrow is tried from below.
    let few = (0..=u16::MAX).filter(missing).take(64);
    let tops = [0x7F, 0xFF, 0x3F, 0x1F, 0x0F].into_iter().filter(missing);
    tops.chain(few).find_map(|address| {
        let registers: Vec<_> =
            rig.map.registers.iter().copied().chain([Register::new(STRANGER, address, 1).named("stranger")]).collect();
        let with = rig.with_map(leaked(rig.map, registers)).ok()?;
        // Where an address is told from a command by its bits alone, it may be one.
        let mark = with.chain.event_count();
        let probe = with.fork();
        probe.to_target(Command::WriteContent { parameter: STRANGER, content: 1 }.on(0)).ok()?;
        let events = probe.target_events(mark);
        let is_missed = |kind: &EventKind| {
            matches!(kind, EventKind::CommandRejected { reason: Rejection::NoSuchRegister { address: missed }, .. } if *missed == address)
        };
        events.iter().any(is_missed).then_some((with, address))
    })
}

/// The same map with every register writable.
fn opened(map: &'static Layout) -> Option<&'static Layout> {
    let registers = map.registers.iter().map(|register| register.access(Access::Always)).collect();
    let open = leaked(map, registers);
    open.validate().is_ok().then_some(open)
}

fn leaked(map: &'static Layout, registers: Vec<Register>) -> &'static Layout {
    Box::leak(Box::new(map.registers(registers.leak())))
}

/// A code that means something and is not the one held; for what lives by itself any will do.
fn other_code(rig: &Rig, register: &Register) -> Option<u32> {
    let held = rig.held(register);
    // Of several codes for one value the driver may choose the one that is held.
    let sent = |code: u32| register.value_of(code).and_then(|value| register.code_of(value));
    codes_of(register).into_iter().rev().find(|code| *code != held && sent(*code) != Ok(held))
}

fn is_kept(rig: &Rig, register: &Register, is_right: fn(&Rejection) -> bool) -> Result<(), String> {
    let name = register.name;
    let Some(code) = other_code(rig, register) else { return Ok(()) };
    let own = rig.map.registers.iter().find(|other| other.address == register.address && other.lsb == register.lsb);
    let command = rig.write_of(own.unwrap_or(register), code)?;
    let before = rig.held(register);
    let events = rig.events_of(command)?;
    let reasons: Vec<_> = events
        .iter()
        .filter_map(|kind| match kind {
            EventKind::CommandRejected { verb: Verb::WriteParameter, reason, .. } => Some(reason),
            _ => None,
        })
        .collect();
    let held = rig.held(register);
    if !is_live(register.parameter) && held != before {
        return Err(format!("`{name}` is locked, and yet code {code:#x} has changed {before:#x} to {held:#x}"));
    }
    // A field that is read only beside one that is not is left alone, and the write is none the worse for it.
    let beside = register.access == Access::ReadOnly && rig.chain.layout().is_writable(register.address);
    if beside || reasons.iter().any(|reason| is_right(reason)) {
        return Ok(());
    }
    Err(format!("`{name}` is locked, and a write of code {code:#x} is not rejected for that: {reasons:?}"))
}

fn is_unknown(rig: &Rig, command: Command, address: u16) -> Result<(), String> {
    let rig = rig.fork();
    let before = rig.contents();
    let mark = rig.chain.event_count();
    // What comes back means nothing.
    let _ = rig.to_target(command.on(0));
    let events = rig.target_events(mark);
    let is_told = events.iter().any(|kind| {
        matches!(kind, EventKind::CommandRejected { reason: Rejection::NoSuchRegister { address: told }, .. } if *told == address)
    });
    if !is_told || rig.contents() != before {
        return Err(format!("address {address:#x}, where there is no register: {events:?}"));
    }
    Ok(())
}
