//! `run`, and the program without a verb: a bench from end to end.

use std::fs::{self, File};
use std::io::{self, BufWriter};
use std::path::{Path, PathBuf};

use clap::Args;
use serde::Serialize;

use super::{Failure, Format, Output, Verdict};
use crate::bench::{self, BUILT_IN, Bench};
use crate::chain::{CaptureOptions, VirtualChain};
use crate::report::{Report, motion_csv, page};
use crate::run::{self, COLUMNS, FAULT_COLUMNS, Held, InjectedFault, MOTOR_COLUMNS, Outcome, ScopeView};
use crate::scope;
use crate::text::table;

/// Run a bench: encode its commands, let a virtual chain decode them and move, and compare.
#[derive(Debug, Default, Args)]
#[command(after_help = example())]
pub(super) struct Arguments {
    /// The bench file; without one, the built-in bench.
    #[arg(value_name = "BENCH.toml")]
    bench: Option<PathBuf>,
    /// Write report.html, bus.vcd and motion.csv to this directory, which must not exist; and for motors what a scope shows.
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Write to a directory that exists, over what is there.
    #[arg(long, requires = "out")]
    force: bool,
}

/// What `run --help` ends with: a bench file with every key, which a test runs.
fn example() -> String {
    let mut verbs = "Verbs:".to_owned();
    let mut column = verbs.len();
    for (index, verb) in bench::VERBS.iter().enumerate() {
        let end = if index + 1 == bench::VERBS.len() { "." } else { "," };
        let starts_line = column + verb.len() + 2 > 80;
        verbs += if starts_line { "\n" } else { " " };
        verbs = verbs + verb + end;
        column = if starts_line { 0 } else { column + 1 } + verb.len() + 1;
    }
    EXAMPLE.replace("Verbs: VERBS.", &verbs)
}

const EXAMPLE: &str = "\
Example: the built-in bench, with a report to open in a browser
  stepchain run --out out

A bench file names the chain's map and axes, their settings, and what is asked
when. This one has every key but those of motors; what has a default may be
left out:

  title = \"One lift\"            # default: the file's name
  description = \"Up and down.\"  # default: empty
  until_s = 9                   # default: the run ends once all axes stand
  [chain]
  map = \"latched\"               # or \"fixed-word\", or the path of a map file
  axes = [\"lift\"]               # in the order of the chain
  devices = 1                   # default: as many as the axes need
  spi_clock_hz = 1_000_000      # default: the map's fastest
  [settings.all]                # for every axis; default: the reset codes
  profile_velocity = 800        # full steps/s
  [settings.lift]               # for one axis; wins over `all`
  profile_acceleration = 1500   # full steps/s²
  [machine.lift]                # what an axis turns; places are full steps from
                                # where the rotor is at power-up
  home_switch = { closed_from = -10, closed_to = 5 }  # without one of the two:
                                # on and on; or \"open\" (default), \"closed\"
  end_stops = [-200, 900]       # or one of them; default: none
  [[step]]                      # what stands in one step leaves together
  at_s = 0.5                    # a time from the start, or as below
  note = \"up\"                   # default: empty
  lift = { move_relative = 400 }
  [[step]]
  wait_s = 1.5                  # from the step before
  lift = { stop = \"profile\", bridge = \"driven\" }  # bridge's default: driven
  [[step]]
  after = \"standstill\"          # once all axes stand
  wait_s = 0.1                  # and so long after that; default: 0
  lift = { move_absolute = 0, way = \"shortest\" }  # way's default: shortest
  [[step]]
  after = \"standstill\"
  all = { write_parameter = \"profile_velocity\", value = 400 }
  [[fault]]                     # what goes wrong, by a script; default: nothing
  blocked_rotor = \"lift\"        # by the axis, or by a line of the bus: see below
  at_s = 8.5                    # a time from the start, or
                                # at_frame = 9: frames count from 0 at power-up, or
                                # on = an event: see below
  lasts_s = 0.05                # or lasts_frames = 2; default: to the end of the
                                # run, and for a reset: over at once
  seed = 7                      # for what is drawn; default: its place, from 1
  note = \"a screw fell in\"      # default: empty
  [expect]                      # where axes must end; default: anywhere
  lift = 0                      # full steps

Verbs: VERBS.
`stepchain map show MAP` lists the parameters and what else the map has.

  stop = \"profile\", \"quick\" or \"none\"
  bridge = \"driven\", \"shorted\" or \"high_impedance\"
  way = \"shortest\", \"positive\" or \"negative\"
  pulse_input = \"positive\" or \"negative\"
  edge = \"probe\" or \"zero\"      # beside a search: what becomes of the position
  buffered = true               # beside a motion: it waits for the one before;
                                # default: false

A command without an argument is a word: lift = \"take_status\".

Motors, each in a table such as [motor.lift]; without one the rotor follows the
counter. With one it is a model of currents, torque and heat, device and home
switch see what it does, and reached_steps is where the rotor is. A load with a
torque turns the rotor whenever the bridge lets go, as from power-up on: give it
an end stop to lie on, as in examples/pond-sampler.toml.
  file = \"motors/demo.toml\"     # seen from the bench; what it says, unless here:
  load_torque_n_m, load_inertia_kg_m2, load_dry_friction_n_m,
  load_viscous_friction_n_m_s_per_rad
  supply_v                      # the bridges'; default: the file's nominal one
  undervoltage_v = 8            # below, the device shuts its bridges off
  ambient_c, winding_c          # of the air; of the windings at power-up
  warning_c = 125, shut_off_c = 150   # of the device's output stage
  stage_resistance_ohm = 0.3, stage_capacity_j_per_k = 15,
  stage_resistance_k_per_w = 20 # how the currents heat it

Faults, one in a [[fault]]:
  bit_flips = \"mosi\" or \"miso\"  # beside it probability = 0.01 of each bit,
                                # or bits = [3, 17] of each frame, from 0
  lost_clocks = 1, extra_clocks = 1   # in each frame, where the seed says
  stuck_line = \"sck\", \"mosi\", \"miso\", \"cs\" or, between two devices, \"behind\"
                                # beside it level = \"low\" or \"high\", and
                                # behind = \"lift\": the device before the break
  reset = \"lift\", undervoltage = \"lift\"   # of the device that drives the axis
  overheating = \"lift\"          # shut_off_after_s = 2: how long it only warns;
                                # default: that is all it does
  open_winding = \"lift\"         # beside it winding = \"a\" or \"b\"
  blocked_rotor = \"lift\"
Events, such as on = { axis = \"lift\", position = 120 }:
  motion = 2                    # its second motion from standstill begins
  position = 120                # it comes to a position, full steps
  velocity = 300                # it is as fast as this, full steps/s";

/// What JSON says of one axis.
#[derive(Debug, Serialize)]
struct Line<'a> {
    axis: &'a str,
    commanded_steps: Option<f64>,
    reached_steps: f64,
    lost_steps: f64,
    #[serde(skip_serializing_if = "Option::is_none")]
    motor: Option<MotorLine>,
    peak_velocity: f64,
    duration_s: f64,
    faults: &'a [String],
    bytes_on_wire: u64,
    least_bytes: u64,
    settings: Vec<Set<'a>>,
    findings: Vec<String>,
    answers: Vec<Told<'a>>,
    injected: Vec<Disturbed<'a>>,
}

/// What JSON says of a motor.
#[derive(Debug, Serialize)]
struct MotorLine {
    peak_current_a: f64,
    greatest_winding_c: f64,
    greatest_stage_c: f64,
}

/// A fault of the bench that concerns an axis.
#[derive(Debug, Serialize)]
struct Disturbed<'a> {
    fault: usize,
    what: &'a str,
    began_s: Option<f64>,
    ended_s: Option<f64>,
    frames: u64,
    hits: u64,
}

/// A setting, and what the register holds of it.
#[derive(Debug, Serialize)]
struct Set<'a> {
    parameter: &'a str,
    value: f64,
    unit: &'a str,
    code: u32,
    quantised: f64,
}

impl<'a> Disturbed<'a> {
    fn of(injected: &'a InjectedFault) -> Self {
        let InjectedFault { number, text, began_s, ended_s, frames, hits, .. } = injected;
        Self { fault: *number, what: text, began_s: *began_s, ended_s: *ended_s, frames: *frames, hits: *hits }
    }
}

impl<'a> Set<'a> {
    fn of(held: &'a Held) -> Self {
        let Held { parameter, asked, really, unit, code, .. } = held;
        Self { parameter, value: *asked, unit, code: *code, quantised: *really }
    }
}

/// An answer to a question of the bench.
#[derive(Debug, Serialize)]
struct Told<'a> {
    step: usize,
    asked: &'a str,
    answer: &'a str,
}

pub(super) fn run(arguments: &Arguments, output: &mut Output<'_>) -> Result<Verdict, Failure> {
    let bench = match &arguments.bench {
        Some(path) => bench::load(path),
        None => bench::parse(&BUILT_IN),
    };
    let bench = bench.map_err(Failure::input)?;
    if let Some(out) = &arguments.out {
        check_free(out, arguments.force)?;
    }
    let outcome = match &arguments.out {
        None => run::run(&bench).map_err(Failure::input)?,
        Some(out) => {
            let mut chain = None;
            let outcome = run::run_watched(&bench, |it| begin_capture(out, &bench, chain.insert(it.clone())))?;
            if let Some(chain) = chain {
                end_capture(out, &chain)?;
            }
            let views = run::scope_views(&bench, &outcome).map_err(Failure::input)?;
            let scopes = write_scopes(out, &bench, &views)?;
            write_files(out, &Report { scopes, ..run::report(&bench, &outcome) })?;
            outcome
        }
    };
    match output.format {
        Format::Json => json(&bench, &outcome, output)?,
        Format::Text => text(&bench, &outcome, arguments, output)?,
    }
    Ok(if outcome.is_well() { Verdict::NothingWrong } else { Verdict::Found })
}

pub(super) fn check_free(out: &Path, force: bool) -> Result<(), Failure> {
    match fs::symlink_metadata(out) {
        Err(_) => Ok(()),
        Ok(_) if force && out.is_dir() => Ok(()),
        Ok(_) if out.is_dir() => Err(Failure::Input(format!(
            "{}: found a directory that exists, expected a new one; --force writes over it",
            out.display()
        ))),
        Ok(_) => Err(Failure::Input(format!("{}: found a file, expected a directory", out.display()))),
    }
}

/// The capture of the bus.
const BUS: &str = "bus.vcd";

/// Makes the directory, and writes to it what the chain of a bench does from now on.
pub(super) fn begin_capture(out: &Path, bench: &Bench, chain: &VirtualChain) -> Result<(), Failure> {
    fs::create_dir_all(out)
        .map_err(|error| Failure::Input(format!("cannot create directory {}: {error}", out.display())))?;
    let names = bench.axes.iter().map(|axis| ((axis.device, axis.axis.into()), axis.name.clone()));
    let options = CaptureOptions { axis_names: names.collect(), ..CaptureOptions::default() };
    let path = out.join(BUS);
    let begun = File::create(&path).and_then(|file| chain.capture_to(BufWriter::new(file), &options));
    begun.map_err(|error| failed(&path, &error))
}

pub(super) fn end_capture(out: &Path, chain: &VirtualChain) -> Result<(), Failure> {
    chain.end_capture().map_err(|error| failed(&out.join(BUS), &error))?;
    Ok(())
}

/// Writes what an oscilloscope shows; gives the pictures.
fn write_scopes(out: &Path, bench: &Bench, views: &[ScopeView]) -> Result<Vec<String>, Failure> {
    let mut pictures = Vec::new();
    for ScopeView { axis, moment, trace, cursors, reference_a } in views {
        let name = bench.axes.get(*axis).map_or("", |axis| &axis.name);
        let is_plain = name.chars().all(|sign| sign.is_ascii_alphanumeric() || "_-".contains(sign));
        let in_file = if is_plain { name.to_owned() } else { format!("axis_{axis}") };
        let stem = format!("scope_{in_file}_{}", moment.name().replace(' ', "_"));
        let title = format!("{name}: {}", moment.name());
        let picture = scope::plot(trace, &title, cursors, *reference_a)
            .map_err(|error| Failure::Input(format!("what the scope shows cannot be drawn: {error}")))?;
        let csv = scope::csv(trace)
            .map_err(|error| Failure::Input(format!("what the scope shows cannot be written: {error}")))?;
        for (ending, content) in [("svg", &picture), ("csv", &csv)] {
            let path = out.join(format!("{stem}.{ending}"));
            fs::write(&path, content).map_err(|error| failed(&path, &error))?;
        }
        let path = out.join(format!("{stem}.vcd"));
        let written = File::create(&path).and_then(|file| scope::vcd(trace, &title, BufWriter::new(file)));
        written.map_err(|error| failed(&path, &error))?;
        pictures.push(picture);
    }
    Ok(pictures)
}

/// A file that cannot be written.
fn failed(path: &Path, error: &io::Error) -> Failure {
    Failure::Input(format!("{}: {error}", path.display()))
}

pub(super) fn write_files(out: &Path, report: &Report) -> Result<(), Failure> {
    let page = page(report).map_err(|error| Failure::Input(format!("the report cannot be drawn: {error}")))?;
    let csv = motion_csv(report).map_err(|error| Failure::Input(format!("the motion cannot be written: {error}")))?;
    for (name, content) in [("report.html", page), ("motion.csv", csv)] {
        let path = out.join(name);
        fs::write(&path, content).map_err(|error| failed(&path, &error))?;
    }
    Ok(())
}

fn json(bench: &Bench, outcome: &Outcome, output: &mut Output<'_>) -> Result<(), Failure> {
    let held = run::held(bench);
    for (index, axis) in outcome.axes.iter().enumerate() {
        let own = outcome.findings.iter().filter(|finding| finding.axis == Some(index));
        let answers = outcome.answers.iter().filter(|answer| answer.axis == index);
        output.object(&Line {
            axis: &axis.name,
            commanded_steps: axis.commanded_steps,
            reached_steps: axis.reached_steps,
            lost_steps: axis.lost_steps,
            motor: axis.motor.map(|motor| MotorLine {
                peak_current_a: motor.peak_current_a,
                greatest_winding_c: motor.greatest_winding_c,
                greatest_stage_c: motor.greatest_stage_c,
            }),
            peak_velocity: axis.peak_velocity,
            duration_s: axis.duration_s,
            faults: &axis.faults,
            bytes_on_wire: axis.bytes_on_wire,
            least_bytes: axis.least_bytes,
            settings: held.iter().filter(|held| held.axis == index).map(Set::of).collect(),
            findings: own.map(|finding| outcome.told(finding)).collect(),
            answers: answers.map(|told| Told { step: told.step, asked: &told.asked, answer: &told.answer }).collect(),
            injected: outcome.injected.iter().filter(|fault| fault.axes.contains(&index)).map(Disturbed::of).collect(),
        })?;
    }
    // What concerns the chain as a whole has no line of its own.
    for finding in outcome.findings.iter().filter(|finding| finding.axis.is_none()) {
        writeln!(output.err, "stepchain: {}", outcome.told(finding))?;
    }
    Ok(())
}

fn text(bench: &Bench, outcome: &Outcome, arguments: &Arguments, output: &mut Output<'_>) -> Result<(), Failure> {
    let out = &mut output.out;
    writeln!(out, "{}", bench.title)?;
    if !bench.description.is_empty() {
        writeln!(out, "{}", bench.description)?;
    }
    writeln!(out, "\n{}", table(&COLUMNS, &run::rows(outcome), &[1, 2, 3, 4, 5]))?;
    let motors = run::motor_rows(outcome);
    if !motors.is_empty() {
        writeln!(out, "{}", table(&MOTOR_COLUMNS, &motors, &[1, 2, 3, 4, 5]))?;
    }
    writeln!(out, "Bus: {}.", run::bus(outcome))?;
    writeln!(out, "Settings: {} written, {} read back.", bench.settings.len(), outcome.settings_read_back)?;
    for held in run::held(bench).iter().filter(|held| held.is_rounded()) {
        let name = outcome.axes.get(held.axis).map_or("", |axis| &axis.name);
        let ([asked, really], Held { parameter, unit, code, .. }) = (held.numbers(), held);
        writeln!(out, "  `{name}`, {parameter}: asked {asked} {unit}, really {really} {unit} (code {code:#x}).")?;
    }
    writeln!(
        out,
        "Timeline: {} {}, {} s of virtual time.",
        bench.steps.len(),
        if bench.steps.len() == 1 { "step" } else { "steps" },
        crate::report::number(outcome.duration_s)
    )?;
    for answer in &outcome.answers {
        let name = outcome.axes.get(answer.axis).map_or("", |axis| &axis.name);
        writeln!(out, "Step {}, `{name}`, {}: {}.", answer.step, answer.asked, answer.answer)?;
    }
    if !outcome.injected.is_empty() {
        let rows: Vec<_> = outcome.injected.iter().map(InjectedFault::row).collect();
        writeln!(out, "\nInjected faults, by the bench:\n{}", table(&FAULT_COLUMNS, &rows, &[0]))?;
    }
    match (outcome.is_well(), outcome.injected.len()) {
        (true, 0) => writeln!(out, "Nothing wrong: every target was reached.")?,
        (true, _) => writeln!(out, "Nothing wrong, in spite of the injected faults: every target was reached.")?,
        (false, 0) => writeln!(out, "\nFound:")?,
        (false, _) => writeln!(out, "Found:")?,
    }
    for finding in &outcome.findings {
        writeln!(out, "  {}", outcome.told(finding))?;
    }
    for shown in outcome.shown() {
        writeln!(out, "  {shown}")?;
    }
    let bench = arguments.bench.as_ref().map_or(String::new(), |path| format!(" {}", path.display()));
    match &arguments.out {
        Some(dir) => {
            writeln!(out, "\nWritten: {}", dir.join("report.html").display())?;
            writeln!(out, "         {}", dir.join("motion.csv").display())?;
            writeln!(out, "         {}", dir.join(BUS).display())?;
            if outcome.axes.iter().any(|axis| axis.motor.is_some()) {
                writeln!(out, "         {}    as SVG, CSV and VCD", dir.join("scope_AXIS_EVENT").display())?;
            }
        }
        None => {
            let (run, help) = (format!("{} run{bench} --out out", output.called), format!("{} --help", output.called));
            writeln!(out, "\nNext: {run}    charts in out/report.html, numbers in out/motion.csv")?;
            writeln!(out, "      {help:width$}    all verbs, each with an example", width = run.chars().count())?;
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_help_shows_every_key_and_verb_of_a_bench_file() {
        let help = example();
        let words: Vec<_> = help.split(|c: char| !(c.is_ascii_alphanumeric() || c == '_')).collect();
        for key in bench::keys().iter().chain(bench::VERBS) {
            assert!(words.contains(key), "`{key}` is not in\n{help}");
        }
    }
}
