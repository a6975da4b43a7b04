//! The rotor of an axis that has a motor, as its device measured it last, beside what the axis is commanded.
//!
//! ```text
//!   count  --[cycle of four full steps]-->  commanded place  --[whole cycles]-->  steps lost
//!   motor  ------------------------------>  measured place   --'
//! ```
//!
//! The rotor rests only where the field holds it, and the field looks the same every four full steps. So a place is
//! commanded but for whole cycles, and what is lost comes in whole cycles; a rotor that turns lags by up to a step and a
//! half without having lost any. Knows no currents.

use super::Axis;
use crate::inject::Winding;
use crate::motor::{Heat, HeatData, NodeData, missed_steps};

/// Full steps in a cycle of the field.
const CYCLE: f64 = 4.0;

/// What the device measured last of a motor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(in crate::device) struct Measured {
    /// Where the rotor is, in full steps from where it was at power-up.
    pub(in crate::device) rotor_steps: f64,
    /// Whether winding A, and whether winding B, tells that the rotor does not follow.
    pub(in crate::device) stalled: [bool; 2],
    /// The output stage.
    pub(in crate::device) stage: StageHeat,
    /// In volts.
    pub(in crate::device) supply_v: f64,
}

/// An output stage that has had a temperature and takes up a constant loss.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(in crate::device) struct StageHeat {
    pub(in crate::device) since_ns: u64,
    /// In degrees Celsius, then.
    pub(in crate::device) stage_c: f64,
    pub(in crate::device) loss_w: f64,
    pub(in crate::device) ambient_c: f64,
    pub(in crate::device) node: NodeData,
}

impl StageHeat {
    /// The temperature at an instant, in degrees Celsius.
    pub(in crate::device) fn at_c(&self, now_ns: u64) -> f64 {
        let data = HeatData { ambient_c: self.ambient_c, winding: self.node, case: None };
        let heat = Heat { winding_c: self.stage_c, case_c: self.ambient_c };
        heat.after(&data, self.loss_w, now_ns.saturating_sub(self.since_ns) as f64 * 1e-9).winding_c
    }
}

/// The rotor of a motor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Rotor {
    pub(super) measured: Measured,
    /// The place of the rotor, a multiple of the cycle, at which the present cycle of counts began.
    origin_steps: f64,
}

impl Axis {
    /// A motor is on the axis from now on. The field pulls its rotor to the nearest place.
    pub(in crate::device) fn couple(&mut self, now_ns: u64, measured: Measured) {
        self.rotor = Some(Rotor { measured, origin_steps: 0.0 });
        self.seek_origin(now_ns, measured.rotor_steps);
        self.notice(now_ns);
    }

    /// The device has measured anew.
    pub(in crate::device) fn measure(&mut self, now_ns: u64, measured: Measured) {
        if let Some(rotor) = &mut self.rotor {
            rotor.measured = measured;
        }
        self.notice(now_ns);
    }

    /// What the device measured last, if the axis has a motor.
    pub(in crate::device) fn measured(&self) -> Option<Measured> {
        self.rotor.map(|rotor| rotor.measured)
    }

    /// Where the rotor of a motor is told to be, in full steps from where it was at power-up.
    pub(in crate::device) fn commanded_steps(&self, now_ns: u64) -> Option<f64> {
        Some(self.rotor?.origin_steps + self.steps_in_cycles(now_ns))
    }

    /// Full steps that a rotor at this place is behind, in whole cycles of four, since the counter was given its number.
    pub(in crate::device) fn missed_at(&self, now_ns: u64, rotor_steps: f64) -> i64 {
        self.commanded_steps(now_ns).map_or(0, |commanded| missed_steps(commanded, rotor_steps))
    }

    /// The same for the rotor as it was measured last.
    pub(in crate::device) fn missed(&self, now_ns: u64) -> i64 {
        self.measured().map_or(0, |measured| self.missed_at(now_ns, measured.rotor_steps))
    }

    /// Whether a winding of a motor tells that its rotor does not follow.
    pub(super) fn tells_stall(&self, winding: Winding) -> bool {
        let [a, b] = self.measured().map_or([false; 2], |measured| measured.stalled);
        match winding {
            Winding::A => a,
            Winding::B => b,
        }
    }

    /// What has been lost is forgotten: the counter gets another number.
    pub(super) fn forget_missed(&mut self, now_ns: u64) {
        let missed = self.missed(now_ns) as f64;
        if let Some(rotor) = &mut self.rotor {
            rotor.origin_steps -= missed;
        }
    }

    /// The field stands anew; the place that it has in its cycle belongs to the one nearest to `near_steps`.
    pub(super) fn seek_origin(&mut self, now_ns: u64, near_steps: f64) {
        let behind = near_steps - self.steps_in_cycles(now_ns);
        if let Some(rotor) = &mut self.rotor {
            rotor.origin_steps = CYCLE * (behind / CYCLE).round();
        }
    }

    /// Full steps since the count at which a cycle began.
    fn steps_in_cycles(&self, now_ns: u64) -> f64 {
        self.position(now_ns).wrapping_sub(self.cycle_origin) as f64 / f64::from(self.microsteps_per_step)
    }
}
