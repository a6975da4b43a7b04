//! Intervals hold the truth as often as they say, on data that the motor *simulation* made; and the closed form of a blocked
//! rotor.

use core::f64::consts::FRAC_PI_2;
use std::sync::LazyLock;

use nalgebra::{DMatrix, DVector};

use super::super::least_squares::{Estimate, search};
use super::super::*;
use super::{demo, normal};
use crate::dice::Dice;
use crate::motor::{
    Amplitudes, Applied, Load, Motor, Setting, Supply, electrical_rad_per_s, oscillation, sampling_factor,
    shaft_rad_per_s, steady_run,
};

const SEEDS: u64 = 200;
const WINDING_C: f64 = 45.0;
const MICROSTEPS: u16 = 16;
const SUPPLY_V: f64 = 24.0;

/// Points of the demo motor as the simulation turns it: with its microsteps, detent, friction and a load of its own at some.
fn simulated() -> &'static [Point] {
    static POINTS: LazyLock<Vec<Point>> = LazyLock::new(|| {
        let motor = demo().motor;
        let point = |(velocity, amplitude_v, load_n_m): (f64, f64, f64)| {
            let load = Load { torque_n_m: load_n_m, inertia_kg_m2: 9e-6, ..Load::default() };
            let setting = Setting::uncompensated(Amplitudes::all(amplitude_v / SUPPLY_V));
            let volts = amplitude_v * sampling_factor(MICROSTEPS);
            let mode = oscillation(&motor, &load, WINDING_C, volts, velocity);
            assert!(mode.is_some_and(|mode| mode.growth_per_s < -1.0), "{mode:?} at {velocity} and {amplitude_v}");
            let run = steady_run(&motor, &load, WINDING_C, SUPPLY_V, &setting, MICROSTEPS, velocity);
            Point {
                line: 0,
                velocity,
                amplitude_v,
                current_a: run.unwrap_or_else(|| panic!("in step at {velocity}")).current_a,
                load_n_m,
                winding_c: WINDING_C,
                microsteps_per_step: MICROSTEPS,
                rotor_blocked: false,
            }
        };
        let at = [
            (20.0, 2.0, 0.0),
            (40.0, 2.5, 0.0),
            (150.0, 3.0, 0.0),
            (200.0, 4.0, 0.02),
            (250.0, 5.0, 0.0),
            (300.0, 6.0, 0.0),
            (400.0, 6.0, 0.02),
            (500.0, 9.0, 0.0),
            (600.0, 9.0, 0.0),
            (700.0, 12.0, 0.03),
            (800.0, 12.0, 0.0),
            (850.0, 14.0, 0.0),
        ];
        at.map(point).to_vec()
    });
    &POINTS
}

/// The search's estimate without the file around it, to look at other confidences, too.
fn estimate(points: &[Point], start: &MotorData) -> Estimate {
    let curve = Currents { motor: start, points, back_emf_v_s_per_rad: None };
    search(&curve, &[start.resistance_ohm, start.inductance_h, start.back_emf_v_s_per_rad]).unwrap()
}

#[test]
fn without_noise_the_simulated_motor_gives_its_constants_back() {
    let truth = demo().motor;
    let start = MotorData { resistance_ohm: 2.5, inductance_h: 4e-3, back_emf_v_s_per_rad: 0.3, ..truth };
    let found = estimate(simulated(), &start).constants;
    println!("{found:?}");
    for (found, expected) in found.iter().zip([truth.resistance_ohm, truth.inductance_h, truth.back_emf_v_s_per_rad]) {
        assert!((found / expected - 1.0).abs() < 2e-3, "{found}, not {expected}");
    }
}

/// 95 % of 200 are 190 with a deviation of 3.1, half of them 100 with 7.1: three and a half deviations to either side. The half
/// shows an interval that is too wide, which the 95 % could not.
#[test]
fn the_intervals_hold_the_true_constants_as_often_as_they_say() {
    let truth = demo().motor;
    let expected = [truth.resistance_ohm, truth.inductance_h, truth.back_emf_v_s_per_rad];
    let start = MotorData { resistance_ohm: 1.4, inductance_h: 3.5e-3, back_emf_v_s_per_rad: 0.24, ..truth };
    let mut held = [[0_u32; 2]; 3];
    for seed in 0..SEEDS {
        let mut dice = Dice::new(seed, 7);
        let noisy = |point: &Point| Point { current_a: point.current_a + 0.02 * normal(&mut dice), ..*point };
        let points: Vec<_> = simulated().iter().map(noisy).collect();
        let found = estimate(&points, &start);
        for (index, held) in held.iter_mut().enumerate() {
            let off = (found.constants[index] - expected[index]).abs();
            held[0] += u32::from(off <= found.reach(index, CONFIDENCE));
            held[1] += u32::from(off <= found.reach(index, 0.5));
        }
    }
    println!("{held:?}");
    for [surely, half] in held {
        assert!((180..200).contains(&surely) && (76..=124).contains(&half), "{held:?}");
    }
}

/// A recording of the simulated motor, its shaft driven by a weight that falls, the windings open, with noise and an offset.
#[test]
fn the_interval_of_a_recording_holds_the_true_constant_as_often_as_it_says() {
    let truth = MotorData { detent_torque_n_m: 0.0, ..demo().motor };
    let pull = Load { torque_n_m: -0.02, inertia_kg_m2: 4e-4, ..Load::default() };
    let mut motor = Motor::new(&truth, &pull, &Supply::constant(24.0));
    let clean: Vec<_> = (0..8000_u64)
        .map(|index| {
            motor.advance(index * 100_000, &Applied::RELEASED);
            (index as f64 * 1e-4, motor.voltages_v()[0])
        })
        .collect();
    let mut held = [0_u32; 2];
    for seed in 0..SEEDS {
        let mut dice = Dice::new(seed, 11);
        let samples: Vec<_> =
            clean.iter().map(|&(at_s, volts)| (at_s, volts + 0.05 + 0.04 * normal(&mut dice))).collect();
        let told = recording::read(&samples, truth.teeth()).unwrap();
        let off = (told.back_emf_v_s_per_rad - truth.back_emf_v_s_per_rad).abs();
        held[0] += u32::from(off <= told.reach());
        held[1] += u32::from(off <= student::quantile(0.5, told.freedom) * told.standard_error);
        assert!(off < 0.01 * truth.back_emf_v_s_per_rad, "{told:?}");
    }
    println!("{held:?}");
    assert!((180..200).contains(&held[0]) && (76..=124).contains(&held[1]), "{held:?}");
}

/// With a blocked rotor 1/I² = (R² + ω_e²·L²)/V² is a straight line over ω_e² (any circuits text): its closed form is solved by
/// nalgebra's own decomposition, on currents of the simulated motor.
#[test]
fn a_blocked_rotor_gives_what_the_straight_line_gives() {
    let truth = demo().motor;
    let setting = Setting::uncompensated(Amplitudes::all(0.25));
    let points: Vec<_> = [60.0, 200.0, 400.0, 700.0, 1000.0]
        .into_iter()
        .map(|velocity| {
            let mut cold = truth;
            cold.heat.winding.capacity_j_per_k = 1e12;
            cold.heat.ambient_c = WINDING_C;
            let mut motor = Motor::new(&cold, &Load::default(), &Supply::constant(SUPPLY_V));
            motor.block_rotor(true);
            let drive = crate::motor::Turning { since_ns: 0, angle_steps: 0.0, velocity, setting: &setting };
            motor.advance(200_000_000, &drive);
            let current_a = motor.current_amplitude_a();
            // Smooth turning is a great many microsteps.
            let microsteps_per_step = 1024;
            Point {
                line: 0,
                velocity,
                amplitude_v: 0.25 * SUPPLY_V,
                current_a,
                load_n_m: 0.0,
                winding_c: WINDING_C,
                microsteps_per_step,
                rotor_blocked: true,
            }
        })
        .collect();
    let rows = DMatrix::from_fn(points.len(), 2, |row, column| {
        let omega = points[row].velocity * FRAC_PI_2;
        if column == 0 { 1.0 } else { omega * omega }
    });
    let right = DVector::from_fn(points.len(), |row, _| (6.0 / points[row].current_a) * (6.0 / points[row].current_a));
    let line = rows.svd(true, true).solve(&right, 1e-14).unwrap();
    let by_line = [line[0].sqrt() / ((235.0 + WINDING_C) / 255.0), line[1].sqrt()];
    let start = MotorData { resistance_ohm: 1.0, inductance_h: 5e-3, ..truth };
    let curve = Currents { motor: &start, points: &points, back_emf_v_s_per_rad: Some(0.5) };
    let found = search(&curve, &[1.0, 5e-3]).unwrap().constants;
    for index in 0..2 {
        assert!((found[index] / by_line[index] - 1.0).abs() < 1e-5, "{found:?}, not {by_line:?}");
        let expected = [truth.resistance_ohm, truth.inductance_h][index];
        assert!((found[index] / expected - 1.0).abs() < 1e-4, "{found:?}");
    }
}

/// With a recording the points settle only R and L, and the recording's interval widens theirs.
#[test]
fn a_recording_takes_the_back_emf_constant_from_the_points_and_widens_their_intervals() {
    let truth = demo().motor;
    let omega = electrical_rad_per_s(400.0);
    let peak_v = truth.back_emf_v_s_per_rad * shaft_rad_per_s(400.0, truth.teeth());
    let recording = |noise_v: f64| {
        let mut dice = Dice::new(3, 3);
        let at = |index: u32| {
            let at_s = f64::from(index) * 1e-4;
            (at_s, peak_v * libm::sin(omega * at_s) + noise_v * normal(&mut dice))
        };
        Measurements::Recording { file: "spin.csv".to_owned(), samples: (0..2000).map(at).collect() }
    };
    let steady = || {
        let mut dice = Dice::new(5, 5);
        let noisy = |point: &Point| Point { current_a: point.current_a + 0.01 * normal(&mut dice), ..*point };
        Measurements::Steady { file: "points.csv".to_owned(), points: simulated().iter().map(noisy).collect() }
    };
    let file = MotorData { back_emf_v_s_per_rad: 0.25, ..truth };
    let quiet = fit(&file, &[steady(), recording(0.001)]).unwrap();
    let noisy = fit(&file, &[recording(0.4), steady()]).unwrap();
    let names = |fitted: &Fitted| fitted.constants.iter().map(|constant| constant.name).collect::<Vec<_>>();
    assert_eq!(names(&quiet), ["resistance_ohm", "inductance_h", "back_emf_v_s_per_rad"]);
    assert_eq!(quiet.constants[2].file_value, 0.25);
    assert!(
        (quiet.motor.back_emf_v_s_per_rad / truth.back_emf_v_s_per_rad - 1.0).abs() < 1e-3,
        "{:?}",
        quiet.constants
    );
    assert!((quiet.motor.inductance_h / truth.inductance_h - 1.0).abs() < 0.03, "{:?}", quiet.constants);
    let width = |fitted: &Fitted, index: usize| fitted.constants[index].high - fitted.constants[index].low;
    for index in 0..3 {
        assert!(width(&noisy, index) > 1.02 * width(&quiet, index), "{:?}, {:?}", noisy.constants, quiet.constants);
    }
    // How R moves with K, by a fit with another K beside.
    let Measurements::Steady { points, .. } = steady() else { unreachable!() };
    let at = |back_emf: f64| {
        let curve = Currents { motor: &file, points: &points, back_emf_v_s_per_rad: Some(back_emf) };
        let best = search(&curve, &[truth.resistance_ohm, truth.inductance_h]).unwrap();
        let moved = [by_back_emf(&curve, &best, 0), by_back_emf(&curve, &best, 1)];
        (best.constants, moved)
    };
    let middle = quiet.motor.back_emf_v_s_per_rad;
    let ((low, _), (_, moved), (high, _)) = (at(middle - 1e-4), at(middle), at(middle + 1e-4));
    for index in 0..2 {
        let slope = (high[index] - low[index]) / 2e-4;
        // The formula leaves out the curvature of the residuals, which are small.
        assert!((slope / moved[index] - 1.0).abs() < 0.05, "{slope}, not {}", moved[index]);
    }
}
