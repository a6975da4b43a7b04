//! One measured steady state, and the current that constants of a motor promise for it.
//!
//! The promise is the phasor diagram of [`motor::steady`](crate::motor::steady) as a quadratic of the current in line with the
//! rotor, i_d: with i_q = T/K and E = K·ω_m,
//!
//! ```text
//!   V² = (R·i_d − X·i_q)² + (X·i_d + R·i_q + E)²,   X = ω_e·L,   I = √(i_d² + i_q²)
//! ```
//!
//! of whose roots the greater is the stable one. At rest, and with a blocked rotor, E and i_q are zero and I = V/√(R² + X²).

use nalgebra::{DMatrix, DVector};

use super::least_squares::Curve;
use crate::motor::{Load, MotorData, copper_resistance_ohm, electrical_rad_per_s, sampling_factor, shaft_rad_per_s};

/// A steady state as it was measured.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// Line of the file.
    pub line: usize,
    /// Speed of the field, in full steps/s; not negative.
    pub velocity: f64,
    /// Amplitude applied to a phase, in volts: the peak of its sine before microsteps cut it into stairs.
    pub amplitude_v: f64,
    /// Peak of the phase current's sine, in amperes.
    pub current_a: f64,
    /// Torque that the load took, in N·m; the motor's own friction comes on top.
    pub load_n_m: f64,
    /// Temperature of the windings, in degrees Celsius.
    pub winding_c: f64,
    /// Microsteps in a full step.
    pub microsteps_per_step: u16,
    /// Whether the rotor was held.
    pub rotor_blocked: bool,
}

/// Resistance in ohms, inductance in henries, back-EMF constant in V·s/rad: in this order in every list here.
pub(super) const COUNT: usize = 3;

/// The currents of points, with the constants of a motor as what is sought.
#[derive(Clone, Copy, Debug)]
pub(super) struct Currents<'a> {
    pub(super) motor: &'a MotorData,
    pub(super) points: &'a [Point],
    /// The back-EMF constant where it is known already; otherwise it is the third constant.
    pub(super) back_emf_v_s_per_rad: Option<f64>,
}

/// A promised current and its derivatives by the three constants.
#[derive(Clone, Copy, Debug)]
pub(super) struct Promise {
    pub(super) current_a: f64,
    pub(super) by_constant: [f64; COUNT],
    /// Whether the motor would lose its load at this voltage.
    pub(super) lost: bool,
}

impl Point {
    /// The promise of three constants, the resistance at the temperature at which the motor's is given.
    pub(super) fn promise(&self, motor: &MotorData, [resistance, inductance, back_emf]: [f64; COUNT]) -> Promise {
        let warm = copper_resistance_ohm(1.0, motor.resistance_at_c, self.winding_c);
        // At rest no stairs cut the sine.
        let sampling = if self.velocity > 0.0 { sampling_factor(self.microsteps_per_step) } else { 1.0 };
        let volts = self.amplitude_v * sampling;
        let (r, omega_e) = (resistance * warm, electrical_rad_per_s(self.velocity));
        let x = omega_e * inductance;
        let turns = !self.rotor_blocked && self.velocity > 0.0;
        let omega_m = if turns { shaft_rad_per_s(self.velocity, motor.teeth()) } else { 0.0 };
        let torque_n_m =
            if turns { self.load_n_m + motor.steady_torque_n_m(&Load::default(), self.velocity) } else { 0.0 };
        let (emf, i_q) = (back_emf * omega_m, torque_n_m / back_emf);
        let quadrature_v = r * i_q + emf;
        let square = r * r + x * x;
        let discriminant =
            x * x * emf * emf - square * (x * x * i_q * i_q + quadrature_v * quadrature_v - volts * volts);
        // Where the load would be lost, the nearest that the voltage carries: the search finds its way back from there.
        let lost = discriminant < 0.0;
        let root = libm::sqrt(discriminant.max(1e-12 * square * volts * volts));
        let i_d = (root - x * emf) / square;
        let current_a = libm::hypot(i_d, i_q);
        // Of V² = … above, divided by two: by i_d it is the root.
        let by_r = r * i_d * i_d + quadrature_v * i_q;
        let by_x = x * (i_d * i_d + i_q * i_q) + i_d * emf;
        let by_emf = x * i_d + quadrature_v;
        let by_i_q = x * x * i_q + r * quadrature_v;
        let i_d_by = [by_r * warm, by_x * omega_e, by_emf * omega_m - by_i_q * i_q / back_emf].map(|part| -part / root);
        let i_q_by = [0.0, 0.0, -i_q / back_emf];
        let each = |index: usize| (i_d * i_d_by[index] + i_q * i_q_by[index]) / current_a.max(1e-12);
        Promise { current_a, by_constant: core::array::from_fn(each), lost }
    }
}

impl Currents<'_> {
    /// All three constants.
    pub(super) fn all(&self, constants: &[f64]) -> [f64; COUNT] {
        let back_emf = self.back_emf_v_s_per_rad.or(constants.get(2).copied()).unwrap_or(f64::NAN);
        [constants[0], constants[1], back_emf]
    }

    pub(super) fn promises(&self, constants: &[f64]) -> Vec<Promise> {
        let all = self.all(constants);
        self.points.iter().map(|point| point.promise(self.motor, all)).collect()
    }
}

impl Curve for Currents<'_> {
    fn residuals(&self, constants: &[f64]) -> DVector<f64> {
        let promises = self.promises(constants);
        DVector::from_fn(self.points.len(), |row, _| promises[row].current_a - self.points[row].current_a)
    }

    fn jacobian(&self, constants: &[f64]) -> DMatrix<f64> {
        let promises = self.promises(constants);
        DMatrix::from_fn(self.points.len(), constants.len(), |row, column| promises[row].by_constant[column])
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::Source;
    use crate::motor::{parse, steady};

    fn motor() -> MotorData {
        let text = include_str!("../../../examples/motors/demo.toml");
        parse(&Source { file: "demo.toml", text }).unwrap().motor
    }

    fn point(velocity: f64, amplitude_v: f64, load_n_m: f64) -> Point {
        let (winding_c, microsteps_per_step) = (70.0, 4);
        Point {
            line: 2,
            velocity,
            amplitude_v,
            current_a: 1.0,
            load_n_m,
            winding_c,
            microsteps_per_step,
            rotor_blocked: false,
        }
    }

    fn constants(motor: &MotorData) -> [f64; COUNT] {
        [motor.resistance_ohm, motor.inductance_h, motor.back_emf_v_s_per_rad]
    }

    /// The motor's own closed form, which goes from torque to angle to current.
    #[test]
    fn the_promised_current_is_that_of_the_steady_state() {
        let motor = motor();
        let windings = motor.windings(70.0);
        let mut compared = 0;
        for velocity in [0.0, 30.0, 400.0, 1500.0] {
            for (volts, load_n_m) in [(3.0, 0.0), (8.0, 0.02), (20.0, 0.1)] {
                let torque_n_m =
                    if velocity > 0.0 { load_n_m + motor.steady_torque_n_m(&Load::default(), velocity) } else { 0.0 };
                let promise = point(velocity, volts, load_n_m).promise(&motor, constants(&motor));
                // By hand: sin(π/16)/(π/16) for quarter steps; at rest there are no steps.
                let sampling = if velocity > 0.0 { 0.993_586_8 } else { 1.0 };
                match steady(&windings, volts * sampling, torque_n_m, velocity) {
                    Some(state) => {
                        assert!((promise.current_a / state.current_a - 1.0).abs() < 1e-6, "{promise:?}, {state:?}");
                        compared += 1;
                    }
                    None => assert!(promise.lost, "{promise:?} at {velocity}, {volts}"),
                }
            }
        }
        assert!(compared >= 9, "{compared}");
        let blocked = Point { rotor_blocked: true, ..point(400.0, 8.0, 0.0) };
        let expected = 8.0 * 0.993_586_8 / windings.impedance_ohm(400.0);
        assert!((blocked.promise(&motor, constants(&motor)).current_a / expected - 1.0).abs() < 1e-6);
    }

    #[test]
    fn the_derivatives_are_those_of_small_differences() {
        let motor = motor();
        for measured in [point(0.0, 3.0, 0.0), point(30.0, 3.0, 0.0), point(400.0, 8.0, 0.02), point(1500.0, 20.0, 0.1)]
        {
            for blocked in [false, true] {
                let measured = Point { rotor_blocked: blocked, ..measured };
                let at = constants(&motor);
                let exact = measured.promise(&motor, at).by_constant;
                for index in 0..COUNT {
                    let beside = |share: f64| {
                        let mut moved = at;
                        moved[index] *= 1.0 + share;
                        measured.promise(&motor, moved).current_a
                    };
                    let slope = (beside(1e-5) - beside(-1e-5)) / 2e-5 / at[index];
                    let tolerance = 1e-6 * (exact[index].abs() + 0.1 / at[index]);
                    assert!((exact[index] - slope).abs() < tolerance, "{} and {slope}, {measured:?}", exact[index]);
                }
            }
        }
    }
}
