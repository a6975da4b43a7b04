//! `plan`: predicts a move, or several in a straight line; ideal, or as the codes of a map will really do it.

use std::path::{Path, PathBuf};

use clap::Args;
use serde::Serialize;
use stepchain::map::Layout;

use super::{Failure, Format, Output, Verdict};
use crate::bench::{map_of, resolution_at_reset};
use crate::motion::OutOfRange;
use crate::motion::line::{AxisMove, straight_line};
use crate::motion::profile::{Profile, Ramp, to_target};
use crate::report::number;
use crate::text::table;

mod quantise;

use quantise::{Quantised, quantise};

/// Predict how long a move takes and how fast it gets.
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES, override_usage = USAGE)]
pub(super) struct Arguments {
    /// How far, in full steps; negative counts down.
    #[arg(long, value_name = "STEPS", allow_negative_numbers = true, required_unless_present = "axis")]
    distance: Option<f64>,
    /// Cruising speed, in full steps/s.
    #[arg(long, value_name = "STEPS/S", allow_negative_numbers = true, required_unless_present = "axis")]
    velocity: Option<f64>,
    /// Slope of the rising ramp, in full steps/s².
    #[arg(long, value_name = "STEPS/S²", allow_negative_numbers = true, required_unless_present = "axis")]
    acceleration: Option<f64>,
    /// Slope of the falling ramp, in full steps/s²; as the acceleration if not given.
    #[arg(long, value_name = "STEPS/S²", allow_negative_numbers = true)]
    deceleration: Option<f64>,
    /// Speed taken up and dropped without a ramp, in full steps/s.
    #[arg(long, value_name = "STEPS/S", allow_negative_numbers = true, default_value_t = 0.0)]
    start_velocity: f64,
    /// One axis of a straight line: distance, velocity, acceleration, and if wanted deceleration and start velocity.
    /// Give it once for each axis.
    #[arg(
        long,
        value_name = "D,V,A,B,S",
        allow_hyphen_values = true,
        value_parser = axis_move,
        conflicts_with_all = ["distance", "velocity", "acceleration", "deceleration", "start_velocity"],
    )]
    axis: Vec<AxisMove>,
    /// Plan with this map's register codes: latched, fixed-word, or the path of a map file.
    #[arg(long, value_name = "MAP")]
    map: Option<PathBuf>,
    /// Microsteps in a full step; what the map's device has after power-up if not given.
    #[arg(long, value_name = "N", requires = "map")]
    microsteps: Option<u16>,
}

/// The map and the resolution with which a move is to be put into codes.
#[derive(Clone, Copy, Debug)]
struct Target {
    layout: &'static Layout,
    microsteps: u16,
}

const USAGE: &str = "\
stepchain plan --distance STEPS --velocity STEPS/S --acceleration STEPS/S² [OPTIONS]
       stepchain plan --axis D,V,A[,B[,S]] --axis D,V,A[,B[,S]] ... [OPTIONS]";

const EXAMPLES: &str = "\
Example: a move as the registers of a device will really do it
  stepchain plan --distance 100000 --velocity 1000 --acceleration 500 --map latched

Example: two axes that start together, end together and stay in proportion
  stepchain plan --axis 400,800,1500 --axis=-250,600,2000,1000,20";

/// The parts of one motion, in seconds and full steps/s.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
struct Times {
    duration_s: f64,
    peak_velocity: f64,
    accelerate_s: f64,
    cruise_s: f64,
    decelerate_s: f64,
}

impl Times {
    fn of(profile: &Profile) -> Self {
        Self {
            duration_s: profile.duration_s(),
            peak_velocity: profile.peak_velocity(),
            accelerate_s: profile.accelerate_s(),
            cruise_s: profile.cruise_s(),
            decelerate_s: profile.decelerate_s(),
        }
    }
}

/// What is told of one axis. With a map the times are those of the codes.
#[derive(Debug, Serialize)]
struct Prediction {
    #[serde(skip_serializing_if = "Option::is_none")]
    axis: Option<usize>,
    #[serde(flatten)]
    times: Times,
    distance_steps: f64,
    /// The ramp that keeps an axis of a coordinated move on the line.
    #[serde(skip_serializing_if = "Option::is_none")]
    ramp: Option<Limits>,
    #[serde(skip_serializing_if = "Option::is_none")]
    ideal: Option<Times>,
    #[serde(skip_serializing_if = "Option::is_none")]
    quantised: Option<Quantised>,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
struct Limits {
    velocity: f64,
    acceleration: f64,
    deceleration: f64,
    start_velocity: f64,
}

fn axis_move(text: &str) -> Result<AxisMove, String> {
    let numbers: Result<Vec<f64>, _> = text.split(',').map(|part| part.trim().parse()).collect();
    let numbers = numbers.map_err(|_| format!("found {text:?}, expected numbers with commas between them"))?;
    let (distance, velocity, acceleration, rest) = match numbers.as_slice() {
        [distance, velocity, acceleration, rest @ ..] if rest.len() <= 2 => (*distance, *velocity, *acceleration, rest),
        _ => return Err(format!("found {} numbers, expected 3 to 5: D,V,A or D,V,A,B or D,V,A,B,S", numbers.len())),
    };
    let deceleration = rest.first().copied().unwrap_or(acceleration);
    let start_velocity = rest.get(1).copied().unwrap_or(0.0);
    Ok(AxisMove { distance, ramp: Ramp { velocity, acceleration, deceleration, start_velocity } })
}

pub(super) fn plan(arguments: &Arguments, output: &mut Output<'_>) -> Result<Verdict, Failure> {
    let target = arguments.map.as_deref().map(|map| target(map, arguments.microsteps)).transpose()?;
    let single = match (arguments.distance, arguments.velocity, arguments.acceleration) {
        (Some(distance), Some(velocity), Some(acceleration)) => Some(AxisMove {
            distance,
            ramp: Ramp {
                velocity,
                acceleration,
                deceleration: arguments.deceleration.unwrap_or(acceleration),
                start_velocity: arguments.start_velocity,
            },
        }),
        _ => None,
    };
    let predictions = match single {
        Some(asked) => {
            let profile = to_target(0.0, asked.distance, &asked.ramp).map_err(|error| refused(&error))?;
            vec![predict(None, &asked, Some(asked.ramp), &profile, target)?]
        }
        None => coordinated(&arguments.axis, target)?,
    };
    match output.format {
        Format::Json => {
            for prediction in &predictions {
                output.object(prediction)?;
            }
        }
        Format::Text => write!(output.out, "{}", words(&predictions, target.map(|target| target.layout)))?,
    }
    Ok(Verdict::NothingWrong)
}

fn target(map: &Path, microsteps: Option<u16>) -> Result<Target, Failure> {
    let layout = map_of(&map.to_string_lossy(), Path::new("")).map_err(Failure::input)?;
    let known = layout.position.resolutions;
    match microsteps {
        None => Ok(Target { layout, microsteps: resolution_at_reset(layout, 0) }),
        Some(microsteps) if known.contains(&microsteps) => Ok(Target { layout, microsteps }),
        Some(other) => {
            let known: Vec<_> = known.iter().map(u16::to_string).collect();
            let known = known.join(", ");
            Err(Failure::Input(format!(
                "--microsteps: found {other}, expected one of {known}, as `{}` has",
                layout.name
            )))
        }
    }
}

fn refused(error: &OutOfRange) -> Failure {
    Failure::Input(out_of_range(error))
}

/// The error in the words and units of the options.
fn out_of_range(error: &OutOfRange) -> String {
    let OutOfRange { what, value, min, max } = error;
    let unit = match *what {
        "distance" => "steps",
        what if what.ends_with("velocity") => "steps/s",
        _ => "steps/s²",
    };
    let article = if what.starts_with('a') { "an" } else { "a" };
    format!("found {article} {what} of {value} {unit}, expected {min}..={max} {unit}")
}

fn coordinated(axes: &[AxisMove], target: Option<Target>) -> Result<Vec<Prediction>, Failure> {
    let line = straight_line(axes).map_err(|error| refused(&error))?;
    let both = axes.iter().zip(&line.axes).enumerate();
    let mut predictions = Vec::new();
    for (index, (asked, plan)) in both {
        let mut prediction = predict(Some(index), asked, plan.ramp, &plan.profile, target)?;
        prediction.ramp = plan.ramp.map(|ramp| Limits {
            velocity: ramp.velocity,
            acceleration: ramp.acceleration,
            deceleration: ramp.deceleration,
            start_velocity: ramp.start_velocity,
        });
        predictions.push(prediction);
    }
    Ok(predictions)
}

/// `ramp` is what the axis shall keep to; none for an axis that stands still.
fn predict(
    axis: Option<usize>,
    asked: &AxisMove,
    ramp: Option<Ramp>,
    ideal: &Profile,
    target: Option<Target>,
) -> Result<Prediction, Failure> {
    let ideal = Times::of(ideal);
    let plain =
        Prediction { axis, times: ideal, distance_steps: asked.distance, ramp: None, ideal: None, quantised: None };
    let (Some(Target { layout, microsteps }), Some(ramp)) = (target, ramp) else {
        return Ok(plain);
    };
    let (really, quantised) = quantise(layout, microsteps, &AxisMove { distance: asked.distance, ramp })?;
    let profile = to_target(0.0, really.distance, &really.ramp)
        .map_err(|error| Failure::Input(format!("in the codes of `{}`: {}", layout.name, out_of_range(&error))))?;
    let times = Times::of(&profile);
    Ok(Prediction { times, distance_steps: really.distance, ideal: Some(ideal), quantised: Some(quantised), ..plain })
}

fn words(predictions: &[Prediction], layout: Option<&'static Layout>) -> String {
    let mut text = match layout {
        Some(layout) => format!("As the codes of `{}` will really do it:\n\n", layout.name),
        None => String::new(),
    };
    let head = ["", "distance", "duration", "peak velocity", "speeding up", "cruising", "slowing down"];
    let row = |name: String, distance: f64, times: &Times| {
        vec![
            name,
            format!("{} steps", number(distance)),
            format!("{} s", number(times.duration_s)),
            format!("{} steps/s", number(times.peak_velocity)),
            format!("{} s", number(times.accelerate_s)),
            format!("{} s", number(times.cruise_s)),
            format!("{} s", number(times.decelerate_s)),
        ]
    };
    let mut rows = Vec::new();
    for prediction in predictions {
        let name = prediction.axis.map_or("the move".to_owned(), |axis| format!("axis {axis}"));
        rows.push(row(name, prediction.distance_steps, &prediction.times));
        if let (Some(ideal), Some(quantised)) = (&prediction.ideal, &prediction.quantised) {
            rows.push(row("  as asked".to_owned(), quantised.asked_distance_steps, ideal));
        }
    }
    text += &table(&head, &rows, &[1, 2, 3, 4, 5, 6]);
    for prediction in predictions {
        if let Some(quantised) = &prediction.quantised {
            let of_axis = prediction.axis.map_or(String::new(), |axis| format!(" of axis {axis}"));
            text += &format!("\nRegisters{of_axis}:\n\n{}", quantised.words());
        }
    }
    let lines = predictions.iter().filter_map(|prediction| prediction.ramp.map(|ramp| (prediction, ramp)));
    let rows: Vec<_> = lines
        .map(|(prediction, ramp)| {
            vec![
                prediction.axis.map_or(String::new(), |axis| format!("axis {axis}")),
                format!("{} steps/s", number(ramp.velocity)),
                format!("{} steps/s²", number(ramp.acceleration)),
                format!("{} steps/s²", number(ramp.deceleration)),
                format!("{} steps/s", number(ramp.start_velocity)),
            ]
        })
        .collect();
    if !rows.is_empty() && layout.is_none() {
        let head = ["", "velocity", "acceleration", "deceleration", "start velocity"];
        text += &format!("\nSet so, they keep to the line:\n\n{}", table(&head, &rows, &[1, 2, 3, 4]));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_axis_has_three_to_five_numbers() {
        let full = axis_move("-400,800,1500,1000,20").unwrap();
        assert_eq!((full.distance, full.ramp.deceleration, full.ramp.start_velocity), (-400.0, 1000.0, 20.0));
        let short = axis_move("400, 800, 1500").unwrap();
        assert_eq!((short.ramp.deceleration, short.ramp.start_velocity), (1500.0, 0.0));
        assert!(axis_move("400,800").unwrap_err().contains("2 numbers"));
        assert!(axis_move("400,800,fast").unwrap_err().contains("expected numbers"));
    }
}
