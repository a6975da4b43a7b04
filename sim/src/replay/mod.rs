//! Compares a recording with what a virtual chain would have answered, and says where and why the real one differs.
//!
//! ```text
//!   Frame  ->  Twin: a virtual chain, driven by the same bits at the same instants     twin, ear
//!      v
//!   answers that differ, but for what a replay cannot know                             difference, known
//!      v
//!   suspicions: reset, refusal, lost word, flipped bit, missed edge, ... each tried    judge
//!      v     on a branch of the twin, a little back and a little ahead in the recording
//!   Divergence, and a twin that goes on as the suspicion says: one cause, one report   meaning
//! ```
//!
//! What a replay cannot know is taken over from the recording and does not count: [`known`](self#what-is-not-compared).
//!
//! # What is not compared
//!
//! * Measured values: supply voltage, device temperature, position actual value, read-only registers of the map's own.
//! * Conditions from outside: home switch (unless [`Options::switches`] gives it), stalls, current, supply, heat, fault,
//!   warning; with [`Options::strict`] each one is a divergence.
//! * What was before the recording began, unless [`Options::from_power_up`]: registers and latched flags until they are
//!   first written, read or reset, which is how they become known; the position until it is first read or made zero; and all motion
//!   of an axis until it was seen to stand with every register of its ramps known.
//! * Names in [`Options::ignore`], of flags and registers.
//! * Differences in what moves that are within [`Options::time_tolerance_ns`] and [`Options::clock_tolerance`].
//!
//! ```no_run
//! use stepchain::{map::RegisterMap, reference::Latched};
//! use stepchain_sim::replay::{self, Options};
//!
//! // A regression test: the capture was made when all was well.
//! let options = Options { devices: Some(2), ..Options::default() };
//! replay::check("tests/bench-2.csv".as_ref(), &Latched::LAYOUT, &options)?.assert_agrees();
//! # Ok::<(), replay::Error>(())
//! ```
//!
//! Reads no file but by [`capture`], and knows no text but one line for each divergence.

mod adopt;
mod difference;
mod ear;
mod error;
mod judge;
mod known;
mod meaning;
mod outcome;
#[cfg(test)]
mod tests;
mod twin;

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::sync::Arc;

use stepchain::map::Layout;

use crate::capture::{self, Frame};
use crate::chain::VirtualChain;
use crate::decode::Dictionary;
use crate::device::{MotorSetup, Switch};

pub use difference::Difference;
pub use error::Error;
pub use meaning::Meaning;
pub use outcome::{Divergence, Outcome, check};

pub(crate) use outcome::has_both_lines;

use known::Rules;
use twin::{Edit, Slack, Step, Twin};

/// Frames that the replay looks ahead before it says what a divergence means.
pub const AHEAD: usize = 24;
/// Frames that it looks back at least, where there are so many and none of them diverged.
pub const BACK: usize = 32;
/// Between two samples of a motor, in nanoseconds.
const MOTOR_NS: u64 = 1_000_000;
/// Divergences whose meaning is looked for by trial; of later ones only what differs is told.
pub const TRIED: u64 = 64;

/// How a recording is compared.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Options {
    /// How the recording is read.
    pub capture: capture::Options,
    /// Devices in the chain; as most frames have room for if `None`.
    pub devices: Option<usize>,
    /// Whether the recording begins with devices that have just been powered up: then everything is known from the start.
    pub from_power_up: bool,
    /// Names of flags and registers that are not compared.
    pub ignore: Vec<String>,
    /// Whether conditions from outside are divergences.
    pub strict: bool,
    /// Home switches that the machine has: device, axis, and where it is closed, from where the rotor was as the recording
    /// began.
    pub switches: Vec<(usize, usize, Switch)>,
    /// Motors for the virtual chain: device, axis, and what is on its shaft. What such a motor does can be asked of the
    /// [chain](Replay::chain); its device sees its currents, so that it may stall or trip where the captured one did not.
    pub motors: Vec<(usize, usize, MotorSetup)>,
    /// By how much the instant of a latch may be off, in nanoseconds; [`Options::TIME_TOLERANCE_NS`] if `None`.
    pub time_tolerance_ns: Option<u64>,
    /// The share by which the devices' own clocks may be off.
    pub clock_tolerance: f64,
}

impl Options {
    /// How exact instants are taken to be unless said otherwise, in nanoseconds: what sampling at a few megahertz leaves
    /// open.
    pub const TIME_TOLERANCE_NS: u64 = 1_000;

    fn rules(&self) -> Rules {
        let narrow = |axis: usize| u8::try_from(axis).unwrap_or(u8::MAX);
        Rules {
            ignored: self.ignore.clone(),
            strict: self.strict,
            switches: self.switches.iter().map(|&(device, axis, _)| (device, narrow(axis))).collect(),
        }
    }
}

/// What has been counted.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Frames.
    pub frames: u64,
    /// Whole answers that were compared, those to no question included.
    pub answers: u64,
    /// What was taken over as captured, by its name and how often.
    pub taken_over: BTreeMap<&'static str, u64>,
    /// Divergences.
    pub divergences: u64,
}

/// What the line as a whole does, so that it is told once.
#[derive(Clone, Copy, Debug, PartialEq)]
enum LineFault {
    Stuck(bool),
    Slip(bool),
}

/// A comparison under way: frames in, divergences out. Memory does not grow with the recording but for the history of
/// motion.
#[derive(Debug)]
pub struct Replay {
    dictionary: Arc<Dictionary>,
    devices: usize,
    rules: Arc<Rules>,
    slack: Slack,
    from_power_up: bool,
    switches: Vec<(usize, usize, Switch)>,
    motors: Vec<(usize, usize, MotorSetup)>,
    twin: Option<Twin>,
    /// A branch of the twin as it was before the frames in `since`.
    base: Option<Twin>,
    since: Vec<Frame>,
    edits: Vec<Edit>,
    base_is_start: bool,
    ahead: VecDeque<Frame>,
    out: VecDeque<Divergence>,
    counts: Counts,
    line: Option<LineFault>,
}

impl Replay {
    /// A comparison with a chain of so many devices.
    ///
    /// # Errors
    /// [`Error::Chain`] for a map or a number of devices that cannot be a chain, [`Error::Switch`] and [`Error::Motor`] for one
    /// of an axis that is not there, and [`Error::Name`] for a name to ignore that the map does not have.
    pub fn new(layout: &'static Layout, devices: usize, options: &Options) -> Result<Self, Error> {
        VirtualChain::new(layout, devices).map_err(Error::Chain)?;
        let is_there = |device: usize, axis: usize| device < devices && axis < usize::from(layout.axes);
        if let Some(&(device, axis, _)) = options.switches.iter().find(|it| !is_there(it.0, it.1)) {
            return Err(Error::Switch { device, axis });
        }
        if let Some(&(device, axis, _)) = options.motors.iter().find(|it| !is_there(it.0, it.1)) {
            return Err(Error::Motor { device, axis });
        }
        if let Some(name) = options.ignore.iter().find(|name| !has_name(layout, name)) {
            return Err(Error::Name { name: name.clone(), names: names(layout).map(str::to_owned).collect() });
        }
        Ok(Self {
            dictionary: Arc::new(Dictionary::new(layout)),
            devices,
            rules: Arc::new(options.rules()),
            slack: Slack {
                time_ns: options.time_tolerance_ns.unwrap_or(Options::TIME_TOLERANCE_NS),
                clock: options.clock_tolerance,
            },
            from_power_up: options.from_power_up,
            switches: options.switches.clone(),
            motors: options.motors.clone(),
            twin: None,
            base: None,
            since: Vec::new(),
            edits: Vec::new(),
            base_is_start: true,
            ahead: VecDeque::new(),
            out: VecDeque::new(),
            counts: Counts::default(),
            line: None,
        })
    }

    /// Takes a frame in. Divergences come out some frames later.
    pub fn take(&mut self, frame: Frame) {
        self.ahead.push_back(frame);
        while self.ahead.len() > AHEAD {
            self.advance();
        }
    }

    /// The recording has ended.
    pub fn end(&mut self) {
        while !self.ahead.is_empty() {
            self.advance();
        }
    }

    /// A divergence, in the order of the frames in which they showed.
    pub fn pop(&mut self) -> Option<Divergence> {
        self.out.pop_front()
    }

    /// What has been counted so far.
    #[must_use]
    pub const fn counts(&self) -> &Counts {
        &self.counts
    }

    /// The virtual chain as it is now, with all its motion; `None` before the first frame.
    #[must_use]
    pub fn chain(&self) -> Option<&VirtualChain> {
        self.twin.as_ref().map(|twin| &twin.chain)
    }

    /// The recording's time in nanoseconds at virtual time zero of the [chain](Self::chain).
    #[must_use]
    pub fn origin_ns(&self) -> i64 {
        self.twin.as_ref().map_or(0, |twin| twin.recorded_ns(0))
    }

    fn fresh(&self, devices: usize, first_ns: i64, from_power_up: bool) -> Option<Twin> {
        let chain = VirtualChain::new(self.dictionary.layout(), devices).ok()?;
        for &(device, axis, switch) in &self.switches {
            if device < devices {
                chain.set_switch(device, axis, switch);
            }
        }
        for (device, axis, motor) in self.motors.iter().filter(|it| it.0 < devices) {
            chain.attach_motor(*device, *axis, motor);
            chain.record_motor(*device, *axis, MOTOR_NS);
        }
        let (dictionary, rules) = (Arc::clone(&self.dictionary), Arc::clone(&self.rules));
        Some(Twin::new(chain, dictionary, rules, self.slack, first_ns, from_power_up))
    }

    fn advance(&mut self) {
        let Some(frame) = self.ahead.pop_front() else { return };
        self.counts.frames += 1;
        if self.twin.is_none() || !frame.complete {
            // Of a frame that was not seen whole nobody knows what the devices hold.
            let is_first = self.twin.is_none() && frame.complete;
            self.twin = self.fresh(self.devices, frame.start_ns, is_first && self.from_power_up);
            if !(is_first && self.from_power_up) {
                let stray = self.stray(&frame);
                if let Some(twin) = &mut self.twin {
                    twin.begin_amid(&stray);
                }
            }
            self.rebase();
            self.base_is_start = is_first;
            if !frame.complete {
                return;
            }
        }
        let Some(twin) = &mut self.twin else { return };
        let step = twin.step(&frame, &self.edits);
        self.since.push(frame);
        self.counts.answers += step.answers;
        for (_, difference) in &step.taken_over {
            *self.counts.taken_over.entry(difference.name()).or_default() += 1;
        }
        if step.disagreements.is_empty() {
            self.line_is_well(&step);
        } else {
            self.explain(step);
        }
        if self.since.len() >= 2 * BACK {
            self.rebase();
        }
    }

    /// How many units at the beginning are the rest of a word of before, by device: as many as leave the fewest
    /// disagreements, and then the fewest unknown words.
    fn stray(&self, first: &Frame) -> Vec<usize> {
        let longest = usize::from(self.dictionary.layout().longest_word());
        let mut best = vec![((usize::MAX, usize::MAX), 0); self.devices];
        for stray in 0..longest {
            let Some(mut twin) = self.fresh(self.devices, first.start_ns, false) else { continue };
            twin.begin_amid(&vec![stray; self.devices]);
            let mut found = vec![(0, 0); self.devices];
            for frame in std::iter::once(first).chain(&self.ahead).filter(|frame| frame.complete) {
                for disagreement in twin.step(frame, &[]).disagreements {
                    found[disagreement.device].0 += 1;
                }
            }
            for ((best, found), ear) in best.iter_mut().zip(found).zip(&twin.ears) {
                *best = (*best).min(((found.0, ear.unknown), stray));
            }
        }
        best.into_iter().map(|(_, stray)| stray).collect()
    }

    /// Looks back no farther than to here from now on.
    fn rebase(&mut self) {
        self.base = self.twin.clone();
        self.since.clear();
        self.edits.clear();
        self.base_is_start = false;
    }
}

/// What can differ in an answer, by name, each name once.
fn names(layout: &'static Layout) -> impl Iterator<Item = &'static str> {
    let flags = layout.status.flags.iter().map(|bit| bit.flag.name());
    let registers = layout.registers.iter().map(|register| register.name);
    let state = (!layout.status.motion_states.is_empty()).then_some("motion state");
    flags.chain(state).chain(registers).collect::<BTreeSet<_>>().into_iter()
}

fn has_name(layout: &'static Layout, name: &str) -> bool {
    names(layout).any(|other| other.eq_ignore_ascii_case(name))
}
