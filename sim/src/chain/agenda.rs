//! Who waits for which instant or line, and when time may go on because everybody waits.
//!
//! Each future that waits has an entry here from its first poll until it is ready or dropped. No executor tells when
//! all of its tasks are idle, so this is found out by their polls: every future that waits asks to be polled again, and
//! one that has been polled [`PATIENCE`] times while nobody did anything lets time go on. Not to its own instant: to
//! the earliest of all, so that no task's time is jumped over.
//!
//! Knows lines by their names; devices, levels and the clock are arguments.

use super::lines::Tap;

/// So many polls in a row, without anything done by anybody, and a future that waits lets time go on.
///
/// A task that yields for reasons of its own must wait for something, use the bus, or end, before it has yielded as
/// often as this.
pub const PATIENCE: u32 = 16;

/// What a future waits for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Awaited {
    /// An instant in nanoseconds.
    Instant(u64),
    /// A line that is active, or that is not.
    Level { tap: Tap, active: bool },
    /// A line that becomes active, or that ceases to be.
    Edge { tap: Tap, active: bool },
    /// A line that changes.
    AnyEdge { tap: Tap },
}

/// How a wait has ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Outcome {
    /// What was waited for has come.
    Came,
    /// It will never come by itself, and nobody waits for anything that will.
    Never,
}

impl Awaited {
    const fn tap(self) -> Option<Tap> {
        match self {
            Self::Instant(_) => None,
            Self::Level { tap, .. } | Self::Edge { tap, .. } | Self::AnyEdge { tap } => Some(tap),
        }
    }
}

/// What a poll looks at to know whether anybody has done anything since the poll before.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Activity {
    pub(super) now_ns: u64,
    pub(super) bytes: u64,
    pub(super) frames: u64,
    /// Entries made and removed.
    pub(super) turnover: u64,
}

#[derive(Clone, Copy, Debug)]
struct Entry {
    ticket: u64,
    awaited: Awaited,
    /// Whether the line was active when it was watched last.
    was_active: Option<bool>,
    /// Whether what the line was to do has been seen.
    is_met: bool,
    seen: Activity,
    quiet_polls: u32,
}

/// The futures that wait.
#[derive(Clone, Debug, Default)]
pub(super) struct Agenda {
    entries: Vec<Entry>,
    tickets: u64,
    turnover: u64,
}

impl Agenda {
    /// A new entry, and the ticket that names it.
    pub(super) fn enter(&mut self, awaited: Awaited) -> u64 {
        let ticket = self.tickets;
        self.tickets += 1;
        self.turnover += 1;
        let seen = Activity::default();
        self.entries.push(Entry { ticket, awaited, was_active: None, is_met: false, seen, quiet_polls: 0 });
        ticket
    }

    /// Nobody waits with this ticket any more.
    pub(super) fn remove(&mut self, ticket: u64) {
        self.entries.retain(|entry| entry.ticket != ticket);
        self.turnover += 1;
    }

    /// How often an entry was made or removed.
    pub(super) const fn turnover(&self) -> u64 {
        self.turnover
    }

    /// Whether anybody waits for a line.
    pub(super) fn watches_lines(&self) -> bool {
        self.entries.iter().any(|entry| entry.awaited.tap().is_some())
    }

    /// Looks at the lines that are waited for; `is_active` tells of each.
    pub(super) fn watch(&mut self, is_active: impl Fn(Tap) -> bool) {
        for entry in &mut self.entries {
            let Some(tap) = entry.awaited.tap() else { continue };
            let is = is_active(tap);
            let has_changed = entry.was_active.is_some_and(|was| was != is);
            entry.is_met |= match entry.awaited {
                Awaited::Instant(_) => false,
                Awaited::Level { active, .. } => is == active,
                Awaited::Edge { active, .. } => has_changed && is == active,
                Awaited::AnyEdge { .. } => has_changed,
            };
            entry.was_active = Some(is);
        }
    }

    /// Whether what a ticket waits for has come.
    pub(super) fn has_come(&self, ticket: u64, now_ns: u64) -> bool {
        self.entries.iter().filter(|entry| entry.ticket == ticket).any(|entry| match entry.awaited {
            Awaited::Instant(instant_ns) => instant_ns <= now_ns,
            _ => entry.is_met,
        })
    }

    /// Notes a poll; whether nobody has done anything for so long that time may go on.
    pub(super) fn is_idle(&mut self, ticket: u64, activity: Activity) -> bool {
        let Some(entry) = self.entries.iter_mut().find(|entry| entry.ticket == ticket) else { return false };
        entry.quiet_polls = if entry.seen == activity { entry.quiet_polls.saturating_add(1) } else { 0 };
        entry.seen = activity;
        entry.quiet_polls >= PATIENCE
    }

    /// The earliest instant after `now_ns` for which somebody waits.
    pub(super) fn earliest_after(&self, now_ns: u64) -> Option<u64> {
        let instant = |entry: &Entry| match entry.awaited {
            Awaited::Instant(instant_ns) => Some(instant_ns),
            _ => None,
        };
        self.entries.iter().filter_map(instant).filter(|&instant_ns| instant_ns > now_ns).min()
    }
}
