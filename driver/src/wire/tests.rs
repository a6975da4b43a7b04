//! Bits into units and back, on words of every width; the check against the public catalogue.

extern crate std;

use proptest::prelude::*;

use super::*;
use crate::map::{Coding, Encoding, RegisterMap};

fn check_of(crc: Crc8, bytes: &[u8]) -> u8 {
    let mut check = Check::new(Some(crc), bytes.len() as u16 * 8 + 8);
    for &byte in bytes {
        check.push(byte as u64, 8);
    }
    check.result()
}

/// Check values over "123456789" from the public catalogue of CRC parameters, as the crate `crc` carries them.
#[test]
fn the_check_gives_the_catalogues_values() {
    let digits = b"123456789";
    assert_eq!(check_of(Crc8::new(0x07), digits), 0xF4, "CRC-8/SMBUS");
    assert_eq!(check_of(Crc8::new(0x2F).initial(0xFF).xor_out(0xFF), digits), 0xDF, "CRC-8/AUTOSAR");
    assert_eq!(check_of(Crc8::new(0x31).reflected(), digits), 0xA1, "CRC-8/MAXIM-DOW");
    assert_eq!(crc::Crc::<u8>::new(&crc::CRC_8_AUTOSAR).checksum(digits), 0xDF, "the crate agrees");
}

proptest! {
    #[test]
    fn the_check_is_that_of_the_crate_for_any_parameters_and_any_cut_into_pieces(
        polynomial: u8, initial: u8, reflected: bool, xor_out: u8,
        bits in 0u64.., width in 1u16..=64, cut in 0u16..=64,
    ) {
        let bits = bits & low_bits(width);
        let mut ours = Crc8::new(polynomial).initial(initial).xor_out(xor_out);
        ours.reflected = reflected;
        let cut = cut.min(width);
        let mut check = Check::new(Some(ours), width + 8);
        check.push(shifted_right(bits, cut as u32), width - cut);
        check.push(bits, cut);
        let bytes = bits.to_be_bytes();
        let bytes = &bytes[8 - width.div_ceil(8) as usize..];
        // The crate wants a catalogue entry that lives as long as the program; a test may leak a few.
        let theirs: &'static crc::Algorithm<u8> = leaked(crc::Algorithm {
            width: 8,
            poly: polynomial,
            init: initial,
            refin: reflected,
            refout: reflected,
            xorout: xor_out,
            check: 0,
            residue: 0,
        });
        prop_assert_eq!(check.result(), crc::Crc::<u8>::new(theirs).checksum(bytes));
    }

    #[test]
    fn bits_put_anywhere_come_back_and_leave_their_neighbours(
        before: [u8; 12], offset in 0usize..32, width in 1u8..=64, bits: u64,
    ) {
        let mut bytes = before;
        // Cleared by another way than the code under test: bit by bit.
        for bit in offset..offset + width as usize {
            bytes[bit / 8] &= !(0x80 >> (bit % 8));
        }
        put_bits(&mut bytes, offset, width, bits);
        prop_assert_eq!(get_bits(&bytes, offset, width), bits & low_bits(width as u16));
        for bit in (0..96).filter(|bit| !(offset..offset + width as usize).contains(bit)) {
            prop_assert_eq!(bytes[bit / 8] >> (7 - bit % 8) & 1, before[bit / 8] >> (7 - bit % 8) & 1);
        }
    }
}

fn leaked<T>(value: T) -> &'static T {
    std::boxed::Box::leak(std::boxed::Box::new(value))
}

/// By hand: the word 0xABC 0x123 of two 12-bit pieces in units of 8 is AB, C1, 23; sent LSB first each unit is
/// mirrored: AB = 1010 1011 becomes 1101 0101 = D5.
#[test]
fn a_piece_may_straddle_units_and_lsb_first_mirrors_each_unit() {
    const PIECES: &[Piece] = &[Piece::Fixed { width: 12, value: 0xABC }, Piece::Fixed { width: 12, value: 0x123 }];
    const FILLER: &[Piece] = &[Piece::Fixed { width: 8, value: 0 }];
    const LAYOUT: Layout = Layout::new("eight", Wire::latched_units(8, FILLER));
    let units = |layout: &Layout| [0, 1, 2].map(|index| unit(layout, PIECES, &Content::default(), index));
    assert_eq!(units(&LAYOUT), [0xAB, 0xC1, 0x23]);
    let mut mirrored = LAYOUT;
    mirrored.wire = mirrored.wire.bit_order(BitOrder::LsbFirst);
    assert_eq!(units(&mirrored), [0xD5, 0x83, 0xC4]);
}

/// By hand: the code 0x2B5 sent low byte first is B5, then 02 in the next byte.
#[test]
fn an_argument_sent_in_parts_is_put_together_again() {
    const CODING: Coding = Coding::new(16, Encoding::Raw);
    const FILLER: &[Piece] = &[Piece::Fixed { width: 8, value: 0 }];
    const LAYOUT: Layout = Layout::new("eight", Wire::latched_units(8, FILLER));
    let pieces = [Piece::velocity(CODING).part(0, 8), Piece::velocity(CODING).part(8, 8)];
    let content = Content { argument: 0x2B5, ..Content::default() };
    assert_eq!([0, 1].map(|index| unit(&LAYOUT, &pieces, &content, index)), [0xB5, 0x02]);
    let reply = [Piece::data_part(0, 8), Piece::data_part(8, 8)];
    let mut answer = Answer::new(&LAYOUT, &reply, 0);
    answer.take(&LAYOUT, &reply, &content, 0, 0xB5);
    answer.take(&LAYOUT, &reply, &content, 1, 0x02);
    assert_eq!(answer.data, 0x2B5);
}

#[test]
fn a_fixed_bit_or_check_that_differs_is_told() {
    struct Checked;
    impl RegisterMap for Checked {
        const LAYOUT: Layout = Layout::new(
            "checked",
            Wire::fixed_word(24, &[Piece::Fixed { width: 16, value: 0 }, Piece::Crc]).crc(Crc8::new(0x07)),
        );
    }
    let layout = &Checked::LAYOUT;
    let pieces = [Piece::fixed(4, 0b1010), Piece::data(12), Piece::Crc];
    let read = |unit| {
        let mut answer = Answer::new(layout, &pieces, 0);
        answer.take(layout, &pieces, &Content::default(), 0, unit);
        answer.verdict(&pieces).map(|()| answer.data)
    };
    let crc = check_of(Crc8::new(0x07), &[0xA1, 0x23]) as u64;
    assert_eq!(read(0xA1_23_00 | crc), Ok(0x123));
    assert_eq!(read(0xA1_23_00 | (crc ^ 1)), Err(Mismatch::Crc { expected: crc as u8, found: crc as u8 ^ 1 }));
    let crc = check_of(Crc8::new(0x07), &[0xB1, 0x23]) as u64;
    assert_eq!(read(0xB1_23_00 | crc), Err(Mismatch::Fixed));
}

/// By hand: a reply in units of six bits of which the check takes the last two of one and all of the next. The check of
/// ten bits is that of the two bytes 0x02 0xA5.
#[test]
fn a_check_may_straddle_units() {
    const LAYOUT: Layout =
        Layout::new("six", Wire::latched_units(6, &[Piece::Fixed { width: 6, value: 0 }]).crc(Crc8::new(0x07)));
    let pieces = [Piece::data(10), Piece::Crc];
    let crc = check_of(Crc8::new(0x07), &[0x02, 0xA5]) as u64;
    let word = 0x2A5 << 8 | crc;
    let read = |word: u64| {
        let mut answer = Answer::new(&LAYOUT, &pieces, 0);
        for (index, shift) in [(0, 12), (1, 6), (2, 0)] {
            answer.take(&LAYOUT, &pieces, &Content::default(), index, word >> shift & 0x3F);
        }
        answer.verdict(&pieces).map(|()| answer.data)
    };
    assert_eq!(read(word), Ok(0x2A5));
    for bit in 0..8 {
        let found = crc as u8 ^ 1 << bit;
        assert_eq!(read(word ^ 1 << bit), Err(Mismatch::Crc { expected: crc as u8, found }));
    }
}

/// By hand: the echo of address 0xB5 and axis 2, and two status bits, in a reply of two bytes: B5, 10 then bits 5..4 of
/// the status, then four bits of no meaning.
#[test]
fn the_echo_of_an_address_or_axis_that_differs_is_told() {
    const LAYOUT: Layout = Layout::new("eight", Wire::latched_units(8, &[Piece::Fixed { width: 8, value: 0 }]));
    let pieces = [Piece::address(8), Piece::axis(2), Piece::Status { lsb: 4, width: 2 }, Piece::any(4)];
    let content = Content { address: 0xB5, axis: 2, ..Content::default() };
    let read = |units: [u64; 2]| {
        let mut answer = Answer::new(&LAYOUT, &pieces, 0xB5);
        for (index, unit) in [0, 1].into_iter().zip(units) {
            answer.take(&LAYOUT, &pieces, &content, index, unit);
        }
        answer.verdict(&pieces).map(|()| (answer.status, answer.status_known))
    };
    assert_eq!(read([0xB5, 0b1001_1111]), Ok((0b01_0000, 0b11_0000)));
    assert_eq!(read([0xB4, 0b1001_1111]), Err(Mismatch::Fixed));
    assert_eq!(read([0xB5, 0b1101_1111]), Err(Mismatch::Fixed));
}
