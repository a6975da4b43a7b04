//! How fast the motor may start and change its speed, and how far the supply reaches: before any amplitude is settled.
//!
//! The voltages are those that the wanted currents need (or the whole supply, where that is less), since a tuned setting
//! comes near to them.

use stepchain::map::{MotionState, Parameter};

use super::codes::Code;
use super::demand::{Demand, Point};
use super::registers::Registers;
use super::{Options, TURNING};
use crate::motor::{Load, MotorFile, Windings, greatest_acceleration, greatest_start_velocity, pull_out_torque_n_m};

/// Limits of the motion.
#[derive(Clone, Debug)]
pub(super) struct Ramp {
    /// Fastest speed at which the supply can make all wanted currents, in full steps/s; at most the wanted one.
    pub(super) top_velocity: f64,
    /// As the register holds it, in full steps/s².
    pub(super) acceleration: f64,
    pub(super) deceleration: f64,
    /// What goes into registers: parameter, computed value, code.
    pub(super) lines: Vec<(Parameter, f64, Code)>,
    /// What the computed value was where the register cannot hold it, or nothing but a standstill that is within it.
    pub(super) capped: Vec<(Parameter, f64, Code)>,
}

/// Torque at the rotor under the stated load, in N·m: with that of the inertia while the speed changes.
pub(super) fn torque_n_m(
    file: &MotorFile,
    state: MotionState,
    velocity: f64,
    acceleration: f64,
    deceleration: f64,
) -> f64 {
    let steady_n_m = file.motor.steady_torque_n_m(&file.load, velocity);
    let change = match state {
        MotionState::Accelerating => acceleration,
        MotionState::Decelerating => -deceleration,
        MotionState::Standstill | MotionState::ConstantVelocity => 0.0,
    };
    steady_n_m + file.motor.inertia_kg_m2(&file.load) * crate::motor::shaft_rad_per_s(change, file.motor.teeth())
}

/// Speeds at which limits are looked for.
const LOOKS: u32 = 1000;

impl Ramp {
    pub(super) fn of(
        file: &MotorFile,
        winding_c: f64,
        windings: &Windings,
        full_v: f64,
        registers: &Registers,
        options: &Options,
    ) -> Result<Self, String> {
        let wanted = &file.wanted;
        let mut ramp = Self {
            top_velocity: wanted.top_velocity,
            acceleration: 0.0,
            deceleration: 0.0,
            lines: Vec::new(),
            capped: Vec::new(),
        };
        ramp.top_velocity = ramp.reach(file, windings, full_v)?;
        let needed_v = |state: MotionState, velocity: f64| {
            let torque_n_m = file.motor.steady_torque_n_m(&file.load, velocity);
            Point::new(windings, wanted.currents_a.of(state), torque_n_m, velocity)
                .map_or(full_v, |point| point.wanted_v.min(full_v))
        };
        let top_velocity = ramp.top_velocity;
        // Whichever way the shaft turns, one of speeding up and slowing down works against the load's own torque.
        let against = Load { torque_n_m: file.load.torque_n_m.abs(), ..file.load };
        let slope = |state: MotionState, margin: f64| {
            let volts_at = |velocity| needed_v(state, velocity);
            let by_pull_out = greatest_acceleration(&file.motor, &against, winding_c, volts_at, top_velocity, margin);
            // Nor more than the wanted current itself turns: pull-out draws more current than is wanted.
            let current_n_m = windings.back_emf_v_s_per_rad * wanted.currents_a.of(state);
            let spare_n_m = (1.0 - margin) * current_n_m - file.motor.steady_torque_n_m(&against, top_velocity);
            let rad_per_s2 = spare_n_m.max(0.0) / file.motor.inertia_kg_m2(&file.load);
            by_pull_out.min(rad_per_s2 * windings.teeth / core::f64::consts::FRAC_PI_2)
        };
        let margin = options.torque_margin;
        let start_v = |velocity| needed_v(MotionState::Accelerating, velocity);
        let start = greatest_start_velocity(&file.motor, &against, winding_c, start_v, margin);
        let acceleration = slope(MotionState::Accelerating, margin);
        let deceleration = slope(MotionState::Decelerating, margin);
        // In need, half of the margin may go.
        let quick = slope(MotionState::Decelerating, 0.5 * margin);
        if acceleration <= 0.0 || deceleration <= 0.0 {
            return Err(format!(
                "{}: found currents with too little torque to speed up the load with a margin of {} %, expected more current, \
                 less load or less margin",
                file.file,
                100.0 * margin
            ));
        }
        ramp.acceleration = ramp.limit(registers, Parameter::ProfileAcceleration, acceleration);
        ramp.deceleration = ramp.limit(registers, Parameter::ProfileDeceleration, deceleration);
        if registers.find(Parameter::ProfileDeceleration).is_none() {
            // One slope serves both ways.
            ramp.deceleration = ramp.acceleration.min(deceleration);
        }
        ramp.limit(registers, Parameter::QuickStopDeceleration, quick);
        // With the torque of the ramp the supply may not reach as far.
        ramp.top_velocity = ramp.reach(file, windings, full_v)?;
        let top_velocity = ramp.top_velocity;
        ramp.limit(registers, Parameter::StartStopVelocity, start.min(top_velocity));
        ramp.limit(registers, Parameter::ProfileVelocity, top_velocity);
        ramp.limit(registers, Parameter::MaxProfileVelocity, top_velocity);
        Ok(ramp)
    }

    /// Writes a limit down, rounded to its own side; gives what holds.
    fn limit(&mut self, registers: &Registers, parameter: Parameter, value: f64) -> f64 {
        let Some(code) = registers.at_most(parameter, value) else {
            return value;
        };
        self.lines.push((parameter, value, code));
        let is_nothing = code.value == 0.0 && value > 0.0 && parameter != Parameter::StartStopVelocity;
        if (registers.is_last(parameter, code) && code.value < value) || code.value > value || is_nothing {
            self.capped.push((parameter, value, code));
        }
        code.value
    }

    /// Speed up to which a voltage makes every wanted current under its load.
    fn reach(&self, file: &MotorFile, windings: &Windings, full_v: f64) -> Result<f64, String> {
        let short = |velocity: f64| -> Result<bool, String> {
            let mut any = false;
            for state in TURNING {
                let wanted_a = file.wanted.currents_a.of(state);
                let torque_n_m = torque_n_m(file, state, velocity, self.acceleration, self.deceleration);
                let point = Point::new(windings, wanted_a, torque_n_m, velocity).ok_or_else(|| {
                    format!(
                        "{}: found {wanted_a} A for `{}`, which make at most {:.4} N·m, expected a current for the {:.4} N·m \
                         that load and friction take at {velocity:.0} steps/s",
                        file.file,
                        state.name(),
                        windings.back_emf_v_s_per_rad * wanted_a,
                        torque_n_m.abs()
                    )
                })?;
                any |= point.wanted_v > full_v;
            }
            Ok(any)
        };
        if short(0.0)? {
            return Err(format!(
                "{}: found a supply of {} V that cannot make the wanted currents even at rest, expected more voltage or less \
                 current",
                file.file, file.supply.nominal_v
            ));
        }
        let top_velocity = self.top_velocity;
        let mut reached = 0.0;
        for look in 1..=LOOKS {
            let velocity = top_velocity * f64::from(look) / f64::from(LOOKS);
            if short(velocity)? {
                let (mut enough, mut lacking) = (reached, velocity);
                for _ in 0..40 {
                    let middle = 0.5 * (enough + lacking);
                    if short(middle)? { lacking = middle } else { enough = middle }
                }
                return Ok(enough);
            }
            reached = velocity;
        }
        Ok(top_velocity)
    }

    /// What is wanted in every state in which the motor turns.
    pub(super) fn demands(&self, file: &MotorFile, windings: &Windings, looks: u32) -> Result<Vec<Demand>, String> {
        let of = |&state: &MotionState| {
            let torque = |velocity| torque_n_m(file, state, velocity, self.acceleration, self.deceleration);
            let wanted_a = file.wanted.currents_a.of(state);
            Demand::new(windings, state, wanted_a, torque, self.top_velocity, looks)
                .ok_or_else(|| format!("{}: the current of {wanted_a} A is too weak for its load", file.file))
        };
        TURNING.iter().map(of).collect()
    }
}

/// Pull-out torque over speed at a voltage over speed, for a plot: (full steps/s, N·m).
pub(super) fn available(windings: &Windings, volts_at: impl Fn(f64) -> f64, top_velocity: f64) -> Vec<(f64, f64)> {
    let at = |look: u32| {
        let velocity = top_velocity * f64::from(look) / 200.0;
        (velocity, pull_out_torque_n_m(windings, volts_at(velocity), velocity))
    };
    (0..=200).map(at).collect()
}
