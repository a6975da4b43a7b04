//! The status word: which flags are up now, which of them remember, and how they become bits.
//!
//! Flags are of three kinds. *Levels* hang on the axes, or on conditions that come from outside (switches, supply,
//! heat). *Events* happen to a word: rejected, unknown, wrong check. The *reset* is an event of its own. A latched
//! level is caught at every phase change of the motion, so that nothing slips through between two words.
//!
//! Where the map lets an event be live rather than latched, it shows the fate of the last word that was not filler;
//! a live reset shows that no command was obeyed yet. A switch event is an event, too: live, it is as the switch. What is
//! cleared, by taking the status or by a fault reset, and is so still, is caught again at once. Fault and warning are up
//! whenever one of the faults or warnings is that they stand for.

use stepchain::map::{BridgeState, Clearing, Flag, Holding, MotionState, Polarity, StatusBit, StatusLayout};

use crate::inject::Winding;

use super::axis::Axis;

/// The faults that end the motion of an axis and shut its bridge off.
pub(super) const FAULTS: [Flag; 4] = [Flag::Fault, Flag::Overcurrent, Flag::Undervoltage, Flag::Overtemperature];

#[derive(Clone, Debug)]
pub(super) struct Flags {
    layout: StatusLayout,
    /// One for each flag of the layout.
    latched: Vec<bool>,
    /// What was wrong with the last word.
    fate: Option<Flag>,
    obeyed: bool,
    conditions: Vec<(Flag, u8)>,
    /// Conditions that the device has found at its motors.
    noticed: Vec<(Flag, u8)>,
    watched_to_ns: u64,
}

impl Flags {
    pub(super) fn new(layout: StatusLayout, now_ns: u64) -> Self {
        let latched = vec![false; layout.flags.len()];
        let mut flags = Self {
            layout,
            latched,
            fate: None,
            obeyed: false,
            conditions: Vec::new(),
            noticed: Vec::new(),
            watched_to_ns: now_ns,
        };
        flags.latch_everywhere(Flag::ResetOccurred);
        flags
    }

    /// As after power-up; what comes from outside is as it was.
    pub(super) fn restart(&mut self, now_ns: u64) {
        let (conditions, noticed) = (std::mem::take(&mut self.conditions), std::mem::take(&mut self.noticed));
        *self = Self { conditions, noticed, ..Self::new(self.layout, now_ns) };
    }

    /// A word was obeyed.
    pub(super) fn word_is_fine(&mut self) {
        self.fate = None;
        self.obeyed = true;
    }

    /// Something was wrong with a word.
    pub(super) fn word_is_wrong(&mut self, flag: Flag, axis: u8) {
        self.fate = Some(flag);
        match flag {
            // A word that nobody understands is for no axis in particular.
            Flag::CommandUnknown | Flag::CrcMismatch => self.latch_everywhere(flag),
            _ => self.latch(flag, axis),
        }
    }

    /// Whether a condition holds, from outside or found at a motor.
    pub(super) fn holds(&self, flag: Flag, axis: u8) -> bool {
        self.lasting().any(|condition| condition == (flag, axis))
    }

    fn lasting(&self) -> impl Iterator<Item = (Flag, u8)> {
        self.conditions.iter().chain(&self.noticed).copied()
    }

    /// The device has looked at a motor: a condition holds there, or does not. Whether that is news.
    pub(super) fn notice(&mut self, flag: Flag, axis: u8, holds: bool) -> bool {
        let held = self.noticed.contains(&(flag, axis));
        if holds && !held {
            self.noticed.push((flag, axis));
            self.latch(flag, axis);
        } else if held && !holds {
            self.noticed.retain(|condition| *condition != (flag, axis));
        }
        held != holds
    }

    /// A condition from outside holds from now on, or no longer.
    pub(super) fn set_condition(&mut self, flag: Flag, axis: u8, holds: bool) {
        self.conditions.retain(|condition| *condition != (flag, axis));
        if holds {
            self.conditions.push((flag, axis));
            self.latch(flag, axis);
        }
    }

    /// What is remembered of a flag is this, whatever has happened.
    pub(super) fn assume(&mut self, bit: &StatusBit, is_raised: bool) {
        for (latched, other) in self.latched.iter_mut().zip(self.layout.flags) {
            if other.bit == bit.bit {
                *latched = is_raised;
            }
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
        self.clear(Clearing::TakeStatus);
    }

    /// Lets fall what a fault reset clears; levels that are up still are caught again by the next watch.
    pub(super) fn reset_faults(&mut self) {
        self.clear(Clearing::FaultReset);
    }

    fn clear(&mut self, clearing: Clearing) {
        for (latched, bit) in self.latched.iter_mut().zip(self.layout.flags) {
            *latched &= bit.holding != Holding::LatchedUntil(clearing);
        }
    }

    /// Whether a fault is shown for an axis.
    pub(super) fn is_faulted(&self, axis: u8) -> bool {
        self.has_fault(axis) || self.is_latched(Flag::Fault, axis)
    }

    /// Whether a fault lasts, or one that says more than just fault is latched.
    fn has_fault(&self, axis: u8) -> bool {
        FAULTS.into_iter().any(|fault| {
            let index = self.index_of(fault, axis);
            let lasts = self.lasting().any(|(condition, of_axis)| {
                condition == fault && (of_axis == axis || index.is_some() && self.index_of(fault, of_axis) == index)
            });
            lasts || fault != Flag::Fault && self.is_latched(fault, axis)
        })
    }

    /// A live bit remembers nothing, whatever was caught in its place.
    fn is_latched(&self, flag: Flag, axis: u8) -> bool {
        let bit = self.index_of(flag, axis).and_then(|index| self.layout.flags.get(index).zip(self.latched.get(index)));
        bit.is_some_and(|(bit, latched)| bit.holding != Holding::Live && *latched)
    }

    /// Which bit tells a flag of an axis: its own, else the first axis's, which is the device's where it has but one.
    fn index_of(&self, flag: Flag, axis: u8) -> Option<usize> {
        let of = |axis| self.layout.flags.iter().position(|bit| bit.flag == flag && bit.axis == axis);
        of(axis).or_else(|| of(0))
    }

    /// The status word.
    pub(super) fn word(&self, axes: &[Axis], now_ns: u64) -> u64 {
        let mut word = 0;
        let raised = self.raised(axes, now_ns);
        for (index, bit) in self.layout.flags.iter().enumerate() {
            let raised = raised >> index & 1 == 1;
            word |= u64::from(raised != (bit.polarity == Polarity::ActiveLow)) << bit.bit;
        }
        for state in self.layout.motion_states {
            let phase = axes.get(usize::from(state.axis)).map_or(MotionState::Standstill, |axis| axis.phase(now_ns));
            let [standstill, accelerating, constant, decelerating] = state.codes;
            let code = match phase {
                MotionState::Standstill => standstill,
                MotionState::Accelerating => accelerating,
                MotionState::ConstantVelocity => constant,
                MotionState::Decelerating => decelerating,
            };
            word |= u64::from(code) << state.field.lsb;
        }
        word
    }

    /// A one for each flag that is up, in the order of the map; a status word has no more than 64.
    pub(super) fn raised(&self, axes: &[Axis], now_ns: u64) -> u64 {
        let mut raised = 0;
        for (index, (bit, latched)) in self.layout.flags.iter().zip(&self.latched).enumerate() {
            let is_raised = match bit.holding {
                Holding::Live => self.is_up(bit, axes, now_ns),
                Holding::LatchedUntil(_) => *latched || is_level(bit.flag) && self.is_up(bit, axes, now_ns),
            };
            raised |= u64::from(is_raised) << index;
        }
        raised
    }

    fn watch_at(&mut self, axes: &[Axis], now_ns: u64) {
        for (index, bit) in self.layout.flags.iter().enumerate() {
            if is_level(bit.flag) && self.is_up(bit, axes, now_ns) {
                self.latched[index] = true;
            }
        }
    }

    /// Raises a flag's bit for an axis; the device's one bit where it has but one.
    pub(super) fn latch(&mut self, flag: Flag, axis: u8) {
        let own = |bit: &StatusBit| bit.flag == flag && bit.axis == axis;
        let has_own = self.layout.flags.iter().any(own);
        for (latched, bit) in self.latched.iter_mut().zip(self.layout.flags) {
            *latched |= own(bit) || !has_own && bit.flag == flag && bit.axis == 0;
        }
    }

    /// Raises every bit of a flag, whatever its axis: what has happened concerns the device as a whole.
    fn latch_everywhere(&mut self, flag: Flag) {
        for (latched, bit) in self.latched.iter_mut().zip(self.layout.flags) {
            *latched |= bit.flag == flag;
        }
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
            Flag::HomeSwitch | Flag::SwitchEvent => of_axis(&|axis| axis.is_switch_closed(now_ns)),
            Flag::StallA | Flag::StallB => {
                let winding = if bit.flag == Flag::StallA { Winding::A } else { Winding::B };
                self.holds(bit.flag, bit.axis) || of_axis(&|axis| axis.is_stalled_on(winding, now_ns))
            }
            Flag::Fault => self.has_fault(bit.axis),
            Flag::Warning => self.holds(Flag::Warning, bit.axis) || self.holds(Flag::OvertemperatureWarning, bit.axis),
            outside => {
                let own = self.index_of(outside, bit.axis);
                self.lasting().any(|(condition, axis)| condition == outside && self.index_of(outside, axis) == own)
            }
        }
    }
}

/// Whether the flag is up as long as something is so, and not only at an instant.
fn is_level(flag: Flag) -> bool {
    !matches!(
        flag,
        Flag::CommandRejected | Flag::CommandUnknown | Flag::CrcMismatch | Flag::ResetOccurred | Flag::SwitchEvent
    )
}
