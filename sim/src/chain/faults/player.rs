//! Plays a script: which faults hold now, when the next one turns, and what they make of each bit.
//!
//! Each fault waits, is active, or is over. Knows what the axes are about to do, and no log: what a turn brings about
//! is the world's business.

use embedded_hal::digital::PinState;

use super::trigger;
use crate::device::Device;
use crate::dice::Dice;
use crate::inject::{Bits, DataLine, Fault, Injection, Lasts, Line, Script, Start};

/// A fault begins, gets worse or ends.
#[derive(Clone, Debug)]
pub(super) struct Turn {
    pub(super) number: usize,
    pub(super) fault: Fault,
    pub(super) stage: Stage,
    /// Whether it is over as it begins.
    pub(super) is_instant: bool,
    /// What the fault has done to the frame under way, if this is its end.
    pub(super) strikes: Strikes,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Stage {
    Began,
    Worsened,
    Ended,
}

/// What a fault has done to a frame.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Strikes {
    pub(super) hits: u64,
    pub(super) first: u64,
}

#[derive(Clone, Debug)]
struct Entry {
    injection: Injection,
    phase: Phase,
    dice: Dice,
    /// Where in the frame clocks are lost or come in addition.
    places: Vec<u64>,
    strikes: Strikes,
    was_moving: bool,
    motions: u64,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Phase {
    Waiting,
    Active { until_ns: Option<u64>, frames_left: Option<u64>, worsens_ns: Option<u64>, is_worse: bool },
    Over,
}

/// The script as it is played.
#[derive(Clone, Debug, Default)]
pub(in crate::chain) struct Player {
    entries: Vec<Entry>,
    /// What was before this instant has been looked at.
    looked_ns: u64,
    /// Clocks that a frame needs, while one is under way.
    frame_bits: Option<u64>,
}

impl Player {
    pub(super) fn take_up(&mut self, script: &Script, devices: &[Device], now_ns: u64) {
        self.pass(now_ns, devices);
        self.entries.extend(script.injections().iter().map(|injection| Entry {
            dice: Dice::new(injection.seed, 0),
            phase: Phase::Waiting,
            places: Vec::new(),
            strikes: Strikes::default(),
            was_moving: trigger::axis_of(&injection.start, devices).is_some_and(|axis| axis.is_moving(now_ns)),
            motions: 0,
            injection: injection.clone(),
        }));
    }

    /// Whether any fault is not over yet.
    pub(in crate::chain) fn is_playing(&self) -> bool {
        self.entries.iter().any(|entry| entry.phase != Phase::Over)
    }

    /// When the next fault turns, and which ones do then, if nobody commands anything before.
    pub(super) fn next(&self, devices: &[Device]) -> Option<(u64, Vec<usize>)> {
        let instants = self.entries.iter().map(|entry| entry.next_ns(devices, self.looked_ns));
        let instants: Vec<_> = instants.enumerate().filter_map(|(number, at_ns)| Some((at_ns?, number))).collect();
        let first_ns = instants.iter().map(|&(at_ns, _)| at_ns).min()?;
        let numbers = instants.into_iter().filter(|&(at_ns, _)| at_ns == first_ns).map(|(_, number)| number);
        Some((first_ns, numbers.collect()))
    }

    /// All that was until this instant has happened.
    pub(super) fn pass(&mut self, now_ns: u64, devices: &[Device]) {
        self.looked_ns = self.looked_ns.max(now_ns);
        for entry in &mut self.entries {
            let Some(axis) = trigger::axis_of(&entry.injection.start, devices) else { continue };
            let is_moving = axis.is_moving(now_ns);
            entry.motions += u64::from(is_moving && !entry.was_moving);
            entry.was_moving = is_moving;
        }
    }

    /// Lets a fault turn whose time has come.
    pub(super) fn turn(&mut self, number: usize, now_ns: u64) -> Option<Turn> {
        let frame_bits = self.frame_bits;
        let entry = self.entries.get_mut(number)?;
        match &mut entry.phase {
            Phase::Waiting => {
                entry.begin(now_ns);
                if let Some(frame_bits) = frame_bits {
                    entry.draw_places(frame_bits);
                }
                Some(entry.tell(number, Stage::Began))
            }
            Phase::Active { worsens_ns, is_worse, .. } if worsens_ns.is_some_and(|worsens_ns| worsens_ns <= now_ns) => {
                (*worsens_ns, *is_worse) = (None, true);
                Some(entry.tell(number, Stage::Worsened))
            }
            Phase::Active { .. } => Some(entry.end(number)),
            Phase::Over => None,
        }
    }

    /// Chip select falls for a frame: the faults that wait for it.
    pub(super) fn begin_frame(&mut self, frame: u64, frame_bits: u64) -> Vec<usize> {
        self.frame_bits = Some(frame_bits);
        for entry in self.entries.iter_mut().filter(|entry| entry.is_active()) {
            entry.draw_places(frame_bits);
        }
        let waits = |entry: &Entry| entry.phase == Phase::Waiting && entry.injection.start == Start::Frame(frame);
        let numbers = self.entries.iter().enumerate().filter(|(_, entry)| waits(entry));
        numbers.map(|(number, _)| number).collect()
    }

    /// What each fault has done to the frame that ends.
    pub(super) fn take_strikes(&mut self) -> Vec<(usize, Strikes)> {
        let struck = self.entries.iter_mut().enumerate().filter(|(_, entry)| entry.strikes.hits > 0);
        struck.map(|(number, entry)| (number, std::mem::take(&mut entry.strikes))).collect()
    }

    /// Chip select rises: the faults that end with this frame.
    pub(super) fn end_frame(&mut self) -> Vec<Turn> {
        self.frame_bits = None;
        let mut turns = Vec::new();
        for (number, entry) in self.entries.iter_mut().enumerate() {
            let Phase::Active { frames_left: Some(left), .. } = &mut entry.phase else { continue };
            *left -= 1;
            if *left == 0 {
                turns.push(entry.end(number));
            }
        }
        turns
    }

    /// Whether a fault like this holds.
    pub(super) fn holds(&self, is_like: impl Fn(&Fault) -> bool) -> bool {
        self.entries.iter().any(|entry| entry.is_active() && is_like(&entry.injection.fault))
    }

    /// Whether a device of this number has been so hot for so long that it is too hot.
    pub(super) fn is_too_hot(&self, device: usize) -> bool {
        let is_late = |entry: &Entry| matches!(entry.phase, Phase::Active { is_worse: true, .. });
        let is_hot = |fault: &Fault| matches!(fault, Fault::Overheating { device: other, .. } if *other == device);
        self.entries.iter().any(|entry| is_late(entry) && is_hot(&entry.injection.fault))
    }

    /// What a line is stuck at.
    pub(in crate::chain) fn stuck(&self, line: Line) -> Option<bool> {
        self.entries.iter().filter(|entry| entry.is_active()).find_map(|entry| match entry.injection.fault {
            Fault::StuckLine { line: stuck, level } if stuck == line => Some(level == PinState::High),
            _ => None,
        })
    }

    /// Makes note that a stuck line has changed something.
    pub(super) fn strike_stuck(&mut self, line: Line, place: u64) {
        let is_it = |entry: &&mut Entry| {
            let Fault::StuckLine { line: stuck, .. } = entry.injection.fault else { return false };
            stuck == line && entry.is_active()
        };
        if let Some(entry) = self.entries.iter_mut().find(is_it) {
            entry.strike(place);
        }
    }

    /// What becomes of a bit on a data line.
    pub(super) fn carry(&mut self, line: DataLine, place: u64, bit: bool) -> bool {
        let mut carried = bit;
        for entry in self.entries.iter_mut().filter(|entry| entry.is_active()) {
            let is_flipped = match &entry.injection.fault {
                Fault::BitFlips { line: flipped, .. } if *flipped != line => false,
                Fault::BitFlips { bits: Bits::Each(probability), .. } => entry.dice.share() < *probability,
                Fault::BitFlips { bits: Bits::At(places), .. } => places.contains(&place),
                _ => false,
            };
            if is_flipped {
                carried = !carried;
                entry.strike(place);
            }
        }
        let line = match line {
            DataLine::Mosi => Line::Mosi,
            DataLine::Miso => Line::Miso,
        };
        match self.stuck(line) {
            Some(level) if level != carried => {
                self.strike_stuck(line, place);
                level
            }
            _ => carried,
        }
    }

    /// How many clocks the devices see where the controller makes one.
    pub(super) fn clocks(&mut self, place: u64) -> u64 {
        if self.stuck(Line::Sck).is_some() {
            self.strike_stuck(Line::Sck, place);
            return 0;
        }
        let mut clocks = 1;
        for entry in self.entries.iter_mut().filter(|entry| entry.is_active() && entry.places.contains(&place)) {
            clocks = if matches!(entry.injection.fault, Fault::LostClocks { .. }) { 0 } else { clocks + 1 };
            entry.strike(place);
        }
        clocks
    }

    /// The levels at which lines between two devices are stuck, by the device in front.
    pub(super) fn breaks(&self) -> Vec<(usize, bool)> {
        let breaks =
            self.entries.iter().filter(|entry| entry.is_active()).filter_map(|entry| match entry.injection.fault {
                Fault::StuckLine { line: Line::Behind(device), level } => Some((device, level == PinState::High)),
                _ => None,
            });
        breaks.collect()
    }
}

impl Entry {
    const fn is_active(&self) -> bool {
        matches!(self.phase, Phase::Active { .. })
    }

    fn next_ns(&self, devices: &[Device], looked_ns: u64) -> Option<u64> {
        let axis = || trigger::axis_of(&self.injection.start, devices);
        match self.phase {
            Phase::Waiting => match self.injection.start {
                Start::At(at_ns) => Some(at_ns.max(looked_ns)),
                Start::Frame(_) => None,
                Start::Motion { nth, .. } => (self.motions >= nth).then_some(looked_ns),
                Start::Position { steps, .. } => trigger::arrival(axis()?, steps, looked_ns),
                Start::Velocity { steps_per_s, .. } => trigger::speed(axis()?, steps_per_s, looked_ns),
            },
            Phase::Active { until_ns, worsens_ns, .. } => until_ns.into_iter().chain(worsens_ns).min(),
            Phase::Over => None,
        }
    }

    fn begin(&mut self, now_ns: u64) {
        let (until_ns, frames_left) = match self.injection.lasts {
            Lasts::Instant | Lasts::Frames(0) => (Some(now_ns), None),
            Lasts::Ns(duration_ns) => (Some(now_ns.saturating_add(duration_ns)), None),
            Lasts::Frames(frames) => (None, Some(frames)),
            Lasts::ForEver => (None, None),
        };
        let worsens_ns = match self.injection.fault {
            Fault::Overheating { shut_off_after_ns, .. } => Some(now_ns.saturating_add(shut_off_after_ns)),
            _ => None,
        };
        // At the instant of its end it is spared, unless it is to be so from the start.
        let comes = |worsens_ns: &u64| *worsens_ns == now_ns || until_ns.is_none_or(|until_ns| *worsens_ns < until_ns);
        self.phase = Phase::Active { until_ns, frames_left, worsens_ns: worsens_ns.filter(comes), is_worse: false };
    }

    fn end(&mut self, number: usize) -> Turn {
        self.phase = Phase::Over;
        Turn { strikes: std::mem::take(&mut self.strikes), ..self.tell(number, Stage::Ended) }
    }

    fn tell(&self, number: usize, stage: Stage) -> Turn {
        let is_instant = matches!(self.injection.lasts, Lasts::Instant | Lasts::Ns(0) | Lasts::Frames(0));
        Turn { number, fault: self.injection.fault.clone(), stage, is_instant, strikes: Strikes::default() }
    }

    fn draw_places(&mut self, frame_bits: u64) {
        if let Fault::LostClocks { count } | Fault::ExtraClocks { count } = self.injection.fault {
            self.places = self.dice.places(u64::from(count), frame_bits);
        }
    }

    fn strike(&mut self, place: u64) {
        if self.strikes.hits == 0 {
            self.strikes.first = place;
        }
        self.strikes.hits += 1;
    }
}
