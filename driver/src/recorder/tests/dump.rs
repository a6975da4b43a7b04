//! A dump read by an outside reader of CSV.

extern crate std;
use std::string::String;
use std::vec;
use std::vec::Vec;

use embedded_hal::spi::SpiDevice;
use proptest::prelude::*;

use super::{Fickle, NOW_NS, Recorder, dumped};

/// The lines of a dump, as a reader of CSV sees them: time, number, and the bytes of both rows.
fn read_back(text: &str) -> Vec<(String, u32, Vec<u8>, Vec<u8>)> {
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    assert_eq!(reader.headers().unwrap(), ["time_s", "frame", "mosi", "miso"].as_slice());
    let bytes = |hex: &str| -> Vec<u8> {
        assert_eq!(hex.len() % 2, 0, "{hex}");
        let digits = hex.as_bytes().chunks(2).map(|pair| core::str::from_utf8(pair).unwrap());
        digits.map(|pair| u8::from_str_radix(pair, 16).unwrap()).collect()
    };
    let line = |line: Result<csv::StringRecord, csv::Error>| {
        let line = line.unwrap();
        (String::from(&line[0]), line[1].parse().unwrap(), bytes(&line[2]), bytes(&line[3]))
    };
    reader.records().map(line).collect()
}

#[test]
fn the_dump_of_a_ring_without_frames_reads_back_as_no_line() {
    assert!(read_back(&dumped(&Recorder::<_, 3, 4>::new(Fickle))).is_empty());
}

proptest! {
    /// Slots take four bytes and the ring three frames, so that both overflow; a first byte of 0xEE fails.
    #[test]
    fn a_dump_reads_back_as_the_frames_that_are_kept(
        sent in prop::collection::vec((any::<u32>(), prop::collection::vec(prop_oneof![Just(0xEE), any::<u8>()], 0..8)), 0..9)
    ) {
        let mut recorder = Recorder::<_, 3, 4>::new(Fickle).with_clock(|| NOW_NS.get());
        let mut expected = Vec::new();
        for (number, (time, bytes)) in (0..).zip(&sent) {
            // Beyond what a float of 64 bits tells apart.
            let time_ns = u64::from(*time) * 4_000_000_007;
            NOW_NS.set(time_ns);
            let fails = bytes.first() == Some(&0xEE);
            prop_assert_eq!(recorder.transfer_in_place(&mut bytes.clone()).is_err(), fails);
            let mosi: Vec<u8> = bytes.iter().copied().take(4).collect();
            let miso = if fails { vec![] } else { mosi.iter().map(|byte| !byte).collect() };
            expected.push((time_ns, number, mosi, miso));
        }
        let expected = &expected[expected.len().saturating_sub(3)..];
        let lines = read_back(&dumped(&recorder)).into_iter().map(|(time, number, mosi, miso)| {
            let (seconds, nanoseconds) = time.split_once('.').unwrap();
            assert_eq!(nanoseconds.len(), 9);
            let time_ns = seconds.parse::<u64>().unwrap() * 1_000_000_000 + nanoseconds.parse::<u64>().unwrap();
            (time_ns, number, mosi, miso)
        });
        prop_assert_eq!(lines.collect::<Vec<_>>(), expected);
    }
}
