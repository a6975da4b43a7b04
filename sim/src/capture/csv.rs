//! Reads CSV captures: levels by change or by sample, or frames that somebody has framed already.
//!
//! ```text
//!   time_s,cs,sck,mosi,miso      a row for each change
//!   cs,sck,mosi,miso             a row for each sample, at a rate that is given
//!   time_s,frame,mosi,miso       a row for each frame, bytes in hex; what the driver's recorder writes
//! ```
//!
//! The header row tells which it is. Rows are read one by one. A last row without its end is not used.

use csv::{ByteRecord, Reader, ReaderBuilder};

use super::error::{Error, Place};
use super::frame::{Frame, Item, Step};
use super::input::{Input, TooLong};
use super::levels::{Gather, Level, Line};
use super::signals::{Names, Signal, Tap, find};
use super::trouble::{Trouble, TroubleKind};
use crate::wire::bits_of;

/// Name of the column that holds seconds, unless another is given.
pub const TIME_COLUMN: &str = "time_s";

/// How a CSV file is to be read.
#[derive(Clone, Debug, PartialEq)]
pub struct Csv {
    /// What stands between columns.
    pub separator: u8,
    /// The column that holds seconds; [`TIME_COLUMN`] if `None`.
    pub time_column: Option<String>,
    /// Seconds that are added to every time.
    pub time_offset_s: f64,
    /// Samples in a second, for files without a column of time.
    pub sample_rate_hz: Option<f64>,
}

impl Default for Csv {
    fn default() -> Self {
        Self { separator: b',', time_column: None, time_offset_s: 0.0, sample_rate_hz: None }
    }
}

/// When a row is.
#[derive(Clone, Copy, Debug)]
enum Time {
    Column(usize),
    Rate(f64),
}

/// Rows, one ahead of what has been given out.
struct Rows {
    file: String,
    reader: Reader<Input>,
    next: Option<ByteRecord>,
    is_cut: bool,
    time: Time,
    offset_s: f64,
    count: u64,
}

/// The columns' names, and what they make of the file.
pub(super) enum Kind {
    /// Levels of lines.
    Levels(Levels),
    /// Frames.
    Frames(Frames),
}

/// Rows of levels.
pub(super) struct Levels {
    rows: Rows,
    taps: Vec<Tap<usize>>,
    gather: Gather,
    waiting: Option<ByteRecord>,
    trouble: Option<Trouble>,
    ended: bool,
}

/// Rows of frames.
pub(super) struct Frames {
    rows: Rows,
    columns: [usize; 3],
    /// Number and time of the last frame.
    last: Option<(u64, i64)>,
    ready: Vec<Item>,
    ended: bool,
}

pub(super) fn open(file: &str, input: Input, options: &Csv, names: &Names) -> Result<Kind, Error> {
    let mut reader =
        ReaderBuilder::new().delimiter(options.separator).has_headers(false).flexible(true).from_reader(input);
    let mut head = ByteRecord::new();
    let there = reader.read_byte_record(&mut head).map_err(|error| told(file, &mut reader, error))?;
    let malformed = |found: String, expected: &str| Error::Malformed {
        file: file.to_owned(),
        place: Place::Line(1, None),
        found,
        expected: expected.to_owned(),
    };
    if !there {
        return Err(malformed("an empty file".to_owned(), "a VCD, FST or CSV capture"));
    }
    let text = |field: &[u8]| String::from_utf8(field.to_vec()).ok().map(|text| text.trim().to_owned());
    let columns: Option<Vec<String>> = head.iter().map(text).collect();
    let binary = || malformed("bytes that are no text".to_owned(), "a VCD, FST or CSV capture");
    let mut columns = columns.filter(|columns| columns.iter().all(|name| !name.contains('\0'))).ok_or_else(binary)?;
    if let Some(first) = columns.first_mut() {
        *first = first.trim_start_matches('\u{feff}').to_owned();
    }
    if let ([only], Some(other)) = (&columns[..], [',', ';', '\t'].into_iter().find(|sign| columns[0].contains(*sign)))
    {
        let shown = if other == '\t' { "tab".to_owned() } else { format!("'{other}'") };
        return Err(malformed(format!("one column `{}`", short(only)), &format!("several, as by --separator {shown}")));
    }
    let place = |name: &str| columns.iter().position(|column| column.eq_ignore_ascii_case(name));
    let asked = options.time_column.as_deref();
    let time = place(asked.unwrap_or(TIME_COLUMN));
    if let (Some(asked), None) = (asked, time) {
        return Err(malformed(format!("columns {}", columns.join(", ")), &format!("one that is called `{asked}`")));
    }
    let rows = |reader, time| Rows {
        file: file.to_owned(),
        reader,
        next: None,
        is_cut: false,
        time,
        offset_s: options.time_offset_s,
        count: 0,
    };
    if let (Some(time), Some(frame), Some(mosi), Some(miso)) = (time, place("frame"), place("mosi"), place("miso")) {
        let (rows, columns) = (rows(reader, Time::Column(time)), [frame, mosi, miso]);
        return Ok(Kind::Frames(Frames { rows, columns, last: None, ready: Vec::new(), ended: false }));
    }
    let named = columns.iter().enumerate().filter(|(column, _)| Some(*column) != time);
    let signals: Vec<_> = named.map(|(column, name)| Signal::new(name, column, 1, None, true)).collect();
    let taps = find(file, &signals, names)?;
    let time = match (time, options.sample_rate_hz) {
        (Some(column), _) => Time::Column(column),
        (None, Some(rate)) => Time::Rate(rate),
        (None, None) => {
            let found = format!("no column `{TIME_COLUMN}` among {}", short(&columns.join(", ")));
            return Err(malformed(found, "one, or --time-column NAME, or --sample-rate HZ"));
        }
    };
    let rows = rows(reader, time);
    Ok(Kind::Levels(Levels { rows, taps, gather: Gather::default(), waiting: None, trouble: None, ended: false }))
}

/// At most what fits into a message.
fn short(text: &str) -> String {
    let mut cut: String = text.chars().take(60).collect();
    if cut.len() < text.len() {
        cut.push('…');
    }
    cut
}

impl Rows {
    /// The next row, unless it is the last one and has no end.
    fn next_row(&mut self) -> Result<Option<ByteRecord>, Error> {
        if self.next.is_none() && self.count == 0 {
            self.next = self.read()?;
        }
        let Some(row) = self.next.take() else { return Ok(None) };
        self.count += 1;
        self.next = self.read()?;
        if self.next.is_none() && !self.reader.get_ref().ends_with_line() {
            self.is_cut = true;
            return Ok(None);
        }
        Ok(Some(row))
    }

    fn read(&mut self) -> Result<Option<ByteRecord>, Error> {
        self.reader.get_mut().begin_piece();
        let mut row = ByteRecord::new();
        match self.reader.read_byte_record(&mut row) {
            Ok(there) => Ok(there.then_some(row)),
            Err(error) => Err(told(&self.file, &mut self.reader, error)),
        }
    }

    fn malformed(&self, row: &ByteRecord, column: usize, expected: &str) -> Error {
        let line = row.position().map_or(0, csv::Position::line);
        let before: usize = row.iter().take(column).map(|field| field.len() + 1).sum();
        let found = match row.get(column) {
            Some(field) => format!("`{}`", short(&String::from_utf8_lossy(field))),
            None => format!("a row of {} columns", row.len()),
        };
        let place = Place::LineColumn(line, before as u64 + 1);
        Error::Malformed { file: self.file.clone(), place, found, expected: expected.to_owned() }
    }

    fn time_ns(&self, row: &ByteRecord) -> Result<i64, Error> {
        match self.time {
            Time::Rate(rate) => Ok(((self.count - 1) as f64 / rate * 1e9 + self.offset_s * 1e9).round() as i64),
            Time::Column(column) => {
                let field = row.get(column).and_then(|field| std::str::from_utf8(field).ok());
                let seconds = field.and_then(|field| field.trim().parse::<f64>().ok()).filter(|time| time.is_finite());
                let seconds = seconds.ok_or_else(|| self.malformed(row, column, "a time in seconds"))?;
                Ok(((seconds + self.offset_s) * 1e9).round() as i64)
            }
        }
    }
}

impl Levels {
    pub(super) fn taps(&self) -> impl Iterator<Item = (Line, &str)> {
        self.taps.iter().map(|tap| (tap.line, tap.name.as_str()))
    }

    pub(super) fn next_step(&mut self) -> Option<Result<Step, Error>> {
        if let Some(trouble) = self.trouble.take() {
            return Some(Ok(Step::Trouble(trouble)));
        }
        if self.ended {
            return None;
        }
        match self.step() {
            Ok(step) => Some(Ok(step)),
            Err(error) => {
                self.ended = true;
                Some(Err(error))
            }
        }
    }

    fn step(&mut self) -> Result<Step, Error> {
        loop {
            if let Some(row) = self.waiting.take() {
                self.take(&row)?;
            }
            let Some(row) = self.rows.next_row()? else {
                self.ended = true;
                if self.rows.is_cut {
                    self.trouble = Some(self.told(TroubleKind::CutOff));
                }
                return Ok(Step::Levels(self.gather.end()));
            };
            let time_ns = self.rows.time_ns(&row)?;
            let is_first = self.rows.count == 1;
            if time_ns < self.gather.time_ns() && !is_first {
                let trouble = self.told(TroubleKind::TimeWentBack { to_ns: time_ns });
                self.waiting = Some(row);
                return Ok(Step::Trouble(trouble));
            }
            // Rows are at the same instant if their times are the same number of nanoseconds.
            let done = self.gather.advance(time_ns.cast_unsigned(), time_ns);
            self.waiting = Some(row);
            if let Some(done) = done {
                return Ok(Step::Levels(done));
            }
        }
    }

    fn told(&self, kind: TroubleKind) -> Trouble {
        Trouble { time_ns: self.gather.time_ns(), frame: None, kind }
    }

    fn take(&mut self, row: &ByteRecord) -> Result<(), Error> {
        for tap in &self.taps {
            let level = match row.get(tap.key).map(<[u8]>::trim_ascii) {
                Some(&[sign]) => Level::of(sign),
                _ => None,
            };
            let level = level.ok_or_else(|| self.rows.malformed(row, tap.key, "0, 1, x or z"))?;
            self.gather.change(tap.line, level);
        }
        Ok(())
    }
}

impl Frames {
    pub(super) fn next_item(&mut self) -> Option<Result<Item, Error>> {
        if let Some(item) = self.ready.pop() {
            return Some(Ok(item));
        }
        if self.ended {
            return None;
        }
        match self.item() {
            Ok(Some(item)) => Some(Ok(item)),
            Ok(None) => {
                self.ended = true;
                let (frame, time_ns) = self.last.unzip();
                let trouble = Trouble { time_ns: time_ns.unwrap_or(0), frame, kind: TroubleKind::CutOff };
                self.rows.is_cut.then_some(Ok(Item::Trouble(trouble)))
            }
            Err(error) => {
                self.ended = true;
                Some(Err(error))
            }
        }
    }

    fn item(&mut self) -> Result<Option<Item>, Error> {
        let Some(row) = self.rows.next_row()? else { return Ok(None) };
        let time_ns = self.rows.time_ns(&row)?;
        let [frame, mosi, miso] = self.columns;
        let text = |column| row.get(column).and_then(|field| std::str::from_utf8(field).ok()).map(str::trim);
        let number = text(frame).and_then(|number| number.parse::<u64>().ok());
        let number = number.ok_or_else(|| self.rows.malformed(&row, frame, "a frame's number"))?;
        let bytes = |column| {
            text(column)
                .and_then(bytes_of)
                .ok_or_else(|| self.rows.malformed(&row, column, "bytes, two hex digits each"))
        };
        let (mosi, miso) = (bytes(mosi)?, bytes(miso)?);
        let told = |kind| Item::Trouble(Trouble { time_ns, frame: Some(number), kind });
        let whole = Frame {
            number,
            start_ns: time_ns,
            end_ns: time_ns,
            mosi: (!mosi.is_empty()).then(|| bits_of(&mosi)),
            miso: (!miso.is_empty()).then(|| bits_of(&miso)),
            complete: true,
        };
        // Given out from the back.
        self.ready = vec![Item::Frame(whole)];
        if !miso.is_empty() && !mosi.is_empty() && miso.len() != mosi.len() {
            self.ready.push(told(TroubleKind::UnequalBytes { mosi: mosi.len(), miso: miso.len() }));
        }
        let last = self.last.replace((number, time_ns));
        match last.and_then(|(last, _)| number.checked_sub(last.saturating_add(1))) {
            Some(count) if count > 0 => self.ready.push(told(TroubleKind::FramesMissing { count })),
            _ => {}
        }
        Ok(self.ready.pop())
    }
}

fn bytes_of(hex: &str) -> Option<Vec<u8>> {
    let digit = |sign: &u8| char::from(*sign).to_digit(16).and_then(|digit| u8::try_from(digit).ok());
    let (pairs, rest) = hex.as_bytes().as_chunks::<2>();
    rest.is_empty().then(|| pairs.iter().map(|[high, low]| Some(digit(high)? << 4 | digit(low)?)).collect()).flatten()
}

fn told(file: &str, reader: &mut Reader<Input>, error: csv::Error) -> Error {
    let (file, line) = (file.to_owned(), reader.position().line());
    match error.into_kind() {
        csv::ErrorKind::Io(error) if error.get_ref().is_some_and(|cause| cause.is::<TooLong>()) => {
            let place = Place::Byte(reader.get_ref().offset());
            Error::Malformed { file, place, found: TooLong.to_string(), expected: "the end of a row".to_owned() }
        }
        csv::ErrorKind::Io(error) => Error::Io { file, error },
        other => Error::Malformed {
            file,
            place: Place::Line(line, None),
            found: format!("what cannot be read ({other:?})"),
            expected: "a row of CSV".to_owned(),
        },
    }
}
