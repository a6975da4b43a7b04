//! What words mean in their context, unit by unit for one device of the map `latched`. Units by hand from its drawing.

use std::sync::Arc;

use stepchain::map::{BitOrder, Piece, RegisterMap, Verb};
use stepchain::reference::{FixedWord, Latched};
use stepchain_sim::capture::{Asked, Conversation, Exchange, Frame, Note};
use stepchain_sim::decode::{Answer, Dictionary};
use stepchain_sim::wire::bits_of;

/// Sent, received, whether the frame is complete.
fn told(frames: &[(u16, u16, bool)]) -> Vec<Exchange> {
    let mut conversation = Conversation::new(Arc::new(Dictionary::new(&Latched::LAYOUT)), 1, BitOrder::MsbFirst);
    for (number, &(mosi, miso, complete)) in (0..).zip(frames) {
        let bits = |unit: u16| Some(bits_of(&unit.to_be_bytes()));
        let (mosi, miso) = (bits(mosi), bits(miso));
        assert_eq!(conversation.take(&Frame { number, start_ns: 0, end_ns: 0, mosi, miso, complete }), None);
    }
    conversation.end();
    std::iter::from_fn(|| conversation.pop()).collect()
}

fn sent(units: &[u16]) -> Vec<Exchange> {
    told(&units.iter().map(|&unit| (unit, 0, true)).collect::<Vec<_>>())
}

fn steps(exchange: &Exchange) -> Option<f64> {
    match &exchange.asked {
        Asked::Command { argument: Some(argument), .. } => argument.value,
        _ => None,
    }
}

/// 0x11 is written with 1000 and read back as 500, then as 1000.
#[test]
fn what_is_read_back_other_than_written_is_noted() {
    let read = |content| told(&[(0x8811, 0, true), (1000, 0, true), (0x5011, 0, true), (0x7E7E, content, true)]);
    assert_eq!(read(500)[1].notes, [Note::ReadBackDiffers { written: 1000 }]);
    assert_eq!(read(1000)[1].notes, []);
}

/// 640 microsteps are 640 steps once the resolution's code is 0, and 10 steps by its reset code.
#[test]
fn restored_defaults_count_by_the_reset_resolution_again() {
    let exchanges = sent(&[0x8815, 0, 0x6800, 640, 0x133C, 0x6800, 640]);
    let distances: Vec<_> = exchanges.iter().filter_map(steps).collect();
    assert_eq!(distances, [640.0, 10.0]);
}

#[test]
fn a_device_that_turns_does_so_until_it_is_reset() {
    let turns = sent(&[0xB400, 6000, 0x8811, 1000]);
    assert_eq!(turns[1].notes, [Note::WhileMoving { velocity: Some(120.0) }, Note::RefusedWhileMoving]);
    let stands = sent(&[0xB400, 6000, 0x14C3, 0x8811, 1000]);
    assert_eq!(stands[2].notes, []);
}

/// The second frame would have been the content; nobody knows what the device holds.
#[test]
fn a_frame_that_is_not_complete_breaks_words_and_answers_off() {
    let exchanges = told(&[(0x8811, 0, true), (1000, 0, false), (0x5011, 0, true), (0x7E7E, 500, false)]);
    assert_eq!((&exchanges[0].asked, &exchanges[0].units[..]), (&Asked::BrokenOff, &[0x8811][..]));
    assert_eq!((&exchanges[1].reply, &exchanges[1].notes[..]), (&None, &[Note::ReplyMissing][..]));
    assert_eq!(exchanges.len(), 2);
}

/// Moves by 640 microsteps: the capture shows no end of it.
#[test]
fn a_move_of_which_no_end_is_seen_may_still_be_under_way() {
    let exchanges = sent(&[0x6800, 640, 0x8811, 1000, 0x8810, 0, 1000]);
    assert_eq!(exchanges[1].notes, [Note::PerhapsMoving, Note::RefusedWhileMoving]);
    // The profile velocity is taken at any time: nothing to be noted.
    assert_eq!(exchanges[2].notes, []);
}

/// Bits 3 and 2 of the status are the motion state, 11 for constant velocity; 8000 and 1 say no reset and not busy.
#[test]
fn a_status_that_tells_motion_or_rest_counts_for_what_follows() {
    let after = |status: u16| {
        let frames = [(0xE000, 0, true), (0x7E7E, status, true), (0x8811, 0, true), (1000, 0, true)];
        told(&frames)[1].notes.clone()
    };
    assert_eq!(after(0x800D), [Note::WhileMoving { velocity: None }, Note::RefusedWhileMoving]);
    assert_eq!(after(0x8001), []);
}

/// 0x99 is no address of the map; 0x03 is the velocity demand value.
#[test]
fn registers_that_are_not_there_or_cannot_be_written_are_noted() {
    assert_eq!(sent(&[0x5099, 0x7E7E])[0].notes[0], Note::NoRegister);
    assert_eq!(sent(&[0x8803, 0, 0])[0].notes[0], Note::ReadOnly);
    // 7 is beyond the greatest code of the microstep resolution, which is 6.
    assert_eq!(sent(&[0x8815, 7])[0].notes, [Note::MeaninglessCode { code: 7 }]);
}

/// A status with bit 15 low tells a reset, with bit 8 high a rejected command; what was told before is no news.
#[test]
fn what_a_device_tells_for_the_first_time_is_noted_and_then_no_more() {
    let frames: Vec<_> = [0x8001, 0x0001, 0x0001, 0x8101, 0x8101]
        .iter()
        .flat_map(|&status| [(0xE000, 0, true), (0x7E7E, status, true)])
        .collect();
    let notes: Vec<_> = told(&frames).into_iter().map(|exchange| exchange.notes).collect();
    assert_eq!(notes, [vec![], vec![Note::HasReset], vec![], vec![Note::Rejected], vec![]]);
}

/// The first velocity is 120 steps/s up, the second 60 down; bit 10 of the first unit is the direction.
#[test]
fn a_velocity_of_the_other_sign_reverses() {
    let exchanges = sent(&[0xB400, 6000, 0xB000, 3000]);
    assert_eq!(exchanges[1].notes, [Note::WhileMoving { velocity: Some(120.0) }, Note::Reverses]);
}

/// An answer of the map `fixed-word` with a bit turned over has a wrong check, and with bits that no answer has is malformed.
#[test]
fn an_answer_that_cannot_be_believed_is_noted() {
    let dictionary = Arc::new(Dictionary::new(&FixedWord::LAYOUT));
    let bits = |unit: u64| bits_of(&unit.to_be_bytes()[2..]);
    let unit = |pieces, answer: &Answer| dictionary.reply(pieces, answer)[0];
    let reply = dictionary.form(Verb::PeekStatus).unwrap().reply;
    let right = unit(reply, &Answer { status: 0x80, ..Answer::default() });
    let ask = [Piece::fixed(1, 0), Piece::fixed(7, 0x01), Piece::fixed(32, 0), Piece::Crc];
    let ask = unit(Vec::leak(ask.to_vec()), &Answer::default());
    let notes = |answer: u64| {
        let mut conversation = Conversation::new(Arc::clone(&dictionary), 1, BitOrder::MsbFirst);
        let filler = unit(FixedWord::LAYOUT.wire.filler, &Answer::default());
        for (number, mosi, miso) in [(0, ask, 0), (1, filler, answer)] {
            let (mosi, miso) = (Some(bits(mosi)), Some(bits(miso)));
            conversation.take(&Frame { number, start_ns: 0, end_ns: 0, mosi, miso, complete: true });
        }
        conversation.end();
        conversation.pop().unwrap().notes
    };
    assert_eq!(notes(right), [Note::HasReset]);
    assert_eq!(notes(right ^ 1 << 20), [Note::ReplyCheck]);
    let register = dictionary.form(Verb::ReadParameter).unwrap().reply;
    let other = unit(register, &Answer { address: 0x7F, content: u32::MAX, ..Answer::default() });
    assert_eq!(notes(other)[0], Note::ReplyMalformed);
}
