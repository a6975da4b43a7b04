//! Small oscillations of the rotor about the field: how fast, how damped, and where they grow.
//!
//! With a voltage drive the windings take part, so the motion is of fourth order (third at a held field, where one winding
//! axis decouples). The equations are linearised about a steady state and the eigenvalues computed. A bare motor on a stiff
//! sine voltage is *really* unstable in the middle of its range; that is reported with its growth rate, not damped away.

use core::f64::consts::TAU;

use nalgebra::Matrix4;

use super::data::{Load, MotorData, Windings, electrical_rad_per_s};
use super::steady::steady;

/// The least damped oscillation of a steady state.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mode {
    /// Rate at which it grows, per second; negative if it dies away.
    pub growth_per_s: f64,
    /// How often it swings, in hertz; zero if it does not.
    pub frequency_hz: f64,
}

/// A range of speeds in which the rotor's oscillation grows by itself.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct UnstableBand {
    /// Slowest, in full steps/s.
    pub from_velocity: f64,
    /// Fastest, in full steps/s; the end of what was searched if it goes on.
    pub to_velocity: f64,
    /// Where the growth is greatest, in full steps/s.
    pub worst_velocity: f64,
    /// The oscillation there.
    pub worst: Mode,
}

/// Speeds that a motor should not stay at.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum VelocityToAvoid {
    /// Full steps come as often as the rotor swings: detent torque and step edges feed the oscillation.
    Resonance {
        /// Half-power range of speeds, in full steps/s.
        from_velocity: f64,
        /// Its other end.
        to_velocity: f64,
        /// The oscillation.
        mode: Mode,
    },
    /// The oscillation grows by itself.
    Unstable(UnstableBand),
}

/// Natural frequency √(K_stiff/J)/2π of a rotor at rest in a field of a given peak current, in hertz (textbook).
///
/// K_stiff = N_r·(K·I·cos δ + 4·T_d): field and detent, with the rotor on a full step. With a regulated current this is
/// what the rotor does; with a voltage the windings change and damp it, see [`oscillation`]. Zero where nothing pulls back.
#[must_use]
pub fn natural_frequency_hz(
    windings: &Windings,
    inertia_kg_m2: f64,
    current_a: f64,
    current_lead_rad: f64,
    detent_torque_n_m: f64,
) -> f64 {
    let field = windings.back_emf_v_s_per_rad * current_a * libm::cos(current_lead_rad);
    let stiffness = windings.teeth * (field + 4.0 * detent_torque_n_m);
    libm::sqrt((stiffness / inertia_kg_m2).max(0.0)) / TAU
}

/// The least damped oscillation while a motor turns its load on a peak voltage per phase at a speed in full steps/s, its
/// windings at a temperature in degrees Celsius; `None` where the load cannot be held.
///
/// Detent averages out while turning and is left out; dry friction only shifts the load.
#[must_use]
pub fn oscillation(data: &MotorData, load: &Load, temperature_c: f64, volts: f64, velocity: f64) -> Option<Mode> {
    let matrix = linearised(data, load, temperature_c, volts, velocity)?;
    let eigenvalues = matrix.complex_eigenvalues();
    // The greatest real part; of a pair, the one that swings forwards.
    let worst = eigenvalues.iter().max_by(|a, b| a.re.total_cmp(&b.re).then(a.im.total_cmp(&b.im)))?;
    Some(Mode { growth_per_s: worst.re, frequency_hz: worst.im.abs() / TAU })
}

/// The linear equations of small deviations of (rotor behind field, shaft speed, i_d, i_q) from a steady state.
///
/// With γ the lead of the voltage: dγ/dt = ω_e − N_r·ω, L·di_d/dt = V·cos γ − R·i_d + N_r·ω·L·i_q,
/// L·di_q/dt = V·sin γ − R·i_q − N_r·ω·L·i_d − K·ω, J·dω/dt = K·i_q − B·ω − T.
fn linearised(data: &MotorData, load: &Load, temperature_c: f64, volts: f64, velocity: f64) -> Option<Matrix4<f64>> {
    let windings = data.windings(temperature_c);
    let Windings { resistance_ohm, inductance_h, back_emf_v_s_per_rad, teeth } = windings;
    let state = steady(&windings, volts, data.steady_torque_n_m(load, velocity), velocity)?;
    let (voltage_sin, voltage_cos) = libm::sincos(state.voltage_lead_rad);
    let (current_sin, current_cos) = libm::sincos(state.current_lead_rad);
    let (direct_a, quadrature_a) = (state.current_a * current_cos, state.current_a * current_sin);
    let omega = electrical_rad_per_s(velocity);
    let (decay, drive) = (resistance_ohm / inductance_h, volts / inductance_h);
    let inertia = data.inertia_kg_m2(load);
    #[rustfmt::skip]
    let matrix = Matrix4::new(
        0.0, -teeth, 0.0, 0.0,
        0.0, -data.viscous_friction_n_m_s_per_rad(load) / inertia, 0.0, back_emf_v_s_per_rad / inertia,
        -drive * voltage_sin, teeth * quadrature_a, -decay, omega,
        drive * voltage_cos, -teeth * direct_a - back_emf_v_s_per_rad / inductance_h, -omega, -decay,
    );
    Some(matrix)
}

/// The ranges of speed up to `top_velocity` in which the oscillation grows, slowest first, for a drive that applies
/// `volts_at` (peak per phase, over full steps/s). Speeds at which the load cannot be held count for no band.
#[must_use]
pub fn unstable_bands(
    data: &MotorData,
    load: &Load,
    temperature_c: f64,
    volts_at: impl Fn(f64) -> f64,
    top_velocity: f64,
) -> Vec<UnstableBand> {
    const LOOKS: u32 = 400;
    let mode = |velocity: f64| oscillation(data, load, temperature_c, volts_at(velocity), velocity);
    let grows = |velocity: f64| mode(velocity).is_some_and(|mode| mode.growth_per_s > 0.0);
    let edge = |mut calm: f64, mut wild: f64| {
        for _ in 0..30 {
            let middle = 0.5 * (calm + wild);
            if grows(middle) { wild = middle } else { calm = middle }
        }
        wild
    };
    let mut bands: Vec<UnstableBand> = Vec::new();
    let mut before = 0.0;
    let mut open = false;
    for look in 1..=LOOKS {
        let velocity = top_velocity * f64::from(look) / f64::from(LOOKS);
        match mode(velocity).filter(|mode| mode.growth_per_s > 0.0) {
            Some(worst) if !open => {
                let from_velocity = edge(before, velocity);
                bands.push(UnstableBand { from_velocity, to_velocity: velocity, worst_velocity: velocity, worst });
                open = true;
            }
            Some(found) => {
                if let Some(band) = bands.last_mut() {
                    band.to_velocity = velocity;
                    if found.growth_per_s > band.worst.growth_per_s {
                        (band.worst_velocity, band.worst) = (velocity, found);
                    }
                }
            }
            None => {
                if let Some(band) = bands.last_mut().filter(|_| open) {
                    band.to_velocity = edge(velocity, before);
                }
                open = false;
            }
        }
        before = velocity;
    }
    bands
}

/// Speeds up to `top_velocity` that a motor should not stay at, slowest first, for a drive that applies `volts_at` (peak
/// per phase, over full steps/s).
#[must_use]
pub fn velocities_to_avoid(
    data: &MotorData,
    load: &Load,
    temperature_c: f64,
    volts_at: impl Fn(f64) -> f64,
    top_velocity: f64,
) -> Vec<VelocityToAvoid> {
    const LOOKS: u32 = 400;
    let mode = |velocity: f64| oscillation(data, load, temperature_c, volts_at(velocity), velocity);
    // Positive below the resonance: the rotor swings more often than steps come.
    let ahead = |velocity: f64| mode(velocity).map_or(0.0, |mode| mode.frequency_hz - velocity);
    let mut found = Vec::new();
    let at = |look: u32| top_velocity * f64::from(look) / f64::from(LOOKS);
    for look in 0..LOOKS {
        let (mut below, mut above) = (at(look), at(look + 1));
        if ahead(below) <= 0.0 || ahead(above) >= 0.0 {
            continue;
        }
        for _ in 0..40 {
            let middle = 0.5 * (below + above);
            if ahead(middle) > 0.0 { below = middle } else { above = middle }
        }
        if let Some(mode) = mode(above) {
            // Half the power of a resonance is this far from its middle (textbook, light damping).
            let half = mode.growth_per_s.abs() / TAU;
            let (from_velocity, to_velocity) = ((above - half).max(0.0), above + half);
            found.push(VelocityToAvoid::Resonance { from_velocity, to_velocity, mode });
        }
    }
    found.extend(
        unstable_bands(data, load, temperature_c, volts_at, top_velocity).into_iter().map(VelocityToAvoid::Unstable),
    );
    found
}

#[cfg(test)]
mod tests;
