//! What a divergence most likely means, each with what speaks for it.

use std::fmt;

use stepchain::map::Flag;

use crate::capture::Seconds;
use crate::report::number;

/// Bits beyond which a wrong answer is no longer put down to a disturbance alone.
const MANY_BITS: u32 = 8;

/// What is most likely behind a divergence.
///
/// All but the last four, and [`Garbled`](Self::Garbled) without what was sent, were tried: a virtual chain to which this
/// was done answers as captured, and goes on to do so as far as the replay looks ahead, where the undisturbed one does not.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum Meaning {
    /// The device has started anew.
    Reset {
        /// After this, in nanoseconds of the recording.
        after_ns: i64,
    },
    /// The device has refused a command.
    Refused {
        /// Which.
        word: String,
        /// The frame in which it was latched.
        frame: u64,
    },
    /// The device has not taken a word.
    Unheard {
        /// Which.
        word: String,
        /// The frame in which it was to be latched.
        frame: u64,
    },
    /// The devices have not seen chip select rise.
    MissedEdge {
        /// After this frame.
        frame: u64,
    },
    /// A bit has reached the device the other way.
    SentBit {
        /// Of this word.
        word: String,
        /// In this frame.
        frame: u64,
        /// Which bit of the device's unit, 0 for the first on the wire.
        bit: usize,
    },
    /// The device says that it cannot make out what it was sent. Which bits came otherwise it does not say.
    Garbled {
        /// Which flag says so.
        flag: Flag,
        /// What was sent and in which frame, where a trial has shown that.
        sent: Option<(String, u64)>,
    },
    /// Bits of the answer came the other way; the device itself goes on as expected.
    ReadBits {
        /// How many.
        bits: u32,
        /// Whether a wrong check says so, and not only what follows.
        is_checked: bool,
    },
    /// Every bit has the same level: the line is stuck, nobody drives it, or no device has supply.
    Stuck {
        /// Which.
        high: bool,
    },
    /// Bits come one clock late, or one early: a lost or an extra edge of the clock, or another SPI mode.
    Slip {
        /// Which.
        is_late: bool,
    },
    /// The chain has another number of devices.
    ChainLength {
        /// So many.
        devices: usize,
    },
    /// The axis moves faster or farther than the map says, always by the same factor.
    Scale {
        /// Captured over expected.
        ratio: f64,
        /// How many readings agree on that.
        readings: usize,
    },
    /// The device tells of a condition from outside, where none was expected.
    Condition {
        /// Which.
        flag: Flag,
    },
    /// A register holds something else than was written.
    Held,
    /// The axis is elsewhere, or moves otherwise, than it was told to.
    Motion,
    /// Nothing that was tried explains it.
    Unexplained,
}

impl Meaning {
    /// A short name, for programs.
    #[must_use]
    pub const fn name(&self) -> &'static str {
        match self {
            Self::Reset { .. } => "reset",
            Self::Refused { .. } => "refused command",
            Self::Unheard { .. } => "unheard word",
            Self::MissedEdge { .. } => "missed chip-select edge",
            Self::SentBit { .. } => "bit error on mosi",
            Self::Garbled { .. } => "garbled word",
            Self::ReadBits { .. } => "bit error on miso",
            Self::Stuck { .. } => "stuck line",
            Self::Slip { .. } => "clock slip",
            Self::ChainLength { .. } => "chain length",
            Self::Scale { .. } => "wrong scale",
            Self::Condition { .. } => "condition",
            Self::Held => "register differs",
            Self::Motion => "motion differs",
            Self::Unexplained => "unexplained",
        }
    }
}

impl fmt::Display for Meaning {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Reset { after_ns } => {
                write!(f, "the device has started anew, after {} s", Seconds(*after_ns))
            }
            Self::Refused { word, frame } => write!(f, "the device has refused `{word}` of frame {frame}"),
            Self::Unheard { word, frame } => {
                write!(f, "the device has not taken `{word}` of frame {frame}: a missed chip-select edge, or lost bits")
            }
            Self::MissedEdge { frame } => {
                write!(f, "the devices have not seen chip select rise after frame {frame}: a missed chip-select edge")
            }
            Self::SentBit { word, frame, bit } => {
                write!(f, "bit {bit} of the device's unit in frame {frame} (`{word}`) was heard the other way: ")?;
                f.write_str("a bit error on mosi")
            }
            Self::Garbled { flag, sent: Some((word, frame)) } => {
                write!(f, "the device tells {}: `{word}` of frame {frame} has reached it otherwise: ", flag.name())?;
                f.write_str("a bit error on mosi")
            }
            Self::Garbled { flag, sent: None } => write!(
                f,
                "the device tells {}: what reached it is not what was sent, or not what the map says",
                flag.name()
            ),
            Self::ReadBits { bits, .. } if *bits > MANY_BITS => {
                write!(f, "{bits} bits of this answer are other ones and its check is wrong: a disturbed miso, or")?;
                f.write_str(" another map, SPI mode or length of the chain")
            }
            Self::ReadBits { bits, is_checked } => {
                let plural = if *bits == 1 { "" } else { "s" };
                write!(f, "{bits} bit{plural} of this answer came the other way: a bit error on miso; ")?;
                f.write_str(if *is_checked { "its check is wrong" } else { "what follows is as expected" })
            }
            Self::Stuck { high } => {
                let level = if *high { "high" } else { "low" };
                write!(f, "miso stays {level}: a stuck line, one that nobody drives, or no supply")
            }
            Self::Slip { is_late } => {
                let when = if *is_late { "late" } else { "early" };
                write!(f, "all bits come one clock {when}: a lost or an extra clock edge, or another SPI mode")
            }
            Self::ChainLength { devices } => write!(f, "the chain has {devices} device{}", plural(*devices)),
            Self::Scale { ratio, readings } => write!(
                f,
                "{} times what the map says in {readings} readings: a wrong scale in the map, or the device's clock",
                number(*ratio)
            ),
            Self::Condition { flag } => write!(f, "the device tells of a condition: {}", flag.name()),
            Self::Held => f.write_str("the register holds something else than was written"),
            Self::Motion => f.write_str("the axis is elsewhere, or moves otherwise, than it was told to"),
            Self::Unexplained => f.write_str("nothing that was tried explains it"),
        }
    }
}

fn plural(count: usize) -> &'static str {
    if count == 1 { "" } else { "s" }
}
