//! The pictures: phase current, voltage and torque over speed, as SVG.

use core::error::Error;

use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};
use stepchain::map::{Drive, MotionState};

use super::{Band, Tuning, ramp};
use crate::motor::{Setting, voltage_for_current_v};

// Colours of the Okabe-Ito palette, which stay apart for colour-blind readers; each line also bears its name.
const BLUE: RGBColor = RGBColor(0, 114, 178);
const VERMILION: RGBColor = RGBColor(213, 94, 0);
const GREEN: RGBColor = RGBColor(0, 158, 115);
const ORANGE: RGBColor = RGBColor(230, 159, 0);
const GRID: RGBColor = RGBColor(228, 230, 234);
const AXIS: RGBColor = RGBColor(120, 126, 136);
const TEXT: RGBColor = RGBColor(45, 50, 58);

/// In units of half a pixel.
const SIZE: (u32, u32) = (1800, 1100);
const LABEL: (&str, f64) = ("sans-serif", 34.0);
/// Height of a row of names.
const ROW: u32 = 52;
/// How much of its colour a shaded area shows.
const SHADE: f64 = 0.22;
const LOOKS: u32 = 300;

/// A slope that is half as steep again as it should be.
const EXAGGERATED: f64 = 1.5;

/// A named line through points; `dashed` for what is only wanted or needed.
struct Line {
    name: String,
    colour: RGBColor,
    dashed: bool,
    points: Vec<(f64, f64)>,
}

/// File names and pictures: current, voltage and torque over speed at constant velocity. A map whose amplitude is a
/// current has no voltage to compensate, and so no pictures.
///
/// # Errors
/// What the drawing library refuses.
pub fn plots(tuning: &Tuning) -> Result<Vec<(&'static str, String)>, Box<dyn Error>> {
    if tuning.setting.drive == Drive::Current {
        return Ok(Vec::new());
    }
    Ok(vec![("current.svg", currents(tuning)?), ("voltage.svg", voltages(tuning)?), ("torque.svg", torques(tuning)?)])
}

fn currents(tuning: &Tuning) -> Result<String, Box<dyn Error>> {
    let full = |setting: &Setting| -> Vec<(f64, f64)> {
        let carried = |band: &Band| Some((band.velocity, band.currents?.greatest_load_a));
        tuning.bands(setting, LOOKS).iter().map_while(carried).collect()
    };
    let bands: Vec<_> = tuning
        .bands(&tuning.setting, LOOKS)
        .into_iter()
        .filter_map(|band| Some((band.velocity, band.currents?)))
        .collect();
    let lower = bands.iter().map(|(velocity, band)| (*velocity, band.least_a));
    let upper = bands.iter().rev().map(|(velocity, band)| (*velocity, band.greatest_a));
    let wanted_a = tuning.motor.wanted.currents_a.constant_velocity;
    let lines = [
        line("without compensation", VERMILION, full(&tuning.with_slopes(0.0))),
        line("slopes half as steep again", ORANGE, full(&tuning.with_slopes(EXAGGERATED))),
        line("tuned, stated load; shaded down to no load", BLUE, full(&tuning.setting)),
        Line { dashed: true, ..line("wanted", TEXT, vec![(0.0, wanted_a), (tuning.valid_to_velocity, wanted_a)]) },
    ];
    draw(tuning, "phase current, A (peak)", &lines, &lower.chain(upper).collect::<Vec<_>>())
}

fn voltages(tuning: &Tuning) -> Result<String, Box<dyn Error>> {
    let (windings, supply_v) = (tuning.windings(), tuning.motor.supply.nominal_v);
    let wanted_a = tuning.motor.wanted.currents_a.constant_velocity;
    let over = |value: &dyn Fn(f64) -> Option<f64>| -> Vec<(f64, f64)> {
        let at = |look: u32| tuning.valid_to_velocity * f64::from(look) / f64::from(LOOKS);
        (0..=LOOKS).filter_map(|look| Some((at(look), value(at(look))?))).collect()
    };
    let demand = over(&|velocity| {
        let torque_n_m = tuning.torque_n_m(MotionState::ConstantVelocity, velocity);
        let lead_rad = crate::motor::current_lead_rad(&windings, wanted_a, torque_n_m)?;
        Some(voltage_for_current_v(&windings, wanted_a, lead_rad, velocity))
    });
    let no_load = over(&|velocity| Some(voltage_for_current_v(&windings, wanted_a, 0.0, velocity)));
    let made = over(&|velocity| Some(tuning.volts(&tuning.setting, MotionState::ConstantVelocity, velocity, supply_v)));
    let lines = [
        line("needed under the stated load", VERMILION, demand),
        Line { dashed: true, ..line("needed without load", AXIS, no_load) },
        line("made by the registers", BLUE, made),
    ];
    draw(tuning, "voltage, V (peak)", &lines, &[])
}

fn torques(tuning: &Tuning) -> Result<String, Box<dyn Error>> {
    let (windings, supply_v) = (tuning.windings(), tuning.motor.supply.nominal_v);
    let available = |state| {
        let volts = |velocity| tuning.volts(&tuning.setting, state, velocity, supply_v);
        ramp::available(&windings, volts, tuning.valid_to_velocity)
    };
    let needed = |state| {
        let at = |look: u32| tuning.valid_to_velocity * f64::from(look) / 200.0;
        (0..=200).map(|look| (at(look), tuning.torque_n_m(state, at(look)))).collect()
    };
    let (constant, rising) = (MotionState::ConstantVelocity, MotionState::Accelerating);
    let lines = [
        line("pull-out while accelerating", GREEN, available(rising)),
        line("pull-out at constant velocity", BLUE, available(constant)),
        Line { dashed: true, ..line("needed while accelerating", ORANGE, needed(rising)) },
        Line { dashed: true, ..line("needed at constant velocity", VERMILION, needed(constant)) },
    ];
    draw(tuning, "torque, N·m", &lines, &[])
}

fn line(name: &str, colour: RGBColor, points: Vec<(f64, f64)>) -> Line {
    Line { name: name.to_owned(), colour, dashed: false, points }
}

fn draw(tuning: &Tuning, what: &str, lines: &[Line], shade: &[(f64, f64)]) -> Result<String, Box<dyn Error>> {
    let all = || lines.iter().flat_map(|line| &line.points).chain(shade).map(|point| point.1);
    let (low, high) = (all().fold(0.0, f64::min), all().fold(0.0, f64::max));
    let room = 0.06 * (high - low).max(1e-9);
    let mut svg = String::new();
    {
        let root = SVGBackend::with_string(&mut svg, SIZE).into_drawing_area();
        root.fill(&WHITE)?;
        let (names, panel) = root.split_vertically(30 + ROW * (lines.len() as u32).div_ceil(2).max(2));
        let bottom = if low < 0.0 { low - room } else { 0.0 };
        let mut chart = ChartBuilder::on(&panel)
            .margin(30)
            .margin_right(60)
            .x_label_area_size(100)
            .y_label_area_size(140)
            .build_cartesian_2d(0.0..tuning.valid_to_velocity.max(1e-9), bottom..high + room)?;
        chart
            .configure_mesh()
            .light_line_style(TRANSPARENT)
            .bold_line_style(GRID)
            .axis_style(AXIS)
            .x_labels(10)
            .y_labels(8)
            .x_desc("speed, steps/s")
            .y_desc(what)
            .x_label_formatter(&|x| format!("{x:.0}"))
            .y_label_formatter(&|y| crate::report::number((y * 1e6).round() / 1e6))
            .label_style(LABEL.into_font().color(&TEXT))
            .axis_desc_style(LABEL.into_font().color(&TEXT))
            .draw()?;
        if !shade.is_empty() {
            chart.draw_series([Polygon::new(shade.to_vec(), BLUE.mix(SHADE).filled())])?;
        }
        for line in lines {
            let style = line.colour.stroke_width(5);
            match line.dashed {
                true => chart.draw_series(DashedLineSeries::new(line.points.clone(), 20, 14, style))?,
                false => chart.draw_series(LineSeries::new(line.points.clone(), style))?,
            };
        }
        for (index, line) in lines.iter().enumerate() {
            let ends_early = line.points.last().is_none_or(|point| point.0 < tuning.valid_to_velocity * (1.0 - 1e-9));
            let name = if ends_early { format!("{} (ends where step is lost)", line.name) } else { line.name.clone() };
            named(&names, index, &name, line, !shade.is_empty() && line.colour == BLUE)?;
        }
        root.present()?;
    }
    Ok(svg)
}

/// Writes a line's name above the panel, two in a row, behind a piece of the line.
fn named(
    area: &DrawingArea<SVGBackend<'_>, plotters::coord::Shift>,
    index: usize,
    name: &str,
    line: &Line,
    is_shaded: bool,
) -> Result<(), Box<dyn Error>> {
    let (column, row) = (index as i32 % 2, index as i32 / 2);
    let (x, y) = (170 + column * 830, 30 + ROW as i32 * row + ROW as i32 / 2);
    if is_shaded {
        area.draw(&Rectangle::new([(x, y - 14), (x + 70, y + 14)], BLUE.mix(SHADE).filled()))?;
    }
    let style = line.colour.stroke_width(5);
    let parts = if line.dashed { vec![(x, x + 28), (x + 42, x + 70)] } else { vec![(x, x + 70)] };
    for (from, to) in parts {
        area.draw(&PathElement::new(vec![(from, y), (to, y)], style))?;
    }
    let label = LABEL.into_font().color(&TEXT).pos(Pos::new(HPos::Left, VPos::Center));
    area.draw(&Text::new(name.to_owned(), (x + 90, y), label))?;
    Ok(())
}
