//! Files that are no captures, or no good ones.

use std::fmt::Write as _;

use stepchain::map::SpiMode;
use stepchain_sim::capture::{Line, Options, TroubleKind};

use crate::{HEAD, in_mode, read};

fn told(name: &str, content: &[u8]) -> String {
    let read = read(name, content, &Options::default());
    read.error.unwrap_or_else(|| panic!("{name}: {:?} {:?}", read.frames, read.troubles)).to_string()
}

#[test]
fn what_is_no_capture_is_told_with_what_was_found_and_expected() {
    for (name, content, said) in [
        ("empty.vcd", &b""[..], "found an empty file, expected a VCD, FST or CSV capture"),
        ("packed.vcd", b"\x1F\x8B\x08\x00", "found a packed file"),
        ("garbage.bin", b"\x7FELF\x02\x01\x01\x00\xFF\xFE", "found bytes that are no text"),
        ("garbage.vcd", b"\x7FELF\x02\x01\x01\x00\xFF\xFE", "expected the header of a VCD file"),
        ("text.csv", b"hello\n", "found no signal for sck by its usual names, expected --sck PATH"),
        ("header.vcd", b"$timescale 1 ns $end $scope module top $end\n", "line 2: found the end of the file"),
        ("words.vcd", b"$date today $end $nonsense $end\n", "line 1: found what cannot be read (unknown command)"),
    ] {
        let told = told(name, content);
        assert!(told.contains(said), "{told}");
    }
}

#[test]
fn a_missing_or_wrong_time_scale_is_told() {
    let told = told("no-scale.vcd", HEAD.replace("$timescale 1 ns $end", "").as_bytes());
    assert!(told.contains("found no time scale"), "{told}");
    for (scale, said) in
        [("3 ns", "time scale of 3 ns"), ("1 lightyear", "token too long"), ("0 s", "time scale of 0 s")]
    {
        let told = self::told("scale-wrong.vcd", HEAD.replace("1 ns", scale).as_bytes());
        assert!(told.contains(said), "{told}");
    }
}

#[test]
fn a_missing_signal_is_told_with_the_ones_there_are() {
    let told = told("no-clock.vcd", HEAD.replace("sck", "sckk").as_bytes());
    assert!(told.contains("no signal for sck") && told.contains("the file has top.cs, top.sckk, top.mosi"), "{told}");
}

const FRAME: &str = "#0 1! 0\" 0# 0$\n#1000 0! 1#\n#1100 1\"\n#1200 0\"\n#1300 1\"\n#1400 0\"\n#1500 1!\n";

#[test]
fn a_broken_line_is_told_with_its_number_and_time_after_what_came_before() {
    let broken = read("broken.vcd", format!("{HEAD}{FRAME}what\n#2000 0!\n").as_bytes(), &in_mode(SpiMode::Mode0));
    assert_eq!(broken.frames.len(), 1);
    let told = broken.error.unwrap().to_string();
    assert!(told.contains("line 9, at 0.000001500 s: found what cannot be read"), "{told}");
}

/// Whatever is cut off, the frames before it are those of the whole file.
#[test]
fn a_file_cut_anywhere_gives_what_came_before_the_cut() {
    let body = FRAME.replace("#0 ", "#1 ").replace("#1", "#9");
    let text = format!("{HEAD}{FRAME}{}", body.replace("1! 0\"", "1!"));
    let options = Options { min_pulse_ns: Some(0), ..in_mode(SpiMode::Mode0) };
    let whole = read("whole.vcd", text.as_bytes(), &options).frames;
    assert_eq!(whole.len(), 2);
    for length in 0..text.len() {
        let cut = read("cut-anywhere.vcd", &text.as_bytes()[..length], &options);
        let complete: Vec<_> = cut.frames.iter().filter(|frame| frame.complete).collect();
        assert!(complete.iter().zip(&whole).all(|(cut, whole)| **cut == *whole), "{length}: {cut:?}");
        assert!(length >= HEAD.len() - 1 || cut.error.is_some(), "{length}");
    }
}

/// By hand: a million pulses of 1 ns between two frames whose half clocks take 100 ns.
#[test]
fn a_million_glitches_are_one_trouble() {
    let mut text = format!("{HEAD}{FRAME}");
    for pulse in 0..1_000_000u64 {
        writeln!(text, "#{}\n1\"\n#{}\n0\"", 10_000 + 10 * pulse, 10_001 + 10 * pulse).unwrap();
    }
    text += &FRAME.replace("#0 1! 0\" 0# 0$\n", "").replace("#1", "#21000");
    let read = read("glitches.vcd", text.as_bytes(), &in_mode(SpiMode::Mode0));
    assert_eq!(read.frames.iter().map(|frame| frame.bits()).collect::<Vec<_>>(), [2, 2]);
    let glitches = TroubleKind::Glitches { line: Line::Sck, pulses: 1_000_000, last_ns: 10_000 + 9_999_990 };
    assert_eq!(read.kinds(), [glitches]);
    assert_eq!(read.troubles[0].time_ns, 10_000);
}

/// No piece of more than four megabytes is gathered: the error comes at that place, and so not after a hundred.
#[test]
fn a_line_of_a_hundred_megabytes_is_an_error_after_four() {
    let long = vec![b'1'; 100 << 20];
    let starts: [(&str, Vec<u8>); 4] = [
        ("long-vector.vcd", format!("{HEAD}{FRAME}#2000\nb").into_bytes()),
        ("long-comment.vcd", b"$comment ".to_vec()),
        ("long-row.csv", b"time_s,cs,sck,mosi,miso\n0,1,0,0,0\n".to_vec()),
        ("long-header.csv", Vec::new()),
    ];
    for (name, start) in starts {
        let told = told(name, &[&start[..], &long].concat());
        assert!(told.contains("a piece of more than 4194304 bytes without an end"), "{told}");
        let byte = told.split("byte ").nth(1).and_then(|rest| rest.split(':').next()).unwrap();
        let byte: usize = byte.parse().unwrap();
        assert!((4 << 20..(4 << 20) + (1 << 18)).contains(&byte), "{told}");
        std::fs::remove_file(crate::file(name, &[])).unwrap();
    }
}

#[test]
fn a_selection_without_end_is_cut_at_a_million_bits() {
    let mut text = format!("{HEAD}#0 1! 0\" 0# 0$\n#10 0!\n");
    for clock in 1..1_100_000u64 {
        writeln!(text, "#{}\n1\"\n#{}\n0\"", 20 * clock, 20 * clock + 10).unwrap();
    }
    let read = read("endless.vcd", text.as_bytes(), &in_mode(SpiMode::Mode0));
    assert_eq!(read.frames[0].bits(), stepchain_sim::capture::MOST_BITS);
    assert_eq!(read.kinds()[0], TroubleKind::FrameTooLong { bits: 1 << 20 });
}
