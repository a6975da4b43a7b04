//! The fitted constants, for people and for programs.

use std::io::Write;

use serde::Serialize;

use super::super::Failure;
use crate::fit::{CONFIDENCE, Fitted};
use crate::report::number;
use crate::text::table;

/// What was fitted: a field of the last line of JSON.
#[derive(Debug, Serialize)]
pub(super) struct Report<'a> {
    confidence: f64,
    constants: Vec<Constant>,
    #[serde(skip_serializing_if = "Option::is_none")]
    points: Option<usize>,
    #[serde(skip_serializing_if = "Option::is_none")]
    residual_rms_a: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    half_waves: Option<usize>,
    #[serde(skip_serializing_if = "Option::is_none")]
    residual_rms_v_s_per_rad: Option<f64>,
    notes: &'a [String],
}

#[derive(Debug, Serialize)]
struct Constant {
    constant: &'static str,
    value: f64,
    unit: &'static str,
    low: f64,
    high: f64,
    file_value: f64,
}

impl<'a> Report<'a> {
    pub(super) fn of(fitted: &'a Fitted) -> Self {
        let constants = fitted.constants.iter().map(|constant| Constant {
            constant: constant.name,
            value: constant.value,
            unit: constant.unit,
            low: constant.low,
            high: constant.high,
            file_value: constant.file_value,
        });
        let (steady, recording) = (fitted.steady.as_ref(), fitted.recording.as_ref());
        Self {
            confidence: CONFIDENCE,
            constants: constants.collect(),
            points: steady.map(|steady| steady.points.len()),
            residual_rms_a: steady.map(|steady| steady.rms_a),
            half_waves: recording.map(|recording| recording.half_waves.len()),
            residual_rms_v_s_per_rad: recording.map(|recording| recording.rms_v_s_per_rad),
            notes: &fitted.notes,
        }
    }
}

pub(super) fn text(fitted: &Fitted, out: &mut dyn Write) -> Result<(), Failure> {
    let rows: Vec<_> = fitted
        .constants
        .iter()
        .map(|constant| {
            let share = 50.0 * (constant.high - constant.low) / constant.value;
            let interval = format!("{} to {}", digits(constant.low), digits(constant.high));
            let numbers = [digits(constant.value), format!("±{share:.1} %"), interval, number(constant.file_value)];
            let [value, share, interval, file] = numbers;
            vec![constant.name.to_owned(), value, share, interval, file, constant.unit.to_owned()]
        })
        .collect();
    writeln!(out, "\nFitted to the measurements, each interval right {:.0} times of 100:", 100.0 * CONFIDENCE)?;
    writeln!(out, "\n{}", table(&["constant", "fitted", "", "interval", "motor file", "unit"], &rows, &[1, 2, 3, 4]))?;
    if let Some(steady) = &fitted.steady {
        writeln!(out, "{} points, {:.4} A off on average (root mean square).", steady.points.len(), steady.rms_a)?;
    }
    if let Some(recording) = &fitted.recording {
        writeln!(
            out,
            "{} half waves of back-EMF, {} V·s/rad off on average (root mean square), offset of the instrument {:.3} V.",
            recording.half_waves.len(),
            digits(recording.rms_v_s_per_rad),
            recording.offset_v
        )?;
    }
    for note in &fitted.notes {
        writeln!(out, "  {note}.")?;
    }
    Ok(())
}

/// A number of four digits that tell something.
fn digits(value: f64) -> String {
    if value == 0.0 || !value.is_finite() {
        return number(value);
    }
    let scale = libm::exp10(3.0 - libm::floor(libm::log10(value.abs())));
    number((value * scale).round() / scale)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn four_digits_are_shown() {
        assert_eq!([digits(1.699_96), digits(0.002_599_74), digits(-0.198_013)], ["1.7", "0.0026", "-0.198"]);
        assert_eq!([digits(123_456.0), digits(0.0)], ["123500", "0"]);
    }
}
