//! Small oscillations of the rotor about the field: how fast, how damped, and where they grow.
//!
//! With a voltage drive the windings take part, so the motion is of fourth order (third at a held field, where one winding
//! axis decouples). The equations are linearised about a steady state and the eigenvalues computed. A bare motor on a stiff
//! sine voltage is *really* unstable in the middle of its range; that is reported with its growth rate, not damped away.
//!
//! **What excites a resonance.** Detent torque has a period of one full step, so that it swings the rotor at a speed of as many
//! steps/s as the rotor swings hertz. The edges of n microsteps a step swing it at a n-th of that speed, and their harmonics at
//! a half, a third, … of *that*: the subharmonic resonances, in full steps at f, f/2, f/3, … Both are computed as the forced
//! motion of the linear equations ([`ripple`]), and the simulated motor shows them. Not computed, as the model has nothing that
//! makes them: phases that are unequal swing a rotor at 4·f and 2·f steps/s (common practice, no published source). Not linear,
//! and so not computed either: a detent that is strong against the field also shows a hump at f/2.

use core::f64::consts::TAU;

use nalgebra::linalg::Schur;
use nalgebra::{Complex, Matrix4, Vector4};

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

/// What comes with each step and swings the rotor.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Excitation {
    /// Detent torque, once in a full step.
    Detent,
    /// The edges of the microsteps, or from the second harmonic on a subharmonic resonance.
    Edges {
        /// How often the rotor swings between two edges.
        harmonic: u32,
    },
}

/// A forced swing of the rotor about its steady motion.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Ripple {
    /// Root mean square of the speed's deviation, in full steps/s.
    pub velocity_rms: f64,
    /// Root mean square of the deviation of the place, in full steps.
    pub steps_rms: f64,
}

/// Speeds that a motor should not stay at.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum VelocityToAvoid {
    /// Something comes as often as the rotor swings and feeds the oscillation.
    Resonance {
        /// Half-power range of speeds, in full steps/s.
        from_velocity: f64,
        /// Its other end.
        to_velocity: f64,
        /// The oscillation.
        mode: Mode,
        /// What feeds it.
        excitation: Excitation,
        /// How far that swings the rotor in the middle of the range.
        ripple: Ripple,
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

/// The least damped oscillation, or what grows without swinging, while a motor turns its load on a peak voltage per phase at a speed in full steps/s, its
/// windings at a temperature in degrees Celsius; `None` where the load cannot be held, or the numbers are beyond all reckoning.
///
/// What only creeps back to the steady state is told where nothing swings at all. Detent averages out while turning and is left out; dry friction only shifts the load.
#[must_use]
pub fn oscillation(data: &MotorData, load: &Load, temperature_c: f64, volts: f64, velocity: f64) -> Option<Mode> {
    let matrix = linearised(data, load, temperature_c, volts, velocity)?;
    least_damped(matrix)
}

fn least_damped(matrix: Matrix4<f64>) -> Option<Mode> {
    /// Four eigenvalues take a few dozen.
    const MOST_ITERATIONS: usize = 1000;
    if !matrix.iter().all(|entry| entry.is_finite()) {
        return None;
    }
    let eigenvalues = Schur::try_new(matrix, f64::EPSILON, MOST_ITERATIONS)?.complex_eigenvalues();
    // A root that decays without swinging may be the slowest of all, and says nothing of the swing.
    let counts = |root: &Complex<f64>| (root.re > 0.0, root.im != 0.0);
    let worst = eigenvalues.iter().max_by(|a, b| {
        let (a_counts, b_counts) = (counts(a), counts(b));
        (a_counts.0 || a_counts.1).cmp(&(b_counts.0 || b_counts.1)).then(a.re.total_cmp(&b.re))
    })?;
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

/// Harmonics of the microsteps' edges that are reckoned with.
const HARMONICS: u32 = 4;

/// How far detent and the edges of microsteps swing a rotor that turns its load on a peak voltage per phase (what microsteps
/// leave of it) at a speed in full steps/s; `None` where the load cannot be held.
///
/// The motion of the linear equations: detent is a torque T_d·sin(2π·v·t); edges are a sawtooth about the smoothly turning
/// field, whose k-th harmonic has the amplitude 1/(2·n·k) radian for n microsteps a step (textbook). Small swings only: beyond
/// a tenth of a step the field's own curvature counts.
#[must_use]
pub fn ripple(
    data: &MotorData,
    load: &Load,
    temperature_c: f64,
    volts: f64,
    velocity: f64,
    microsteps_per_step: u16,
) -> Option<Ripple> {
    let matrix = linearised(data, load, temperature_c, volts, velocity)?;
    let edges = (1..=HARMONICS).map(|harmonic| Excitation::Edges { harmonic });
    let all = edges.chain([Excitation::Detent]);
    let sum = all.fold(Ripple::default(), |sum, excitation| {
        let one = forced(&matrix, data, load, velocity, microsteps_per_step, excitation);
        Ripple {
            velocity_rms: libm::hypot(sum.velocity_rms, one.velocity_rms),
            steps_rms: libm::hypot(sum.steps_rms, one.steps_rms),
        }
    });
    Some(sum)
}

/// How often an excitation comes in a full step.
fn times_per_step(excitation: Excitation, microsteps_per_step: u16) -> f64 {
    match excitation {
        Excitation::Detent => 1.0,
        Excitation::Edges { harmonic } => f64::from(microsteps_per_step) * f64::from(harmonic),
    }
}

fn forced(
    matrix: &Matrix4<f64>,
    data: &MotorData,
    load: &Load,
    velocity: f64,
    microsteps_per_step: u16,
    excitation: Excitation,
) -> Ripple {
    let often = times_per_step(excitation, microsteps_per_step);
    let omega = TAU * velocity * often;
    let force = match excitation {
        Excitation::Detent => Vector4::new(0.0, data.detent_torque_n_m / data.inertia_kg_m2(load), 0.0, 0.0),
        // An angle of the field acts as the rotor's angle behind it does.
        Excitation::Edges { .. } => matrix.column(0) * (0.5 / often),
    };
    let matrix = matrix.map(|entry| Complex::new(entry, 0.0));
    let swinging = Matrix4::from_diagonal_element(Complex::new(0.0, omega)) - matrix;
    let motion = swinging.lu().solve(&force.map(|entry| Complex::new(entry, 0.0)));
    let rms_rad_per_s = motion.map_or(f64::INFINITY, |motion| motion[1].norm() / core::f64::consts::SQRT_2);
    let velocity_rms = rms_rad_per_s * data.teeth() / core::f64::consts::FRAC_PI_2;
    Ripple { velocity_rms, steps_rms: velocity_rms / omega }
}

/// Speeds up to `top_velocity` that a motor should not stay at, slowest first and unstable bands last, for a drive that applies
/// `volts_at` (peak per phase, over full steps/s) in so many microsteps a full step. A resonance that moves the rotor by less
/// than a fiftieth of a step, or its speed by less than a twentieth (root mean square), is none.
#[must_use]
pub fn velocities_to_avoid(
    data: &MotorData,
    load: &Load,
    temperature_c: f64,
    volts_at: impl Fn(f64) -> f64,
    top_velocity: f64,
    microsteps_per_step: u16,
) -> Vec<VelocityToAvoid> {
    const LEAST_STEPS: f64 = 0.02;
    const LEAST_SHARE: f64 = 0.05;
    // Of full steps the first harmonic comes with the detent, and is the stronger of both.
    let detent = [Excitation::Detent].into_iter().filter(|_| microsteps_per_step > 1);
    let edges = (1..=HARMONICS).map(|harmonic| Excitation::Edges { harmonic });
    let mut found = Vec::new();
    for excitation in detent.chain(edges) {
        let often = times_per_step(excitation, microsteps_per_step);
        for (velocity, mode) in meetings(data, load, temperature_c, &volts_at, top_velocity, often) {
            let Some(matrix) = linearised(data, load, temperature_c, volts_at(velocity), velocity) else { continue };
            let ripple = forced(&matrix, data, load, velocity, microsteps_per_step, excitation);
            if ripple.steps_rms < LEAST_STEPS || ripple.velocity_rms < LEAST_SHARE * velocity {
                continue;
            }
            // Half the power of a resonance is this far from its middle (textbook, light damping).
            let half = mode.growth_per_s.abs() / TAU / often;
            let (from_velocity, to_velocity) = ((velocity - half).max(0.0), velocity + half);
            found.push((velocity, VelocityToAvoid::Resonance { from_velocity, to_velocity, mode, excitation, ripple }));
        }
    }
    found.sort_by(|a, b| a.0.total_cmp(&b.0));
    let bands = unstable_bands(data, load, temperature_c, volts_at, top_velocity);
    found.into_iter().map(|(_, resonance)| resonance).chain(bands.into_iter().map(VelocityToAvoid::Unstable)).collect()
}

/// The speeds at which something that comes `often` in a full step comes as often as the rotor swings.
fn meetings(
    data: &MotorData,
    load: &Load,
    temperature_c: f64,
    volts_at: &impl Fn(f64) -> f64,
    top_velocity: f64,
    often: f64,
) -> Vec<(f64, Mode)> {
    const LOOKS: u32 = 400;
    let mode = |velocity: f64| oscillation(data, load, temperature_c, volts_at(velocity), velocity);
    // Positive below the resonance: the rotor swings more often.
    let ahead = |velocity: f64| mode(velocity).map_or(0.0, |mode| mode.frequency_hz - often * velocity);
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
        found.extend(mode(above).map(|mode| (above, mode)));
    }
    found
}

#[cfg(test)]
mod tests;
