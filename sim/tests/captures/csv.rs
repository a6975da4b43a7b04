//! CSV: the three kinds, their options, and rows that are wrong.

use embedded_hal::spi::{ErrorKind, ErrorType, Operation, SpiDevice};
use stepchain::Recorder;
use stepchain::map::SpiMode;
use stepchain_sim::capture::{Csv, Options, TroubleKind};

use crate::{in_mode, read};

fn pair(mosi: &str, miso: &str) -> (String, String) {
    (mosi.to_owned(), miso.to_owned())
}

const BY_CHANGE: &str = "\
time_s,cs,sck,mosi,miso
-0.000001,1,0,0,z
0,0,0,1,0
0.000001,0,1,1,0
0.000002,0,0,0,1
0.000003,0,1,0,1
0.000004,0,0,0,1
0.000005,1,0,0,z
";

#[test]
fn a_row_for_each_change_is_read_with_times_before_zero() {
    let text = read("changes.csv", BY_CHANGE.as_bytes(), &in_mode(SpiMode::Mode0));
    assert_eq!((text.bits(), text.troubles.len()), (vec![pair("10", "01")], 0));
    assert_eq!((text.frames[0].start_ns, text.frames[0].end_ns), (0, 5000));
    let csv = Csv { time_offset_s: 0.25, ..Csv::default() };
    let moved = read("changes-moved.csv", BY_CHANGE.as_bytes(), &Options { csv, ..in_mode(SpiMode::Mode0) });
    assert_eq!(moved.frames[0].start_ns, 250_000_000);
}

#[test]
fn separator_and_time_column_are_options_and_a_wrong_separator_is_told() {
    let text = BY_CHANGE.replace("time_s", "When").replace(',', ";").replace('\n', "\r\n");
    let csv = Csv { separator: b';', time_column: Some("when".to_owned()), ..Csv::default() };
    let options = Options { csv, ..in_mode(SpiMode::Mode0) };
    assert_eq!(read("semicolons.csv", text.as_bytes(), &options).bits(), [pair("10", "01")]);
    let told = read("semicolons-missed.csv", text.as_bytes(), &Options::default()).error.unwrap().to_string();
    assert!(
        told.contains("found one column `When;cs;sck;mosi;miso`, expected several, as by --separator ';'"),
        "{told}"
    );
}

/// By hand: at 2 MHz a row is 500 ns.
#[test]
fn a_row_for_each_sample_is_read_by_its_rate() {
    let rows: Vec<_> = BY_CHANGE.lines().map(|line| line.split_once(',').unwrap().1).collect();
    let text = format!("\u{feff}{}\n", rows.join("\n"));
    let csv = Csv { sample_rate_hz: Some(2e6), ..Csv::default() };
    let samples = read("samples.csv", text.as_bytes(), &Options { csv, ..in_mode(SpiMode::Mode0) });
    assert_eq!((samples.bits(), samples.frames[0].start_ns), (vec![pair("10", "01")], 500));
    let told = read("samples-missed.csv", text.as_bytes(), &Options::default()).error.unwrap().to_string();
    assert!(told.contains("--sample-rate HZ"), "{told}");
}

#[test]
fn a_level_that_is_none_is_told_with_line_and_column_after_what_came_before() {
    let broken = read("broken.csv", format!("{BY_CHANGE}0.000006,1,7,0,z\n").as_bytes(), &in_mode(SpiMode::Mode0));
    assert_eq!(broken.bits(), [pair("10", "01")]);
    let told = broken.error.unwrap().to_string();
    assert!(told.contains("line 9, column 12: found `7`, expected 0, 1, x or z"), "{told}");
}

#[test]
fn a_last_row_without_its_end_is_not_used() {
    let cut = read("cut.csv", BY_CHANGE.trim_end().as_bytes(), &in_mode(SpiMode::Mode0));
    assert_eq!(cut.kinds(), [TroubleKind::CutOff, TroubleKind::EndedInside]);
    assert_eq!(cut.frames[0].end_ns, 4000);
}

#[test]
fn frames_in_hex_are_read_and_gaps_in_their_numbers_told() {
    let text = "time_s,frame,mosi,miso\n0.5,3,a5f0,0102\n0.6,6,7E,\n0.7,7,0102,03\n";
    let frames = read("frames.csv", text.as_bytes(), &Options::default());
    assert_eq!(frames.bits()[0], pair("1010010111110000", "0000000100000010"));
    assert_eq!((frames.frames[0].start_ns, frames.frames[0].number), (500_000_000, 3));
    assert_eq!(frames.frames[1].miso, None);
    let told = [TroubleKind::FramesMissing { count: 2 }, TroubleKind::UnequalBytes { mosi: 2, miso: 1 }];
    assert_eq!(frames.kinds(), told);
    let odd = read("odd.csv", b"time_s,frame,mosi,miso\n0,0,a5f,\n", &Options::default()).error.unwrap().to_string();
    assert!(odd.contains("line 2, column 5: found `a5f`, expected bytes, two hex digits each"), "{odd}");
}

/// A bus that answers with every byte turned over.
struct Mirror;

impl ErrorType for Mirror {
    type Error = ErrorKind;
}

impl SpiDevice for Mirror {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), ErrorKind> {
        for operation in operations {
            if let Operation::TransferInPlace(bytes) = operation {
                bytes.iter_mut().for_each(|byte| *byte = !*byte);
            }
        }
        Ok(())
    }
}

#[test]
fn what_the_drivers_recorder_writes_is_read() {
    let mut recorder = Recorder::<_, 4, 8>::new(Mirror).with_clock(|| 1_500_000);
    recorder.transfer_in_place(&mut [0x0F, 0x01]).unwrap();
    recorder.write(&[0x80]).unwrap();
    let mut text = String::new();
    recorder.dump(&mut text).unwrap();
    let dump = read("recorder.csv", text.as_bytes(), &Options::default());
    assert_eq!(dump.bits(), [pair("0000111100000001", "1111000011111110"), pair("10000000", "-")]);
    assert_eq!((dump.frames[0].start_ns, dump.troubles.len()), (1_500_000, 0));
}
