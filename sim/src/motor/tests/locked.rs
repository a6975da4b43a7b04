//! A rotor that cannot turn: only resistance, inductance and heat.

use crate::motor::data::demo;
use crate::motor::{Amplitudes, Applied, Heat, Load, Motor, NodeData, Setting, Supply, Turning, copper_loss_w};

/// |I| = V/√(R² + ω_e²L²), lagging by atan(ω_e·L/R): any text on circuits.
#[test]
fn with_a_locked_rotor_the_current_is_that_of_resistance_and_inductance() {
    let data = demo();
    let windings = data.windings(data.heat.ambient_c);
    let setting = Setting::uncompensated(Amplitudes::all(0.25));
    for velocity in [20.0, 300.0, 4000.0] {
        let mut motor = Motor::new(&data, &Load::default(), &Supply::constant(24.0));
        motor.block_rotor(true);
        let drive = Turning { since_ns: 0, angle_steps: 0.0, velocity, setting: &setting };
        // Many time constants of the winding, then some part of a cycle.
        motor.set_heat(Heat::at_ambient(&data.heat));
        let at_ns = 30_300_000;
        motor.advance(at_ns, &drive);
        let omega = velocity * core::f64::consts::FRAC_PI_2;
        let reactance = omega * windings.inductance_h;
        let peak = 6.0 / (libm::pow(windings.resistance_ohm, 2.0) + libm::pow(reactance, 2.0)).sqrt();
        let angle = omega * at_ns as f64 * 1e-9 - libm::atan(reactance / windings.resistance_ohm);
        for (found, expected) in motor.currents_a().into_iter().zip([peak * libm::cos(angle), peak * libm::sin(angle)])
        {
            assert!((found - expected).abs() < 2e-4 * peak, "{found}, not {expected}, at {velocity}");
        }
    }
}

/// i(t) = (V/R)·(1 − e^(−t·R/L)), any text on circuits.
#[test]
fn a_held_field_raises_the_current_with_the_time_constant() {
    let data = demo();
    let windings = data.windings(data.heat.ambient_c);
    let mut motor = Motor::new(&data, &Load::default(), &Supply::constant(24.0));
    motor.block_rotor(true);
    for at_ns in [100_000, 1_000_000, 5_000_000] {
        motor.advance(at_ns, &Applied::held(0.0, 0.1));
        let t = at_ns as f64 * 1e-9;
        let expected =
            2.4 / windings.resistance_ohm * (1.0 - libm::exp(-t * windings.resistance_ohm / windings.inductance_h));
        // The winding warms by some millikelvins meanwhile.
        assert!((motor.currents_a()[0] - expected).abs() < 1e-5, "{:?}, not {expected}", motor.currents_a());
        assert_eq!(motor.currents_a()[1], 0.0);
    }
}

/// Constant voltage heats less and less, since copper resists more: the end is where loss and cooling agree.
#[test]
fn a_held_motor_warms_until_loss_and_cooling_agree() {
    let mut data = demo();
    // A hundredth of the heat, so that a minute is long.
    data.heat.winding.capacity_j_per_k = 0.35;
    data.heat.case = data.heat.case.map(|case| NodeData { capacity_j_per_k: 1.4, ..case });
    let mut motor = Motor::new(&data, &Load::default(), &Supply::constant(24.0));
    motor.block_rotor(true);
    motor.set_heat(Heat { winding_c: 70.0, case_c: 60.0 });
    motor.advance(60_000_000_000, &Applied::held(0.0, 0.12));
    let current = motor.current_amplitude_a();
    // One winding carries it all at this angle: I²·R in it, nothing in the other.
    let loss = current * current * motor.windings().resistance_ohm;
    let end = Heat::steady(&data.heat, loss);
    assert!((motor.heat().winding_c - end.winding_c).abs() < 0.05, "{:?}, {end:?}", motor.heat());
    assert!(motor.heat().winding_c > 40.0);
    assert!((2.88 / motor.windings().resistance_ohm - current).abs() < 1e-6);
}

/// Copper loss of a turning field: I²·R in both phases together (textbook).
#[test]
fn a_turning_field_heats_both_windings_as_the_textbook_says() {
    let mut data = demo();
    data.heat.winding.capacity_j_per_k = 1000.0;
    data.heat.case = None;
    data.heat.winding.resistance_k_per_w = 1e5;
    let mut motor = Motor::new(&data, &Load::default(), &Supply::constant(24.0));
    motor.block_rotor(true);
    let setting = Setting::uncompensated(Amplitudes::all(0.25));
    let drive = Turning { since_ns: 0, angle_steps: 0.0, velocity: 400.0, setting: &setting };
    motor.advance(1_000_000_000, &drive);
    let (before, current) = (motor.heat().winding_c, motor.current_amplitude_a());
    motor.advance(3_000_000_000, &drive);
    let expected = copper_loss_w(current, motor.windings().resistance_ohm) * 2.0 / 1000.0;
    let found = motor.heat().winding_c - before;
    assert!((found / expected - 1.0).abs() < 1e-3, "{found} K, not {expected} K");
}

/// A supply that rises at a constant rate from zero: i = (v′/R)·(t − τ·(1 − e^(−t/τ))), any text on circuits.
#[test]
fn the_current_follows_a_supply_that_rises() {
    let mut data = demo();
    data.heat.winding.capacity_j_per_k = 1e12;
    let mut motor = Motor::new(&data, &Load::default(), &Supply::over_time(&[(0, 0.0), (20_000_000, 20.0)]));
    motor.block_rotor(true);
    let windings = data.windings(data.heat.ambient_c);
    let (r, tau) = (windings.resistance_ohm, windings.inductance_h / windings.resistance_ohm);
    for at_ms in [1, 7, 19] {
        motor.advance(at_ms * 1_000_000, &Applied::held(0.0, 0.25));
        let t = at_ms as f64 * 1e-3;
        let expected = 250.0 / r * (t - tau * (1.0 - libm::exp(-t / tau)));
        assert!((motor.currents_a()[0] - expected).abs() < 1e-6, "{:?}, not {expected}", motor.currents_a());
    }
}

#[test]
fn peaks_are_those_since_they_were_last_asked_for() {
    let mut motor = Motor::new(&demo(), &Load::default(), &Supply::constant(24.0));
    motor.block_rotor(true);
    motor.advance(30_000_000, &Applied::held(0.0, 0.1));
    let high = motor.currents_a()[0];
    motor.advance(60_000_000, &Applied::held(0.0, 0.05));
    let low = motor.currents_a()[0];
    assert!((motor.take_peaks_a()[0] - high).abs() < 1e-3 && high > 1.9 * low);
    assert_eq!(motor.take_peaks_a(), [low, motor.currents_a()[1].abs()]);
}
