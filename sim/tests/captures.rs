//! Recordings that are made here, level by level, and what must be read from them.
//!
//! VCD as in IEEE 1364-2005, clause 18 (from memory); modes as embedded-hal defines them. Each of the traps of a
//! decoder has a test of its own.

mod captures {
    pub(crate) mod bad;
    pub(crate) mod conversation;
    pub(crate) mod csv;
    pub(crate) mod fst;
    pub(crate) mod vcd;
}

use std::path::PathBuf;

use stepchain::map::SpiMode;
use stepchain_sim::capture::{self, Error, Frame, Item, Options, Trouble, TroubleKind};

/// What came out of a capture.
#[derive(Debug, Default)]
pub(crate) struct Read {
    pub(crate) frames: Vec<Frame>,
    pub(crate) troubles: Vec<Trouble>,
    pub(crate) error: Option<Error>,
}

impl Read {
    /// Sent and received bits of each frame.
    pub(crate) fn bits(&self) -> Vec<(String, String)> {
        let text = |bits: &Option<Vec<bool>>| match bits {
            Some(bits) => bits.iter().map(|&bit| if bit { '1' } else { '0' }).collect(),
            None => "-".to_owned(),
        };
        self.frames.iter().map(|frame| (text(&frame.mosi), text(&frame.miso))).collect()
    }

    pub(crate) fn kinds(&self) -> Vec<TroubleKind> {
        self.troubles.iter().map(|trouble| trouble.kind.clone()).collect()
    }
}

/// A file with this content, for one test.
pub(crate) fn file(name: &str, content: &[u8]) -> PathBuf {
    let directory = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("captures");
    std::fs::create_dir_all(&directory).unwrap();
    let path = directory.join(name);
    std::fs::write(&path, content).unwrap();
    path
}

/// Everything that a file gives.
pub(crate) fn read(name: &str, content: &[u8], options: &Options) -> Read {
    let mut read = Read::default();
    match capture::open(&file(name, content), options) {
        Err(error) => read.error = Some(error),
        Ok(capture) => {
            for item in capture {
                match item {
                    Ok(Item::Frame(frame)) => read.frames.push(frame),
                    Ok(Item::Trouble(trouble)) => read.troubles.push(trouble),
                    Err(error) => read.error = Some(error),
                }
            }
        }
    }
    read
}

pub(crate) fn in_mode(mode: SpiMode) -> Options {
    Options { mode: Some(mode), ..Options::default() }
}

/// The header of a VCD file with the four lines as `!`, `"`, `#` and `$`.
pub(crate) const HEAD: &str = "$timescale 1 ns $end $scope module top $end $var wire 1 ! cs $end $var wire 1 \" sck $end \
                        $var wire 1 # mosi $end $var wire 1 $ miso $end $upscope $end $enddefinitions $end\n";
