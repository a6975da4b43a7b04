//! Writes levels and quantities over time as a VCD file (IEEE 1364-2005, clause 18; from memory).
//!
//! ```text
//!   names, in scopes  ->  header
//!   (instant, signal, value), in the order of time  ->  what has changed, instant by instant
//! ```
//!
//! Nothing is kept but the present values, so what is written may be of any length. Of several values that a signal
//! takes at one instant the last one is written, and none that it has already. Knows no bus and no motor, and reads
//! nothing: [`capture`](crate::capture) does.
//!
//! ```
//! use stepchain_sim::capture::Level;
//! use stepchain_sim::wave::{Header, Value, Wave};
//!
//! let mut header = Header::new("what it shows");
//! let lamp = header.level("panel", "lamp");
//! let supply = header.real("panel", "supply_v");
//! let mut text = Vec::new();
//! let mut wave = Wave::begin(&mut text, &header)?;
//! wave.set(0, lamp, Value::Level(Level::Low))?;
//! wave.set(0, supply, Value::Real(24.5))?;
//! wave.set(20, lamp, Value::Level(Level::High))?;
//! wave.end(50)?;
//! let body = String::from_utf8(text).unwrap();
//! assert!(body.ends_with("$enddefinitions $end\n#0\n0!\nr24.5 \"\n#20\n1!\n#50\n"));
//! # Ok::<(), std::io::Error>(())
//! ```

use std::fmt;
use std::io::{self, Write};

use vcd::{IdCode, TimescaleUnit, VarType, Writer};

use crate::capture::Level;

/// What a signal is at an instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Value {
    /// A level.
    Level(Level),
    /// A number, in the unit that the signal's name ends in.
    Real(f64),
}

/// A signal of a file, as its [`Header`] has given it out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Signal(usize);

/// The signals of a file, in scopes, in the order in which they were named.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Header {
    comment: String,
    signals: Vec<(Vec<String>, String, bool)>,
}

impl Header {
    /// No signals yet; the comment is for people.
    #[must_use]
    pub fn new(comment: &str) -> Self {
        // A word of the format within the comment would end it.
        Self { comment: comment.replace('$', "_"), signals: Vec::new() }
    }

    /// Adds a signal that is a level. Scopes are joined by dots; signals of one scope have to follow one another.
    pub fn level(&mut self, scope: &str, name: &str) -> Signal {
        self.add(scope, name, false)
    }

    /// Adds a signal that is a number.
    pub fn real(&mut self, scope: &str, name: &str) -> Signal {
        self.add(scope, name, true)
    }

    fn add(&mut self, scope: &str, name: &str, is_real: bool) -> Signal {
        self.signals.push((scope.split('.').map(word).collect(), word(name), is_real));
        Signal(self.signals.len() - 1)
    }

    /// Writes it all, and gives what the file knows each signal by.
    fn write(&self, writer: &mut Writer<impl Write>) -> io::Result<Vec<IdCode>> {
        writer.comment(&self.comment)?;
        writer.timescale(1, TimescaleUnit::NS)?;
        let mut open: &[String] = &[];
        let mut codes = Vec::new();
        for (scope, name, is_real) in &self.signals {
            let common = open.iter().zip(scope).take_while(|(open, own)| open == own).count();
            (common..open.len()).try_for_each(|_| writer.upscope())?;
            scope.iter().skip(common).try_for_each(|inner| writer.add_module(inner))?;
            open = scope;
            let (kind, bits) = if *is_real { (VarType::Real, 64) } else { (VarType::Wire, 1) };
            codes.push(writer.add_var(kind, bits, name, None)?);
        }
        open.iter().try_for_each(|_| writer.upscope())?;
        writer.enddefinitions()?;
        Ok(codes)
    }
}

/// A name as the format bears it: one word of printable characters, which is not a number's bits in brackets.
fn word(name: &str) -> String {
    let sign = |sign: char| if sign.is_ascii_graphic() && !"$[].".contains(sign) { sign } else { '_' };
    if name.is_empty() { "_".to_owned() } else { name.chars().map(sign).collect() }
}

/// A file that is being written.
pub struct Wave<W: Write> {
    writer: Writer<W>,
    entries: Vec<Entry>,
    /// Signals that may change at this instant.
    touched: Vec<usize>,
    now_ns: u64,
}

struct Entry {
    code: IdCode,
    written: Option<Value>,
    next: Option<Value>,
}

impl<W: Write> Wave<W> {
    /// Begins a file at time zero. Signals without a value there are unknown until they get one.
    ///
    /// # Errors
    /// Those of `out`.
    pub fn begin(out: W, header: &Header) -> io::Result<Self> {
        let mut writer = Writer::new(out);
        let codes = header.write(&mut writer)?;
        let entries = codes.into_iter().map(|code| Entry { code, written: None, next: None }).collect();
        Ok(Self { writer, entries, touched: Vec::new(), now_ns: 0 })
    }

    /// A signal is this from an instant on, in nanoseconds. One before the last instant counts as the last one: the
    /// order of the calls is that of time.
    ///
    /// # Errors
    /// Those of the writer.
    pub fn set(&mut self, at_ns: u64, signal: Signal, value: Value) -> io::Result<()> {
        if at_ns > self.now_ns {
            self.write_instant()?;
            self.now_ns = at_ns;
        }
        if let Some(entry) = self.entries.get_mut(signal.0)
            && entry.next.replace(value).is_none()
        {
            self.touched.push(signal.0);
        }
        Ok(())
    }

    /// Instant of the last change.
    #[must_use]
    pub const fn now_ns(&self) -> u64 {
        self.now_ns
    }

    /// Ends the file at an instant, and gives the writer back, flushed.
    ///
    /// # Errors
    /// Those of the writer.
    pub fn end(mut self, at_ns: u64) -> io::Result<()> {
        self.write_instant()?;
        self.writer.timestamp(at_ns.max(self.now_ns))?;
        self.writer.flush()
    }

    fn write_instant(&mut self) -> io::Result<()> {
        let mut is_told = false;
        self.touched.sort_unstable();
        for index in std::mem::take(&mut self.touched) {
            let Some(Entry { code, written, next }) = self.entries.get_mut(index) else { continue };
            let Some(value) = next.take().filter(|value| *written != Some(*value)) else { continue };
            *written = Some(value);
            if !std::mem::replace(&mut is_told, true) {
                self.writer.timestamp(self.now_ns)?;
            }
            match value {
                Value::Level(level) => self.writer.change_scalar(*code, scalar(level))?,
                Value::Real(number) => self.writer.change_real(*code, number)?,
            }
        }
        Ok(())
    }
}

impl<W: Write> fmt::Debug for Wave<W> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Wave").field("now_ns", &self.now_ns).finish_non_exhaustive()
    }
}

const fn scalar(level: Level) -> vcd::Value {
    match level {
        Level::Low => vcd::Value::V0,
        Level::High => vcd::Value::V1,
        Level::Unknown => vcd::Value::X,
        Level::Floating => vcd::Value::Z,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn written(header: &Header, write: impl FnOnce(&mut Wave<&mut Vec<u8>>) -> u64) -> String {
        let mut text = Vec::new();
        let mut wave = Wave::begin(&mut text, header).unwrap();
        let end_ns = write(&mut wave);
        wave.end(end_ns).unwrap();
        String::from_utf8(text).unwrap()
    }

    /// By hand, in the form of the standard.
    #[test]
    fn scopes_are_nested_and_left_as_names_go_on() {
        let mut header = Header::new("two $end of it");
        header.level("bus", "cs");
        header.real("device_0.lift", "position_steps");
        header.real("device_0.lift", "velocity steps");
        header.level("device_0", "busy");
        let text = written(&header, |_| 7);
        assert_eq!(
            text,
            "$comment\n    two _end of it\n$end\n$timescale 1 ns $end\n\
             $scope module bus $end\n$var wire 1 ! cs $end\n$upscope $end\n\
             $scope module device_0 $end\n$scope module lift $end\n\
             $var real 64 \" position_steps $end\n$var real 64 # velocity_steps $end\n$upscope $end\n\
             $var wire 1 $ busy $end\n$upscope $end\n$enddefinitions $end\n#7\n"
        );
    }

    #[test]
    fn of_an_instant_the_last_value_is_written_and_only_if_it_is_another_one() {
        let mut header = Header::new("");
        let lamp = header.level("panel", "lamp");
        let text = written(&header, |wave| {
            for (at_ns, level) in [
                (0, Level::Low),
                (5, Level::High),
                (5, Level::Low),
                (9, Level::High),
                (9, Level::Floating),
                // Time does not go back: this one still belongs to 9.
                (3, Level::High),
                (12, Level::Unknown),
            ] {
                wave.set(at_ns, lamp, Value::Level(level)).unwrap();
            }
            assert_eq!(wave.now_ns(), 12);
            10
        });
        let body = text.split_once("$enddefinitions $end\n").unwrap().1;
        assert_eq!(body, "#0\n0!\n#9\n1!\n#12\nx!\n#12\n");
    }

    #[test]
    fn what_the_writer_cannot_take_is_told() {
        struct Full(usize);
        impl Write for Full {
            fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
                self.0 = self.0.checked_sub(bytes.len()).ok_or(io::ErrorKind::StorageFull)?;
                Ok(bytes.len())
            }
            fn flush(&mut self) -> io::Result<()> {
                Ok(())
            }
        }
        let mut header = Header::new("");
        let lamp = header.level("panel", "lamp");
        assert!(Wave::begin(Full(10), &header).is_err());
        let mut wave = Wave::begin(Full(200), &header).unwrap();
        let level = |index: u64| Value::Level(if index.is_multiple_of(2) { Level::Low } else { Level::High });
        let result = (0..100).try_for_each(|index| wave.set(index, lamp, level(index)));
        assert_eq!(result.unwrap_err().kind(), io::ErrorKind::StorageFull);
    }
}
