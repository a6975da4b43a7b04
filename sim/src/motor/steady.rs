//! Steady turning on a sine voltage in closed form: which current flows, and which voltage keeps a current.
//!
//! In coordinates that turn with the rotor everything stands still: a voltage V that leads the rotor by γ, a current I
//! that leads it by δ, the back-EMF E = K·ω_m at 90°, and between them R + jω_e·L. Full torque is δ = 90°, no load
//! δ = 0, braking δ < 0. Detent averages out. Whether a steady state is *stable* is [`resonance`](super::resonance)'s
//! question. Speeds are full steps/s; not negative unless said.

use core::f64::consts::FRAC_PI_2;

use super::data::Windings;

/// One steady state.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Steady {
    /// Peak current of a phase, in amperes.
    pub current_a: f64,
    /// Electrical angle by which the current leads the rotor (δ), in radians.
    pub current_lead_rad: f64,
    /// Electrical angle by which the voltage leads the rotor (γ), in radians.
    pub voltage_lead_rad: f64,
    /// Torque K·I·sin δ, in N·m.
    pub torque_n_m: f64,
}

/// The steady state at a peak voltage per phase, a torque and a speed; `None` if the torque exceeds the
/// [pull-out torque](super::pull_out_torque_n_m), or brakes more than the motor can.
///
/// Torque over the lead of the voltage: T = (K·V/Z)·sin(γ − ζ) − K·E·R/Z² with ζ = atan(ω_e·L/R), the synchronous
/// machine with winding resistance (any text on electrical machines). The answer is the stable branch, |γ − ζ| ≤ 90°.
#[must_use]
pub fn steady(windings: &Windings, volts: f64, torque_n_m: f64, velocity: f64) -> Option<Steady> {
    let (resistance, reactance) = (windings.resistance_ohm, windings.reactance_ohm(velocity));
    let (impedance, emf_v) = (windings.impedance_ohm(velocity), windings.back_emf_v(velocity));
    let in_phase_a = torque_n_m / windings.back_emf_v_s_per_rad;
    let sin = (in_phase_a + emf_v * resistance / (impedance * impedance)) * impedance / volts;
    // Not `> 1.0`: without voltage or with a number that is none there is no state either.
    if !(-1.0..=1.0).contains(&sin) {
        return None;
    }
    let voltage_lead_rad = libm::asin(sin) + libm::atan2(reactance, resistance);
    Some(at_lead(windings, volts, voltage_lead_rad, velocity))
}

/// The state at a given lead of the voltage: I = (V·e^{jγ} − jE)/(R + jX).
fn at_lead(windings: &Windings, volts: f64, voltage_lead_rad: f64, velocity: f64) -> Steady {
    let (resistance, reactance) = (windings.resistance_ohm, windings.reactance_ohm(velocity));
    let (sin, cos) = libm::sincos(voltage_lead_rad);
    let (direct_v, quadrature_v) = (volts * cos, volts * sin - windings.back_emf_v(velocity));
    let square = resistance * resistance + reactance * reactance;
    let direct_a = (direct_v * resistance + quadrature_v * reactance) / square;
    let quadrature_a = (quadrature_v * resistance - direct_v * reactance) / square;
    Steady {
        current_a: libm::hypot(direct_a, quadrature_a),
        current_lead_rad: libm::atan2(quadrature_a, direct_a),
        voltage_lead_rad,
        torque_n_m: windings.back_emf_v_s_per_rad * quadrature_a,
    }
}

/// Peak voltage per phase that keeps a peak current with a given lead over the rotor, in volts:
/// |V| = √((R·I + E·sin δ)² + (ω_e·L·I + E·cos δ)²). The *right compensation* of a voltage drive; it depends on the load.
#[must_use]
pub fn voltage_for_current_v(windings: &Windings, current_a: f64, current_lead_rad: f64, velocity: f64) -> f64 {
    let (sin, cos) = libm::sincos(current_lead_rad);
    let emf_v = windings.back_emf_v(velocity);
    libm::hypot(
        windings.resistance_ohm * current_a + emf_v * sin,
        windings.reactance_ohm(velocity) * current_a + emf_v * cos,
    )
}

/// Lead of a current over the rotor at which it makes a torque, T = K·I·sin δ, in radians between −π/2 and π/2; `None`
/// if the current cannot make it.
#[must_use]
pub fn current_lead_rad(windings: &Windings, current_a: f64, torque_n_m: f64) -> Option<f64> {
    let sin = torque_n_m / (windings.back_emf_v_s_per_rad * current_a);
    (-1.0..=1.0).contains(&sin).then(|| libm::asin(sin))
}

/// Peak currents of a phase between two loads, in amperes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CurrentBand {
    /// At the smaller torque.
    pub least_load_a: f64,
    /// At the greater torque.
    pub greatest_load_a: f64,
    /// The least at any torque between them: at a stiff voltage the current first *falls* with load.
    pub least_a: f64,
    /// The greatest at any torque between them.
    pub greatest_a: f64,
}

/// The currents that a peak voltage makes at any torque between two; `None` if one of them cannot be held.
///
/// I² = (V² + E² − 2·V·E·sin γ)/Z², so that between the ends the least current is at γ = 90°.
#[must_use]
pub fn current_band(
    windings: &Windings,
    volts: f64,
    (least_torque_n_m, greatest_torque_n_m): (f64, f64),
    velocity: f64,
) -> Option<CurrentBand> {
    let least_load = steady(windings, volts, least_torque_n_m, velocity)?;
    let greatest_load = steady(windings, volts, greatest_torque_n_m, velocity)?;
    let (from, to) = (least_load.voltage_lead_rad, greatest_load.voltage_lead_rad);
    let inside = [-FRAC_PI_2, FRAC_PI_2].into_iter().filter(|lead| (from..=to).contains(lead));
    let turns = inside.map(|lead| at_lead(windings, volts, lead, velocity).current_a);
    let all = || turns.clone().chain([least_load.current_a, greatest_load.current_a]);
    Some(CurrentBand {
        least_load_a: least_load.current_a,
        greatest_load_a: greatest_load.current_a,
        least_a: all().fold(f64::INFINITY, f64::min),
        greatest_a: all().fold(0.0, f64::max),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::motor::data::demo;

    fn windings() -> Windings {
        demo().windings(20.0)
    }

    /// The phasor diagram drawn the other way round: from current to voltage.
    #[test]
    fn the_voltage_that_keeps_a_current_makes_that_current() {
        let windings = windings();
        for velocity in [0.0, 50.0, 700.0, 3000.0] {
            for lead in [-0.9, 0.0, 0.5, 1.0] {
                let volts = voltage_for_current_v(&windings, 1.3, lead, velocity);
                let torque_n_m = windings.back_emf_v_s_per_rad * 1.3 * libm::sin(lead);
                let found = steady(&windings, volts, torque_n_m, velocity).unwrap();
                // Past its pull-out lead the same torque has a second, smaller current.
                let pull_out_lead = FRAC_PI_2 + libm::atan2(windings.reactance_ohm(velocity), windings.resistance_ohm);
                if found.voltage_lead_rad < pull_out_lead - 0.1 {
                    assert!((found.torque_n_m - torque_n_m).abs() < 1e-12);
                    let stable = (found.current_a - 1.3).abs() < 1e-9 && (found.current_lead_rad - lead).abs() < 1e-9;
                    assert!(stable || found.current_a < 1.3, "{found:?} at {velocity} with {lead}");
                }
            }
        }
    }

    /// By hand, without turning: V = R·I whatever the lead.
    #[test]
    fn at_standstill_only_the_resistance_counts() {
        let windings = windings();
        assert!((voltage_for_current_v(&windings, 2.0, 0.7, 0.0) - 2.0 * windings.resistance_ohm).abs() < 1e-12);
        let found = steady(&windings, 1.7, 0.0, 0.0).unwrap();
        assert!(
            (found.current_a - 1.7 / windings.resistance_ohm).abs() < 1e-12 && found.current_lead_rad.abs() < 1e-12
        );
    }

    #[test]
    fn the_band_encloses_the_current_of_every_load_between() {
        let windings = windings();
        let greatest = 0.98 * super::super::pull_out_torque_n_m(&windings, 12.0, 900.0);
        let band = current_band(&windings, 12.0, (0.0, greatest), 900.0).unwrap();
        let currents = (0..=100)
            .map(|share| steady(&windings, 12.0, greatest * f64::from(share) / 100.0, 900.0).unwrap().current_a);
        let (least, most) = currents.fold((f64::MAX, 0.0_f64), |(least, most), a| (least.min(a), most.max(a)));
        assert!(band.least_a <= least + 1e-12 && band.greatest_a >= most - 1e-12, "{band:?}, {least}..{most}");
        assert!(least - band.least_a < 1e-3 && band.greatest_a - most < 1e-12, "{band:?}, {least}..{most}");
        assert_eq!(current_band(&windings, 12.0, (0.0, 1.1 * greatest), 900.0), None);
    }

    #[test]
    fn a_current_that_is_too_weak_for_a_torque_has_no_lead() {
        let windings = windings();
        assert_eq!(current_lead_rad(&windings, 1.0, 1.01 * windings.back_emf_v_s_per_rad), None);
        assert_eq!(current_lead_rad(&windings, 1.0, windings.back_emf_v_s_per_rad), Some(FRAC_PI_2));
    }
}
