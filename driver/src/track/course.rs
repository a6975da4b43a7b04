//! Where an axis may be by what it was told, between two readings of its position and beyond them.
//!
//! ```text
//!   told                     what a reading leaves open, until the axis was seen to stand and was read again
//!   a move to an end         from the reading to the end
//!   a motion without one     from the reading to the limit that it runs towards: there its owner stops it
//!   anything, under way      so far on from the reading, either way, as the axis goes on once it is told to stop
//! ```
//!
//! Knows neither commands nor devices; a [`Guard`](super::Guard) keeps one.

use crate::units::Distance;

use super::limits::PositionLimits;
use super::unwrapped::UnwrappedPosition;

/// The lowest and the highest place, both included.
pub(super) type Span = (UnwrappedPosition, UnwrappedPosition);

/// Where an axis may be by what it was told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Course {
    /// The lowest and the highest place since the last reading, but for what it runs or coasts on; `None` if there is no
    /// telling.
    pub(super) span: Option<Span>,
    /// The lowest and the highest end of what it may still be doing.
    pub(super) targets: Option<Span>,
    /// Where the last command ends.
    pub(super) end: Option<UnwrappedPosition>,
    /// Which ways it may be running without an end.
    pub(super) runs: Ways,
    /// Whether it may still be braking from what was broken off.
    pub(super) coasts: bool,
    /// Whether it was seen to stand since it was told something.
    pub(super) stands: bool,
    /// The tracker's counts when that was so.
    pub(super) counts: Counts,
}

/// How often the position was read, and how often somebody has said where the axis is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Counts {
    pub(super) readings: u32,
    pub(super) tellings: u32,
}

/// Directions of counting.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Ways {
    pub(super) down: bool,
    pub(super) up: bool,
}

impl Ways {
    pub(super) const NONE: Self = Self { down: false, up: false };

    pub(super) const fn and(self, other: Self) -> Self {
        Self { down: self.down || other.down, up: self.up || other.up }
    }

    const fn is_any(self) -> bool {
        self.down || self.up
    }
}

impl Course {
    /// That of an axis which rests where it was read.
    pub(super) const fn at_rest(at: UnwrappedPosition, counts: Counts) -> Self {
        Self {
            span: Some((at, at)),
            targets: None,
            end: Some(at),
            runs: Ways::NONE,
            coasts: false,
            stands: true,
            counts,
        }
    }

    /// That of an axis of which nothing is known.
    pub(super) const fn lost(counts: Counts) -> Self {
        Self { span: None, targets: None, end: None, runs: Ways::NONE, coasts: false, stands: false, counts }
    }

    /// The same once the axis was read at `at`, if these counts tell that it was.
    pub(super) fn read(self, at: UnwrappedPosition, counts: Counts) -> Self {
        if self.counts.tellings != counts.tellings {
            return Self::at_rest(at, counts);
        }
        if self.counts.readings == counts.readings {
            return self;
        }
        // A single move that nothing has broken off goes no farther than to its end.
        let has_arrived = self.targets == Some((at, at)) && !self.coasts && !self.runs.is_any();
        if self.stands || has_arrived {
            return Self::at_rest(at, counts);
        }
        Self { span: Some(hull(self.targets, (at, at))), counts, ..self }
    }

    /// Whether the axis may be moving.
    pub(super) const fn is_under_way(&self) -> bool {
        !self.stands
    }

    /// Where the axis may be when the next command reaches it: it runs on no farther than to the limit, and brakes within
    /// it, for its owner sees to that.
    pub(super) fn reach(&self, limits: Option<&PositionLimits>, braking: Distance) -> Option<Span> {
        let (mut low, mut high) = self.span?;
        let (min, max) = match limits {
            Some(limits) => (limits.min, limits.max),
            None if self.runs.is_any() => return None,
            None => (UnwrappedPosition::from_microsteps(i64::MIN), UnwrappedPosition::from_microsteps(i64::MAX)),
        };
        let way = i64::try_from(braking.to_bits().unsigned_abs()).unwrap_or(i64::MAX);
        if self.runs.down {
            low = low.min(min);
        } else if self.coasts {
            low = low.min(low.moved(-way).max(min));
        }
        if self.runs.up {
            high = high.max(max);
        } else if self.coasts {
            high = high.max(high.moved(way).min(max));
        }
        Some((low, high))
    }
}

/// The least span that holds both.
pub(super) fn hull(one: Option<Span>, (low, high): Span) -> Span {
    one.map_or((low, high), |(least, greatest)| (least.min(low), greatest.max(high)))
}
