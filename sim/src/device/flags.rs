//! The status word: which flags are up now, which of them remember, and how they become bits.
//!
//! Flags are of three kinds. *Levels* hang on the axes, or on conditions that come from outside (switches, supply,
//! heat). *Events* happen to a word: rejected, unknown, wrong check. The *reset* is an event of its own. A latched
//! level is caught at every phase change of the motion, so that nothing slips through between two words.
//!
//! Where the map lets an event be live rather than latched, it shows the fate of the last word that was not filler;
//! a live reset shows that no command was obeyed yet. What only a fault reset clears stays until the device is restarted:
//! the vocabulary of commands has no fault reset.

use stepchain::map::{BridgeState, Clearing, Flag, Holding, Polarity, StatusBit, StatusLayout};

use crate::motion::Phase;

use super::axis::Axis;

#[derive(Clone, Debug)]
pub(super) struct Flags {
    layout: StatusLayout,
    /// One for each flag of the layout.
    latched: Vec<bool>,
    /// What was wrong with the last word.
    fate: Option<Flag>,
    obeyed: bool,
    conditions: Vec<(Flag, u8)>,
    watched_to_ns: u64,
}

impl Flags {
    pub(super) fn new(layout: StatusLayout, now_ns: u64) -> Self {
        let latched = vec![false; layout.flags.len()];
        let mut flags =
            Self { layout, latched, fate: None, obeyed: false, conditions: Vec::new(), watched_to_ns: now_ns };
        flags.latch(Flag::ResetOccurred, 0);
        flags
    }

    /// A word was obeyed.
    pub(super) fn word_is_fine(&mut self) {
        self.fate = None;
        self.obeyed = true;
    }

    /// Something was wrong with a word.
    pub(super) fn word_is_wrong(&mut self, flag: Flag, axis: u8) {
        self.fate = Some(flag);
        self.latch(flag, axis);
    }

    /// A condition from outside holds from now on, or no longer.
    pub(super) fn set_condition(&mut self, flag: Flag, axis: u8, holds: bool) {
        self.conditions.retain(|condition| *condition != (flag, axis));
        if holds {
            self.conditions.push((flag, axis));
            self.latch(flag, axis);
        }
    }

    /// Catches the levels that have been up since the last time.
    pub(super) fn watch(&mut self, axes: &[Axis], now_ns: u64) {
        for axis in axes {
            let mut at_ns = self.watched_to_ns;
            while let Some(change_ns) = axis.next_change_after(at_ns).filter(|&change_ns| change_ns < now_ns) {
                self.watch_at(axes, change_ns);
                at_ns = change_ns;
            }
        }
        self.watch_at(axes, now_ns);
        self.watched_to_ns = now_ns;
    }

    /// Lets fall what taking the status clears; levels that are up still are caught again by the next watch.
    pub(super) fn take(&mut self) {
        for (latched, bit) in self.latched.iter_mut().zip(self.layout.flags) {
            *latched &= bit.holding != Holding::LatchedUntil(Clearing::TakeStatus);
        }
    }

    /// Whether there is a fault that speaks of an axis: now, or latched.
    pub(super) fn is_faulted(&self, axis: u8) -> bool {
        let faults = [Flag::Fault, Flag::Overcurrent, Flag::Undervoltage, Flag::Overtemperature];
        faults.into_iter().any(|fault| {
            let index = self.index_of(fault, axis);
            let is_latched = index.and_then(|index| self.latched.get(index)).is_some_and(|latched| *latched);
            is_latched
                || self.holds(fault, |of_axis| {
                    of_axis == axis || index.is_some() && self.index_of(fault, of_axis) == index
                })
        })
    }

    /// The status word.
    pub(super) fn word(&self, axes: &[Axis], now_ns: u64) -> u64 {
        let mut word = 0;
        for (bit, latched) in self.layout.flags.iter().zip(&self.latched) {
            let raised = match bit.holding {
                Holding::Live => self.is_up(bit, axes, now_ns),
                Holding::LatchedUntil(_) => *latched || is_level(bit.flag) && self.is_up(bit, axes, now_ns),
            };
            word |= u64::from(raised != (bit.polarity == Polarity::ActiveLow)) << bit.bit;
        }
        for state in self.layout.motion_states {
            let phase = axes.get(usize::from(state.axis)).map_or(Phase::Standstill, |axis| axis.phase(now_ns));
            let [standstill, accelerating, constant, decelerating] = state.codes;
            let code = match phase {
                Phase::Standstill => standstill,
                Phase::Accelerating => accelerating,
                Phase::ConstantVelocity => constant,
                Phase::Decelerating => decelerating,
            };
            word |= u64::from(code) << state.field.lsb;
        }
        word
    }

    fn watch_at(&mut self, axes: &[Axis], now_ns: u64) {
        for (index, bit) in self.layout.flags.iter().enumerate() {
            if is_level(bit.flag) && self.is_up(bit, axes, now_ns) {
                self.latched[index] = true;
            }
        }
    }

    /// Raises the bit that tells a flag of an axis.
    fn latch(&mut self, flag: Flag, axis: u8) {
        let latched = self.index_of(flag, axis).and_then(|index| self.latched.get_mut(index));
        latched.into_iter().for_each(|latched| *latched = true);
    }

    /// Which bit tells a flag of an axis: its own, else the first one's, which is the device's where it has but one.
    fn index_of(&self, flag: Flag, axis: u8) -> Option<usize> {
        let of = |axis| self.layout.flags.iter().position(|bit| bit.flag == flag && bit.axis == axis);
        of(axis).or_else(|| of(0))
    }

    /// Whether a condition from outside holds on an axis that is meant.
    fn holds(&self, flag: Flag, is_meant: impl Fn(u8) -> bool) -> bool {
        self.conditions.iter().any(|&(condition, axis)| condition == flag && is_meant(axis))
    }

    /// Whether what the bit tells is so now.
    fn is_up(&self, bit: &StatusBit, axes: &[Axis], now_ns: u64) -> bool {
        let of_axis = |tells: &dyn Fn(&Axis) -> bool| axes.get(usize::from(bit.axis)).is_some_and(tells);
        match bit.flag {
            Flag::Busy => of_axis(&|axis| axis.is_busy(now_ns)),
            Flag::TargetReached => of_axis(&|axis| axis.has_arrived(now_ns)),
            Flag::PositiveDirection => of_axis(&|axis| axis.counts_up(now_ns)),
            Flag::BridgeOff => of_axis(&|axis| axis.bridge(now_ns) == BridgeState::HighImpedance),
            Flag::InternalLimitActive => of_axis(&Axis::is_limited),
            Flag::CommandRejected | Flag::CommandUnknown | Flag::CrcMismatch => self.fate == Some(bit.flag),
            Flag::ResetOccurred => !self.obeyed,
            outside => {
                let own = self.index_of(outside, bit.axis);
                self.holds(outside, |axis| self.index_of(outside, axis) == own)
            }
        }
    }
}

/// Whether the flag is up as long as something is so, and not only at an instant.
fn is_level(flag: Flag) -> bool {
    !matches!(flag, Flag::CommandRejected | Flag::CommandUnknown | Flag::CrcMismatch | Flag::ResetOccurred)
}
