//! Calls that heed refusals, on devices with two axes and on chains of several devices: whose flag and whose state count.

extern crate std;

use embedded_hal::spi::ErrorKind;

use super::fronts::Bus;
use crate::chain::Obstacle;
use crate::map::{
    CommandForm, Flag, Layout, Parameter, Piece, Refusal, Register, RegisterMap, StatusBit, StatusLayout, Verb, Wire,
    Write,
};
use crate::{AxisCommand, Chain, Command, Error, Reply, ReplyError};

type Sent<const N: usize> = Result<[Reply; N], Error<ErrorKind>>;
type Answer = fn(usize, &mut [u8]);

fn send<M: RegisterMap, const N: usize>(answer: Answer, commands: [AxisCommand; N]) -> (Sent<N>, usize) {
    let mut chain = Chain::<M, _, N>::new(Bus::new(answer));
    let result = chain.send(&commands);
    (result, chain.release().sent.len())
}

const WIRE: Wire = Wire::latched_units(8, &[Piece::fixed(8, 0)]);
const PEEK: CommandForm = CommandForm::word(Verb::PeekStatus, &[Piece::fixed(8, 0x80)]).reply(&[Piece::status(8)]);
const HOME: CommandForm = CommandForm::word(Verb::HomeOnCurrentPosition, &[Piece::fixed(7, 0x10), Piece::axis(1)]);
const DEFAULTS: CommandForm = CommandForm::word(Verb::RestoreDefaults, &[Piece::fixed(8, 0x50)]);

/// Each axis has a flag for what is refused.
struct Rejecting;

impl RegisterMap for Rejecting {
    const LAYOUT: Layout = Layout::new("rejecting", WIRE).axes(2).commands(&[PEEK, HOME]).status(StatusLayout::new(
        8,
        &[StatusBit::latched(Flag::CommandRejected, 0), StatusBit::latched(Flag::CommandRejected, 1).axis(1)],
    ));
}

/// By hand: the flag of axis 0 is 1, that of axis 1 is 2. A word whose axis the device could not see raises the first.
#[test]
fn the_flag_of_its_axis_and_that_of_the_first_one_speak_against_a_command() {
    const FIRST: Answer = |_, bytes| bytes.fill(1);
    const SECOND: Answer = |_, bytes| bytes.fill(2);
    for (answer, is_refused) in [(FIRST, [true, true]), (SECOND, [false, true])] {
        let found = [0, 1].map(|axis| send::<Rejecting, 1>(answer, [Command::HomeOnCurrentPosition.on(axis)]).0);
        assert_eq!(found.each_ref().map(Result::is_err), is_refused, "{found:?}");
    }
}

/// Its own reply says whether a word was understood, and a look afterwards whether it was refused.
struct InTwoLooks;

impl RegisterMap for InTwoLooks {
    const LAYOUT: Layout = Layout::new("in two looks", WIRE)
        .commands(&[
            CommandForm::word(Verb::PeekStatus, &[Piece::fixed(8, 0x80)])
                .reply(&[Piece::status(6), Piece::fixed(2, 0b10)]),
            DEFAULTS.reply(&[Piece::status(1), Piece::any(7)]),
        ])
        .status(StatusLayout::new(
            6,
            &[StatusBit::latched(Flag::CommandUnknown, 0), StatusBit::latched(Flag::CommandRejected, 5)],
        ));
}

/// By hand: the word and its reply's slot are frames 0 and 1, the look's are 2 and 3. A reply of 0x80 has bit 0 up; the
/// look's ends in 10, so that 0x03 is malformed, and 0x82 has bit 5 up.
#[test]
fn what_the_own_reply_says_is_not_lost_by_a_later_look() {
    const UNKNOWN_THEN_SPOILT: Answer = |frame, bytes| bytes.fill(if frame == 1 { 0x80 } else { 0x03 });
    const UNKNOWN_THEN_REFUSED: Answer = |frame, bytes| bytes.fill(if frame == 1 { 0x80 } else { 0x82 });
    const WELL_THEN_SPOILT: Answer = |frame, bytes| bytes.fill(if frame == 1 { 0x00 } else { 0x03 });
    const WELL_THEN_REFUSED: Answer = |frame, bytes| bytes.fill(if frame == 1 { 0x00 } else { 0x82 });
    let of = |flag| Error::Rejected { device: 0, verb: Verb::RestoreDefaults, flag };
    for (answer, error) in [
        (UNKNOWN_THEN_SPOILT, of(Flag::CommandUnknown)),
        (UNKNOWN_THEN_REFUSED, of(Flag::CommandUnknown)),
        (WELL_THEN_SPOILT, Error::Reply { device: 0, error: ReplyError::Malformed }),
        (WELL_THEN_REFUSED, of(Flag::CommandRejected)),
    ] {
        assert_eq!(send::<InTwoLooks, 1>(answer, [Command::RestoreDefaults.into()]), (Err(error), 4));
    }
}

/// No flag for refusals, and the states of each axis in bits of their own.
struct Pair;

impl RegisterMap for Pair {
    const LAYOUT: Layout = Layout::new("pair", WIRE)
        .axes(2)
        .registers(&[
            Register::new(Parameter::ProfileVelocity, 1, 8),
            Register::new(Parameter::ProfileVelocity, 2, 8).axis(1),
        ])
        .commands(&[
            PEEK,
            HOME.refused(Refusal::NEVER.while_moving().while_faulted()),
            DEFAULTS.refused(Refusal::NEVER.while_moving()),
            CommandForm::word(Verb::WriteParameter, &[Piece::fixed(4, 0x4), Piece::address(4), Piece::data(8)])
                .refused(Refusal::NEVER.while_bridge_off()),
            CommandForm::writes(Verb::ReturnToZero, &[Write::code(Parameter::ProfileVelocity, 1)]),
        ])
        .status(StatusLayout::new(
            8,
            &[
                StatusBit::live(Flag::Busy, 0),
                StatusBit::live(Flag::Busy, 1).axis(1),
                StatusBit::live(Flag::BridgeOff, 2),
                StatusBit::live(Flag::BridgeOff, 3).axis(1),
                StatusBit::live(Flag::Fault, 4),
                StatusBit::live(Flag::Fault, 5).axis(1),
            ],
        ));
}

const WELL: Answer = |_, bytes| bytes.fill(0);

/// What hinders a command for axis 0, and for axis 1; each is sent if and only if nothing does.
fn hindered(answer: Answer, command: Command) -> [Option<Obstacle>; 2] {
    [0, 1].map(|axis| match send::<Pair, 1>(answer, [command.on(axis)]) {
        (Err(Error::NotNow { obstacle, .. }), 2) => Some(obstacle),
        (Ok(_), 3..) => None,
        other => panic!("{command:?} on axis {axis}: {other:?}"),
    })
}

/// By hand: 1 and 2 say that axis 0 and axis 1 move.
#[test]
fn motion_of_the_other_axis_hinders_a_command_of_the_whole_device_and_none_of_one_axis() {
    let moving = Some(Obstacle::Moving);
    let (first, second): (Answer, Answer) = (|_, bytes| bytes.fill(1), |_, bytes| bytes.fill(2));
    assert_eq!(hindered(first, Command::HomeOnCurrentPosition), [moving, None]);
    assert_eq!(hindered(second, Command::HomeOnCurrentPosition), [None, moving]);
    for answer in [first, second] {
        assert_eq!(hindered(answer, Command::RestoreDefaults), [moving; 2]);
    }
    assert_eq!(hindered(WELL, Command::RestoreDefaults), [None; 2]);
}

/// By hand: 0x10 is the fault of axis 0, which is the device's too, and 0x20 that of axis 1.
#[test]
fn a_fault_of_the_first_axis_is_the_devices() {
    let faulted = Some(Obstacle::Faulted);
    assert_eq!(hindered(|_, bytes| bytes.fill(0x10), Command::HomeOnCurrentPosition), [faulted; 2]);
    assert_eq!(hindered(|_, bytes| bytes.fill(0x20), Command::HomeOnCurrentPosition), [None, faulted]);
}

/// By hand: returning is one write, and writing is refused while a bridge is off: 4 is that of axis 0, 8 that of axis 1.
#[test]
fn what_is_said_of_writing_is_said_of_a_command_that_is_made_of_writes() {
    for answer in [(|_, bytes| bytes.fill(4)) as Answer, |_, bytes| bytes.fill(8)] {
        assert_eq!(hindered(answer, Command::ReturnToZero), [Some(Obstacle::BridgeOff); 2]);
        assert_eq!(hindered(answer, Command::HomeOnCurrentPosition), [None; 2]);
    }
    assert_eq!(hindered(WELL, Command::ReturnToZero), [None; 2]);
}

/// By hand: the last device's byte comes first. Device 0 moves, and device 1 has a fault, or nothing, or the other way round.
#[test]
fn the_first_device_that_is_hindered_is_told_and_nothing_is_sent_to_any() {
    const MOVING_FAULTED: Answer = |_, bytes| bytes.copy_from_slice(&[0x10, 0x01]);
    const MOVING_WELL: Answer = |_, bytes| bytes.copy_from_slice(&[0x00, 0x01]);
    const WELL_FAULTED: Answer = |_, bytes| bytes.copy_from_slice(&[0x10, 0x00]);
    let verb = Verb::HomeOnCurrentPosition;
    for (answer, device, obstacle) in [
        (MOVING_FAULTED, 0, Obstacle::Moving),
        (MOVING_WELL, 0, Obstacle::Moving),
        (WELL_FAULTED, 1, Obstacle::Faulted),
    ] {
        let found = send::<Pair, 2>(answer, [Command::HomeOnCurrentPosition.into(); 2]);
        assert_eq!(found, (Err(Error::NotNow { device, verb, obstacle }), 2));
    }
}
