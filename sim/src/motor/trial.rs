//! What a simulated motor does, in figures: currents of a steady run, settling after a stop, steps that were lost.

use core::f64::consts::FRAC_PI_2;

use stepchain::map::{BridgeState, MotionState};

use super::Motor;
use super::data::{Load, MotorData};
use super::drive::{Commanded, Microstepping};
use super::setting::{Setting, sampling_factor};
use super::steady::steady;
use super::supply::Supply;
use crate::motion::{Engine, Limits};

/// Figures of a stretch of time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Measured {
    /// Mean length of the current vector, in amperes: the peak current of a phase, ripple averaged out.
    pub current_a: f64,
    /// Root mean square of both phase currents, in amperes.
    pub rms_a: [f64; 2],
    /// Greatest magnitude of either phase current, ripple included, in amperes.
    pub peak_a: f64,
    /// Mean torque of the windings on the rotor, in N·m.
    pub torque_n_m: f64,
    /// Mean velocity of the rotor, in full steps/s.
    pub velocity: f64,
}

/// Lets `duration_s` seconds pass and measures meanwhile. For a steady run let it be whole electrical cycles.
pub fn measure(motor: &mut Motor, drive: &impl Commanded, duration_s: f64) -> Measured {
    const SAMPLES: u32 = 2048;
    let start_ns = motor.now_ns();
    let start_steps = motor.position_steps();
    let mut peak_a = 0.0_f64;
    let (mut lengths, mut squares, mut torques) = (0.0, [0.0; 2], 0.0);
    motor.take_peaks_a();
    for sample in 1..=SAMPLES {
        let elapsed_s = duration_s * f64::from(sample) / f64::from(SAMPLES);
        motor.advance(start_ns + libm::round(elapsed_s * 1e9) as u64, drive);
        lengths += motor.current_amplitude_a();
        torques += motor.torque_n_m();
        for (square, current) in squares.iter_mut().zip(motor.currents_a()) {
            *square += current * current;
        }
        peak_a = motor.take_peaks_a().into_iter().fold(peak_a, f64::max);
    }
    let mean = |sum: f64| sum / f64::from(SAMPLES);
    Measured {
        current_a: mean(lengths),
        rms_a: squares.map(|sum| libm::sqrt(mean(sum))),
        peak_a,
        torque_n_m: mean(torques),
        velocity: (motor.position_steps() - start_steps) / duration_s,
    }
}

/// Runs a motor with its load steadily at a speed in full steps/s (positive) with the chip's microsteps, and measures it;
/// `None` if it does not stay in step, be it that the load is too much or that the steady state is unstable.
///
/// The motor starts where the closed form says (or on the field, where that has no answer) and has 0.5 s to settle. Its
/// windings keep the temperature `temperature_c`, in degrees Celsius.
#[must_use]
pub fn steady_run(
    data: &MotorData,
    load: &Load,
    temperature_c: f64,
    supply_v: f64,
    setting: &Setting,
    microsteps_per_step: u16,
    velocity: f64,
) -> Option<Measured> {
    const SETTLE_S: f64 = 0.5;
    const LEAST_S: f64 = 0.1;
    let mut data = *data;
    // Nothing warms that takes a terajoule per degree.
    data.heat.winding.capacity_j_per_k = 1e12;
    data.heat.ambient_c = temperature_c;
    let microsteps = velocity * f64::from(microsteps_per_step);
    let limits = Limits {
        velocity: microsteps,
        acceleration: 1e9,
        deceleration: 1e9,
        quick_deceleration: 1e9,
        start_stop_velocity: microsteps,
    };
    let mut engine = Engine::new();
    engine.move_velocity(0, microsteps, &limits).ok()?;
    let drive = Microstepping { engine: &engine, microsteps_per_step, setting, bridge: BridgeState::Driven };
    let volts = setting.amplitude(MotionState::ConstantVelocity, velocity, supply_v)
        * supply_v
        * sampling_factor(microsteps_per_step);
    let mut motor = Motor::new(&data, load, &Supply::constant(supply_v));
    let start = steady(&motor.windings(), volts, data.steady_torque_n_m(load, velocity), velocity);
    match start {
        Some(state) => {
            let (sin, cos) = libm::sincos(state.current_lead_rad - state.voltage_lead_rad);
            let currents_a = [state.current_a * cos, state.current_a * sin];
            motor.set_motion(-state.voltage_lead_rad / FRAC_PI_2, velocity, currents_a);
        }
        None => motor.set_motion(0.0, velocity, [0.0; 2]),
    }
    motor.advance((SETTLE_S * 1e9) as u64, &drive);
    // Whole cycles of four steps.
    let window_s = libm::ceil(LEAST_S * velocity / 4.0) * 4.0 / velocity;
    let measured = measure(&mut motor, &drive, window_s);
    let lag = engine.ideal_position(motor.now_ns()) / f64::from(microsteps_per_step) - motor.position_steps();
    (lag.abs() < 4.0).then_some(measured)
}

/// Full steps that a rotor at rest is behind its command (negative: ahead), in whole cycles of four: 0 if none was lost.
///
/// A rotor rests only where the field holds it, and the field looks the same every four steps. While it turns, it lags by up
/// to a step without having lost any, so judge after it has settled.
#[must_use]
pub fn missed_steps(commanded_steps: f64, actual_steps: f64) -> i64 {
    4 * libm::round((commanded_steps - actual_steps) / 4.0) as i64
}

/// How a rotor came to rest.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settling {
    /// Seconds after which it stayed within the window; `None` if it was still outside at the end.
    pub settled_after_s: Option<f64>,
    /// Farthest that it went beyond the target, in the direction in which it arrived, in full steps.
    pub overshoot_steps: f64,
    /// Where it was at the end, seen from the target, in full steps.
    pub rest_error_steps: f64,
}

/// Watches a motor from now up to `until_ns` come to rest at `target_steps`, give or take `window_steps` (full steps).
pub fn settling(
    motor: &mut Motor,
    drive: &impl Commanded,
    until_ns: u64,
    target_steps: f64,
    window_steps: f64,
) -> Settling {
    /// How often is looked, in nanoseconds.
    const LOOK_NS: u64 = 20_000;
    let start_ns = motor.now_ns();
    let arrival = if motor.velocity() < 0.0 { -1.0 } else { 1.0 };
    let mut overshoot_steps = 0.0_f64;
    let mut outside_ns = Some(start_ns);
    let mut settled_ns = start_ns;
    while motor.now_ns() < until_ns {
        motor.advance((motor.now_ns() + LOOK_NS).min(until_ns), drive);
        let error = motor.position_steps() - target_steps;
        overshoot_steps = overshoot_steps.max(arrival * error);
        if error.abs() > window_steps {
            outside_ns = Some(motor.now_ns());
        } else if outside_ns.take().is_some() {
            settled_ns = motor.now_ns();
        }
    }
    Settling {
        settled_after_s: outside_ns.is_none().then(|| (settled_ns - start_ns) as f64 * 1e-9),
        overshoot_steps,
        rest_error_steps: motor.position_steps() - target_steps,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::motor::data::demo;
    use crate::motor::drive::Applied;
    use crate::motor::setting::Amplitudes;

    /// By hand: a step of lag is none lost, two and a half are nearer to four.
    #[test]
    fn lost_steps_come_in_cycles_of_four() {
        for (lag, missed) in [(0.0, 0), (0.99, 0), (1.9, 0), (2.5, 4), (4.0, 4), (9.7, 8), (-3.0, -4)] {
            assert_eq!(missed_steps(100.0, 100.0 - lag), missed, "{lag}");
        }
    }

    /// Released one step away from the field, the rotor swings past it and comes to rest on it.
    #[test]
    fn a_rotor_beside_the_field_overshoots_and_settles_on_it() {
        let data = MotorData { dry_friction_n_m: 0.0, detent_torque_n_m: 0.0, ..demo() };
        let mut motor = Motor::new(&data, &Load::default(), &Supply::constant(24.0));
        motor.place(-0.5);
        let mut looked = motor.clone();
        let found = settling(&mut motor, &Applied::held(0.0, 0.15), 2_000_000_000, 0.0, 0.01);
        let settled_after_s = found.settled_after_s.expect("settles within two seconds");
        assert!(settled_after_s > 0.005 && settled_after_s < 1.0, "{found:?}");
        // Farthest beyond the field, not before it.
        let mut farthest = 0.0_f64;
        for look in 1..=20_000 {
            looked.advance(look * 20_000, &Applied::held(0.0, 0.15));
            farthest = farthest.max(looked.position_steps());
        }
        assert!(farthest > 0.02 && farthest < 0.45, "{farthest}");
        assert!((found.overshoot_steps - farthest).abs() < 1e-6, "{found:?}, not {farthest}");
        assert!(found.rest_error_steps.abs() < 1e-3, "{found:?}");
        motor.place(-0.5);
        let cut_short = settling(&mut motor, &Applied::held(0.0, 0.15), 2_002_000_000, 0.0, 0.01);
        assert_eq!(cut_short.settled_after_s, None);
    }

    /// At 30 steps/s a rotor that friction holds is 15 steps behind after half a second.
    #[test]
    fn a_rotor_that_stands_is_not_in_step() {
        let run = |dry_friction_n_m| {
            let load = Load { dry_friction_n_m, ..Load::default() };
            let setting = Setting::uncompensated(Amplitudes::all(0.1));
            steady_run(&demo(), &load, 25.0, 24.0, &setting, 16, 30.0)
        };
        assert!(run(0.0).is_some_and(|run| (run.velocity - 30.0).abs() < 1.0), "{:?}", run(0.0));
        assert_eq!(run(2.0), None);
    }
}
