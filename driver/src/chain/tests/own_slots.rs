//! Golden bytes of a device with two unlike axes whose replies have slots of their own, also those that nobody awaits.
//!
//! ```text
//!   write     0001 | address 4 | content, whole bytes      answered by the status
//!   read      0010 | address 4                             answered by the content
//!   peek      0011 0000                                    answered by the status
//!   stop      0100 000 | axis                              answered by the status
//!   absolute  0101 000 | axis  | target 16
//!   relative  write of the distance, then 1 to the motion kind
//!   filler    1111 0000
//! ```

use super::*;
use crate::map::{Coding, CommandForm, Encoding, Layout, Piece, PositionCounter, Register, Sign, StatusBit};
use crate::map::{StatusLayout, Verb, Wire, Write};

/// Both axes count in 12 bits; axis 1 takes distances in fours and in 16 bits, axis 0 singly and in eight.
struct Unlike;

const MOTION: Parameter = Parameter::Custom(0);
const STOP: Command = Command::Stop { ramp: StopRamp::Profile, bridge: BridgeState::Driven };
const F: u8 = 0xF0;

impl RegisterMap for Unlike {
    const LAYOUT: Layout = Layout::new("unlike", Wire::latched_units(8, &[Piece::fixed(8, 0xF0)]))
        .axes(2)
        .registers(&[
            Register::new(Parameter::TargetPosition, 1, 8).sign(Sign::TwosComplement),
            Register::new(Parameter::TargetPosition, 2, 16)
                .encoding(Encoding::linear(4, 1))
                .sign(Sign::TwosComplement)
                .axis(1),
            Register::new(MOTION, 3, 4).named("motion kind"),
            Register::new(MOTION, 4, 4).named("motion kind").axis(1),
            Register::new(Parameter::Custom(1), 5, 8).named("low"),
            Register::new(Parameter::Custom(2), 5, 4).at_bit(8).named("high").up_to(9),
        ])
        .commands(&[
            CommandForm::word(Verb::WriteParameter, &[Piece::fixed(4, 1), Piece::address(4), Piece::DataByRegister])
                .reply(&[Piece::status(8)]),
            CommandForm::word(Verb::ReadParameter, &[Piece::fixed(4, 2), Piece::address(4)])
                .reply(&[Piece::DataByRegister]),
            CommandForm::word(Verb::PeekStatus, &[Piece::fixed(8, 0x30)]).reply(&[Piece::status(8)]),
            CommandForm::word(
                Verb::Stop(StopRamp::Profile, BridgeState::Driven),
                &[Piece::fixed(7, 0x20), Piece::axis(1)],
            )
            .reply(&[Piece::status(8)]),
            CommandForm::word(
                Verb::MoveAbsolute(Way::Shortest),
                &[Piece::fixed(7, 0x28), Piece::axis(1), Piece::position(Coding::signed(16, Encoding::Raw))],
            ),
            CommandForm::writes(
                Verb::MoveRelative,
                &[Write::argument(Parameter::TargetPosition), Write::code(MOTION, 1)],
            ),
        ])
        .status(StatusLayout::new(8, &[StatusBit::live(Flag::Busy, 0), StatusBit::live(Flag::Busy, 1).axis(1)]))
        .position(PositionCounter::new(12, &[1]));
}
crate::check_map!(Unlike);

/// By hand: −8 is code 0xF8 for axis 0 and −2, 0xFFFE, for axis 1. Each write is followed by the slot of its reply: axis
/// 0 takes 2 + 1 + 2 units, axis 1 3 + 1 + 2, and so begins one frame sooner; the last reply takes one more.
#[test]
fn each_write_of_a_motion_waits_for_its_reply_and_each_axis_has_its_own_coding_and_length() {
    let spi = bus(&[
        (&[F, 0x12], &[0; 2]),
        (&[0x11, 0xFF], &[0; 2]),
        (&[0xF8, 0xFE], &[0; 2]),
        (&[F, F], &[0x03, 0x03]),
        (&[0x13, 0x14], &[0; 2]),
        (&[0x01, 0x01], &[0; 2]),
        (&[F, F], &[0x01, 0x02]),
    ]);
    let mut chain = Chain::<Unlike, _, 2>::new(spi);
    let back = Command::MoveRelative { distance: Distance::from_microsteps(-8) };
    let replies = chain.send(&[back.on(1), back.on(0)]).unwrap();
    assert_eq!(replies.map(|reply| reply.status.unwrap().word()), [0x02, 0x01], "the last reply counts");
    chain.release().done();
}

/// By hand: register 5 holds 0x9C3 and is read in two bytes; 4 in its upper field makes 0x4C3, written in two. The
/// write's reply takes one more slot.
#[test]
fn a_field_is_written_behind_the_reply_that_brought_its_neighbours() {
    let spi = bus(&[
        (&[0x25], &[0]),
        (&[F], &[0x09]),
        (&[F], &[0xC3]),
        (&[0x15], &[0]),
        (&[0x04], &[0]),
        (&[0xC3], &[0]),
        (&[F], &[0x02]),
    ]);
    let mut chain = Chain::<Unlike, _, 1>::new(spi);
    let [reply] = chain.send(&[Command::write(Parameter::Custom(2), Value::Code(4))]).unwrap();
    assert_eq!((reply.value, reply.status.unwrap().word()), (None, 0x02));
    chain.release().done();
}

/// By hand: a stop of axis 1 is 0100 000 1 = 0x41; in the status 0x02 axis 1 is busy and axis 0 is not.
#[test]
fn a_reply_that_nobody_asked_for_is_read_where_it_has_a_slot() {
    let mut chain = Chain::<Unlike, _, 1>::new(bus(&[(&[0x41], &[0xFF]), (&[F], &[0x02])]));
    let status = chain.send_one(0, STOP.on(1)).unwrap().status.unwrap();
    assert_eq!((status.flag_of(Flag::Busy, 0), status.flag_of(Flag::Busy, 1)), (Some(false), Some(true)));
    assert_eq!(status.raised().collect::<Vec<_>>(), [(Flag::Busy, 1)]);
    chain.release().done();
}

/// By hand: register 5 in two bytes, 0x09C3; the lower field is 0xC3 and the upper one 9. A code above 9 means nothing.
#[test]
fn a_field_is_read_apart_from_its_neighbours() {
    let spi = bus(&[
        (&[0x25, 0x25], &[0; 2]),
        (&[F, F], &[0x09, 0x09]),
        (&[F, F], &[0xC3, 0xC3]),
        (&[0x25, F], &[0; 2]),
        (&[F, F], &[0x0A, 0]),
        (&[F, F], &[0, 0]),
    ]);
    let mut chain = Chain::<Unlike, _, 2>::new(spi);
    let fields = [1, 2].map(|index| Command::read(Parameter::Custom(index)));
    let replies = chain.send(&fields).unwrap();
    assert_eq!(replies.map(|reply| reply.value), [Some(Value::Code(0xC3)), Some(Value::Code(9))]);
    let error = chain.send_one(1, fields[1]).unwrap_err();
    assert_eq!(error.to_string(), "device 1: register `high`: 10 (code) is outside 0..=9 (code)");
    chain.release().done();
}

/// By hand: 12 bits reach from −2048 to 2047, though the command has room for 16. 2047 is 0x07FF.
#[test]
fn a_target_beyond_the_counter_is_refused_where_the_command_could_carry_it() {
    let mut chain = Chain::<Unlike, _, 1>::new(bus(&[(&[0x50], &[0]), (&[0x07], &[0]), (&[0xFF], &[0])]));
    let mut go = |target| {
        let target = Position::from_microsteps(target);
        chain.send_one(0, Command::MoveAbsolute { target, way: Way::Shortest }).map_err(|error| error.to_string())
    };
    for beyond in [2048, -2049] {
        let limits = "is outside -2048..=2047 microsteps";
        let expected = std::format!("device 0: `move absolute, shortest way`: {beyond} microsteps {limits}");
        assert_eq!(go(beyond).unwrap_err(), expected);
    }
    go(2047).unwrap();
    chain.release().done();
}
