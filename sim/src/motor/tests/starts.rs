//! The closed forms for starting and accelerating, tried on the simulated motor.

use stepchain::map::BridgeState;

use crate::motion::{Engine, Limits};
use crate::motor::{
    Amplitudes, Load, Microstepping, Motor, MotorData, Setting, Supply, file, greatest_acceleration,
    greatest_start_velocity, missed_steps,
};

const MICROSTEPS: u16 = 16;
const SUPPLY_V: f64 = 24.0;
const SHARE: f64 = 0.25;

fn demo() -> (MotorData, Load) {
    let file = file::demo();
    (file.motor, file.load)
}

/// Full steps that a move over 300 steps loses.
fn lost(load: &Load, start_stop_velocity: f64, velocity: f64, acceleration: f64) -> i64 {
    let (data, _) = demo();
    let m = f64::from(MICROSTEPS);
    let limits = Limits {
        velocity: velocity * m,
        acceleration: acceleration * m,
        deceleration: acceleration * m,
        quick_deceleration: acceleration * m,
        start_stop_velocity: start_stop_velocity * m,
    };
    let mut engine = Engine::new();
    // The current has half a second to rise.
    engine.move_to(500_000_000, 300 * i64::from(MICROSTEPS), &limits).unwrap();
    let setting = Setting::uncompensated(Amplitudes::all(SHARE));
    let drive = Microstepping {
        engine: &engine,
        microsteps_per_step: MICROSTEPS,
        setting: &setting,
        bridge: BridgeState::Driven,
    };
    let mut motor = Motor::new(&data, load, &Supply::constant(SUPPLY_V));
    motor.advance(engine.settles_at_ns().unwrap() + 2_000_000_000, &drive);
    assert!(motor.velocity().abs() < 1.0, "{} steps/s", motor.velocity());
    missed_steps(300.0, motor.position_steps())
}

/// Measured: 0.9 of the greatest velocity keeps step, the greatest itself does not.
#[test]
fn a_start_below_the_greatest_velocity_keeps_step_and_one_above_does_not() {
    let (data, load) = demo();
    let greatest = greatest_start_velocity(&data, &load, data.heat.ambient_c, |_| SHARE * SUPPLY_V, 0.0);
    assert_eq!(lost(&load, 0.8 * greatest, 0.8 * greatest, 1e6), 0, "{greatest}");
    assert!(lost(&load, 1.1 * greatest, 1.1 * greatest, 1e6) > 0, "{greatest}");
}

/// Measured: the greatest acceleration itself still keeps step, 1.1 of it does not, and a little more may by chance.
/// With so much inertia that the ramp is long against a swing: the closed form knows no swings.
#[test]
fn a_ramp_with_margin_keeps_step_and_one_that_wants_more_torque_than_there_is_does_not() {
    let (data, load) = demo();
    let load = Load { inertia_kg_m2: 2e-3, ..load };
    let top = 600.0;
    let greatest = |margin| greatest_acceleration(&data, &load, data.heat.ambient_c, |_| SHARE * SUPPLY_V, top, margin);
    assert_eq!(lost(&load, 0.0, top, greatest(0.5)), 0, "{}", greatest(0.5));
    assert!(lost(&load, 0.0, top, 1.5 * greatest(0.0)) > 0, "{}", greatest(0.0));
}
