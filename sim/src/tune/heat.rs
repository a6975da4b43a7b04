//! The budget of heat: how warm the motor file's duty cycle makes the motor under the tuned currents, and what that leaves.
//!
//! The currents are those of the setting under the stated load and nominal supply, windings as warm as the setting is for, and
//! count as kept at other temperatures: so does a setting whose resistance compensation firmware brings up to date.

use core::error::Error;

use stepchain::map::{Drive, MotionState};

use super::Tuning;
use super::demand::Point;
use super::sheet::{BLUE, Line, Look, Sheet, TEXT, VERMILION, line};
use crate::motor::{Duty, DutyPhase, Heat, MotorData, Periodic, Phase, Work, largest_share, runaway_current_a};

/// How warm the cycle makes the motor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Warmth {
    /// The temperatures repeat themselves in the end.
    Repeats(Periodic),
    /// They grow without end, since each degree makes more heat than leaves.
    RunsAway,
}

/// What the duty cycle does to the motor.
#[derive(Clone, Debug)]
pub struct Budget {
    /// The phases of the motor file, and the current of each; for a ramp the steady one that heats alike.
    pub phases: Vec<(DutyPhase, f64)>,
    /// The air, in degrees Celsius.
    pub ambient_c: f64,
    /// Length of a cycle, in seconds.
    pub cycle_s: f64,
    /// The temperatures in the end.
    pub warmth: Warmth,
    /// What the windings bear, in degrees Celsius, if the motor file says.
    pub limit_c: Option<f64>,
    /// Seconds from cold until they exceed it; `None` if they never do, or nothing is known of a limit.
    pub limit_after_s: Option<f64>,
    /// Factor for all currents at which they just bear it, here and over the temperature of the air, in degrees Celsius.
    pub share: Option<f64>,
    /// See [`share`](Self::share).
    pub derating: Vec<(f64, f64)>,
    /// Peak current that kept without rest heats without end, in amperes.
    pub runaway_a: f64,
    duty: Duty,
    motor: MotorData,
    reduced: Vec<Phase>,
}

/// Temperatures of the air, in degrees Celsius, between two that a table has.
const TABLE_STEP_C: f64 = 20.0;

/// The budget of a tuning whose motor file has a duty cycle.
#[must_use]
pub fn budget(tuning: &Tuning) -> Option<Budget> {
    let (file, motor) = (&tuning.motor, &tuning.motor.motor);
    if file.duty.is_empty() {
        return None;
    }
    let phases: Vec<_> = file.duty.iter().map(|phase| (*phase, current_a(tuning, phase.work))).collect();
    let reduced: Vec<_> =
        phases.iter().map(|&(phase, current_a)| Phase { duration_s: phase.duration_s, current_a }).collect();
    let ambient_c = motor.heat.ambient_c;
    let duty = Duty::new(motor, ambient_c, &reduced);
    let limit_c = file.winding_limit_c;
    let share_at = |ambient_c: f64| limit_c.map(|limit_c| largest_share(motor, ambient_c, &reduced, limit_c));
    let table = (0..20).map(|index| TABLE_STEP_C * f64::from(index)).take_while(|&air_c| Some(air_c) < limit_c);
    Some(Budget {
        ambient_c,
        cycle_s: duty.cycle_s(),
        warmth: duty.periodic().map_or(Warmth::RunsAway, Warmth::Repeats),
        limit_c,
        limit_after_s: limit_c.and_then(|limit_c| duty.reaches_after_s(limit_c)),
        share: share_at(ambient_c),
        derating: table.filter_map(|air_c| Some((air_c, share_at(air_c)?))).collect(),
        runaway_a: runaway_current_a(motor),
        phases,
        duty,
        motor: *motor,
        reduced,
    })
}

/// Peak current of a phase while the motor does something; over a ramp the root of the mean square.
fn current_a(tuning: &Tuning, work: Work) -> f64 {
    const LOOKS: u32 = 200;
    let ramp = |state: MotionState, velocity: f64| {
        // The speed grows evenly, so that each speed counts alike.
        let square = |look: u32| {
            let current_a = turning_a(tuning, state, velocity * (f64::from(look) + 0.5) / f64::from(LOOKS));
            current_a * current_a
        };
        libm::sqrt((0..LOOKS).map(square).sum::<f64>() / f64::from(LOOKS))
    };
    match work {
        Work::Off => 0.0,
        Work::Hold => match tuning.setting.drive {
            Drive::Current => tuning.setting.amplitudes.standstill,
            Drive::Voltage => {
                let supply_v = tuning.motor.supply.nominal_v;
                tuning.volts(&tuning.setting, MotionState::Standstill, 0.0, supply_v) / tuning.windings().resistance_ohm
            }
        },
        Work::Run { velocity } => turning_a(tuning, MotionState::ConstantVelocity, velocity),
        Work::Accelerate { to_velocity } => ramp(MotionState::Accelerating, to_velocity),
        Work::Decelerate { from_velocity } => ramp(MotionState::Decelerating, from_velocity),
        Work::Current { current_a } => current_a,
    }
}

/// The current that the setting makes at a speed; the wanted one where the voltage would lose the load.
fn turning_a(tuning: &Tuning, state: MotionState, velocity: f64) -> f64 {
    let wanted_a = tuning.motor.wanted.currents_a.of(state);
    match tuning.setting.drive {
        Drive::Current => tuning.setting.amplitudes.of(state),
        Drive::Voltage => {
            let volts = tuning.volts(&tuning.setting, state, velocity, tuning.motor.supply.nominal_v);
            let point = Point::new(&tuning.windings(), wanted_a, tuning.torque_n_m(state, velocity), velocity);
            point.and_then(|point| point.current_a(volts)).unwrap_or(wanted_a)
        }
    }
}

impl Budget {
    /// Whether the windings exceed their limit.
    #[must_use]
    pub fn exceeds(&self) -> bool {
        match (self.warmth, self.limit_c) {
            (Warmth::RunsAway, _) => true,
            (Warmth::Repeats(periodic), Some(limit_c)) => periodic.peak_winding_c > limit_c,
            (Warmth::Repeats(_), None) => false,
        }
    }

    /// File names and pictures: the winding over a cycle, and the derating over the temperature of the air.
    ///
    /// # Errors
    /// What the drawing library refuses.
    pub fn plots(&self) -> Result<Vec<(&'static str, String)>, Box<dyn Error>> {
        let mut pictures = vec![("temperature.svg", self.temperatures()?)];
        if let Some((limit_c, share)) = self.limit_c.zip(self.share).filter(|(_, share)| share.is_finite()) {
            const LOOKS: u32 = 32;
            // Like a square root it ends upright at the limit, so that looks lie closer there.
            let curve = (0..=LOOKS).map(|look| {
                let left = 1.0 - f64::from(look) / f64::from(LOOKS);
                let air_c = limit_c * (1.0 - left * left);
                (air_c, largest_share(&self.motor, air_c, &self.reduced, limit_c))
            });
            let (curve, full) = (curve.collect(), vec![(0.0, 1.0), (limit_c, 1.0)]);
            let lines = [
                line("largest share of the currents", BLUE, curve),
                Line {
                    look: Look::Dots,
                    ..line("at the air of the motor file", VERMILION, vec![(self.ambient_c, share)])
                },
                Line { look: Look::Dashes, ..line("the currents as they are tuned", TEXT, full) },
            ];
            let sheet = Sheet {
                across: "air, °C",
                from_to: (0.0, limit_c),
                up: "share of the currents",
                from_zero: true,
                lines: &lines,
                shade: &[],
            };
            pictures.push(("derating.svg", sheet.draw()?));
        }
        Ok(pictures)
    }

    /// A cycle as it repeats itself in the end, beside the first one from cold.
    fn temperatures(&self) -> Result<String, Box<dyn Error>> {
        const LOOKS: u32 = 240;
        let over = |start: Heat| -> Vec<(f64, f64)> {
            let at = |look: u32| self.cycle_s * f64::from(look) / f64::from(LOOKS);
            let all = (0..=LOOKS).map(|look| (at(look), self.duty.winding_c(start, at(look))));
            // Where it heats without end, up to where copper melts.
            all.take_while(|point| point.1 < 1100.0).collect()
        };
        let cold = Heat { winding_c: self.ambient_c, case_c: self.ambient_c };
        let mut lines = vec![line("first cycle, from cold", VERMILION, over(cold))];
        if let Warmth::Repeats(periodic) = self.warmth {
            lines.push(line("every cycle in the end", BLUE, over(periodic.start)));
        }
        if let Some(limit_c) = self.limit_c {
            let level = vec![(0.0, limit_c), (self.cycle_s, limit_c)];
            lines.push(Line { look: Look::Dashes, ..line("limit", TEXT, level) });
        }
        let sheet = Sheet {
            across: "time in the cycle, s",
            from_to: (0.0, self.cycle_s),
            up: "winding, °C",
            from_zero: true,
            lines: &lines,
            shade: &[],
        };
        sheet.draw()
    }
}
