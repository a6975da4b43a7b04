//! The format in bytes, and what becomes of bytes that are none of it.

extern crate std;
use std::vec::Vec;

use proptest::prelude::*;

use crate::message::{Body, Cut, Line, Piece, kind, pieces};
use crate::packet::{Collector, MOST_BODY, MOST_ON_LINE, Packet};

fn written(packet: Packet<'_>) -> Vec<u8> {
    let mut line = [0; MOST_ON_LINE];
    let count = packet.write(&mut line).unwrap();
    line[..count].to_vec()
}

/// The packets in some bytes: session, sequence, kind, body.
fn read(collector: &mut Collector, bytes: &[u8]) -> Vec<(u16, u16, u8, Vec<u8>)> {
    let whole = bytes.iter().filter_map(|byte| {
        collector.take(*byte).map(|packet| (packet.session, packet.sequence, packet.kind, packet.body.to_vec()))
    });
    whole.collect()
}

/// The check by the catalogue's own words, bit by bit: polynomial 0x04C11DB7 reflected, all ones before and behind.
fn check(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(!0, |register: u32, byte| {
        (0..8).fold(register ^ u32::from(*byte), |register, _| {
            register >> 1 ^ if register & 1 == 1 { 0xEDB8_8320 } else { 0 }
        })
    })
}

/// Stuffed by hand: each count leads to the next zero of `34 12 01 00 05` and the check, which has none.
#[test]
fn a_packet_on_the_line_is_as_the_page_draws_it() {
    // The catalogue's check value of CRC-32/ISO-HDLC.
    assert_eq!(check(b"123456789"), 0xCBF4_3926);
    let check = check(&[0x34, 0x12, 0x01, 0x00, 0x05]).to_le_bytes();
    assert!(!check.contains(&0));
    let expected = [&[0, 4, 0x34, 0x12, 0x01, 6, 0x05][..], &check, &[0]].concat();
    assert_eq!(written(Packet { session: 0x1234, sequence: 1, kind: kind::NOW, body: &[] }), expected);
}

#[test]
fn the_longest_body_fits_and_one_byte_more_does_not() {
    let body = [0xAA; MOST_BODY + 1];
    let mut line = [0; MOST_ON_LINE];
    let packet = Packet { session: 1, sequence: 2, kind: 3, body: &body };
    assert_eq!(packet.write(&mut line), None);
    let packet = Packet { body: &body[1..], ..packet };
    assert_eq!(packet.write(&mut line), Some(MOST_ON_LINE));
    assert_eq!(read(&mut Collector::new(), &line), [(1, 2, 3, body[1..].to_vec())]);
}

#[test]
fn what_is_too_long_for_a_packet_is_none_and_the_next_one_is_heard() {
    let mut collector = Collector::new();
    let whole = written(Packet { session: 1, sequence: 2, kind: 3, body: &[4] });
    let long = [0x11; 1000];
    assert_eq!(read(&mut collector, &long), []);
    assert_eq!(read(&mut collector, &whole), [(1, 2, 3, Vec::from([4]))]);
    assert_eq!(collector.broken(), 1);
}

#[test]
fn pieces_are_read_as_they_were_written_and_a_cut_one_is_told() {
    let mut body = Body::<400>::new();
    body.put_shift(&[7; 300]);
    body.put_pause(1_000_000);
    body.put_zeros(2);
    let read: Vec<_> = pieces(body.bytes().unwrap()).collect();
    let expected =
        [Piece::Shift(&[7; 255]), Piece::Shift(&[7; 45]), Piece::Pause(1_000_000), Piece::Shift(&[0; 2])].map(Ok);
    assert_eq!(read, expected);
    for cut in [&[2, 1][..], &[0, 1, 2, 3]] {
        assert_eq!(pieces(cut).collect::<Vec<_>>(), [Err(Cut)]);
    }
    let mut small = Body::<4>::new();
    small.put_shift(&[1, 2, 3]);
    assert_eq!(small.bytes(), Some(&[3, 1, 2, 3][..]));
    small.put_zeros(1);
    assert_eq!((small.bytes(), small.length()), (None, 6));
}

#[test]
fn lines_are_read_as_they_were_written() {
    for line in [
        Line::Busy { device: None },
        Line::Busy { device: Some(2) },
        Line::Fault { device: None },
        Line::Fault { device: Some(0) },
        Line::HomeSwitch { device: 3, axis: 1 },
    ] {
        assert_eq!(Line::from_bytes(&line.to_bytes()), Some(line));
    }
    assert_eq!((Line::from_bytes(&[3, 0, 0]), Line::from_bytes(&[0, 0])), (None, None));
}

proptest! {
    #[test]
    fn packets_come_through_between_any_noise(
        noise in prop::collection::vec(any::<u8>(), 0..40),
        body in prop::collection::vec(any::<u8>(), 0..MOST_BODY),
        (session, sequence, kind) in any::<(u16, u16, u8)>(),
    ) {
        let packet = written(Packet { session, sequence, kind, body: &body });
        let bytes = [&noise[..], &packet, &noise, &packet].concat();
        let expected = (session, sequence, kind, body);
        prop_assert_eq!(read(&mut Collector::new(), &bytes), [expected.clone(), expected]);
    }

    /// A spoilt count of the stuffing moves zeros about; a check of 32 bits lets one in 2³² of all such packets pass.
    #[test]
    fn a_byte_that_is_spoilt_makes_no_packet(
        body in prop::collection::vec(any::<u8>(), 0..60),
        place in any::<prop::sample::Index>(),
        flip in 1..=255u8,
    ) {
        let mut bytes = written(Packet { session: 1, sequence: 2, kind: 3, body: &body });
        let place = 1 + place.index(bytes.len() - 2);
        bytes[place] ^= flip;
        prop_assert_eq!(read(&mut Collector::new(), &bytes), []);
    }
}
