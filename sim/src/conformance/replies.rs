//! Replies: each device answers for itself, each question has its own answer, in the slots where the map says.

use embedded_hal::spi::SpiDevice;
use stepchain::map::{Access, Register, ReplyTiming, Verb};
use stepchain::{AxisCommand, Codec, Command, Pending};

use super::codes::{codes_of, reads_content};
use super::report::Law;
use super::rig::{Rig, is_live};
use crate::decode::Dictionary;

/// Asked at once, all devices answer with what they hold; asked one after the other, no answer is another's; where replies
/// come in the next frame, the next question may go out meanwhile; and behind other devices' longer words as well.
pub(super) fn timing(rig: &Rig) -> Law {
    let mut law = Law::new("replies come when and where the map says");
    if !reads_content(rig) {
        law.cannot("the map cannot read a register".to_owned());
        return law;
    }
    let dictionary = Dictionary::new(rig.map);
    let is_plain = |register: &&Register| {
        register.access != Access::ReadOnly
            && !is_live(register.parameter)
            && codes_of(register).iter().all(|code| dictionary.trigger(register, *code).is_none())
    };
    let plain: Vec<_> = rig.map.registers.iter().filter(is_plain).collect();
    for register in &plain {
        law.keep(each_for_itself(rig, register));
    }
    let readable: Vec<_> =
        rig.map.registers.iter().filter(|register| register.value_of(rig.held(register)).is_ok()).collect();
    for pair in readable.windows(2) {
        if let [first, second] = pair {
            law.keep(one_by_one(rig, first, second));
            if rig.map.wire.reply_timing == ReplyTiming::NextFrame {
                match overlapping(rig, first, second) {
                    Some(outcome) => law.keep(outcome),
                    None => law.cannot("replies of several units: no question is asked meanwhile".to_owned()),
                }
            }
        }
    }
    for verb in [Verb::PeekStatus, Verb::TakeStatus] {
        if rig.map.form(verb).is_some() {
            law.keep(status_comes(rig, verb));
        }
    }
    law
}

/// Every device is given another code, and all are read at once.
fn each_for_itself(rig: &Rig, register: &Register) -> Result<(), String> {
    let rig = rig.fork();
    let codes = codes_of(register);
    let mut expected = Vec::new();
    for device in 0..rig.devices {
        let code = codes.iter().rev().cycle().nth(device).copied().unwrap_or(register.reset);
        let one = Rig { target: device, ..rig.fork() };
        // In the chain itself, not in the branch.
        let one = Rig { chain: rig.chain.clone(), ..one };
        one.to_target(one.write_of(register, code)?)?;
        expected.push(register.value_of(one.held(register)).map_err(|error| error.to_string())?);
    }
    let read = vec![Command::read(register.parameter).on(register.axis); rig.devices];
    for (device, (reply, expected)) in rig.call(&read, 0)?.into_iter().zip(expected).enumerate() {
        let found = reply.map_err(|error| format!("`{}` of device {device}: {error}", register.name))?.value;
        if found != Some(expected) {
            return Err(format!("`{}` of device {device} is {expected}, and {found:?} is read", register.name));
        }
    }
    Ok(())
}

fn one_by_one(rig: &Rig, first: &Register, second: &Register) -> Result<(), String> {
    let rig = rig.fork();
    for register in [first, second, first] {
        let expected = register.value_of(rig.held(register)).ok();
        let found = rig.to_target(Command::read(register.parameter).on(register.axis))?.value;
        if found != expected {
            return Err(format!("`{}` between two others is {expected:?}, and {found:?} is read", register.name));
        }
    }
    Ok(())
}

/// The second question goes out while the first one's answer comes in; `None` where that takes more than a frame each.
fn overlapping(rig: &Rig, first: &Register, second: &Register) -> Option<Result<(), String>> {
    let rig = rig.fork();
    let question = |register: &Register| {
        let mut commands = vec![AxisCommand::default(); rig.devices];
        commands[rig.target] = Command::read(register.parameter).on(register.axis);
        commands
    };
    let bytes = rig.codec.frame_bytes(rig.devices);
    let mut pending = [vec![Pending::default(); rig.devices], vec![Pending::default(); rig.devices]];
    let mut buffers = [vec![0; bytes], vec![0; bytes]];
    let ([pending_a, pending_b], [buffer_a, buffer_b]) = (&mut pending, &mut buffers);
    let codec: &Codec = &rig.codec;
    let mut a = codec.begin(&question(first), pending_a, buffer_a).ok()?;
    let mut b = codec.begin(&question(second), pending_b, buffer_b).ok()?;
    if (a.frames(), b.frames()) != (2, 2) {
        return None;
    }
    let mut spi = rig.chain.spi();
    let Ok(()) = spi.transfer_in_place(a.next_frame()?);
    a.came_back();
    let frame_b = b.next_frame()?;
    let Ok(()) = spi.transfer_in_place(frame_b);
    a.next_frame()?.copy_from_slice(frame_b);
    b.came_back();
    a.came_back();
    let Ok(()) = spi.transfer_in_place(b.next_frame()?);
    b.came_back();
    for (register, talk) in [(first, &a), (second, &b)] {
        let expected = register.value_of(rig.held(register)).ok();
        let found = match talk.reply(rig.target)? {
            Ok(reply) => reply.value,
            Err(error) => return Some(Err(format!("`{}`, asked meanwhile: {error}", register.name))),
        };
        if found != expected {
            return Some(Err(format!("`{}`, asked meanwhile, is {expected:?}, and {found:?} is read", register.name)));
        }
    }
    Some(Ok(()))
}

/// What the typed status says is what the device's status word was, as far as it came.
fn status_comes(rig: &Rig, verb: Verb) -> Result<(), String> {
    let rig = rig.fork();
    let command = if verb == Verb::PeekStatus { Command::PeekStatus } else { Command::TakeStatus };
    // The first one is obeyed; what the second shows is no news.
    rig.to_target(command.on(0))?;
    let word = rig.chain.status(rig.target);
    let Some(status) = rig.to_target(command.on(0))?.status else {
        return Err(format!("{}: no status comes", verb.name()));
    };
    // Bits that did not come are zeros.
    if status.word() & !word != 0
        || rig.map.status.flags.iter().all(|bit| status.flag_of(bit.flag, bit.axis).is_none())
            && !rig.map.status.flags.is_empty()
    {
        return Err(format!("{}: {word:#x} is the status, and {:#x} comes", verb.name(), status.word()));
    }
    Ok(())
}
