//! Dry friction, detent, load: what holds a rotor and what lets it go.

use crate::motor::data::demo;
use crate::motor::{Applied, Load, Motor, MotorData, Supply};

fn dry(dry_friction_n_m: f64) -> MotorData {
    MotorData { dry_friction_n_m, detent_torque_n_m: 0.0, ..demo() }
}

const VOLTS: f64 = 24.0;

/// Torque of a field that stands x electrical radians from the rotor: K·I·sin x. The rotor stays at rest until it exceeds
/// the friction.
#[test]
fn dry_friction_holds_a_rotor_up_to_its_torque() {
    let data = dry(0.1);
    let share = 0.1;
    let windings = data.windings(data.heat.ambient_c);
    let full = windings.back_emf_v_s_per_rad * share * VOLTS / windings.resistance_ohm;
    let slips_at_steps = libm::asin(0.1 / full) / core::f64::consts::FRAC_PI_2;
    for (offset, moves) in [(0.99 * slips_at_steps, false), (1.01 * slips_at_steps, true)] {
        let mut motor = Motor::new(&data, &Load::default(), &Supply::constant(VOLTS));
        motor.advance(1_000_000_000, &Applied::held(offset, share));
        assert_eq!(motor.position_steps() != 0.0, moves, "{offset}: {}", motor.position_steps());
        assert_eq!(motor.velocity(), 0.0);
    }
}

/// Energy, without current: ½·J·ω² is eaten by friction after the angle ½·J·ω²/T (any text on mechanics).
#[test]
fn a_released_rotor_coasts_as_far_as_its_energy_takes_it() {
    let data = MotorData { viscous_friction_n_m_s_per_rad: 0.0, ..dry(0.02) };
    let load = Load { inertia_kg_m2: 9e-6, ..Load::default() };
    // Below the supply nothing flows: 200 steps/s induce less than 24 V.
    for velocity in [200.0, -200.0] {
        let mut motor = Motor::new(&data, &load, &Supply::constant(VOLTS));
        motor.set_motion(0.0, velocity, [0.0; 2]);
        motor.advance(1_000_000_000, &Applied::RELEASED);
        let shaft = velocity / 200.0 * core::f64::consts::TAU;
        let turned = 0.5 * 1.5e-5 * shaft * shaft.abs() / 0.02;
        let expected_steps = turned / core::f64::consts::TAU * 200.0;
        assert!((motor.position_steps() - expected_steps).abs() < 1e-6, "{}", motor.position_steps());
        assert_eq!((motor.velocity(), motor.currents_a()), (0.0, [0.0; 2]));
    }
}

/// A detent of one period per step, at rest on full steps: released a little before the next one, the rotor ends there.
#[test]
fn without_current_the_detent_pulls_to_the_nearest_full_step() {
    let data = MotorData { detent_torque_n_m: 0.02, dry_friction_n_m: 1e-4, ..demo() };
    for (start, end) in [(0.45, 0.0), (0.55, 1.0), (-0.9, -1.0), (2.6, 3.0)] {
        let mut motor = Motor::new(&data, &Load::default(), &Supply::constant(VOLTS));
        motor.place(start);
        motor.advance(3_000_000_000, &Applied::RELEASED);
        assert!((motor.position_steps() - end).abs() < 0.01, "{start}: {}", motor.position_steps());
    }
}

/// By hand: a weight pulls the rotor back by asin(T/(K·I)) electrical radians.
#[test]
fn a_weight_leaves_the_rotor_behind_the_field_by_its_angle() {
    let data = dry(0.0);
    let mut motor = Motor::new(&data, &Load { torque_n_m: 0.1, ..Load::default() }, &Supply::constant(VOLTS));
    motor.advance(3_000_000_000, &Applied::held(0.0, 0.1));
    let full = data.back_emf_v_s_per_rad * motor.current_amplitude_a();
    let expected = -libm::asin(0.1 / full) / core::f64::consts::FRAC_PI_2;
    assert!((motor.position_steps() - expected).abs() < 1e-5, "{}, not {expected}", motor.position_steps());
}

#[test]
fn a_weight_that_is_too_much_drops() {
    let mut motor = Motor::new(&dry(0.0), &Load { torque_n_m: 0.6, ..Load::default() }, &Supply::constant(VOLTS));
    motor.advance(500_000_000, &Applied::held(0.0, 0.1));
    assert!(motor.position_steps() < -20.0, "{}", motor.position_steps());
}

#[test]
fn a_blocked_rotor_stays_and_goes_on_once_it_is_let_go() {
    let data = dry(0.0);
    let mut motor = Motor::new(&data, &Load::default(), &Supply::constant(VOLTS));
    motor.block_rotor(true);
    motor.advance(50_000_000, &Applied::held(1.0, 0.1));
    assert_eq!(motor.position_steps(), 0.0);
    motor.block_rotor(false);
    motor.advance(2_000_000_000, &Applied::held(1.0, 0.1));
    assert!((motor.position_steps() - 1.0).abs() < 1e-3);
}

#[test]
fn cutting_the_time_into_pieces_changes_nothing_that_matters() {
    let drive = Applied::held(1.0, 0.1);
    let load = Load { torque_n_m: 0.02, ..Load::default() };
    let mut whole = Motor::new(&dry(0.004), &load, &Supply::constant(VOLTS));
    let mut cut = whole.clone();
    whole.advance(100_000_000, &drive);
    for piece in 1..=1000 {
        cut.advance(piece * 100_000, &drive);
    }
    assert!((whole.position_steps() - cut.position_steps()).abs() < 1e-6);
    assert!((whole.heat().winding_c - cut.heat().winding_c).abs() < 1e-6);
    assert_eq!((whole.now_ns(), cut.now_ns()), (100_000_000, 100_000_000));
}

/// A field that turns slowly away from a rotor which friction holds: in one piece and in pieces of 10 µs, at whose ends
/// whether it breaks loose is asked anew. By hand: torque of the locked rotor reaches the friction a little later than the
/// angle asin(T/(K·I)) of the field, by the lag of its current.
#[test]
fn a_rotor_breaks_loose_at_the_very_torque_of_its_friction() {
    let (data, share, velocity) = (dry(0.1), 0.1, 20.0);
    let at = |t: f64| Applied { angle_steps: velocity * t, velocity, smooth: true, ..Applied::held(0.0, share) };
    let windings = data.windings(data.heat.ambient_c);
    let full = windings.back_emf_v_s_per_rad * share * VOLTS / windings.resistance_ohm;
    let lag_s = windings.inductance_h / windings.resistance_ohm;
    let loose_s = libm::asin(0.1 / full) / core::f64::consts::FRAC_PI_2 / velocity + lag_s;
    let mut whole = Motor::new(&data, &Load::default(), &Supply::constant(VOLTS));
    let mut cut = whole.clone();
    let pieces = libm::ceil((loose_s + 1e-3) / 1e-5) as u64;
    whole.advance(pieces * 10_000, &at(0.0));
    let mut loose_ns = None;
    for piece in 0..pieces {
        cut.advance((piece + 1) * 10_000, &at(piece as f64 * 1e-5));
        if cut.velocity() != 0.0 {
            loose_ns = loose_ns.or(Some(cut.now_ns()));
        }
    }
    let loose_ns = loose_ns.expect("breaks loose") as f64;
    assert!((loose_ns * 1e-9 - loose_s).abs() < 1e-4, "{loose_ns} ns, not {loose_s} s");
    assert!(cut.position_steps() > 1e-3, "{}", cut.position_steps());
    let share = whole.position_steps() / cut.position_steps();
    assert!((share - 1.0).abs() < 1e-3, "{} and {}", whole.position_steps(), cut.position_steps());
}

/// One command for a whole smooth ramp, and the same in a thousand commands, each from where the ramp is by then; with a
/// damper, which knows the ramp's velocity too.
#[test]
fn a_smooth_ramp_in_one_piece_is_the_same_ramp_in_many() {
    let ramp = |t: f64| Applied {
        angle_steps: 0.5 * 4000.0 * t * t,
        velocity: 4000.0 * t,
        acceleration: 4000.0,
        smooth: true,
        ..Applied::held(0.0, 0.3)
    };
    let mut data = dry(0.0);
    data.heat.winding.capacity_j_per_k = 1e12;
    let mut whole = Motor::new(&data, &Load::default(), &Supply::constant(VOLTS));
    whole.set_vanishing_damper(2e-3);
    let mut cut = whole.clone();
    whole.advance(100_000_000, &ramp(0.0));
    for piece in 0..1000_u64 {
        cut.advance((piece + 1) * 100_000, &ramp(piece as f64 * 1e-4));
    }
    assert!((whole.position_steps() - cut.position_steps()).abs() < 1e-6);
    assert!((whole.velocity() - cut.velocity()).abs() < 1e-3, "{} and {}", whole.velocity(), cut.velocity());
    assert!((whole.position_steps() - 20.0).abs() < 1.0, "{}", whole.position_steps());
}
