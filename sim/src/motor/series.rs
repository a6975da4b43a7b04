//! The equations of windings and rotor as power series in time, and their values a little later.
//!
//! Between two switching instants of the bridge the drive is smooth, and so is the motion. Products of series are sums
//! of products of their coefficients, so each further order of every quantity follows from the lower ones (the Taylor
//! method; any text on the numerics of ordinary differential equations). Orders are added until the step is exact to the
//! tolerance; if the last does not suffice, the step becomes shorter, at no cost: the series are already there. They also
//! answer when a quantity crosses a level, which is how events are found. Knows neither bridge nor time.
//!
//! The equations, in SI units, θ the electrical angle of the rotor, ω the speed of the shaft, N_r the rotor's teeth:
//!
//! ```text
//! L di_a/dt = v_a − R i_a + K ω sin θ         dθ/dt = N_r ω
//! L di_b/dt = v_b − R i_b − K ω cos θ       J dω/dt = K (i_b cos θ − i_a sin θ) − T_d sin 4θ + T_outside − B ω
//! ```

/// Highest order of the series.
const ORDER: usize = 14;

/// Coefficients of the powers of the time since the step began, in seconds.
type Series = [f64; ORDER + 1];

/// Currents and rotor at one instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct State {
    /// In amperes.
    pub(super) currents_a: [f64; 2],
    /// Electrical angle of the rotor, in radians; not wrapped.
    pub(super) angle_rad: f64,
    /// Speed of the shaft, in rad/s.
    pub(super) speed_rad_per_s: f64,
}

/// What one winding is connected to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Source {
    /// A voltage that changes at a constant rate, in volts and volts per second.
    Line(f64, f64),
    /// The cosine (first winding) or sine (second) of the commanded angle.
    Sine,
    /// Nothing: no current flows.
    Open,
}

/// The commanded rotating voltage.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Field {
    pub(super) volts: f64,
    pub(super) volts_per_s: f64,
    /// Commanded electrical angle, in radians.
    pub(super) angle_rad: f64,
    /// Its rate of change, in rad/s, and the rate of that, in rad/s².
    pub(super) rad_per_s: f64,
    pub(super) rad_per_s2: f64,
}

impl Field {
    /// No voltage.
    pub(super) const NONE: Self =
        Self { volts: 0.0, volts_per_s: 0.0, angle_rad: 0.0, rad_per_s: 0.0, rad_per_s2: 0.0 };
}

/// Everything that is constant during a step.
#[derive(Clone, Copy, Debug)]
pub(super) struct Terms {
    pub(super) resistance_ohm: f64,
    pub(super) inductance_h: f64,
    /// K, in V·s/rad.
    pub(super) constant: f64,
    pub(super) teeth: f64,
    pub(super) inertia_kg_m2: f64,
    pub(super) detent_n_m: f64,
    pub(super) viscous_n_m_s_per_rad: f64,
    /// Torque from outside, positive forwards: its value and its rate of change.
    pub(super) outside_n_m: f64,
    pub(super) outside_n_m_per_s: f64,
    /// Whether the rotor can turn.
    pub(super) turns: bool,
    pub(super) sources: [Source; 2],
    pub(super) field: Field,
    /// Amperes and rad/s to which the tolerance is relative.
    pub(super) scales: [f64; 2],
    pub(super) tolerance: f64,
}

/// The solution near one instant.
#[derive(Clone, Debug)]
pub(super) struct Expansion {
    order: usize,
    /// Seconds for which the series are exact to the tolerance.
    pub(super) valid_s: f64,
    currents: [Series; 2],
    angle: Series,
    speed: Series,
    /// Torque on the rotor without friction.
    torque: Series,
    /// Voltages that turning induces, in the direction of positive current.
    induced: [Series; 2],
    /// i_a² + i_b².
    squares: Series,
}

impl Terms {
    /// Torque on the rotor without friction, in N·m.
    pub(super) fn torque_n_m(&self, state: &State) -> f64 {
        let (sin, cos) = libm::sincos(state.angle_rad);
        let detent = if self.detent_n_m == 0.0 { 0.0 } else { self.detent_n_m * libm::sin(4.0 * state.angle_rad) };
        self.constant * (state.currents_a[1] * cos - state.currents_a[0] * sin) - detent + self.outside_n_m
    }

    /// Expands the solution from `state`, for at most `step_s` seconds.
    pub(super) fn expand(&self, state: &State, step_s: f64) -> Expansion {
        let mut all = Expansion::at(state, step_s);
        let (mut sin, mut cos) = start(libm::sincos(state.angle_rad));
        let (mut sin4, mut cos4) =
            if self.detent_n_m == 0.0 { start((0.0, 0.0)) } else { start(libm::sincos(4.0 * state.angle_rad)) };
        let (mut field_sin, mut field_cos) = start(libm::sincos(self.field.angle_rad));
        let turning_field = self.field.rad_per_s != 0.0 || self.field.rad_per_s2 != 0.0;
        let mut power = 1.0;
        let mut error_before = f64::INFINITY;
        for k in 0..ORDER {
            let next = (k + 1) as f64;
            let below = |series: &Series| if k == 0 { 0.0 } else { series[k - 1] };
            let speed_sin = product(&all.speed, &sin, k);
            let speed_cos = product(&all.speed, &cos, k);
            all.induced[0][k] = self.constant * speed_sin;
            all.induced[1][k] = -self.constant * speed_cos;
            all.squares[k] =
                product(&all.currents[0], &all.currents[0], k) + product(&all.currents[1], &all.currents[1], k);
            all.torque[k] = self.constant * (product(&all.currents[1], &cos, k) - product(&all.currents[0], &sin, k))
                - self.detent_n_m * sin4[k]
                + match k {
                    0 => self.outside_n_m,
                    1 => self.outside_n_m_per_s,
                    _ => 0.0,
                };
            for (phase, carrier) in [&field_cos, &field_sin].into_iter().enumerate() {
                let volts = match self.sources[phase] {
                    Source::Open => continue,
                    Source::Line(volts, _) if k == 0 => volts,
                    Source::Line(_, slope) if k == 1 => slope,
                    Source::Line(..) => 0.0,
                    Source::Sine => self.field.volts * carrier[k] + self.field.volts_per_s * below(carrier),
                };
                all.currents[phase][k + 1] = (volts - self.resistance_ohm * all.currents[phase][k]
                    + all.induced[phase][k])
                    / (self.inductance_h * next);
            }
            if self.turns {
                all.speed[k + 1] =
                    (all.torque[k] - self.viscous_n_m_s_per_rad * all.speed[k]) / (self.inertia_kg_m2 * next);
            }
            all.angle[k + 1] = self.teeth * all.speed[k] / next;
            sin[k + 1] = self.teeth * speed_cos / next;
            cos[k + 1] = -self.teeth * speed_sin / next;
            if self.detent_n_m != 0.0 {
                sin4[k + 1] = 4.0 * self.teeth * product(&all.speed, &cos4, k) / next;
                cos4[k + 1] = -4.0 * self.teeth * product(&all.speed, &sin4, k) / next;
            }
            if turning_field {
                let (rate, rate2) = (self.field.rad_per_s, self.field.rad_per_s2);
                field_sin[k + 1] = (rate * field_cos[k] + rate2 * below(&field_cos)) / next;
                field_cos[k + 1] = -(rate * field_sin[k] + rate2 * below(&field_sin)) / next;
            }
            power *= step_s;
            let largest = all.currents[0][k + 1].abs().max(all.currents[1][k + 1].abs());
            let error = (largest / self.scales[0]).max(all.speed[k + 1].abs() / self.scales[1]) * power;
            all.order = k + 1;
            // One small term may be a sine's that vanishes; two in a row are the end.
            if error.max(error_before) <= self.tolerance {
                return all;
            }
            if k + 1 == ORDER {
                let shrink = |error: f64, order: usize| libm::pow(self.tolerance / error, 1.0 / order as f64);
                all.valid_s *= 0.9 * shrink(error, ORDER).min(shrink(error_before, ORDER - 1)).min(1.0);
            }
            error_before = error;
        }
        all
    }
}

impl Expansion {
    fn at(state: &State, step_s: f64) -> Self {
        Self {
            order: 0,
            valid_s: step_s,
            currents: state.currents_a.map(constant),
            angle: constant(state.angle_rad),
            speed: constant(state.speed_rad_per_s),
            torque: constant(0.0),
            induced: [constant(0.0); 2],
            squares: constant(0.0),
        }
    }

    /// The state after `at_s` seconds.
    pub(super) fn state(&self, at_s: f64) -> State {
        State {
            currents_a: [self.current_a(0, at_s), self.current_a(1, at_s)],
            angle_rad: self.value(&self.angle, at_s),
            speed_rad_per_s: self.speed_rad_per_s(at_s),
        }
    }

    pub(super) fn current_a(&self, phase: usize, at_s: f64) -> f64 {
        self.value(&self.currents[phase], at_s)
    }

    pub(super) fn angle_rad(&self, at_s: f64) -> f64 {
        self.value(&self.angle, at_s)
    }

    pub(super) fn speed_rad_per_s(&self, at_s: f64) -> f64 {
        self.value(&self.speed, at_s)
    }

    /// Torque on the rotor without friction, in N·m.
    pub(super) fn torque_n_m(&self, at_s: f64) -> f64 {
        self.value(&self.torque, at_s)
    }

    /// Voltage that turning induces in a winding, in the direction of positive current.
    pub(super) fn induced_v(&self, phase: usize, at_s: f64) -> f64 {
        self.value(&self.induced[phase], at_s)
    }

    /// ∫ (i_a² + i_b²) dt over the first `at_s` seconds, in A²·s.
    pub(super) fn squares_a2_s(&self, at_s: f64) -> f64 {
        let sum = (0..self.order).rev().fold(0.0, |sum, k| sum * at_s + self.squares[k] / (k + 1) as f64);
        sum * at_s
    }

    fn value(&self, series: &Series, at_s: f64) -> f64 {
        series[..=self.order].iter().rev().fold(0.0, |sum, coefficient| sum * at_s + coefficient)
    }
}

fn constant(value: f64) -> Series {
    let mut series = [0.0; ORDER + 1];
    series[0] = value;
    series
}

fn start((sin, cos): (f64, f64)) -> (Series, Series) {
    (constant(sin), constant(cos))
}

/// Coefficient `k` of the product of two series.
fn product(a: &Series, b: &Series, k: usize) -> f64 {
    a[..=k].iter().zip(b[..=k].iter().rev()).map(|(a, b)| a * b).sum()
}

/// First instant in (0, `until_s`] at which `level` is not negative, to within rounding; `None` if it is negative at
/// each of four instants looked at.
///
/// Steps are short against every period of the motion, so that a level is crossed at most once in a quarter of one.
pub(super) fn first_crossing(until_s: f64, level: impl Fn(f64) -> f64) -> Option<f64> {
    const LOOKS: u32 = 4;
    let mut before = 0.0;
    for look in 1..=LOOKS {
        let at_s = until_s * f64::from(look) / f64::from(LOOKS);
        if level(at_s) >= 0.0 {
            let mut after = at_s;
            loop {
                let middle = 0.5 * (before + after);
                if middle <= before || middle >= after || after - before <= 1e-15 {
                    return Some(after);
                }
                if level(middle) >= 0.0 { after = middle } else { before = middle }
            }
        }
        before = at_s;
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    const TERMS: Terms = Terms {
        resistance_ohm: 2.0,
        inductance_h: 4e-3,
        constant: 0.3,
        teeth: 50.0,
        inertia_kg_m2: 1e-5,
        detent_n_m: 0.01,
        viscous_n_m_s_per_rad: 1e-4,
        outside_n_m: -0.02,
        outside_n_m_per_s: 0.0,
        turns: true,
        sources: [Source::Sine; 2],
        field: Field { volts: 4.0, volts_per_s: 100.0, angle_rad: 0.4, rad_per_s: 300.0, rad_per_s2: 1000.0 },
        scales: [1.0, 1.0],
        tolerance: 1e-12,
    };
    const STATE: State = State { currents_a: [0.7, -0.4], angle_rad: 0.3, speed_rad_per_s: 5.0 };

    /// The right-hand sides as they stand in the docs of this file, typed a second time.
    fn slope(t: f64, s: &State) -> [f64; 4] {
        let volts = 4.0 + 100.0 * t;
        let field: f64 = 0.4 + 300.0 * t + 500.0 * t * t;
        let (i_a, i_b) = (s.currents_a[0], s.currents_a[1]);
        let (theta, omega): (f64, f64) = (s.angle_rad, s.speed_rad_per_s);
        let torque = 0.3 * (i_b * libm::cos(theta) - i_a * libm::sin(theta)) - 0.01 * libm::sin(4.0 * theta) - 0.02;
        [
            (volts * libm::cos(field) - 2.0 * i_a + 0.3 * omega * libm::sin(theta)) / 4e-3,
            (volts * libm::sin(field) - 2.0 * i_b - 0.3 * omega * libm::cos(theta)) / 4e-3,
            50.0 * omega,
            (torque - 1e-4 * omega) / 1e-5,
        ]
    }

    #[test]
    fn the_series_solves_the_differential_equations_all_along_the_step() {
        let expansion = TERMS.expand(&STATE, 1.0);
        let valid_s = expansion.valid_s;
        assert!(valid_s > 1e-5 && valid_s < 0.1, "{valid_s}");
        for share in [0.0, 0.3, 0.6, 1.0] {
            let at_s = share * valid_s;
            let difference = 1e-7;
            let (before, after) = (expansion.state(at_s - difference), expansion.state(at_s + difference));
            let found = [
                after.currents_a[0] - before.currents_a[0],
                after.currents_a[1] - before.currents_a[1],
                after.angle_rad - before.angle_rad,
                after.speed_rad_per_s - before.speed_rad_per_s,
            ]
            .map(|change| change / (2.0 * difference));
            for (found, expected) in found.into_iter().zip(slope(at_s, &expansion.state(at_s))) {
                assert!(
                    (found - expected).abs() < 1e-4 * expected.abs().max(1.0),
                    "{found}, not {expected}, at {at_s}"
                );
            }
        }
    }

    #[test]
    fn a_rotor_that_cannot_turn_keeps_its_angle_and_an_open_winding_has_no_current() {
        let mut terms = TERMS;
        (terms.turns, terms.sources[0]) = (false, Source::Open);
        let state = State { currents_a: [0.0, -0.4], speed_rad_per_s: 0.0, ..STATE };
        let later = terms.expand(&state, 1e-3).state(1e-3);
        assert_eq!((later.angle_rad, later.currents_a[0]), (0.3, 0.0));
        assert!(later.currents_a[1] > state.currents_a[1]);
    }

    /// By hand: x² − ½ from below is zero at 1/√2.
    #[test]
    fn a_crossing_is_found_to_the_last_digits() {
        let found = first_crossing(1.0, |t| t * t - 0.5).unwrap();
        assert!((found - 0.5_f64.sqrt()).abs() < 1e-14);
        assert_eq!(first_crossing(0.7, |t| t * t - 0.5), None);
    }

    /// Simpson's rule over the state.
    #[test]
    fn the_integral_of_the_squares_is_that_of_the_currents() {
        let expansion = TERMS.expand(&STATE, 5e-4);
        let valid_s = expansion.valid_s;
        let square = |at_s| expansion.state(at_s).currents_a.iter().map(|i| i * i).sum::<f64>();
        let count = 200;
        let simpson: f64 = (0..=count)
            .map(|index| {
                let weight = if index == 0 || index == count { 1.0 } else { f64::from(2 + 2 * (index % 2)) };
                weight * square(valid_s * f64::from(index) / f64::from(count))
            })
            .sum::<f64>()
            * valid_s
            / f64::from(3 * count);
        assert!((expansion.squares_a2_s(valid_s) / simpson - 1.0).abs() < 1e-9);
    }
}
