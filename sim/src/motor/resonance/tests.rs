//! Eigenvalues against closed forms, against the Routh–Hurwitz criterion, and against the simulated motor.

use core::f64::consts::FRAC_PI_2;

use super::*;
use crate::motor::setting::{Amplitudes, Setting};
use crate::motor::{Motor, Supply, Turning, file};

fn smooth() -> (MotorData, Load) {
    let file = file::demo();
    let data = MotorData { detent_torque_n_m: 0.0, dry_friction_n_m: 0.0, ..file.motor };
    (data, Load { dry_friction_n_m: 0.0, ..file.load })
}

/// √(K_stiff/J)/2π with K_stiff = p·T_hold, the textbook form: p = 50, T = K·I.
#[test]
fn the_natural_frequency_is_that_of_stiffness_and_inertia() {
    let (data, _) = smooth();
    let windings = data.windings(20.0);
    let holding = windings.back_emf_v_s_per_rad * 1.5;
    let textbook = (50.0 * holding / 6e-6_f64).sqrt() / (2.0 * core::f64::consts::PI);
    assert!((natural_frequency_hz(&windings, 6e-6, 1.5, 0.0, 0.0) / textbook - 1.0).abs() < 1e-12);
    // By hand: cos 60° is a half, and detent of K·I/4 brings the whole again and half of it more.
    let loaded = natural_frequency_hz(&windings, 6e-6, 1.5, core::f64::consts::FRAC_PI_3, 0.0);
    assert!((loaded / textbook - 0.5_f64.sqrt()).abs() < 1e-12);
    let with_detent = natural_frequency_hz(&windings, 6e-6, 1.5, core::f64::consts::FRAC_PI_3, holding / 4.0);
    assert!((with_detent / textbook - 1.5_f64.sqrt()).abs() < 1e-12);
}

/// At rest without load the direct axis decouples, and the rest is s·(L·s + R)·(J·s + B) + K²·s + N_r·K·V·(…): the third
/// order of the textbook, J·L·s³ + (J·R + B·L)·s² + (B·R + K² + N_r·K·I·L)·s + N_r·K·V = 0 with V = R·I. The mode must be a
/// root.
#[test]
fn at_rest_the_mode_solves_the_third_order_of_the_textbook() {
    let (data, _) = smooth();
    let load = Load { inertia_kg_m2: 9e-6, ..Load::default() };
    let windings = data.windings(20.0);
    let (r, l, k, n) = (windings.resistance_ohm, windings.inductance_h, windings.back_emf_v_s_per_rad, windings.teeth);
    let (j, b, volts) = (data.inertia_kg_m2(&load), data.viscous_friction_n_m_s_per_rad(&load), 3.0);
    let mode = oscillation(&data, &load, 20.0, volts, 0.0).unwrap();
    let s = nalgebra::Complex::new(mode.growth_per_s, TAU * mode.frequency_hz);
    let terms = [s * s * s * (j * l), s * s * (j * r + b * l), s * (b * r + k * k + n * k * volts / r * l), {
        nalgebra::Complex::new(n * k * volts, 0.0)
    }];
    let sum: nalgebra::Complex<f64> = terms.iter().sum();
    assert!(sum.norm() < 1e-9 * terms[3].norm(), "{sum} for {mode:?}");
    assert!(mode.frequency_hz > 20.0 && mode.growth_per_s < 0.0, "{mode:?}");
}

/// Routh–Hurwitz (any text on control): s⁴ + a₁s³ + a₂s² + a₃s + a₄ is stable if all are positive, a₁a₂ > a₃ and
/// a₁a₂a₃ > a₃² + a₁²a₄. The coefficients come from traces of powers (Faddeev–LeVerrier), no eigenvalue is computed.
#[test]
fn the_unstable_band_is_that_of_routh_and_hurwitz() {
    let (data, load) = smooth();
    let stable = |velocity: f64| {
        let matrix = linearised(&data, &load, 25.0, 12.0, velocity).unwrap();
        let mut power = Matrix4::identity();
        let mut a = [1.0; 5];
        for (order, coefficient) in a.iter_mut().enumerate().skip(1) {
            let next = matrix * power;
            *coefficient = -next.trace() / order as f64;
            power = next + Matrix4::identity() * *coefficient;
        }
        a.iter().all(|&a| a > 0.0) && a[1] * a[2] > a[3] && a[1] * a[2] * a[3] > a[3] * a[3] + a[1] * a[1] * a[4]
    };
    let mut signs = [0, 0];
    for step in 1..150 {
        let velocity = 10.0 * f64::from(step);
        let mode = oscillation(&data, &load, 25.0, 12.0, velocity).unwrap();
        assert_eq!(mode.growth_per_s < 0.0, stable(velocity), "{mode:?} at {velocity}");
        signs[usize::from(stable(velocity))] += 1;
    }
    assert!(signs[0] > 5 && signs[1] > 5, "{signs:?}");
    let bands = unstable_bands(&data, &load, 25.0, |_| 12.0, 1500.0);
    assert!(!bands.is_empty());
    for band in bands {
        assert!(stable(band.from_velocity - 0.01) && !stable(band.from_velocity + 0.01), "{band:?}");
        assert!(band.to_velocity == 1500.0 || stable(band.to_velocity + 0.01), "{band:?}");
        assert!(!stable(band.to_velocity - 0.01), "{band:?}");
    }
}

/// The nonlinear motor, pushed a little off its steady state: its deviation grows as the eigenvalue says.
#[test]
fn a_simulated_motor_swings_up_in_the_band_at_the_computed_rate_and_calms_down_beside_it() {
    let (data, load) = smooth();
    let volts = 12.0;
    let windings = data.windings(25.0);
    let mut seen = [false; 2];
    for velocity in [200.0, 1000.0, 1300.0] {
        let mode = oscillation(&data, &load, 25.0, volts, velocity).unwrap();
        seen[usize::from(mode.growth_per_s > 0.0)] = true;
        let state = steady(&windings, volts, data.steady_torque_n_m(&load, velocity), velocity).unwrap();
        let setting = Setting::uncompensated(Amplitudes::all(1.0));
        let drive = Turning { since_ns: 0, angle_steps: 0.0, velocity, setting: &setting };
        let mut motor = Motor::new(&data, &load, &Supply::constant(volts));
        let (sin, cos) = libm::sincos(state.current_lead_rad - state.voltage_lead_rad);
        let rest = -state.voltage_lead_rad / FRAC_PI_2;
        motor.set_motion(rest + 1e-4, velocity, [state.current_a * cos, state.current_a * sin]);
        // Energy of the swing in windows of several periods, long after the faster modes are gone.
        let mut energy = |from_s: f64, to_s: f64| {
            let mut sum = 0.0;
            for look in 0..400 {
                let at_s = from_s + (to_s - from_s) * f64::from(look) / 400.0;
                motor.advance((at_s * 1e9) as u64, &drive);
                let deviation = motor.velocity() - velocity;
                sum += deviation * deviation;
            }
            sum
        };
        let window_s = 4.0 / mode.frequency_hz;
        let first = energy(0.02, 0.02 + window_s);
        let second = energy(0.02 + window_s, 0.02 + 2.0 * window_s);
        let growth = libm::log(second / first) / (2.0 * window_s);
        let error = (growth - mode.growth_per_s).abs();
        assert!(error < 0.05 * mode.growth_per_s.abs() + 0.5, "{growth}, not {mode:?}, at {velocity}");
    }
    assert_eq!(seen, [true; 2]);
}

#[test]
fn the_speed_at_which_steps_meet_the_swing_is_to_be_avoided() {
    let (data, load) = smooth();
    let avoid = velocities_to_avoid(&data, &load, 25.0, |_| 3.0, 1500.0);
    let resonance = avoid.iter().find_map(|speed| match *speed {
        VelocityToAvoid::Resonance { from_velocity, to_velocity, mode } => Some((from_velocity, to_velocity, mode)),
        VelocityToAvoid::Unstable(_) => None,
    });
    let (from, to, mode) = resonance.unwrap();
    let middle = 0.5 * (from + to);
    assert!((mode.frequency_hz - middle).abs() < 1e-3 * middle, "{mode:?} at {middle}");
    let here = oscillation(&data, &load, 25.0, 3.0, middle).unwrap();
    assert!((here.frequency_hz - middle).abs() < 1e-3 * middle, "{here:?} at {middle}");
}
