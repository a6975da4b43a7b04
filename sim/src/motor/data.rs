//! What a motor and its load are, in SI units, and the constants that the equations take from it.
//!
//! Plain data: [`file`](super::file) reads it from TOML, everything else in this folder computes with it.

use core::f64::consts::{PI, SQRT_2};

use super::heat::{HeatData, copper_resistance_ohm};

/// A two-phase hybrid stepping motor, as its data sheet has it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MotorData {
    /// Full steps in one turn of the shaft, a multiple of 4: four steps are one electrical cycle.
    pub steps_per_turn: u32,
    /// Resistance of one winding, in ohms, at [`resistance_at_c`](Self::resistance_at_c).
    pub resistance_ohm: f64,
    /// Winding temperature at which the resistance was measured, in degrees Celsius.
    pub resistance_at_c: f64,
    /// Inductance of one winding, in henries.
    pub inductance_h: f64,
    /// Peak voltage that one winding generates per speed of the shaft, in V·s/rad; equally the peak torque per ampere
    /// in one winding, in N·m/A.
    pub back_emf_v_s_per_rad: f64,
    /// Current that each of both windings may carry at the same time at standstill, in amperes.
    pub rated_current_a: f64,
    /// Inertia of the rotor alone, in kg·m².
    pub rotor_inertia_kg_m2: f64,
    /// Peak torque without current, in N·m; one period per full step, at rest on full steps.
    pub detent_torque_n_m: f64,
    /// Torque per speed that the motor itself loses, in N·m·s/rad.
    pub viscous_friction_n_m_s_per_rad: f64,
    /// Torque that the motor's bearings take at any speed and up to which they hold at rest, in N·m.
    pub dry_friction_n_m: f64,
    /// How heat leaves the windings.
    pub heat: HeatData,
}

/// What the shaft turns. Everything as seen at the motor's shaft; nothing by default.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Load {
    /// Inertia, coupled without play or spring, in kg·m².
    pub inertia_kg_m2: f64,
    /// Torque against positive turning, whichever way the shaft turns (a weight), in N·m; signed.
    pub torque_n_m: f64,
    /// Torque per speed, in N·m·s/rad.
    pub viscous_friction_n_m_s_per_rad: f64,
    /// Torque against turning at any speed, up to which the load holds at rest, in N·m.
    pub dry_friction_n_m: f64,
}

/// The constants of the electrical equations at one temperature: what the closed forms of the steady state need.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Windings {
    /// Resistance of one winding as it is now, in ohms.
    pub resistance_ohm: f64,
    /// Inductance of one winding, in henries.
    pub inductance_h: f64,
    /// Back-EMF constant K, in V·s/rad of the shaft.
    pub back_emf_v_s_per_rad: f64,
    /// Electrical cycles in a turn, N_r = p.
    pub teeth: f64,
}

impl MotorData {
    /// Rotor teeth N_r: electrical cycles in one turn of the shaft.
    #[must_use]
    pub fn teeth(&self) -> f64 {
        f64::from(self.steps_per_turn) / 4.0
    }

    /// The windings at a temperature in degrees Celsius.
    #[must_use]
    pub fn windings(&self, temperature_c: f64) -> Windings {
        Windings {
            resistance_ohm: copper_resistance_ohm(self.resistance_ohm, self.resistance_at_c, temperature_c),
            inductance_h: self.inductance_h,
            back_emf_v_s_per_rad: self.back_emf_v_s_per_rad,
            teeth: self.teeth(),
        }
    }

    /// Peak of the sine current that heats like the rated current in both windings at once, √2·I, in amperes.
    #[must_use]
    pub fn rated_peak_current_a(&self) -> f64 {
        SQRT_2 * self.rated_current_a
    }

    /// Holding torque with the rated current in both windings, √2·K·I, in N·m, detent torque left out.
    #[must_use]
    pub fn holding_torque_n_m(&self) -> f64 {
        back_emf_to_holding_torque(self.back_emf_v_s_per_rad, self.rated_current_a)
    }

    /// Inertia of the rotor with what it turns, in kg·m².
    #[must_use]
    pub fn inertia_kg_m2(&self, load: &Load) -> f64 {
        self.rotor_inertia_kg_m2 + load.inertia_kg_m2
    }

    /// Viscous friction of motor and load, in N·m·s/rad.
    #[must_use]
    pub fn viscous_friction_n_m_s_per_rad(&self, load: &Load) -> f64 {
        self.viscous_friction_n_m_s_per_rad + load.viscous_friction_n_m_s_per_rad
    }

    /// Dry friction of motor and load, in N·m.
    #[must_use]
    pub fn dry_friction_n_m(&self, load: &Load) -> f64 {
        self.dry_friction_n_m + load.dry_friction_n_m
    }

    /// Torque that turns motor and load steadily forwards at a speed in full steps/s, not negative, in N·m.
    #[must_use]
    pub fn steady_torque_n_m(&self, load: &Load, velocity: f64) -> f64 {
        load.torque_n_m
            + self.dry_friction_n_m(load)
            + self.viscous_friction_n_m_s_per_rad(load) * shaft_rad_per_s(velocity, self.teeth())
    }
}

impl Windings {
    /// Reactance ω_e·L at a speed in full steps/s, in ohms.
    #[must_use]
    pub fn reactance_ohm(&self, velocity: f64) -> f64 {
        electrical_rad_per_s(velocity) * self.inductance_h
    }

    /// Impedance √(R² + ω_e²L²) at a speed in full steps/s, in ohms.
    #[must_use]
    pub fn impedance_ohm(&self, velocity: f64) -> f64 {
        libm::hypot(self.resistance_ohm, self.reactance_ohm(velocity))
    }

    /// Peak back-EMF of one winding at a speed in full steps/s, in volts, with the sign of the speed.
    #[must_use]
    pub fn back_emf_v(&self, velocity: f64) -> f64 {
        self.back_emf_v_s_per_rad * shaft_rad_per_s(velocity, self.teeth)
    }
}

/// Electrical angular frequency for a speed in full steps/s: a step is a quarter of a cycle.
#[must_use]
pub fn electrical_rad_per_s(velocity: f64) -> f64 {
    velocity * PI / 2.0
}

/// Angular velocity of the shaft, in rad/s, for a speed in full steps/s.
#[must_use]
pub fn shaft_rad_per_s(velocity: f64, teeth: f64) -> f64 {
    electrical_rad_per_s(velocity) / teeth
}

/// Holding torque √2·K·I with the current I in both windings, in N·m: the torques of both stand at right angles in
/// the electrical plane (textbook).
#[must_use]
pub fn back_emf_to_holding_torque(back_emf_v_s_per_rad: f64, rated_current_a: f64) -> f64 {
    SQRT_2 * back_emf_v_s_per_rad * rated_current_a
}

/// Back-EMF constant K = T/(√2·I), in V·s/rad, from the holding torque with the rated current in both windings: the
/// inverse of [`back_emf_to_holding_torque`].
#[must_use]
pub fn holding_torque_to_back_emf(holding_torque_n_m: f64, rated_current_a: f64) -> f64 {
    holding_torque_n_m / (SQRT_2 * rated_current_a)
}

/// The demo motor's data, for tests that need any motor; the same numbers as `examples/motors/demo.toml`.
#[cfg(test)]
pub(super) fn demo() -> MotorData {
    super::file::demo().motor
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: 200 steps are 50 cycles; at 200 steps/s the shaft makes a turn a second, 2π rad/s, and the windings
    /// see 50 cycles, 100π rad/s.
    #[test]
    fn a_step_is_a_quarter_of_an_electrical_cycle() {
        assert_eq!(demo().teeth(), 50.0);
        assert!((shaft_rad_per_s(200.0, 50.0) - 2.0 * PI).abs() < 1e-12);
        assert!((electrical_rad_per_s(200.0) - 100.0 * PI).abs() < 1e-9);
    }

    /// By hand: 1 A in both windings, each 0.3 N·m/A, at 45° from either: 2 · 0.3 · cos 45° = 0.424 N·m.
    #[test]
    fn holding_torque_and_back_emf_constant_are_one_number() {
        let by_hand = 2.0 * 0.3 * libm::cos(PI / 4.0);
        assert!((back_emf_to_holding_torque(0.3, 1.0) - by_hand).abs() < 1e-12);
        assert!((holding_torque_to_back_emf(by_hand, 1.0) - 0.3).abs() < 1e-12);
        assert!((holding_torque_to_back_emf(by_hand, 2.0) - 0.15).abs() < 1e-12);
    }

    /// Worked by hand: weight 0.1, dry 0.02 + 0.03, viscous (1e-4 + 2e-4)·2π at 200 steps/s.
    #[test]
    fn the_torque_of_steady_turning_is_weight_and_friction_of_both() {
        let motor = MotorData { dry_friction_n_m: 0.02, viscous_friction_n_m_s_per_rad: 1e-4, ..demo() };
        let load =
            Load { inertia_kg_m2: 0.0, torque_n_m: 0.1, viscous_friction_n_m_s_per_rad: 2e-4, dry_friction_n_m: 0.03 };
        assert!((motor.steady_torque_n_m(&load, 200.0) - (0.15 + 3e-4 * 2.0 * PI)).abs() < 1e-12);
    }
}
