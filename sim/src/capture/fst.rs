//! Reads an FST file as levels of the four lines.
//!
//! The crate `fst-reader` calls back for every change, block by block. It does so on a thread of its own, which hands
//! changes over in batches through a short queue: at most [`QUEUED`] batches wait, so memory is bounded by the file's
//! largest block, which the crate unpacks. The batches' order is the file's, whatever the threads' pace.
//!
//! The crate trusts the file: some broken ones make it panic. Its thread then ends and the capture with it, in an
//! error like any other; and lengths that would have it ask for memory beyond reason are refused before it starts.

use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom};
use std::sync::mpsc::{Receiver, sync_channel};
use std::thread::JoinHandle;

use fst_reader::{FstFilter, FstHierarchyEntry, FstReader, FstSignalHandle, FstSignalValue, ReadSignalsError};

use super::error::{Error, Place};
use super::frame::Step;
use super::levels::{Gather, Instant, Level, Line, Scale};
use super::signals::{Names, Signal, Tap, find};
use super::trouble::{Trouble, TroubleKind};

/// Name of the thread on which the crate reads.
pub(crate) const READER: &str = "fst reader";

const BATCH: usize = 4096;
const QUEUED: usize = 4;
/// Signals that a file may declare.
const MOST_SIGNALS: usize = 1 << 20;
/// Unpacked bytes for each packed one that a block may claim; deflate reaches 1032.
const MOST_UNPACKED: u64 = 2048;

/// Time in ticks, line, level.
type Change = (u64, Line, Level);

/// An FST file whose header has been read.
pub(super) struct Fst {
    file: String,
    names: Vec<(Line, String)>,
    scale: Scale,
    end: u64,
    gather: Gather,
    changes: Receiver<Vec<Change>>,
    batch: std::vec::IntoIter<Change>,
    reader: Option<JoinHandle<Result<(), String>>>,
    waiting: Option<Change>,
    /// The header tells of times that no block has.
    is_cut: bool,
    ended: bool,
}

/// Whether the file begins as FST files do: with a header block of its fixed length, or packed as a whole.
pub(super) fn is_fst(first: &[u8]) -> bool {
    matches!(first, [0, length @ ..] if length.get(..8) == Some(&329u64.to_be_bytes())) || first.first() == Some(&254)
}

impl Fst {
    /// Reads the header and starts the reader.
    ///
    /// # Errors
    /// [`Error`] if the file is no FST, is cut, or if lines of the bus are missing.
    pub(super) fn open(name: &str, file: File, names: &Names) -> Result<Self, Error> {
        let malformed = |place, found: String| Error::Malformed {
            file: name.to_owned(),
            place,
            found,
            expected: "a whole FST file".to_owned(),
        };
        let failed = |error| Error::Io { file: name.to_owned(), error };
        let length = file.metadata().map_err(failed)?.len();
        let mut input = BufReader::with_capacity(64 << 10, file);
        let is_cut = check_blocks(&mut input, length)
            .map_err(|byte| malformed(Place::Byte(byte), "a block that does not fit the file".to_owned()))?;
        input.seek(SeekFrom::Start(0)).map_err(failed)?;
        // The crate's own checks are assertions; on a thread they end the thread alone.
        let opened = spawn(move || open(input)).and_then(JoinHandle::join);
        let opened = opened.unwrap_or_else(|_| Err("a structure that breaks the reader".to_owned()));
        let (mut reader, signals) = opened.map_err(|found| malformed(Place::File, found))?;
        let header = reader.get_header();
        let scale = Scale::new(1, header.timescale_exponent.into())
            .ok_or_else(|| malformed(Place::File, format!("a time scale of 10^{} s", header.timescale_exponent)))?;
        let taps = find(name, &signals, names)?;
        let names = taps.iter().map(|tap| (tap.line, tap.name.clone())).collect();
        let (send, changes) = sync_channel::<Vec<Change>>(QUEUED);
        let run = move || {
            let mut batch = Vec::with_capacity(BATCH);
            let wanted = taps.iter().map(|tap| FstSignalHandle::from_index(tap.key)).collect();
            let filter = FstFilter { end: Some(u64::MAX), ..FstFilter::filter_signals(wanted) };
            let read = reader.read_signals(&filter, |time, handle, value| {
                let FstSignalValue::String(signs) = value else { return Ok(()) };
                for tap in taps.iter().filter(|tap| tap.key == handle.get_index()) {
                    batch.push((time, tap.line, level_of(signs, tap)));
                }
                if batch.len() >= BATCH {
                    let full = std::mem::replace(&mut batch, Vec::with_capacity(BATCH));
                    return send.send(full).map_err(|_| ());
                }
                Ok(())
            });
            // Nobody listens any more: then nobody wants to hear of it either.
            let _ = send.send(batch);
            match read {
                Ok(()) | Err(ReadSignalsError::CallbackError(())) => Ok(()),
                Err(ReadSignalsError::ReadError(error)) => Err(error.to_string()),
            }
        };
        let reader = spawn(run).map_err(|_| malformed(Place::File, "no thread to read it on".to_owned()))?;
        Ok(Self {
            file: name.to_owned(),
            names,
            scale,
            end: header.end_time,
            gather: Gather::default(),
            changes,
            batch: Vec::new().into_iter(),
            reader: Some(reader),
            waiting: None,
            is_cut,
            ended: false,
        })
    }

    pub(super) fn taps(&self) -> impl Iterator<Item = (Line, &str)> {
        self.names.iter().map(|(line, name)| (*line, name.as_str()))
    }

    pub(super) fn next_step(&mut self) -> Option<Result<Step, Error>> {
        if self.ended {
            return None;
        }
        loop {
            if let Some((_, line, level)) = self.waiting.take() {
                self.gather.change(line, level);
            }
            for (ticks, line, level) in self.batch.by_ref() {
                let time_ns = self.scale.ns(ticks).max(self.gather.time_ns());
                if let Some(done) = self.gather.advance(ticks, time_ns) {
                    self.waiting = Some((ticks, line, level));
                    return Some(Ok(Step::Levels(done)));
                }
                self.gather.change(line, level);
            }
            match self.changes.recv() {
                Ok(batch) => self.batch = batch.into_iter(),
                Err(_) => return self.end(),
            }
        }
    }

    fn end(&mut self) -> Option<Result<Step, Error>> {
        let read = self.reader.take().map(JoinHandle::join);
        let found = match read {
            Some(Ok(Ok(()))) | None => None,
            Some(Ok(Err(found))) => Some(found),
            Some(Err(_)) => Some("a block that breaks the reader".to_owned()),
        };
        if let Some(found) = found {
            self.ended = true;
            let (file, place) = (self.file.clone(), Place::Time(self.gather.time_ns()));
            return Some(Err(Error::Malformed { file, place, found, expected: "a whole FST file".to_owned() }));
        }
        if std::mem::take(&mut self.is_cut) {
            let trouble = Trouble { time_ns: self.gather.time_ns(), frame: None, kind: TroubleKind::CutOff };
            return Some(Ok(Step::Trouble(trouble)));
        }
        let time_ns = self.scale.ns(self.end).max(self.gather.time_ns());
        let done: Option<Instant> = self.gather.advance(self.end, time_ns);
        if done.is_none() {
            self.ended = true;
        }
        Some(Ok(Step::Levels(done.unwrap_or_else(|| self.gather.end()))))
    }
}

fn spawn<T: Send + 'static>(run: impl FnOnce() -> T + Send + 'static) -> std::thread::Result<JoinHandle<T>> {
    std::thread::Builder::new().name(READER.to_owned()).spawn(run).map_err(|error| Box::new(error) as _)
}

type Opened = (FstReader<BufReader<File>>, Vec<Signal<usize>>);

fn open(input: BufReader<File>) -> Result<Opened, String> {
    let mut reader = FstReader::open(input).map_err(|error| error.to_string())?;
    let (mut signals, mut scopes) = (Vec::new(), Vec::<String>::new());
    reader
        .read_hierarchy(|entry| match entry {
            FstHierarchyEntry::Scope { name, .. } => scopes.push(name),
            FstHierarchyEntry::UpScope => drop(scopes.pop()),
            FstHierarchyEntry::Var { tpe, name, length, handle, .. } if signals.len() < MOST_SIGNALS => {
                let full = scopes.iter().map(String::as_str).chain([name.as_str()]).collect::<Vec<_>>().join(".");
                signals.push(Signal::new(&full, handle.get_index(), length, None, !tpe.is_real() && length > 0));
            }
            _ => {}
        })
        .map_err(|error| error.to_string())?;
    Ok((reader, signals))
}

/// Walks over the blocks; `Err` with the place of one that leaves the file or claims to hold more than it can. Whether
/// the header tells of a later time than the last block of values reaches: then blocks are missing.
fn check_blocks(input: &mut (impl Read + Seek), length: u64) -> Result<bool, u64> {
    let (mut at, mut header_end, mut values_end) = (0, 0, 0);
    while at < length {
        let wrong = |_| at;
        input.seek(SeekFrom::Start(at)).map_err(wrong)?;
        let mut head = [0; 33];
        let there = usize::try_from(length - at).unwrap_or(usize::MAX).min(head.len());
        input.read_exact(&mut head[..there]).map_err(wrong)?;
        let number = |place: usize| {
            let bytes = head.get(place..place + 8).and_then(|bytes| <[u8; 8]>::try_from(bytes).ok());
            bytes.map_or(0, u64::from_be_bytes)
        };
        let (kind, size) = (head[0], number(1));
        if size < 8 || size > length - at - 1 {
            return Err(at);
        }
        let most = size.saturating_mul(MOST_UNPACKED);
        match kind {
            0 => header_end = number(17),
            1 | 5 | 8 => values_end = number(17),
            _ => {}
        }
        let fits = match kind {
            // Geometry: bytes unpacked, then signals.
            3 => number(9) <= most && number(17) <= most,
            // The names of signals, or everything: bytes unpacked.
            4 | 6 | 7 | 254 => number(9) <= most,
            // Values: at the end bytes of the times unpacked, packed, and how many times.
            1 | 5 | 8 => values_fit(input, at + 1 + size, most).map_err(wrong)?,
            _ => true,
        };
        if !fits {
            return Err(at);
        }
        at += 1 + size;
    }
    Ok(values_end < header_end)
}

fn values_fit(input: &mut (impl Read + Seek), end: u64, most: u64) -> std::io::Result<bool> {
    let mut tail = [0; 24];
    input.seek(SeekFrom::Start(end.saturating_sub(24)))?;
    input.read_exact(&mut tail)?;
    let numbers = tail.chunks(8).map(|chunk| chunk.iter().fold(0, |sum: u64, &byte| sum << 8 | u64::from(byte)));
    Ok(numbers.into_iter().all(|number| number <= most))
}

fn level_of(signs: &[u8], tap: &Tap<usize>) -> Level {
    let sign = signs.len().checked_sub(tap.bit + 1).and_then(|place| signs.get(place));
    sign.and_then(|&sign| Level::of(sign)).unwrap_or_default()
}
