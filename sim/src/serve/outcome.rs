//! What firmware has done to the chain that it was offered, and the report on it.
//!
//! What counts as found is what speaks against firmware or wiring whatever the firmware is for: bits that no device
//! understands, times of the bus that were not kept, axes that are not where the bench expects them, and an end that the
//! firmware calls a failure, or that it did not tell. Faults and refused commands are told, and are no findings: it
//! may be the firmware's business to deal with them.

use stepchain::map::{BridgeState, Verb};

use super::offer::Offer;
use super::talk::Talk;
use crate::bench::{Axis, Bench};
use crate::device::{Event, EventKind, Violation, bridge_name};
use crate::report::{Mark, Report, Track, number};
use crate::run::{STATES, moving_s, track_of};

/// Heads of the columns of [`Outcome::rows`].
pub const COLUMNS: [&str; 8] =
    ["axis", "expected", "reached", "peak velocity", "in motion", "bridge", "refused", "faults"];

/// What has come of a chain that was offered.
#[derive(Clone, Debug, PartialEq)]
pub struct Outcome {
    /// By axis, in the order of the bench.
    pub axes: Vec<AxisServed>,
    /// What was not as it should be.
    pub findings: Vec<String>,
    /// Commands that set something going or stopped it, by instant.
    pub marks: Vec<Mark>,
    /// The motion of each axis.
    pub tracks: Vec<Track>,
    /// Virtual time from power-up on, in seconds.
    pub duration_s: f64,
    /// Bytes that were clocked.
    pub bytes_on_wire: u64,
    /// Chip selections.
    pub frames: u64,
    /// Requests that were carried out.
    pub requests: u64,
    /// Requests that came once more.
    pub repeated: u64,
    /// Runs of bytes on the link that were no packets.
    pub broken: u64,
    /// What the firmware said in the end.
    pub end: Option<u8>,
    /// What has happened on the chain, one line for each entry.
    pub log: String,
}

/// What has come of one axis.
#[derive(Clone, Debug, PartialEq)]
pub struct AxisServed {
    /// Its name.
    pub name: String,
    /// Where the bench expects it, in full steps.
    pub expected_steps: Option<f64>,
    /// Where it was at the end, in full steps, without wrap-around.
    pub reached_steps: f64,
    /// Its greatest speed, in full steps/s.
    pub peak_velocity: f64,
    /// How long it was in motion, in seconds.
    pub duration_s: f64,
    /// What its bridge does at the end.
    pub bridge: BridgeState,
    /// Commands that it refused.
    pub refused: usize,
    /// Fault flags that went up, each once, in the order in which they did; that of a reset by power-up is none.
    pub faults: Vec<&'static str>,
}

impl Outcome {
    /// Looks at a chain when its firmware is done.
    #[must_use]
    pub fn of(bench: &Bench, offer: &Offer, talk: &Talk) -> Self {
        let chain = offer.chain();
        let events = chain.events();
        let duration_s = chain.now_ns() as f64 / 1e9;
        let tracks: Vec<_> = bench.axes.iter().map(|axis| track_of(chain, axis, 0)).collect();
        let mut findings: Vec<_> = events.iter().filter_map(finding).collect();
        let mut axes = Vec::new();
        for (axis, track) in bench.axes.iter().zip(&tracks) {
            let (device, of_device) = (axis.device, axis.axis.into());
            let (position, in_a_step) =
                (chain.position(device, of_device), chain.microsteps_per_step(device, of_device));
            let served = AxisServed {
                name: axis.name.clone(),
                expected_steps: axis.expected.map(|expected| axis.steps(expected as f64)),
                reached_steps: position as f64 / f64::from(in_a_step),
                peak_velocity: track.peak_velocity(duration_s),
                duration_s: moving_s(track, duration_s),
                bridge: chain.bridge_state(device, of_device),
                refused: events.iter().filter(|event| is_refusal(event, axis)).count(),
                faults: faults(&events, axis),
            };
            // Both sides in the product of both resolutions.
            let is_there = |expected: i64| position * i64::from(axis.resolution) == expected * i64::from(in_a_step);
            if let (Some(expected), Some(steps)) = (axis.expected, served.expected_steps)
                && !is_there(expected)
            {
                let (name, reached) = (&axis.name, number(served.reached_steps));
                findings.push(format!("`{name}` is at {reached} steps; the bench expects {} steps", number(steps)));
            }
            axes.push(served);
        }
        match offer.end() {
            Some(0) => {}
            Some(status) => findings.push(format!("the firmware says that it failed, with status {status}")),
            None => findings.push("the link was closed before the firmware said that it was done".to_owned()),
        }
        Self {
            axes,
            findings,
            marks: marks(bench, &events),
            tracks,
            duration_s,
            bytes_on_wire: chain.bytes_on_wire(),
            frames: chain.frames(),
            requests: offer.requests(),
            repeated: talk.repeated(),
            broken: talk.broken(),
            end: offer.end(),
            log: chain.log_text(),
        }
    }

    /// Whether nothing was found.
    #[must_use]
    pub const fn is_well(&self) -> bool {
        self.findings.is_empty()
    }

    /// One row for each axis.
    #[must_use]
    pub fn rows(&self) -> Vec<Vec<String>> {
        let row = |axis: &AxisServed| {
            vec![
                axis.name.clone(),
                axis.expected_steps.map_or("anywhere".to_owned(), |steps| format!("{} steps", number(steps))),
                format!("{} steps", number(axis.reached_steps)),
                format!("{} steps/s", number(axis.peak_velocity)),
                format!("{} s", number(axis.duration_s)),
                bridge_name(axis.bridge).to_owned(),
                axis.refused.to_string(),
                if axis.faults.is_empty() { "none".to_owned() } else { axis.faults.join(", ") },
            ]
        };
        self.axes.iter().map(row).collect()
    }

    /// The traffic on the bus, in words.
    #[must_use]
    pub fn bus(&self) -> String {
        format!("{} bytes in {} frames", self.bytes_on_wire, self.frames)
    }

    /// The traffic on the link, in words.
    #[must_use]
    pub fn link(&self) -> String {
        let Self { requests, repeated, broken, .. } = self;
        format!("{requests} requests, {repeated} of them repeated, {broken} packets spoilt")
    }
}

/// The report on a chain that was offered.
#[must_use]
pub fn report(bench: &Bench, outcome: &Outcome) -> Report {
    let names = bench.axes.iter().map(|axis| axis.name.as_str()).collect::<Vec<_>>().join(", ");
    let facts = [
        ("Bench", bench.file.clone()),
        ("Chain", format!("{} of the map `{}`: {names}", bench.devices, bench.layout.name)),
        ("SPI clock", format!("{} MHz", number(f64::from(bench.spi_clock_hz) / 1e6))),
        ("Bus", outcome.bus()),
        ("Link", outcome.link()),
        ("Virtual time", format!("{} s", number(outcome.duration_s))),
        ("Made by", concat!("stepchain ", env!("CARGO_PKG_VERSION")).to_owned()),
    ];
    Report {
        title: bench.title.clone(),
        description: bench.description.clone(),
        facts: facts.map(|(name, value)| (name.to_owned(), value)).to_vec(),
        columns: COLUMNS.map(str::to_owned).to_vec(),
        rows: outcome.rows(),
        findings: outcome.findings.clone(),
        tracks: outcome.tracks.clone(),
        marks: outcome.marks.clone(),
        end_s: outcome.duration_s,
        ..Report::default()
    }
}

/// What is wrong whatever the firmware is for.
fn finding(event: &Event) -> Option<String> {
    match event.kind {
        // So the devices of a chain are counted.
        EventKind::Violation(Violation::SurplusUnits { .. }) => None,
        EventKind::Violation(_) | EventKind::CommandUnknown { .. } | EventKind::CrcMismatch { .. } => {
            let device = event.device.map_or("on the bus".to_owned(), |device| format!("device {device}"));
            Some(format!("{device} at {} s: {}", number(event.time_ns as f64 / 1e9), event.kind))
        }
        _ => None,
    }
}

fn is_refusal(event: &Event, of: &Axis) -> bool {
    matches!(event.kind, EventKind::CommandRejected { axis, .. } if event.device == Some(of.device) && axis == of.axis)
}

fn faults(events: &[Event], of: &Axis) -> Vec<&'static str> {
    let mut faults = Vec::new();
    for event in events.iter().filter(|event| event.device == Some(of.device) && event.time_ns > 0) {
        if let EventKind::FlagChanged { axis, flag, raised: true, .. } = event.kind
            && axis == of.axis
            && !STATES.contains(&flag)
            && !faults.contains(&flag.name())
        {
            faults.push(flag.name());
        }
    }
    faults
}

/// Commands that set axes going or stopped them; those of one instant share a mark.
fn marks(bench: &Bench, events: &[Event]) -> Vec<Mark> {
    let mut marks: Vec<Mark> = Vec::new();
    for event in events {
        let EventKind::CommandAccepted { verb, axis: of_device, .. } = event.kind else { continue };
        let is_of = |axis: &Axis| event.device == Some(axis.device) && axis.axis == of_device;
        let Some(index) = bench.axes.iter().position(is_of).filter(|_| is_motion(verb)) else { continue };
        let time_s = event.time_ns as f64 / 1e9;
        let text = event.kind.to_string();
        let command = (index, text.strip_prefix(event.kind.word()).unwrap_or(&text).trim().to_owned());
        match marks.last_mut().filter(|mark| mark.time_s == time_s) {
            Some(mark) => mark.commands.push(command),
            None => {
                marks.push(Mark { number: marks.len() + 1, time_s, commands: vec![command], note: String::new() });
            }
        }
    }
    marks
}

const fn is_motion(verb: Verb) -> bool {
    !matches!(
        verb,
        Verb::ReadParameter
            | Verb::WriteParameter
            | Verb::PeekStatus
            | Verb::TakeStatus
            | Verb::RestoreDefaults
            | Verb::FaultReset
    )
}
