//! Golden bytes of a device that echoes every write in slots of the write's own: what a command of several words makes of
//! the replies on its way. And what a talk makes of a frame that comes back twice.
//!
//! ```text
//!   write     0001 | address 4 | content, whole bytes      answered by 1010 | address 4 | content
//!   read      0010 | address 4                             answered by 1011 | address 4 | status 8 | content
//!   relative  write of the distance, then 1 to the motion kind
//!   filler    1111 0000
//! ```

use super::*;
use crate::map::{Sign, Write};

struct Echoing;

const MOTION: Parameter = Parameter::Custom(0);
const F: u8 = 0xF0;
const FORWARDS: Command = Command::MoveRelative { distance: Distance::from_microsteps(7) };

impl RegisterMap for Echoing {
    const LAYOUT: Layout = Layout::new("echoing", Wire::latched_units(8, &[Piece::fixed(8, 0xF0)]))
        .registers(&[
            Register::new(Parameter::TargetPosition, 1, 8).sign(Sign::TwosComplement),
            Register::new(MOTION, 3, 4).named("motion kind"),
            Register::new(Parameter::Custom(1), 5, 8).named("low"),
            Register::new(Parameter::Custom(2), 5, 4).at_bit(8).named("high"),
        ])
        .commands(&[
            CommandForm::word(Verb::WriteParameter, &[Piece::fixed(4, 1), Piece::address(4), Piece::DataByRegister])
                .reply(&[Piece::fixed(4, 0xA), Piece::address(4), Piece::DataByRegister]),
            CommandForm::word(Verb::ReadParameter, &[Piece::fixed(4, 2), Piece::address(4)]).reply(&[
                Piece::fixed(4, 0xB),
                Piece::address(4),
                Piece::status(8),
                Piece::DataByRegister,
            ]),
            CommandForm::writes(
                Verb::MoveRelative,
                &[Write::argument(Parameter::TargetPosition), Write::code(MOTION, 1)],
            ),
        ])
        .status(StatusLayout::new(8, &[StatusBit::live(Flag::Busy, 0)]))
        .position(crate::map::PositionCounter::new(8, &[1]));
}
crate::check_map!(Echoing);

/// The replies of one device to a command whose frames are these.
fn sent(frames: &[(u8, u8)], command: Command) -> Result<Reply, ReplyError> {
    let expected: Vec<_> = frames.iter().map(|(mosi, miso)| ([*mosi], [*miso])).collect();
    let expected: Vec<_> = expected.iter().map(|(mosi, miso)| (&mosi[..], &miso[..])).collect();
    let mut chain = Chain::<Echoing, _, 1>::new(bus(&expected));
    let [result] = chain.exchange(&[command]).unwrap();
    chain.release().done();
    result
}

/// By hand: 7 goes to register 1 and 1 to register 3; each echo is 1010, the address, and what was written.
#[test]
fn a_motion_whose_writes_are_all_echoed_is_believed() {
    let frames = [(0x11, 0), (7, 0), (F, 0xA1), (F, 7), (0x13, 0), (1, 0), (F, 0xA3), (F, 1)];
    assert_eq!(sent(&frames, FORWARDS), Ok(Reply::default()));
}

/// The motion kind, which would set the device going, is not sent behind a distance that may have gone astray.
#[test]
fn a_motion_whose_first_write_is_echoed_wrongly_is_not_set_going() {
    let frames = [(0x11, 0), (7, 0), (F, 0xA2), (F, 7), (F, F), (F, F), (F, F), (F, F)];
    assert_eq!(sent(&frames, FORWARDS), Err(ReplyError::Malformed));
    // Nor does a later echo make good for it.
    let frames = [(0x11, 0), (7, 0), (F, 0xA2), (F, 7), (F, F), (F, F), (F, 0xA3), (F, 1)];
    assert_eq!(sent(&frames, FORWARDS), Err(ReplyError::Malformed));
}

#[test]
fn a_motion_whose_last_write_is_echoed_wrongly_is_not_believed() {
    let frames = [(0x11, 0), (7, 0), (F, 0xA1), (F, 7), (0x13, 0), (1, 0), (F, 0xB3), (F, 1)];
    assert_eq!(sent(&frames, FORWARDS), Err(ReplyError::Malformed));
}

/// By hand: register 5 holds 0x9C3; with 4 in its upper field it is 0x4C3. The status comes with the read alone.
#[test]
fn a_field_whose_write_is_echoed_brings_the_value_and_the_status_from_before() {
    let write = Command::write(Parameter::Custom(2), Value::Code(4));
    let mut frames = [
        (0x25, 0),
        (F, 0xB5),
        (F, 1),
        (F, 0x09),
        (F, 0xC3),
        (0x15, 0),
        (4, 0),
        (0xC3, 0),
        (F, 0xA5),
        (F, 4),
        (F, 0xC3),
    ];
    let reply = sent(&frames, write).unwrap();
    assert_eq!((reply.value, reply.status.unwrap().flag(Flag::Busy)), (Some(Value::Code(4)), Some(true)));
    frames[8].1 = 0xA4;
    assert_eq!(sent(&frames, write), Err(ReplyError::Malformed), "the write's reply counts");
    // A reply to the read that cannot be believed stays so, whatever follows, and nothing is written.
    frames[8].1 = 0xA5;
    frames[1].1 = 0xB4;
    for sent in &mut frames[5..8] {
        sent.0 = F;
    }
    assert_eq!(sent(&frames, write), Err(ReplyError::Malformed));
}

/// By hand: 603 steps/s is 603 · 1000 / 3 = 201 000 = 0x031128. Its bits taken twice would spoil the check (as they would
/// not for 600 steps/s, whose check is zero).
#[test]
fn a_frame_comes_back_once_however_often_it_is_said() {
    let codec = Codec::new(&FixedWord::LAYOUT).unwrap();
    let (mut pending, mut buffer) = ([Pending::default()], [0; 6]);
    let mut talk = codec.begin(&[Command::read(Parameter::ProfileVelocity)], &mut pending, &mut buffer).unwrap();
    talk.came_back();
    let content = [0x00, 0x00, 0x03, 0x11, 0x28];
    while let Some(frame) = talk.next_frame() {
        frame[..5].copy_from_slice(&content);
        frame[5] = autosar(&content);
        talk.came_back();
        talk.came_back();
    }
    talk.came_back();
    let value = talk.reply(0).unwrap().unwrap().value;
    assert_eq!(value, Some(Value::Velocity(velocity(603))));
}
