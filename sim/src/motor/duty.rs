//! Budget of heat: the temperatures of a motor that repeats a duty cycle, and how much current that leaves.
//!
//! Within a phase of the cycle the current is constant and the copper loss grows with the winding's temperature, so that the
//! network of [`heat`](super::heat) stays linear: with w and c the degrees of winding and case above the air,
//!
//! ```text
//!   C_w·dw/dt = I²·R'·(235 + T_a + w) − (w − c)/R_w,   R' = R/(235 + T_R)
//!   C_c·dc/dt = (w − c)/R_w − c/R_c
//! ```
//!
//! A phase is the exponential of a matrix, a cycle the product of its phases, and the state that repeats is the solution of a
//! linear equation: nothing is run until it looks still. Copper loss alone: iron and friction warm a fast motor further. The
//! currents are taken as kept, which a regulated current does and a voltage with resistance compensation; kept currents can
//! heat without end, since warm copper takes more power. A stiff voltage cannot: there the current falls.

use core::f64::consts::LN_2;

use nalgebra::{Matrix2, Matrix4, Vector2, Vector4};

use super::data::MotorData;
use super::heat::Heat;

/// A stretch of a duty cycle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Phase {
    /// How long it lasts, in seconds; above zero.
    pub duration_s: f64,
    /// Peak current of a phase winding, in amperes: its copper loss is I²·R for both windings together.
    pub current_a: f64,
}

/// The temperatures that repeat themselves, in degrees Celsius.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Periodic {
    /// At the beginning of each cycle, and so at its end.
    pub start: Heat,
    /// The winding's highest.
    pub peak_winding_c: f64,
    /// When in the cycle that is, in seconds.
    pub peak_after_s: f64,
    /// The winding's mean over the cycle.
    pub mean_winding_c: f64,
    /// The case's highest; that of the air where the motor has no node for it.
    pub peak_case_c: f64,
}

/// A motor at a duty cycle in air of a temperature.
#[derive(Clone, Debug)]
pub struct Duty {
    ambient_c: f64,
    phases: Vec<Stretch>,
}

/// A phase with its equations.
#[derive(Clone, Copy, Debug)]
struct Stretch {
    duration_s: f64,
    /// d/dt of (w, c, 1, ∫w dt).
    matrix: Matrix4<f64>,
    /// Both eigenvalues of the part of w and c, the greater first; real, since heat flows both ways.
    rates: [f64; 2],
    /// Over the whole phase.
    whole: Matrix4<f64>,
}

/// e to this power and more is as good as no end.
const ENDLESS: f64 = 500.0;

impl Stretch {
    fn new(motor: &MotorData, ambient_c: f64, phase: Phase) -> Self {
        let (winding, case) = (motor.heat.winding, motor.heat.case);
        let loss_w = phase.current_a * phase.current_a * motor.resistance_ohm;
        let growth = loss_w / (235.0 + motor.resistance_at_c) / winding.capacity_j_per_k;
        let out = 1.0 / (winding.resistance_k_per_w * winding.capacity_j_per_k);
        // Without a case the winding gives its heat to the air, and the place of the case stays as warm as that.
        let (to_case, exchange, case_out) = match case {
            Some(case) => (
                out,
                1.0 / (winding.resistance_k_per_w * case.capacity_j_per_k),
                1.0 / (case.resistance_k_per_w * case.capacity_j_per_k),
            ),
            None => (0.0, 0.0, out),
        };
        #[rustfmt::skip]
        let matrix = Matrix4::new(
            growth - out, to_case, growth * (235.0 + ambient_c), 0.0,
            exchange, -exchange - case_out, 0.0, 0.0,
            0.0, 0.0, 0.0, 0.0,
            1.0, 0.0, 0.0, 0.0,
        );
        let (upper, lower) = (matrix[(0, 0)], matrix[(1, 1)]);
        let root = libm::hypot(upper - lower, 2.0 * libm::sqrt(to_case * exchange));
        let rates = [0.5 * (upper + lower + root), 0.5 * (upper + lower - root)];
        let endless = rates[0] * phase.duration_s > ENDLESS;
        let whole = if endless { Matrix4::repeat(f64::INFINITY) } else { (matrix * phase.duration_s).exp() };
        Self { duration_s: phase.duration_s, matrix, rates, whole }
    }

    fn after(&self, state: &Vector4<f64>, elapsed_s: f64) -> Vector4<f64> {
        (self.matrix * elapsed_s).exp() * state
    }

    /// When within the phase the value of a row has a turning point. Its slope is a sum of two exponentials, which is zero
    /// once at most.
    fn turns_after_s(&self, state: &Vector4<f64>, row: usize) -> Option<f64> {
        let slope = self.matrix * state;
        let bend = self.matrix * Vector4::new(slope[0], slope[1], 0.0, 0.0);
        let [lasting, fading] = self.rates;
        let (of_lasting, of_fading) = (bend[row] - fading * slope[row], lasting * slope[row] - bend[row]);
        let at_s = libm::log(-of_fading / of_lasting) / (lasting - fading);
        // Not a number, without a turning point.
        (at_s > 0.0 && at_s < self.duration_s).then_some(at_s)
    }
}

impl Duty {
    /// A motor of these data that repeats phases in air of a temperature in degrees Celsius.
    #[must_use]
    pub fn new(motor: &MotorData, ambient_c: f64, phases: &[Phase]) -> Self {
        Self { ambient_c, phases: phases.iter().map(|&phase| Stretch::new(motor, ambient_c, phase)).collect() }
    }

    /// Length of a cycle, in seconds.
    #[must_use]
    pub fn cycle_s(&self) -> f64 {
        self.phases.iter().map(|phase| phase.duration_s).sum()
    }

    /// The temperatures that repeat themselves; `None` if the cycle heats the motor without end.
    #[must_use]
    pub fn periodic(&self) -> Option<Periodic> {
        let whole = self.whole();
        if !whole.iter().all(|entry| entry.is_finite()) {
            return None;
        }
        let turned: Matrix2<f64> = whole.fixed_view::<2, 2>(0, 0).into_owned();
        // Both eigenvalues are real, since no entry is negative.
        let half = 0.5 * turned.trace();
        let greatest = half + libm::sqrt((half * half - turned.determinant()).max(0.0));
        if greatest >= 1.0 {
            return None;
        }
        let added = Vector2::new(whole[(0, 2)], whole[(1, 2)]);
        let start = (Matrix2::identity() - turned).lu().solve(&added)?;
        let start = Vector4::new(start[0], start[1], 1.0, 0.0);
        let [(peak_w, peak_after_s), (peak_c, _)] = [0, 1].map(|row| self.peak(&start, row));
        Some(Periodic {
            start: self.heat(&start),
            peak_winding_c: self.ambient_c + peak_w,
            peak_after_s,
            mean_winding_c: self.ambient_c + (whole * start)[3] / self.cycle_s(),
            peak_case_c: self.ambient_c + peak_c,
        })
    }

    /// Seconds after which the winding, as cold as the air at first, reaches a temperature in degrees Celsius; `None` if it
    /// never does.
    ///
    /// From cold each cycle begins warmer than the one before. So the last cycle below the limit is found by powers of two.
    #[must_use]
    pub fn reaches_after_s(&self, limit_c: f64) -> Option<f64> {
        const POWERS: usize = 40;
        let limit = limit_c - self.ambient_c;
        let mut state = Vector4::new(0.0, 0.0, 1.0, 0.0);
        if limit <= 0.0 {
            return Some(0.0);
        }
        if self.periodic().is_some_and(|periodic| periodic.peak_winding_c <= limit_c) {
            return None;
        }
        let below = |state: &Vector4<f64>| self.peak(state, 0).0 < limit;
        let mut cycles = 0.0;
        if below(&state) {
            let mut powers = vec![self.whole()];
            while let Some(last) = powers.last().filter(|_| powers.len() < POWERS) {
                powers.push(last * last);
            }
            for (index, power) in powers.iter().enumerate().rev() {
                let later = power * state;
                if later.iter().all(|entry| entry.is_finite()) && below(&later) {
                    state = Vector4::new(later[0], later[1], 1.0, 0.0);
                    cycles += libm::exp(index as f64 * LN_2).round();
                }
            }
            state = self.whole() * state;
            cycles += 1.0;
        }
        self.crossing_s(state, limit).map(|within_s| cycles * self.cycle_s() + within_s)
    }

    /// When within a cycle from this state the winding reaches a rise.
    fn crossing_s(&self, mut state: Vector4<f64>, limit: f64) -> Option<f64> {
        let mut begin_s = 0.0;
        for phase in &self.phases {
            // Up to its turning point and from there on, the winding only warms or only cools.
            let turn_s = phase.turns_after_s(&state, 0);
            let mut from_s = 0.0;
            for to_s in turn_s.into_iter().chain([phase.duration_s]) {
                // Where it heats without end, the exponential would have none either.
                let to_s = if phase.rates[0] > 0.0 { to_s.min(ENDLESS / phase.rates[0]) } else { to_s };
                if phase.after(&state, to_s)[0] >= limit {
                    let (mut below_s, mut above_s) = (from_s, to_s);
                    for _ in 0..60 {
                        let middle_s = 0.5 * (below_s + above_s);
                        if phase.after(&state, middle_s)[0] < limit { below_s = middle_s } else { above_s = middle_s }
                    }
                    return Some(begin_s + above_s);
                }
                from_s = to_s;
            }
            state = phase.whole * state;
            begin_s += phase.duration_s;
        }
        None
    }

    /// The winding's temperature, in degrees Celsius, at an instant of a cycle that begins as warm as this.
    #[must_use]
    pub fn winding_c(&self, start: Heat, mut after_s: f64) -> f64 {
        let mut state = Vector4::new(start.winding_c - self.ambient_c, start.case_c - self.ambient_c, 1.0, 0.0);
        for phase in &self.phases {
            if after_s < phase.duration_s {
                return self.ambient_c + phase.after(&state, after_s)[0];
            }
            state = phase.whole * state;
            after_s -= phase.duration_s;
        }
        self.ambient_c + state[0]
    }

    fn heat(&self, state: &Vector4<f64>) -> Heat {
        Heat { winding_c: self.ambient_c + state[0], case_c: self.ambient_c + state[1] }
    }

    fn whole(&self) -> Matrix4<f64> {
        self.phases.iter().fold(Matrix4::identity(), |before, phase| phase.whole * before)
    }

    /// The greatest value of a row in a cycle from this state, and when it is.
    fn peak(&self, start: &Vector4<f64>, row: usize) -> (f64, f64) {
        let (mut state, mut begin_s) = (*start, 0.0);
        let mut peak = (start[row], 0.0);
        let mut look = |value: f64, at_s: f64| {
            // What cannot be reckoned any more is above everything.
            if value > peak.0 || value.is_nan() {
                peak = (value, at_s);
            }
        };
        for phase in &self.phases {
            if let Some(turn_s) = phase.turns_after_s(&state, row) {
                look(phase.after(&state, turn_s)[row], begin_s + turn_s);
            }
            state = phase.whole * state;
            begin_s += phase.duration_s;
            look(state[row], begin_s);
        }
        peak
    }
}

/// The largest factor by which all currents of a duty cycle may be multiplied so that the winding stays at or below a limit,
/// in air of a temperature, both in degrees Celsius: below 1 it is a derating. Zero in air as warm as the limit; infinite if no
/// current flows.
#[must_use]
pub fn largest_share(motor: &MotorData, ambient_c: f64, phases: &[Phase], limit_c: f64) -> f64 {
    const MOST: f64 = 1e6;
    if ambient_c >= limit_c {
        return 0.0;
    }
    let holds = |share: f64| {
        let scaled: Vec<_> =
            phases.iter().map(|phase| Phase { current_a: share * phase.current_a, ..*phase }).collect();
        Duty::new(motor, ambient_c, &scaled).periodic().is_some_and(|periodic| periodic.peak_winding_c <= limit_c)
    };
    let mut above = 1.0;
    while holds(above) {
        above *= 2.0;
        if above > MOST {
            return f64::INFINITY;
        }
    }
    let mut below = 0.0;
    for _ in 0..50 {
        let middle = 0.5 * (below + above);
        if holds(middle) { below = middle } else { above = middle }
    }
    below
}

/// Peak current from which, kept without rest, the windings heat without end, in amperes: I²·R'·ΣR_th = 1, where the loss grows
/// by a watt for each watt that leaves.
#[must_use]
pub fn runaway_current_a(motor: &MotorData) -> f64 {
    let way_out = motor.heat.winding.resistance_k_per_w + motor.heat.case.map_or(0.0, |case| case.resistance_k_per_w);
    libm::sqrt((235.0 + motor.resistance_at_c) / (motor.resistance_ohm * way_out))
}

#[cfg(test)]
mod tests;
