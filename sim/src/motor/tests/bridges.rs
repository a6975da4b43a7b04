//! What the bridge does to the windings: regulated current, free-wheeling, a short circuit, a broken wire.

use stepchain::map::{BridgeState, Drive};

use crate::motor::data::demo;
use crate::motor::{Applied, Decay, Load, Motor, MotorData, Regulation, Supply};

const VOLTS: f64 = 24.0;

/// Its rotor cannot turn, and its windings hardly warm.
fn blocked() -> Motor {
    let mut data = demo();
    data.heat.winding.capacity_j_per_k = 1e12;
    let mut motor = Motor::new(&data, &Load::default(), &Supply::constant(VOLTS));
    motor.block_rotor(true);
    motor
}

fn regulated(angle_steps: f64, amperes: f64) -> Applied {
    Applied { drive: Drive::Current, ..Applied::held(angle_steps, amperes) }
}

const PERIOD_S: f64 = 25e-6;

/// Least and greatest current of the first winding in two periods, after it has settled.
fn ripple(decay: Decay, angle_steps: f64) -> (f64, f64) {
    let mut motor = blocked();
    motor.set_regulation(&Regulation { period_s: PERIOD_S, decay });
    let drive = regulated(angle_steps, 1.5);
    motor.advance(20_000_000, &drive);
    let mut ends = (f64::MAX, f64::MIN);
    for sample in 0..5000 {
        motor.advance(20_000_000 + sample * 10, &drive);
        let current = motor.currents_a()[0];
        ends = (ends.0.min(current), ends.1.max(current));
    }
    ends
}

/// With τ = L/R and V the supply: on, i = V/R − (V/R − i₀)·e^(−t/τ) until it is the wanted I; then with slow decay
/// I·e^(−t/τ), with fast decay (I + V/R)·e^(−t/τ) − V/R, down to zero at most. Any text on circuits. From zero, period by
/// period: with fast decay it needs more than half of a period to rise again, so that periods are not alike (the
/// subharmonic oscillation of a peak-current regulator, any text on converters).
#[test]
fn every_period_of_a_regulated_current_ends_where_the_exponentials_say() {
    let windings = demo().windings(demo().heat.ambient_c);
    let (r, tau) = (windings.resistance_ohm, windings.inductance_h / windings.resistance_ohm);
    let (full, wanted) = (VOLTS / r, 1.5);
    for (decay, fast_share) in [(Decay::Slow, 0.0), (Decay::Mixed(0.2), 0.2), (Decay::Fast, 1.0)] {
        let mut motor = blocked();
        motor.set_regulation(&Regulation { period_s: PERIOD_S, decay });
        let mut expected: f64 = 0.0;
        let mut least: f64 = wanted;
        for period in 1..=40 {
            motor.advance(period * 25_000, &regulated(0.0, wanted));
            let on_s = tau * libm::log((full - expected) / (full - wanted));
            expected = if on_s >= PERIOD_S {
                full - (full - expected) * libm::exp(-PERIOD_S / tau)
            } else {
                let fast_s = (PERIOD_S - on_s).min(fast_share * PERIOD_S);
                let after_fast = (wanted + full) * libm::exp(-fast_s / tau) - full;
                after_fast.max(0.0) * libm::exp(-(PERIOD_S - on_s - fast_s) / tau)
            };
            let found = motor.currents_a()[0];
            assert!((found - expected).abs() < 1e-6, "{found}, not {expected}, with {decay:?} in period {period}");
            least = if period > 20 { least.min(found) } else { wanted };
        }
        assert!(least < wanted - 5e-3 && least > 0.5 * wanted, "{least} with {decay:?}");
    }
}

#[test]
fn mixed_decay_ripples_more_than_slow_and_less_than_fast() {
    let span = |decay| {
        let (least, most) = ripple(decay, 0.0);
        most - least
    };
    let (slow, mixed, fast) = (span(Decay::Slow), span(Decay::Mixed(0.2)), span(Decay::Fast));
    assert!(slow < 0.7 * mixed && mixed < 0.95 * fast, "{slow}, {mixed}, {fast}");
}

/// By hand: cos 60° of 1.5 A, less the ripple, in either direction.
#[test]
fn a_regulated_current_follows_the_commanded_angle_in_both_directions() {
    for (angle_steps, expected) in [(2.0 / 3.0, 0.75), (4.0 / 3.0, -0.75)] {
        let (least, most) = ripple(Decay::Slow, angle_steps);
        assert!(least.abs().max(most.abs()) < 0.7501 && (0.5 * (least + most) - expected).abs() < 0.03);
    }
}

/// By hand: 0.2 V over the resistance is all that the supply can do.
#[test]
fn a_regulated_current_ends_where_the_supply_does() {
    let mut motor = blocked();
    motor.set_supply(&Supply::constant(0.2));
    motor.advance(50_000_000, &regulated(0.0, 1.5));
    let expected = 0.2 / motor.windings().resistance_ohm;
    assert!((motor.currents_a()[0] - expected).abs() < 1e-6, "{:?}, not {expected}", motor.currents_a());
}

/// i(t) falls with −(V + R·i)/L: zero after τ·ln(1 + R·I/V), any text on circuits; a little before and a little after.
#[test]
fn a_released_winding_returns_its_current_to_the_supply_and_then_carries_none() {
    let mut motor = blocked();
    motor.advance(50_000_000, &Applied::held(0.0, 0.1));
    let windings = motor.windings();
    let (r, start) = (windings.resistance_ohm, motor.currents_a()[0]);
    let zero_ns = (windings.inductance_h / r * libm::log(1.0 + r * start / VOLTS) * 1e9) as u64;
    motor.advance(50_000_000 + zero_ns - 200, &Applied::RELEASED);
    assert!(motor.currents_a()[0] > 0.0 && motor.currents_a()[0] < 5e-3, "{:?}", motor.currents_a());
    motor.advance(50_000_000 + zero_ns + 200, &Applied::RELEASED);
    assert_eq!(motor.currents_a(), [0.0; 2]);
    motor.advance(60_000_000, &Applied::RELEASED);
    assert_eq!(motor.currents_a(), [0.0; 2]);
}

/// A motor that is spun faster than its supply feeds the supply through the diodes, and is braked by it.
#[test]
fn a_motor_that_induces_more_than_the_supply_feeds_it() {
    let spun = |supply_v| {
        let data = MotorData { viscous_friction_n_m_s_per_rad: 0.0, dry_friction_n_m: 0.0, ..demo() };
        let mut motor = Motor::new(&data, &Load::default(), &Supply::constant(supply_v));
        motor.set_motion(0.0, 1000.0, [0.0; 2]);
        let peak: f64 = motor.back_emf_v().into_iter().map(f64::abs).fold(0.0, f64::max);
        motor.advance(20_000_000, &Applied::RELEASED);
        (peak, motor.velocity(), motor.take_peaks_a())
    };
    let (peak_v, velocity, currents) = spun(24.0);
    assert!(peak_v < 24.0 && (velocity - 1000.0).abs() < 30.0 && currents == [0.0; 2], "{velocity}");
    let (peak_v, velocity, currents) = spun(3.0);
    assert!(peak_v > 3.0 && velocity < 900.0 && currents[0] > 0.1, "{velocity}, {currents:?}");
    // As soon as it is more, and not before.
    let (_, _, currents) = spun(1.02 * peak_v);
    assert_eq!(currents, [0.0; 2]);
    let (_, _, currents) = spun(0.9 * peak_v);
    assert!(currents[1] > 0.0, "{currents:?}");
}

#[test]
fn shorted_windings_brake_and_open_ones_do_not() {
    let coasted = |bridge| {
        let data = MotorData { detent_torque_n_m: 0.0, ..demo() };
        let mut motor = Motor::new(&data, &Load::default(), &Supply::constant(VOLTS));
        motor.set_motion(0.0, 300.0, [0.0; 2]);
        motor.advance(1_000_000_000, &Applied { bridge, ..Applied::RELEASED });
        motor.position_steps()
    };
    let (shorted, open) = (coasted(BridgeState::Shorted), coasted(BridgeState::HighImpedance));
    assert!(shorted > 0.0 && shorted < 0.5 * open, "{shorted} and {open}");
}

#[test]
fn a_broken_winding_carries_nothing_and_the_other_goes_on() {
    let mut motor = blocked();
    motor.advance(20_000_000, &Applied::held(0.5, 0.1));
    motor.break_windings([true, false]);
    for drive in [Applied::held(0.5, 0.1), regulated(0.5, 1.0), Applied::RELEASED] {
        motor.advance(motor.now_ns() + 20_000_000, &drive);
        assert_eq!(motor.currents_a()[0], 0.0, "{drive:?}");
        assert_eq!(motor.currents_a()[1] == 0.0, drive == Applied::RELEASED, "{drive:?}");
    }
}

/// A share of a supply that falls by half falls by half.
#[test]
fn a_voltage_drive_follows_the_supply() {
    let mut motor = blocked();
    motor.set_supply(&Supply::over_time(&[(0, 24.0), (100_000_000, 24.0), (100_000_001, 12.0)]));
    motor.advance(100_000_000, &Applied::held(0.0, 0.1));
    let before = motor.currents_a()[0];
    motor.advance(200_000_000, &Applied::held(0.0, 0.1));
    assert!((motor.currents_a()[0] / before - 0.5).abs() < 1e-3);
}

/// By hand: cos 60° and sin 60° of a tenth of 24 V; a regulated bridge gives the whole supply or nothing.
#[test]
fn the_voltages_are_those_that_the_bridge_applies() {
    let mut motor = blocked();
    motor.advance(1_000_000, &Applied::held(2.0 / 3.0, 0.1));
    let [a, b] = motor.voltages_v();
    assert!((a - 1.2).abs() < 1e-9 && (b - 2.4 * 0.75_f64.sqrt()).abs() < 1e-9, "{a}, {b}");
    motor.advance(10_000_000, &regulated(0.0, 1.5));
    let mut seen = [false; 2];
    for sample in 1..=100 {
        motor.advance(10_000_000 + sample * 500, &regulated(0.0, 1.5));
        let volts = motor.voltages_v()[0];
        assert!(volts == 0.0 || volts == VOLTS, "{volts}");
        seen[usize::from(volts == VOLTS)] = true;
    }
    assert_eq!(seen, [true; 2]);
    motor.advance(30_000_000, &Applied::RELEASED);
    assert_eq!(motor.voltages_v(), [0.0; 2]);
}
