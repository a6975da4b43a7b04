//! Eigenvalues against closed forms, against the Routh–Hurwitz criterion, and against the simulated motor.

use core::f64::consts::FRAC_PI_2;

use stepchain::map::BridgeState;

use super::*;
use crate::motion::{Engine, Limits};
use crate::motor::setting::{Amplitudes, Setting, sampling_factor};
use crate::motor::{Microstepping, Motor, Supply, Turning, file};

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

/// Two roots of −1 ± 10i and one of −0.5: what creeps back the slowest says nothing of the swing. What grows comes first.
#[test]
fn a_swing_is_told_though_something_creeps_back_more_slowly() {
    let roots = |creeping: f64| {
        #[rustfmt::skip]
        let matrix = Matrix4::new(
            -1.0, 10.0, 0.0, 0.0,
            -10.0, -1.0, 0.0, 0.0,
            0.0, 0.0, creeping, 0.0,
            0.0, 0.0, 0.0, -40.0,
        );
        least_damped(matrix).unwrap()
    };
    let swing = roots(-0.5);
    assert!((swing.growth_per_s + 1.0).abs() < 1e-9 && (swing.frequency_hz - 10.0 / TAU).abs() < 1e-9, "{swing:?}");
    let growing = roots(0.25);
    assert!((growing.growth_per_s - 0.25).abs() < 1e-9 && growing.frequency_hz == 0.0, "{growing:?}");
    let creeping = least_damped(Matrix4::from_diagonal(&Vector4::new(-3.0, -1.0, -2.0, -4.0))).unwrap();
    assert!((creeping.growth_per_s + 1.0).abs() < 1e-9 && creeping.frequency_hz == 0.0, "{creeping:?}");
}

#[test]
fn numbers_beyond_all_reckoning_have_no_oscillation() {
    let (data, load) = smooth();
    let flat = MotorData { inductance_h: 1e-308, ..data };
    assert_eq!(oscillation(&flat, &load, 25.0, 3.0, 100.0), None);
}

/// Of a full step, whose edges come as often as steps do.
#[test]
fn the_speed_at_which_steps_meet_the_swing_is_to_be_avoided() {
    let (data, load) = smooth();
    let found = resonances(&data, &load, 3.0, 1500.0, 1);
    let (from, to, mode, ..) = *found.last().unwrap();
    let middle = 0.5 * (from + to);
    assert!((mode.frequency_hz - middle).abs() < 1e-3 * middle, "{mode:?} at {middle}");
    let here = oscillation(&data, &load, 25.0, 3.0, middle).unwrap();
    assert!((here.frequency_hz - middle).abs() < 1e-3 * middle, "{here:?} at {middle}");
}

fn resonances(
    data: &MotorData,
    load: &Load,
    volts: f64,
    top_velocity: f64,
    microsteps: u16,
) -> Vec<(f64, f64, Mode, Excitation, Ripple)> {
    let avoid = velocities_to_avoid(data, load, 25.0, |_| volts, top_velocity, microsteps);
    let resonance = |speed: VelocityToAvoid| match speed {
        VelocityToAvoid::Resonance { from_velocity, to_velocity, mode, excitation, ripple } => {
            Some((from_velocity, to_velocity, mode, excitation, ripple))
        }
        VelocityToAvoid::Unstable(_) => None,
    };
    avoid.into_iter().filter_map(resonance).collect()
}

/// Without load and dry friction, and with a detent torque.
fn rippling(detent_torque_n_m: f64) -> (MotorData, Load) {
    let (data, load) = smooth();
    (MotorData { detent_torque_n_m, ..data }, Load { torque_n_m: 0.0, ..load })
}

/// Root mean square deviation of the simulated rotor's speed, with the chip's microsteps, in full steps/s.
fn simulated_ripple(data: &MotorData, load: &Load, volts: f64, microsteps_per_step: u16, velocity: f64) -> f64 {
    const SETTLE_NS: u64 = 300_000_000;
    const LOOKS: u64 = 1000;
    let microsteps = velocity * f64::from(microsteps_per_step);
    let limits = Limits {
        velocity: microsteps,
        acceleration: 1e9,
        deceleration: 1e9,
        quick_deceleration: 1e9,
        start_stop_velocity: microsteps,
    };
    let mut engine = Engine::new();
    engine.move_velocity(0, microsteps, &limits).unwrap();
    let setting = Setting::uncompensated(Amplitudes::all(volts / sampling_factor(microsteps_per_step) / 24.0));
    let bridge = BridgeState::Driven;
    let drive = Microstepping { engine: &engine, microsteps_per_step, setting: &setting, bridge };
    let mut motor = Motor::new(data, load, &Supply::constant(24.0));
    let state = steady(&motor.windings(), volts, data.steady_torque_n_m(load, velocity), velocity).unwrap();
    let (sin, cos) = libm::sincos(state.current_lead_rad - state.voltage_lead_rad);
    motor.set_motion(-state.voltage_lead_rad / FRAC_PI_2, velocity, [state.current_a * cos, state.current_a * sin]);
    motor.advance(SETTLE_NS, &drive);
    let mut sum = 0.0;
    for look in 1..=LOOKS {
        motor.advance(SETTLE_NS + look * 200_000, &drive);
        let deviation = motor.velocity() - velocity;
        sum += deviation * deviation;
    }
    libm::sqrt(sum / LOOKS as f64)
}

/// Small swings: by detent with fine microsteps, and by the edges of quarter steps.
#[test]
fn the_forced_swing_is_that_of_the_simulated_motor() {
    for (detent, microsteps, velocities) in [(0.008, 16, [150.0, 202.0, 260.0]), (0.0, 4, [35.0, 52.0, 80.0])] {
        let (data, load) = rippling(detent);
        for velocity in velocities {
            let computed = ripple(&data, &load, 25.0, 3.0, velocity, microsteps).unwrap().velocity_rms;
            let simulated = simulated_ripple(&data, &load, 3.0, microsteps, velocity);
            println!("{microsteps} microsteps at {velocity}: {computed}, simulated {simulated}");
            assert!((computed / simulated - 1.0).abs() < 0.03, "{computed}, not {simulated}, at {velocity}");
        }
    }
}

/// Resonance and subharmonic resonances of full, half and quarter steps: in the middle the rotor swings more than beside it.
#[test]
fn the_simulated_motor_swings_more_at_the_speeds_to_avoid_than_beside_them() {
    let (data, load) = rippling(0.008);
    let mut seen = Vec::new();
    for microsteps in [1, 2, 4] {
        for (from, to, mode, excitation, _) in resonances(&data, &load, 3.0, 400.0, microsteps) {
            let often = times_per_step(excitation, microsteps);
            let middle = 0.5 * (from + to);
            assert!((often * middle / mode.frequency_hz - 1.0).abs() < 1e-3, "{middle} and {mode:?}");
            // In the valleys to the next resonance below and above; the third and fourth harmonics are too near for that.
            if matches!(excitation, Excitation::Edges { harmonic } if harmonic > 2) {
                continue;
            }
            let swing = |velocity| simulated_ripple(&data, &load, 3.0, microsteps, velocity);
            let (here, below, above) = (swing(middle), swing(0.8 * middle), swing(1.25 * middle));
            println!("{microsteps}, {excitation:?} at {middle}: {here}, {below} below, {above} above");
            assert!(here > 1.1 * below && here > 1.1 * above, "{here}, {below}, {above} at {middle}, {excitation:?}");
            seen.push((microsteps, excitation));
        }
    }
    let edges = |harmonic| Excitation::Edges { harmonic };
    for expected in [(1, edges(1)), (1, edges(2)), (2, edges(1)), (2, edges(2)), (4, edges(1)), (2, Excitation::Detent)]
    {
        assert!(seen.contains(&expected), "{expected:?} in {seen:?}");
    }
}

#[test]
fn a_motor_without_detent_in_fine_microsteps_has_no_resonance_to_avoid() {
    let (data, load) = rippling(0.0);
    assert_eq!(resonances(&data, &load, 3.0, 800.0, 64), []);
    let (data, load) = rippling(0.02);
    let found = resonances(&data, &load, 3.0, 800.0, 64);
    assert!(matches!(found[..], [(.., Excitation::Detent, _)]), "{found:?}");
}
