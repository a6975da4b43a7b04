//! Leaves out pulses of chip select and clock that are too short to be meant, and counts them.
//!
//! A pulse is too short if it lasts less than a quarter of what half a clock of its level usually takes, by the median
//! of the first selections; chip select is measured by the shorter of both. Every change waits that long in a queue
//! until it is known to last, and a pulse that did not is taken back there. The queue holds at most [`WAITING`]
//! changes: where a recording has more within such a time, the oldest go on as they are.
//!
//! What a device makes of such a pulse is its own affair: it may well count it. So it is reported each time.

use std::collections::VecDeque;

use super::levels::{Instant, Level, Line};

const WAITING: usize = 4096;
/// A pulse counts if it is at least this share of a usual one.
const SHARE: i64 = 4;

/// How long half clocks usually last, in nanoseconds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Pace {
    /// The clock high.
    pub high_ns: Option<i64>,
    /// The clock low.
    pub low_ns: Option<i64>,
}

impl Pace {
    /// The medians over what of a recording lies within selections.
    pub(super) fn of(instants: &[Instant], is_selected: impl Fn(&Instant) -> bool) -> Self {
        let (mut widths, mut since): ([Vec<i64>; 2], Option<i64>) = ([Vec::new(), Vec::new()], None);
        for pair in instants.windows(2) {
            let [before, now] = pair else { continue };
            if !is_selected(before) || !is_selected(now) {
                since = None;
            } else if let (Some(was), Some(is)) = (before.level(Line::Sck).bit(), now.level(Line::Sck).bit())
                && was != is
                && let Some(since) = since.replace(now.time_ns)
            {
                widths[usize::from(was)].push(now.time_ns - since);
            }
        }
        let [low_ns, high_ns] = widths.map(|mut widths| {
            widths.sort_unstable();
            widths.get(widths.len() / 2).copied()
        });
        Self { high_ns, low_ns }
    }

    /// A whole clock.
    #[must_use]
    pub fn clock_ns(&self) -> Option<i64> {
        Some(self.high_ns? + self.low_ns?)
    }
}

/// Pulses that were left out since they were last asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Tally {
    pub(super) line: Line,
    pub(super) pulses: u64,
    pub(super) first_ns: i64,
    pub(super) last_ns: i64,
}

const WATCHED: [Line; 2] = [Line::Cs, Line::Sck];

/// The queue in which changes wait.
#[derive(Debug)]
pub(super) struct Filter {
    /// For each watched line: the shortest low and the shortest high pulse that counts.
    least_ns: [[i64; 2]; 2],
    hold_ns: i64,
    queue: VecDeque<Instant>,
    last: Instant,
    /// When each watched line took its level, and when it took the one before.
    since: [[Option<i64>; 2]; 2],
    tallies: [Option<Tally>; 2],
}

impl Filter {
    /// A filter of pulses shorter than `min_pulse_ns`, or than a share of the pace.
    pub(super) fn new(pace: Pace, min_pulse_ns: Option<i64>) -> Self {
        let share = |usual: Option<i64>| min_pulse_ns.unwrap_or_else(|| usual.map_or(0, |usual| usual / SHARE));
        let sck = [share(pace.low_ns), share(pace.high_ns)];
        let cs = sck[0].min(sck[1]);
        Self {
            least_ns: [[cs; 2], sck],
            hold_ns: sck[0].max(sck[1]),
            queue: VecDeque::new(),
            last: Instant::default(),
            since: [[None; 2]; 2],
            tallies: [None; 2],
        }
    }

    /// Shortest pulse of the clock that counts, of either level.
    pub(super) fn least_ns(&self) -> i64 {
        self.least_ns[1][0].min(self.least_ns[1][1])
    }

    /// Takes an instant in.
    #[inline]
    pub(super) fn push(&mut self, mut now: Instant) {
        for (place, line) in WATCHED.into_iter().enumerate() {
            let (was, is) = (self.last.level(line), now.level(line));
            if now.has_pulsed(line) && is.bit().is_some() {
                self.count(place, now.time_ns);
            }
            if was != is {
                self.changed(place, was, is, now.time_ns);
            }
        }
        self.last = now;
        now.forget_pulses();
        self.queue.push_back(now);
    }

    fn changed(&mut self, place: usize, was: Level, is: Level, now_ns: i64) {
        let [since, before] = self.since[place];
        if let (Some(since), Some(level), Some(_)) = (since, was.bit(), is.bit())
            && now_ns - since < self.least_ns[place][usize::from(level)]
        {
            for waiting in self.queue.iter_mut().rev().take_while(|waiting| waiting.time_ns >= since) {
                waiting.set(WATCHED[place], is);
            }
            self.count(place, since);
            self.since[place] = [before, None];
            return;
        }
        // Nobody knows for how long a level has held that the recording begins with.
        self.since[place] = [(was != Level::Unknown).then_some(now_ns), since];
    }

    fn count(&mut self, place: usize, at_ns: i64) {
        let line = WATCHED[place];
        let new = Tally { line, pulses: 0, first_ns: at_ns, last_ns: at_ns };
        let tally = self.tallies[place].get_or_insert(new);
        tally.pulses += 1;
        tally.last_ns = at_ns;
    }

    /// An instant of which nothing can be taken back any more.
    #[inline]
    pub(super) fn pop(&mut self) -> Option<Instant> {
        let front = self.queue.front()?;
        let is_due = front.time_ns <= self.last.time_ns.saturating_sub(self.hold_ns) || self.queue.len() > WAITING;
        if is_due { self.queue.pop_front() } else { None }
    }

    /// The recording has ended: what still waits.
    pub(super) fn pop_rest(&mut self) -> Option<Instant> {
        self.queue.pop_front()
    }

    /// What was left out since this was last asked.
    pub(super) fn take_tallies(&mut self) -> impl Iterator<Item = Tally> + use<> {
        std::mem::take(&mut self.tallies).into_iter().flatten()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn levels(time_ns: i64, sck: Level) -> Instant {
        let mut instant = Instant::default();
        instant.time_ns = time_ns;
        instant.set(Line::Sck, sck);
        instant
    }

    fn through(pace: Pace, changes: &[(i64, Level)]) -> (Vec<(i64, Level)>, Option<Tally>) {
        let mut filter = Filter::new(pace, None);
        let mut out = Vec::new();
        for &(time_ns, level) in changes {
            filter.push(levels(time_ns, level));
            out.extend(std::iter::from_fn(|| filter.pop()));
        }
        out.extend(std::iter::from_fn(|| filter.pop_rest()));
        let tally = filter.take_tallies().next();
        let mut out: Vec<_> = out.iter().map(|instant| (instant.time_ns, instant.level(Line::Sck))).collect();
        out.dedup_by_key(|(_, level)| *level);
        (out, tally)
    }

    use Level::{High, Low};

    const PACE: Pace = Pace { high_ns: Some(100), low_ns: Some(400) };

    /// By hand: a high pulse counts from 25 ns on, a low one from 100 ns on.
    #[test]
    fn a_short_pulse_is_left_out_and_counted_and_one_that_is_long_enough_stays() {
        let (out, tally) = through(PACE, &[(0, Low), (1000, High), (1024, Low), (2000, High), (2025, Low)]);
        assert_eq!(out, [(0, Low), (2000, High), (2025, Low)]);
        assert_eq!(tally, Some(Tally { line: Line::Sck, pulses: 1, first_ns: 1000, last_ns: 1000 }));
        let (out, tally) = through(PACE, &[(0, Low), (1000, High), (1200, Low), (1299, High), (1400, Low)]);
        assert_eq!(out, [(0, Low), (1000, High), (1400, Low)]);
        assert_eq!(tally.map(|tally| tally.first_ns), Some(1200));
    }

    #[test]
    fn a_level_that_the_recording_begins_with_may_have_held_for_long() {
        let (out, tally) = through(PACE, &[(0, High), (1, Low), (500, High), (510, Low), (1000, High)]);
        assert_eq!(out, [(0, High), (1, Low), (1000, High)]);
        assert_eq!(tally.map(|tally| (tally.pulses, tally.first_ns)), Some((1, 500)));
    }

    #[test]
    fn without_a_pace_every_pulse_stays() {
        let (out, tally) = through(Pace::default(), &[(0, Low), (1, High), (2, Low)]);
        assert_eq!((out.len(), tally), (3, None));
    }

    #[test]
    fn the_queue_is_bounded_whatever_comes() {
        let mut filter = Filter::new(Pace { high_ns: Some(1 << 40), low_ns: Some(1 << 40) }, None);
        for time_ns in 0..100_000 {
            let mut instant = levels(time_ns, Low);
            instant.set(Line::Mosi, if time_ns % 2 == 0 { Low } else { High });
            filter.push(instant);
            while filter.pop().is_some() {}
            assert!(filter.queue.len() <= WAITING);
        }
    }
}
