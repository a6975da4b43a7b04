//! Why a capture cannot be used, and where it stops being of use.

use std::{fmt, io};

use super::levels::Line;

/// Why a capture cannot be used, or not beyond a place. What lies before the place has been given.
#[derive(Debug)]
#[non_exhaustive]
pub enum Error {
    /// The file cannot be read.
    Io {
        /// The file.
        file: String,
        /// Why not.
        error: io::Error,
    },
    /// Something stands in the file that does not belong there.
    Malformed {
        /// The file.
        file: String,
        /// Where.
        place: Place,
        /// What was found.
        found: String,
        /// What would have been right.
        expected: String,
    },
    /// A line of the bus is not among the signals.
    NoSuchSignal {
        /// The file.
        file: String,
        /// Which line was looked for.
        line: Line,
        /// Under which name; `None` if by the usual names.
        name: Option<String>,
        /// The signal that was most likely meant.
        near: Option<String>,
        /// The signals that there are, the first ones if there are many.
        signals: Vec<String>,
        /// How many there are.
        count: usize,
    },
    /// The mode cannot be guessed.
    NoEvidence {
        /// The file.
        file: String,
    },
}

/// A place in a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Place {
    /// The file as a whole.
    File,
    /// A line, counted from 1, and the time that the recording had reached there, if it had begun.
    Line(u64, Option<i64>),
    /// A line and a column, counted from 1.
    LineColumn(u64, u64),
    /// A byte, counted from 0.
    Byte(u64),
    /// A time, in nanoseconds.
    Time(i64),
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::File => Ok(()),
            Self::Line(line, None) => write!(f, "line {line}: "),
            Self::Line(line, Some(time)) => write!(f, "line {line}, at {} s: ", Seconds(*time)),
            Self::LineColumn(line, column) => write!(f, "line {line}, column {column}: "),
            Self::Byte(byte) => write!(f, "byte {byte}: "),
            Self::Time(time) => write!(f, "at {} s: ", Seconds(*time)),
        }
    }
}

/// Nanoseconds, shown as seconds with nine places.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Seconds(pub(crate) i64);

impl fmt::Display for Seconds {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (sign, ns) = (if self.0 < 0 { "-" } else { "" }, self.0.unsigned_abs());
        f.pad(&format!("{sign}{}.{:09}", ns / 1_000_000_000, ns % 1_000_000_000))
    }
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Io { file, error } => write!(f, "{file}: cannot be read: {error}"),
            Self::Malformed { file, place, found, expected } => {
                write!(f, "{file}: {place}found {found}, expected {expected}")
            }
            Self::NoSuchSignal { file, line, name, near, signals, count } => {
                match name {
                    Some(name) => write!(f, "{file}: found no signal `{name}` for {line}")?,
                    None => write!(f, "{file}: found no signal for {line} by its usual names, expected --{line} PATH")?,
                }
                if let Some(near) = near {
                    write!(f, "; did you mean `{near}`?")?;
                }
                write!(f, "; the file has {}", signals.join(", "))?;
                match count.saturating_sub(signals.len()) {
                    0 if signals.is_empty() => f.write_str("no signals"),
                    0 => Ok(()),
                    more => write!(f, " and {more} more"),
                }
            }
            Self::NoEvidence { file } => {
                write!(f, "{file}: found too few clock edges to guess the mode by, expected --mode 0..3")
            }
        }
    }
}

impl std::error::Error for Error {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::Io { error, .. } => Some(error),
            _ => None,
        }
    }
}
