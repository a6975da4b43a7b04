//! Current limits: above what the setting makes in step, below what it makes when the rotor stands while the field turns.
//!
//! Cold windings draw more at the same voltage than those that the setting is for, and every day begins with them: the
//! limits are above the currents of both.
//!
//! A rotor that has stalled induces nothing, so that the current is V/Z; in step the back-EMF stands against it. The two
//! come together at low speed, where no current tells a stall.

use stepchain::map::{Drive, MotionState};

use super::{TURNING, Tuning};
use crate::motor::{Windings, current_band};

/// Limits, and what they can do.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Limits {
    /// In amperes.
    pub(super) stall_a: f64,
    /// In amperes.
    pub(super) overcurrent_a: f64,
    /// The greatest current of a motor in step between no load and the stated one, in amperes.
    pub(super) in_step_a: f64,
    /// Speed above which a stall at constant velocity exceeds the limit, in full steps/s; `None` if none does.
    pub(super) stall_told_above: Option<f64>,
}

const LOOKS: u32 = 200;
/// Over the greatest current in step or in stall: noise, ripple, and what a swinging rotor adds.
const ROOM: f64 = 1.25;
/// Least distance of the stall limit from currents in step.
const LEAST_ROOM: f64 = 1.05;

pub(super) fn limits(tuning: &Tuning) -> Limits {
    let heat = tuning.motor.motor.heat;
    let temperatures_c = [tuning.winding_c, heat.ambient_c.min(tuning.winding_c)];
    let windings = temperatures_c.map(|winding_c| tuning.motor.motor.windings(winding_c));
    let [warm, _] = windings;
    let supply_v = tuning.motor.supply.nominal_v;
    let velocities = || (0..=LOOKS).map(|look| tuning.valid_to_velocity * f64::from(look) / f64::from(LOOKS));
    if tuning.setting.drive == Drive::Current {
        let greatest = MotionState::ALL.iter().map(|&state| tuning.setting.amplitudes.of(state)).fold(0.0, f64::max);
        // What is regulated does not rise in a stall.
        return Limits {
            stall_a: ROOM * greatest,
            overcurrent_a: ROOM * ROOM * greatest,
            in_step_a: greatest,
            stall_told_above: None,
        };
    }
    let volts = |state, velocity| tuning.volts(&tuning.setting, state, velocity, supply_v);
    let stalled_a = |windings: &Windings, state, velocity| volts(state, velocity) / windings.impedance_ohm(velocity);
    let turning = || TURNING.iter().flat_map(|&state| velocities().map(move |velocity| (state, velocity)));
    let everywhere =
        || windings.iter().flat_map(|windings| turning().map(move |(state, velocity)| (windings, state, velocity)));
    let in_step_a = everywhere()
        .filter_map(|(windings, state, velocity)| {
            let torque_n_m = tuning.torque_n_m(state, velocity);
            let loads = (torque_n_m.min(0.0), torque_n_m.max(0.0));
            Some(current_band(windings, volts(state, velocity), loads, velocity)?.greatest_a)
        })
        .fold(0.0, f64::max);
    let worst_stalled_a =
        everywhere().map(|(windings, state, velocity)| stalled_a(windings, state, velocity)).fold(in_step_a, f64::max);
    let at_top_a = stalled_a(&warm, MotionState::ConstantVelocity, tuning.valid_to_velocity);
    let stall_a = (0.5 * (in_step_a + at_top_a)).max(LEAST_ROOM * in_step_a);
    Limits {
        stall_a,
        overcurrent_a: ROOM * worst_stalled_a,
        in_step_a,
        stall_told_above: velocities().find(|&v| stalled_a(&warm, MotionState::ConstantVelocity, v) > stall_a),
    }
}
