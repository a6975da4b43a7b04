//! Turns levels into frames: which edges read a bit, and where a frame begins and ends.
//!
//! ```text
//!   mode   clock at rest   a bit is read on the
//!   0      low             rising edge     (first transition)
//!   1      low             falling edge    (second)
//!   2      high            falling edge    (first)
//!   3      high            rising edge     (second)
//! ```
//!
//! as embedded-hal defines `MODE_0` to `MODE_3`.
//!
//! * An edge goes from low to high or from high to low. To come out of an unknown level is none.
//! * Of data that change in the same instant as the edge, the level before it counts, unless the recording is said to
//!   sample late.
//! * A clock that moves in the same instant as chip select is not heard.
//! * An unknown chip select is not an active one: a frame ends there, incomplete.
//! * Without chip select, a frame is what lies between two rests of the clock that are long enough.
//!
//! Keeps one frame at a time, of at most [`MOST_BITS`] bits.

use std::collections::VecDeque;

use embedded_hal::spi::{Phase, Polarity};
use stepchain::map::SpiMode;

use super::frame::{Frame, Item};
use super::levels::{Instant, Level, Line};
use super::pulse::Tally;
use super::trouble::{Trouble, TroubleKind};

/// Bits that a frame may have; what follows in the same selection is left out.
pub const MOST_BITS: usize = 1 << 20;

/// The level of chip select that selects.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum CsActive {
    /// Low, as nearly everywhere.
    #[default]
    Low,
    /// High.
    High,
}

impl CsActive {
    /// Whether a level selects; `None` if nobody knows.
    pub(super) fn selects(self, level: Level) -> Option<bool> {
        level.bit().map(|high| high == (self == Self::High))
    }
}

/// Whether a bit is read as the clock rises.
#[must_use]
pub fn reads_on_rising(mode: SpiMode) -> bool {
    let mode = mode.to_hal();
    (mode.polarity == Polarity::IdleLow) == (mode.phase == Phase::CaptureOnFirstTransition)
}

/// Whether the clock rests high.
#[must_use]
pub fn rests_high(mode: SpiMode) -> bool {
    mode.to_hal().polarity == Polarity::IdleHigh
}

/// How levels are read.
#[derive(Clone, Copy, Debug)]
pub(super) struct Rules {
    pub(super) mode: SpiMode,
    pub(super) cs_active: CsActive,
    pub(super) has: [bool; 4],
    pub(super) sample_late: bool,
    /// The rest of the clock that ends a frame, where chip select was not recorded.
    pub(super) idle_gap_ns: i64,
}

/// The lines that carry data, with their places in what is counted.
const DATA: [(usize, Line); 2] = [(0, Line::Mosi), (1, Line::Miso)];

/// A frame that is being read.
#[derive(Debug, Default)]
struct Open {
    start_ns: i64,
    last_edge_ns: i64,
    began_inside: bool,
    bits: [Vec<bool>; 2],
    undefined: [u64; 2],
    with_clock: [u64; 2],
    clock_lost: u64,
    clock_with_select: bool,
    is_full: bool,
}

/// Why a frame ends.
#[derive(Clone, Copy, PartialEq, Eq)]
enum End {
    Whole,
    Lost,
    Recording,
}

/// Reads frames.
#[derive(Debug)]
pub(super) struct Sampler {
    rules: Rules,
    rising: bool,
    last: Instant,
    open: Option<Open>,
    number: u64,
    rest_was_told: bool,
    out: VecDeque<Item>,
}

impl Sampler {
    pub(super) fn new(rules: Rules) -> Self {
        Self {
            rules,
            rising: reads_on_rising(rules.mode),
            last: Instant::default(),
            open: None,
            number: 0,
            rest_was_told: false,
            out: VecDeque::new(),
        }
    }

    pub(super) fn pop(&mut self) -> Option<Item> {
        self.out.pop_front()
    }

    /// The lines take these levels. `true` when a frame has ended.
    #[inline]
    pub(super) fn take(&mut self, now: Instant) -> bool {
        let before = std::mem::replace(&mut self.last, now);
        if self.rules.has[Line::Cs as usize] {
            let (was, is) = (before.level(Line::Cs), now.level(Line::Cs));
            if was != is {
                return self.select(&before, &now);
            }
            if self.open.is_some() {
                self.clock(&before, &now);
            }
            return false;
        }
        before.level(Line::Sck) != now.level(Line::Sck) && self.burst(&before, &now)
    }

    fn select(&mut self, before: &Instant, now: &Instant) -> bool {
        let [was, is] = [before, now].map(|instant| self.rules.cs_active.selects(instant.level(Line::Cs)));
        if was == is {
            return false;
        }
        let races = self.reads(before, now);
        let ended = self.open.take().map(|mut open| {
            open.clock_with_select |= races;
            self.close(open, now.time_ns, if is == Some(false) { End::Whole } else { End::Lost });
        });
        if is == Some(true) {
            let rests = before.level(Line::Sck).bit().or(now.level(Line::Sck).bit());
            self.check_rest(rests, now.time_ns, was.is_none());
            self.open = Some(Open {
                start_ns: now.time_ns,
                last_edge_ns: now.time_ns,
                began_inside: was.is_none(),
                clock_with_select: races,
                ..Open::default()
            });
        }
        ended.is_some()
    }

    /// A clock that rests at the wrong level is the surest sign of a wrong mode: told once.
    fn check_rest(&mut self, high: Option<bool>, time_ns: i64, began_inside: bool) {
        let expected = rests_high(self.rules.mode);
        if let Some(high) = high.filter(|high| *high != expected && !began_inside && !self.rest_was_told) {
            self.rest_was_told = true;
            let kind = TroubleKind::WrongRest { high, mode: self.rules.mode };
            self.out.push_back(Item::Trouble(Trouble { time_ns, frame: Some(self.number), kind }));
        }
    }

    fn reads(&self, before: &Instant, now: &Instant) -> bool {
        let edge = (before.level(Line::Sck).bit(), now.level(Line::Sck).bit());
        edge == (Some(!self.rising), Some(self.rising))
    }

    #[inline]
    fn clock(&mut self, before: &Instant, now: &Instant) {
        let Some(open) = &mut self.open else { return };
        match (before.level(Line::Sck).bit(), now.level(Line::Sck).bit()) {
            (Some(was), Some(is)) if was != is => {
                open.last_edge_ns = now.time_ns;
                if is == self.rising {
                    open.read(&self.rules, before, now);
                }
            }
            (Some(_), None) => open.clock_lost += 1,
            _ => {}
        }
    }

    /// A change of the clock where there is no chip select.
    fn burst(&mut self, before: &Instant, now: &Instant) -> bool {
        let (was, is) = (before.level(Line::Sck).bit(), now.level(Line::Sck).bit());
        let is_over = |open: &Open| now.time_ns - open.last_edge_ns > self.rules.idle_gap_ns;
        let mut ended = false;
        if let Some(open) = self.open.take_if(|open| is_over(open)) {
            let end_ns = open.last_edge_ns;
            self.close(open, end_ns, End::Whole);
            ended = true;
        }
        let Some((was, is)) = was.zip(is).filter(|(was, is)| was != is) else {
            if let Some(mut open) = self.open.take_if(|_| is.is_none()) {
                open.clock_lost += 1;
                self.close(open, now.time_ns, End::Lost);
                ended = true;
            }
            return ended;
        };
        if self.open.is_none() {
            let leaves_rest = was == rests_high(self.rules.mode) && is != was;
            let (start_ns, began_inside) = (now.time_ns, !leaves_rest);
            self.open = Some(Open { start_ns, last_edge_ns: start_ns, began_inside, ..Open::default() });
        }
        self.clock(before, now);
        ended
    }

    /// The recording has ended.
    pub(super) fn end(&mut self) {
        let Some(open) = self.open.take() else { return };
        let (end_ns, why) = if self.rules.has[Line::Cs as usize] {
            (self.last.time_ns, End::Recording)
        } else {
            // A clock at rest may have been at its last; nobody can say more.
            let rests = self.last.level(Line::Sck).bit() == Some(rests_high(self.rules.mode));
            (open.last_edge_ns, if rests { End::Whole } else { End::Recording })
        };
        self.close(open, end_ns, why);
    }

    fn close(&mut self, open: Open, end_ns: i64, why: End) {
        let number = self.number;
        self.number += 1;
        let out = &mut self.out;
        let mut told = |time_ns, kind| out.push_back(Item::Trouble(Trouble { time_ns, frame: Some(number), kind }));
        if open.began_inside {
            told(open.start_ns, TroubleKind::BeganInside);
        }
        for (place, line) in DATA {
            let (undefined, with_clock) = (open.undefined[place], open.with_clock[place]);
            if undefined > 0 {
                told(open.start_ns, TroubleKind::Undefined { line, bits: undefined });
            }
            if with_clock > 0 {
                told(open.start_ns, TroubleKind::DataWithClock { line, bits: with_clock });
            }
        }
        if open.clock_lost > 0 {
            told(open.start_ns, TroubleKind::ClockLost { times: open.clock_lost });
        }
        if open.clock_with_select {
            told(open.start_ns, TroubleKind::ClockWithSelect);
        }
        if open.is_full {
            told(open.start_ns, TroubleKind::FrameTooLong { bits: MOST_BITS });
        }
        match why {
            End::Whole => {}
            End::Lost => told(end_ns, TroubleKind::SelectLost),
            End::Recording => told(end_ns, TroubleKind::EndedInside),
        }
        let has = DATA.map(|(_, line)| self.rules.has[line as usize]);
        let clocks = open.bits.iter().map(Vec::len).max().unwrap_or(0);
        if clocks == 0 && why == End::Whole {
            told(open.start_ns, TroubleKind::EmptySelection);
        }
        let [mosi, miso] = open.bits;
        let complete = why == End::Whole && !open.began_inside && open.clock_lost == 0 && !open.is_full;
        self.out.push_back(Item::Frame(Frame {
            number,
            start_ns: open.start_ns,
            end_ns,
            mosi: has[0].then_some(mosi),
            miso: has[1].then_some(miso),
            complete,
        }));
    }

    /// Reports pulses that were left out, beside the frame that was read last.
    pub(super) fn report(&mut self, tallies: impl Iterator<Item = Tally>) {
        for Tally { line, pulses, first_ns, last_ns } in tallies {
            let kind = TroubleKind::Glitches { line, pulses, last_ns };
            self.out.push_back(Item::Trouble(Trouble { time_ns: first_ns, frame: None, kind }));
        }
    }
}

impl Open {
    #[inline]
    fn read(&mut self, rules: &Rules, before: &Instant, now: &Instant) {
        for (place, line) in DATA {
            if !rules.has[line as usize] {
                continue;
            }
            let (was, is) = (before.level(line), now.level(line));
            self.with_clock[place] += u64::from(was != is);
            let level = if rules.sample_late { is } else { was };
            let bits = &mut self.bits[place];
            if bits.len() == MOST_BITS {
                self.is_full = true;
                continue;
            }
            self.undefined[place] += u64::from(level.bit().is_none());
            bits.push(level.bit().unwrap_or(false));
        }
    }
}
