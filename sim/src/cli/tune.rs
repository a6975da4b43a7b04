//! `tune`: drive settings computed from a motor's data.

mod fit;
mod heat;

use std::fs;
use std::path::{Path, PathBuf};

use clap::Args;
use serde::Serialize;
use stepchain::map::Layout;

use super::{Failure, Format, Output, Verdict, run};
use crate::bench::{map_of, resolution_at_reset};
use crate::fit::{Defaults, Fitted};
use crate::motor::{self, MotorFile};
use crate::report::number;
use crate::text::table;
use crate::tune::{self, Budget, Options, Tuning};

/// Compute drive settings from a motor's data: amplitudes, back-EMF curve, limits, and the currents that result.
#[derive(Debug, Args)]
#[command(after_help = EXAMPLE)]
pub(super) struct Arguments {
    /// The motor file: motor, heat, load, supply and the wanted currents.
    #[arg(value_name = "MOTOR.toml")]
    motor: PathBuf,
    /// latched, fixed-word, or the path of a map file.
    #[arg(long, value_name = "MAP")]
    map: PathBuf,
    /// Fit resistance, inductance and back-EMF constant to these measurements first; once for steady points, once for a
    /// back-EMF recording, or both.
    #[arg(long, value_name = "MEASUREMENTS.csv")]
    from: Vec<PathBuf>,
    /// Temperature of the windings in °C; if not given, the one at which the running current keeps them.
    #[arg(long, value_name = "T", allow_negative_numbers = true)]
    winding_c: Option<f64>,
    /// Share of the torque that ramps and starts leave unused, below 1.
    #[arg(long, value_name = "SHARE", default_value_t = 0.5)]
    torque_margin: f64,
    /// Write plots (SVG) and settings.rs to this directory, which must not exist.
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Write to a directory that exists, over what is there.
    #[arg(long, requires = "out")]
    force: bool,
}

const EXAMPLE: &str = "\
Example: the demo motor on the map `latched`, with pictures and Rust source
  stepchain tune examples/motors/demo.toml --map latched --out tuned

The setting is for the load, the nominal supply and the wanted currents that the motor file states. At constant velocity \
the load is its weight and friction; while the speed changes, also what the inertia takes. Each amplitude and each segment \
of the back-EMF curve is chosen among the register's own codes, so that the worst error of a current between rest and the \
top velocity is least. If the motor file has a duty cycle ([[duty]]), its temperatures follow, and with winding_limit_c how \
much current they leave.

Example: the motor as it was measured, not as its data sheet has it
  stepchain tune examples/motors/demo.toml --map latched --from examples/motors/demo-points.csv

MEASUREMENTS.csv is of one of two kinds, told apart by its header row; lines that begin with # are comments:
  velocity,amplitude_v,current_a   steady points: the field's speed in full steps/s, and the peaks
                                   of the sine voltage applied to a phase and of its current
  time_s,back_emf_v                a recording of one open winding while the shaft is turned by hand
Points may have further columns, in any order:
  amplitude_share, supply_v        instead of amplitude_v; without supply_v of the nominal supply
  load_n_m                         beside the motor's own friction; 0 if not given
  winding_c                        that of resistance_at_c if not given
  microsteps                       in a full step; those of the map after power-up if not given
  rotor                            turning or blocked; turning if not given
They must be at several speeds and amplitudes at which the rotor does not swing. What they cannot tell is refused; a \
recording beside them settles the back-EMF constant best.

Exit: 1 if the supply cannot make the wanted currents up to the top velocity, a current is more than 10 % off, or the duty \
cycle heats the windings beyond their limit or without end.";

/// Error of a current from which the target counts as missed.
const TOLERABLE: f64 = 0.1;

#[derive(Debug, Serialize)]
struct Line {
    parameter: String,
    value: f64,
    unit: &'static str,
    code: u32,
    quantised: f64,
}

#[derive(Debug, Serialize)]
struct Summary<'a> {
    worst_current_error: f64,
    valid_to_velocity: f64,
    load_n_m: f64,
    warnings: &'a [String],
    winding_c: f64,
    supply_v: f64,
    acceleration: f64,
    deceleration: f64,
    states: Vec<State>,
    #[serde(skip_serializing_if = "Option::is_none")]
    fitted: Option<fit::Report<'a>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    heat: Option<heat::Report>,
}

/// All that was found.
struct Results {
    tuning: Tuning,
    fitted: Option<Fitted>,
    budget: Option<Budget>,
}

#[derive(Debug, Serialize)]
struct State {
    state: &'static str,
    wanted_a: f64,
    lowest_error: f64,
    highest_error: f64,
    worst_velocity: f64,
}

pub(super) fn tune(arguments: &Arguments, output: &mut Output<'_>) -> Result<Verdict, Failure> {
    let margin = arguments.torque_margin;
    if !(0.0..1.0).contains(&margin) {
        return Err(Failure::Input(format!("--torque-margin: found {margin}, expected a share from 0 to below 1")));
    }
    if let Some(winding_c) = arguments.winding_c.filter(|c| !(-100.0..=500.0).contains(c)) {
        return Err(Failure::Input(format!("--winding-c: found {winding_c}, expected -100 to 500 °C")));
    }
    let mut motor = motor::load(&arguments.motor).map_err(Failure::input)?;
    let layout = map_of(&arguments.map.to_string_lossy(), Path::new("")).map_err(Failure::input)?;
    if let Some(out) = &arguments.out {
        run::check_free(out, arguments.force)?;
    }
    let fitted = fit_first(arguments, &mut motor, layout)?;
    let options = Options { winding_c: arguments.winding_c, torque_margin: margin };
    let tuning = tune::tune(&motor, layout, &options).map_err(Failure::Input)?;
    let results = Results { budget: tune::budget(&tuning), tuning, fitted };
    let written = match &arguments.out {
        Some(out) => write_files(out, &results)?,
        None => Vec::new(),
    };
    match output.format {
        Format::Json => json(&results, output)?,
        Format::Text => text(&results, arguments, &written, output)?,
    }
    let tuning = &results.tuning;
    let missed = tuning.valid_to_velocity < motor.wanted.top_velocity
        || tuning.worst_current_error > TOLERABLE
        || results.budget.is_some_and(|budget| budget.exceeds());
    Ok(if missed { Verdict::Found } else { Verdict::NothingWrong })
}

/// Puts what measurements say in the place of what the motor file says.
fn fit_first(arguments: &Arguments, motor: &mut MotorFile, layout: &'static Layout) -> Result<Option<Fitted>, Failure> {
    if arguments.from.is_empty() {
        return Ok(None);
    }
    let defaults = Defaults {
        supply_v: motor.supply.nominal_v,
        winding_c: motor.motor.resistance_at_c,
        microsteps_per_step: resolution_at_reset(layout, 0),
    };
    let measured = arguments.from.iter().map(|path| crate::fit::load(path, &defaults)).collect::<Result<Vec<_>, _>>();
    let fitted = crate::fit::fit(&motor.motor, &measured.map_err(Failure::input)?).map_err(Failure::input)?;
    motor.motor = fitted.motor;
    Ok(Some(fitted))
}

fn write_files(out: &Path, results: &Results) -> Result<Vec<PathBuf>, Failure> {
    let Results { tuning, fitted, budget } = results;
    let undrawn = |error| Failure::Input(format!("the plots cannot be drawn: {error}"));
    let mut files = tune::plots(tuning).map_err(undrawn)?;
    files.extend(fitted.as_ref().map(crate::fit::plots).transpose().map_err(undrawn)?.unwrap_or_default());
    files.extend(budget.as_ref().map(Budget::plots).transpose().map_err(undrawn)?.unwrap_or_default());
    files.push(("settings.rs", tune::snippet(tuning)));
    fs::create_dir_all(out)
        .map_err(|error| Failure::Input(format!("cannot create directory {}: {error}", out.display())))?;
    let mut written = Vec::new();
    for (name, content) in files {
        let path = out.join(name);
        fs::write(&path, content).map_err(|error| Failure::Input(format!("{}: {error}", path.display())))?;
        written.push(path);
    }
    Ok(written)
}

fn json(results: &Results, output: &mut Output<'_>) -> Result<(), Failure> {
    let Results { tuning, fitted, budget } = results;
    for tuned in &tuning.settings {
        output.object(&Line {
            parameter: tuned.parameter.to_string(),
            value: tuned.value,
            unit: tuned.unit.symbol(),
            code: tuned.code,
            quantised: tuned.quantised,
        })?;
    }
    let states = tuning.errors.iter().map(|error| State {
        state: error.state.name(),
        wanted_a: error.wanted_a,
        lowest_error: error.lowest,
        highest_error: error.highest,
        worst_velocity: error.worst_velocity,
    });
    output.object(&Summary {
        worst_current_error: tuning.worst_current_error,
        valid_to_velocity: tuning.valid_to_velocity,
        load_n_m: tuning.load_n_m,
        warnings: &tuning.warnings,
        winding_c: tuning.winding_c,
        supply_v: tuning.motor.supply.nominal_v,
        acceleration: tuning.acceleration,
        deceleration: tuning.deceleration,
        states: states.collect(),
        fitted: fitted.as_ref().map(fit::Report::of),
        heat: budget.as_ref().map(heat::Report::of),
    })
}

fn text(results: &Results, arguments: &Arguments, written: &[PathBuf], output: &mut Output<'_>) -> Result<(), Failure> {
    let Results { tuning, fitted, budget } = results;
    let out = &mut output.out;
    writeln!(out, "{} on `{}`", tuning.motor.name, tuning.layout.name)?;
    if let Some(fitted) = fitted {
        fit::text(fitted, out)?;
    }
    let rows: Vec<_> = tuning
        .settings
        .iter()
        .map(|tuned| {
            let code = format!("{:#x}", tuned.code);
            let [value, quantised] = [tuned.value, tuned.quantised].map(number);
            vec![tuned.parameter.to_string(), value, code, quantised, tuned.unit.symbol().to_owned()]
        })
        .collect();
    writeln!(out, "\n{}", table(&["parameter", "computed", "code", "really", "unit"], &rows, &[1, 2, 3]))?;
    writeln!(
        out,
        "For {} V, windings at {:.0} °C, a load of {:.4} N·m, speeds up to {:.0} steps/s. Errors of the current:",
        number(tuning.motor.supply.nominal_v),
        tuning.winding_c,
        tuning.load_n_m,
        tuning.valid_to_velocity
    )?;
    let percent = |share: f64| format!("{:+.1} %", 100.0 * share);
    let rows: Vec<_> = tuning
        .errors
        .iter()
        .map(|error| {
            let wanted = format!("{} A", number(error.wanted_a));
            let at = format!("{:.0} steps/s", error.worst_velocity);
            vec![error.state.name().to_owned(), wanted, percent(error.lowest), percent(error.highest), at]
        })
        .collect();
    writeln!(out, "\n{}", table(&["motion state", "wanted", "lowest", "highest", "worst at"], &rows, &[1, 2, 3, 4]))?;
    band(tuning, out)?;
    writeln!(out, "Greatest error of all: {:.1} % of the wanted current.", 100.0 * tuning.worst_current_error)?;
    if let Some(budget) = budget {
        heat::text(budget, tuning.winding_c, out)?;
    }
    if !tuning.warnings.is_empty() {
        writeln!(out, "\nTo know:")?;
    }
    for warning in &tuning.warnings {
        writeln!(out, "  {warning}.")?;
    }
    for (index, path) in written.iter().enumerate() {
        writeln!(out, "{}{}", if index == 0 { "\nWritten: " } else { "         " }, path.display())?;
    }
    if written.is_empty() {
        let (motor, map) = (arguments.motor.display(), arguments.map.display());
        let from: String = arguments.from.iter().map(|path| format!(" --from {}", path.display())).collect();
        writeln!(
            out,
            "\nNext: {} tune {motor} --map {map}{from} --out tuned    plots and Rust source in tuned/",
            output.called
        )?;
    }
    Ok(())
}

/// What less load does to the currents, at a few speeds.
fn band(tuning: &Tuning, out: &mut dyn std::io::Write) -> Result<(), Failure> {
    if tuning.setting.drive == stepchain::map::Drive::Current {
        return Ok(());
    }
    let rows: Vec<_> = tuning
        .bands(&tuning.setting, 6)
        .iter()
        .map(|band| {
            let amperes = |value: Option<f64>| value.map_or("lost".to_owned(), |a| format!("{a:.3} A"));
            let (none, full) = (band.currents.map(|b| b.least_load_a), band.currents.map(|b| b.greatest_load_a));
            vec![format!("{:.0} steps/s", band.velocity), amperes(none), amperes(full)]
        })
        .collect();
    writeln!(out, "{}", table(&["at constant velocity", "no load", "stated load"], &rows, &[1, 2]))?;
    Ok(())
}
