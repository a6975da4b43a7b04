//! Copper loss into temperature, and temperature into resistance.
//!
//! The winding heats, loses heat to the case, and the case to the air; a motor of one node has no case. Between two
//! updates the network is linear and its power constant, so it is solved exactly. Knows no currents: power comes in as
//! an argument.

/// How heat leaves the windings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HeatData {
    /// Temperature of the air, in degrees Celsius.
    pub ambient_c: f64,
    /// Both windings together: heated by the copper loss.
    pub winding: NodeData,
    /// Case and iron, between winding and air; without it the winding gives its heat to the air.
    pub case: Option<NodeData>,
}

/// One place that holds heat, and its way out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NodeData {
    /// Heat that it takes per degree, in J/K.
    pub capacity_j_per_k: f64,
    /// Degrees per watt from here to the next node, or to the air, in K/W.
    pub resistance_k_per_w: f64,
}

/// Resistance of copper at `temperature_c`, in ohms, from that at `reference_c`: R₂/R₁ = (235 + T₂)/(235 + T₁)
/// (IEC 60034-1, rise of temperature by resistance; from memory).
#[must_use]
pub fn copper_resistance_ohm(resistance_ohm: f64, reference_c: f64, temperature_c: f64) -> f64 {
    resistance_ohm * (235.0 + temperature_c) / (235.0 + reference_c)
}

/// Copper loss of both windings, in watts, for a peak current I per phase: half of I²R in each, on average (textbook).
#[must_use]
pub fn copper_loss_w(peak_current_a: f64, resistance_ohm: f64) -> f64 {
    peak_current_a * peak_current_a * resistance_ohm
}

/// Temperatures of the nodes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Heat {
    /// Of the windings, in degrees Celsius.
    pub winding_c: f64,
    /// Of the case, in degrees Celsius; that of the air where the motor has no node for it.
    pub case_c: f64,
}

impl Heat {
    /// Everything as warm as the air.
    #[must_use]
    pub fn at_ambient(data: &HeatData) -> Self {
        Self { winding_c: data.ambient_c, case_c: data.ambient_c }
    }

    /// Where the temperatures end under a constant power, in watts.
    #[must_use]
    pub fn steady(data: &HeatData, power_w: f64) -> Self {
        let case_c = data.ambient_c + data.case.map_or(0.0, |case| power_w * case.resistance_k_per_w);
        Self { winding_c: case_c + power_w * data.winding.resistance_k_per_w, case_c }
    }

    /// The temperatures after `duration_s` seconds of a constant power, in watts.
    ///
    /// Exact: with the deviations w and c from the steady state, dw/dt = −(w − c)/τ_w and
    /// dc/dt = (w − c)/τ_x − c/τ_c, a linear system with two real negative eigenvalues. What is computed is the change, so
    /// that a node whose steady state is far away, since it hardly loses heat, keeps what little it gains.
    #[must_use]
    pub fn after(&self, data: &HeatData, power_w: f64, duration_s: f64) -> Self {
        let end = Self::steady(data, power_w);
        let winding_rate = 1.0 / (data.winding.resistance_k_per_w * data.winding.capacity_j_per_k);
        let winding = self.winding_c - end.winding_c;
        let Some(case_data) = data.case else {
            let change = winding * libm::expm1(-winding_rate * duration_s);
            return Self { winding_c: self.winding_c + change, ..end };
        };
        let exchange_rate = 1.0 / (data.winding.resistance_k_per_w * case_data.capacity_j_per_k);
        let case_rate = 1.0 / (case_data.resistance_k_per_w * case_data.capacity_j_per_k);
        let case = self.case_c - end.case_c;
        // Eigenvalues −fast and −slow of [[−a, a], [b, −(b + c)]]; the discriminant (a − b − c)² + 4ab is positive.
        let sum = winding_rate + exchange_rate + case_rate;
        let root = libm::sqrt(
            (winding_rate - exchange_rate - case_rate) * (winding_rate - exchange_rate - case_rate)
                + 4.0 * winding_rate * exchange_rate,
        );
        let fast = 0.5 * (sum + root);
        // From the product of both, which does not cancel where one is far below the other.
        let slow = winding_rate * case_rate / fast;
        // exp(At) = slow part · (A + fast)/(fast − slow) − fast part · (A + slow)/(fast − slow) (Sylvester's formula), less
        // the same at t = 0.
        let (slow_part, fast_part) = (libm::expm1(-slow * duration_s), libm::expm1(-fast * duration_s));
        // From the heat that flows, not from the deviations, which may be alike and huge.
        let between_w = (self.winding_c - self.case_c) / data.winding.resistance_k_per_w;
        let lost_w = (self.case_c - data.ambient_c) / case_data.resistance_k_per_w;
        let winding_slope = (power_w - between_w) / data.winding.capacity_j_per_k;
        let case_slope = (between_w - lost_w) / case_data.capacity_j_per_k;
        let change = |value: f64, slope: f64| {
            (slow_part * (slope + fast * value) - fast_part * (slope + slow * value)) / (fast - slow)
        };
        Self {
            winding_c: self.winding_c + change(winding, winding_slope),
            case_c: self.case_c + change(case, case_slope),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const WINDING: NodeData = NodeData { capacity_j_per_k: 20.0, resistance_k_per_w: 3.0 };
    const CASE: NodeData = NodeData { capacity_j_per_k: 150.0, resistance_k_per_w: 6.0 };
    const ONE: HeatData = HeatData { ambient_c: 25.0, winding: WINDING, case: None };
    const TWO: HeatData = HeatData { ambient_c: 25.0, winding: WINDING, case: Some(CASE) };

    /// IEC 60028/60228, reference copper, from memory: R = R₂₀·(1 + 0.00393·(T − 20)). The two published forms differ
    /// by at most 0.07 % between 0 and 140 °C.
    #[test]
    fn copper_grows_as_both_published_forms_say() {
        for tenth in 0..=14 {
            let temperature_c = 10.0 * f64::from(tenth);
            let linear = 1.0 + 0.00393 * (temperature_c - 20.0);
            let ratio = copper_resistance_ohm(1.0, 20.0, temperature_c) / linear;
            assert!((ratio - 1.0).abs() < 0.0007, "{ratio} at {temperature_c} °C");
        }
        // By hand: (235 + 85)/(235 + 20) = 320/255.
        assert!((copper_resistance_ohm(2.0, 20.0, 85.0) - 2.0 * 320.0 / 255.0).abs() < 1e-12);
    }

    /// T(t) = T_a + P·R_th·(1 − e^(−t/τ)), any text on heat: τ = 60 s, 5 W over 3 K/W end 15 K above the air.
    #[test]
    fn one_node_follows_the_exponential_of_the_textbook() {
        for seconds in [0.0, 1.0, 30.0, 60.0, 600.0] {
            let reached = Heat::at_ambient(&ONE).after(&ONE, 5.0, seconds).winding_c;
            let expected = 25.0 + 15.0 * (1.0 - libm::exp(-seconds / 60.0_f64));
            assert!((reached - expected).abs() < 1e-9, "{reached}, not {expected}, after {seconds} s");
        }
    }

    /// The differential equations themselves in steps of a millisecond, each a midpoint rule.
    #[test]
    fn two_nodes_agree_with_their_differential_equations_in_small_steps() {
        let power_w = 7.0;
        let slope = |heat: Heat| {
            let out = (heat.winding_c - heat.case_c) / WINDING.resistance_k_per_w;
            let lost = (heat.case_c - 25.0) / CASE.resistance_k_per_w;
            ((power_w - out) / WINDING.capacity_j_per_k, (out - lost) / CASE.capacity_j_per_k)
        };
        let start = Heat { winding_c: 90.0, case_c: 30.0 };
        let mut heat = start;
        let step_s = 1e-3;
        for _ in 0..200_000 {
            let (winding, case) = slope(heat);
            let middle =
                Heat { winding_c: heat.winding_c + 0.5 * step_s * winding, case_c: heat.case_c + 0.5 * step_s * case };
            let (winding, case) = slope(middle);
            heat = Heat { winding_c: heat.winding_c + step_s * winding, case_c: heat.case_c + step_s * case };
        }
        let exact = start.after(&TWO, power_w, 200.0);
        assert!((exact.winding_c - heat.winding_c).abs() < 1e-6, "{exact:?} and {heat:?}");
        assert!((exact.case_c - heat.case_c).abs() < 1e-6, "{exact:?} and {heat:?}");
        assert_ne!(exact.winding_c, exact.case_c);
    }

    /// By hand: what keeps its heat warms by P·t/C: 5 W for 2 s, 10 J. The winding's share of it, once it is e^(−t/τ) of the
    /// way, is that of two bodies of 20 and 150 J/K that exchange heat over 3 K/W.
    #[test]
    fn a_motor_that_loses_no_heat_keeps_all_of_it() {
        let insulated = |node: NodeData| NodeData { resistance_k_per_w: 1e12, ..node };
        let one = HeatData { winding: insulated(WINDING), ..ONE };
        let warmed = Heat::at_ambient(&one).after(&one, 5.0, 2.0).winding_c - 25.0;
        assert!((warmed - 0.5).abs() < 1e-9, "{warmed}");
        let two = HeatData { case: Some(insulated(CASE)), ..TWO };
        let end = Heat::at_ambient(&two).after(&two, 5.0, 2.0);
        let (winding, case) = (end.winding_c - 25.0, end.case_c - 25.0);
        assert!((20.0 * winding + 150.0 * case - 10.0).abs() < 1e-6, "{winding}, {case}");
        let rate: f64 = (1.0 / 20.0 + 1.0 / 150.0) / 3.0;
        let apart = 5.0 / 20.0 / rate * (1.0 - libm::exp(-2.0 * rate));
        assert!((winding - case - apart).abs() < 1e-6, "{winding}, {case}");
    }

    #[test]
    fn a_stretch_in_one_piece_is_the_same_stretch_in_two() {
        let start = Heat { winding_c: 60.0, case_c: 40.0 };
        let whole = start.after(&TWO, 4.0, 100.0);
        let parts = start.after(&TWO, 4.0, 37.0).after(&TWO, 4.0, 63.0);
        assert!((whole.winding_c - parts.winding_c).abs() < 1e-10 && (whole.case_c - parts.case_c).abs() < 1e-10);
        let end = start.after(&TWO, 4.0, 1e6);
        // By hand: 4 W over 6 and 3 K/W.
        assert!((end.case_c - 49.0).abs() < 1e-9 && (end.winding_c - 61.0).abs() < 1e-9, "{end:?}");
    }
}
