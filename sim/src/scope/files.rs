//! A trace as files that other programs read: CSV, and VCD with reals.

use std::io::{self, Write};

use super::{Sample, Trace};
use crate::wave::{Header, Value, Wave};

/// Names of what a sample holds, with their units.
const COLUMNS: [&str; 5] = ["voltage_a_v", "voltage_b_v", "current_a_a", "current_b_a", "angle_steps"];

const fn values(sample: &Sample) -> [f64; 5] {
    let Sample { voltages_v: [voltage_a, voltage_b], currents_a: [current_a, current_b], angle_steps, .. } = *sample;
    [voltage_a, voltage_b, current_a, current_b, angle_steps]
}

/// The trace as CSV: `time_s` from the trigger on, then voltages and currents of phases A and B and the commanded angle.
///
/// # Errors
/// What the CSV writer says; none is known.
pub fn csv(trace: &Trace) -> Result<String, ::csv::Error> {
    let mut writer = ::csv::Writer::from_writer(Vec::new());
    writer.write_record(["time_s"].iter().chain(&COLUMNS))?;
    for sample in &trace.samples {
        let time_s = (sample.time_ns as f64 - trace.trigger_ns as f64) * 1e-9;
        let rest = values(sample).map(|value| format!("{value:.6}"));
        writer.write_record([format!("{time_s:.9}")].iter().chain(&rest))?;
    }
    let bytes = writer.into_inner().map_err(|error| ::csv::Error::from(error.into_error()))?;
    Ok(String::from_utf8_lossy(&bytes).into_owned())
}

/// Writes the trace as VCD at the instants of virtual time, with a level `trigger` that rises where it was.
///
/// # Errors
/// Those of `out`.
pub fn vcd(trace: &Trace, name: &str, out: impl Write) -> io::Result<()> {
    let mut header = Header::new(name);
    let trigger = header.level("scope", "trigger");
    let signals = COLUMNS.map(|column| header.real("scope", column));
    let mut wave = Wave::begin(out, &header)?;
    for sample in &trace.samples {
        let is_past = sample.time_ns >= trace.trigger_ns;
        let level = if is_past { crate::capture::Level::High } else { crate::capture::Level::Low };
        wave.set(sample.time_ns, trigger, Value::Level(level))?;
        for (signal, value) in signals.into_iter().zip(values(sample)) {
            wave.set(sample.time_ns, signal, Value::Real(value))?;
        }
    }
    wave.end(trace.samples.last().map_or(0, |sample| sample.time_ns))
}
