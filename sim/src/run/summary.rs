//! The outcome of a run in words, for the terminal and for the report.

use super::held::{COLUMNS as SETTING_COLUMNS, held};
use super::injected::{COLUMNS as FAULT_COLUMNS, InjectedFault};
use super::{AxisOutcome, Outcome};
use crate::bench::Bench;
use crate::report::{Disturbance, Report, number};

/// Heads of the columns that [`rows`] fills.
pub const COLUMNS: [&str; 7] =
    ["axis", "commanded", "reached", "peak velocity", "in motion", "bytes (least)", "faults"];

/// One row for each axis.
#[must_use]
pub fn rows(outcome: &Outcome) -> Vec<Vec<String>> {
    let row = |axis: &AxisOutcome| {
        vec![
            axis.name.clone(),
            axis.commanded_steps.map_or("no target".to_owned(), |steps| format!("{} steps", number(steps))),
            format!("{} steps", number(reached(axis))),
            format!("{} steps/s", number(axis.peak_velocity)),
            format!("{} s", number(axis.duration_s)),
            format!("{} ({})", axis.bytes_on_wire, axis.least_bytes),
            if axis.faults.is_empty() { "none".to_owned() } else { axis.faults.join(", ") },
        ]
    };
    outcome.axes.iter().map(row).collect()
}

/// By a rotor to a hundredth of a step: finer is the bearing's business.
fn reached(axis: &AxisOutcome) -> f64 {
    if axis.motor.is_some() { (axis.reached_steps * 100.0).round() / 100.0 } else { axis.reached_steps }
}

/// Heads of the columns that [`motor_rows`] fills.
pub const MOTOR_COLUMNS: [&str; 6] =
    ["motor of", "reached by rotor", "lost", "peak current", "winding", "output stage"];

/// One row for each axis with a motor.
#[must_use]
pub fn motor_rows(outcome: &Outcome) -> Vec<Vec<String>> {
    let row = |axis: &AxisOutcome| {
        let motor = axis.motor?;
        let rounded = |value: f64, places: f64| number((value * places).round() / places);
        Some(vec![
            axis.name.clone(),
            format!("{} steps", rounded(axis.reached_steps, 100.0)),
            format!("{} steps", number(axis.lost_steps)),
            format!("{} A", rounded(motor.peak_current_a, 100.0)),
            format!("{} °C", rounded(motor.greatest_winding_c, 10.0)),
            format!("{} °C", rounded(motor.greatest_stage_c, 10.0)),
        ])
    };
    outcome.axes.iter().filter_map(row).collect()
}

/// The traffic on the bus, in a sentence.
#[must_use]
pub fn bus(outcome: &Outcome) -> String {
    let Outcome { bytes_on_wire, least_bytes, frames, .. } = outcome;
    match bytes_on_wire.checked_sub(*least_bytes) {
        Some(0) => format!("{bytes_on_wire} bytes in {frames} frames, the fewest that are possible"),
        Some(more) => format!("{bytes_on_wire} bytes in {frames} frames, {more} more than the {least_bytes} needed"),
        None => {
            format!("{bytes_on_wire} bytes in {frames} frames, fewer than the {least_bytes} that were reckoned with")
        }
    }
}

/// The report on a run.
#[must_use]
pub fn report(bench: &Bench, outcome: &Outcome) -> Report {
    // Some room after the last motion, so that it is seen to end; none if the run ends within one.
    let is_still = outcome.tracks.iter().all(|track| track.at(outcome.duration_s).1 == 0.0);
    let room = if is_still { 0.03 * outcome.duration_s } else { 0.0 };
    let end_s = outcome.duration_s + room;
    let disturbance = |fault: &InjectedFault| Disturbance {
        number: fault.number,
        row: fault.row(),
        note: fault.note.clone(),
        axes: fault.axes.clone(),
        span_s: fault.began_s.map(|began_s| (began_s.max(0.0), fault.ended_s.unwrap_or(end_s).clamp(0.0, end_s))),
    };
    Report {
        title: bench.title.clone(),
        description: bench.description.clone(),
        facts: facts(bench, outcome),
        columns: COLUMNS.map(str::to_owned).to_vec(),
        rows: rows(outcome),
        setting_columns: SETTING_COLUMNS.map(str::to_owned).to_vec(),
        settings: held(bench).iter().map(|held| (held.row(&name(bench, held.axis)), held.is_rounded())).collect(),
        findings: outcome.findings.iter().map(|finding| outcome.told(finding)).chain(outcome.shown()).collect(),
        motor_columns: MOTOR_COLUMNS.map(str::to_owned).to_vec(),
        motor_rows: motor_rows(outcome),
        disturbance_columns: FAULT_COLUMNS.map(str::to_owned).to_vec(),
        disturbances: outcome.injected.iter().map(disturbance).collect(),
        tracks: outcome.tracks.clone(),
        scopes: Vec::new(),
        marks: outcome.marks.clone(),
        end_s,
    }
}

fn name(bench: &Bench, axis: usize) -> String {
    bench.axes.get(axis).map_or(String::new(), |axis| axis.name.clone())
}

fn facts(bench: &Bench, outcome: &Outcome) -> Vec<(String, String)> {
    let each =
        |text: &dyn Fn(&crate::bench::Axis) -> String| bench.axes.iter().map(text).collect::<Vec<_>>().join(", ");
    let devices = if bench.devices == 1 { "1 device" } else { &format!("{} devices", bench.devices) };
    [
        ("Bench", bench.file.clone()),
        ("Chain", format!("{devices} of the map `{}`: {}", bench.layout.name, each(&|axis| axis.name.clone()))),
        ("SPI clock", format!("{} MHz", number(f64::from(bench.spi_clock_hz) / 1e6))),
        ("Microsteps in a step", each(&|axis| axis.resolution.to_string())),
        ("Bus", bus(outcome)),
        ("Settings", format!("{} written, {} read back", bench.settings.len(), outcome.settings_read_back)),
        ("Virtual time", format!("{} s", number(outcome.duration_s))),
        ("Made by", concat!("stepchain ", env!("CARGO_PKG_VERSION")).to_owned()),
    ]
    .map(|(name, value)| (name.to_owned(), value))
    .to_vec()
}
