//! The release sequence, byte by byte, and against the run-time encoder.

extern crate std;
use std::vec;
use std::vec::Vec;

use embedded_hal::spi::{ErrorKind, ErrorType, Operation, SpiDevice};

use super::*;
use crate::map::{CommandForm, Parameter, Piece, Register, RegisterMap, Wire, Write};
use crate::reference::{FixedWord, Latched};
use crate::{Codec, Command, Pending};

fn bytes<M: RegisterMap, const N: usize>() -> Vec<&'static [u8]> {
    let frames = frames::<M, N>();
    let count = frames.len();
    let bytes: Vec<_> = frames.collect();
    assert_eq!(bytes.len(), count);
    bytes
}

/// By hand: filler is 0x7E7E, the longest command three units; stop, no ramp, high impedance is 00111 100 = 0x3C, 0x42.
#[test]
fn three_devices_of_latched_units_get_three_fillers_and_two_stops() {
    let (idle, stop): (&[u8], &[u8]) = (&[0x7E; 6], &[0x3C, 0x42, 0x3C, 0x42, 0x3C, 0x42]);
    assert_eq!(bytes::<Latched, 3>(), [idle, idle, idle, stop, stop]);
}

/// By hand: 9 is written to 0x13, so 1 0010011 = 0x93. The checks are CRC-8/AUTOSAR by an outside crate.
#[test]
fn two_devices_of_fixed_words_get_one_filler_and_two_stops() {
    let checked = |bytes: [u8; 5]| {
        let word = [&bytes[..], &[crc::Crc::<u8>::new(&crc::CRC_8_AUTOSAR).checksum(&bytes)]].concat();
        [word.clone(), word].concat()
    };
    let (idle, stop) = (checked([0; 5]), checked([0x93, 0, 0, 0, 9]));
    assert_eq!(bytes::<FixedWord, 2>(), [&idle, &stop, &stop]);
}

/// Units of 12 bits, two axes; to stop takes two writes, each with a reply in its own slot.
struct Wordy;

const fn registers(axis: u8) -> [Register; 2] {
    let base = 8 * axis as u16;
    [
        Register::new(Parameter::Custom(0), base, 6).named("what").axis(axis),
        Register::new(Parameter::Custom(1), base + 1, 6).named("go").axis(axis),
    ]
}

impl RegisterMap for Wordy {
    const LAYOUT: Layout = Layout::new("wordy", Wire::latched_units(12, &[Piece::fixed(12, 0xF0F)]))
        .axes(2)
        .registers(&[registers(0)[0], registers(0)[1], registers(1)[0], registers(1)[1]])
        .commands(&[
            CommandForm::word(
                Verb::WriteParameter,
                &[Piece::fixed(12, 0xAAA), Piece::fixed(2, 0b01), Piece::address(4), Piece::data(6)],
            )
            .reply(&[Piece::any(12)]),
            CommandForm::writes(STOP, &[Write::code(Parameter::Custom(0), 5), Write::code(Parameter::Custom(1), 0x2A)]),
        ]);
}

/// By hand: the write of 5 to 0 is 0xAAA, then 01 0000 000101 = 0x405; of 0x2A to 1 0xAAA, 01 0001 101010 = 0x46A; on
/// the other axis, at 8 and 9, 01 1000 000101 = 0x605 and 01 1001 101010 = 0x66A. A write and its reply are three units.
/// Three devices are 36 bits: four bits of padding, then thrice the unit.
#[test]
fn a_stop_of_several_writes_is_sent_for_each_axis_with_the_slots_of_its_replies() {
    let thrice = |unit: u64| {
        let bits = unit << 24 | unit << 12 | unit;
        bits.to_be_bytes()[3..].to_vec()
    };
    let once = [
        0xAAA, 0x405, 0xF0F, 0xAAA, 0x46A, 0xF0F, // axis 0
        0xAAA, 0x605, 0xF0F, 0xAAA, 0x66A, 0xF0F, // axis 1
    ];
    let expected: Vec<_> = [0xF0F; 3].into_iter().chain(once).chain(once).map(thrice).collect();
    assert_eq!(bytes::<Wordy, 3>(), expected);
}

/// As Wordy, of one axis, but a write has as many units as its register needs: one of 12 bits, and two of them.
struct OfItsLength;

impl RegisterMap for OfItsLength {
    const LAYOUT: Layout = Layout::new("of its length", Wire::latched_units(12, &[Piece::fixed(12, 0xF0F)]))
        .registers(&[
            Register::new(Parameter::Custom(0), 0, 20).named("what"),
            Register::new(Parameter::Custom(1), 1, 6).named("go"),
        ])
        .commands(&[
            CommandForm::word(Verb::WriteParameter, &[Piece::fixed(8, 0xAA), Piece::address(4), Piece::DataByRegister]),
            CommandForm::writes(
                STOP,
                &[Write::code(Parameter::Custom(0), 0x5678), Write::code(Parameter::Custom(1), 9)],
            ),
        ]);
}

/// By hand: 20 bits are sent as 24, so 0xAA0 0x005 0x678; six as twelve, so 0xAA1 0x009.
#[test]
fn a_stop_by_writes_has_as_many_units_as_each_register_needs() {
    let units = bytes::<OfItsLength, 2>();
    let first: Vec<_> = units.iter().map(|frame| u16::from_be_bytes([frame[1], frame[2]]) & 0xFFF).collect();
    let once = [0xAA0, 0x005, 0x678, 0xAA1, 0x009];
    assert_eq!(first, [[0xF0F; 3].as_slice(), &once, &once].concat());
}

/// As the run-time encoder would send it: idle frames, then the stop of each axis, twice.
fn as_encoded<M: RegisterMap, const N: usize>() {
    let codec = Codec::new(const { &M::LAYOUT }).unwrap();
    let mut expected = vec![];
    let mut send = |command: crate::AxisCommand, idle: u16| {
        let (mut pending, mut buffer) = ([Pending::default(); N], vec![0; codec.frame_bytes(N)]);
        let mut talk = codec.begin(&[command; N], &mut pending, &mut buffer).unwrap().after_idle(idle);
        while let Some(frame) = talk.next_frame() {
            expected.push(frame.to_vec());
        }
    };
    let stop = Command::Stop { ramp: StopRamp::None, bridge: BridgeState::HighImpedance };
    for round in 0..2 {
        for axis in 0..M::LAYOUT.axes {
            let idle = if round == 0 && axis == 0 { codec.resync_frames() } else { 0 };
            send(stop.on(axis), idle);
        }
    }
    assert_eq!(bytes::<M, N>(), expected);
}

#[test]
fn the_constants_are_what_the_run_time_encoder_sends() {
    as_encoded::<Latched, 1>();
    as_encoded::<Latched, 7>();
    as_encoded::<FixedWord, 4>();
    as_encoded::<Wordy, 1>();
    as_encoded::<Wordy, 2>();
    as_encoded::<Wordy, 5>();
    as_encoded::<OfItsLength, 2>();
}

#[test]
fn sending_goes_on_after_a_failure_and_reports_the_first() {
    struct Broken(usize);
    impl ErrorType for Broken {
        type Error = ErrorKind;
    }
    impl SpiDevice for Broken {
        fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), ErrorKind> {
            let [Operation::Write(_)] = operations else { panic!("not one write") };
            self.0 += 1;
            match self.0 {
                2 => Err(ErrorKind::ModeFault),
                4 => Err(ErrorKind::Overrun),
                _ => Ok(()),
            }
        }
    }
    let mut spi = Broken(0);
    assert_eq!(send::<Latched, _, 2>(&mut spi), Err(ErrorKind::ModeFault));
    assert_eq!(spi.0, 5);
}
