//! The same equations, written down a second time and integrated by `ode_solvers`' Dopri5 at a tight tolerance.

use core::f64::consts::FRAC_PI_2;

use ode_solvers::dopri5::Dopri5;
use ode_solvers::{OutputType, System, Vector4};
use stepchain::map::BridgeState;

use crate::motion::{Engine, Limits};
use crate::motor::{
    Amplitudes, Commanded, Curve, Load, Microstepping, Motor, MotorData, Segment, Setting, Supply, file,
};

/// i_a, i_b, electrical angle, speed of the shaft; between two edges, so with constant voltages.
pub(super) struct Equations {
    pub(super) volts: [f64; 2],
    pub(super) data: MotorData,
    pub(super) load: Load,
}

impl System<f64, Vector4<f64>> for Equations {
    fn system(&self, _: f64, y: &Vector4<f64>, dy: &mut Vector4<f64>) {
        let Self { volts, data, load } = self;
        let (sin, cos) = libm::sincos(y[2]);
        let k = data.back_emf_v_s_per_rad;
        let resistance = data.resistance_ohm * (235.0 + data.heat.ambient_c) / (235.0 + data.resistance_at_c);
        dy[0] = (volts[0] - resistance * y[0] + k * y[3] * sin) / data.inductance_h;
        dy[1] = (volts[1] - resistance * y[1] - k * y[3] * cos) / data.inductance_h;
        dy[2] = f64::from(data.steps_per_turn) / 4.0 * y[3];
        let friction = (data.viscous_friction_n_m_s_per_rad + load.viscous_friction_n_m_s_per_rad) * y[3];
        let torque = k * (y[1] * cos - y[0] * sin) - data.detent_torque_n_m * libm::sin(4.0 * y[2]);
        dy[3] = (torque - friction - load.torque_n_m) / (data.rotor_inertia_kg_m2 + load.inertia_kg_m2);
    }
}

/// Without dry friction, and with windings that do not warm.
pub(super) fn demo() -> (MotorData, Load) {
    let file = file::demo();
    let mut data = MotorData { dry_friction_n_m: 0.0, ..file.motor };
    data.heat.winding.capacity_j_per_k = 1e12;
    (data, Load { dry_friction_n_m: 0.0, ..file.load })
}

/// Greatest errors over a whole move: of a current, in shares of the peak current, and of the rotor, in full steps.
fn errors(microsteps: u16, cruise: f64, supply_v: f64) -> (f64, f64) {
    let (data, load) = demo();
    let m = f64::from(microsteps);
    let limits = Limits {
        velocity: cruise * m,
        acceleration: 4000.0 * m,
        deceleration: 6000.0 * m,
        quick_deceleration: 6000.0 * m,
        start_stop_velocity: 0.0,
    };
    let mut engine = Engine::new();
    let start_ns = 100_000_000;
    engine.move_to(start_ns, 60 * i64::from(microsteps), &limits).unwrap();
    let curve = Curve::new(&[Segment { from_velocity: 0.0, slope: 2.0e-4 }]);
    let setting = Setting::uncompensated(Amplitudes::all(0.12)).with_curve(&curve);
    let drive = Microstepping {
        engine: &engine,
        microsteps_per_step: microsteps,
        setting: &setting,
        bridge: BridgeState::Driven,
    };
    let mut motor = Motor::new(&data, &load, &Supply::constant(supply_v));
    let end_ns = engine.settles_at_ns().unwrap() + 100_000_000;
    let (mut state, mut now_ns) = (Vector4::zeros(), 0);
    let (mut current, mut steps, mut peak) = (0.0_f64, 0.0_f64, 0.0_f64);
    while now_ns < end_ns {
        let (applied, until_ns) = drive.at(now_ns, supply_v);
        let angle = applied.angle_steps * FRAC_PI_2;
        let volts = [libm::cos(angle), libm::sin(angle)].map(|part| part * applied.amplitude * supply_v);
        let duration_s = (until_ns - now_ns) as f64 * 1e-9;
        let equations = Equations { volts, data, load };
        let mut oracle = Dopri5::new(equations, 0.0, duration_s, duration_s, state, 1e-11, 1e-12);
        // Its dense output takes the end of a short stretch from the first step.
        oracle.set_output(OutputType::Sparse);
        oracle.integrate().unwrap();
        assert!((oracle.x_out().last().unwrap() - duration_s).abs() < 1e-15);
        state = *oracle.y_out().last().unwrap();
        motor.advance(until_ns, &drive);
        now_ns = until_ns;
        let found = motor.currents_a();
        current = current.max((found[0] - state[0]).abs()).max((found[1] - state[1]).abs());
        steps = steps.max((motor.position_steps() - state[2] / FRAC_PI_2).abs());
        peak = peak.max(state[0].abs()).max(state[1].abs());
    }
    // The move was made: otherwise both could agree on nothing.
    assert!((motor.position_steps() - 60.0).abs() < 1.0, "{}", motor.position_steps());
    assert!(motor.heat().winding_c - data.heat.ambient_c < 1e-6);
    (current / peak, steps)
}

/// Wanted: currents within 0.1 % of the peak and the rotor within 10⁻³ full steps over a whole move with ramps, in the
/// stable range and without dry friction. Measured: 6·10⁻⁹ of the peak and 6·10⁻⁹ steps at most.
#[test]
fn a_whole_move_agrees_with_a_general_integrator() {
    for (microsteps, cruise) in [(1, 150.0), (4, 300.0), (16, 400.0), (64, 200.0)] {
        let (current, steps) = errors(microsteps, cruise, 24.0);
        println!("{microsteps} microsteps, {cruise} steps/s: current {current:e} of the peak, rotor {steps:e} steps");
        assert!(current < 1e-7, "{current} of the peak current with {microsteps} microsteps");
        assert!(steps < 1e-7, "{steps} steps with {microsteps} microsteps");
    }
}
