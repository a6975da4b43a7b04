//! How long decoding a VCD file takes beside the reader crate alone, in one run on one file.
//!
//! `cargo bench -p stepchain-sim --bench decode` writes a capture of 200 MB to the build directory (another size in
//! megabytes may follow `--`), reads it three times each way, and prints the best times and their ratio. It fails if
//! decoding to commands takes more than 1.5 times what the crate `vcd` needs for nothing but its tokens.

// The one thing here that real time is for.
#![allow(clippy::disallowed_types, clippy::disallowed_methods)]

use std::fs::File;
use std::io::{BufReader, BufWriter, Write};
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

use stepchain::map::{BitOrder, RegisterMap, SpiMode};
use stepchain::reference::Latched;
use stepchain_sim::capture::{self, Conversation, Item, Options};
use stepchain_sim::decode::Dictionary;

/// What decoding may take, as a multiple of reading.
const MOST: f64 = 1.5;
const ROUNDS: usize = 3;

/// Units of three devices: a read with its answer, then a velocity.
const FRAMES: [[u16; 6]; 4] = [
    [0x5011, 0x7E7E, 0x7E7E, 0, 0, 0],
    [0x7E7E, 0x7E7E, 0x7E7E, 0x01F4, 0, 0],
    [0xB400, 0xB400, 0xB400, 0, 0, 0],
    [0x1770, 0x0BB8, 0x2EE0, 0, 0, 0],
];

fn main() {
    // The runner of benchmarks adds a flag of its own.
    let megabytes = std::env::args().skip(1).find_map(|argument| argument.parse().ok()).unwrap_or(200);
    let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join("decode.vcd");
    let bytes = write(&path, megabytes);
    let mut best = [Duration::MAX; 3];
    let mut counts = [0; 3];
    for _ in 0..ROUNDS {
        for (place, run) in [tokens as fn(&Path) -> u64, frames, commands].iter().enumerate() {
            let begin = Instant::now();
            counts[place] = run(&path);
            best[place] = best[place].min(begin.elapsed());
        }
    }
    let reading = best[0].as_secs_f64();
    for ((name, time), count) in ["tokens, crate vcd", "frames", "commands"].iter().zip(best).zip(counts) {
        let seconds = time.as_secs_f64();
        let speed = bytes as f64 / 1e6 / seconds;
        println!("{name:<18} {seconds:7.3} s  {speed:6.1} MB/s  ratio {:.3}  {count} of them", seconds / reading);
    }
    std::fs::remove_file(&path).expect("the capture can be removed");
    let ratio = best[2].as_secs_f64() / reading;
    assert!(ratio <= MOST, "decoding takes {ratio:.3} times what reading takes, more than {MOST}");
}

/// Nothing but the reader.
fn tokens(path: &Path) -> u64 {
    let mut parser = vcd::Parser::new(BufReader::new(File::open(path).expect("the capture is there")));
    parser.parse_header().expect("a header");
    parser.inspect(|command| assert!(command.is_ok(), "a token")).count() as u64
}

fn capture_of(path: &Path) -> capture::Capture {
    let options = Options { mode: Some(SpiMode::Mode3), ..Options::default() };
    capture::open(path, &options).expect("a capture")
}

fn frames(path: &Path) -> u64 {
    capture_of(path).filter(|item| matches!(item, Ok(Item::Frame(_)))).count() as u64
}

fn commands(path: &Path) -> u64 {
    let dictionary = Arc::new(Dictionary::new(&Latched::LAYOUT));
    let mut conversation = Conversation::new(dictionary, 3, BitOrder::MsbFirst);
    let mut count = 0;
    for item in capture_of(path) {
        if let Item::Frame(frame) = item.expect("no error") {
            assert_eq!(conversation.take(&frame), None);
            count += std::iter::from_fn(|| conversation.pop()).count() as u64;
        }
    }
    count
}

/// Writes frames in mode 3 until the file is so long.
fn write(path: &Path, megabytes: u64) -> u64 {
    let mut out = BufWriter::new(File::create(path).expect("the build directory can be written"));
    let mut text = String::from(
        "$timescale 1 ns $end\n$scope module bench $end\n$var wire 1 ! cs $end\n$var wire 1 \" sck $end\n\
         $var wire 1 # mosi $end\n$var wire 1 $ miso $end\n$upscope $end\n$enddefinitions $end\n\
         #0\n$dumpvars\n1!\n1\"\n0#\n0$\n$end\n",
    );
    let (mut bytes, mut time) = (0, 0u64);
    for units in FRAMES.iter().cycle() {
        out.write_all(text.as_bytes()).expect("room for the capture");
        bytes += text.len() as u64;
        if bytes > megabytes * 1_000_000 {
            break;
        }
        text.clear();
        time += 1000;
        text += &format!("#{time}\n0!\n");
        let bit = |units: &[u16], place: usize| units[2 - place / 16] >> (15 - place % 16) & 1;
        for place in 0..48 {
            time += 100;
            text += &format!("#{time}\n0\"\n{}#\n{}$\n", bit(&units[..3], place), bit(&units[3..], place));
            time += 100;
            text += &format!("#{time}\n1\"\n");
        }
        time += 100;
        text += &format!("#{time}\n1!\n");
    }
    out.flush().expect("room for the capture");
    bytes
}
