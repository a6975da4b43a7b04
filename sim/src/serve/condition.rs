//! What befalls the chain while firmware has it: conditions that hold from an instant on, and for how long.

use stepchain::map::Flag;

use crate::chain::VirtualChain;

/// A condition that a device notices, from when to when.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Condition {
    /// The device.
    pub device: usize,
    /// The axis of the device.
    pub axis: usize,
    /// What holds.
    pub flag: Flag,
    /// From when on, in nanoseconds of virtual time.
    pub from_ns: u64,
    /// When it is over; none if it lasts.
    pub to_ns: Option<u64>,
}

/// What is still to befall a chain, in the order of time.
#[derive(Clone, Debug, Default)]
pub struct Schedule {
    /// Instant, condition, and whether it begins then; the next one last.
    changes: Vec<(u64, Condition, bool)>,
}

impl Schedule {
    /// All of these conditions.
    #[must_use]
    pub fn new(conditions: &[Condition]) -> Self {
        let begin = conditions.iter().map(|condition| (condition.from_ns, *condition, true));
        let end = conditions.iter().filter_map(|condition| Some((condition.to_ns?, *condition, false)));
        let mut changes: Vec<_> = begin.chain(end).collect();
        changes.sort_by_key(|(at_ns, ..)| std::cmp::Reverse(*at_ns));
        Self { changes }
    }

    /// Lets time pass on a chain, and what is due in it befall the chain at its instant.
    ///
    /// # Panics
    /// If the chain has no such device or axis as a condition is for.
    pub fn pass(&mut self, chain: &VirtualChain, duration_ns: u64) {
        let end_ns = chain.now_ns().saturating_add(duration_ns);
        while let Some(&(at_ns, ..)) = self.changes.last().filter(|(at_ns, ..)| *at_ns <= end_ns) {
            chain.advance_ns(at_ns.saturating_sub(chain.now_ns()));
            self.catch_up(chain);
        }
        chain.advance_ns(end_ns.saturating_sub(chain.now_ns()));
    }

    /// Lets befall a chain what is due by now: a selection lets time pass by itself.
    ///
    /// # Panics
    /// As [`pass`](Self::pass).
    pub fn catch_up(&mut self, chain: &VirtualChain) {
        let now_ns = chain.now_ns();
        while let Some((_, condition, begins)) = self.changes.pop_if(|(at_ns, ..)| *at_ns <= now_ns) {
            chain.set_condition(condition.device, condition.axis, condition.flag, begins);
        }
    }
}
