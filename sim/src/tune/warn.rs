//! What the user has to know before writing the settings: in words, with the figures.

use stepchain::map::{Drive, MotionState, Parameter};

use super::codes;
use super::guard::Limits;
use super::ramp::Ramp;
use super::registers::{Registers, own_amplitude};
use super::{Options, TURNING, Tuning, winding_temperature};
use crate::motor::{Excitation, Setting, SupplyCompensation, VelocityToAvoid, velocities_to_avoid};
use crate::report::number;

/// Change of current by one code, as a share of the wanted current, from which a code is called coarse.
const COARSE: f64 = 0.02;
/// Deviation above which a state is spoken of.
const FAR: f64 = 0.1;
/// What insulation of thermal class 130 (B) bears, in degrees Celsius (IEC 60085, from memory).
const BEARABLE_C: f64 = 130.0;
const LOOKS: u32 = 300;

pub(super) fn warnings(
    tuning: &Tuning,
    registers: &Registers,
    ramp: &Ramp,
    limits: &Limits,
    runs_away: bool,
) -> Vec<String> {
    let mut said = Vec::new();
    if runs_away {
        said.push(format!(
            "the running current of {} A heats the windings without end: they lose less heat than the growing resistance makes",
            number(tuning.motor.wanted.currents_a.constant_velocity)
        ));
    }
    hot(tuning, runs_away, &mut said);
    supply(tuning, registers, &mut said);
    held(tuning, &mut said);
    far(tuning, &mut said);
    temperature(tuning, registers, &mut said);
    said.extend(oscillations(tuning));
    coarse(tuning, registers, &mut said);
    for (parameter, value, code) in &ramp.capped {
        let (code, value) = (code.value, *value);
        said.push(if code > value {
            format!("`{parameter}` begins at {}, above the {} that the motor can do", number(code), number(value))
        } else if code == 0.0 {
            format!("no code of `{parameter}` but 0 is within the {} that the motor can do", number(value))
        } else {
            format!("`{parameter}` ends at {}, below the {} that the motor could do", number(code), number(value))
        });
    }
    short_limits(tuning, limits, &mut said);
    match limits.stall_told_above {
        Some(velocity) => said.push(format!(
            "the stall limit tells a stall by current above {velocity:.0} steps/s only: below, a stalled motor draws hardly more \
             than a turning one"
        )),
        None => said.push("no stall limit tells a stall: a stalled motor draws no more than a turning one".to_owned()),
    }
    lacking(tuning, registers, &mut said);
    said
}

const fn during(state: MotionState) -> &'static str {
    match state {
        MotionState::Standstill => "at rest",
        MotionState::ConstantVelocity => "at constant velocity",
        MotionState::Accelerating => "while accelerating",
        MotionState::Decelerating => "while decelerating",
    }
}

/// A setting as firmware compensates it at another supply, and whether the map lets it.
fn at_supply(tuning: &Tuning, registers: &Registers, supply_v: f64) -> Setting {
    let wanted = tuning.motor.supply.nominal_v / supply_v;
    let factor = registers.nearest(Parameter::SupplyCompensation, wanted).map_or(1.0, |code| code.value);
    Setting { supply_compensation: SupplyCompensation::Factor(factor), ..tuning.setting.clone() }
}

fn supply(tuning: &Tuning, registers: &Registers, said: &mut Vec<String>) {
    let (supply, wanted) = (&tuning.motor.supply, &tuning.motor.wanted);
    let valid_to = tuning.valid_to_velocity;
    if valid_to < wanted.top_velocity {
        said.push(format!(
            "the supply of {} V is too low above {valid_to:.0} steps/s: there the wanted currents need more, and {} steps/s are wanted",
            number(supply.nominal_v),
            number(wanted.top_velocity)
        ));
    }
    if tuning.setting.drive == Drive::Current {
        return;
    }
    let velocities = || (0..=LOOKS).map(|look| valid_to * f64::from(look) / f64::from(LOOKS));
    for supply_v in [supply.least_v, supply.greatest_v] {
        if supply_v == supply.nominal_v {
            continue;
        }
        let setting = at_supply(tuning, registers, supply_v);
        let factor = setting.asked_amplitude(MotionState::Standstill, 0.0, supply_v)
            / tuning.setting.asked_amplitude(MotionState::Standstill, 0.0, supply.nominal_v).max(1e-12);
        for state in TURNING {
            let saturated =
                velocities().find(|&v| setting.asked_amplitude(state, v, supply_v) > setting.full_amplitude);
            if let Some(velocity) = saturated {
                said.push(format!(
                    "at {} V and a supply compensation of {} the amplitude saturates above {velocity:.0} steps/s {}",
                    number(supply_v),
                    number(factor),
                    during(state)
                ));
            }
        }
        if registers.find(Parameter::SupplyCompensation).is_none() {
            said.push(format!(
                "at {} V the currents at rest are {} % of the wanted ones: the map has no supply compensation",
                number(supply_v),
                number((100.0 * supply_v / supply.nominal_v).round())
            ));
        }
    }
}

/// Windings that the running current makes too warm.
fn hot(tuning: &Tuning, runs_away: bool, said: &mut Vec<String>) {
    let (warm_c, _) = winding_temperature(&tuning.motor, &Options::default());
    if !runs_away && warm_c > BEARABLE_C {
        said.push(format!(
            "the running current of {} A, if it lasts, brings the windings to {warm_c:.0} °C: common insulation (thermal class B) \
             bears {BEARABLE_C:.0} °C",
            number(tuning.motor.wanted.currents_a.constant_velocity)
        ));
    }
}

/// A load that the current at rest does not hold: K·I and dry friction against it.
fn held(tuning: &Tuning, said: &mut Vec<String>) {
    let (motor, load) = (&tuning.motor.motor, &tuning.motor.load);
    let current_a = tuning.motor.wanted.currents_a.standstill;
    let holds_n_m = motor.back_emf_v_s_per_rad * current_a;
    if load.torque_n_m.abs() - motor.dry_friction_n_m(load) > holds_n_m {
        said.push(format!(
            "at rest, the wanted {} A hold {holds_n_m:.4} N·m: the load of {:.4} N·m turns the motor",
            number(current_a),
            load.torque_n_m.abs()
        ));
    }
}

/// Limits of current that the register cannot hold.
fn short_limits(tuning: &Tuning, limits: &Limits, said: &mut Vec<String>) {
    let short = |parameter: Parameter| {
        tuning.settings.iter().find(|tuned| tuned.parameter == parameter && tuned.quantised < tuned.value)
    };
    for tuned in [Parameter::OvercurrentLimit, Parameter::StallLimit].into_iter().filter_map(short) {
        let harm = if tuned.quantised < limits.in_step_a { "will" } else { "may" };
        said.push(format!(
            "`{}` ends at {} A, below the {:.1} A that it should be: a motor in step draws up to {:.1} A, so that it {harm} tell \
             a fault that is none",
            tuned.parameter,
            number(tuned.quantised),
            tuned.value,
            limits.in_step_a
        ));
    }
}

fn far(tuning: &Tuning, said: &mut Vec<String>) {
    for error in &tuning.errors {
        let worst = if error.highest > -error.lowest { error.highest } else { error.lowest };
        if error.lowest <= -1.0 && error.state != MotionState::Standstill {
            said.push(format!(
                "{}, the voltage at {:.0} steps/s cannot carry the load: the motor would lose step",
                during(error.state),
                error.worst_velocity
            ));
        } else if worst.abs() > FAR {
            said.push(format!(
                "{}, the current at {:.0} steps/s is {:.1} % {} than the wanted {} A; no better codes were found in the map",
                during(error.state),
                error.worst_velocity,
                100.0 * worst.abs(),
                if worst > 0.0 { "more" } else { "less" },
                number(error.wanted_a)
            ));
        }
    }
}

/// How far currents are off before the windings are warm, and which factor helps at rest.
fn temperature(tuning: &Tuning, registers: &Registers, said: &mut Vec<String>) {
    let cold_c = tuning.motor.motor.heat.ambient_c;
    let (cold, warm) = (tuning.motor.motor.windings(cold_c), tuning.windings());
    let ratio = cold.resistance_ohm / warm.resistance_ohm;
    if tuning.setting.drive == Drive::Current || (ratio - 1.0).abs() < COARSE {
        return;
    }
    let help = match registers.nearest(Parameter::ResistanceCompensation, ratio) {
        Some(code) => format!(
            "a resistance compensation of {} (code {:#x}) mends it there, and lowers the current at top speed, where \
             resistance hardly counts",
            number(code.value),
            code.code
        ),
        None => "the map has no resistance compensation".to_owned(),
    };
    said.push(format!(
        "the setting is for windings at {:.0} °C; at {} °C the current at rest is {:+.0} %: {help}",
        tuning.winding_c,
        number(cold_c),
        100.0 * (1.0 / ratio - 1.0)
    ));
}

fn oscillations(tuning: &Tuning) -> Vec<String> {
    if tuning.setting.drive == Drive::Current {
        return Vec::new();
    }
    let supply_v = tuning.motor.supply.nominal_v;
    let volts = |velocity| tuning.volts(&tuning.setting, MotionState::ConstantVelocity, velocity, supply_v);
    let found = velocities_to_avoid(
        &tuning.motor.motor,
        &tuning.motor.load,
        tuning.winding_c,
        volts,
        tuning.valid_to_velocity,
        tuning.microsteps_per_step,
    );
    let words = |velocity: VelocityToAvoid| match velocity {
        VelocityToAvoid::Resonance { from_velocity, to_velocity, mode, excitation, ripple } => format!(
            "{} inside the range: at {from_velocity:.0} to {to_velocity:.0} steps/s {} the rotor's swing of {:.0} Hz, by {:.2} \
             steps (root mean square) at worst",
            match excitation {
                Excitation::Edges { harmonic } if harmonic > 1 => "subharmonic resonance",
                _ => "resonance",
            },
            match excitation {
                Excitation::Detent => "detent torque feeds",
                Excitation::Edges { .. } => "the edges of steps feed",
            },
            mode.frequency_hz,
            ripple.steps_rms
        ),
        VelocityToAvoid::Unstable(band) => format!(
            "unstable from {:.0} to {:.0} steps/s: the rotor's swing grows by itself, fastest at {:.0} steps/s with {:.1} per \
             second at {:.0} Hz; pass through, do not stay",
            band.from_velocity, band.to_velocity, band.worst_velocity, band.worst.growth_per_s, band.worst.frequency_hz
        ),
    };
    found.into_iter().map(words).collect()
}

fn coarse(tuning: &Tuning, registers: &Registers, said: &mut Vec<String>) {
    let windings = tuning.windings();
    let supply_v = tuning.motor.supply.nominal_v;
    for tuned in &tuning.settings {
        let Some(register) = registers.find(tuned.parameter) else { continue };
        let is_slope = matches!(tuned.parameter, Parameter::BackEmfSlope(_));
        if !tuned.parameter.is_amplitude() && !is_slope {
            continue;
        }
        // One code up or down, whichever is nearer.
        let least = 1.0 / (1u64 << register.unit.fraction_bits()) as f64;
        let step =
            [codes::at_most(register, tuned.quantised - least), codes::at_least(register, tuned.quantised + least)]
                .into_iter()
                .flatten()
                .map(|code| (code.value - tuned.quantised).abs())
                .filter(|&step| step > 0.0)
                .fold(f64::INFINITY, f64::min);
        if !step.is_finite() {
            continue;
        }
        // An amplitude counts most at rest, a slope at top speed, where V = Z·I at most.
        let velocity = if is_slope { tuning.valid_to_velocity } else { 0.0 };
        let share = if is_slope { step * velocity } else { step };
        let state = TURNING.into_iter().find(|&state| own_amplitude(state) == tuned.parameter);
        let wanted_a = match tuned.parameter {
            Parameter::StandstillAmplitude => tuning.motor.wanted.currents_a.standstill,
            _ => tuning.motor.wanted.currents_a.of(state.unwrap_or(MotionState::ConstantVelocity)),
        };
        let change_a = match tuning.setting.drive {
            Drive::Voltage => share * supply_v / windings.impedance_ohm(velocity),
            Drive::Current => step,
        };
        let change = change_a / wanted_a;
        if change > COARSE {
            said.push(format!(
                "one code of `{}` is coarse: it changes the current by {:.1} % of the wanted one",
                tuned.parameter,
                100.0 * change
            ));
        }
    }
}

fn lacking(tuning: &Tuning, registers: &Registers, said: &mut Vec<String>) {
    let is_voltage = tuning.setting.drive == Drive::Voltage;
    let lacks = |parameter: Parameter| registers.find(parameter).is_none();
    for state in MotionState::ALL {
        if lacks(own_amplitude(state)) {
            said.push(format!(
                "the map has no `{}`: `{}` serves",
                own_amplitude(state),
                Parameter::ConstantVelocityAmplitude
            ));
        }
    }
    if is_voltage && TURNING.iter().all(|&state| registers.segments(state).1.is_empty()) {
        said.push(
            "the map has no back-EMF curve: the current falls with speed, and one amplitude can only halve the error"
                .into(),
        );
    }
    let only_voltage = [Parameter::SupplyCompensation, Parameter::ResistanceCompensation];
    let others = [
        Parameter::ProfileAcceleration,
        Parameter::ProfileDeceleration,
        Parameter::QuickStopDeceleration,
        Parameter::StartStopVelocity,
        Parameter::OvercurrentLimit,
        Parameter::StallLimit,
    ];
    let all = only_voltage.into_iter().filter(|_| is_voltage).chain(others);
    said.extend(all.filter(|&parameter| lacks(parameter)).map(|parameter| format!("the map has no `{parameter}`")));
}
