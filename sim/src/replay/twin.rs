//! The virtual chain beside the captured one: driven by the same bits at the same instants, and asked what it answers.
//!
//! ```text
//!   frame --> Select, Bits --> bits expected on miso --[Ear]--> answers --> differences --> what counts
//!                                                                             `--> what is not known is taken over
//!         --> Deselect at the instant of the captured latch
//! ```
//!
//! An [`Edit`] makes it do what a fault would have made the real chain do: that is how a suspicion is tried.

use std::sync::Arc;

use stepchain::map::{BitOrder, Layout, SpareClocks};

use super::difference::{Difference, differences};
use super::ear::{Awaited, Ear};
use super::known::{Known, Rules};
use crate::capture::{Frame, unit_of};
use crate::chain::VirtualChain;
use crate::clock::bits_ns;
use crate::decode::{Answer, Dictionary};
use crate::device::EventKind;
use crate::wire::BusEvent;

/// Something that a fault would have done.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Edit {
    /// The device starts anew just before this frame.
    Restart { device: usize, frame: u64 },
    /// The device hears filler in place of its units of these frames; where a flag is given, it tells a refusal by it.
    Deaf { device: usize, frames: (u64, u64), refused: bool },
    /// The device hears a bit of its unit of this frame the other way; bit 0 is first on the wire.
    Flip { device: usize, frame: u64, bit: usize },
    /// Nobody sees chip select rise after this frame.
    Merge { frame: u64 },
    /// Nobody is selected in this frame.
    Skip { frame: u64 },
}

/// Which answer it is: the device, the register spoken of, and the place of the form in the map.
pub(super) type Key = (usize, u16, usize);

/// Where an answer is not as expected.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Disagreement {
    pub(super) device: usize,
    pub(super) key: Key,
    pub(super) frame: u64,
    pub(super) time_ns: i64,
    pub(super) question: String,
    pub(super) differences: Vec<Difference>,
    pub(super) expected: Vec<u64>,
    pub(super) captured: Vec<u64>,
    pub(super) asked_ns: u64,
    pub(super) status: Option<(u64, u64)>,
    pub(super) content: Option<(u16, u32)>,
}

/// What a frame has brought.
#[derive(Clone, Debug, Default)]
pub(super) struct Step {
    pub(super) disagreements: Vec<Disagreement>,
    /// Whole answers, and those of them in which something was taken over.
    pub(super) answers: u64,
    /// The answers that agree.
    pub(super) agreed: Vec<Key>,
    pub(super) taken_over: Vec<(usize, Difference)>,
    /// The bits that the virtual chain gave on miso.
    pub(super) expected: Vec<bool>,
}

/// How exact the time of the recording is taken to be.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Slack {
    pub(super) time_ns: u64,
    /// The share by which a device's own clock may be off.
    pub(super) clock: f64,
}

/// A virtual chain that follows a recording.
#[derive(Debug)]
pub(super) struct Twin {
    pub(super) chain: VirtualChain,
    pub(super) dictionary: Arc<Dictionary>,
    rules: Arc<Rules>,
    pub(super) slack: Slack,
    pub(super) ears: Vec<Ear>,
    pub(super) known: Vec<Known>,
    /// Virtual time of the last motion command, obeyed or not, by device and axis.
    commanded_ns: Vec<Vec<u64>>,
    origin_ns: i64,
    /// Chip select has not risen for the chain.
    is_merged: bool,
    clocks: usize,
    /// Units at the beginning that are the rest of a word of before, by device: the device hears filler.
    stray: Vec<usize>,
}

impl Clone for Twin {
    fn clone(&self) -> Self {
        Self {
            chain: self.chain.fork(),
            dictionary: Arc::clone(&self.dictionary),
            rules: Arc::clone(&self.rules),
            slack: self.slack,
            ears: self.ears.clone(),
            known: self.known.clone(),
            commanded_ns: self.commanded_ns.clone(),
            origin_ns: self.origin_ns,
            is_merged: self.is_merged,
            clocks: self.clocks,
            stray: self.stray.clone(),
        }
    }
}

/// Virtual time before the first frame.
const LEAD_NS: i64 = 1_000_000;

impl Twin {
    /// A twin of a chain whose first frame begins at `first_ns` of the recording.
    pub(super) fn new(
        chain: VirtualChain,
        dictionary: Arc<Dictionary>,
        rules: Arc<Rules>,
        slack: Slack,
        first_ns: i64,
        from_power_up: bool,
    ) -> Self {
        let devices = chain.devices();
        let axes = dictionary.layout().axes;
        let known = if from_power_up { Known::power_up(&dictionary) } else { Known::nothing(&dictionary) };
        chain.forget_events();
        Self {
            chain,
            rules,
            slack,
            ears: vec![Ear::default(); devices],
            known: vec![known; devices],
            commanded_ns: vec![vec![0; usize::from(axes)]; devices],
            origin_ns: first_ns.saturating_sub(LEAD_NS),
            dictionary,
            is_merged: false,
            clocks: 0,
            stray: vec![0; devices],
        }
    }

    /// The recording began amid a conversation: so many units are the rest of a word of before, by device.
    pub(super) fn begin_amid(&mut self, stray: &[usize]) {
        for (device, &count) in stray.iter().enumerate().take(self.devices()) {
            self.stray[device] = count;
            self.ears[device] = Ear::amid(&self.dictionary, count);
        }
    }

    pub(super) fn layout(&self) -> &'static Layout {
        self.dictionary.layout()
    }

    pub(super) fn devices(&self) -> usize {
        self.ears.len()
    }

    fn unit_bits(&self) -> usize {
        usize::from(self.layout().wire.unit_bits)
    }

    /// The recording's time at an instant of virtual time.
    pub(super) fn recorded_ns(&self, virtual_ns: u64) -> i64 {
        self.origin_ns.saturating_add(i64::try_from(virtual_ns).unwrap_or(i64::MAX))
    }

    fn advance_to(&self, recorded_ns: i64) {
        let now_ns = u64::try_from(recorded_ns.saturating_sub(self.origin_ns)).unwrap_or(0);
        self.chain.advance_ns(now_ns.saturating_sub(self.chain.now_ns()));
    }

    /// Takes a frame in. What counts as a disagreement is not adopted.
    pub(super) fn step(&mut self, frame: &Frame, edits: &[Edit]) -> Step {
        self.advance_to(frame.start_ns);
        for edit in edits {
            if let Edit::Restart { device, frame: number } = *edit
                && number == frame.number
            {
                self.restart(device);
            }
        }
        if edits.contains(&Edit::Skip { frame: frame.number }) {
            return Step::default();
        }
        let sent = self.sent(frame, edits);
        let heard = frame.miso.as_deref().unwrap_or_default();
        let loaded = self.loaded(sent.len());
        if !self.is_merged {
            self.chain.drive(BusEvent::Select);
            self.clocks = 0;
        }
        let expected = self.chain.drive(BusEvent::Bits(&sent));
        self.clocks += sent.len();
        let mut step = Step::default();
        self.compare(frame, &expected, heard, &mut step);
        step.expected = expected;
        self.is_merged = edits.contains(&Edit::Merge { frame: frame.number });
        if !self.is_merged {
            self.latch(frame, &loaded, &sent, edits);
        }
        step
    }

    /// What the controller sent, as the devices hear it.
    fn sent(&mut self, frame: &Frame, edits: &[Edit]) -> Vec<bool> {
        let mut sent = frame.mosi.clone().unwrap_or_default();
        let unit = self.unit_bits();
        let places = |device: usize, length: usize| {
            let first = length.checked_sub((device + 1) * unit)?;
            Some(first..first + unit)
        };
        let filler = self.filler();
        for (device, stray) in self.stray.iter_mut().enumerate().filter(|(_, stray)| **stray > 0) {
            *stray -= 1;
            if let Some(bits) = places(device, sent.len()).and_then(|places| sent.get_mut(places)) {
                bits.copy_from_slice(&filler);
            }
        }
        for edit in edits {
            match *edit {
                Edit::Deaf { device, frames: (first, last), .. } if (first..=last).contains(&frame.number) => {
                    if let Some(bits) = places(device, sent.len()).and_then(|places| sent.get_mut(places)) {
                        bits.copy_from_slice(&filler);
                    }
                }
                Edit::Flip { device, frame: number, bit } if number == frame.number => {
                    if let Some(bits) = places(device, sent.len()).and_then(|places| sent.get_mut(places))
                        && let Some(bit) = bits.get_mut(bit)
                    {
                        *bit = !*bit;
                    }
                }
                _ => {}
            }
        }
        sent
    }

    /// The filler in the order of the wire.
    fn filler(&self) -> Vec<bool> {
        let wire = &self.layout().wire;
        let unit = self.dictionary.reply(wire.filler, &Answer::default()).first().copied().unwrap_or(0);
        bits_of_unit(unit, wire.unit_bits, wire.bit_order)
    }

    /// What stands in the shift registers, if so many clocks are too few to bring it all out.
    fn loaded(&self, clocks: usize) -> Vec<bool> {
        let all = self.devices() * self.unit_bits();
        if self.clocks.saturating_mul(usize::from(self.is_merged)) + clocks >= all {
            return Vec::new();
        }
        let fork = self.chain.fork();
        fork.drive(BusEvent::Select);
        fork.drive(BusEvent::Bits(&vec![false; all]))
    }

    fn compare(&mut self, frame: &Frame, expected: &[bool], heard: &[bool], step: &mut Step) {
        let (unit, devices) = (self.unit_bits(), self.devices());
        let order = self.layout().wire.bit_order;
        if expected.len() < unit * devices || heard.len() < unit * devices {
            self.ears.iter_mut().for_each(Ear::miss);
            return;
        }
        let echo = unit * devices..expected.len().min(heard.len());
        if expected.get(echo.clone()) != heard.get(echo) {
            // The far end of what was sent: it belongs to the chain as a whole.
            step.disagreements.push(Disagreement {
                device: devices - 1,
                key: (devices - 1, 0, 0),
                frame: frame.number,
                time_ns: frame.start_ns,
                question: "more bits than the chain has".to_owned(),
                differences: vec![Difference::Form],
                expected: Vec::new(),
                captured: Vec::new(),
                asked_ns: self.chain.now_ns(),
                status: None,
                content: None,
            });
        }
        for device in 0..devices {
            let first = (devices - 1 - device) * unit;
            let [wanted, got] =
                [expected, heard].map(|bits| unit_of(bits.get(first..first + unit).unwrap_or_default(), order));
            let dictionary = Arc::clone(&self.dictionary);
            let Some(answer) = self.ears[device].hear(&dictionary, wanted, got, (frame.number, frame.start_ns)) else {
                continue;
            };
            step.answers += 1;
            self.settle(device, answer, step);
        }
    }

    /// Compares an answer, and takes over what was not known.
    fn settle(&mut self, device: usize, answer: Awaited, step: &mut Step) {
        let Awaited { pieces, address, expected, captured, asked_ns, .. } = &answer;
        let key = (device, *address, pieces.as_ptr().addr());
        let found = differences(&self.dictionary, pieces, *address, expected, captured);
        let is_believable = !found.iter().any(|it| matches!(it, Difference::Form | Difference::Check));
        let counting: Vec<_> = found.iter().copied().filter(|it| self.counts(device, it, *asked_ns)).collect();
        let heard = self.dictionary.hear(pieces, *address, captured);
        let status = (heard.status_mask != 0).then_some((heard.answer.status, heard.status_mask));
        let content = heard.has_content.then_some((*address, heard.answer.content));
        if counting.is_empty() && is_believable {
            for difference in &found {
                self.adopt(device, difference, status, content);
                step.taken_over.push((device, *difference));
            }
            self.learn(device, status, content, *asked_ns);
            step.agreed.push(key);
            return;
        }
        let (frame, time_ns) = answer.first_unlike.unwrap_or_default();
        step.disagreements.push(Disagreement {
            device,
            key,
            frame,
            time_ns,
            question: answer.question,
            // Of an answer that cannot be believed all is told, whether or not it was known.
            differences: if is_believable { counting } else { found },
            expected: answer.expected,
            captured: answer.captured,
            asked_ns: answer.asked_ns,
            status,
            content,
        });
    }

    fn counts(&self, device: usize, difference: &Difference, asked_ns: u64) -> bool {
        let Some(known) = self.known.get(device) else { return false };
        known.counts(difference, &self.rules, device, &self.dictionary)
            && !self.is_within_slack(device, difference, asked_ns)
    }

    fn restart(&mut self, device: usize) {
        if device >= self.devices() {
            return;
        }
        self.chain.reset_node(device);
        self.ears[device].forget();
        self.known[device] = Known::power_up(&self.dictionary);
        self.commanded_ns[device].fill(self.chain.now_ns());
        self.chain.forget_events();
    }

    /// Chip select rises, as captured.
    fn latch(&mut self, frame: &Frame, loaded: &[bool], sent: &[bool], edits: &[Edit]) {
        let wire = self.layout().wire;
        let latch_ns = if frame.end_ns > frame.start_ns {
            frame.end_ns
        } else {
            // The recording tells no end: as fast as the map allows.
            let bits = u64::try_from(sent.len()).unwrap_or(0);
            frame.start_ns.saturating_add(i64::try_from(bits_ns(bits, wire.max_clock_hz)).unwrap_or(0))
        };
        self.advance_to(latch_ns);
        let mark = self.chain.event_count();
        self.chain.drive(BusEvent::Deselect);
        let now_ns = self.chain.now_ns();
        let (unit, devices) = (self.unit_bits(), self.devices());
        if wire.spare_clocks == SpareClocks::Refused && self.clocks != unit * devices {
            self.ears.iter_mut().for_each(Ear::forget);
            self.known.iter_mut().for_each(Known::told);
        } else {
            let held: Vec<bool> = loaded.iter().chain(sent).copied().collect();
            let first = held.len().saturating_sub(unit * devices);
            let held = &held[first..];
            for device in 0..devices {
                let place = (devices - 1 - device) * unit;
                let bits = held.get(place..place + unit).unwrap_or_default();
                let dictionary = Arc::clone(&self.dictionary);
                let is_refused = |edit: &&Edit| {
                    matches!(**edit, Edit::Deaf { device: of, frames: (first, last), refused: true }
                        if of == device && (first..=last).contains(&frame.number))
                };
                let is_refused = edits.iter().any(|edit| is_refused(&edit));
                // What is refused was heard, and is answered somehow.
                let original = frame.mosi.as_deref().and_then(|bits| {
                    let first = bits.len().checked_sub((device + 1) * unit)?;
                    bits.get(first..first + unit)
                });
                let bits = original.filter(|_| is_refused).unwrap_or(bits);
                let word = unit_of(bits, wire.bit_order);
                if self.ears[device].say(&dictionary, word, frame.number, now_ns).is_some() {
                    self.known[device].told();
                    if is_refused {
                        self.ears[device].spoil();
                    }
                }
            }
        }
        for event in self.chain.events_since(mark) {
            let Some(device) = event.device.filter(|device| *device < devices) else { continue };
            self.known[device].learn(&event.kind, &self.dictionary, &self.rules, device);
            // What was refused here may have been obeyed there.
            if let EventKind::CommandAccepted { verb, axis, .. } | EventKind::CommandRejected { verb, axis, .. } =
                event.kind
                && (verb.is_motion() || matches!(verb, stepchain::map::Verb::Stop(..)))
                && let Some(commanded_ns) = self.commanded_ns[device].get_mut(usize::from(axis))
            {
                *commanded_ns = event.time_ns;
            }
        }
        self.chain.forget_events();
        for edit in edits {
            if let Edit::Deaf { device, frames: (_, last), refused: true } = *edit
                && last == frame.number
            {
                self.refuse(device);
            }
        }
    }

    /// Virtual time of an axis' last motion command.
    pub(super) fn commanded(&self, device: usize, axis: u8) -> u64 {
        self.commanded_ns[device].get(usize::from(axis)).copied().unwrap_or(0)
    }
}

fn bits_of_unit(unit: u64, width: u8, order: BitOrder) -> Vec<bool> {
    let bit = |weight: u8| unit >> weight & 1 == 1;
    match order {
        BitOrder::MsbFirst => (0..width).rev().map(bit).collect(),
        BitOrder::LsbFirst => (0..width).map(bit).collect(),
    }
}
