//! How fast a motor may start, and how hard it may accelerate, without losing step: closed forms with a margin of torque.

use core::f64::consts::{FRAC_PI_2, PI};

use super::data::{Load, MotorData};
use super::pull_out::pull_out_torque_n_m;

/// Greatest acceleration with which a motor reaches `top_velocity` (full steps/s) with its load, in full steps/s²; zero
/// where the load alone takes all the torque that may be used.
///
/// The torque that may be used is the pull-out torque less a share `margin` of it (0.3 leaves 30 % unused), at the voltage
/// `volts_at` (peak per phase, over full steps/s) with windings at a temperature in degrees Celsius:
/// J·dω/dt = (1 − margin)·T_pull-out − T_load − friction, the least over the range. Lasting oscillations are not in it: see
/// [`unstable_bands`](super::unstable_bands).
#[must_use]
pub fn greatest_acceleration(
    data: &MotorData,
    load: &Load,
    temperature_c: f64,
    volts_at: impl Fn(f64) -> f64,
    top_velocity: f64,
    margin: f64,
) -> f64 {
    const LOOKS: u32 = 1000;
    let windings = data.windings(temperature_c);
    let spare = |look: u32| {
        let velocity = top_velocity * f64::from(look) / f64::from(LOOKS);
        let usable = (1.0 - margin) * pull_out_torque_n_m(&windings, volts_at(velocity), velocity);
        usable - data.steady_torque_n_m(load, velocity)
    };
    let least_n_m = (0..=LOOKS).map(spare).fold(f64::INFINITY, f64::min).max(0.0);
    least_n_m / data.inertia_kg_m2(load) * data.teeth() / FRAC_PI_2
}

/// Greatest velocity at which a motor with its load may start at once, in full steps/s; zero if it cannot hold the load.
///
/// Seen from the field, the rotor starts backwards with the speed of the field and must not reach the next pole: its energy
/// ½·J·ω² must not exceed (T/N_r)·(2·cos γ₀ − (π − 2·γ₀)·sin γ₀) with sin γ₀ = T_load/T, the *equal-area criterion* of
/// synchronous machines (textbook). T is the pull-out torque at that speed less a share `margin` of it, at the voltage
/// `volts_at` (peak per phase, over full steps/s); friction counts as load. The current needs about L/R to rise, which the
/// criterion leaves out: it is for starts from a rotor that is already held.
#[must_use]
pub fn greatest_start_velocity(
    data: &MotorData,
    load: &Load,
    temperature_c: f64,
    volts_at: impl Fn(f64) -> f64,
    margin: f64,
) -> f64 {
    let windings = data.windings(temperature_c);
    let teeth = data.teeth();
    let reachable = |velocity: f64| {
        let usable_n_m = (1.0 - margin) * pull_out_torque_n_m(&windings, volts_at(velocity), velocity);
        let sin = data.steady_torque_n_m(load, velocity).max(0.0) / usable_n_m;
        if usable_n_m <= 0.0 || sin >= 1.0 {
            return 0.0;
        }
        let area = 2.0 * libm::sqrt(1.0 - sin * sin) - (PI - 2.0 * libm::asin(sin)) * sin;
        libm::sqrt(2.0 * usable_n_m * area / (data.inertia_kg_m2(load) * teeth)) * teeth / FRAC_PI_2
    };
    // What can be reached falls with the speed at which it is asked, so there is one crossing.
    let (mut possible, mut impossible) = (0.0, reachable(0.0));
    for _ in 0..60 {
        let middle = 0.5 * (possible + impossible);
        if middle <= reachable(middle) { possible = middle } else { impossible = middle }
    }
    possible
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::motor::data::demo;

    /// A motor without inductance and with hardly any back-EMF keeps its torque at every speed, so that the formulas can be
    /// worked out by hand: T = K·V/R = 0.2 · 4 / 2 = 0.4 N·m.
    fn stiff() -> MotorData {
        MotorData {
            resistance_ohm: 2.0,
            inductance_h: 1e-12,
            back_emf_v_s_per_rad: 0.2,
            rotor_inertia_kg_m2: 1e-5,
            dry_friction_n_m: 0.0,
            viscous_friction_n_m_s_per_rad: 0.0,
            ..demo()
        }
    }

    /// By hand: ω = √(4·T/(J·N_r)) = √(1.6/5e-4) = 56.6 rad/s of the shaft are 1801 steps/s, less what the back-EMF
    /// takes: there the torque is only K·(V − E)/R.
    #[test]
    fn an_unloaded_start_is_limited_by_the_energy_of_the_swing() {
        let start = greatest_start_velocity(&stiff(), &Load::default(), 20.0, |_| 4.0, 0.0);
        let shaft = start * FRAC_PI_2 / 50.0;
        let torque = 0.2 * (4.0 - 0.2 * shaft) / 2.0;
        assert!((0.5 * 1e-5 * shaft * shaft - torque * 2.0 / 50.0).abs() < 1e-9, "{start}");
        assert!(start > 300.0 && start < 1801.0, "{start}");
    }

    /// The area between the torque of the field and that of the load, up to where they meet again, as a sum over small angles.
    #[test]
    fn a_loaded_start_is_limited_by_the_area_between_both_torques() {
        let load = Load { torque_n_m: 0.15, ..Load::default() };
        let start = greatest_start_velocity(&stiff(), &load, 20.0, |_| 4.0, 0.0);
        let shaft = start * FRAC_PI_2 / 50.0;
        let torque = 0.2 * (4.0 - 0.2 * shaft) / 2.0;
        let width = PI / 1e6;
        let over = |index: u32| (torque * libm::sin((f64::from(index) + 0.5) * width) - 0.15).max(0.0);
        let area = (0..1_000_000).map(over).sum::<f64>() * width / 50.0;
        assert!((0.5 * 1e-5 * shaft * shaft / area - 1.0).abs() < 1e-6, "{start}");
    }

    #[test]
    fn load_and_margin_lower_the_start_velocity_and_too_much_load_forbids_it() {
        let at = |torque_n_m, margin| {
            let load = Load { torque_n_m, ..Load::default() };
            greatest_start_velocity(&stiff(), &load, 20.0, |_| 4.0, margin)
        };
        assert!(at(0.1, 0.0) < at(0.0, 0.0) && at(0.0, 0.3) < at(0.0, 0.0));
        assert_eq!(at(0.41, 0.0), 0.0);
        assert_eq!(at(0.3, 0.3), 0.0);
    }

    /// By hand, at 100 steps/s (π rad/s, back-EMF 0.2·π V): torque 0.2·(4 − 0.628)/2 = 0.3372 N·m; less 0.1 N·m, over
    /// 2e-5 kg·m², in steps (50/(π/2) a radian).
    #[test]
    fn the_greatest_acceleration_is_the_spare_torque_over_the_inertia() {
        let load = Load { torque_n_m: 0.1, inertia_kg_m2: 1e-5, ..Load::default() };
        let found = greatest_acceleration(&stiff(), &load, 20.0, |_| 4.0, 100.0, 0.0);
        let torque = 0.2 * (4.0 - 0.2 * PI) / 2.0;
        assert!((found / ((torque - 0.1) / 2e-5 * 100.0 / PI) - 1.0).abs() < 1e-6, "{found}");
        let with_margin = greatest_acceleration(&stiff(), &load, 20.0, |_| 4.0, 100.0, 0.5);
        assert!((with_margin / ((0.5 * torque - 0.1) / 2e-5 * 100.0 / PI) - 1.0).abs() < 1e-6, "{with_margin}");
        assert_eq!(greatest_acceleration(&stiff(), &load, 20.0, |_| 4.0, 100.0, 0.8), 0.0);
    }
}
