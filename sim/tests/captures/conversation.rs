//! What words mean in their context, unit by unit for one device of the map `latched`. Units by hand from its drawing.

use std::sync::Arc;

use stepchain::map::{BitOrder, RegisterMap};
use stepchain::reference::Latched;
use stepchain_sim::capture::{Asked, Conversation, Exchange, Frame, Note};
use stepchain_sim::decode::Dictionary;
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
