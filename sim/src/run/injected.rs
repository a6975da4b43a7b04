//! What the script of a bench has done: when each fault began and ended, what it struck, and what it may be the cause of.

use super::rig::Rig;
use crate::bench::{Bench, PlannedFault};
use crate::device::{Event, EventKind};
use crate::inject::{Fault, Injection, Script, Start};
use crate::report::number;

/// Heads of the columns of [`InjectedFault::row`].
pub const COLUMNS: [&str; 6] = ["fault", "what", "planned", "from", "to", "effect"];

/// What became of a fault of the bench.
#[derive(Clone, Debug, PartialEq)]
pub struct InjectedFault {
    /// Its number in the bench, from 1.
    pub number: usize,
    /// What it is, in words.
    pub text: String,
    /// When it was to begin, in words.
    pub start: String,
    /// Why, in the words of the bench.
    pub note: String,
    /// Indices of the axes that it concerns; all of them for a fault of the bus.
    pub axes: Vec<usize>,
    /// Whether the bus is to blame, and not a device.
    pub is_of_bus: bool,
    /// When it began, in seconds of the timeline, negative before it; none if it never did.
    pub began_s: Option<f64>,
    /// When it got worse, in seconds of the timeline.
    pub worsened_s: Option<f64>,
    /// When it was over, in seconds of the timeline; none if it lasted to the end.
    pub ended_s: Option<f64>,
    /// Frames that were other than without it.
    pub frames: u64,
    /// Bits, clocks and edges in them that were.
    pub hits: u64,
    /// Whether something was found that it may be the cause of.
    pub is_suspected: bool,
}

impl InjectedFault {
    /// A row of a table.
    #[must_use]
    pub fn row(&self) -> Vec<String> {
        let at = |at_s: f64| if at_s < 0.0 { "before the timeline".to_owned() } else { format!("{} s", number(at_s)) };
        let (from, to) = match (self.began_s, self.ended_s) {
            (None, _) => ("never".to_owned(), String::new()),
            (Some(began_s), None) => (at(began_s), "the end".to_owned()),
            (Some(began_s), Some(ended_s)) => (at(began_s), at(ended_s)),
        };
        vec![self.number.to_string(), self.text.clone(), self.start.clone(), from, to, self.effect()]
    }

    /// What is known of its effect, in words.
    #[must_use]
    pub fn effect(&self) -> String {
        match (self.began_s, self.worsened_s) {
            (None, _) => "it did not begin".to_owned(),
            (_, Some(worsened_s)) => format!("too hot at {} s", number(worsened_s)),
            _ if !self.is_of_bus && self.is_suspected => "see what was found".to_owned(),
            _ if !self.is_of_bus => "nothing came of it".to_owned(),
            _ if self.hits == 0 => "it changed nothing on the bus".to_owned(),
            _ => format!("{} in {}", counted(self.hits, "hit"), counted(self.frames, "frame")),
        }
    }

    /// Whether a finding about an axis, or about the chain as a whole, may be its doing.
    fn may_explain(&self, axis: Option<usize>) -> bool {
        let has_struck = self.began_s.is_some() && (!self.is_of_bus || self.hits > 0);
        has_struck && axis.is_none_or(|axis| self.axes.contains(&axis))
    }
}

/// The likely causes as the end of a sentence; empty if there are none. `causes` are indices. What befell the axis itself
/// is likelier than what befell the bus, unless the bus is suspected.
#[must_use]
pub(super) fn causes(injected: &[InjectedFault], causes: &[usize], suspects_bus: bool) -> String {
    let causes = causes.iter().filter_map(|&cause| injected.get(cause));
    let (likely, others): (Vec<_>, Vec<_>) = causes.partition(|fault| fault.is_of_bus == suspects_bus);
    let (likely, others) = if likely.is_empty() { (others, Vec::new()) } else { (likely, others) };
    if likely.is_empty() {
        return String::new();
    }
    let named: Vec<_> = likely.iter().map(|fault| format!("{} (fault {})", fault.text, fault.number)).collect();
    let likely = format!("; likely cause{}: {}", if named.len() == 1 { "" } else { "s" }, named.join(", "));
    match (others.is_empty(), suspects_bus) {
        (true, _) | (_, true) => likely,
        _ => {
            let numbers: Vec<_> = others.iter().map(|fault| format!("fault {}", fault.number)).collect();
            format!("{likely}; the bus was disturbed as well ({})", numbers.join(", "))
        }
    }
}

/// The faults of a bench that begin with a frame, or those that begin on the timeline, and their indices.
pub(super) fn part(bench: &Bench, with_frames: bool, start_ns: u64) -> (Script, Vec<usize>) {
    let is_of_part = |planned: &PlannedFault| matches!(planned.injection.start, Start::Frame(_)) == with_frames;
    let chosen = bench.faults.iter().enumerate().filter(|(_, planned)| is_of_part(planned));
    chosen.map(|(index, planned)| (on_chain(&planned.injection, start_ns), index)).unzip()
}

/// The same with its instant in the chain's time.
fn on_chain(injection: &Injection, start_ns: u64) -> Injection {
    match injection.start {
        Start::At(at_ns) => Injection { start: Start::At(start_ns.saturating_add(at_ns)), ..injection.clone() },
        _ => injection.clone(),
    }
}

/// What has become of the bench's faults until now.
pub(super) fn so_far(rig: &Rig<'_>) -> Vec<InjectedFault> {
    let bench = rig.bench;
    if bench.faults.is_empty() {
        return Vec::new();
    }
    let mut injected: Vec<_> =
        (1..).zip(&bench.faults).map(|(number, planned)| unbegun(bench, number, planned)).collect();
    let at_s = |event: &Event| (event.time_ns as f64 - rig.start_ns() as f64) / 1e9;
    for event in rig.chain.events() {
        let (EventKind::FaultBegan { number, .. }
        | EventKind::FaultWorsened { number, .. }
        | EventKind::FaultStruck { number, .. }
        | EventKind::FaultEnded { number, .. }) = event.kind
        else {
            continue;
        };
        let Some(fault) = rig.injected.get(number).and_then(|&index| injected.get_mut(index)) else { continue };
        match event.kind {
            EventKind::FaultBegan { .. } => fault.began_s = Some(at_s(&event)),
            EventKind::FaultWorsened { .. } => fault.worsened_s = Some(at_s(&event)),
            EventKind::FaultEnded { .. } => fault.ended_s = Some(at_s(&event)),
            EventKind::FaultStruck { hits, .. } => {
                fault.frames += 1;
                fault.hits += hits;
            }
            _ => {}
        }
    }
    injected
}

/// Indices of the faults that may be the cause of what is found now about an axis, or about the chain as a whole.
pub(super) fn likely_causes(injected: &[InjectedFault], axis: Option<usize>) -> Vec<usize> {
    let may_be = |(_, fault): &(usize, &InjectedFault)| fault.may_explain(axis);
    injected.iter().enumerate().filter(may_be).map(|(index, _)| index).collect()
}

fn unbegun(bench: &Bench, number: usize, planned: &PlannedFault) -> InjectedFault {
    let fault: &Fault = &planned.injection.fault;
    let concerns = |axis: &crate::bench::Axis| {
        let is_device = fault.device().is_none_or(|device| device == axis.device);
        is_device && fault.axis().is_none_or(|of_device| of_device == usize::from(axis.axis))
    };
    InjectedFault {
        number,
        text: planned.text.clone(),
        start: planned.start.clone(),
        note: planned.note.clone(),
        axes: bench.axes.iter().enumerate().filter(|(_, axis)| concerns(axis)).map(|(index, _)| index).collect(),
        is_of_bus: fault.device().is_none(),
        began_s: None,
        worsened_s: None,
        ended_s: None,
        frames: 0,
        hits: 0,
        is_suspected: false,
    }
}

fn counted(count: u64, what: &str) -> String {
    if count == 1 { format!("1 {what}") } else { format!("{count} {what}s") }
}
