//! Figures against circuits and closed forms, and the files against what was recorded.

use core::f64::consts::{FRAC_PI_2, SQRT_2};

use stepchain::map::{BridgeState, MotionState};

use super::*;
use crate::motion::{Engine, Limits};
use crate::motor::{
    Amplitudes, Applied, Load, Microstepping, MotorFile, Setting, Supply, Turning, sampling_factor, steady,
};

fn demo() -> MotorFile {
    let text = include_str!("../../../examples/motors/demo.toml");
    crate::motor::parse(&crate::bench::Source { file: "demo.toml", text }).unwrap()
}

/// A drive that ramps up to a speed in full steps/s at 2000 steps/s² from instant 0 on, and the state of its motion.
fn ramp(velocity: f64, microsteps: u16) -> Engine {
    let scale = f64::from(microsteps);
    let limits = Limits {
        velocity: velocity * scale,
        acceleration: 2000.0 * scale,
        deceleration: 2000.0 * scale,
        quick_deceleration: 2000.0 * scale,
        start_stop_velocity: 0.0,
    };
    let mut engine = Engine::new();
    engine.move_velocity(0, velocity * scale, &limits).unwrap();
    engine
}

/// V/√(R² + ω_e²L²)/√2, any text on circuits; within 10⁻⁴ of it: a straight line between two of 200 samples a period cuts
/// 8·10⁻⁵ off a sine.
#[test]
fn the_rms_current_of_a_locked_rotor_is_that_of_resistance_and_inductance() {
    let mut file = demo();
    // Nothing warms that takes a terajoule per degree.
    file.motor.heat.winding.capacity_j_per_k = 1e12;
    let setting = Setting::uncompensated(Amplitudes::all(0.25));
    for velocity in [40.0, 300.0, 4000.0] {
        let mut motor = Motor::new(&file.motor, &Load::default(), &Supply::constant(24.0));
        motor.block_rotor(true);
        let windings = motor.windings();
        let drive = Turning { since_ns: 0, angle_steps: 0.0, velocity, setting: &setting };
        // Five and a third periods after many time constants, so that the last period ends between two samples.
        let window =
            Window { after_ns: (4e9 / velocity * 16.0 / 3.0) as u64, ..Window::of_periods(velocity, 0, 0, 200) };
        let trace = record(&mut motor, &drive, 200_000_000, &window);
        let figures = trace.figures(&Cursors::whole(&trace), Some(10.0)).unwrap();
        let reactance = velocity * FRAC_PI_2 * windings.inductance_h;
        let peak = 6.0 / libm::hypot(windings.resistance_ohm, reactance);
        assert_eq!(figures.periods, Some(5));
        for rms_a in figures.rms_a {
            assert!((rms_a * SQRT_2 / peak - 1.0).abs() < 1e-4, "{rms_a}, not {}, at {velocity}", peak / SQRT_2);
        }
        for (rms_v, peak_v) in figures.rms_v.into_iter().zip(figures.peak_v) {
            // A motor tells voltages as they were at the beginning of its scheme's last step.
            assert!((rms_v * SQRT_2 / 6.0 - 1.0).abs() < 1e-3 && (peak_v - 6.0).abs() < 6e-3, "{rms_v} and {peak_v} V");
        }
        assert!((figures.amplitude_a / peak - 1.0).abs() < 1e-4);
        assert!((figures.droop_percent.unwrap() - 10.0 * (10.0 - peak)).abs() < 0.01, "{figures:?}");
    }
}

/// The closed form of steady turning (any text on electrical machines) at a speed at which the demo motor is stable. The
/// bound is that of the microsteps, which the closed form knows by their fundamental alone.
#[test]
fn the_droop_at_a_speed_is_that_of_the_closed_form() {
    let MotorFile { motor: mut data, load, .. } = demo();
    // Nothing warms that takes a terajoule per degree.
    data.heat.winding.capacity_j_per_k = 1e12;
    const MICROSTEPS: u16 = 32;
    for velocity in [40.0, 70.0, 110.0] {
        let setting = Setting::uncompensated(Amplitudes::all(0.16));
        let engine = ramp(velocity, MICROSTEPS);
        let drive = Microstepping {
            engine: &engine,
            microsteps_per_step: MICROSTEPS,
            setting: &setting,
            bridge: BridgeState::Driven,
        };
        let mut motor = Motor::new(&data, &load, &Supply::constant(24.0));
        let windings = motor.windings();
        let standstill_a = 0.16 * 24.0 / windings.resistance_ohm;
        // Two seconds after the speed is reached the swing of the ramp has died away.
        let trace = record(&mut motor, &drive, 2_000_000_000, &Window::of_periods(velocity, 0, 8, 400));
        let figures = trace.figures(&Cursors::whole(&trace), Some(standstill_a)).unwrap();
        let volts = 0.16 * 24.0 * sampling_factor(MICROSTEPS);
        let closed = steady(&windings, volts, data.steady_torque_n_m(&load, velocity), velocity).unwrap().current_a;
        let expected = 100.0 * (1.0 - closed / standstill_a);
        let droop = figures.droop_percent.unwrap();
        assert!((droop - expected).abs() < 1.0, "{droop} %, not {expected} %, at {velocity} steps/s");
        assert!(velocity < 100.0 || droop > 10.0, "it droops: {droop} %");
    }
}

#[test]
fn what_was_before_the_trigger_is_recorded_as_far_as_there_is_any() {
    let file = demo();
    let run = |first_ns: u64, trigger_ns: u64, window: Window| {
        let mut motor = Motor::new(&file.motor, &Load::default(), &Supply::constant(24.0));
        motor.advance(first_ns, &Applied::held(0.5, 0.1));
        record(&mut motor, &Applied::held(0.5, 0.1), trigger_ns, &window)
    };
    let window = Window { sample_ns: 300, before_ns: 1_000, after_ns: 700 };
    let trace = run(0, 10_000, window);
    let times: Vec<_> = trace.samples.iter().map(|sample| sample.time_ns).collect();
    assert_eq!(times, [9_100, 9_400, 9_700, 10_000, 10_300, 10_600]);
    let late: Vec<_> = run(9_500, 10_000, window).samples.iter().map(|sample| sample.time_ns).collect();
    assert_eq!(late, [9_700, 10_000, 10_300, 10_600]);
    // A trigger that is over: from the motor's own instant on would be another trace, so it says what it has.
    let at_zero: Vec<_> = run(0, 200, window).samples.iter().map(|sample| sample.time_ns).collect();
    assert_eq!(at_zero, [200, 500, 800]);
    assert!(run(0, 10_000, Window { sample_ns: 0, before_ns: 5, after_ns: 5 }).samples.len() == 11);
}

/// By hand: a held field is no period; the means are over all there is, and the vector is that of both phases.
#[test]
fn a_field_that_stands_has_no_periods() {
    let sample = |time_ns, currents_a| Sample { time_ns, voltages_v: [5.0, -6.0], currents_a, angle_steps: 7.5 };
    let trace = Trace {
        trigger_ns: 100,
        sample_ns: 10,
        samples: vec![
            sample(90, [3.0, 4.0]),
            sample(100, [3.0, 4.0]),
            sample(110, [3.0, -4.0]),
            sample(120, [9.0, 9.0]),
        ],
    };
    let figures = trace.figures(&Cursors { from_ns: 85, to_ns: 100 }, Some(10.0)).unwrap();
    assert_eq!((figures.periods, figures.rms_v, figures.rms_a), (None, [5.0, 6.0], [3.0, 4.0]));
    assert_eq!((figures.peak_v, figures.peak_a), ([5.0, 6.0], [3.0, 4.0]));
    assert!((figures.amplitude_a - 5.0).abs() < 1e-12 && (figures.droop_percent.unwrap() - 50.0).abs() < 1e-9);
    assert!((figures.duration_s - 10e-9).abs() < 1e-18);
    // Phase B goes straight from 4 to -4: the mean of its square is 16/3.
    let figures = trace.figures(&Cursors { from_ns: 100, to_ns: 110 }, None).unwrap();
    assert!((figures.rms_a[1] - libm::sqrt(16.0 / 3.0)).abs() < 1e-12);
    assert_eq!(figures.droop_percent, None);
    assert_eq!(trace.figures(&Cursors { from_ns: 101, to_ns: 119 }, None), None, "one sample is no stretch of time");
}

/// By hand: 2.5 periods in 10 samples of a quarter each, so the mean ends with the second period; what is behind it, ten times
/// as strong, does not count, but for the peak.
#[test]
fn a_mean_ends_with_the_last_whole_period_whichever_way_the_field_turns() {
    for way in [1.0, -1.0] {
        let samples = (0..=10).map(|index: u64| {
            let current = if index <= 8 { 2.0 } else { 20.0 };
            let angle_steps = way * index as f64;
            Sample { time_ns: 100 * index, voltages_v: [0.0; 2], currents_a: [current, 0.0], angle_steps }
        });
        let trace = Trace { trigger_ns: 0, sample_ns: 100, samples: samples.collect() };
        let figures = trace.figures(&Cursors::whole(&trace), Some(2.0)).unwrap();
        assert_eq!((figures.periods, figures.rms_a, figures.peak_a[0]), (Some(2), [2.0, 0.0], 20.0));
        assert_eq!(figures.droop_percent, Some(0.0));
    }
}

#[test]
fn the_moments_of_a_move_are_where_its_current_changes() {
    let file = demo();
    let engine = ramp(100.0, 16);
    let instants = std::iter::successors(Some(0), |&ns| engine.next_phase_change_after(ns));
    let found: Vec<_> = events(instants.map(|ns| (ns, engine.phase(ns)))).collect();
    let expected =
        [Event { moment: Moment::Start, time_ns: 0 }, Event { moment: Moment::SpeedReached, time_ns: 50_000_000 }];
    assert_eq!(found, expected, "100 steps/s at 2000 steps/s² take 50 ms");
    // At the speed the amplitude is another one.
    let amplitudes = Amplitudes { accelerating: 0.2, ..Amplitudes::all(0.1) };
    let setting = Setting::uncompensated(amplitudes);
    let drive =
        Microstepping { engine: &engine, microsteps_per_step: 16, setting: &setting, bridge: BridgeState::Driven };
    let mut motor = Motor::new(&file.motor, &file.load, &Supply::constant(24.0));
    let window = Window { sample_ns: 50_000, before_ns: 40_000_000, after_ns: 40_000_000 };
    let trace = record(&mut motor, &drive, found[1].time_ns, &window);
    let figures = |from_ns, to_ns| trace.figures(&Cursors { from_ns, to_ns }, None).unwrap();
    let (before, after) = (figures(10_000_000, 50_000_000), figures(50_050_000, 90_000_000));
    assert!((before.peak_v[0] - 4.8).abs() < 0.03 && (after.peak_v[0] - 2.4).abs() < 0.03, "{before:?}\n{after:?}");
    assert_eq!(engine.phase(60_000_000), MotionState::ConstantVelocity);
}

fn small() -> Trace {
    let sample = |time_ns, voltage, current| Sample {
        time_ns,
        voltages_v: [voltage, -voltage],
        currents_a: [current, 0.0],
        angle_steps: 0.25,
    };
    Trace { trigger_ns: 1_500, sample_ns: 500, samples: vec![sample(1_000, 2.0, 0.5), sample(1_500, 3.0, 0.75)] }
}

/// By hand.
#[test]
fn a_trace_is_written_as_csv_and_vcd() {
    assert_eq!(
        csv(&small()).unwrap(),
        "time_s,voltage_a_v,voltage_b_v,current_a_a,current_b_a,angle_steps\n\
         -0.000000500,2.000000,-2.000000,0.500000,0.000000,0.250000\n\
         0.000000000,3.000000,-3.000000,0.750000,0.000000,0.250000\n"
    );
    let mut text = Vec::new();
    vcd(&small(), "small", &mut text).unwrap();
    let text = String::from_utf8(text).unwrap();
    let body = text.split_once("$enddefinitions $end\n").unwrap().1;
    assert_eq!(
        body, "#1000\n0!\nr2 \"\nr-2 #\nr0.5 $\nr0 %\nr0.25 &\n#1500\n1!\nr3 \"\nr-3 #\nr0.75 $\n#1500\n",
        "{text}"
    );
}

#[test]
fn the_picture_has_both_panels_the_cursors_and_the_figures_in_words() {
    let file = demo();
    let mut motor = Motor::new(&file.motor, &file.load, &Supply::constant(24.0));
    let engine = ramp(200.0, 16);
    let setting = Setting::uncompensated(Amplitudes::all(0.16));
    let drive =
        Microstepping { engine: &engine, microsteps_per_step: 16, setting: &setting, bridge: BridgeState::Driven };
    let window = Window { sample_ns: 10_000, before_ns: 20_000_000, after_ns: 60_000_000 };
    let trace = record(&mut motor, &drive, 100_000_000, &window);
    let cursors = Cursors { from_ns: 100_000_000, to_ns: 160_000_000 };
    let svg = plot(&trace, "speed reached", &cursors, Some(2.2)).unwrap();
    for text in ["speed reached", "voltage, V", "current, A", "phase A", "3 electrical periods", "% below the dashed"] {
        assert!(svg.contains(text), "`{text}` is not in the picture");
    }
    assert!(svg.len() < 600_000, "{} bytes", svg.len());
}
