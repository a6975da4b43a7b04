//! Golden bytes, worked out by hand from the drawings in the reference maps, on a mocked bus.

extern crate std;
use std::string::ToString;
use std::vec::Vec;

use embedded_hal_mock::eh1::spi::{Mock, Transaction};

use crate::map::{
    BridgeState, CommandForm, Flag, Layout, MotionState, Parameter, Piece, Register, RegisterMap, StatusBit,
    StatusLayout, StopRamp, Verb, Way, Wire,
};
use crate::reference::{FixedWord, Latched};
use crate::units::{Acceleration, Amplitude, Distance, Position, Value, Velocity};
use crate::{BeginError, Chain, Codec, Command, CommandError, Error, Pending, Reply, ReplyError};

mod constant;
mod echoes;
mod own_slots;
mod unlike;

/// A bus that expects each frame in one transaction of one transfer in place.
fn bus(frames: &[(&[u8], &[u8])]) -> Mock<u8> {
    let expected: Vec<_> = frames
        .iter()
        .flat_map(|(mosi, miso)| {
            [
                Transaction::transaction_start(),
                Transaction::transfer_in_place(mosi.to_vec(), miso.to_vec()),
                Transaction::transaction_end(),
            ]
        })
        .collect();
    Mock::new(&expected)
}

fn velocity(steps_per_s: i32) -> Velocity {
    Velocity::from_steps_per_s(steps_per_s).unwrap()
}

/// By hand: 100 steps/s is 100 · 50 = 5000 = 0x001388. Forwards: 10110 1 00 = 0xB4, backwards 10110 0 00 = 0xB0.
#[test]
fn a_velocity_goes_out_in_two_units_the_last_device_first() {
    let spi = bus(&[(&[0xB0, 0x00, 0xB4, 0x00], &[0; 4]), (&[0x13, 0x88, 0x13, 0x88], &[0; 4])]);
    let mut chain = Chain::<Latched, _, 2>::new(spi);
    let commands = [velocity(100), velocity(-100)].map(|velocity| Command::MoveVelocity { velocity });
    assert!(chain.exchange(&commands).unwrap().iter().all(Result::is_ok));
    chain.release().done();
}

/// By hand: stop, quick ramp, driven is 00111 010 = 0x3A, 0x18. Writing 500 steps/s, 500 · 50 = 25 000 = 0x61A8, to
/// address 0x10 is 10001 000 = 0x88, 0x10, then 24 bits in two units. Reading address 0x02 is 01010 000 = 0x50, 0x02;
/// its 24 bits come in two more units: 0xFFFFFB is −5. Filler is 0x7E7E.
#[test]
fn commands_of_unlike_length_end_on_one_edge_and_a_reply_follows() {
    let spi = bus(&[
        (&[0x7E, 0x7E, 0x88, 0x10, 0x7E, 0x7E], &[0; 6]),
        (&[0x7E, 0x7E, 0x00, 0x00, 0x7E, 0x7E], &[0; 6]),
        (&[0x50, 0x02, 0x61, 0xA8, 0x3A, 0x18], &[0; 6]),
        (&[0x7E; 6], &[0x00, 0xFF, 0, 0, 0, 0]),
        (&[0x7E; 6], &[0xFF, 0xFB, 0, 0, 0, 0]),
    ]);
    let mut chain = Chain::<Latched, _, 3>::new(spi);
    let replies = chain
        .exchange(&[
            Command::Stop { ramp: StopRamp::Quick, bridge: BridgeState::Driven },
            Command::write(Parameter::ProfileVelocity, velocity(500)),
            Command::read(Parameter::PositionDemandValue),
        ])
        .unwrap();
    assert_eq!(replies[0].unwrap().value, None);
    assert_eq!(replies[2].unwrap().value, Some(Value::Position(Position::from_microsteps(-5))));
    chain.release().done();
}

/// By hand: move relative by −300 (direction bit 1 for negative): 01101 1 00 = 0x6C, 300 = 0x00012C. Move to −2 the
/// negative way: 11010 101 = 0xD5, −2 in 24 bits is 0xFFFFFE. Home: 01001 101 = 0x4D, 0x5A.
#[test]
fn moves_carry_magnitude_or_twos_complement_as_the_map_says() {
    let spi =
        bus(&[(&[0x7E, 0x7E, 0xD5, 0xFF, 0x6C, 0x00], &[0; 6]), (&[0x4D, 0x5A, 0xFF, 0xFE, 0x01, 0x2C], &[0; 6])]);
    let mut chain = Chain::<Latched, _, 3>::new(spi);
    let results = chain.exchange(&[
        Command::MoveRelative { distance: Distance::from_microsteps(-300) },
        Command::MoveAbsolute { target: Position::from_microsteps(-2), way: Way::Negative },
        Command::HomeOnCurrentPosition,
    ]);
    assert!(results.unwrap().iter().all(Result::is_ok));
    chain.release().done();
}

/// By hand: peek is 11100 000 = 0xE0, 0x00; take 11100 001 = 0xE1. In 0x810D bit 0 is 1 (busy is active low: not
/// busy), bits 3..2 are 11 (constant velocity), bit 8 is 1 (command rejected), bit 15 is 1 (no reset, active low).
#[test]
fn a_status_word_is_read_by_polarity_and_state_codes() {
    let spi = bus(&[(&[0xE1, 0x00], &[0; 2]), (&[0x7E, 0x7E], &[0x81, 0x0D])]);
    let mut chain = Chain::<Latched, _, 1>::new(spi);
    let [reply] = chain.send(&[Command::TakeStatus]).unwrap();
    let status = reply.status.unwrap();
    assert_eq!(status.flag(Flag::Busy), Some(false));
    assert_eq!(status.flag(Flag::ResetOccurred), Some(false));
    assert_eq!(status.flag(Flag::CommandRejected), Some(true));
    assert_eq!(status.flag(Flag::Warning), None, "the map has no such flag");
    assert_eq!(status.motion_state(), Some(MotionState::ConstantVelocity));
    assert_eq!(status.raised().collect::<Vec<_>>(), [(Flag::CommandRejected, 0)]);
    chain.release().done();
}

/// By hand: writing address 0x20 is 1 0100000 = 0xA0; 600 steps/s is 600 · 1000 / 3 = 200 000 = 0x030D40. Moving by
/// −3 writes −3 in 30 bits, 0x3FFFFFFD, to 0x10, then 2 to 0x12. The last byte of each is CRC-8/AUTOSAR over the five
/// before it (calculated apart, bit by bit).
#[test]
fn a_motion_of_register_writes_ends_on_the_same_edge_as_a_single_write() {
    let filler = [0x00, 0, 0, 0, 0, autosar(&[0; 5])];
    let write = [0xA0, 0x00, 0x03, 0x0D, 0x40, autosar(&[0xA0, 0x00, 0x03, 0x0D, 0x40])];
    let target = [0x90, 0x3F, 0xFF, 0xFF, 0xFD, autosar(&[0x90, 0x3F, 0xFF, 0xFF, 0xFD])];
    let set_going = [0x92, 0, 0, 0, 2, autosar(&[0x92, 0, 0, 0, 2])];
    let spi = bus(&[(&[filler, target].concat(), &[0; 12]), (&[write, set_going].concat(), &[0; 12])]);
    let mut chain = Chain::<FixedWord, _, 2>::new(spi);
    let results = chain.exchange(&[
        Command::MoveRelative { distance: Distance::from_microsteps(-3) },
        Command::write(Parameter::ProfileVelocity, velocity(600)),
    ]);
    assert!(results.unwrap().iter().all(Result::is_ok));
    chain.release().done();
}

/// By hand: after power-up register 0x25 holds 300 << 16 | 150 << 4 | 4 = 0x012C0964; 0.2 of supply is code 200, so
/// 300 << 16 | 200 << 4 | 4 = 0x012C0C84 goes back.
#[test]
fn one_field_of_a_shared_register_is_read_replaced_and_written_in_one_call() {
    let word = |bytes: [u8; 5]| [&bytes[..], &[autosar(&bytes)]].concat();
    let spi = bus(&[
        (&word([0x25, 0, 0, 0, 0]), &[0; 6]),
        (&word([0; 5]), &word([0x02, 0x01, 0x2C, 0x09, 0x64])),
        (&word([0xA5, 0x01, 0x2C, 0x0C, 0x84]), &[0; 6]),
    ]);
    let mut chain = Chain::<FixedWord, _, 1>::new(spi);
    let amplitude = Amplitude::from_per_mille(200).unwrap();
    assert!(
        chain.exchange(&[Command::write(Parameter::StandstillAmplitude, amplitude)]).unwrap().iter().all(Result::is_ok)
    );
    chain.release().done();
}

#[test]
fn a_shared_register_that_could_not_be_read_is_not_written() {
    let word = |bytes: [u8; 5]| [&bytes[..], &[autosar(&bytes)]].concat();
    let spi = bus(&[
        (&word([0x25, 0, 0, 0, 0]), &[0; 6]),
        (&word([0; 5]), &[0x02, 0x01, 0x2C, 0x09, 0x64, 0x00]),
        (&word([0; 5]), &[0; 6]),
        (&word([0x01, 0, 0, 0, 0]), &[0; 6]),
        (&word([0; 5]), &word([0; 5])),
    ]);
    let mut chain = Chain::<FixedWord, _, 1>::new(spi);
    let amplitude = Amplitude::from_per_mille(200).unwrap();
    let error = chain.send(&[Command::write(Parameter::StandstillAmplitude, amplitude)]).unwrap_err();
    assert!(matches!(error, Error::Reply { device: 0, error: ReplyError::Crc { found: 0, .. } }), "{error}");
    chain.release().done();
}

/// A reply of FixedWord brings eight bits of status with the value: 0x81 is busy (bit 0) and reset occurred (bit 7).
#[test]
fn a_value_comes_one_frame_later_with_a_part_of_the_status() {
    let reply = [0x81, 0x00, 0x03, 0x0D, 0x40, autosar(&[0x81, 0x00, 0x03, 0x0D, 0x40])];
    let read = [0x20, 0, 0, 0, 0, autosar(&[0x20, 0, 0, 0, 0])];
    let filler = [0, 0, 0, 0, 0, autosar(&[0; 5])];
    let spi = bus(&[(&read, &[0xFF; 6]), (&filler, &reply)]);
    let mut chain = Chain::<FixedWord, _, 1>::new(spi);
    let reply = chain.send_one(0, Command::read(Parameter::ProfileVelocity)).unwrap();
    assert_eq!(reply.value, Some(Value::Velocity(velocity(600))));
    let status = reply.status.unwrap();
    assert_eq!(status.flag(Flag::Busy), Some(true));
    assert_eq!(status.flag(Flag::ResetOccurred), Some(true));
    assert_eq!(status.flag(Flag::CommandUnknown), None, "bit 9 was not in this reply");
    chain.release().done();
}

/// A write whose reply carries the status alone: 0x5 raises flags 0 and 2.
#[test]
fn a_reply_without_content_brings_no_value() {
    struct Acknowledging;
    impl RegisterMap for Acknowledging {
        const LAYOUT: Layout = Layout::new("acknowledging", Wire::latched_units(8, &[Piece::fixed(8, 0)]))
            .registers(&[Register::new(Parameter::ProfileVelocity, 0x3, 8)])
            .commands(&[CommandForm::word(
                Verb::WriteParameter,
                &[Piece::fixed(4, 0x9), Piece::address(4), Piece::data(8)],
            )
            .reply(&[Piece::status(8)])])
            .status(StatusLayout::new(8, &[StatusBit::live(Flag::Busy, 0)]));
    }
    let spi = bus(&[(&[0x93], &[0]), (&[77], &[0]), (&[0], &[0x5])]);
    let mut chain = Chain::<Acknowledging, _, 1>::new(spi);
    let reply = chain.send_one(0, Command::write(Parameter::ProfileVelocity, velocity(77))).unwrap();
    assert_eq!(reply.value, None);
    assert_eq!(reply.status.unwrap().flag(Flag::Busy), Some(true));
    chain.release().done();
}

/// By hand: a write needs no answer of its own, but in the frame of another device's reply its status comes too.
#[test]
fn a_reply_that_nobody_awaits_is_not_taken_for_one() {
    let framed = |bytes: [u8; 5]| [&bytes[..], &[autosar(&bytes)]].concat();
    let write = framed([0xA0, 0x00, 0x03, 0x0D, 0x40]);
    let (read, filler, answer) = (framed([0x24, 0, 0, 0, 0]), framed([0; 5]), framed([0x81, 0, 0, 0, 0x30]));
    let spi = bus(&[
        (&[read, write].concat(), &[0xFF; 12]),
        (&[&filler[..], &filler].concat(), &[&answer[..], &answer].concat()),
    ]);
    let mut chain = Chain::<FixedWord, _, 2>::new(spi);
    let commands =
        [Command::write(Parameter::ProfileVelocity, velocity(600)), Command::read(Parameter::StartStopVelocity)];
    let [written, read] = chain.exchange(&commands).unwrap();
    assert_eq!(written, Ok(Reply::default()));
    assert_eq!(read.unwrap().value, Some(Value::Velocity(velocity(3))), "0x30 sixteenths");
    chain.release().done();
}

/// A bit of the check is turned over in the first reply; in the second, one of the 24 that are always zero.
#[test]
fn a_reply_that_cannot_be_believed_is_an_error_of_its_device_alone() {
    let framed = |bytes: [u8; 5]| [&bytes[..], &[autosar(&bytes)]].concat();
    let (peek, filler, good) = (framed([0x01, 0, 0, 0, 0]), framed([0; 5]), framed([0x81, 0, 0, 0, 0x02]));
    let mut wrong_check = good.clone();
    wrong_check[5] ^= 0x10;
    let wrong_bit = framed([0x81, 0, 0x40, 0, 0x02]);
    let transfers = (peek.repeat(3), filler.repeat(3), [&wrong_bit[..], &wrong_check, &good].concat());
    let (request, awaiting, answers) = &transfers;
    let frames: [(&[u8], &[u8]); 2] = [(request, &[0; 18]), (awaiting, answers)];
    let mut chain = Chain::<FixedWord, _, 3>::new(bus(&[frames, frames].concat()));
    let [first, second, third] = chain.exchange(&[Command::PeekStatus; 3]).unwrap();
    assert_eq!(first.unwrap().status.unwrap().word(), 0x0281);
    assert_eq!(second, Err(ReplyError::Crc { expected: good[5], found: good[5] ^ 0x10 }));
    assert_eq!(third, Err(ReplyError::Malformed));
    let error = chain.send_all(Command::PeekStatus).unwrap_err();
    assert!(matches!(error, Error::Reply { device: 1, error: ReplyError::Crc { .. } }), "{error}");
    chain.release().done();
}

/// A bus that fails at the selection with this number.
struct Failing(usize);

impl embedded_hal::spi::ErrorType for Failing {
    type Error = embedded_hal::spi::ErrorKind;
}

impl embedded_hal::spi::SpiDevice for Failing {
    fn transaction(&mut self, _: &mut [embedded_hal::spi::Operation<'_, u8>]) -> Result<(), Self::Error> {
        self.0 = self.0.checked_sub(1).ok_or(embedded_hal::spi::ErrorKind::Overrun)?;
        Ok(())
    }
}

#[test]
fn an_error_of_the_bus_is_handed_on_and_ends_the_call() {
    for frame in [0, 1] {
        let mut chain = Chain::<Latched, _, 1>::new(Failing(frame));
        let error = chain.send_one(0, Command::PeekStatus).unwrap_err();
        assert_eq!(error, Error::Spi(embedded_hal::spi::ErrorKind::Overrun));
        assert!(error.to_string().starts_with("the SPI transfer failed: "), "{error}");
    }
    assert!(Chain::<Latched, _, 1>::new(Failing(2)).send_one(0, Command::PeekStatus).is_ok());
}

#[test]
fn what_the_device_cannot_take_is_refused_before_anything_is_sent() {
    let mut chain = Chain::<Latched, _, 2>::new(bus(&[]));
    let mut refused = |command: Command| match chain.send_one(1, command) {
        Err(Error::Command { device: 1, error }) => error,
        other => panic!("{other:?}"),
    };
    let beyond = refused(Command::MoveAbsolute { target: Position::from_microsteps(1 << 23), way: Way::Shortest });
    assert_eq!(
        beyond.to_string(),
        "`move absolute, shortest way`: 8388608 microsteps is outside -8388608..=8388607 microsteps"
    );
    let fast = refused(Command::write(Parameter::ProfileVelocity, velocity(400_000)));
    assert_eq!(fast.to_string(), "`profile velocity`: 400000 steps/s is outside 0..=335544.3 steps/s");
    let parameter = Parameter::SupplyVoltage;
    assert_eq!(refused(Command::read(parameter)), CommandError::NoSuchParameter { parameter });
    let wrong = refused(Command::write(Parameter::ProfileAcceleration, velocity(1)));
    assert!(matches!(wrong, CommandError::WrongUnit { .. }), "{wrong}");
    let read_only = refused(Command::write(Parameter::VelocityDemandValue, velocity(1)));
    assert!(matches!(read_only, CommandError::ReadOnly { .. }), "{read_only}");
    let far = chain.send_one(2, Command::PeekStatus).unwrap_err();
    assert_eq!(far.to_string(), "device 2: the chain has only 2 devices, counted from 0");
    let axis = chain.send_one(0, Command::HomeOnCurrentPosition.on(1)).unwrap_err();
    assert_eq!(axis.to_string(), "device 0: axis 1 does not exist, the device has 1");
    chain.release().done();
}

/// By hand, from the drawings: a write of Latched is one unit and two of content, a read one and two of reply; of
/// FixedWord everything is one.
#[test]
fn as_many_idle_frames_come_into_step_as_the_longest_command_has_units() {
    assert_eq!(Codec::new(&Latched::LAYOUT).unwrap().resync_frames(), 3);
    assert_eq!(Codec::new(&FixedWord::LAYOUT).unwrap().resync_frames(), 1);
    const SILENT: Layout = Layout::new("silent", Wire::latched_units(8, &[Piece::fixed(8, 0)]));
    assert_eq!(Codec::new(&SILENT).unwrap().resync_frames(), 1);
}

#[test]
fn slices_that_are_too_short_are_refused_with_both_lengths() {
    let codec = Codec::new(Chain::<FixedWord, Mock<u8>, 1>::LAYOUT).unwrap();
    let (mut pending, mut buffer) = ([Pending::default(); 2], [0; 11]);
    let error = codec.begin(&[Command::Filler; 2], &mut pending, &mut buffer).unwrap_err();
    assert_eq!(error, BeginError::BufferLength { found: 11, needed: 12 });
    let error = codec.begin(&[Command::Filler; 3], &mut pending, &mut [0; 18]).unwrap_err();
    assert_eq!(error, BeginError::PendingLength { found: 2, needed: 3 });
}

/// By hand: 1000 steps/s² is mantissa 1000 and exponent 2 of quarters.
#[test]
fn quantised_tells_what_the_code_really_means() {
    let register = FixedWord::LAYOUT.register(Parameter::ProfileAcceleration, 0).unwrap();
    let quantised = |value| register.quantised(Value::Acceleration(Acceleration::from_steps_per_s2(value).unwrap()));
    assert_eq!(quantised(1000).unwrap().to_string(), "1000 steps/s²");
    // By hand: 1023 · 4 / 4 is the greatest with exponent 2; with exponent 3 codes are 2 steps/s² apart.
    assert_eq!(quantised(1025).unwrap().to_string(), "1026 steps/s²");
}

#[test]
fn the_hal_mode_is_the_maps() {
    assert_eq!(Chain::<Latched, Mock<u8>, 1>::spi_mode(), embedded_hal::spi::MODE_3);
    assert_eq!(Chain::<FixedWord, Mock<u8>, 1>::spi_mode(), embedded_hal::spi::MODE_0);
}

/// CRC-8/AUTOSAR (polynomial 0x2F, start 0xFF, final exclusive-or 0xFF), a bit at a time with a ninth bit for the
/// carry: unlike the driver's routine on purpose. The catalogue's check value is asserted in `wire`.
fn autosar(bytes: &[u8]) -> u8 {
    let remainder =
        bytes.iter().flat_map(|byte| (0..8).rev().map(move |bit| byte >> bit & 1)).fold(0xFFu16, |r, bit| {
            let shifted = r << 1 ^ u16::from(bit) << 8;
            if shifted & 0x100 != 0 { (shifted ^ 0x12F) & 0xFF } else { shifted & 0xFF }
        });
    remainder as u8 ^ 0xFF
}

#[cfg(feature = "async")]
mod fronts;
#[cfg(feature = "async")]
mod heed;
#[cfg(feature = "async")]
mod heed_axes;
#[cfg(feature = "async")]
mod verified;
