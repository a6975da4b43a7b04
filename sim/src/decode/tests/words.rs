//! Words of both reference maps, worked out by hand from the drawings in their docs.

#![allow(clippy::unusual_byte_groupings, reason = "words are grouped by their pieces")]

use stepchain::map::{BridgeState, BufferMode, EdgeAction, Layout, RegisterMap, StopRamp, Verb, Way};
use stepchain::reference::{FixedWord, Latched};

use crate::decode::{Answer, Argument, Assembler, Decoded, Dictionary, Quantity};

const LATCHED: &Layout = &Latched::LAYOUT;
const FIXED_WORD: &Layout = &FixedWord::LAYOUT;

/// Feeds units in one by one; all but the last must be part of a longer word.
fn assemble(layout: &'static Layout, units: &[u64]) -> Decoded {
    let dictionary = Dictionary::new(layout);
    let mut assembler = Assembler::new();
    let (last, front) = units.split_last().expect("there is a unit");
    for (count, unit) in front.iter().enumerate() {
        assert_eq!(assembler.push(*unit, &dictionary), Decoded::PartOf { units: count + 1 });
    }
    assembler.push(*last, &dictionary)
}

fn command(verb: Verb, argument: Argument) -> Decoded {
    Decoded::Command { verb, buffer_mode: BufferMode::Aborting, axis: 0, argument }
}

fn quantity(code: u32, value: f64) -> Quantity {
    Quantity { code, value: Some(value) }
}

/// 1000 steps/s are 50 000 = 0x00_C350 fiftieths; 10110 1 00 is 0xB4, with the direction bit at zero 0xB0.
#[test]
fn latched_move_velocity_has_its_direction_in_front_of_the_magnitude() {
    let velocity = |value| Argument::Velocity(quantity(50_000, value));
    assert_eq!(assemble(LATCHED, &[0xB400, 0xC350]), command(Verb::MoveVelocity, velocity(1000.0)));
    assert_eq!(assemble(LATCHED, &[0xB000, 0xC350]), command(Verb::MoveVelocity, velocity(-1000.0)));
}

/// 01101 0 00 is 0x68: a zero means positive here. 70 000 is 0x01_1170.
#[test]
fn latched_move_relative_counts_up_when_its_direction_bit_is_zero() {
    let distance = |value| Argument::Distance(quantity(70_000, value));
    assert_eq!(assemble(LATCHED, &[0x6801, 0x1170]), command(Verb::MoveRelative, distance(70_000.0)));
    assert_eq!(assemble(LATCHED, &[0x6C01, 0x1170]), command(Verb::MoveRelative, distance(-70_000.0)));
}

/// The ways are 000, 011 and 101 behind 11010; −2 in 24 bits is 0xFF_FFFE.
#[test]
fn latched_move_absolute_has_its_way_among_its_fixed_bits() {
    for (first, way) in [(0xD0FF, Way::Shortest), (0xD3FF, Way::Positive), (0xD5FF, Way::Negative)] {
        let position = Argument::Position(quantity(0xFF_FFFE, -2.0));
        assert_eq!(assemble(LATCHED, &[first, 0xFFFE]), command(Verb::MoveAbsolute(way), position));
    }
}

#[test]
fn latched_stops_questions_homing_and_filler_are_one_unit() {
    let stop = |ramp, bridge| command(Verb::Stop(ramp, bridge), Argument::None);
    assert_eq!(assemble(LATCHED, &[0x3918]), stop(StopRamp::Profile, BridgeState::Driven));
    assert_eq!(assemble(LATCHED, &[0x3A24]), stop(StopRamp::Quick, BridgeState::Shorted));
    assert_eq!(assemble(LATCHED, &[0x3C42]), stop(StopRamp::None, BridgeState::HighImpedance));
    assert_eq!(assemble(LATCHED, &[0xE000]), command(Verb::PeekStatus, Argument::None));
    assert_eq!(assemble(LATCHED, &[0xE100]), command(Verb::TakeStatus, Argument::None));
    assert_eq!(assemble(LATCHED, &[0x4D5A]), command(Verb::HomeOnCurrentPosition, Argument::None));
    assert_eq!(assemble(LATCHED, &[0x7E7E]), Decoded::Filler);
}

/// 16 bits of acceleration are one unit, 24 of velocity two, and so are the 18 of the two amplitudes together.
#[test]
fn latched_writes_are_as_long_as_their_register() {
    assert_eq!(assemble(LATCHED, &[0x8811, 0x01F4]), Decoded::Write { address: 0x11, content: 500 });
    assert_eq!(assemble(LATCHED, &[0x8810, 0x0000, 0x61A8]), Decoded::Write { address: 0x10, content: 25_000 });
    assert_eq!(assemble(LATCHED, &[0x8822, 0x0001, 0x4050]), Decoded::Write { address: 0x22, content: 0x1_4050 });
    assert_eq!(assemble(LATCHED, &[0x8822, 0xFFFF, 0xFFFF]), Decoded::Write { address: 0x22, content: 0x3_FFFF });
    assert_eq!(assemble(LATCHED, &[0x8899]), Decoded::Write { address: 0x99, content: 0 }, "there is none: no length");
}

#[test]
fn the_filler_inside_a_word_is_an_argument() {
    assert_eq!(assemble(LATCHED, &[0x8811, 0x7E7E]), Decoded::Write { address: 0x11, content: 0x7E7E });
}

#[test]
fn an_unknown_word_is_dropped_and_the_next_unit_begins_anew() {
    let dictionary = Dictionary::new(LATCHED);
    let mut assembler = Assembler::new();
    assert_eq!(assembler.push(0xFFFF, &dictionary), Decoded::Unknown { units: vec![0xFFFF] });
    assert_eq!(assembler.push(0x3900, &dictionary), Decoded::Unknown { units: vec![0x3900] });
    assert_eq!(assembler.push(0x5010, &dictionary), Decoded::Read { address: 0x10 });
}

/// Address 0x11 behind a one is 0x91; 600 steps/s are 200 000 = 0x0003_0D40 codes of 0.003. The check is the
/// CRC-8/AUTOSAR (x⁸+x⁵+x³+x²+x+1, from 0xFF, inverted): after each byte the register holds 0x20, 0x73, 0x3B, 0x3F and
/// 0xA1, and 0xA1 inverted is 0x5E.
#[test]
fn fixed_word_write_carries_address_content_and_check() {
    let right = 0x91_0003_0D40_5E;
    assert_eq!(assemble(FIXED_WORD, &[right]), Decoded::Write { address: 0x11, content: 200_000 });
    for bit in 0..48 {
        let wrong = right ^ 1 << bit;
        assert_eq!(assemble(FIXED_WORD, &[wrong]), Decoded::CrcMismatch { units: vec![wrong] }, "bit {bit}");
    }
}

/// Zeros alone, and the addresses 1 and 2, which no register has, are not reads of these.
#[test]
fn fixed_word_fixed_bits_win_over_an_address() {
    assert_eq!(assemble(FIXED_WORD, &[0x00_0000_0000_4D]), Decoded::Filler);
    assert_eq!(assemble(FIXED_WORD, &[0x01_0000_0000_E0]), command(Verb::PeekStatus, Argument::None));
    assert_eq!(assemble(FIXED_WORD, &[0x02_0000_0000_38]), command(Verb::TakeStatus, Argument::None));
    assert_eq!(assemble(FIXED_WORD, &[0x10_0000_0000_94]), Decoded::Read { address: 0x10 });
}

/// A one among the 32 zeros of a read, with its check: no form has it, and the check is right.
#[test]
fn fixed_word_with_a_right_check_and_no_form_is_unknown() {
    let word = 0x10_0000_0001_BB;
    assert_eq!(assemble(FIXED_WORD, &[word]), Decoded::Unknown { units: vec![word] });
}

/// 24 bits of velocity, 25 000, right-aligned in two units; the status is one.
#[test]
fn latched_replies_are_whole_units_with_the_content_at_the_right() {
    let dictionary = Dictionary::new(LATCHED);
    let answer = Answer { status: 0xA5C3, axis: 0, address: 0x10, content: 25_000 };
    let reply = |verb| dictionary.reply(dictionary.form(verb).unwrap().reply, &answer);
    assert_eq!(reply(Verb::ReadParameter), [0x0000, 0x61A8]);
    assert_eq!(reply(Verb::PeekStatus), [0xA5C3]);
    assert_eq!(reply(Verb::HomeOnCurrentPosition), [0; 0]);
    assert_eq!(dictionary.idle_unit(0xA5C3), 0, "the map names no idle reply");
}

/// Bits 0..8 of the status in front, bits 8..16 behind 24 zeros; the checks over 5 bytes each.
#[test]
fn fixed_word_replies_carry_the_status_and_a_check() {
    let dictionary = Dictionary::new(FIXED_WORD);
    let answer = Answer { status: 0x02_87, axis: 0, address: 0x11, content: 200_000 };
    let reply = |verb| dictionary.reply(dictionary.form(verb).unwrap().reply, &answer);
    assert_eq!(reply(Verb::WriteParameter), [0x87_0003_0D40_18]);
    assert_eq!(reply(Verb::TakeStatus), [0x87_0000_0002_0B]);
    assert_eq!(dictionary.idle_unit(0x02_87), 0x87_0000_0000_55);
}

/// 10011 1 01 is 0x9D, with the direction bit at zero 0x99; 100 steps/s are 5000 codes.
#[test]
fn latched_searches_have_what_becomes_of_the_edge_among_their_fixed_bits() {
    let velocity = |value| Argument::Velocity(quantity(5_000, value));
    let search = Verb::SearchForSwitch;
    assert_eq!(assemble(LATCHED, &[0x9D00, 0x1388]), command(search(EdgeAction::Probe), velocity(100.0)));
    assert_eq!(assemble(LATCHED, &[0x9A00, 0x1388]), command(search(EdgeAction::Zero), velocity(-100.0)));
}

#[test]
fn what_has_a_direction_and_nothing_else_carries_one_or_minus_one() {
    let up = Argument::Direction(quantity(1, 1.0));
    let down = Argument::Direction(quantity(0, -1.0));
    assert_eq!(assemble(LATCHED, &[0xA500]), command(Verb::SearchForZero(EdgeAction::Probe), up));
    assert_eq!(assemble(LATCHED, &[0xA200]), command(Verb::SearchForZero(EdgeAction::Zero), down));
    assert_eq!(assemble(LATCHED, &[0x0E66]), command(Verb::PulseInput, up));
    assert_eq!(assemble(LATCHED, &[0x0A66]), command(Verb::PulseInput, down));
}

#[test]
fn latched_moves_that_wait_differ_in_an_option_bit() {
    let waits = |verb, argument| Decoded::Command { verb, buffer_mode: BufferMode::Buffered, axis: 0, argument };
    let distance = Argument::Distance(quantity(70_000, -70_000.0));
    assert_eq!(assemble(LATCHED, &[0x6D01, 0x1170]), waits(Verb::MoveRelative, distance));
    let position = Argument::Position(quantity(0xFF_FFFE, -2.0));
    assert_eq!(assemble(LATCHED, &[0xD6FF, 0xFFFE]), waits(Verb::MoveAbsolute(Way::Shortest), position));
}

#[test]
fn latched_returns_and_resets_are_one_unit() {
    for (unit, verb) in [
        (0x2800, Verb::ReturnToZero),
        (0x2900, Verb::ReturnToProbedPosition),
        (0x133C, Verb::RestoreDefaults),
        (0x14C3, Verb::ResetNode),
        (0x1799, Verb::FaultReset),
    ] {
        assert_eq!(assemble(LATCHED, &[unit]), command(verb, Argument::None));
    }
}
