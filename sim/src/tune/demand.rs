//! Which current flows at a voltage under a given load, and how far that is from the wanted one, fast enough for a search.
//!
//! The same steady state as [`steady`](crate::motor::steady), solved for the voltage: with the torque given, the part
//! i_q of the current that makes it is given, and |V|² = Z²·(i_d + X·E/Z²)² + V₀² with V₀² = X²·i_q² + (R·i_q + E)² −
//! X²·E²/Z². V₀ is the least voltage that carries the load; the stable branch is the one of the greater i_d.

use stepchain::map::MotionState;

use crate::motor::{Windings, current_lead_rad, voltage_for_current_v};

/// Deviation of a current that has lost its load: worse than any current that has not.
pub(super) const LOST: f64 = -10.0;

/// What is wanted in one motion state: a current, under a torque that depends on the speed.
#[derive(Clone, Debug)]
pub(super) struct Demand {
    /// The motion state.
    pub(super) state: MotionState,
    /// Wanted peak current of a phase, in amperes.
    pub(super) wanted_a: f64,
    /// The steady states at which it is judged, slowest first.
    pub(super) points: Vec<Point>,
}

/// One speed with its load.
#[derive(Clone, Copy, Debug)]
pub(super) struct Point {
    /// In full steps/s.
    pub(super) velocity: f64,
    /// Voltage that makes the wanted current, in volts.
    pub(super) wanted_v: f64,
    in_phase_a: f64,
    offset_a: f64,
    impedance_ohm: f64,
    least_square: f64,
}

impl Point {
    /// A speed in full steps/s and a torque; `None` if the wanted current cannot make the torque.
    pub(super) fn new(windings: &Windings, wanted_a: f64, torque_n_m: f64, velocity: f64) -> Option<Self> {
        let lead_rad = current_lead_rad(windings, wanted_a, torque_n_m)?;
        let in_phase_a = torque_n_m / windings.back_emf_v_s_per_rad;
        let (reactance, impedance_ohm) = (windings.reactance_ohm(velocity), windings.impedance_ohm(velocity));
        let emf_v = windings.back_emf_v(velocity);
        let offset_a = reactance * emf_v / (impedance_ohm * impedance_ohm);
        let quadrature_v = windings.resistance_ohm * in_phase_a + emf_v;
        let least_square = reactance * reactance * in_phase_a * in_phase_a + quadrature_v * quadrature_v
            - reactance * emf_v * offset_a;
        Some(Self {
            velocity,
            wanted_v: voltage_for_current_v(windings, wanted_a, lead_rad, velocity),
            in_phase_a,
            offset_a,
            impedance_ohm,
            least_square,
        })
    }

    /// Peak current of a phase at a peak voltage per phase; `None` where that voltage cannot carry the load.
    pub(super) fn current_a(&self, volts: f64) -> Option<f64> {
        let above = volts * volts - self.least_square;
        (above >= 0.0).then(|| {
            let direct_a = above.sqrt() / self.impedance_ohm - self.offset_a;
            (direct_a * direct_a + self.in_phase_a * self.in_phase_a).sqrt()
        })
    }

    /// Deviation of the current from the wanted one, as a share of that; where the load is lost [`LOST`] or less, the less
    /// the more voltage lacks.
    pub(super) fn deviation(&self, wanted_a: f64, volts: f64) -> f64 {
        match self.current_a(volts) {
            Some(current_a) => {
                let magnitude = current_a / wanted_a - 1.0;
                // On the far side of the least current, more voltage is wanted though the current is too great.
                if volts < self.wanted_v { -magnitude.abs() } else { magnitude }
            }
            None => LOST - 1.0 + volts.max(0.0) / self.least_square.sqrt(),
        }
    }
}

impl Demand {
    /// What is wanted at `looks` + 1 speeds from rest to `top_velocity`; `None` if the current cannot make the torque.
    pub(super) fn new(
        windings: &Windings,
        state: MotionState,
        wanted_a: f64,
        torque_n_m: impl Fn(f64) -> f64,
        top_velocity: f64,
        looks: u32,
    ) -> Option<Self> {
        let at = |look: u32| {
            let velocity = top_velocity * f64::from(look) / f64::from(looks);
            Point::new(windings, wanted_a, torque_n_m(velocity), velocity)
        };
        Some(Self { state, wanted_a, points: (0..=looks).map(at).collect::<Option<_>>()? })
    }

    /// The deviations lowest and highest over the range, for voltages over speed.
    pub(super) fn extremes(&self, volts_at: impl Fn(usize, &Point) -> f64) -> (f64, f64) {
        let deviations =
            self.points.iter().enumerate().map(|(index, point)| point.deviation(self.wanted_a, volts_at(index, point)));
        deviations.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), each| (low.min(each), high.max(each)))
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::demo;
    use super::*;
    use crate::motor::steady;

    /// The closed form of the motor's own, which goes from voltage to angle to current.
    #[test]
    fn the_current_at_a_voltage_is_that_of_the_steady_state() {
        let windings = demo().motor.windings(60.0);
        let mut compared = 0;
        for velocity in [0.0, 40.0, 300.0, 900.0, 2500.0] {
            for torque in [-0.1, 0.0, 0.05, 0.2] {
                let point = Point::new(&windings, 1.6, torque, velocity).unwrap();
                for volts in [0.5, 2.0, 5.0, 12.0, 24.0] {
                    let expected = steady(&windings, volts, torque, velocity).map(|state| state.current_a);
                    match (point.current_a(volts), expected) {
                        (Some(found), Some(expected)) => {
                            assert!((found - expected).abs() < 1e-9, "{found} and {expected} at {velocity}, {volts}");
                            compared += 1;
                        }
                        (found, expected) => assert_eq!(found, expected, "{velocity}, {torque}, {volts}"),
                    }
                }
            }
        }
        assert!(compared > 40, "{compared}");
    }

    #[test]
    fn the_wanted_voltage_deviates_by_nothing_and_less_by_less() {
        let windings = demo().motor.windings(20.0);
        let point = Point::new(&windings, 1.6, 0.05, 700.0).unwrap();
        assert!(point.deviation(1.6, point.wanted_v).abs() < 1e-9);
        let (less, more) = (point.deviation(1.6, 0.9 * point.wanted_v), point.deviation(1.6, 1.1 * point.wanted_v));
        assert!(less < -0.05 && more > 0.05, "{less}, {more}");
        assert!(point.deviation(1.6, 0.1) < LOST && point.deviation(1.6, 0.2) > point.deviation(1.6, 0.1));
        assert!(Point::new(&windings, 0.1, 0.05, 700.0).is_none(), "a tenth of an ampere makes 0.02 N·m");
    }
}
