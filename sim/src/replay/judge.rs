//! Finds out what a divergence means: each suspicion is tried on a branch of the twin.
//!
//! A branch begins some frames back, is done to what the suspicion says, and hears the same frames again. If it answers
//! as captured where the undisturbed twin did not, the suspicion explains it; and the fewer divergences it has in the
//! frames to come, the better. Of equally good ones the first in the order below is taken.
//!
//! The line as a whole is looked at before: levels that never change, bits that are all a clock off, a chain of another
//! length. One reading more or less of the same says nothing new and is not told again.

use stepchain::map::Flag;

use super::adopt::{is_live, is_of_motion};
use super::difference::{Difference, Side};
use super::twin::Disagreement;
use super::{AHEAD, Divergence, Edit, LineFault, Meaning, Replay, Step, TRIED, Twin};
use crate::capture::Frame;
use crate::decode::value_of;

/// Frames back at which a reset is suspected.
const RESETS: usize = 48;
/// Frames back after which a missed edge is suspected.
const EDGES: usize = 3;
/// The greatest number of bits of an answer that a disturbed line is taken to have turned over.
const FEW_BITS: u32 = 3;
/// The least number of changes of level in a frame that tells whether it is a clock off.
const TELLING_CHANGES: usize = 2;
/// By how much readings may differ that agree on a scale.
const SAME_SCALE: f64 = 0.02;

/// A branch that explains what was captured.
struct Explained {
    meaning: Meaning,
    edit: Option<Edit>,
    /// Divergences in the frames to come.
    later: usize,
}

/// The frames to come, if nothing is done.
struct Undisturbed {
    /// Answers of all devices.
    answers: u64,
    /// The device's further disagreements.
    readings: Vec<Disagreement>,
    /// Whether the same question is next answered as expected, if it is asked again.
    is_well_next: Option<bool>,
}

impl Replay {
    /// A frame without a divergence: whether the line is well again.
    pub(super) fn line_is_well(&mut self, step: &Step) {
        let heard = self.since.last().and_then(|frame| frame.miso.as_deref()).unwrap_or_default();
        if changes(heard) > 0 && changes(&step.expected) > 0 {
            self.line = None;
        }
    }

    /// Says what the disagreements of the last frame mean, and lets the twin go on as that says.
    pub(super) fn explain(&mut self, mut step: Step) {
        let Some(frame) = self.since.last().cloned() else { return };
        let Some(first) = step.disagreements.first().cloned() else { return };
        if self.base_is_start
            && let Some((twin, devices)) = self.other_length()
        {
            self.tell(&first, Meaning::ChainLength { devices });
            self.devices = devices;
            self.twin = Some(twin);
            return self.rebase();
        }
        if let Some(fault) = self.line_fault(&step.expected, &frame, &first) {
            if self.line.replace(fault) != Some(fault) {
                let meaning = match fault {
                    LineFault::Stuck(high) => Meaning::Stuck { high },
                    LineFault::Slip(is_late) => Meaning::Slip { is_late },
                };
                self.tell(&first, meaning);
            }
            if let LineFault::Stuck(_) = fault {
                self.try_without(&frame);
            }
            if let Some(twin) = &mut self.twin {
                twin.ears.iter_mut().for_each(super::ear::Ear::spoil);
            }
            return self.rebase();
        }
        self.line = None;
        let mut handled: Vec<usize> = Vec::new();
        while let Some(disagreement) =
            step.disagreements.iter().find(|disagreement| !handled.contains(&disagreement.device)).cloned()
        {
            handled.push(disagreement.device);
            let explained = self.explained(&disagreement);
            self.tell(&disagreement, explained.meaning.clone());
            match (explained.edit, explained.meaning) {
                (Some(edit), _) => {
                    // What one cause has done to other devices is explained with it.
                    if let Some((twin, again)) = self.branch(&edit, None) {
                        self.twin = Some(twin);
                        self.edits.push(edit);
                        step = again;
                    }
                }
                (None, Meaning::ReadBits { .. }) => {}
                (None, meaning) => {
                    if let Some(twin) = &mut self.twin {
                        if matches!(meaning, Meaning::Scale { .. }) {
                            axes_of(&disagreement).for_each(|axis| twin.mute(disagreement.device, axis));
                        } else {
                            twin.give_in(&disagreement);
                        }
                    }
                }
            }
        }
        self.rebase();
    }

    /// What is wrong with the line as a whole, if that is what the frames to come say, too.
    fn line_fault(&self, expected: &[bool], frame: &Frame, first: &Disagreement) -> Option<LineFault> {
        let fault = fault_of(expected, frame.miso.as_deref().unwrap_or_default())?;
        if self.line == Some(fault) {
            return Some(fault);
        }
        let mut twin = self.twin.clone()?;
        let (mut alike, mut well) = (0, 0);
        for frame in self.ahead.iter().filter(|frame| frame.complete) {
            let step = twin.step(frame, &self.edits);
            let heard = frame.miso.as_deref().unwrap_or_default();
            if changes(&step.expected) < TELLING_CHANGES && changes(heard) < TELLING_CHANGES && step.expected == heard {
                continue;
            }
            match fault_of(&step.expected, heard) {
                Some(other) if other == fault => alike += 1,
                _ => well += 1,
            }
        }
        match fault {
            LineFault::Slip(_) => (alike > 0 && alike > well).then_some(fault),
            // A device may have nothing but zeros to say; only then is there another reason.
            LineFault::Stuck(_) if alike > 0 => Some(fault),
            LineFault::Stuck(_) => {
                let explained = self.explained(first);
                (explained.edit.is_none() || explained.later > 0).then_some(fault)
            }
        }
    }

    /// Lets the twin go on as if nobody had been selected in the last frame, if that is how the devices go on.
    fn try_without(&mut self, frame: &Frame) {
        let Some(mut with) = self.twin.clone() else { return };
        let edit = Edit::Skip { frame: frame.number };
        let Some((twin, _)) = self.branch(&edit, None) else { return };
        let skipped = divergences_ahead(&mut twin.clone(), &self.ahead, &self.edits, None);
        if skipped < divergences_ahead(&mut with, &self.ahead, &self.edits, None) {
            self.twin = Some(twin);
        }
    }

    fn tell(&mut self, disagreement: &Disagreement, meaning: Meaning) {
        let Disagreement { device, frame, time_ns, question, differences, expected, captured, .. } = disagreement;
        self.counts.divergences += 1;
        let hex = |units: &[u64]| units.iter().map(|unit| format!("{unit:#x}")).collect::<Vec<_>>().join(" ");
        let is_readable = !differences.iter().any(|it| matches!(it, Difference::Form | Difference::Check));
        let side = |is_captured, units: &[u64]| match is_readable || units.is_empty() {
            true => Side { differences, is_captured }.to_string(),
            false => hex(units),
        };
        self.out.push_back(Divergence {
            time_ns: *time_ns,
            frame: *frame,
            device: *device,
            question: question.clone(),
            expected: side(false, expected),
            captured: side(true, captured),
            units: (expected.clone(), captured.clone()),
            meaning,
        });
    }

    fn explained(&self, disagreement: &Disagreement) -> Explained {
        let device = disagreement.device;
        let Undisturbed { answers, readings, is_well_next } = self.undisturbed(disagreement);
        let later = readings.len();
        let is_transient = is_well_next.unwrap_or(later == 0 && answers > 0);
        let bits: u32 = disagreement
            .expected
            .iter()
            .zip(&disagreement.captured)
            .map(|(one, other)| (one ^ other).count_ones())
            .sum();
        let is_checked = disagreement.differences.contains(&Difference::Check);
        let disturbed = || Explained { meaning: Meaning::ReadBits { bits, is_checked }, edit: None, later: 0 };
        if is_checked {
            return disturbed();
        }
        let mut best: Option<Explained> = None;
        if self.counts.divergences < TRIED {
            for (edit, meaning) in self.suspicions(disagreement, bits) {
                if best.as_ref().is_some_and(|best| best.later == 0) {
                    break;
                }
                let Some(edit) = edit else {
                    if is_transient {
                        best = Some(disturbed());
                    }
                    continue;
                };
                let Some((mut twin, _)) = self.branch(&edit, Some(disagreement)) else { continue };
                let worse = best.as_ref().map_or(later.max(1), |best| best.later);
                let edits: Vec<_> = self.edits.iter().cloned().chain([edit.clone()]).collect();
                let concerned = (!matches!(edit, Edit::Merge { .. })).then_some(device);
                let later = divergences_ahead(&mut twin, &self.ahead, &edits, concerned);
                if best.is_none() && later <= worse || later < worse {
                    best = Some(Explained { meaning, edit: Some(edit), later });
                }
            }
        }
        if let Some(best) = best.filter(|best| best.later <= later) {
            return best;
        }
        if is_transient && bits > 0 && bits <= FEW_BITS {
            return disturbed();
        }
        let meaning = self.scale(disagreement, &readings).unwrap_or_else(|| meaning_of(&disagreement.differences));
        Explained { meaning, edit: None, later }
    }

    /// What may have happened, the most telling first; no edit stands for bits that were disturbed on miso.
    fn suspicions(&self, disagreement: &Disagreement, bits: u32) -> Vec<(Option<Edit>, Meaning)> {
        let Some(twin) = &self.twin else { return Vec::new() };
        let device = disagreement.device;
        let mut found = Vec::new();
        let raised = |flag: Flag| {
            let is_raised =
                |it: &Difference| matches!(it, Difference::Flag { bit, captured: true } if bit.flag == flag);
            disagreement.differences.iter().any(is_raised)
        };
        let frames = || self.since.iter().rev();
        for frame in frames().skip(1).take(EDGES) {
            found.push((Some(Edit::Merge { frame: frame.number }), Meaning::MissedEdge { frame: frame.number }));
        }
        let tells_reset = raised(Flag::ResetOccurred);
        // What one bit says is believed at once only where it is the bit that is there to say it.
        let is_disturbed = bits <= 1 && !tells_reset && !raised(Flag::CommandRejected) && !raised(Flag::CommandUnknown);
        if is_disturbed {
            found.push((None, Meaning::Unexplained));
        }
        let mut later_ns = self.since.last().map_or(0, |frame| frame.start_ns);
        let mut resets = Vec::new();
        for frame in frames().take(RESETS) {
            let before = self.since.iter().rev().find(|other| other.number < frame.number);
            let after_ns = before.map_or(later_ns, |before| before.end_ns);
            later_ns = frame.start_ns;
            resets.push((Some(Edit::Restart { device, frame: frame.number }), Meaning::Reset { after_ns }));
        }
        let first = self.since.first().map_or(0, |frame| frame.number);
        let words: Vec<_> =
            twin.ears[device].words.iter().rev().filter(|word| word.frames.0 >= first).cloned().collect();
        let deaf = |refused: bool, found: &mut Vec<(Option<Edit>, Meaning)>| {
            for word in words.iter().filter(|word| word.is_command) {
                let (text, frame) = (word.text.clone(), word.frames.1);
                let meaning = match refused {
                    true => Meaning::Refused { word: text, frame },
                    false => Meaning::Unheard { word: text, frame },
                };
                found.push((Some(Edit::Deaf { device, frames: word.frames, refused }), meaning));
            }
        };
        if raised(Flag::CommandRejected) {
            deaf(true, &mut found);
        }
        if tells_reset {
            found.append(&mut resets);
        }
        if raised(Flag::CrcMismatch) {
            // Any bit makes a check wrong, of filler too, so that it cannot be told which it was.
            for frame in frames().take(EDGES) {
                let word = words.iter().find(|word| (word.frames.0..=word.frames.1).contains(&frame.number));
                let word = word.map_or("filler", |word| word.text.as_str()).to_owned();
                let meaning = Meaning::Garbled { flag: Flag::CrcMismatch, sent: Some((word, frame.number)) };
                found.push((Some(Edit::Flip { device, frame: frame.number, bit: 0 }), meaning));
            }
        }
        deaf(false, &mut found);
        found.append(&mut resets);
        let unit = usize::from(twin.layout().wire.unit_bits);
        for word in &words {
            for frame in word.frames.0..=word.frames.1 {
                for bit in 0..unit {
                    let meaning = Meaning::SentBit { word: word.text.clone(), frame, bit };
                    found.push((Some(Edit::Flip { device, frame, bit }), meaning));
                }
            }
        }
        found
    }

    /// How the twin fares in the frames to come if nothing is done.
    fn undisturbed(&self, disagreement: &Disagreement) -> Undisturbed {
        let mut found = Undisturbed { answers: 0, readings: Vec::new(), is_well_next: None };
        let Some(mut twin) = self.twin.clone() else { return found };
        for frame in self.ahead.iter().take(AHEAD).filter(|frame| frame.complete) {
            let step = twin.step(frame, &self.edits);
            found.answers += step.answers;
            if step.agreed.contains(&disagreement.key) {
                found.is_well_next.get_or_insert(true);
            }
            for other in step.disagreements.into_iter().filter(|it| it.device == disagreement.device) {
                if other.key == disagreement.key {
                    found.is_well_next.get_or_insert(false);
                }
                found.readings.push(other);
            }
        }
        found
    }

    /// The twin after the last frame, had this happened; `None` if that does not explain the disagreement.
    fn branch(&self, edit: &Edit, explains: Option<&Disagreement>) -> Option<(Twin, Step)> {
        let mut twin = self.base.clone()?;
        let edits: Vec<_> = self.edits.iter().cloned().chain([edit.clone()]).collect();
        let mut last = Step::default();
        for (place, frame) in self.since.iter().enumerate() {
            last = twin.step(frame, &edits);
            let Some(disagreement) = explains else { continue };
            let device = disagreement.device;
            let concerns_all = matches!(edit, Edit::Merge { .. });
            if last.disagreements.iter().any(|it| concerns_all || it.device == device) {
                return None;
            }
            // What is taken over because it is not known explains nothing.
            let is_named = |it: &&(usize, Difference)| {
                it.0 == device && disagreement.differences.iter().any(|other| other.name() == it.1.name())
            };
            if place + 1 == self.since.len() && last.taken_over.iter().any(|it| is_named(&it)) {
                return None;
            }
        }
        Some((twin, last))
    }

    /// A chain of another length that has answered as captured from the first frame on.
    fn other_length(&self) -> Option<(Twin, usize)> {
        let first = self.since.first()?;
        for devices in (1..=self.devices + 2).filter(|devices| *devices != self.devices) {
            let Some(mut twin) = self.fresh(devices, first.start_ns, self.from_power_up) else { continue };
            let mut after = None;
            let (mut agreeing, mut all) = (0, 0);
            for (place, frame) in self.since.iter().chain(self.ahead.iter().filter(|frame| frame.complete)).enumerate()
            {
                let step = twin.step(frame, &[]);
                let is_same = frame.miso.as_ref() == Some(&step.expected);
                all += 1;
                agreeing += usize::from(if devices > self.devices { is_same } else { step.disagreements.is_empty() });
                if place + 1 == self.since.len() {
                    after = Some(twin.clone());
                }
            }
            // The wrong length has diverged in one of them at least.
            if agreeing == all && all > 1 {
                return after.map(|twin| (twin, devices));
            }
        }
        None
    }

    /// A factor on which all readings of an axis agree.
    fn scale(&self, disagreement: &Disagreement, readings: &[Disagreement]) -> Option<Meaning> {
        let twin = self.twin.as_ref()?;
        let ratios: Vec<f64> =
            std::iter::once(disagreement).chain(readings).filter_map(|reading| ratio(twin, reading)).collect();
        let first = *ratios.first()?;
        let agree = ratios.iter().all(|ratio| (ratio / first - 1.0).abs() <= SAME_SCALE);
        let is_other = (first - 1.0).abs() > SAME_SCALE;
        (ratios.len() >= 2 && agree && is_other).then_some(Meaning::Scale { ratio: first, readings: ratios.len() })
    }
}

fn divergences_ahead(
    twin: &mut Twin,
    ahead: &std::collections::VecDeque<Frame>,
    edits: &[Edit],
    device: Option<usize>,
) -> usize {
    let mut found = 0;
    for frame in ahead.iter().take(AHEAD).filter(|frame| frame.complete) {
        let step = twin.step(frame, edits);
        found += step.disagreements.iter().filter(|it| device.is_none_or(|device| it.device == device)).count();
    }
    found
}

/// Captured over expected, where an answer tells a velocity, or how far a motion has come.
fn ratio(twin: &Twin, reading: &Disagreement) -> Option<f64> {
    reading.differences.iter().find_map(|difference| {
        let Difference::Register { register, expected, captured } = difference else { return None };
        let [wanted, got] = [expected, captured].map(|code| value_of(*code, &register.coding));
        let (wanted, got) = wanted.zip(got)?;
        match register.parameter {
            stepchain::map::Parameter::VelocityDemandValue => (wanted.abs() > 0.0).then(|| got / wanted),
            stepchain::map::Parameter::PositionDemandValue => {
                let (device, axis) = (reading.device, register.axis);
                let begun_ns = twin.commanded(device, axis);
                let history = twin.chain.history(device, axis.into());
                let far = history.demand(reading.asked_ns).position - history.demand(begun_ns).position;
                (far.abs() >= 16).then(|| (far as f64 + got - wanted) / far as f64)
            }
            _ => None,
        }
    })
}

/// What differs, where nothing explains why.
fn meaning_of(differences: &[Difference]) -> Meaning {
    let is_condition = |flag: Flag| {
        matches!(
            flag,
            Flag::Fault
                | Flag::Warning
                | Flag::Overcurrent
                | Flag::Undervoltage
                | Flag::OvertemperatureWarning
                | Flag::Overtemperature
                | Flag::StallA
                | Flag::StallB
                | Flag::HomeSwitch
                | Flag::SwitchEvent
        )
    };
    for difference in differences {
        match difference {
            Difference::Flag { bit, captured: true }
                if matches!(bit.flag, Flag::CrcMismatch | Flag::CommandUnknown) =>
            {
                return Meaning::Garbled { flag: bit.flag, sent: None };
            }
            Difference::Flag { bit, .. } if is_condition(bit.flag) => return Meaning::Condition { flag: bit.flag },
            Difference::Flag { bit, .. } if is_of_motion(bit.flag) => return Meaning::Motion,
            Difference::State { .. } => return Meaning::Motion,
            Difference::Register { register, .. } if is_live(register.parameter) => return Meaning::Motion,
            Difference::Register { .. } => return Meaning::Held,
            _ => {}
        }
    }
    Meaning::Unexplained
}

fn axes_of(disagreement: &Disagreement) -> impl Iterator<Item = u8> {
    disagreement.differences.iter().filter_map(|difference| match difference {
        Difference::State { axis, .. } => Some(*axis),
        Difference::Flag { bit, .. } => Some(bit.axis),
        Difference::Register { register, .. } => Some(register.axis),
        _ => None,
    })
}

fn changes(bits: &[bool]) -> usize {
    bits.windows(2).filter(|pair| pair[0] != pair[1]).count()
}

/// What is wrong with the whole line in a frame, if anything is.
fn fault_of(expected: &[bool], heard: &[bool]) -> Option<LineFault> {
    if expected.len() != heard.len() || heard.len() < 8 || expected == heard {
        return None;
    }
    if changes(heard) == 0 {
        return Some(LineFault::Stuck(heard[0]));
    }
    if changes(expected) < TELLING_CHANGES {
        return None;
    }
    let last = heard.len() - 1;
    if heard[1..] == expected[..last] {
        return Some(LineFault::Slip(true));
    }
    (heard[..last] == expected[1..]).then_some(LineFault::Slip(false))
}
