//! The currents that were promised are those that the simulated motor draws, and the facts of the trade hold.

use stepchain::map::{MotionState, Parameter, RegisterMap as _};
use stepchain::reference::Latched;

use super::super::{Options, tune};
use super::{demo, four_segments, two_segments};
use crate::motor::{
    SupplyCompensation, SupplyRange, electrical_rad_per_s, oscillation, pull_out_torque_n_m, shaft_rad_per_s, steady,
    steady_run,
};

const CONSTANT: MotionState = MotionState::ConstantVelocity;

/// Simulated with the chip's microsteps, load, detent and friction, wherever the steady state is stable.
#[test]
fn the_simulated_motor_draws_the_currents_that_were_computed() {
    for tuning in [two_segments(), four_segments()] {
        let (data, load, supply_v) = (&tuning.motor.motor, &tuning.motor.load, tuning.motor.supply.nominal_v);
        let mut compared = 0;
        for velocity in [60.0, 120.0, 280.0, 400.0, 520.0, 700.0, 850.0] {
            let volts = tuning.volts(&tuning.setting, CONSTANT, velocity, supply_v);
            let mode = oscillation(data, load, tuning.winding_c, volts, velocity).unwrap();
            assert!(mode.growth_per_s < 0.0, "stable at {velocity}: {mode:?}");
            let torque_n_m = tuning.torque_n_m(CONSTANT, velocity);
            let expected = steady(&tuning.windings(), volts, torque_n_m, velocity).unwrap();
            let microsteps = tuning.microsteps_per_step;
            let run = steady_run(data, load, tuning.winding_c, supply_v, &tuning.setting, microsteps, velocity);
            let run = run.unwrap_or_else(|| panic!("stays in step at {velocity}"));
            let share = run.current_a / expected.current_a;
            assert!((share - 1.0).abs() < 0.02, "{} A instead of {} at {velocity}", run.current_a, expected.current_a);
            let off = (run.current_a / tuning.motor.wanted.currents_a.constant_velocity - 1.0).abs();
            assert!(off < tuning.worst_current_error + 0.02, "{off} at {velocity}");
            compared += 1;
        }
        assert_eq!(compared, 7);
    }
}

/// The phasor triangle by hand: without torque only i_d flows, so that V² = (R·i_d)² + (X·i_d + E)²; where the load is
/// lost, the pull-out formula says so, too.
#[test]
fn the_untuned_current_droops_as_the_formula_says() {
    let tuning = two_segments();
    let (windings, bare) = (tuning.windings(), tuning.with_slopes(0.0));
    let supply_v = tuning.motor.supply.nominal_v;
    for band in tuning.bands(&bare, 12) {
        let volts = tuning.volts(&bare, CONSTANT, band.velocity, supply_v);
        let emf_v = windings.back_emf_v_s_per_rad * shaft_rad_per_s(band.velocity, 50.0);
        let reactance = electrical_rad_per_s(band.velocity) * windings.inductance_h;
        let Some(currents) = band.currents else {
            let torque_n_m = tuning.torque_n_m(CONSTANT, band.velocity);
            assert!(pull_out_torque_n_m(&windings, volts, band.velocity) < torque_n_m, "{band:?}");
            continue;
        };
        // Without torque only i_d flows, with either sign.
        let direct_a = currents.least_load_a;
        let residual =
            |direct_a: f64| libm::hypot(windings.resistance_ohm * direct_a, reactance * direct_a + emf_v) - volts;
        assert!(residual(direct_a).abs().min(residual(-direct_a).abs()) < 1e-9, "{band:?}");
    }
    let bands = tuning.bands(&bare, 12);
    let at_rest = bands[0].currents.unwrap().greatest_load_a;
    let at_300 = bands[3].currents.unwrap().greatest_load_a;
    assert!(at_300 < 0.5 * at_rest, "{at_300} of {at_rest}");
    assert!(bands[12].currents.is_none(), "uncompensated, the motor loses its load before the top velocity");
}

/// Common practice, no published source: too steep a slope lets the current rise with speed.
#[test]
fn exaggerated_slopes_let_the_current_rise() {
    let tuning = two_segments();
    let bands = tuning.bands(&tuning.with_slopes(1.5), 4);
    let currents: Vec<f64> = bands.iter().map(|band| band.currents.unwrap().greatest_load_a).collect();
    assert!(currents.windows(2).all(|pair| pair[0] < pair[1]), "{currents:?}");
    assert!(currents[4] > 1.5 * currents[0], "{currents:?}");
}

/// Common practice, no published source: at half the supply the compensation keeps the currents until it saturates.
#[test]
fn half_the_supply_with_compensation_leaves_the_currents_where_they_were() {
    let tuning = two_segments();
    let nominal_v = tuning.motor.supply.nominal_v;
    let mut setting = tuning.setting.clone();
    // A code of 255 is the last: 1.992.
    setting.supply_compensation = SupplyCompensation::Factor(255.0 / 128.0);
    for velocity in [0.0, 300.0, 600.0, 850.0] {
        let before = tuning.volts(&tuning.setting, CONSTANT, velocity, nominal_v);
        let after = tuning.volts(&setting, CONSTANT, velocity, 0.5 * nominal_v);
        assert!((after / before - 255.0 / 256.0).abs() < 1e-9, "{before} V and {after} V at {velocity}");
    }
    let (asked, made) = (
        setting.asked_amplitude(CONSTANT, 1200.0, 0.5 * nominal_v),
        setting.amplitude(CONSTANT, 1200.0, 0.5 * nominal_v),
    );
    assert!(asked > 1.0 && made == 1.0, "{asked}");
}

/// The ramp leaves half of what the motor could, and what is asked of it is within what it can.
#[test]
fn torque_needed_is_half_of_torque_available_at_most() {
    let tuning = four_segments();
    let supply_v = tuning.motor.supply.nominal_v;
    for look in 0..=24 {
        let velocity = 50.0 * f64::from(look);
        let needed = tuning.torque_n_m(MotionState::Accelerating, velocity);
        let volts = tuning.volts(&tuning.setting, MotionState::Accelerating, velocity, supply_v);
        let available = pull_out_torque_n_m(&tuning.windings(), volts, velocity);
        assert!(needed <= 0.55 * available, "{needed} of {available} at {velocity}");
    }
    // By hand: J·a with 15e-6 kg·m² and 131 070 steps/s² of 0.0314 rad each, beside 0.038 N·m of load and friction.
    let by_hand = 15e-6 * 131_070.0 * 0.031_415_926_5 + 0.038;
    assert!((tuning.torque_n_m(MotionState::Accelerating, 0.0) - by_hand).abs() < 1e-6);
    // While slowing down the load helps: 0.038 less the same.
    let braking = 0.038 - (by_hand - 0.038);
    assert_eq!(tuning.deceleration, tuning.acceleration, "this map has one slope for both ways");
    assert!((tuning.torque_n_m(MotionState::Decelerating, 0.0) - braking).abs() < 1e-6);
}

/// A load that pulls forwards helps to speed up and is in the way of slowing down; turned the other way round, the reverse.
#[test]
fn an_overhauling_load_leaves_less_torque_to_slow_down_not_more() {
    let mut file = demo();
    file.load.torque_n_m = -0.08;
    // So much inertia that the register holds the slopes.
    file.load.inertia_kg_m2 = 1e-4;
    let tuning = tune(&file, &Latched::LAYOUT, &Options::default()).unwrap();
    let currents_a = file.wanted.currents_a;
    for (state, current_a) in
        [(MotionState::Accelerating, currents_a.accelerating), (MotionState::Decelerating, currents_a.decelerating)]
    {
        let half_n_m = 0.5 * file.motor.back_emf_v_s_per_rad * current_a;
        for velocity in [0.0, 300.0, 900.0] {
            let needed_n_m = tuning.torque_n_m(state, velocity).abs();
            assert!(needed_n_m <= half_n_m, "{needed_n_m} of {half_n_m} at {velocity} while {}", state.name());
        }
    }
}

/// A load that rubs the more the faster it turns: at the top its current makes half of its torque, though more could be had.
#[test]
fn a_ramp_asks_for_half_of_the_torque_of_the_wanted_current_also_where_the_motor_could_do_more() {
    let mut file = demo();
    (file.load.inertia_kg_m2, file.load.viscous_friction_n_m_s_per_rad) = (1e-4, 2e-3);
    let tuning = tune(&file, &Latched::LAYOUT, &Options::default()).unwrap();
    let half_n_m = 0.5 * file.motor.back_emf_v_s_per_rad * file.wanted.currents_a.accelerating;
    let top = tuning.valid_to_velocity;
    let needed_n_m = tuning.torque_n_m(MotionState::Accelerating, top);
    assert!(needed_n_m <= half_n_m && needed_n_m > 0.99 * half_n_m, "{needed_n_m} of {half_n_m} at {top}");
    let volts = tuning.volts(&tuning.setting, MotionState::Accelerating, top, file.supply.nominal_v);
    let could_n_m = pull_out_torque_n_m(&tuning.windings(), volts, top);
    assert!(could_n_m > 2.2 * needed_n_m, "{could_n_m}");
}

#[test]
fn a_motor_starts_no_faster_than_it_may_turn() {
    let mut file = demo();
    file.supply = SupplyRange { nominal_v: 5.0, least_v: 4.5, greatest_v: 5.5 };
    let tuning = tune(&file, &Latched::LAYOUT, &Options::default()).unwrap();
    let of = |parameter| tuning.settings.iter().find(|tuned| tuned.parameter == parameter).unwrap().quantised;
    let (start, top) = (of(Parameter::StartStopVelocity), of(Parameter::ProfileVelocity));
    assert!(start <= top, "{start} and {top}");
}

/// A stalled rotor induces nothing: V/Z, which no-load in step never reaches.
#[test]
fn the_stall_limit_lies_between_turning_and_stalled() {
    let tuning = two_segments();
    let limit = |parameter| tuning.settings.iter().find(|tuned| tuned.parameter == parameter).unwrap().quantised;
    let stall_a = limit(Parameter::StallLimit);
    let overcurrent_a = limit(Parameter::OvercurrentLimit);
    let volts = tuning.volts(&tuning.setting, CONSTANT, 1200.0, tuning.motor.supply.nominal_v);
    let stalled_a = volts / tuning.windings().impedance_ohm(1200.0);
    let turning_a = steady(&tuning.windings(), volts, 0.0, 1200.0).unwrap().current_a;
    assert!(
        turning_a * 1.2 < stall_a && stall_a < stalled_a && stalled_a < overcurrent_a,
        "{stall_a}, {overcurrent_a}"
    );
}
