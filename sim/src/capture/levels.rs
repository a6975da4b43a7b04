//! Levels of the four lines at one instant, and the times of a recording.
//!
//! A source puts every change into a [`Gather`], which gives out one [`Instant`] for all that happened at the same time.
//! Knows no file and no meaning of a level.

use std::fmt;

/// A line of the bus.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Line {
    /// Chip select.
    Cs,
    /// The clock.
    Sck,
    /// The controller's data output.
    Mosi,
    /// The controller's data input.
    Miso,
}

impl Line {
    /// All four, in the order of their places.
    pub const ALL: [Self; 4] = [Self::Cs, Self::Sck, Self::Mosi, Self::Miso];

    /// The line's name in options and messages.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Cs => "cs",
            Self::Sck => "sck",
            Self::Mosi => "mosi",
            Self::Miso => "miso",
        }
    }
}

impl fmt::Display for Line {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// What a recording says of a line.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Level {
    /// Low, `0`.
    Low,
    /// High, `1`.
    High,
    /// Nobody knows, `x`; also before the first value and while the recording was paused.
    #[default]
    Unknown,
    /// Nothing drives the line, `z`.
    Floating,
}

impl Level {
    /// The level that a character of a recording stands for.
    pub(super) const fn of(sign: u8) -> Option<Self> {
        match sign {
            b'0' => Some(Self::Low),
            b'1' => Some(Self::High),
            b'x' | b'X' => Some(Self::Unknown),
            b'z' | b'Z' => Some(Self::Floating),
            _ => None,
        }
    }

    /// `None` for a level that is neither high nor low.
    pub(super) const fn bit(self) -> Option<bool> {
        match self {
            Self::Low => Some(false),
            Self::High => Some(true),
            Self::Unknown | Self::Floating => None,
        }
    }
}

/// The levels of all lines after everything that happened at one instant.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Instant {
    /// When, in nanoseconds of the recording; what came before its zero is negative.
    pub time_ns: i64,
    levels: [Level; 4],
    /// A line has gone and come back within the instant.
    pulsed: [bool; 4],
}

impl Instant {
    /// The level of a line.
    #[must_use]
    pub const fn level(&self, line: Line) -> Level {
        self.levels[line as usize]
    }

    pub(super) const fn set(&mut self, line: Line, level: Level) {
        self.levels[line as usize] = level;
    }

    /// Whether the line changed more than once at this instant, and so made a pulse without duration.
    #[must_use]
    pub const fn has_pulsed(&self, line: Line) -> bool {
        self.pulsed[line as usize]
    }

    pub(super) const fn forget_pulses(&mut self) {
        self.pulsed = [false; 4];
    }
}

/// Gathers the changes of one instant, so that their order within it is no matter.
#[derive(Clone, Debug, Default)]
pub(super) struct Gather {
    now: Instant,
    /// The present instant as the file counts, which may be finer than nanoseconds.
    tick: u64,
    changed: [bool; 4],
    any: bool,
}

impl Gather {
    pub(super) const fn time_ns(&self) -> i64 {
        self.now.time_ns
    }

    /// A line takes a level at the present instant.
    pub(super) const fn change(&mut self, line: Line, level: Level) {
        let place = line as usize;
        if self.now.levels[place] as u8 == level as u8 {
            return;
        }
        if self.changed[place] {
            self.now.pulsed[place] = true;
        }
        self.changed[place] = true;
        self.any = true;
        self.now.levels[place] = level;
    }

    pub(super) const fn tick(&self) -> u64 {
        self.tick
    }

    /// Time goes on to `time_ns`, which the file counts as `tick`; gives what has happened until now, if anything has.
    /// What is at the same tick is at the same instant.
    pub(super) fn advance(&mut self, tick: u64, time_ns: i64) -> Option<Instant> {
        if tick == self.tick {
            return None;
        }
        self.tick = tick;
        let done = self.any.then_some(self.now);
        self.now.time_ns = time_ns;
        self.now.forget_pulses();
        self.changed = [false; 4];
        self.any = false;
        done
    }

    /// The recording ends at the present instant.
    pub(super) const fn end(&self) -> Instant {
        self.now
    }
}

/// Turns the ticks of a recording into nanoseconds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Scale {
    numerator: u64,
    denominator: u64,
}

impl Scale {
    /// A tick is `count`·10^`exponent` seconds; `None` where that is nothing or more than a thousand seconds.
    pub(super) fn new(count: u32, exponent: i32) -> Option<Self> {
        let power = |exponent: i32| 10u64.checked_pow(u32::try_from(exponent).ok()?);
        if count == 0 || exponent > 3 {
            return None;
        }
        match exponent + 9 {
            up @ 0.. => Some(Self { numerator: u64::from(count).checked_mul(power(up)?)?, denominator: 1 }),
            down => Some(Self { numerator: count.into(), denominator: power(-down)? }),
        }
    }

    /// Whole nanoseconds, rounded down; the end of the range for what lies beyond it (292 years).
    pub(super) fn ns(self, ticks: u64) -> i64 {
        let ns = match self.denominator {
            1 => ticks.saturating_mul(self.numerator),
            denominator => {
                let ns = u128::from(ticks) * u128::from(self.numerator) / u128::from(denominator);
                u64::try_from(ns).unwrap_or(u64::MAX)
            }
        };
        i64::try_from(ns).unwrap_or(i64::MAX)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: 7 ticks of 10 ps are 70 ps, no whole nanosecond; 123 are 1.23 ns; 3 of 1 µs are 3000 ns.
    #[test]
    fn ticks_of_ten_picoseconds_and_of_one_microsecond_become_nanoseconds() {
        let (fine, coarse) = (Scale::new(10, -12).unwrap(), Scale::new(1, -6).unwrap());
        assert_eq!([fine.ns(7), fine.ns(123), fine.ns(100)], [0, 1, 1]);
        assert_eq!([coarse.ns(3), coarse.ns(u64::MAX)], [3000, i64::MAX]);
        assert_eq!(Scale::new(0, -9), None);
        assert_eq!(Scale::new(1, 40), None);
        assert_eq!(Scale::new(1, -100), None);
    }

    #[test]
    fn changes_of_one_instant_come_out_together_and_a_pulse_without_duration_is_marked() {
        let mut gather = Gather::default();
        gather.change(Line::Sck, Level::Low);
        assert_eq!(gather.advance(0, 0), None, "the same instant still");
        let first = gather.advance(50, 5).unwrap();
        assert_eq!((first.time_ns, first.level(Line::Sck), first.has_pulsed(Line::Sck)), (0, Level::Low, false));
        gather.change(Line::Sck, Level::High);
        gather.change(Line::Sck, Level::Low);
        let second = gather.advance(51, 5).unwrap();
        assert_eq!((second.level(Line::Sck), second.has_pulsed(Line::Sck)), (Level::Low, true));
        assert_eq!(gather.advance(70, 7), None, "nothing has changed");
    }
}
