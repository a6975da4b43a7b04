//! The fit as pictures: measured beside fitted, as SVG.

use core::error::Error;

use super::Fitted;
use super::point::Point;
use crate::motor::MotorData;
use crate::report::number;
use crate::tune::sheet::{BLUE, GREEN, Line, Look, ORANGE, Sheet, TEXT, VERMILION, line};

/// Curves that one picture bears; where more would be needed, each point has its own fitted dot.
const MOST_CURVES: usize = 4;
const COLOURS: [plotters::style::RGBColor; MOST_CURVES] = [BLUE, VERMILION, GREEN, ORANGE];
const LOOKS: u32 = 300;

/// File names and pictures: currents over speed for steady points, the half waves over time for a recording.
///
/// # Errors
/// What the drawing library refuses.
pub fn plots(fitted: &Fitted) -> Result<Vec<(&'static str, String)>, Box<dyn Error>> {
    let mut pictures = Vec::new();
    if let Some(steady) = &fitted.steady {
        let top = steady.points.iter().map(|point| point.velocity).fold(0.0, f64::max);
        let lines = match groups(&steady.points) {
            groups if groups.len() <= MOST_CURVES => {
                groups.iter().zip(COLOURS).flat_map(|(group, colour)| curve(&fitted.motor, group, colour)).collect()
            }
            _ => {
                let measured = steady.points.iter().map(|point| (point.velocity, point.current_a)).collect();
                let promised = steady.points.iter().zip(&steady.promised_a);
                let promised = promised.map(|(point, &current_a)| (point.velocity, current_a)).collect();
                vec![
                    Line { look: Look::Dots, ..line("measured", VERMILION, measured) },
                    Line { look: Look::Crosses, ..line("fitted motor at the same amplitude and load", BLUE, promised) },
                ]
            }
        };
        let sheet = Sheet {
            across: "speed, steps/s",
            from_to: (0.0, 1.02 * top),
            up: "phase current, A (peak)",
            from_zero: true,
            lines: &lines,
            shade: &[],
        };
        pictures.push(("measured-current.svg", sheet.draw()?));
    }
    if let Some(recording) = &fitted.recording {
        let (Some(first), Some(last)) = (recording.half_waves.first(), recording.half_waves.last()) else {
            return Ok(pictures);
        };
        let each = recording.half_waves.iter().map(|wave| (wave.at_s, wave.back_emf_v_s_per_rad)).collect();
        let level = |value: f64| vec![(first.at_s, value), (last.at_s, value)];
        let mut lines = vec![Line { look: Look::Dots, ..line("each half wave", VERMILION, each) }];
        if let Some(constant) = fitted.constants.iter().find(|constant| constant.name == "back_emf_v_s_per_rad") {
            lines.push(line("fitted", BLUE, level(constant.value)));
            lines.push(Line { look: Look::Dashes, ..line("motor file", TEXT, level(constant.file_value)) });
        }
        let room = 0.02 * (last.at_s - first.at_s);
        let sheet = Sheet {
            across: "time, s",
            from_to: (first.at_s - room, last.at_s + room),
            up: "back-EMF constant, V·s/rad",
            from_zero: false,
            lines: &lines,
            shade: &[],
        };
        pictures.push(("measured-back-emf.svg", sheet.draw()?));
    }
    Ok(pictures)
}

/// Points that differ in nothing but their speed.
fn groups(points: &[Point]) -> Vec<Vec<Point>> {
    let mut groups: Vec<Vec<Point>> = Vec::new();
    let alike = |a: &Point, b: &Point| {
        let apart = Point { line: a.line, velocity: a.velocity, current_a: a.current_a, ..*b };
        *a == apart
    };
    for point in points {
        match groups.iter_mut().find(|group| group.iter().all(|other| alike(other, point))) {
            Some(group) => group.push(*point),
            None => groups.push(vec![*point]),
        }
    }
    groups
}

/// The dots of a group, and the fitted motor's curve between them.
fn curve(motor: &MotorData, group: &[Point], colour: plotters::style::RGBColor) -> Vec<Line> {
    let Some(&one) = group.first() else { return Vec::new() };
    let slowest = group.iter().map(|point| point.velocity).fold(f64::INFINITY, f64::min);
    let fastest = group.iter().map(|point| point.velocity).fold(slowest, f64::max);
    let constants = [motor.resistance_ohm, motor.inductance_h, motor.back_emf_v_s_per_rad];
    let at = |look: u32| {
        let velocity = slowest + (fastest - slowest) * f64::from(look) / f64::from(LOOKS);
        Point { velocity, ..one }
    };
    let promises = (0..=LOOKS).map(|look| (at(look).velocity, at(look).promise(motor, constants)));
    let points =
        promises.take_while(|(_, promise)| !promise.lost).map(|(velocity, promise)| (velocity, promise.current_a));
    let mut what = format!("{} V", number(one.amplitude_v));
    if one.rotor_blocked {
        what += ", rotor blocked";
    } else if one.load_n_m != 0.0 {
        what += &format!(", {} N·m", number(one.load_n_m));
    }
    let measured = group.iter().map(|point| (point.velocity, point.current_a)).collect();
    vec![
        Line { look: Look::Dots, ..line(&format!("measured at {what}"), colour, measured) },
        line(&format!("fitted at {what}"), colour, points.collect()),
    ]
}
