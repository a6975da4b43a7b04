//! Turns what the controller does on the bus into levels of the four lines, edge by edge, in the order of time.
//!
//! A bit has a slot of a clock's length. The clock's edges stand a quarter of it from both ends, so that each has half a
//! clock to the next, and none coincides with chip select or with the data that it reads:
//!
//! ```text
//!            phase 0 (modes 0 and 2)            phase 1 (modes 1 and 3)
//!   slot    |               |               |  |               |               |
//!   data    X bit           X bit           |  |   X bit       |   X bit       |
//!   clock   |___/'''''''\___|___/'''''''\___|  |___/'''''''\___|___/'''''''\___|   at rest low: 0 and 1
//!   read        ^               ^                          ^               ^
//! ```
//!
//! Steps are kept until all else up to their instant is known, bits as bits. Knows no chain and no fault but a line that
//! is stuck.

use std::collections::VecDeque;

use embedded_hal::spi::{Phase, Polarity};
use stepchain::map::SpiMode;

use crate::capture::{Level, Line};
use crate::clock::bits_ns;
use crate::wire::Lines;

/// Nanoseconds that a slot needs for its edges.
const SHORTEST_SLOT_NS: u64 = 3;

/// Bits that leave one close behind another.
#[derive(Clone, Debug)]
pub(super) struct Run {
    /// From when on time is counted, in bits.
    pub(super) base_ns: u64,
    /// Bits since then before the first one here.
    pub(super) before: u64,
    pub(super) clock_hz: u32,
    pub(super) mosi: Vec<bool>,
    /// What the controller read beside them; `None` while nothing drives its input.
    pub(super) miso: Option<Vec<bool>>,
}

/// What happens on the lines, besides faults that hit single bits.
#[derive(Clone, Debug)]
pub(super) enum Change {
    Level(u64, Line, Level),
    /// A line is held at a level, or let go.
    Stuck(u64, Line, Option<Level>),
    /// The controller is set to another mode.
    Mode(u64, SpiMode),
    /// Bits, and how many of them have been given out.
    Bits(Run, usize),
}

/// The lines as the controller sees them.
#[derive(Clone, Debug)]
pub(super) struct Levels {
    mode: SpiMode,
    changes: VecDeque<Change>,
    /// Of the bit that has been begun.
    edges: VecDeque<(u64, Line, Level)>,
    last_ns: u64,
    cs_moved_ns: Option<u64>,
    own: [Level; 4],
    stuck: [Option<Level>; 4],
    unshown: u64,
}

impl Levels {
    /// The lines as they are at an instant. That is shown for a nanosecond: what changes at this very instant does so then,
    /// or it would be no edge for whoever reads it.
    pub(super) fn new(now_ns: u64, mode: SpiMode, lines: Lines, miso: Level, stuck: [Option<Level>; 4]) -> Self {
        let own = [level(lines.cs), level(lines.sck), level(lines.mosi), miso];
        let (changes, edges) = (VecDeque::new(), VecDeque::new());
        Self { mode, changes, edges, last_ns: now_ns.saturating_add(1), cs_moved_ns: None, own, stuck, unshown: 0 }
    }

    /// What a line is at.
    pub(super) fn at(&self, line: Line) -> Level {
        self.stuck[line as usize].unwrap_or(self.own[line as usize])
    }

    /// The next step; steps come in the order of time.
    pub(super) fn push(&mut self, change: Change) {
        self.changes.push_back(change);
    }

    /// How many steps wait.
    pub(super) fn waiting(&self) -> usize {
        self.changes.len()
    }

    /// Bits that came without taking time, or too fast for nanoseconds.
    pub(super) const fn unshown(&self) -> u64 {
        self.unshown
    }

    /// Adds bits that cannot be shown.
    pub(super) const fn leave_out(&mut self, bits: u64) {
        self.unshown = self.unshown.saturating_add(bits);
    }

    /// What a line becomes next, if that is not after `limit_ns`, and when.
    pub(super) fn next(&mut self, limit_ns: u64) -> Option<(u64, Line, Level)> {
        loop {
            if let Some(&(at_ns, line, level)) = self.edges.front() {
                if at_ns > limit_ns {
                    return None;
                }
                self.edges.pop_front();
                return Some(self.put(at_ns, line, level));
            }
            match self.changes.front_mut()? {
                Change::Level(at_ns, ..) | Change::Stuck(at_ns, ..) | Change::Mode(at_ns, _) if *at_ns > limit_ns => {
                    return None;
                }
                Change::Bits(run, done) => {
                    let (from_ns, to_ns) = run.slot(*done);
                    if from_ns > limit_ns {
                        return None;
                    }
                    let bit = run.mosi.get(*done).copied();
                    let came = run.miso.as_ref().and_then(|miso| miso.get(*done).copied());
                    *done += 1;
                    match bit {
                        Some(bit) => self.begin_bit(from_ns, to_ns, bit, came),
                        None => {
                            self.changes.pop_front();
                        }
                    }
                    continue;
                }
                _ => {}
            }
            match self.changes.pop_front()? {
                Change::Level(at_ns, line, level) => return Some(self.put(at_ns, line, level)),
                Change::Stuck(at_ns, line, level) => {
                    self.stuck[line as usize] = level;
                    return Some(self.put(at_ns, line, self.own[line as usize]));
                }
                Change::Mode(at_ns, mode) => {
                    self.mode = mode;
                    return Some(self.put(at_ns, Line::Sck, level(rests_high(mode))));
                }
                Change::Bits(..) => {}
            }
        }
    }

    /// A line gets a level of its own; what it is then. Chip select that rises and falls at one instant, because no gap was
    /// kept, is up for a nanosecond: or nobody could see it.
    fn put(&mut self, at_ns: u64, line: Line, level: Level) -> (u64, Line, Level) {
        self.last_ns = self.last_ns.max(at_ns);
        if line == Line::Cs && level != self.own[Line::Cs as usize] {
            self.last_ns += u64::from(self.cs_moved_ns == Some(self.last_ns));
            self.cs_moved_ns = Some(self.last_ns);
        }
        self.own[line as usize] = level;
        (self.last_ns, line, self.at(line))
    }

    /// Lays out a bit. A slot that has begun before the last edge, because chip select was moved while bits were under
    /// way, has only its rest.
    fn begin_bit(&mut self, from_ns: u64, to_ns: u64, bit: bool, came: Option<bool>) {
        let from_ns = from_ns.max(self.last_ns);
        let Some(length_ns) = to_ns.checked_sub(from_ns).filter(|&length_ns| length_ns >= SHORTEST_SLOT_NS) else {
            self.unshown += 1;
            return;
        };
        let first_ns = from_ns + (length_ns / 4).max(1);
        let second_ns = first_ns + length_ns / 2;
        let data_ns = if reads_on_first_edge(self.mode) { from_ns } else { first_ns };
        let rest = rests_high(self.mode);
        self.edges.push_back((data_ns, Line::Mosi, level(bit)));
        self.edges.extend(came.map(|came| (data_ns, Line::Miso, level(came))));
        self.edges.push_back((first_ns, Line::Sck, level(!rest)));
        self.edges.push_back((second_ns, Line::Sck, level(rest)));
    }
}

impl Run {
    /// From when to when a bit has its clock.
    fn slot(&self, bit: usize) -> (u64, u64) {
        let end_of = |bits| self.base_ns.saturating_add(bits_ns(self.before + bits, self.clock_hz));
        (end_of(bit as u64), end_of(bit as u64 + 1))
    }
}

pub(super) const fn level(high: bool) -> Level {
    if high { Level::High } else { Level::Low }
}

fn rests_high(mode: SpiMode) -> bool {
    mode.to_hal().polarity == Polarity::IdleHigh
}

fn reads_on_first_edge(mode: SpiMode) -> bool {
    mode.to_hal().phase == Phase::CaptureOnFirstTransition
}
