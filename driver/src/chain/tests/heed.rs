//! Calls that heed refusals, on a bus that answers by rule: what is looked at, when, and what becomes of it.

extern crate std;
use std::string::ToString;
use std::vec;
use std::vec::Vec;

use embedded_hal::spi::ErrorKind;

use super::fronts::{Bus, block_on};
use crate::chain::{DeviceError, Doubt, Obstacle, RefusalNotice, Retries, Verifier, VerifyError};
use crate::map::{
    Access, CommandForm, Flag, Layout, Parameter, Piece, Refusal, Register, RegisterMap, StatusBit, StatusLayout, Verb,
    Wire, Write,
};
use crate::reference::{FixedWord, Latched};
use crate::units::{Amplitude, Velocity};
use crate::{AsyncChain, AxisCommand, Chain, Command, CommandError, Error, Reply, ReplyError};

type Outcome<const N: usize> = (Result<[Reply; N], Error<ErrorKind>>, Vec<Vec<u8>>);

/// Both fronts, with the same outcome and bytes.
fn send<M: RegisterMap, const N: usize>(bus: impl Fn() -> Bus, commands: [AxisCommand; N]) -> Outcome<N> {
    let (mut chain, mut awaited) = (Chain::<M, _, N>::new(bus()), AsyncChain::<M, _, N>::new(bus()));
    let result = chain.send(&commands);
    assert_eq!(block_on(awaited.send(&commands)), result);
    let sent = chain.release().sent;
    assert_eq!(awaited.release().sent, sent);
    (result, sent)
}

fn velocity() -> Command {
    Command::MoveVelocity { velocity: Velocity::from_steps_per_s(100).unwrap() }
}

/// Of Latched every status is 0x8001: no reset, not busy, no flag.
fn well(_: usize, bytes: &mut [u8]) {
    bytes.copy_from_slice(&[0x80, 0x01].repeat(bytes.len() / 2));
}

/// By hand: 100 steps/s is 0xB400, 0x1388; peek 0xE000, filler 0x7E7E. The last device's unit leaves first.
#[test]
fn after_a_command_its_device_alone_is_peeked_at_and_its_status_is_in_the_reply() {
    let (result, sent) = send::<Latched, 2>(|| Bus::new(well), [Command::Filler.into(), velocity().into()]);
    let expected = [[0xB4, 0x00, 0x7E, 0x7E], [0x13, 0x88, 0x7E, 0x7E], [0xE0, 0x00, 0x7E, 0x7E], [0x7E; 4]];
    assert_eq!(sent, expected);
    let [idle, moved] = result.unwrap();
    assert_eq!(idle, Reply::default());
    assert_eq!(moved.status.unwrap().word(), 0x8001);
}

/// By hand: bit 8 is "command rejected", bit 9 "command unknown"; the status of a peek is in its second frame, of device
/// 1 in front.
#[test]
fn a_raised_flag_is_a_typed_error_of_its_device() {
    fn rejects(_: usize, bytes: &mut [u8]) {
        bytes.copy_from_slice(&[0x81, 0x01, 0x80, 0x01]);
    }
    fn knows_nothing(_: usize, bytes: &mut [u8]) {
        bytes.copy_from_slice(&[0x83, 0x01, 0x80, 0x01]);
    }
    let verb = Verb::MoveVelocity;
    for (answer, flag) in
        [(rejects as fn(usize, &mut [u8]), Flag::CommandRejected), (knows_nothing, Flag::CommandUnknown)]
    {
        let (result, sent) = send::<Latched, 2>(|| Bus::new(answer), [velocity().into(); 2]);
        assert_eq!(result, Err(Error::Rejected { device: 1, verb, flag }));
        assert_eq!(sent.len(), 4);
        let mut chain = Chain::<Latched, _, 2>::new(Bus::new(answer));
        let [first, second] = chain.send_each(&[velocity(); 2]).unwrap();
        assert_eq!(first.unwrap().status.unwrap().word(), 0x8001);
        assert_eq!(second, Err(DeviceError::Rejected { verb, flag }));
        assert!(chain.send_one(0, velocity()).is_ok());
        assert!(chain.send_one(1, velocity()).is_err());
        assert!(chain.send_all(velocity()).is_err());
        assert!(chain.exchange(&[velocity(); 2]).unwrap().iter().all(Result::is_ok), "it looks at nothing");
    }
    let error: Error<ErrorKind> = Error::Rejected { device: 1, verb, flag: Flag::CommandRejected };
    assert_eq!(
        error.to_string(),
        "device 1: after `move velocity` the flag `command rejected` is raised, now or since the status was taken last"
    );
}

/// All flags are up, and still a question is answered: its reply shows them.
#[test]
fn questions_and_filler_are_not_looked_at() {
    fn all_up(_: usize, bytes: &mut [u8]) {
        bytes.fill(0xFF);
    }
    let read = Command::read(Parameter::PositionDemandValue);
    for (question, frames) in [(Command::PeekStatus, 2), (Command::TakeStatus, 2), (read, 3), (Command::Filler, 0)] {
        let (result, sent) = send::<Latched, 1>(|| Bus::new(all_up), [question.into()]);
        assert!(result.is_ok(), "{question:?}");
        assert_eq!(sent.len(), frames, "{question:?}");
    }
}

/// FixedWord has all three flags; the one of its check is bit 4, and the other two are 3 and 9. By hand: home writes 9 to
/// 0x12, peek is 0x01, and the status comes while filler is sent, bits 0 to 7 first and 8 to 23 in front of the check.
#[test]
fn a_word_with_a_wrong_check_is_told_and_comes_before_a_refusal() {
    fn spoilt(_: usize, bytes: &mut [u8]) {
        bytes.copy_from_slice(&[0b1_1000, 0, 0, 0, 0, 0]);
        bytes[5] = super::autosar(&bytes[..5]);
    }
    let (result, sent) = send::<FixedWord, 1>(|| Bus::new(spoilt), [Command::HomeOnCurrentPosition.into()]);
    let flag = Flag::CrcMismatch;
    assert_eq!(result, Err(Error::Rejected { device: 0, verb: Verb::HomeOnCurrentPosition, flag }));
    let kinds: Vec<_> = sent.iter().map(|frame| (frame[0], frame[4])).collect();
    assert_eq!(kinds, [(0x92, 9), (0x01, 0), (0, 0)]);
}

#[test]
fn a_look_that_fails_or_cannot_be_believed_is_an_error() {
    let failing = || Bus { failing: vec![2], ..Bus::new(well) };
    assert_eq!(send::<Latched, 1>(failing, [velocity().into()]).0, Err(Error::Spi(ErrorKind::Other)));
    let (result, _) = send::<FixedWord, 1>(|| Bus::new(|_, bytes| bytes.fill(0)), [velocity().into()]);
    assert!(matches!(result, Err(Error::Reply { device: 0, error: ReplyError::Crc { .. } })), "{result:?}");
}

const PEEK: &[Piece] = &[Piece::fixed(8, 0x10)];
const WITH_MARK: &[Piece] = &[Piece::status(6), Piece::fixed(2, 0b10)];
const HOME: CommandForm = CommandForm::word(Verb::HomeOnCurrentPosition, &[Piece::fixed(8, 0x20)]);
const RETURN: CommandForm = CommandForm::word(Verb::ReturnToZero, &[Piece::fixed(8, 0x30)]);
const FILLER: Wire = Wire::latched_units(8, &[Piece::fixed(8, 0)]);

/// Replies in the same slots, and a status of six bits in those of homing and peeking.
struct Answering;

impl RegisterMap for Answering {
    const LAYOUT: Layout = Layout::new("answering", FILLER)
        .commands(&[
            CommandForm::word(Verb::PeekStatus, PEEK).reply(WITH_MARK),
            HOME.reply(WITH_MARK),
            RETURN.reply(&[Piece::status(1), Piece::any(7)]),
        ])
        .status(StatusLayout::new(
            6,
            &[StatusBit::live(Flag::CommandRejected, 5), StatusBit::latched(Flag::CommandUnknown, 0)],
        ));
}

/// By hand: bits 5 and 0 of the status are bits 7 and 2 of the reply, behind which 10 stands.
#[test]
fn where_the_commands_own_reply_brings_the_flags_nothing_more_is_sent() {
    let home = [Command::HomeOnCurrentPosition.into()];
    let (result, sent) = send::<Answering, 1>(|| Bus::new(|_, bytes| bytes[0] = 0b0000_0010), home);
    assert!(result.is_ok());
    assert_eq!(sent, [[0x20], [0x00]]);
    for (answer, flag) in [
        ((|_, bytes| bytes[0] = 0b1000_0010) as fn(usize, &mut [u8]), Flag::CommandRejected),
        (|_, bytes| bytes[0] = 0b0000_0110, Flag::CommandUnknown),
    ] {
        let (result, sent) = send::<Answering, 1>(|| Bus::new(answer), home);
        assert_eq!(result, Err(Error::Rejected { device: 0, verb: Verb::HomeOnCurrentPosition, flag }));
        assert_eq!(sent, [[0x20], [0x00]]);
    }
    assert_eq!(RefusalNotice::of_verb(&Answering::LAYOUT, Verb::HomeOnCurrentPosition), Some(RefusalNotice::ByReply));
}

/// No flag for refusals, or one that a peek would bring down, but states in which the map says what is refused.
struct Foreseen;

impl RegisterMap for Foreseen {
    const LAYOUT: Layout = Layout::new("foreseen", FILLER)
        .registers(&[
            Register::new(Parameter::ProfileVelocity, 1, 8),
            Register::new(Parameter::StartStopVelocity, 2, 8).access(Access::AtStandstill),
            Register::new(Parameter::StandstillAmplitude, 3, 8).access(Access::BridgeOff),
        ])
        .commands(&[
            CommandForm::word(Verb::PeekStatus, PEEK).reply(WITH_MARK),
            CommandForm::word(Verb::WriteParameter, &[Piece::fixed(4, 0x4), Piece::address(4), Piece::data(8)]),
            HOME.refused(Refusal::NEVER.while_moving().while_faulted()),
            RETURN.refused(Refusal::NEVER.while_bridge_off()),
            CommandForm::writes(Verb::RestoreDefaults, &[Write::code(Parameter::StartStopVelocity, 1)]),
            CommandForm::word(Verb::FaultReset, &[Piece::fixed(8, 0x50)]),
        ])
        .status(StatusLayout::new(
            6,
            &[
                StatusBit::live(Flag::Busy, 0),
                StatusBit::live(Flag::BridgeOff, 1),
                StatusBit::live(Flag::Fault, 2),
                StatusBit::live(Flag::CommandRejected, 3),
            ],
        ));
}

/// By hand: bits 0, 1 and 2 of the status are bits 2, 3 and 4 of the reply. Peek is 0x10, its reply in the next slot.
#[test]
fn without_a_flag_the_states_are_looked_at_beforehand_and_nothing_is_sent_in_a_wrong_one() {
    const NONE: fn(usize, &mut [u8]) = |_, bytes| bytes[0] = 0b000_0010;
    const BUSY: fn(usize, &mut [u8]) = |_, bytes| bytes[0] = 0b000_0110;
    const OFF: fn(usize, &mut [u8]) = |_, bytes| bytes[0] = 0b000_1010;
    const FAULT: fn(usize, &mut [u8]) = |_, bytes| bytes[0] = 0b001_0010;
    const ODD: fn(usize, &mut [u8]) = |_, bytes| bytes[0] = 0b000_0011;
    let one = Velocity::from_steps_per_s(1).unwrap();
    let amplitude = Command::write(Parameter::StandstillAmplitude, Amplitude::ZERO);
    let jump = Command::write(Parameter::StartStopVelocity, one);
    let cases = [
        (Command::HomeOnCurrentPosition, BUSY, Obstacle::Moving, OFF),
        (Command::HomeOnCurrentPosition, FAULT, Obstacle::Faulted, NONE),
        (Command::HomeOnCurrentPosition, ODD, Obstacle::Unseen(ReplyError::Malformed), NONE),
        (Command::ReturnToZero, OFF, Obstacle::BridgeOff, BUSY),
        (jump, BUSY, Obstacle::Moving, FAULT),
        (Command::RestoreDefaults, BUSY, Obstacle::Moving, NONE),
        (amplitude, NONE, Obstacle::BridgeDriven, OFF),
    ];
    for (command, wrong, obstacle, right) in cases {
        let (result, sent) = send::<Foreseen, 1>(|| Bus::new(wrong), [command.into()]);
        let verb = command.verb().unwrap();
        let error = result.unwrap_err();
        assert_eq!(error, Error::NotNow { device: 0, verb, obstacle });
        assert_eq!(sent, [[0x10], [0x00]], "{command:?}");
        let (result, sent) = send::<Foreseen, 1>(|| Bus::new(right), [command.into()]);
        assert!(result.is_ok(), "{command:?}");
        let mut plain = Chain::<Foreseen, _, 1>::new(Bus::new(right));
        assert!(plain.exchange(&[command]).unwrap().iter().all(Result::is_ok));
        assert_eq!(sent, [vec![vec![0x10], vec![0x00]], plain.release().sent].concat(), "{command:?}");
        let (mut chain, mut verifier) = (Chain::<Foreseen, _, 1>::new(Bus::new(wrong)), Verifier::new(Retries::NONE));
        let doubted = chain.send_verified(&[command], &mut verifier).unwrap_err();
        let VerifyError::Device { device: 0, doubt, .. } = doubted else { panic!("{doubted}") };
        assert!(matches!(doubt, Doubt::NotNow { .. } | Doubt::Reply(ReplyError::Malformed)), "{doubt}");
        assert_eq!(chain.release().sent.len(), 2, "{command:?}");
    }
    for command in [Command::FaultReset, Command::write(Parameter::ProfileVelocity, one)] {
        let (result, sent) = send::<Foreseen, 1>(|| Bus::new(BUSY), [command.into()]);
        assert!(result.is_ok() && !sent.contains(&vec![0x10]), "{command:?} is never refused: {sent:?}");
    }
    let error: Error<ErrorKind> = Error::NotNow { device: 0, verb: Verb::ReturnToZero, obstacle: Obstacle::BridgeOff };
    assert_eq!(error.to_string(), "device 0: it refuses `return to zero` while the bridge is in high impedance");
}

/// Two fields in one register: the register is read, and the reply to that says nothing of the write behind it.
#[test]
fn a_field_that_is_read_first_is_looked_at_although_a_write_would_answer() {
    struct Sharing;
    impl RegisterMap for Sharing {
        const LAYOUT: Layout = Layout::new("sharing", FILLER)
            .registers(&[
                Register::new(Parameter::ProfileVelocity, 1, 4),
                Register::new(Parameter::StartStopVelocity, 1, 4).at_bit(4),
            ])
            .commands(&[
                CommandForm::word(Verb::PeekStatus, PEEK).reply(&[Piece::status(8)]),
                CommandForm::word(Verb::ReadParameter, &[Piece::fixed(4, 0x6), Piece::address(4)])
                    .reply(&[Piece::status(8), Piece::data(8)]),
                CommandForm::word(Verb::WriteParameter, &[Piece::fixed(4, 0x4), Piece::address(4), Piece::data(8)])
                    .reply(&[Piece::status(8)]),
            ])
            .status(StatusLayout::new(8, &[StatusBit::latched(Flag::CommandRejected, 0)]));
    }
    let write = Command::write(Parameter::ProfileVelocity, Velocity::from_steps_per_s(3).unwrap());
    let (result, sent) = send::<Sharing, 1>(|| Bus::new(|_, bytes| bytes[0] = 0), [write.into()]);
    assert!(result.is_ok());
    assert!(sent.contains(&vec![0x10]), "{sent:?}");
}

/// Whoever writes a register whole may change the field beside the named one, which waits for standstill.
#[test]
fn of_a_whole_register_every_field_is_looked_at_beforehand() {
    struct Beside;
    impl RegisterMap for Beside {
        const LAYOUT: Layout = Foreseen::LAYOUT
            .registers(&[
                Register::new(Parameter::ProfileVelocity, 1, 4),
                Register::new(Parameter::StartStopVelocity, 2, 4),
                Register::new(Parameter::StandstillAmplitude, 1, 4).at_bit(4).access(Access::AtStandstill),
            ])
            .commands(&[
                CommandForm::word(Verb::PeekStatus, PEEK).reply(WITH_MARK),
                CommandForm::word(Verb::ReadParameter, &[Piece::fixed(4, 0x6), Piece::address(4)])
                    .reply(&[Piece::data(8)]),
                CommandForm::word(Verb::WriteParameter, &[Piece::fixed(4, 0x4), Piece::address(4), Piece::data(8)]),
            ]);
    }
    const BUSY: fn(usize, &mut [u8]) = |_, bytes| bytes[0] = 0b000_0110;
    let whole = |parameter| Command::WriteContent { parameter, content: 1 };
    let (result, sent) = send::<Beside, 1>(|| Bus::new(BUSY), [whole(Parameter::ProfileVelocity).into()]);
    let (verb, obstacle) = (Verb::WriteParameter, Obstacle::Moving);
    assert_eq!(result, Err(Error::NotNow { device: 0, verb, obstacle }));
    assert_eq!(sent, [[0x10], [0x00]]);
    let (result, sent) = send::<Beside, 1>(|| Bus::new(BUSY), [whole(Parameter::StartStopVelocity).into()]);
    assert!(result.is_ok() && !sent.contains(&vec![0x10]), "{sent:?}");
}

#[test]
fn what_cannot_be_encoded_is_refused_before_the_look() {
    let beyond = Command::write(Parameter::StartStopVelocity, Velocity::from_steps_per_s(256).unwrap());
    let (result, sent) = send::<Foreseen, 2>(|| Bus::new(well), [Command::HomeOnCurrentPosition.into(), beyond.into()]);
    assert!(matches!(result, Err(Error::Command { device: 1, error: CommandError::OutOfRange { .. } })), "{result:?}");
    assert!(sent.is_empty());
}

#[test]
fn a_map_says_how_its_refusals_are_noticed() {
    const FOUR: [RefusalNotice; 4] = [
        RefusalNotice::of(&Latched::LAYOUT),
        RefusalNotice::of(&FixedWord::LAYOUT),
        RefusalNotice::of(&Answering::LAYOUT),
        RefusalNotice::of(&Foreseen::LAYOUT),
    ];
    // Of Answering, returning to zero has a reply without the flag, and a live flag cannot be looked at later; but
    // neither does the map say that it is ever refused.
    use RefusalNotice::{ByLookAfter, ByLookBefore, ByReply, Never, NotRefused};
    assert_eq!(FOUR, [ByLookAfter, ByLookAfter, ByReply, ByLookBefore]);
    let of = |verb| RefusalNotice::of_verb(&Foreseen::LAYOUT, verb);
    assert_eq!(of(Verb::WriteParameter), Some(ByLookBefore));
    assert_eq!((of(Verb::FaultReset), of(Verb::PeekStatus)), (Some(NotRefused), Some(NotRefused)));
    assert_eq!(of(Verb::ResetNode), None);
    // The same without the bit that tells a fault, and without a status.
    const LESS: StatusLayout =
        StatusLayout::new(6, &[StatusBit::live(Flag::Busy, 0), StatusBit::live(Flag::BridgeOff, 1)]);
    let less = Foreseen::LAYOUT.status(LESS);
    assert_eq!(RefusalNotice::of_verb(&less, Verb::HomeOnCurrentPosition), Some(Never));
    assert_eq!(RefusalNotice::of_verb(&less, Verb::ReturnToZero), Some(ByLookBefore));
    assert_eq!(RefusalNotice::of(&Foreseen::LAYOUT.status(StatusLayout::NONE)), Never);
    assert_eq!(RefusalNotice::of(&Foreseen::LAYOUT.commands(&[HOME, RETURN])), NotRefused);
}
