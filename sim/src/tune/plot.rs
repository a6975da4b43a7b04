//! The pictures: phase current, voltage and torque over speed, as SVG.

use core::error::Error;

use stepchain::map::{Drive, MotionState};

use super::sheet::{AXIS, BLUE, GREEN, Line, Look, ORANGE, Sheet, TEXT, VERMILION, line};
use super::{Band, Tuning, ramp};
use crate::motor::{Setting, voltage_for_current_v};

const LOOKS: u32 = 300;

/// A slope that is half as steep again as it should be.
const EXAGGERATED: f64 = 1.5;

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
        Line {
            look: Look::Dashes,
            ..line("wanted", TEXT, vec![(0.0, wanted_a), (tuning.valid_to_velocity, wanted_a)])
        },
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
        Line { look: Look::Dashes, ..line("needed without load", AXIS, no_load) },
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
        Line { look: Look::Dashes, ..line("needed while accelerating", ORANGE, needed(rising)) },
        Line { look: Look::Dashes, ..line("needed at constant velocity", VERMILION, needed(constant)) },
    ];
    draw(tuning, "torque, N·m", &lines, &[])
}

fn draw(tuning: &Tuning, up: &str, lines: &[Line], shade: &[(f64, f64)]) -> Result<String, Box<dyn Error>> {
    let named = |line: &Line| {
        let ends_early = line.points.last().is_none_or(|point| point.0 < tuning.valid_to_velocity * (1.0 - 1e-9));
        let note = if ends_early { " (ends where step is lost)" } else { "" };
        Line { name: format!("{}{note}", line.name), ..line.clone() }
    };
    let lines: Vec<_> = lines.iter().map(named).collect();
    let from_to = (0.0, tuning.valid_to_velocity);
    Sheet { across: "speed, steps/s", from_to, up, from_zero: true, lines: &lines, shade }.draw()
}
