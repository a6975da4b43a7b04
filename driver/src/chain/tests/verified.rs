//! Verified calls on a bus that answers by script: what is sent, what is repeated, what is counted.

extern crate std;
use std::string::ToString;
use std::vec;
use std::vec::Vec;

use embedded_hal::spi::ErrorKind;

use super::fronts::{Bus, block_on};
use crate::chain::{Doubt, Retries, Verifier, VerifyError};
use crate::map::{Flag, Parameter, Verb};
use crate::reference::{FixedWord, Latched};
use crate::units::{Distance, Value, Velocity};
use crate::{AsyncChain, Chain, Command, Error, ReplyError};

/// By hand: bit 15 is high (no reset), bit 0 is high (not busy).
const WELL: [u8; 2] = [0x80, 0x01];

/// Every status is well. A peek is two frames, its status in the second: in each stage but that of a command.
fn well(_: usize, bytes: &mut [u8]) {
    bytes.copy_from_slice(&WELL);
}

fn velocity() -> Command {
    Command::MoveVelocity { velocity: Velocity::from_steps_per_s(100).unwrap() }
}

fn by_three() -> Command {
    Command::MoveRelative { distance: Distance::from_microsteps(3) }
}

/// Both fronts, with the same outcome and bytes.
fn run(
    bus: impl Fn() -> Bus,
    command: Command,
    retries: Retries,
) -> (Result<(), VerifyError<ErrorKind>>, Verifier, Vec<Vec<u8>>) {
    let (mut verifier, mut other) = (Verifier::new(retries), Verifier::new(retries));
    let (mut chain, mut awaited) = (Chain::<Latched, _, 1>::new(bus()), AsyncChain::<Latched, _, 1>::new(bus()));
    let result = chain.send_verified(&[command], &mut verifier);
    assert_eq!(block_on(awaited.send_verified(&[command], &mut other)), result);
    let sent = chain.release().sent;
    assert_eq!((awaited.release().sent, other), (sent.clone(), verifier));
    (result.map(|_| ()), verifier, sent)
}

/// By hand: peek is 0xE000, filler 0x7E7E; 100 steps/s is 0xB400, 0x1388.
#[test]
fn a_command_that_cannot_be_read_back_is_sent_between_peeks() {
    let (result, verifier, sent) = run(|| Bus::new(well), velocity(), Retries::NONE);
    assert_eq!(result, Ok(()));
    let peek = [[0xE0, 0x00], [0x7E, 0x7E]];
    let expected = [&peek[..], &[[0xB4, 0x00], [0x13, 0x88]], &peek, &peek].concat();
    assert_eq!(sent, expected);
    assert_eq!((verifier.counters().calls, verifier.counters().exchanges), (1, 4));
}

/// By hand: bit 8 is "command rejected", bit 9 "command unknown"; the second peek's status is in frame 5.
#[test]
fn what_a_device_refuses_or_does_not_know_is_a_typed_error() {
    fn refused(number: usize, bytes: &mut [u8]) {
        bytes.copy_from_slice(if number < 5 { &WELL } else { &[0x81, 0x01] });
    }
    fn unknown(number: usize, bytes: &mut [u8]) {
        bytes.copy_from_slice(if number < 5 { &WELL } else { &[0x83, 0x01] });
    }
    let verb = Some(Verb::MoveVelocity);
    let (result, verifier, sent) = run(|| Bus::new(refused), velocity(), Retries::times(5));
    let error = result.unwrap_err();
    assert_eq!(error, VerifyError::Device { device: 0, verb, doubt: Doubt::Rejected });
    assert_eq!(error.to_string(), "device 0, `move velocity`: the device has refused it");
    assert_eq!((verifier.counters().rejected, verifier.counters().retries, sent.len()), (1, 0, 6));
    let (result, verifier, _) = run(|| Bus::new(unknown), velocity(), Retries::times(5));
    let doubt = Doubt::NotUnderstood { flag: Flag::CommandUnknown };
    assert_eq!(result, Err(VerifyError::Device { device: 0, verb, doubt }));
    assert_eq!(verifier.counters().not_understood, 1);
}

/// The take's status is in frame 3. By hand: take is 0xE100; bit 9 is "command unknown", which the take brings down.
#[test]
fn a_flag_that_a_take_shows_and_brings_down_is_told() {
    fn unknown(number: usize, bytes: &mut [u8]) {
        bytes.copy_from_slice(if number == 3 { &[0x82, 0x01] } else { &WELL });
    }
    let (result, verifier, sent) = run(|| Bus::new(unknown), Command::TakeStatus, Retries::times(5));
    let doubt = Doubt::NotUnderstood { flag: Flag::CommandUnknown };
    assert_eq!(result, Err(VerifyError::Device { device: 0, verb: Some(Verb::TakeStatus), doubt }));
    assert_eq!((verifier.counters().not_understood, verifier.counters().retries), (1, 0));
    assert_eq!(sent, [[0xE0, 0x00], [0x7E, 0x7E], [0xE1, 0x00], [0x7E, 0x7E]]);
    let (result, _, _) = run(|| Bus::new(well), Command::TakeStatus, Retries::NONE);
    assert_eq!(result, Ok(()));
}

#[test]
fn nothing_is_sent_while_a_flag_would_hide_what_comes_of_it() {
    fn stale(_: usize, bytes: &mut [u8]) {
        bytes.copy_from_slice(&[0x81, 0x01]);
    }
    let (result, _, sent) = run(|| Bus::new(stale), velocity(), Retries::times(5));
    let doubt = Doubt::Stale { flag: Flag::CommandRejected };
    assert_eq!(result, Err(VerifyError::Device { device: 0, verb: Some(Verb::MoveVelocity), doubt }));
    assert_eq!(sent, [[0xE0, 0x00], [0x7E, 0x7E]]);
}

/// Frames 2 and 3 carry the command.
#[test]
fn after_a_failed_transfer_a_velocity_is_repeated_and_a_distance_is_not() {
    let failing = || Bus { failing: vec![3], ..Bus::new(well) };
    let (result, verifier, sent) = run(failing, velocity(), Retries::times(1));
    assert_eq!(result, Ok(()));
    let counters = verifier.counters();
    assert_eq!((counters.spi_errors, counters.retries, counters.exchanges), (1, 1, 5));
    assert_eq!(sent[4..9], [[0x7E, 0x7E], [0x7E, 0x7E], [0x7E, 0x7E], [0xB4, 0x00], [0x13, 0x88]]);
    let failed = Err(VerifyError::Chain(Error::Spi(ErrorKind::Other)));
    assert_eq!(run(failing, velocity(), Retries::NONE).0, failed);
    assert_eq!(run(failing, velocity(), Retries { spi_errors: false, ..Retries::times(9) }).0, failed);

    // Peek, the position (a read of three units), then the distance in frames 5 and 6.
    let failing = || Bus { failing: vec![6], ..Bus::new(well) };
    let (result, verifier, sent) = run(failing, by_three(), Retries::times(9));
    assert_eq!(result, failed);
    assert_eq!((verifier.counters().retries, sent.len()), (0, 7));
    assert_eq!(sent[5..], [[0x68, 0x00], [0x00, 0x03]]);
    // A question before it is repeated all the same.
    let failing = || Bus { failing: vec![3], ..Bus::new(well) };
    let (_, verifier, sent) = run(failing, by_three(), Retries::times(1));
    assert_eq!(verifier.counters().retries, 1);
    assert_eq!(sent.iter().filter(|frame| frame[..] == [0x68, 0x00]).count(), 1);
}

/// Every value reads as 0x8001 in each unit: the position before is 0x018001 = 98305, the target after should be three
/// more, and reads the same.
#[test]
fn a_target_that_is_not_where_the_distance_leads_is_told() {
    let (result, verifier, _) = run(|| Bus::new(well), by_three(), Retries::NONE);
    let Err(VerifyError::Device { device: 0, doubt: Doubt::Differs { register, expected, found }, .. }) = result else {
        panic!("{result:?}")
    };
    assert_eq!((register, expected.to_bits(), found.to_bits()), ("target position", 98308, 98305));
    assert!(matches!(found, Value::Position(_)));
    assert_eq!(verifier.counters().differing, 1);
}

#[test]
fn a_command_that_cannot_be_encoded_is_refused_before_the_first_question() {
    let (result, verifier, sent) = run(|| Bus::new(well), Command::read(Parameter::SupplyVoltage), Retries::NONE);
    assert!(matches!(result, Err(VerifyError::Chain(Error::Command { device: 0, .. }))), "{result:?}");
    assert_eq!((sent.len(), verifier.counters().exchanges), (0, 0));
}

/// The reply comes in the second frame of each question; the first one is spoilt.
#[test]
fn a_reply_with_a_wrong_check_is_asked_for_again_as_often_as_the_policy_says() {
    fn spoilt_once(number: usize, bytes: &mut [u8]) {
        bytes.fill(0);
        let check = crc::Crc::<u8>::new(&crc::CRC_8_AUTOSAR).checksum(&[0; 5]);
        bytes[5] = if number == 1 { !check } else { check };
    }
    let run = |retries| {
        let mut verifier = Verifier::new(retries);
        let mut chain = Chain::<FixedWord, _, 1>::new(Bus::new(spoilt_once));
        let result = chain.send_verified(&[Command::HomeOnCurrentPosition], &mut verifier);
        (result.map(|_| ()), *verifier.counters())
    };
    let (result, counters) = run(Retries::times(1));
    assert_eq!((result, counters.retries, counters.crc_errors), (Ok(()), 1, 1));
    for retries in [Retries::NONE, Retries { reply_errors: false, ..Retries::times(9) }] {
        let (result, counters) = run(retries);
        let Err(VerifyError::Device { doubt: Doubt::Reply(ReplyError::Crc { .. }), .. }) = result else {
            panic!("{result:?}")
        };
        assert_eq!(counters.retries, 0);
    }
}
