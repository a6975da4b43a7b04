//! Any bits decode: nothing panics, nothing is gathered for ever.

use proptest::prelude::*;
use stepchain::map::{
    Coding, CommandForm, Crc8, Encoding, Layout, Parameter, Piece, Register, RegisterMap, Verb, Wire,
};
use stepchain::reference::{FixedWord, Latched};

use crate::decode::{Assembler, Decoded, Dictionary};

/// Odd in everything: 5-bit units, two axes, an argument in two parts, a check, an address behind the content's start.
const ODD: Layout = Layout::new("odd", Wire::latched_units(5, &[Piece::fixed(5, 0)]).crc(Crc8::new(0x07)))
    .axes(2)
    .registers(&[
        Register::new(Parameter::ProfileVelocity, 0x05, 31),
        Register::new(Parameter::ProfileVelocity, 0x06, 7).axis(1),
    ])
    .commands(&[
        CommandForm::word(
            Verb::MoveVelocity,
            &[
                Piece::fixed(3, 0b101),
                Piece::axis(2),
                Piece::velocity(VELOCITY).part(9, 4),
                Piece::direction(true),
                Piece::any(3),
                Piece::velocity(VELOCITY).part(0, 9),
                Piece::Crc,
            ],
        ),
        CommandForm::word(Verb::WriteParameter, &[Piece::fixed(2, 0b01), Piece::address(8), Piece::DataByRegister]),
    ]);
const VELOCITY: Coding = Coding::new(13, Encoding::linear(1, 8));

static LAYOUTS: [&Layout; 3] = [&Latched::LAYOUT, &FixedWord::LAYOUT, &ODD];

#[test]
fn the_odd_map_is_a_valid_one() {
    assert_eq!(ODD.validate(), Ok(()));
}

/// By hand: axis 1, code 0b1010_1_1100_0011 = 5571, so 696.375 steps/s, down. The bits before the check are
/// 101 | 01 | 1010 | 0 | 000 | 1_1100_0011: 22 of them, 0x2B41C3, in three bytes.
#[test]
fn an_argument_in_parts_is_put_together_and_the_check_covers_all_bits_before_it() {
    let dictionary = Dictionary::new(&ODD);
    let bits = 0b10_1011_0100_0001_1100_0011_u32;
    let check = smbus(&bits.to_be_bytes()[1..]);
    let word = u64::from(bits) << 8 | u64::from(check);
    let units: Vec<u64> = (0..6).rev().map(|unit| word >> (5 * unit) & 0x1F).collect();
    let Decoded::Command { verb: Verb::MoveVelocity, axis: 1, argument, .. } = dictionary.decode(&units) else {
        panic!("{:?}", dictionary.decode(&units));
    };
    assert_eq!(argument.quantity().and_then(|quantity| quantity.value), Some(-696.375));
}

/// CRC-8/SMBUS by plain long division.
fn smbus(bytes: &[u8]) -> u8 {
    let mut rest = 0u16;
    for bit in bytes.iter().flat_map(|byte| (0..8).rev().map(move |weight| byte >> weight & 1)).chain([0; 8]) {
        rest = rest << 1 | u16::from(bit);
        if rest & 0x100 != 0 {
            rest ^= 0x107;
        }
    }
    rest as u8
}

proptest! {
    #[test]
    fn any_units_mean_something(which in 0usize..3, units in prop::collection::vec(any::<u64>(), 0..12)) {
        let _ = Dictionary::new(LAYOUTS[which]).decode(&units);
    }

    #[test]
    fn no_word_is_gathered_for_ever(which in 0usize..3, units in prop::collection::vec(any::<u64>(), 0..200)) {
        let dictionary = Dictionary::new(LAYOUTS[which]);
        let mut assembler = Assembler::new();
        for unit in units {
            let decoded = assembler.push(unit & LAYOUTS[which].wire.unit_mask(), &dictionary);
            prop_assert!(assembler.pending().len() < 10);
            prop_assert_eq!(assembler.pending().is_empty(), !matches!(decoded, Decoded::PartOf { .. }));
        }
    }
}
