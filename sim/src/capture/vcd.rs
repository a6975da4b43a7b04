//! Reads a VCD file (IEEE 1364-2005, clause 18; from memory) as levels of the four lines, in one pass.
//!
//! Takes a token at a time from the crate `vcd` and keeps nothing but the present levels, so a file of any size needs
//! the same memory. What stands before the first time is at time zero. Short vectors are extended to the left: by
//! zeros if they begin with a zero or a one, else by what they begin with.
//!
//! A last line without its end is not used: it may be cut in the middle of a number.

use std::io;

use stepchain::map::SpiMode;
use vcd::{Command, IdCode, Parser, SimulationCommand, TimescaleUnit, Value, VarType, Vector};

use super::error::{Error, Place};
use super::frame::Step;
use super::input::{Input, TooLong};
use super::levels::{Gather, Instant, Level, Line, Scale};
use super::signals::{Names, Signal, Tap, find};
use super::trouble::{Trouble, TroubleKind};

/// Signals that a file may declare.
const MOST_SIGNALS: usize = 1 << 20;

/// A VCD file whose header has been read.
pub(super) struct Vcd {
    file: String,
    parser: Parser<Input>,
    mode: Option<SpiMode>,
    taps: Vec<Tap<IdCode>>,
    scale: Scale,
    gather: Gather,
    paused: bool,
    /// What comes before the next change.
    troubles: Vec<Trouble>,
    waiting: Option<Instant>,
    ended: bool,
}

impl Vcd {
    /// Reads the header.
    ///
    /// # Errors
    /// [`Error`] if it is none, if it has no time scale, or if lines of the bus are missing.
    pub(super) fn open(file: &str, input: Input, names: &Names) -> Result<Self, Error> {
        let mut parser = Parser::new(input);
        let Head { signals, scale, mode } = header(file, &mut parser)?;
        let taps = find(file, &signals, names)?;
        Ok(Self {
            file: file.to_owned(),
            parser,
            mode,
            taps,
            scale,
            gather: Gather::default(),
            paused: false,
            troubles: Vec::new(),
            waiting: None,
            ended: false,
        })
    }

    pub(super) fn taps(&self) -> impl Iterator<Item = (Line, &str)> {
        self.taps.iter().map(|tap| (tap.line, tap.name.as_str()))
    }

    /// The mode that the file says it was written in.
    pub(super) const fn mode(&self) -> Option<SpiMode> {
        self.mode
    }

    pub(super) fn next_step(&mut self) -> Option<Result<Step, Error>> {
        loop {
            if let Some(trouble) = self.troubles.pop() {
                return Some(Ok(Step::Trouble(trouble)));
            }
            if let Some(instant) = self.waiting.take() {
                return Some(Ok(Step::Levels(instant)));
            }
            if self.ended {
                return None;
            }
            self.parser.reader().begin_piece();
            match self.parser.next() {
                Some(Ok(command)) => {
                    if let Some(instant) = self.take(command) {
                        return Some(Ok(Step::Levels(instant)));
                    }
                }
                Some(Err(error)) if error.kind() == io::ErrorKind::UnexpectedEof => {
                    self.trouble(TroubleKind::CutOff);
                    self.end();
                }
                Some(Err(error)) => {
                    self.ended = true;
                    let time = Some(self.gather.time_ns());
                    return Some(Err(told(&self.file, &mut self.parser, error, time)));
                }
                None => self.end(),
            }
        }
    }

    fn end(&mut self) {
        self.ended = true;
        self.waiting = Some(self.gather.end());
    }

    fn trouble(&mut self, kind: TroubleKind) {
        self.troubles.push(Trouble { time_ns: self.gather.time_ns(), frame: None, kind });
    }

    #[inline]
    fn take(&mut self, command: Command) -> Option<Instant> {
        match command {
            Command::ChangeScalar(code, value) => {
                let level = level_of(value);
                for tap in self.taps.iter().filter(|tap| tap.key == code) {
                    // One sign for a vector is its rightmost bit; the others follow from it.
                    let level = if tap.bit == 0 { level } else { extended(level) };
                    if !self.paused {
                        self.gather.change(tap.line, level);
                    }
                }
                None
            }
            Command::Timestamp(ticks) => {
                let time_ns = self.scale.ns(ticks);
                if ticks < self.gather.tick() {
                    self.trouble(TroubleKind::TimeWentBack { to_ns: time_ns });
                    return None;
                }
                self.gather.advance(ticks, time_ns)
            }
            Command::ChangeVector(code, vector) => {
                for tap in self.taps.iter().filter(|tap| tap.key == code) {
                    if !self.paused {
                        self.gather.change(tap.line, bit_of(&vector, tap.bit));
                    }
                }
                None
            }
            Command::Begin(SimulationCommand::Dumpoff) => {
                self.paused = true;
                self.trouble(TroubleKind::Paused);
                for tap in &self.taps {
                    self.gather.change(tap.line, Level::Unknown);
                }
                None
            }
            Command::Begin(SimulationCommand::Dumpon | SimulationCommand::Dumpall | SimulationCommand::Dumpvars) => {
                self.paused = false;
                None
            }
            _ => None,
        }
    }
}

/// What a comment of a file that a virtual chain has written begins with.
pub(crate) const OF_A_CHAIN: &str = "virtual chain: ";

/// The mode that such a comment states, as one of its parts between semicolons.
fn stated_mode(comment: &str) -> Option<SpiMode> {
    let mut parts = comment.trim().strip_prefix(OF_A_CHAIN)?.split(';').map(str::trim);
    match parts.find_map(|part| part.strip_prefix("mode "))? {
        "0" => Some(SpiMode::Mode0),
        "1" => Some(SpiMode::Mode1),
        "2" => Some(SpiMode::Mode2),
        "3" => Some(SpiMode::Mode3),
        _ => None,
    }
}

/// What stands before the values.
struct Head {
    signals: Vec<Signal<IdCode>>,
    scale: Scale,
    mode: Option<SpiMode>,
}

fn header(file: &str, parser: &mut Parser<Input>) -> Result<Head, Error> {
    let malformed = |place, found: &str, expected: &str| Error::Malformed {
        file: file.to_owned(),
        place,
        found: found.to_owned(),
        expected: expected.to_owned(),
    };
    let (mut signals, mut scopes, mut scale, mut mode) = (Vec::new(), Vec::<String>::new(), None, None);
    loop {
        parser.reader().begin_piece();
        let command = match parser.next() {
            Some(Ok(command)) => command,
            Some(Err(error)) if error.kind() != io::ErrorKind::UnexpectedEof => {
                return Err(told(file, parser, error, None));
            }
            Some(Err(_)) | None => {
                let place = Place::Line(parser.line(), None);
                return Err(malformed(place, "the end of the file", "`$enddefinitions $end` and values after it"));
            }
        };
        let place = Place::Line(parser.line(), None);
        match command {
            Command::Enddefinitions => break,
            Command::Comment(text) => mode = mode.or_else(|| stated_mode(&text)),
            Command::ScopeDef(_, name) => scopes.push(name),
            Command::Upscope => {
                scopes.pop();
            }
            Command::Timescale(count, unit) => {
                let wrong = || malformed(place, &format!("a time scale of {count} {unit}"), "1, 10 or 100 of s to fs");
                let usual = [1, 10, 100].contains(&count).then(|| Scale::new(count, exponent_of(unit))).flatten();
                scale = Some(usual.ok_or_else(wrong)?);
            }
            Command::VarDef(kind, bits, code, name, index) => {
                if signals.len() == MOST_SIGNALS {
                    return Err(malformed(place, "more signals", &format!("at most {MOST_SIGNALS}")));
                }
                let full = scopes.iter().map(String::as_str).chain([name.as_str()]).collect::<Vec<_>>().join(".");
                let range = index.map(|index| match index {
                    vcd::ReferenceIndex::BitSelect(bit) => (i64::from(bit), i64::from(bit)),
                    vcd::ReferenceIndex::Range(left, right) => (i64::from(left), i64::from(right)),
                });
                let has_levels = !matches!(kind, VarType::Real | VarType::String | VarType::Event | VarType::Time);
                signals.push(Signal::new(&full, code, bits, range, has_levels));
            }
            _ => {}
        }
    }
    let place = Place::Line(parser.line(), None);
    let scale = scale.ok_or_else(|| malformed(place, "no time scale", "a line such as `$timescale 1 ns $end`"))?;
    Ok(Head { signals, scale, mode })
}

const fn exponent_of(unit: TimescaleUnit) -> i32 {
    match unit {
        TimescaleUnit::S => 0,
        TimescaleUnit::MS => -3,
        TimescaleUnit::US => -6,
        TimescaleUnit::NS => -9,
        TimescaleUnit::PS => -12,
        // The smallest there is; any other would be too.
        _ => -15,
    }
}

const fn level_of(value: Value) -> Level {
    match value {
        Value::V0 => Level::Low,
        Value::V1 => Level::High,
        Value::X => Level::Unknown,
        Value::Z => Level::Floating,
    }
}

const fn extended(leftmost: Level) -> Level {
    match leftmost {
        Level::Low | Level::High => Level::Low,
        other => other,
    }
}

fn bit_of(vector: &Vector, bit: usize) -> Level {
    let there = vector.len().checked_sub(bit + 1).and_then(|place| vector.get(place));
    there.map_or_else(|| extended(vector.get(0).map_or(Level::Unknown, level_of)), level_of)
}

/// What the crate reports, in our words and with its place.
fn told(file: &str, parser: &mut Parser<Input>, error: io::Error, time: Option<i64>) -> Error {
    let file = file.to_owned();
    let place = Place::Line(parser.line(), time);
    let cause = error.get_ref();
    if let Some(long) = cause.and_then(|cause| cause.downcast_ref::<TooLong>()) {
        let place = Place::Byte(parser.reader().offset());
        return Error::Malformed { file, place, found: long.to_string(), expected: "a token or `$end`".to_owned() };
    }
    match cause.and_then(|cause| cause.downcast_ref::<vcd::ParseError>()) {
        Some(parse) => Error::Malformed {
            file,
            place,
            found: format!("what cannot be read ({})", parse.kind()),
            expected: "a token of VCD".to_owned(),
        },
        None => Error::Io { file, error },
    }
}
