//! One motor in time: turned by its axis, and looked at by its device at instants of a fixed grid.
//!
//! What is seen at an instant does not depend on who looks when: the motor is brought only to instants of the grid and to
//! those at which something is done to it. While nothing turns and no current changes, the grid is coarse and all that
//! goes on is heat; when no flag can come of that any more, there is nothing to look at until something is done.

use stepchain::map::{BridgeState, Drive, Flag};

use super::MotorSetup;
use super::drive::AxisDrive;
use super::record::{MotorSample, Record};
use super::setup::{HYSTERESIS_K, OutputStage};
use crate::device::Axis;
use crate::device::axis::{Measured, StageHeat};
use crate::motor::{Heat, HeatData, Motor, Setting};

/// How often a device looks at a motor, in nanoseconds.
pub const LOOK_NS: u64 = 100_000;
/// The same at rest.
const LOOK_AT_REST_NS: u64 = 10_000_000;
/// For how long a stall that is seen is told at most, in nanoseconds.
const STALL_HELD_NS: f64 = 1e7;
/// So many looks without change make rest.
const STILL_LOOKS: u32 = 50;
/// Less than this in full steps/s, and in full steps from one look to the next, is standstill.
const STILL: [f64; 2] = [0.01, 1e-6];
/// Less than this share from one look to the next is no change of a current; a regulated one has a ripple.
const STEADY_SHARE: f64 = 2e-3;
/// How much more current than now there may be once the windings are cold.
const COLD_SHARE: f64 = 1.4;

/// Flags that are conditions of the device, as it finds them at its motor.
pub(super) const CONDITIONS: [Flag; 4] =
    [Flag::Overcurrent, Flag::Undervoltage, Flag::OvertemperatureWarning, Flag::Overtemperature];

/// What the registers say.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Written {
    pub(super) setting: Setting,
    /// In amperes.
    pub(super) overcurrent_a: Option<f64>,
    /// In amperes.
    pub(super) stall_a: Option<f64>,
}

/// What a look has shown.
#[derive(Clone, Copy, Debug)]
pub(super) struct Looked {
    pub(super) measured: Measured,
    /// In the order of [`CONDITIONS`].
    pub(super) holds: [bool; 4],
    pub(super) synchronism: Option<Synchronism>,
}

/// What a look has shown of steps that are lost.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Synchronism {
    /// The rotor has fallen out of step.
    Lost,
    /// It is at rest again, and so many full steps have been lost, in whole cycles.
    StepsLost(i64),
}

/// A motor on an axis.
#[derive(Clone, Debug)]
pub(super) struct Attached {
    pub(super) motor: Motor,
    stage: OutputStage,
    stage_c: f64,
    undervoltage_v: f64,
    holds: [bool; 4],
    /// Up to when each winding tells a stall.
    stalled_until_ns: [u64; 2],
    /// Place and current of the last look, and how many in a row were alike.
    last: (f64, f64),
    still_looks: u32,
    /// Up to when the temperature of the stage is known.
    warmed_ns: u64,
    /// When to look next; `None` while nothing can come of it.
    next_ns: Option<u64>,
    is_out_of_step: bool,
    /// Lost steps as told last.
    told: i64,
    record: Option<Record>,
}

impl Attached {
    /// A motor with its rotor at a place, looked at from `now_ns` on.
    pub(super) fn new(setup: &MotorSetup, rotor_steps: f64, [least, greatest]: [f64; 2], now_ns: u64) -> Self {
        let mut motor = Motor::new(&setup.motor, &setup.load, &setup.supply);
        motor.begin_at(now_ns);
        motor.set_heat(setup.heat);
        motor.set_regulation(&setup.regulation);
        motor.place(rotor_steps);
        motor.set_end_stops(least, greatest);
        Self {
            motor,
            stage: setup.stage,
            stage_c: setup.stage.ambient_c,
            undervoltage_v: setup.undervoltage_v,
            holds: [false; 4],
            stalled_until_ns: [0; 2],
            last: (rotor_steps, 0.0),
            still_looks: 0,
            warmed_ns: now_ns,
            next_ns: Some(grid_after(now_ns, LOOK_NS)),
            is_out_of_step: false,
            told: 0,
            record: None,
        }
    }

    pub(super) const fn next_ns(&self) -> Option<u64> {
        self.next_ns
    }

    /// What a device would measure now.
    pub(super) fn measured(&self) -> Measured {
        Measured {
            rotor_steps: self.motor.position_steps(),
            stalled: [false; 2],
            stage: self.stage_heat_now(),
            supply_v: self.motor.supply_v(),
        }
    }

    /// Brings the motor to an instant.
    pub(super) fn turn(&mut self, axis: &Axis, written: &Written, now_ns: u64) {
        let is_at_rest = self.is_at_rest();
        turn(&mut self.motor, is_at_rest, axis, written, now_ns);
    }

    /// The motor as it is at a later instant.
    pub(super) fn motor_at(&self, axis: &Axis, written: &Written, now_ns: u64) -> Motor {
        let mut motor = self.motor.clone();
        turn(&mut motor, self.is_at_rest(), axis, written, now_ns);
        motor
    }

    /// Something is done to the motor, or to what drives it.
    pub(super) fn rouse(&mut self, axis: &Axis, now_ns: u64) {
        self.warm_stage(now_ns);
        // What is drawn as a line stays level up to here.
        if self.is_at_rest()
            && let Some(record) = &mut self.record
        {
            record.note(&self.motor, axis.commanded_steps(now_ns).unwrap_or(0.0), self.stage_c, true);
        }
        self.still_looks = 0;
        self.next_ns = Some(grid_after(now_ns, LOOK_NS));
    }

    /// Keeps a sample as often as this from now on.
    pub(super) fn set_record(&mut self, every_ns: u64) {
        self.record = Some(Record::new(every_ns));
    }

    /// What has been kept, and the motor as it is at a later instant.
    pub(super) fn samples(&self, axis: &Axis, written: &Written, now_ns: u64) -> Vec<MotorSample> {
        let stage_c = self.stage_heat_now().at_c(now_ns);
        let commanded_steps = axis.commanded_steps(now_ns).unwrap_or(0.0);
        let last = || self.motor_at(axis, written, now_ns);
        self.record.as_ref().map_or(Vec::new(), |record| record.samples(&last(), commanded_steps, stage_c))
    }

    /// Whether nothing turns and no current changes.
    pub(super) const fn is_at_rest(&self) -> bool {
        self.still_looks >= STILL_LOOKS
    }

    /// Looks at the motor, which is at this instant.
    pub(super) fn look(&mut self, axis: &Axis, written: &Written, now_ns: u64) -> Looked {
        let peaks_a = self.motor.take_peaks_a();
        self.warm_stage(now_ns);
        if let Some(record) = &mut self.record {
            record.note(&self.motor, axis.commanded_steps(now_ns).unwrap_or(0.0), self.stage_c, false);
        }
        let rotor_steps = self.motor.position_steps();
        let measured = Measured { stalled: self.stalls(axis, written, peaks_a, now_ns), ..self.measured() };
        let [_, _, warned, hot] = self.holds;
        let above = |limit_c: f64, held: bool| self.stage_c > if held { limit_c - HYSTERESIS_K } else { limit_c };
        self.holds = [
            written.overcurrent_a.is_some_and(|limit_a| peaks_a.iter().any(|peak_a| *peak_a > limit_a)),
            measured.supply_v < self.undervoltage_v,
            above(self.stage.warning_c, warned),
            above(self.stage.shut_off_c, hot),
        ];
        self.keep_rest(axis, rotor_steps, now_ns);
        let synchronism = self.synchronism(axis, rotor_steps, now_ns);
        Looked { measured, holds: self.holds, synchronism }
    }

    /// Whether each winding tells a stall: its current exceeds the limit of the register. It does so near its peaks alone,
    /// so what is seen holds for a cycle of four full steps, but no longer than [`STALL_HELD_NS`].
    fn stalls(&mut self, axis: &Axis, written: &Written, peaks_a: [f64; 2], now_ns: u64) -> [bool; 2] {
        let speed = axis.velocity_steps_per_s(now_ns).abs();
        if !axis.is_moving(now_ns) {
            self.stalled_until_ns = [0; 2];
            return [false; 2];
        }
        let limit_a = written.stall_a.unwrap_or(f64::INFINITY);
        let cycle_ns = (4e9 / speed).min(STALL_HELD_NS);
        for (until_ns, peak_a) in self.stalled_until_ns.iter_mut().zip(peaks_a) {
            if peak_a > limit_a {
                *until_ns = now_ns.saturating_add(cycle_ns as u64);
            }
        }
        self.stalled_until_ns.map(|until_ns| until_ns > now_ns)
    }

    fn stage_heat(&self) -> HeatData {
        HeatData { ambient_c: self.stage.ambient_c, winding: self.stage.node, case: None }
    }

    fn stage_loss_w(&self) -> f64 {
        let current_a = self.motor.current_amplitude_a();
        current_a * current_a * self.stage.resistance_ohm
    }

    /// The loss of this instant, for all of the time since the last one.
    fn warm_stage(&mut self, now_ns: u64) {
        self.stage_c = self.stage_heat_now().at_c(now_ns);
        self.warmed_ns = now_ns;
    }

    fn stage_heat_now(&self) -> StageHeat {
        StageHeat {
            since_ns: self.warmed_ns,
            stage_c: self.stage_c,
            loss_w: self.stage_loss_w(),
            ambient_c: self.stage.ambient_c,
            node: self.stage.node,
        }
    }

    fn keep_rest(&mut self, axis: &Axis, rotor_steps: f64, now_ns: u64) {
        let current_a = self.motor.current_amplitude_a();
        let (last_steps, last_a) = std::mem::replace(&mut self.last, (rotor_steps, current_a));
        let [still_speed, still_steps] = STILL;
        let stands = self.motor.velocity().abs() < still_speed && (rotor_steps - last_steps).abs() < still_steps;
        let is_steady = (current_a - last_a).abs() <= STEADY_SHARE * current_a.max(last_a);
        let is_left_alone = !axis.is_moving(now_ns)
            && axis.bridge_changes_at().is_none_or(|at_ns| at_ns <= now_ns)
            && self.motor.has_steady_supply();
        let is_still = stands && is_steady && is_left_alone;
        self.still_looks = if is_still { self.still_looks.saturating_add(1) } else { 0 };
        self.next_ns = match () {
            () if !self.is_at_rest() => Some(grid_after(now_ns, LOOK_NS)),
            () if self.can_sleep() => None,
            () => Some(grid_after(now_ns, LOOK_AT_REST_NS)),
        };
    }

    /// Whether no temperature will pass a limit as long as nothing is done.
    fn can_sleep(&self) -> bool {
        let [_, _, warned, hot] = self.holds;
        let heat = self.stage_heat();
        let ends = [1.0, COLD_SHARE * COLD_SHARE]
            .map(|share| Heat::steady(&heat, share * self.stage_loss_w()).winding_c)
            .into_iter()
            .chain([self.stage_c]);
        let [least_c, greatest_c] =
            ends.fold([f64::INFINITY, f64::NEG_INFINITY], |[low, high], end_c| [low.min(end_c), high.max(end_c)]);
        let stays = |limit_c: f64, held: bool| {
            if held { least_c > limit_c - HYSTERESIS_K } else { greatest_c <= limit_c }
        };
        let settled_c = Heat::steady(&heat, self.stage_loss_w()).winding_c;
        let winding = self.motor.data().heat;
        let power_w = self.stage_loss_w() / self.stage.resistance_ohm * self.motor.windings().resistance_ohm;
        let is_settled = (self.stage_c - settled_c).abs() < 0.01
            && (self.motor.heat().winding_c - Heat::steady(&winding, power_w).winding_c).abs() < 0.1;
        is_settled || stays(self.stage.warning_c, warned) && stays(self.stage.shut_off_c, hot)
    }

    fn synchronism(&mut self, axis: &Axis, rotor_steps: f64, now_ns: u64) -> Option<Synchronism> {
        let missed = axis.missed_at(now_ns, rotor_steps);
        if missed == 0 {
            (self.told, self.is_out_of_step) = (0, false);
            return None;
        }
        let is_news = missed != self.told;
        if self.is_at_rest() {
            (self.told, self.is_out_of_step) = (missed, false);
            return is_news.then_some(Synchronism::StepsLost(missed));
        }
        (is_news && !std::mem::replace(&mut self.is_out_of_step, is_news)).then_some(Synchronism::Lost)
    }
}

/// Brings a motor to an instant; one that is at rest takes up heat and nothing else.
fn turn(motor: &mut Motor, is_at_rest: bool, axis: &Axis, written: &Written, now_ns: u64) {
    if is_at_rest {
        let is_voltage = written.setting.drive == Drive::Voltage && axis.bridge(now_ns) == BridgeState::Driven;
        motor.rest(now_ns, is_voltage);
    } else {
        motor.advance(now_ns, &AxisDrive { axis, setting: &written.setting });
    }
}

/// The first instant of a grid after another.
const fn grid_after(now_ns: u64, grid_ns: u64) -> u64 {
    (now_ns / grid_ns + 1).saturating_mul(grid_ns)
}
