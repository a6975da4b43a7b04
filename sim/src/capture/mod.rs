//! Reads recordings of the bus: a file in, frames and what is wrong with them out.
//!
//! ```text
//!   VCD, FST, CSV   file              levels of four lines, instant by instant
//!      v                              input, signals, vcd, fst, csv
//!   short pulses    are left out      pulse
//!      v
//!   edges           read bits         spi, guess
//!      v
//!   Frame           bits between two edges of chip select; Trouble beside it
//!      v
//!   Word            one device's bits of a frame              chain
//!      v
//!   Exchange        what was asked, and what was answered     conversation, listener, reply
//! ```
//!
//! [`open`] gives a [`Capture`], an iterator over [`Item`]s that reads as it goes: memory does not grow with the file.
//! Only its beginning is looked at in advance ([`PREVIEW`] instants), to learn how fast the clock is and, where so
//! asked, to guess the mode.
//!
//! ```no_run
//! use stepchain::map::SpiMode;
//! use stepchain_sim::capture::{self, Item, Options};
//!
//! let options = Options { mode: Some(SpiMode::Mode3), ..Options::default() };
//! for item in capture::open("bench.vcd".as_ref(), &options)? {
//!     match item? {
//!         Item::Frame(frame) => println!("{} ns: {} bits", frame.start_ns, frame.bits()),
//!         Item::Trouble(trouble) => eprintln!("{trouble}"),
//!     }
//! }
//! # Ok::<(), capture::Error>(())
//! ```
//!
//! A [`Trouble`] concerns an instant, and the rest goes on. An [`Error`] ends the capture at its place. Nothing here
//! drives a virtual chain or knows what a device should have answered.

mod chain;
mod conversation;
mod csv;
mod error;
mod exchange;
mod frame;
mod fst;
mod guess;
mod input;
mod levels;
mod listener;
mod note;
mod pulse;
mod reply;
mod signals;
mod spi;
mod trouble;
mod vcd;

use std::collections::VecDeque;
use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::path::Path;

use stepchain::map::SpiMode;

pub use chain::{Evidence, Word, infer_devices, known_words, words};
pub use conversation::Conversation;
pub use csv::{Csv, TIME_COLUMN};
pub use error::{Error, Place};
pub use exchange::{Asked, Exchange};
pub use frame::{Frame, Item};
pub use guess::Guess;
pub use input::Progress;
pub use levels::{Instant, Level, Line};
pub use note::Note;
pub use pulse::Pace;
pub use reply::{FieldValue, Reply};
pub use signals::Names;
pub use spi::{CsActive, MOST_BITS, reads_on_rising, rests_high};
pub use trouble::{Trouble, TroubleKind};

pub(crate) use chain::unit_of;
pub(crate) use error::Seconds;
pub(crate) use fst::READER;
pub(crate) use vcd::OF_A_CHAIN;

use frame::Step;
use input::Input;
use pulse::Filter;
use spi::{Rules, Sampler};

/// Instants at the beginning of a recording that are looked at in advance.
pub const PREVIEW: usize = 1 << 16;
/// Clocks that have to be missing to end a frame where chip select was not recorded, unless a time is given.
pub const IDLE_CLOCKS: i64 = 8;

/// How a capture is to be read.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Options {
    /// Which signal is which line.
    pub names: Names,
    /// The SPI mode; if `None`, the one that a virtual chain's own capture states, else mode 0.
    pub mode: Option<SpiMode>,
    /// Whether to guess the mode if it is not given.
    pub guess: bool,
    /// The level of chip select that selects.
    pub cs_active: CsActive,
    /// Whether data that change in the same instant as the edge that reads them count with their new level.
    pub sample_late: bool,
    /// The rest of the clock that ends a frame where chip select was not recorded, in nanoseconds; [`IDLE_CLOCKS`]
    /// clocks if `None`.
    pub idle_gap_ns: Option<i64>,
    /// The shortest pulse of clock and chip select that counts, in nanoseconds; a quarter of a usual one if `None`.
    pub min_pulse_ns: Option<i64>,
    /// How CSV is read.
    pub csv: Csv,
}

/// What was found out about a capture before its first frame.
#[derive(Clone, Debug, PartialEq)]
pub struct Facts {
    /// What kind of file it is.
    pub format: &'static str,
    /// Which signal is which line; empty where the file holds frames.
    pub signals: Vec<(Line, String)>,
    /// The mode in which it is read.
    pub mode: SpiMode,
    /// Why, if the mode was guessed.
    pub guess: Option<Guess>,
    /// How long half clocks last at the beginning.
    pub pace: Pace,
    /// The rest of the clock that ends a frame, in nanoseconds, where chip select was not recorded.
    pub idle_gap_ns: Option<i64>,
    /// The shortest pulse of the clock that counts, in nanoseconds.
    pub min_pulse_ns: i64,
}

/// A recording, read as it goes: an iterator over frames and troubles, which ends after an error.
pub struct Capture {
    facts: Facts,
    body: Body,
    progress: Progress,
    length: u64,
}

enum Body {
    Levels(Box<Stream>),
    Frames(Box<csv::Frames>),
}

/// Where levels come from.
enum Source {
    Vcd(Box<vcd::Vcd>),
    Fst(Box<fst::Fst>),
    Csv(Box<csv::Levels>),
}

impl Source {
    #[inline]
    fn next_step(&mut self) -> Option<Result<Step, Error>> {
        match self {
            Self::Vcd(source) => source.next_step(),
            Self::Fst(source) => source.next_step(),
            Self::Csv(source) => source.next_step(),
        }
    }

    fn signals(&self) -> Vec<(Line, String)> {
        let owned = |(line, name): (Line, &str)| (line, name.to_owned());
        match self {
            Self::Vcd(source) => source.taps().map(owned).collect(),
            Self::Fst(source) => source.taps().map(owned).collect(),
            Self::Csv(source) => source.taps().map(owned).collect(),
        }
    }
}

/// Levels on their way to frames.
struct Stream {
    source: Source,
    preview: VecDeque<Result<Step, Error>>,
    filter: Filter,
    sampler: Sampler,
    ended: bool,
    error: Option<Error>,
}

/// Opens a capture: VCD, FST or CSV, told apart by what the file begins with.
///
/// # Errors
/// [`Error`] if the file cannot be read, is none of these, lacks a line, or if a mode was to be guessed and cannot be.
pub fn open(path: &Path, options: &Options) -> Result<Capture, Error> {
    let name = path.display().to_string();
    let failed = |error| Error::Io { file: name.clone(), error };
    let mut file = File::open(path).map_err(failed)?;
    let mut first = [0; 64];
    let mut count = 0;
    while let Some(rest) = first.get_mut(count..).filter(|rest| !rest.is_empty()) {
        match file.read(rest).map_err(failed)? {
            0 => break,
            more => count += more,
        }
    }
    let first = &first[..count];
    file.seek(SeekFrom::Start(0)).map_err(failed)?;
    let length = file.metadata().map_err(failed)?.len();
    let malformed = |found: &str, expected: &str| Error::Malformed {
        file: name.clone(),
        place: Place::Byte(0),
        found: found.to_owned(),
        expected: expected.to_owned(),
    };
    let has_extension = |wanted: &str| path.extension().is_some_and(|extension| extension.eq_ignore_ascii_case(wanted));
    let progress = Progress::default();
    let (format, source) = if first.is_empty() {
        return Err(malformed("an empty file", "a VCD, FST or CSV capture"));
    } else if first.starts_with(&[0x1F, 0x8B]) {
        return Err(malformed("a packed file", "the capture as it was before it was packed"));
    } else if fst::is_fst(first) {
        ("FST", Source::Fst(Box::new(fst::Fst::open(&name, file, &options.names)?)))
    } else if first.trim_ascii_start().first() == Some(&b'$') {
        let input = Input::new(file, progress.clone());
        ("VCD", Source::Vcd(Box::new(vcd::Vcd::open(&name, input, &options.names)?)))
    } else if has_extension("vcd") {
        return Err(malformed("no keyword that begins with `$`", "the header of a VCD file"));
    } else if has_extension("fst") {
        return Err(malformed("no header block", "an FST file"));
    } else {
        match csv::open(&name, Input::new(file, progress.clone()), &options.csv, &options.names)? {
            csv::Kind::Levels(levels) => ("CSV of levels", Source::Csv(Box::new(levels))),
            csv::Kind::Frames(frames) => {
                let facts = Facts {
                    format: "CSV of frames",
                    signals: Vec::new(),
                    mode: options.mode.unwrap_or(SpiMode::Mode0),
                    guess: None,
                    pace: Pace::default(),
                    idle_gap_ns: None,
                    min_pulse_ns: 0,
                };
                return Ok(Capture { facts, body: Body::Frames(Box::new(frames)), progress, length });
            }
        }
    };
    let (stream, facts) = Stream::begin(&name, format, source, options)?;
    Ok(Capture { facts, body: Body::Levels(Box::new(stream)), progress, length })
}

impl Capture {
    /// What was found out in advance.
    #[must_use]
    pub const fn facts(&self) -> &Facts {
        &self.facts
    }

    /// How far the file has been read; stays at zero for FST, whose blocks are not read in order.
    #[must_use]
    pub fn progress(&self) -> Progress {
        self.progress.clone()
    }

    /// Bytes in the file.
    #[must_use]
    pub const fn length(&self) -> u64 {
        self.length
    }
}

impl Iterator for Capture {
    type Item = Result<Item, Error>;

    fn next(&mut self) -> Option<Self::Item> {
        match &mut self.body {
            Body::Levels(stream) => stream.next(),
            Body::Frames(frames) => frames.next_item(),
        }
    }
}

impl std::fmt::Debug for Capture {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Capture").field("facts", &self.facts).finish_non_exhaustive()
    }
}

impl Stream {
    fn begin(name: &str, format: &'static str, mut source: Source, options: &Options) -> Result<(Self, Facts), Error> {
        let mut preview = VecDeque::new();
        let mut instants = Vec::new();
        while instants.len() < PREVIEW && preview.len() < 2 * PREVIEW {
            let Some(step) = source.next_step() else { break };
            if let Ok(Step::Levels(instant)) = &step {
                instants.push(*instant);
            }
            preview.push_back(step);
        }
        let signals = source.signals();
        let has = Line::ALL.map(|line| signals.iter().any(|(other, _)| *other == line));
        let has_cs = has[Line::Cs as usize];
        let is_selected =
            |instant: &Instant| !has_cs || options.cs_active.selects(instant.level(Line::Cs)) == Some(true);
        let pace = Pace::of(&instants, is_selected);
        let gap = options.idle_gap_ns.unwrap_or_else(|| pace.clock_ns().unwrap_or(0).saturating_mul(IDLE_CLOCKS));
        let guess = match options.mode {
            None if options.guess => {
                let guess = guess::guess(&instants, options.cs_active, has_cs, gap);
                Some(guess.ok_or_else(|| Error::NoEvidence { file: name.to_owned() })?)
            }
            _ => None,
        };
        let stated = if let Source::Vcd(source) = &source { source.mode() } else { None };
        let mode = options.mode.or(guess.map(|guess| guess.mode)).or(stated).unwrap_or(SpiMode::Mode0);
        let (cs_active, sample_late) = (options.cs_active, options.sample_late);
        let rules = Rules { mode, cs_active, has, sample_late, idle_gap_ns: gap };
        let filter = Filter::new(pace, options.min_pulse_ns);
        let idle_gap_ns = (!has_cs).then_some(gap);
        let facts = Facts { format, signals, mode, guess, pace, idle_gap_ns, min_pulse_ns: filter.least_ns() };
        Ok((Self { source, preview, filter, sampler: Sampler::new(rules), ended: false, error: None }, facts))
    }

    fn next(&mut self) -> Option<Result<Item, Error>> {
        loop {
            if let Some(item) = self.sampler.pop() {
                return Some(Ok(item));
            }
            if self.ended {
                return self.error.take().map(Err);
            }
            let step = match self.preview.pop_front() {
                Some(step) => Some(step),
                None => self.source.next_step(),
            };
            match step {
                Some(Ok(Step::Levels(instant))) => {
                    self.filter.push(instant);
                    while let Some(instant) = self.filter.pop() {
                        if self.sampler.take(instant) {
                            self.sampler.report(self.filter.take_tallies());
                        }
                    }
                }
                Some(Ok(Step::Trouble(trouble))) => return Some(Ok(Item::Trouble(trouble))),
                Some(Err(error)) => {
                    self.error = Some(error);
                    self.end();
                }
                None => self.end(),
            }
        }
    }

    /// Gives out what is still on its way, also where an error ends the recording.
    fn end(&mut self) {
        self.ended = true;
        while let Some(instant) = self.filter.pop_rest() {
            self.sampler.take(instant);
        }
        self.sampler.end();
        self.sampler.report(self.filter.take_tallies());
    }
}
