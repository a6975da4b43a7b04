//! Codes: each register's range and edges go out and come back as what they mean, alone and beside their neighbours.

use stepchain::Command;
use stepchain::map::{Access, Encoding, Piece, Register, Sign, Verb};

use super::report::Law;
use super::rig::{Rig, is_live, number, scale};
use crate::decode::{Dictionary, value_of};
use crate::device::EventKind;

/// Codes of a register this wide are all tried.
const ALL_BITS: u8 = 4;

/// Every register: what its codes mean, in two arithmetics; written by the driver it holds the code and leaves all others
/// alone; read it brings the value back.
pub(super) fn round_trip(rig: &Rig) -> Law {
    let mut law = Law::new("every register's codes go out and come back");
    let dictionary = Dictionary::new(rig.map);
    for register in rig.map.registers {
        let codes = codes_of(register);
        if codes.is_empty() {
            law.cannot(format!("`{}`: none of its codes is within its unit", register.name));
        }
        let edges = [codes.first().copied(), codes.last().copied()];
        for &code in &codes {
            law.keep(means_one_thing(register, code));
            // A write that sets a command going is tried with the commands.
            if register.access != Access::ReadOnly && dictionary.trigger(register, code).is_none() {
                law.keep(is_held(rig, register, code, edges.contains(&Some(code))));
            }
        }
    }
    law
}

/// Every register holds its reset code after power-up, and the driver can read it.
pub(super) fn power_up(rig: &Rig) -> Law {
    let mut law = Law::new("every register can be read after power-up");
    if !reads_content(rig) {
        law.cannot("the map cannot read a register".to_owned());
        return law;
    }
    for register in rig.map.registers {
        let expected = if is_live(register.parameter) { rig.held(register) } else { register.reset };
        let read = rig.fork().to_target(Command::read(register.parameter).on(register.axis));
        law.keep(match (read, register.value_of(expected)) {
            (Err(error), _) => Err(error),
            (Ok(_), Err(error)) => Err(format!("`{}`: its reset code means nothing: {error}", register.name)),
            (Ok(reply), Ok(value)) if reply.value == Some(value) => Ok(()),
            (Ok(reply), Ok(value)) => {
                Err(format!("`{}`: {value} is expected after power-up, and {:?} is read", register.name, reply.value))
            }
        });
    }
    law
}

/// Whether a read brings the content of the register.
pub(super) fn reads_content(rig: &Rig) -> bool {
    let brings = |piece: &Piece| matches!(piece, Piece::Data { .. } | Piece::DataByRegister);
    rig.map.form(Verb::ReadParameter).is_some_and(|form| form.reply.iter().any(brings))
}

/// The codes to try, as bits: the edges, their neighbours, the reset code, powers of two; all where there are few. Only
/// those whose value the register's unit holds.
pub(super) fn codes_of(register: &Register) -> Vec<u32> {
    let coding = &register.coding;
    let (least, greatest) = coding.code_range();
    let signed: Vec<i64> = match coding.encoding {
        Encoding::Table(entries) => entries.iter().map(|entry| i64::from(entry.code)).collect(),
        _ if coding.width <= ALL_BITS => (least..=greatest).collect(),
        _ => {
            let powers = (0..coding.width).map(|bit| 1i64 << bit);
            let edges = [least, least + 1, -1, 0, 1, greatest - 1, greatest];
            edges.into_iter().chain(powers).filter(|code| (least..=greatest).contains(code)).collect()
        }
    };
    let bits = |code: i64| match coding.sign {
        Sign::SignMagnitude if code < 0 => 1 << (coding.width - 1) | code.unsigned_abs() as u32,
        _ => code as u32 & coding.mask(),
    };
    let mut codes: Vec<u32> = signed.into_iter().map(bits).chain([register.reset]).collect();
    codes.sort_unstable();
    codes.dedup();
    codes.retain(|code| register.value_of(*code).is_ok());
    codes
}

/// The driver's value of a code is the simulator's, and its code for that value means it again.
fn means_one_thing(register: &Register, code: u32) -> Result<(), String> {
    let name = register.name;
    let Ok(value) = register.value_of(code) else { return Ok(()) };
    let exact =
        value_of(code, &register.coding).ok_or_else(|| format!("`{name}`: code {code:#x} means {value} or nothing"))?;
    let off = (number(value) - exact).abs();
    if off > 0.51 / scale(register.unit) + exact.abs() * 1e-12 {
        return Err(format!("`{name}`: code {code:#x} means {value}, or {exact}"));
    }
    match register.quantised(value) {
        Ok(again) if again == value => Ok(()),
        again => Err(format!("`{name}`: code {code:#x} means {value}, whose code means {again:?}")),
    }
}

fn is_held(rig: &Rig, register: &Register, code: u32, beside_others: bool) -> Result<(), String> {
    let name = register.name;
    let rig = rig.fork();
    let command = rig.write_of(register, code)?;
    let Ok(value) = register.value_of(code) else { return Ok(()) };
    // Of two codes with one value either will do.
    let wanted = match command.command {
        Command::WriteParameter { .. } => register.code_of(value).map_err(|error| error.to_string())?,
        _ => code,
    };
    let before = beside_others.then(|| rig.contents());
    let events = rig.events_of(command)?;
    if let Some(refused) = events.iter().find(|kind| !is_welcome(kind)) {
        return Err(format!("`{name}`: code {code:#x} is not taken: {refused}"));
    }
    let held = rig.held(register);
    if held != wanted {
        return Err(format!("`{name}`: after code {wanted:#x} it holds {held:#x}"));
    }
    if let Some(before) = before {
        others_stay(&rig, register, &before)?;
    }
    if !reads_content(&rig) {
        return Ok(());
    }
    let reply = rig.to_target(Command::read(register.parameter).on(register.axis))?;
    if reply.value == Some(value) {
        Ok(())
    } else {
        Err(format!("`{name}`: {value} was written and {:?} is read", reply.value))
    }
}

/// Whether all fields but the written one are as they were, on every device; but for what lives by itself.
fn others_stay(rig: &Rig, written: &Register, before: &[Vec<u32>]) -> Result<(), String> {
    for (device, (was, is)) in before.iter().zip(rig.contents()).enumerate() {
        for ((register, was), is) in rig.map.registers.iter().zip(was).zip(is) {
            let may_change = device == rig.target && (register == written || is_live(register.parameter));
            if !may_change && *was != is {
                let (name, other) = (written.name, register.name);
                return Err(format!(
                    "`{name}`: writing it changes `{other}` of device {device} from {was:#x} to {is:#x}"
                ));
            }
        }
    }
    Ok(())
}

/// Whether nothing but a read and a write has happened, and what the device tells of itself.
fn is_welcome(kind: &EventKind) -> bool {
    !matches!(
        kind,
        EventKind::CommandRejected { .. }
            | EventKind::CommandUnknown { .. }
            | EventKind::CrcMismatch { .. }
            | EventKind::CommandAccepted { .. }
    )
}
