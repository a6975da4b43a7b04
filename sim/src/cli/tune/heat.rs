//! The budget of heat, for people and for programs.

use std::io::Write;

use serde::Serialize;

use super::super::Failure;
use crate::motor::Work;
use crate::report::number;
use crate::text::table;
use crate::tune::{Budget, Warmth};

/// Degrees by which the temperature of the setting may be off before a word is lost about it.
const FAR_C: f64 = 10.0;

/// The budget: a field of the last line of JSON. A temperature or a share that has no end is left out.
#[derive(Debug, Serialize)]
pub(super) struct Report {
    cycle_s: f64,
    ambient_c: f64,
    runs_away: bool,
    phases: Vec<Stretch>,
    #[serde(skip_serializing_if = "Option::is_none")]
    peak_winding_c: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    mean_winding_c: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    end_winding_c: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    peak_case_c: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    winding_limit_c: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    limit_after_s: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    largest_share: Option<f64>,
    derating: Vec<Derating>,
}

#[derive(Debug, Serialize)]
struct Stretch {
    what: &'static str,
    duration_s: f64,
    current_a: f64,
}

#[derive(Debug, Serialize)]
struct Derating {
    ambient_c: f64,
    largest_share: f64,
}

impl Report {
    pub(super) fn of(budget: &Budget) -> Self {
        let periodic = match budget.warmth {
            Warmth::Repeats(periodic) => Some(periodic),
            Warmth::RunsAway => None,
        };
        let phases = budget.phases.iter().map(|(phase, current_a)| Stretch {
            what: what(phase.work).0,
            duration_s: phase.duration_s,
            current_a: *current_a,
        });
        let derating = budget.derating.iter().filter(|point| point.1.is_finite());
        Self {
            cycle_s: budget.cycle_s,
            ambient_c: budget.ambient_c,
            runs_away: periodic.is_none(),
            phases: phases.collect(),
            peak_winding_c: periodic.map(|periodic| periodic.peak_winding_c),
            mean_winding_c: periodic.map(|periodic| periodic.mean_winding_c),
            end_winding_c: periodic.map(|periodic| periodic.start.winding_c),
            peak_case_c: periodic.map(|periodic| periodic.peak_case_c),
            winding_limit_c: budget.limit_c,
            limit_after_s: budget.limit_after_s,
            largest_share: budget.share.filter(|share| share.is_finite()),
            derating: derating.map(|&(ambient_c, largest_share)| Derating { ambient_c, largest_share }).collect(),
        }
    }
}

const fn what(work: Work) -> (&'static str, Option<f64>) {
    match work {
        Work::Off => ("off", None),
        Work::Hold => ("hold", None),
        Work::Run { velocity } => ("run", Some(velocity)),
        Work::Accelerate { to_velocity } => ("accelerate", Some(to_velocity)),
        Work::Decelerate { from_velocity } => ("decelerate", Some(from_velocity)),
        Work::Current { .. } => ("current", None),
    }
}

pub(super) fn text(budget: &Budget, setting_c: f64, out: &mut dyn Write) -> Result<(), Failure> {
    let rows: Vec<_> = budget
        .phases
        .iter()
        .map(|(phase, current_a)| {
            let (what, velocity) = what(phase.work);
            let velocity = velocity.map_or(String::new(), |velocity| format!("{} steps/s", number(velocity)));
            vec![what.to_owned(), velocity, format!("{} s", number(phase.duration_s)), format!("{current_a:.3} A")]
        })
        .collect();
    writeln!(
        out,
        "\nHeat of the duty cycle of {} s in air of {} °C, copper loss alone, currents kept:",
        number(budget.cycle_s),
        number(budget.ambient_c)
    )?;
    writeln!(out, "\n{}", table(&["phase", "", "lasts", "current"], &rows, &[1, 2, 3]))?;
    match budget.warmth {
        Warmth::Repeats(periodic) => {
            writeln!(
                out,
                "In the end the windings reach {:.1} °C, {} s into the cycle; {:.1} °C on average, {:.1} °C at its end. The case \
             reaches {:.1} °C.",
                periodic.peak_winding_c,
                number((periodic.peak_after_s * 10.0).round() / 10.0),
                periodic.mean_winding_c,
                periodic.start.winding_c,
                periodic.peak_case_c
            )?;
            if (periodic.mean_winding_c - setting_c).abs() > FAR_C {
                writeln!(
                    out,
                    "The setting is for windings at {setting_c:.0} °C; --winding-c {:.0} computes it for their average.",
                    periodic.mean_winding_c
                )?;
            }
        }
        Warmth::RunsAway => writeln!(
            out,
            "The cycle heats the windings WITHOUT END: with currents that are kept, warmer copper makes more heat than leaves. \
             Kept without rest, {:.2} A would do so.",
            budget.runaway_a
        )?,
    }
    let Some((limit_c, share)) = budget.limit_c.zip(budget.share) else { return Ok(()) };
    match budget.limit_after_s {
        Some(after_s) => writeln!(
            out,
            "Their limit of {} °C is exceeded {} after a cold start.",
            number(limit_c),
            duration(after_s)
        )?,
        None => writeln!(out, "Their limit of {} °C is never exceeded.", number(limit_c))?,
    }
    if share.is_finite() {
        writeln!(out, "They bear {:.1} % of these currents; over the temperature of the air:", 100.0 * share)?;
        let (air, shares): (Vec<_>, Vec<_>) = budget
            .derating
            .iter()
            .map(|(air_c, share)| (format!("{air_c} °C"), format!("{:.0} %", 100.0 * share)))
            .unzip();
        let air: Vec<_> = air.iter().map(String::as_str).collect();
        write!(out, "\n{}", table(&air, &[shares], &(0..air.len()).collect::<Vec<_>>()))?;
    }
    Ok(())
}

fn duration(seconds: f64) -> String {
    match seconds {
        short if short < 120.0 => format!("{short:.1} s"),
        long if long < 7200.0 => format!("{:.1} min", long / 60.0),
        very_long => format!("{:.1} h", very_long / 3600.0),
    }
}
