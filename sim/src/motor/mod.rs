//! A stepping motor behind a bridge: windings, rotor, load and heat, in virtual time; and what can be said without it.
//!
//! ```text
//!   commanded angle, amplitude, bridge   drive    (what the chip tells the bridge; setting: how strong)
//!      v
//!   voltages                             bridge   (supply, saturation, free-wheeling, regulated current)
//!      v
//!   currents, torque, rotor              series, scheme
//!      v
//!   copper loss, temperature             heat     (and back: resistance; duty: over a cycle that repeats)
//!
//!   closed forms                         steady, pull_out, resonance, limits
//!   the same by simulation               pull_out, trial
//! ```
//!
//! Signs and units: SI; voltages and currents are *peak* per phase; a full step is 90° electrical. The field at commanded
//! angle φ pulls the rotor to electrical angle θ = φ. Velocities are full steps/s, as everywhere in the program.
//!
//! **What is not modelled.** Saturation of the iron and with it the change of inductance and constant over current and
//! angle, iron losses, the coupling of both windings, magnets that weaken with heat; losses and dead times of the bridge;
//! play and springs between motor and load, the bounce at an end stop. Numbers of a real motor differ accordingly.
//!
//! An axis of the virtual chain turns one by [`attach_motor`](crate::chain::VirtualChain::attach_motor); what its device makes
//! of it stands at [`MotorSetup`](crate::device::MotorSetup).
//!
//! **Scheme.** Power series of adaptive order between switching instants, chosen by measurement: see the table at [`Motor`].

mod bridge;
mod data;
mod drive;
mod duty;
mod file;
mod heat;
mod limits;
mod pull_out;
mod resonance;
mod scheme;
mod series;
mod setting;
mod steady;
mod supply;
#[cfg(test)]
mod tests;
mod trial;

use core::f64::consts::FRAC_PI_2;

pub use bridge::{Decay, Regulation};
pub use data::{
    Load, MotorData, Windings, back_emf_to_holding_torque, electrical_rad_per_s, holding_torque_to_back_emf,
    shaft_rad_per_s,
};
pub use drive::{Applied, Commanded, Microstepping, Turning};
pub use duty::{Duty, Periodic, Phase, largest_share, runaway_current_a};
pub use file::{DutyPhase, MotorFile, SupplyRange, Wanted, Work, load, parse};
pub use heat::{Heat, HeatData, NodeData, copper_loss_w, copper_resistance_ohm};
pub use limits::{greatest_acceleration, greatest_start_velocity};
pub use pull_out::{pull_out_torque_n_m, simulated_pull_out_torque_n_m};
pub use resonance::{
    Excitation, Mode, Ripple, UnstableBand, VelocityToAvoid, natural_frequency_hz, oscillation, ripple, unstable_bands,
    velocities_to_avoid,
};
pub use setting::{Amplitudes, Curve, Segment, Setting, SupplyCompensation, sampling_factor};
pub use steady::{CurrentBand, Steady, current_band, current_lead_rad, steady, voltage_for_current_v};
pub use supply::Supply;
pub use trial::{Measured, Settling, measure, missed_steps, settling, steady_run};

use bridge::Bridge;
use series::{Field, Source, State};

/// A motor in virtual time.
///
/// It starts at instant 0, at rest on electrical angle 0, without current, as warm as the air. Deterministic: the same
/// calls give the same bits on any machine. Data must be as a motor file allows them (resistance, inductance and inertia
/// above zero), and what is commanded must be numbers.
///
/// **Error and speed** of the scheme, measured over a move of the demo motor of 10 s with 1/16 microsteps at 400 steps/s,
/// optimised build on one shared core of a server; errors are the greatest over the move against a tolerance of 10⁻¹⁴:
///
/// | scheme | rotor, full steps | current, A | times real time |
/// | --- | --- | --- | --- |
/// | power series, 10⁻⁶ | 7·10⁻⁸ | 8·10⁻⁷ | 270 |
/// | **power series, 10⁻⁸** | 1·10⁻⁹ | 3·10⁻⁹ | 240 |
/// | power series, 10⁻¹⁰ | 4·10⁻¹² | 8·10⁻¹² | 120 |
/// | Runge–Kutta of order 4, at most 100 µs | 6·10⁻⁷ | 1·10⁻⁶ | 290 |
/// | the same, at most 50 µs | 4·10⁻⁸ | 8·10⁻⁸ | 155 |
/// | the same, at most 10 µs | 8·10⁻¹¹ | 2·10⁻¹⁰ | 22 |
///
/// At 50 steps/s the series run 800 times real time, with 1/64 microsteps at 400 steps/s 60 times: the cost is that of the
/// microstep edges. They find events without further steps and shorten a step without doing it again, which Runge–Kutta
/// cannot. A regulated current costs its switching: about 5 times real time at 40 kHz.
#[derive(Clone, Debug)]
pub struct Motor {
    data: MotorData,
    load: Load,
    supply: Supply,
    regulation: Regulation,
    damper_n_m_s_per_rad: f64,
    rotor_blocked: bool,
    /// Where the rotor can turn no farther down and up.
    end_stops_steps: [f64; 2],
    tolerance: f64,
    scales: [f64; 2],
    now_ns: u64,
    state: State,
    bridge: Bridge,
    /// What the windings were connected to in the last step, and the field at its beginning.
    applied: ([Source; 2], Field),
    heat: Heat,
    /// Copper loss since the temperature was brought up to date, and over how long.
    loss_j: f64,
    loss_s: f64,
    peaks_a: [f64; 2],
    steps_made: u64,
}

/// Share of the natural scales of current and speed below which a term of the series counts as nothing.
const TOLERANCE: f64 = 1e-8;

impl Motor {
    /// A motor with its load on a supply.
    #[must_use]
    pub fn new(data: &MotorData, load: &Load, supply: &Supply) -> Self {
        let current_a = data.rated_peak_current_a();
        // The speed of a swing through the full depth of the holding torque: √(T/(N_r·J)).
        let swing = libm::sqrt(data.back_emf_v_s_per_rad * current_a / (data.teeth() * data.inertia_kg_m2(load)));
        Self {
            data: *data,
            load: *load,
            supply: supply.clone(),
            regulation: Regulation::default(),
            damper_n_m_s_per_rad: 0.0,
            rotor_blocked: false,
            end_stops_steps: [f64::NEG_INFINITY, f64::INFINITY],
            tolerance: TOLERANCE,
            scales: [current_a, swing],
            now_ns: 0,
            state: scheme::at_rest(0.0),
            bridge: Bridge::new(),
            applied: ([Source::Open; 2], Field::NONE),
            heat: Heat::at_ambient(&data.heat),
            loss_j: 0.0,
            loss_s: 0.0,
            peaks_a: [0.0; 2],
            steps_made: 0,
        }
    }

    /// Lets time pass up to `until_ns` while `drive` commands the bridges. An instant that is past changes nothing.
    pub fn advance(&mut self, until_ns: u64, drive: &impl Commanded) {
        while self.now_ns < until_ns {
            let supply = self.supply.line(self.now_ns);
            let (applied, holds_until_ns) = drive.at(self.now_ns, supply.volts);
            let end_ns = until_ns.min(supply.until_ns).min(holds_until_ns.max(self.now_ns + 1));
            self.pass((end_ns - self.now_ns) as f64 * 1e-9, &applied, supply);
            self.now_ns = end_ns;
        }
    }

    /// Instant up to which time has passed, in nanoseconds.
    #[must_use]
    pub const fn now_ns(&self) -> u64 {
        self.now_ns
    }

    /// What the motor is.
    #[must_use]
    pub const fn data(&self) -> &MotorData {
        &self.data
    }

    /// What it turns.
    #[must_use]
    pub const fn load(&self) -> &Load {
        &self.load
    }

    /// Currents of both windings, in amperes.
    #[must_use]
    pub const fn currents_a(&self) -> [f64; 2] {
        self.state.currents_a
    }

    /// Length of the vector of both currents, in amperes: the peak current per phase while the motor turns steadily.
    #[must_use]
    pub fn current_amplitude_a(&self) -> f64 {
        libm::hypot(self.state.currents_a[0], self.state.currents_a[1])
    }

    /// Voltages that turning induces in both windings, in volts, against positive current.
    #[must_use]
    pub fn back_emf_v(&self) -> [f64; 2] {
        let (sin, cos) = libm::sincos(self.state.angle_rad);
        let peak = self.data.back_emf_v_s_per_rad * self.state.speed_rad_per_s;
        [-peak * sin, peak * cos]
    }

    /// Voltages across both windings, in volts, as at the beginning of the scheme's last step; an open winding shows what
    /// is induced in it. A regulated bridge shows its switching here.
    #[must_use]
    pub fn voltages_v(&self) -> [f64; 2] {
        let (sources, field) = &self.applied;
        let (sin, cos) = libm::sincos(field.angle_rad);
        let [induced_a, induced_b] = self.back_emf_v();
        let of = |source: &Source, part: f64, induced: f64| match *source {
            Source::Line(volts, _) => volts,
            Source::Sine => field.volts * part,
            Source::Open => induced,
        };
        [of(&sources[0], cos, induced_a), of(&sources[1], sin, induced_b)]
    }

    /// Torque of both windings on the rotor, K·(i_b cos θ − i_a sin θ), in N·m; without detent, friction and load.
    #[must_use]
    pub fn torque_n_m(&self) -> f64 {
        let (sin, cos) = libm::sincos(self.state.angle_rad);
        self.data.back_emf_v_s_per_rad * (self.state.currents_a[1] * cos - self.state.currents_a[0] * sin)
    }

    /// Where the rotor is, in full steps; not wrapped.
    #[must_use]
    pub fn position_steps(&self) -> f64 {
        self.state.angle_rad / FRAC_PI_2
    }

    /// Speed of the rotor, in full steps/s.
    #[must_use]
    pub fn velocity(&self) -> f64 {
        self.state.speed_rad_per_s * self.data.teeth() / FRAC_PI_2
    }

    /// Temperatures, up to the present instant.
    #[must_use]
    pub fn heat(&self) -> Heat {
        match self.loss_s > 0.0 {
            true => self.heat.after(&self.data.heat, self.loss_j / self.loss_s, self.loss_s),
            false => self.heat,
        }
    }

    /// The windings as warm as they are.
    #[must_use]
    pub fn windings(&self) -> Windings {
        self.data.windings(self.heat().winding_c)
    }

    /// Supply at the present instant, in volts.
    #[must_use]
    pub fn supply_v(&self) -> f64 {
        self.supply.volts(self.now_ns)
    }

    /// Greatest magnitudes of both currents since the last call, in amperes, as met at the ends of the scheme's steps:
    /// at least at every microstep edge and at every switching of the bridge.
    pub fn take_peaks_a(&mut self) -> [f64; 2] {
        core::mem::replace(&mut self.peaks_a, self.state.currents_a.map(f64::abs))
    }

    /// Steps of the scheme so far: a measure of its work.
    #[must_use]
    pub const fn steps_made(&self) -> u64 {
        self.steps_made
    }

    /// Changes the load from now on.
    pub const fn set_load(&mut self, load: &Load) {
        self.load = *load;
    }

    /// Changes the supply from now on.
    pub fn set_supply(&mut self, supply: &Supply) {
        self.supply = supply.clone();
    }

    /// Sets how a bridge regulates the current, for drives whose amplitude is a current.
    pub const fn set_regulation(&mut self, regulation: &Regulation) {
        self.regulation = *regulation;
    }

    /// Adds a torque against deviation of the rotor's speed from the commanded one, in N·m·s/rad. It vanishes in steady
    /// state, and no motor has it: it lets one look at steady states that are unstable without it. 0 takes it away.
    pub const fn set_vanishing_damper(&mut self, damper_n_m_s_per_rad: f64) {
        self.damper_n_m_s_per_rad = damper_n_m_s_per_rad;
    }

    /// Holds the rotor where it is, or lets it go: a blocked rotor.
    pub const fn block_rotor(&mut self, blocked: bool) {
        self.rotor_blocked = blocked;
    }

    /// Puts stops where the rotor can turn no farther down and up, in full steps; infinite where there is none.
    ///
    /// A rotor that runs against one is at rest at once (no bounce), and leaves it as soon as torque and friction let
    /// it. One that is beyond a new stop is put on it.
    pub fn set_end_stops(&mut self, least_steps: f64, greatest_steps: f64) {
        self.end_stops_steps = [least_steps, greatest_steps];
        let position_steps = self.position_steps();
        if !(least_steps..=greatest_steps).contains(&position_steps) {
            self.state.angle_rad = electrical_rad_per_s(position_steps.min(greatest_steps).max(least_steps));
            self.state.speed_rad_per_s = 0.0;
        }
    }

    /// Begins at another instant than 0, as if nothing had been before.
    pub(crate) const fn begin_at(&mut self, now_ns: u64) {
        self.now_ns = now_ns;
    }

    /// Whether the supply stays as it is from now on.
    pub(crate) fn has_steady_supply(&self) -> bool {
        let line = self.supply.line(self.now_ns);
        line.until_ns == u64::MAX && line.volts_per_s == 0.0
    }

    /// Opens windings (`true`) or mends them: a broken wire.
    pub fn break_windings(&mut self, broken: [bool; 2]) {
        self.bridge.break_windings(broken);
        for (current, broken) in self.state.currents_a.iter_mut().zip(broken) {
            if broken {
                *current = 0.0;
            }
        }
    }

    /// Puts the rotor at rest at an electrical angle in full steps, without current.
    pub fn place(&mut self, position_steps: f64) {
        self.state = scheme::at_rest(position_steps);
    }

    /// Gives rotor and windings a motion: position in full steps, velocity in full steps/s, currents in amperes.
    pub fn set_motion(&mut self, position_steps: f64, velocity: f64, currents_a: [f64; 2]) {
        self.state = State {
            currents_a,
            angle_rad: electrical_rad_per_s(position_steps),
            speed_rad_per_s: shaft_rad_per_s(velocity, self.data.teeth()),
        };
    }

    /// Sets the temperatures.
    pub const fn set_heat(&mut self, heat: Heat) {
        self.heat = heat;
        self.loss_j = 0.0;
        self.loss_s = 0.0;
    }

    /// Sets the share of its natural scale below which a term of the series counts as nothing; 10⁻⁸ at first.
    pub const fn set_tolerance(&mut self, tolerance: f64) {
        self.tolerance = tolerance.max(1e-15);
    }
}
