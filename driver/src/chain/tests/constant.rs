//! Constants: the same bytes and the same statuses as by the way of values that are known at run time.

extern crate std;
use std::vec;
use std::vec::Vec;

use embedded_hal::spi::ErrorKind;

use super::fronts::{Bus, block_on};
use crate::chain::{Constant, ConstantLook};
use crate::map::{BridgeState, ChainMap, Devices, Parameter, RegisterMap, StopRamp, Way};
use crate::reference::{FixedWord, Latched};
use crate::units::{Distance, Position, Value, Velocity};
use crate::{AsyncChain, AxisCommand, Chain, Command, Error, ReplyError};

const fn every_kind(length: i32) -> [AxisCommand; 4] {
    let velocity = Velocity::steps_per_s::<-173>();
    [
        Command::MoveVelocity { velocity }.on(0),
        Command::WriteParameter {
            parameter: Parameter::ProfileVelocity,
            value: Value::Velocity(Velocity::steps_per_s::<777>()),
        }
        .on(0),
        Command::Stop { ramp: StopRamp::Profile, bridge: BridgeState::Shorted }.on(0),
        Command::MoveRelative { distance: Distance::from_microsteps(length) }.on(0),
    ]
}

const fn few(target: i32) -> [AxisCommand; 4] {
    let there = Command::MoveAbsolute { target: Position::from_microsteps(target), way: Way::Negative }.on(0);
    [Command::Filler.on(0), Command::HomeOnCurrentPosition.on(0), there, Command::FaultReset.on(0)]
}

fn silent(_: usize, bytes: &mut [u8]) {
    bytes.fill(0);
}

/// The frames of a constant, by both fronts, and those of the same commands at run time.
fn sent<M: ChainMap, const B: usize, const F: usize>(
    constant: &Constant<M, 4, B, F>,
    commands: [AxisCommand; 4],
) -> (Vec<Vec<u8>>, Vec<Vec<u8>>) {
    let mut chain = Chain::<M, _, 4>::new(Bus::new(silent));
    let mut awaited = AsyncChain::<M, _, 4>::new(Bus::new(silent));
    let mut run_time = Chain::<M, _, 4>::new(Bus::new(silent));
    chain.exchange_constant(constant).unwrap();
    block_on(awaited.exchange_constant(constant)).unwrap();
    assert!(run_time.exchange(&commands).unwrap().iter().all(|reply| reply.is_ok() || F > 1));
    assert!(chain.is_in_step() && awaited.is_in_step());
    let frames = chain.release().sent;
    assert_eq!(awaited.release().sent, frames);
    (frames, run_time.release().sent)
}

#[test]
fn a_constant_is_sent_as_the_same_bytes_as_its_commands_at_run_time() {
    static LATCHED: Constant<Latched, 4, 8, 3> = Constant::new(every_kind(-70_000));
    static LATCHED_FEW: Constant<Latched, 4, 8, 2> = Constant::new(few(5));
    static FIXED_WORD: Constant<FixedWord, 4, 24, 2> = Constant::new(every_kind(-70_000));
    static FIXED_WORD_FEW: Constant<FixedWord, 4, 24, 2> = Constant::new(few(5));
    let (constant, run_time) = sent(&LATCHED, every_kind(-70_000));
    assert_eq!(constant, run_time);
    let (constant, run_time) = sent(&LATCHED_FEW, few(5));
    assert_eq!(constant, run_time);
    let (constant, run_time) = sent(&FIXED_WORD, every_kind(-70_000));
    assert_eq!(constant, run_time);
    let (constant, run_time) = sent(&FIXED_WORD_FEW, few(5));
    assert_eq!(constant, run_time);
}

/// Statuses of [`ConstantLook`], and of the question at run time, for the same answers.
fn looked<M: ChainMap, const B: usize>(
    look: &ConstantLook<M, 4, B, 2>,
    answer: fn(usize, &mut [u8]),
) -> [Result<u64, ReplyError>; 4] {
    let mut chain = Chain::<M, _, 4>::new(Bus::new(answer));
    let mut awaited = AsyncChain::<M, _, 4>::new(Bus::new(answer));
    let mut run_time = Chain::<M, _, 4>::new(Bus::new(answer));
    let answers = chain.look_constant(look).unwrap();
    let found = core::array::from_fn(|device| answers.status(device).unwrap());
    assert!(answers.status(4).is_none());
    let later = block_on(awaited.look_constant(look)).unwrap();
    let expected = run_time.exchange(&[Command::PeekStatus; 4]).unwrap();
    for (device, (found, expected)) in found.iter().zip(expected).enumerate() {
        assert_eq!(*found, expected.map(|reply| reply.status.unwrap()), "device {device}");
        assert_eq!(later.status(device), Some(*found));
    }
    assert_eq!(chain.release().sent, run_time.release().sent);
    found.map(|status| status.map(|status| status.word()))
}

/// By hand, of FixedWord with the check of its first five bytes by the map's parameters: the middle device's is wrong, and
/// that of device 0, at the end, has a bit where the map fixes a zero.
fn checked(_: usize, bytes: &mut [u8]) {
    let checked = |content: [u8; 5]| {
        let crc = content.iter().fold(0xFFu8, |register, byte| {
            (0..8).fold(register ^ byte, |r, _| if r & 0x80 == 0 { r << 1 } else { r << 1 ^ 0x2F })
        });
        let [a, b, c, d, e] = content;
        [a, b, c, d, e, crc ^ 0xFF]
    };
    let mut damaged = checked([0x65, 0, 0, 0x01, 0x82]);
    damaged[5] ^= 0x40;
    let words = [checked([0x25, 0, 0, 0x04, 0x82]), damaged, checked([0; 5]), checked([0x25, 0, 1, 0, 0])];
    bytes.copy_from_slice(words.as_flattened());
}

fn counted(_: usize, bytes: &mut [u8]) {
    for (index, byte) in bytes.iter_mut().enumerate() {
        *byte = 0x81u8.wrapping_add(0x13 * index as u8);
    }
}

/// By hand: status bits 8 to 24 stand in the last two bytes before the check, bits 0 to 8 in the first.
#[test]
fn the_statuses_in_the_answers_to_a_constant_are_those_of_the_question_at_run_time() {
    static LATCHED: ConstantLook<Latched, 4, 8, 2> = ConstantLook::new();
    static FIXED_WORD: ConstantLook<FixedWord, 4, 24, 2> = ConstantLook::new();
    assert_eq!(looked(&LATCHED, counted), [Ok(0xF306), Ok(0xCDE0), Ok(0xA7BA), Ok(0x8194)]);
    let found = looked(&FIXED_WORD, checked);
    assert!(matches!(found, [Err(ReplyError::Malformed), Ok(0), Err(ReplyError::Crc { .. }), Ok(0x04_8225)]));
}

struct Mixed;
/// As Latched, but asks and answers with a part of the status, and a fixed bit.
struct Partly;
impl RegisterMap for Partly {
    const LAYOUT: crate::map::Layout = {
        use crate::map::{CommandForm, Flag, Layout, Piece, StatusBit, StatusLayout, Verb};
        let peek = &[CommandForm::word(Verb::PeekStatus, &[Piece::fixed(16, 0x1234)]).reply(&[
            Piece::fixed(3, 0b101),
            Piece::status(9).part(3, 9),
            Piece::any(1),
            Piece::status(3),
        ])];
        let mut layout = Layout::new("partly", Latched::LAYOUT.wire).commands(peek);
        layout.status = StatusLayout::new(12, &[StatusBit::live(Flag::Busy, 0)]);
        layout
    };
}
impl ChainMap for Mixed {
    const DEVICES: Devices = Devices::unlike(&[&Latched::LAYOUT, &Partly::LAYOUT, &Partly::LAYOUT, &Latched::LAYOUT]);
}

/// By hand: 0xA7BA is 101 001111011 1 010, so 0b001111011 over 010 is 0x3DA; 0xCDE0 begins with 110.
#[test]
fn unlike_devices_are_each_asked_and_read_by_their_own_map() {
    static LOOK: ConstantLook<Mixed, 4, 8, 2> = ConstantLook::new();
    let found = looked(&LOOK, counted);
    assert_eq!(found, [Ok(0xF306), Err(ReplyError::Malformed), Ok(0x3DA), Ok(0x8194)]);
}

#[test]
fn a_constant_behind_a_failed_transfer_goes_out_behind_idle_frames() {
    static STOP: Constant<Latched, 4, 8, 1> =
        Constant::new([Command::Stop { ramp: StopRamp::Quick, bridge: BridgeState::HighImpedance }.on(0); 4]);
    let mut chain = Chain::<Latched, _, 4>::new(Bus { failing: vec![2], ..Bus::new(silent) });
    chain.doubt_step();
    assert_eq!(chain.exchange_constant(&STOP), Err(Error::Spi(ErrorKind::Other)));
    assert!(!chain.is_in_step());
    chain.exchange_constant(&STOP).unwrap();
    assert!(chain.is_in_step());
    let sent = chain.release().sent;
    let tail: Vec<_> = sent.iter().rev().take(4).map(|frame| frame[0]).collect();
    assert_eq!(tail, [0x3A, 0x7E, 0x7E, 0x7E]);
}
