//! End stops, rest, and a field that stands between both windings.

use crate::motor::data::demo;
use crate::motor::{Applied, Heat, Load, Motor, MotorData, Supply, copper_loss_w};

const S: u64 = 1_000_000_000;

fn motor(load: &Load) -> Motor {
    let data = MotorData { detent_torque_n_m: 0.0, dry_friction_n_m: 0.0, ..demo() };
    Motor::new(&data, load, &Supply::constant(24.0))
}

/// A field two thirds of a step beyond the stop holds the rotor against it; a field on this side takes it away.
#[test]
fn a_rotor_stays_at_its_stop_while_it_is_pulled_there_and_leaves_it_at_once() {
    for side in [1.0, -1.0] {
        let mut motor = motor(&Load { dry_friction_n_m: 0.002, ..Load::default() });
        motor.set_end_stops(-0.5, 0.5);
        motor.advance(S, &Applied::held(side * 1.1, 0.2));
        assert_eq!((motor.position_steps(), motor.velocity()), (side * 0.5, 0.0));
        motor.advance(2 * S, &Applied::held(0.0, 0.2));
        assert!(motor.position_steps().abs() < 0.05, "{}", motor.position_steps());
        assert!(motor.position_steps() != 0.0 || side > 0.0);
    }
}

/// By hand: nothing pulls but a weight of 0.05 N·m, so the rotor falls onto the stop below and lies there.
#[test]
fn a_weight_lies_on_the_stop_below() {
    let mut motor = motor(&Load { torque_n_m: 0.05, ..Load::default() });
    motor.set_end_stops(-3.0, f64::INFINITY);
    motor.advance(S / 2, &Applied::RELEASED);
    assert_eq!((motor.position_steps(), motor.velocity()), (-3.0, 0.0));
    let made = motor.steps_made();
    motor.advance(S, &Applied::RELEASED);
    assert!(motor.steps_made() - made < 10_000, "lying there costs {} steps", motor.steps_made() - made);
}

#[test]
fn a_rotor_beyond_a_new_stop_is_put_on_it() {
    let mut motor = motor(&Load::default());
    motor.place(2.0);
    motor.set_end_stops(-1.0, 1.5);
    assert_eq!(motor.position_steps(), 1.5);
}

/// By hand: both windings at 0.8 of 24 V over R, though their vector is longer than the supply.
#[test]
fn both_windings_of_a_field_between_them_can_have_the_whole_supply() {
    let mut motor = motor(&Load::default());
    motor.block_rotor(true);
    let share = 0.8 * core::f64::consts::SQRT_2;
    motor.advance(S / 10, &Applied::held(0.5, share));
    let expected = 0.8 * 24.0 / motor.windings().resistance_ohm;
    assert!(
        motor.currents_a().iter().all(|current| (current / expected - 1.0).abs() < 1e-3),
        "{:?}",
        motor.currents_a()
    );
    motor.advance(S / 5, &Applied::held(0.5, 3.0));
    let whole = 24.0 / motor.windings().resistance_ohm;
    assert!(motor.currents_a().iter().all(|current| (current / whole - 1.0).abs() < 1e-3), "the supply is the end");
}

/// The same minute in the equations of motion, and as heat alone.
#[test]
fn rest_warms_as_much_as_the_whole_scheme_says() {
    let mut all = motor(&Load::default());
    all.advance(S, &Applied::held(0.0, 0.15));
    let mut heat_alone = all.clone();
    all.advance(60 * S, &Applied::held(0.0, 0.15));
    heat_alone.rest(60 * S, true);
    assert!(
        (all.heat().winding_c - heat_alone.heat().winding_c).abs() < 0.02,
        "{:?} {:?}",
        all.heat(),
        heat_alone.heat()
    );
    assert!((all.current_amplitude_a() / heat_alone.current_amplitude_a() - 1.0).abs() < 1e-3);
    assert_eq!(heat_alone.now_ns(), 60 * S);
    let warmer = Heat::at_ambient(&all.data().heat).winding_c + 1.0;
    assert!(all.heat().winding_c > warmer && copper_loss_w(all.current_amplitude_a(), 1.0) > 0.0);
    let mut regulated = all.clone();
    regulated.rest(120 * S, false);
    assert_eq!(regulated.currents_a(), all.currents_a());
}
