//! What is wrong with a recording without making it useless: each has its time, and all else is still decoded.

use std::fmt;

use stepchain::map::SpiMode;

use super::error::Seconds;
use super::levels::Line;

/// Something that is wrong at an instant of a recording.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Trouble {
    /// When, in nanoseconds of the recording.
    pub time_ns: i64,
    /// The number of the frame that it concerns.
    pub frame: Option<u64>,
    /// What.
    pub kind: TroubleKind,
}

/// What is wrong.
#[derive(Clone, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum TroubleKind {
    /// The file ends in the middle of a line, which was left out.
    CutOff,
    /// Time went back; what followed was taken to be at the greatest time so far.
    TimeWentBack {
        /// The time that stood there.
        to_ns: i64,
    },
    /// The recording was paused from here on; the levels of all lines are lost.
    Paused,
    /// The recording begins, or goes on after a gap, within a selection whose begin was not seen.
    BeganInside,
    /// The recording ends within a selection.
    EndedInside,
    /// Chip select became unknown within a selection.
    SelectLost,
    /// A line had no level when bits were read from it; they were taken as zeros.
    Undefined {
        /// The line.
        line: Line,
        /// How many bits.
        bits: u64,
    },
    /// The clock was neither high nor low within a selection; what it did meanwhile is not known.
    ClockLost {
        /// How often.
        times: u64,
    },
    /// Pulses too short to be meant, which were left out.
    Glitches {
        /// The line.
        line: Line,
        /// How many, from here on.
        pulses: u64,
        /// When the last one was.
        last_ns: i64,
    },
    /// Data changed in the same instant as the clock edge that reads it; the level before was taken, or the one after
    /// where so asked.
    DataWithClock {
        /// The line.
        line: Line,
        /// How many bits.
        bits: u64,
    },
    /// A clock edge that would read a bit came in the same instant as a change of chip select, and was not counted.
    ClockWithSelect,
    /// A selection without a clock.
    EmptySelection,
    /// The clock rests at the other level than the mode says; told once.
    WrongRest {
        /// Whether it rests high.
        high: bool,
        /// The mode.
        mode: SpiMode,
    },
    /// A selection with more bits than any frame has; the rest of them was left out.
    FrameTooLong {
        /// How many were kept.
        bits: usize,
    },
    /// Frames are missing between two numbers.
    FramesMissing {
        /// How many.
        count: u64,
    },
    /// The frame's two directions have different numbers of bytes.
    UnequalBytes {
        /// Sent.
        mosi: usize,
        /// Received.
        miso: usize,
    },
    /// The frame has more bits than the chain takes, by a unit at least; each device has taken the last ones that
    /// reached it.
    SurplusBits {
        /// Its bits.
        bits: u64,
        /// What the chain takes.
        expected: u64,
    },
    /// The frame has fewer bits than the chain takes; nothing was read from it.
    PartialFrame {
        /// Its bits.
        bits: u64,
        /// What the chain takes.
        expected: u64,
    },
}

impl TroubleKind {
    /// A short name, for programs.
    #[must_use]
    pub const fn name(&self) -> &'static str {
        match self {
            Self::CutOff => "cut off",
            Self::TimeWentBack { .. } => "time went back",
            Self::Paused => "paused",
            Self::BeganInside => "began inside a selection",
            Self::EndedInside => "ended inside a selection",
            Self::SelectLost => "chip select lost",
            Self::Undefined { .. } => "undefined level",
            Self::ClockLost { .. } => "clock lost",
            Self::Glitches { .. } => "glitches",
            Self::DataWithClock { .. } => "data with clock",
            Self::ClockWithSelect => "clock with chip select",
            Self::EmptySelection => "empty selection",
            Self::WrongRest { .. } => "clock at the wrong rest",
            Self::FrameTooLong { .. } => "frame too long",
            Self::FramesMissing { .. } => "frames missing",
            Self::UnequalBytes { .. } => "unequal bytes",
            Self::SurplusBits { .. } => "surplus bits",
            Self::PartialFrame { .. } => "partial frame",
        }
    }
}

fn plural(count: u64) -> &'static str {
    if count == 1 { "" } else { "s" }
}

impl fmt::Display for Trouble {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "at {} s", Seconds(self.time_ns))?;
        if let Some(frame) = self.frame {
            write!(f, ", frame {frame}")?;
        }
        write!(f, ": {}", self.kind)
    }
}

impl fmt::Display for TroubleKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::CutOff => f.write_str("the file is cut off in the middle of a line, which was left out"),
            Self::TimeWentBack { to_ns } => write!(f, "time goes back to {} s", Seconds(*to_ns)),
            Self::Paused => f.write_str("the recording was paused; no line is known until it goes on"),
            Self::BeganInside => f.write_str("the recording begins inside a selection"),
            Self::EndedInside => f.write_str("the recording ends inside a selection"),
            Self::SelectLost => f.write_str("chip select became unknown inside a selection"),
            Self::Undefined { line, bits } => {
                write!(f, "{line} had no level at {bits} bit{}, taken as zero", plural(*bits))
            }
            Self::ClockLost { times } => write!(f, "the clock had no level, {times} time{}", plural(*times)),
            Self::Glitches { line, pulses, last_ns } => {
                write!(f, "{pulses} pulse{} of {line} too short to be meant, left out", plural(*pulses))?;
                if *pulses > 1 { write!(f, "; the last at {} s", Seconds(*last_ns)) } else { Ok(()) }
            }
            Self::DataWithClock { line, bits } => {
                write!(f, "{line} changed in the same instant as the clock edge that reads it, at {bits} bit")?;
                f.write_str(plural(*bits))
            }
            Self::ClockWithSelect => f.write_str("a clock edge in the same instant as chip select was not counted"),
            Self::EmptySelection => f.write_str("a selection without a clock"),
            Self::WrongRest { high, mode } => {
                let (found, expected) = if *high { ("high", "low") } else { ("low", "high") };
                let mode = *mode as u8;
                write!(f, "the clock rests {found} where mode {mode} rests {expected}; --guess looks for the mode")
            }
            Self::FrameTooLong { bits } => write!(f, "a selection of more than {bits} bits; the rest was left out"),
            Self::FramesMissing { count } => write!(f, "{count} frame{} before this one missing", plural(*count)),
            Self::UnequalBytes { mosi, miso } => write!(f, "{mosi} bytes sent but {miso} received"),
            Self::SurplusBits { bits, expected } => {
                write!(f, "{bits} bits where the chain takes {expected}; each device took the last that reached it")
            }
            Self::PartialFrame { bits, expected } => {
                write!(f, "{bits} bit{} where the chain takes {expected}; left out", plural(*bits))
            }
        }
    }
}
