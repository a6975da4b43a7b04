//! Facts of the trade (common practice, no published source): what an oscilloscope shows while the compensation is set.

use crate::motor::{
    Amplitudes, Curve, Load, MotorData, Segment, Setting, SupplyCompensation, current_lead_rad, file, sampling_factor,
    steady, steady_run, voltage_for_current_v,
};

const MICROSTEPS: u16 = 32;
const TEMPERATURE_C: f64 = 25.0;
const WANTED_A: f64 = 1.6;

fn motor() -> (MotorData, Load) {
    let file = file::demo();
    (file.motor, file.load)
}

/// Current at a speed in full steps/s, by simulation.
fn current_a(setting: &Setting, supply_v: f64, velocity: f64) -> f64 {
    let (data, load) = motor();
    steady_run(&data, &load, TEMPERATURE_C, supply_v, setting, MICROSTEPS, velocity)
        .unwrap_or_else(|| panic!("lost step at {velocity} steps/s"))
        .current_a
}

/// The share that the wanted current needs at standstill, and the slope up to `velocity` times a factor.
fn setting(velocity: f64, factor: f64) -> Setting {
    let (data, load) = motor();
    let windings = data.windings(TEMPERATURE_C);
    let share = |velocity: f64| {
        let lead = current_lead_rad(&windings, WANTED_A, data.steady_torque_n_m(&load, velocity)).unwrap();
        voltage_for_current_v(&windings, WANTED_A, lead, velocity) / 24.0 / sampling_factor(MICROSTEPS)
    };
    let slope = factor * (share(velocity) - share(0.0)) / velocity;
    Setting::uncompensated(Amplitudes::all(share(0.0)))
        .with_curve(&Curve::new(&[Segment { from_velocity: 0.0, slope }]))
}

const SPEEDS: [f64; 3] = [40.0, 70.0, 110.0];

#[test]
fn with_constant_amplitude_the_current_falls_with_speed() {
    let currents = SPEEDS.map(|velocity| current_a(&setting(110.0, 0.0), 24.0, velocity));
    assert!(currents[0] > currents[1] && currents[1] > currents[2], "{currents:?}");
    assert!(currents[2] < 0.9 * WANTED_A, "{currents:?}");
}

#[test]
fn with_the_right_slope_the_current_stays_about_constant() {
    for velocity in SPEEDS {
        let found = current_a(&setting(110.0, 1.0), 24.0, velocity);
        assert!((found / WANTED_A - 1.0).abs() < 0.08, "{found} at {velocity}");
    }
}

#[test]
fn with_too_steep_a_slope_the_current_rises() {
    let currents = SPEEDS.map(|velocity| current_a(&setting(110.0, 2.0), 24.0, velocity));
    assert!(currents[0] < currents[1] && currents[1] < currents[2] && currents[2] > 1.1 * WANTED_A, "{currents:?}");
}

#[test]
fn half_the_supply_leaves_the_current_where_it_was_until_the_amplitude_saturates() {
    let setting = Setting { supply_compensation: SupplyCompensation::Nominal(24.0), ..setting(110.0, 1.0) };
    let whole = current_a(&setting, 24.0, 70.0);
    let half = current_a(&setting, 12.0, 70.0);
    assert!((half / whole - 1.0).abs() < 1e-3, "{whole} and {half}");
    let saturated = current_a(&setting, 2.5, 70.0);
    assert!(saturated < 0.9 * whole, "{saturated}");
    let uncompensated =
        current_a(&Setting { supply_compensation: SupplyCompensation::Factor(1.0), ..setting }, 12.0, 70.0);
    assert!(uncompensated < 0.6 * whole, "{uncompensated}");
}

/// The closed form for the same load, within 2 %, where the steady state is stable.
#[test]
fn the_simulated_current_is_that_of_the_closed_form() {
    let (data, load) = motor();
    let windings = data.windings(TEMPERATURE_C);
    let setting = setting(110.0, 1.0);
    for velocity in [30.0, 60.0, 110.0] {
        let share = setting.amplitude(stepchain::map::MotionState::ConstantVelocity, velocity, 24.0);
        let volts = share * 24.0 * sampling_factor(MICROSTEPS);
        let closed = steady(&windings, volts, data.steady_torque_n_m(&load, velocity), velocity).unwrap().current_a;
        let found = current_a(&setting, 24.0, velocity);
        assert!((found / closed - 1.0).abs() < 0.02, "{found}, not {closed}, at {velocity}");
    }
}
