//! Drive settings computed from a motor's data: what to write into the registers of a map, and which currents result.
//!
//! ```text
//!   MotorFile, Layout  ->  ramp     acceleration, start velocity    (limits, with a margin of torque)
//!                      ->  demand   the voltage that each current needs over speed, under the stated load
//!                      ->  search   codes of amplitudes and back-EMF curve with the least worst deviation
//!                      ->  guard    current limits
//!                      ->  warn     what the motor, the supply or the map stand in the way of
//!                      ->  Tuning   plots, snippet
//!                      ->  heat     the temperatures of the motor file's duty cycle under these currents
//! ```
//!
//! **For which load.** At constant velocity the load of the file with its friction; while the speed changes, the same and the
//! torque that the inertia takes at the acceleration that the setting has. Less load means another current at the same
//! voltage: [`Tuning::bands`] has the currents between no load and the stated one. **For which temperature.** That at
//! which the windings end when they carry the wanted running current without rest, unless told otherwise. **For which
//! supply.** The nominal one.
//!
//! A compensation of supply or resistance is a factor that firmware writes anew when supply or temperature change: 1 is the
//! setting for nominal supply and the temperature above, and [`Tuning::warnings`] say what the factor cannot do.

mod codes;
mod demand;
mod guard;
mod heat;
mod plot;
mod ramp;
mod registers;
mod search;
pub(crate) mod sheet;
mod snippet;
#[cfg(test)]
mod tests;
mod warn;

use stepchain::map::{Drive, Layout, MotionState, Parameter};
use stepchain::units::Unit;

pub use heat::{Budget, Warmth, budget};
pub use plot::plots;
pub use snippet::snippet;

use crate::motor::{
    Amplitudes, CurrentBand, Curve, Heat, MotorFile, Setting, SupplyCompensation, Windings, copper_loss_w,
    current_band, sampling_factor,
};
use codes::Code;
use demand::Demand;
use ramp::Ramp;
use registers::Registers;

/// The states in which the motor turns, in the order in which they are told.
const TURNING: [MotionState; 3] = [MotionState::ConstantVelocity, MotionState::Accelerating, MotionState::Decelerating];
/// Speeds at which the result is judged.
const LOOKS: u32 = 1000;

/// What the user may choose.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Options {
    /// Temperature of the windings, in degrees Celsius; `None` for the one at which the running current keeps them.
    pub winding_c: Option<f64>,
    /// Share of the torque that ramps and starts leave unused.
    pub torque_margin: f64,
}

impl Default for Options {
    /// Warm windings, and half of the torque: a load that comes at once swings the rotor to nearly twice its lag.
    fn default() -> Self {
        Self { winding_c: None, torque_margin: 0.5 }
    }
}

/// One parameter as it should be written.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tuned {
    /// The parameter.
    pub parameter: Parameter,
    /// What was computed. Amplitudes of turning motion and the back-EMF curve are sought among the values that codes mean,
    /// so that for them this is [`quantised`](Self::quantised).
    pub value: f64,
    /// Unit of both numbers.
    pub unit: Unit,
    /// The register's code.
    pub code: u32,
    /// What the code means.
    pub quantised: f64,
}

/// How far the current of a motion state is from the wanted one under the stated load.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StateError {
    /// The motion state.
    pub state: MotionState,
    /// The wanted current, in amperes.
    pub wanted_a: f64,
    /// Lowest deviation over the range of speeds, as a share of the wanted current; −1 where the load would be lost.
    pub lowest: f64,
    /// Highest deviation over it.
    pub highest: f64,
    /// Where the worse of both is, in full steps/s.
    pub worst_velocity: f64,
}

/// The currents at constant velocity between no load and the stated one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Band {
    /// In full steps/s.
    pub velocity: f64,
    /// The currents; `None` where the voltage cannot carry the load.
    pub currents: Option<CurrentBand>,
}

/// Settings for one motor on one map.
#[derive(Clone, Debug)]
pub struct Tuning {
    /// The motor, its load, its supply, and what is wanted.
    pub motor: MotorFile,
    /// The map whose registers are set.
    pub layout: &'static Layout,
    /// Temperature of the windings for which the setting is computed, in degrees Celsius.
    pub winding_c: f64,
    /// What to write, in the order of the vocabulary.
    pub settings: Vec<Tuned>,
    /// The deviations of every motion state, standstill first.
    pub errors: Vec<StateError>,
    /// The greatest deviation of all, as a share of the wanted current.
    pub worst_current_error: f64,
    /// Speed up to which the nominal supply can make the wanted currents under the stated load, in full steps/s; at most
    /// the wanted top velocity.
    pub valid_to_velocity: f64,
    /// Torque of load and friction at that speed and constant velocity, in N·m.
    pub load_n_m: f64,
    /// The ramp for which the currents of speeding up and slowing down are computed, in full steps/s².
    pub acceleration: f64,
    /// The same for slowing down.
    pub deceleration: f64,
    /// In words, what to know before using it; empty if there is nothing.
    pub warnings: Vec<String>,
    /// The amplitudes as the registers make them.
    pub setting: Setting,
    /// Microsteps in a full step after power-up, for which the setting is computed.
    pub microsteps_per_step: u16,
}

/// Computes the settings.
///
/// # Errors
/// In words, if the map has no amplitude to set, if the wanted currents can neither be made by the supply nor turn the load,
/// or if the motor's numbers are beyond all reckoning.
pub fn tune(motor: &MotorFile, layout: &'static Layout, options: &Options) -> Result<Tuning, String> {
    let registers = Registers::of(layout)?;
    let (winding_c, runs_away) = winding_temperature(motor, options);
    let windings = motor.motor.windings(winding_c);
    let microsteps_per_step = registers.microsteps_per_step();
    let supply_compensation = registers.nearest(Parameter::SupplyCompensation, 1.0);
    let resistance_compensation = registers.nearest(Parameter::ResistanceCompensation, 1.0);
    let factor_of = |code: Option<Code>| code.map_or(1.0, |code| code.value);
    let factor = factor_of(supply_compensation) * factor_of(resistance_compensation);
    let full_v = motor.supply.nominal_v * sampling_factor(microsteps_per_step);

    let ramp = Ramp::of(motor, winding_c, &windings, full_v, &registers, options)?;
    let demands = ramp.demands(motor, &windings, LOOKS)?;
    let wanted = motor.wanted.currents_a;
    let mut settings = Vec::new();
    let mut amplitudes = Amplitudes::default();
    let mut curves: [Curve; 4] = Default::default();

    // At rest only the resistance counts, and the field stands still: microsteps take nothing of it. A regulated current needs
    // no voltage to be reckoned with.
    let is_voltage = layout.drive == Drive::Voltage;
    let hold = match is_voltage {
        true => windings.resistance_ohm * wanted.standstill / (motor.supply.nominal_v * factor),
        false => wanted.standstill,
    };
    let mut lines = Vec::new();
    if registers.find(Parameter::StandstillAmplitude).is_some() {
        let (parameter, code) = registers.amplitude(MotionState::Standstill, hold)?;
        amplitudes.standstill = code.value;
        lines.push((parameter, hold, code));
    }
    if is_voltage {
        for problem in registers.problems(&demands, full_v, factor, ramp.top_velocity) {
            let choice = problem.solve();
            for (grid, &index) in problem.amplitudes.iter().zip(&choice.amplitudes) {
                lines.push((grid.register.parameter, grid.at(index).value, grid.at(index)));
            }
            for (segments, codes) in problem.curves.iter().zip(&choice.curves) {
                for (segment, &(from, slope)) in segments.iter().zip(codes) {
                    let grids = segment.from.iter().map(|grid| grid.at(from)).zip(segment.from.iter());
                    let all = grids.chain([(segment.slope.at(slope), &segment.slope)]);
                    lines.extend(all.map(|(code, grid)| (grid.register.parameter, code.value, code)));
                }
            }
            for member in &problem.members {
                let amplitude = problem.amplitudes.get(member.amplitude).zip(choice.amplitudes.get(member.amplitude));
                set(&mut amplitudes, member.demand.state, amplitude.map_or(0.0, |(grid, &index)| grid.at(index).value));
                let curve = member.curve.and_then(|index| problem.curve(index, choice.curves.get(index)?));
                if let Some(slot) = curves.get_mut(member.demand.state as usize) {
                    *slot = curve.unwrap_or_default();
                }
            }
        }
    } else {
        for state in TURNING {
            let (parameter, value, code) = registers.shared_current(state, &wanted)?;
            set(&mut amplitudes, state, code.value);
            lines.push((parameter, value, code));
        }
    }
    if registers.find(Parameter::StandstillAmplitude).is_none() {
        amplitudes.standstill = amplitudes.constant_velocity;
    }
    let setting = Setting {
        drive: layout.drive,
        amplitudes,
        curves,
        supply_compensation: SupplyCompensation::Factor(factor_of(supply_compensation)),
        resistance_compensation: factor_of(resistance_compensation),
        amplitude_levels: None,
        full_amplitude: if is_voltage { 1.0 } else { registers.full_current_a() },
    };
    lines.extend(supply_compensation.map(|code| (Parameter::SupplyCompensation, 1.0, code)));
    lines.extend(resistance_compensation.map(|code| (Parameter::ResistanceCompensation, 1.0, code)));
    lines.extend(ramp.lines.iter().copied());

    let mut tuning = Tuning {
        motor: motor.clone(),
        layout,
        winding_c,
        settings: Vec::new(),
        errors: Vec::new(),
        worst_current_error: 0.0,
        valid_to_velocity: ramp.top_velocity,
        load_n_m: motor.motor.steady_torque_n_m(&motor.load, ramp.top_velocity),
        acceleration: ramp.acceleration,
        deceleration: ramp.deceleration,
        warnings: Vec::new(),
        setting,
        microsteps_per_step,
    };
    tuning.errors = tuning.judged(&demands);
    if tuning.errors.iter().any(|error| !error.lowest.is_finite() || !error.highest.is_finite()) {
        return Err(format!(
            "{}: found numbers so great or so small that no current can be computed, expected those of a motor",
            motor.file
        ));
    }
    let worst = |error: &StateError| error.highest.max(-error.lowest);
    tuning.worst_current_error = tuning.errors.iter().map(worst).fold(0.0, f64::max);
    let limits = guard::limits(&tuning);
    for (parameter, value) in
        [(Parameter::OvercurrentLimit, limits.overcurrent_a), (Parameter::StallLimit, limits.stall_a)]
    {
        let register = layout.register(parameter, 0);
        let code = register.and_then(|register| codes::at_least(register, value));
        lines.extend(code.map(|code| (parameter, value, code)));
    }
    for (parameter, value, code) in lines {
        let unit = layout.register(parameter, 0).map_or(parameter.unit(), |register| register.unit);
        // Where a state has no amplitude of its own, it shares one that is listed already, with the same code.
        if settings.iter().all(|tuned: &Tuned| tuned.parameter != parameter) {
            settings.push(Tuned { parameter, value, unit, code: code.code, quantised: code.value });
        }
    }
    tuning.settings = settings;
    tuning.warnings = warn::warnings(&tuning, &registers, &ramp, &limits, runs_away);
    Ok(tuning)
}

/// The temperature to compute for, and whether the running current would heat the windings without end.
fn winding_temperature(file: &MotorFile, options: &Options) -> (f64, bool) {
    let (motor, current_a) = (&file.motor, file.wanted.currents_a.constant_velocity);
    let steady_c = |winding_c: f64| {
        Heat::steady(&motor.heat, copper_loss_w(current_a, motor.windings(winding_c).resistance_ohm)).winding_c
    };
    // Loss is linear in temperature, and so is the temperature that it leads to: T = a + b·T.
    let at_zero = steady_c(0.0);
    let slope = steady_c(1.0) - at_zero;
    let runs_away = slope >= 1.0;
    let warm_c = if runs_away { motor.resistance_at_c } else { at_zero / (1.0 - slope) };
    (options.winding_c.unwrap_or(warm_c), runs_away)
}

fn set(amplitudes: &mut Amplitudes, state: MotionState, value: f64) {
    match state {
        MotionState::Standstill => amplitudes.standstill = value,
        MotionState::ConstantVelocity => amplitudes.constant_velocity = value,
        MotionState::Accelerating => amplitudes.accelerating = value,
        MotionState::Decelerating => amplitudes.decelerating = value,
    }
}

impl Tuning {
    /// The windings at the temperature of the setting.
    #[must_use]
    pub fn windings(&self) -> Windings {
        self.motor.motor.windings(self.winding_c)
    }

    /// Volts, peak per phase, that a setting makes at a speed and a supply; for amplitudes that are shares of the supply.
    ///
    /// While the motor turns, what the microsteps leave of them; at standstill all.
    #[must_use]
    pub fn volts(&self, setting: &Setting, state: MotionState, velocity: f64, supply_v: f64) -> f64 {
        let left = match state {
            MotionState::Standstill => 1.0,
            _ => sampling_factor(self.microsteps_per_step),
        };
        setting.amplitude(state, velocity, supply_v) * supply_v * left
    }

    /// Torque at the rotor in a motion state under the stated load, in N·m.
    #[must_use]
    pub fn torque_n_m(&self, state: MotionState, velocity: f64) -> f64 {
        ramp::torque_n_m(&self.motor, state, velocity, self.acceleration, self.deceleration)
    }

    /// The currents at constant velocity and nominal supply between no load and the stated one, at `looks` + 1 speeds.
    #[must_use]
    pub fn bands(&self, setting: &Setting, looks: u32) -> Vec<Band> {
        let windings = self.windings();
        let at = |look: u32| {
            let velocity = self.valid_to_velocity * f64::from(look) / f64::from(looks.max(1));
            let torque_n_m = self.torque_n_m(MotionState::ConstantVelocity, velocity);
            let loads = (torque_n_m.min(0.0), torque_n_m.max(0.0));
            let volts = self.volts(setting, MotionState::ConstantVelocity, velocity, self.motor.supply.nominal_v);
            Band { velocity, currents: current_band(&windings, volts, loads, velocity) }
        };
        (0..=looks).map(at).collect()
    }

    /// The same setting with its curves' slopes multiplied: 0 for none, above 1 for too much.
    #[must_use]
    pub fn with_slopes(&self, times: f64) -> Setting {
        let scaled = |curve: &Curve| {
            let segments: Vec<_> = curve
                .segments()
                .iter()
                .map(|segment| crate::motor::Segment { slope: segment.slope * times, ..*segment })
                .collect();
            Curve::new(&segments)
        };
        Setting { curves: self.setting.curves.each_ref().map(scaled), ..self.setting.clone() }
    }

    fn judged(&self, demands: &[Demand]) -> Vec<StateError> {
        let supply_v = self.motor.supply.nominal_v;
        let wanted_a = self.motor.wanted.currents_a.standstill;
        let is_voltage = self.setting.drive == Drive::Voltage;
        let made_a = match is_voltage {
            true => self.volts(&self.setting, MotionState::Standstill, 0.0, supply_v) / self.windings().resistance_ohm,
            false => self.setting.amplitudes.standstill,
        };
        let still = made_a / wanted_a - 1.0;
        let standstill =
            StateError { state: MotionState::Standstill, wanted_a, lowest: still, highest: still, worst_velocity: 0.0 };
        let turning = demands.iter().map(|demand| {
            let state = demand.state;
            let deviation = |point: &demand::Point| match is_voltage {
                true => {
                    let volts = self.volts(&self.setting, state, point.velocity, supply_v);
                    point.deviation(demand.wanted_a, volts)
                }
                false => self.setting.amplitudes.of(state) / demand.wanted_a - 1.0,
            };
            let each = || demand.points.iter().map(|point| (point.velocity, deviation(point)));
            let worst = each().max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()));
            StateError {
                state,
                wanted_a: demand.wanted_a,
                lowest: each().map(|(_, deviation)| deviation).fold(f64::INFINITY, f64::min).max(-1.0),
                highest: each().map(|(_, deviation)| deviation).fold(f64::NEG_INFINITY, f64::max),
                worst_velocity: worst.map_or(0.0, |(velocity, _)| velocity),
            }
        });
        [standstill].into_iter().chain(turning).collect()
    }
}
