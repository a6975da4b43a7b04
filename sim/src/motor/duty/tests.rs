//! The duty cycle against closed forms and against a general integrator.

use ode_solvers::dopri5::Dopri5;
use ode_solvers::{OutputType, System, Vector2 as State};

use super::*;
use crate::motor::file;
use crate::motor::heat::{NodeData, copper_loss_w, copper_resistance_ohm};

fn motor() -> MotorData {
    file::demo().motor
}

/// Copper whose resistance hardly grows, and one node: R' goes to zero as 235 + T_R goes to infinity.
fn constant_power() -> MotorData {
    let mut motor = motor();
    motor.heat.case = None;
    motor.heat.winding = NodeData { capacity_j_per_k: 20.0, resistance_k_per_w: 3.0 };
    motor
}

/// The same equations, written down a second time: IEC 60034-1's copper and two nodes.
struct Network {
    motor: MotorData,
    ambient_c: f64,
    current_a: f64,
}

impl System<f64, State<f64>> for Network {
    fn system(&self, _: f64, y: &State<f64>, dy: &mut State<f64>) {
        let (winding, case) = (self.motor.heat.winding, self.motor.heat.case.unwrap());
        let warm_ohm = copper_resistance_ohm(self.motor.resistance_ohm, self.motor.resistance_at_c, y[0]);
        let between_w = (y[0] - y[1]) / winding.resistance_k_per_w;
        let out_w = (y[1] - self.ambient_c) / case.resistance_k_per_w;
        dy[0] = (copper_loss_w(self.current_a, warm_ohm) - between_w) / winding.capacity_j_per_k;
        dy[1] = (between_w - out_w) / case.capacity_j_per_k;
    }
}

/// Integrates `cycles` from `start`; gives the end, the highest of both nodes as met at the solver's steps, and the mean.
fn integrated(phases: &[Phase], ambient_c: f64, start: Heat, cycles: u32) -> (State<f64>, [f64; 2], f64) {
    let mut state = State::new(start.winding_c, start.case_c);
    let (mut peaks, mut sum, mut duration_s) = ([f64::MIN; 2], 0.0, 0.0);
    for phase in (0..cycles).flat_map(|_| phases) {
        const PARTS: u32 = 100;
        for _ in 0..PARTS {
            let part_s = phase.duration_s / f64::from(PARTS);
            let network = Network { motor: motor(), ambient_c, current_a: phase.current_a };
            let mut oracle = Dopri5::new(network, 0.0, part_s, part_s, state, 1e-12, 1e-12);
            oracle.set_output(OutputType::Sparse);
            oracle.integrate().unwrap();
            let next = *oracle.y_out().last().unwrap();
            sum += 0.5 * (state[0] + next[0]) * part_s;
            duration_s += part_s;
            state = next;
            peaks = [peaks[0].max(state[0]), peaks[1].max(state[1])];
        }
    }
    (state, peaks, sum / duration_s)
}

const CYCLE: [Phase; 4] = [
    Phase { duration_s: 40.0, current_a: 3.0 },
    Phase { duration_s: 15.0, current_a: 0.0 },
    Phase { duration_s: 90.0, current_a: 1.2 },
    Phase { duration_s: 60.0, current_a: 0.4 },
];

#[test]
fn the_periodic_state_is_what_a_general_integrator_returns_to() {
    let periodic = Duty::new(&motor(), 30.0, &CYCLE).periodic().unwrap();
    let (end, peaks, mean) = integrated(&CYCLE, 30.0, periodic.start, 1);
    assert!((end[0] - periodic.start.winding_c).abs() < 1e-8, "{end:?}, {periodic:?}");
    assert!((end[1] - periodic.start.case_c).abs() < 1e-8, "{end:?}, {periodic:?}");
    assert!((peaks[0] - periodic.peak_winding_c).abs() < 1e-3, "{peaks:?}, {periodic:?}");
    assert!((peaks[1] - periodic.peak_case_c).abs() < 1e-3, "{peaks:?}, {periodic:?}");
    assert!((mean - periodic.mean_winding_c).abs() < 1e-3, "{mean}, {periodic:?}");
    // The winding is hottest at the end of the strong phase, the case later.
    assert!(
        (periodic.peak_after_s - 40.0).abs() < 1e-9 && periodic.peak_case_c < periodic.peak_winding_c,
        "{periodic:?}"
    );
}

/// After a hot phase the winding first cools into the case and then warms again: the lowest point is inside a phase.
#[test]
fn a_turning_point_inside_a_phase_is_found() {
    let duty = Duty::new(&motor(), 25.0, &CYCLE);
    let start = duty.periodic().unwrap().start;
    let hot = Vector4::new(24.0, 12.0, 1.0, 0.0);
    let long = Duty::new(&motor(), 25.0, &[Phase { duration_s: 600.0, current_a: 1.2 }]);
    let turn_s = long.phases[0].turns_after_s(&hot, 0).unwrap();
    let at = |at_s: f64| long.phases[0].after(&hot, at_s)[0];
    assert!(at(turn_s) < at(turn_s - 1.0) && at(turn_s) < at(turn_s + 1.0), "{turn_s}");
    assert!((at(turn_s - 1.0) - at(turn_s + 1.0)).abs() < 1e-4, "{turn_s}");
    let case_turn_s = duty.phases[1].turns_after_s(&(duty.phases[0].whole * Vector4::new(10.0, 5.0, 1.0, 0.0)), 1);
    assert_eq!(case_turn_s, None, "for 15 s the case only warms");
    assert!((duty.winding_c(start, 40.0) - duty.periodic().unwrap().peak_winding_c).abs() < 1e-9);
    assert!((duty.winding_c(start, 204.999_999) - start.winding_c).abs() < 1e-3);
}

/// T_a + P·R_th·(1 − e^(−t/τ)) of any text on heat, with the resistance that grows put into both: P = I²·R(T_a) and
/// 1/R_th less I²·R'.
#[test]
fn one_node_follows_the_exponential_of_the_textbook() {
    let motor = constant_power();
    let phase = Phase { duration_s: 1e5, current_a: 2.0 };
    let growth = 4.0 * 1.7 / 255.0;
    let (power_w, r_th) = (growth * (235.0 + 25.0), 1.0 / (1.0 / 3.0 - growth));
    let duty = Duty::new(&motor, 25.0, &[phase]);
    let end_c = 25.0 + power_w * r_th;
    assert!((duty.periodic().unwrap().peak_winding_c - end_c).abs() < 1e-9);
    assert_eq!(duty.periodic().unwrap().peak_case_c, 25.0);
    for at_s in [1.0, 30.0, 60.0, 200.0] {
        let expected = 25.0 + power_w * r_th * (1.0 - libm::exp(-at_s / (r_th * 20.0)));
        let cold = Heat { winding_c: 25.0, case_c: 25.0 };
        assert!((duty.winding_c(cold, at_s) - expected).abs() < 1e-9);
        let reached_s = duty.reaches_after_s(expected).unwrap();
        assert!((reached_s - at_s).abs() < 1e-6, "{reached_s}, not {at_s}");
    }
    assert_eq!(duty.reaches_after_s(end_c + 0.01), None);
    assert_eq!(duty.reaches_after_s(24.0), Some(0.0));
}

/// The limit is crossed in the cycle and at the instant that the integrator finds.
#[test]
fn the_time_to_the_limit_is_that_of_the_integrator() {
    let (ambient_c, limit_c) = (30.0, 80.0);
    let reached_s = Duty::new(&motor(), ambient_c, &CYCLE).reaches_after_s(limit_c).unwrap();
    assert!(reached_s > 2.0 * 205.0, "not in the first two cycles: {reached_s}");
    let cycles = libm::floor(reached_s / 205.0);
    let (start, peaks, _) = integrated(&CYCLE, ambient_c, Heat { winding_c: 30.0, case_c: 30.0 }, cycles as u32);
    assert!(peaks[0] < limit_c, "{peaks:?} in {cycles} cycles");
    let part = [Phase { duration_s: reached_s - 205.0 * cycles, ..CYCLE[0] }];
    let (end, _, _) = integrated(&part, ambient_c, Heat { winding_c: start[0], case_c: start[1] }, 1);
    assert!((end[0] - limit_c).abs() < 1e-6, "{end:?}");
}

/// By hand: 255 K over 1.7 Ω and 9 K/W are 16.667 A², 4.0825 A.
#[test]
fn a_kept_current_runs_away_above_the_critical_one_and_a_cycle_with_rest_may_exceed_it() {
    let motor = motor();
    let critical_a = runaway_current_a(&motor);
    assert!((critical_a - 4.082_482_9).abs() < 1e-6, "{critical_a}");
    let kept = |share: f64| Duty::new(&motor, 25.0, &[Phase { duration_s: 50.0, current_a: share * critical_a }]);
    assert!(kept(0.999).periodic().is_some() && kept(1.001).periodic().is_none());
    assert!(kept(1.5).reaches_after_s(150.0).is_some());
    let strong = Phase { duration_s: 5.0, current_a: 1.5 * critical_a };
    let rested = [strong, Phase { duration_s: 45.0, current_a: 0.0 }];
    assert!(Duty::new(&motor, 25.0, &rested).periodic().is_some());
    // A phase so long that nothing can be reckoned any more is no number either.
    let endless = [Phase { duration_s: 1e7, ..strong }];
    assert!(Duty::new(&motor, 25.0, &endless).periodic().is_none());
    let reached_s = Duty::new(&motor, 25.0, &endless).reaches_after_s(150.0).unwrap();
    assert!((reached_s / Duty::new(&motor, 25.0, &[strong]).reaches_after_s(150.0).unwrap() - 1.0).abs() < 1e-9);
}

#[test]
fn the_largest_share_keeps_the_limit_and_a_little_more_does_not() {
    let motor = motor();
    let mut before = f64::INFINITY;
    for ambient_c in [0.0, 25.0, 60.0, 100.0, 120.0] {
        let share = largest_share(&motor, ambient_c, &CYCLE, 120.0);
        assert!(share < before, "{share} at {ambient_c}");
        before = share;
        if ambient_c == 120.0 {
            assert_eq!(share, 0.0);
            continue;
        }
        let scaled = CYCLE.map(|phase| Phase { current_a: share * phase.current_a, ..phase });
        let (_, peaks, _) =
            integrated(&scaled, ambient_c, Duty::new(&motor, ambient_c, &scaled).periodic().unwrap().start, 1);
        assert!((peaks[0] - 120.0).abs() < 1e-3, "{peaks:?} at {ambient_c}");
    }
    let off = [Phase { duration_s: 1.0, current_a: 0.0 }];
    assert_eq!(largest_share(&motor, 25.0, &off, 120.0), f64::INFINITY);
    // By hand, one node held: I²·R(T)·R_th = T − T_a with 320/255 of 1.7 Ω at 85 °C and 3 K/W: I² = 60/(3 · 2.1333).
    let one = constant_power();
    let held = [Phase { duration_s: 7.0, current_a: 1.0 }];
    assert!((largest_share(&one, 25.0, &held, 85.0) - libm::sqrt(60.0 / 6.4)).abs() < 1e-6);
}
