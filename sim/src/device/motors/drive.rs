//! What a device does to the windings of an axis: the field of its counter, the amplitude of its registers, its bridge.

use core::f64::consts::SQRT_2;

use stepchain::map::{BridgeState, CurveSegment, Drive, MotionState, Parameter};

use crate::device::Axis;
use crate::motor::{Amplitudes, Applied, Commanded, Curve, Segment, Setting, SupplyCompensation};

/// Most segments of a back-EMF curve.
const SEGMENTS: u8 = 8;
/// How often a device looks at its supply and at its velocity while no microstep comes, in nanoseconds.
const REFRESH_NS: u64 = 1_000_000;

/// The amplitude as the registers have it; `read` gives what a parameter holds, if the map has it.
///
/// A motion state without an amplitude of its own has that of constant velocity, and one without a curve of its own has
/// the curve for all. A compensation that the map does not have is 1.
pub(super) fn setting(drive: Drive, read: impl Fn(Parameter) -> Option<f64>) -> Setting {
    let common = read(Parameter::ConstantVelocityAmplitude).unwrap_or(0.0);
    let amplitude = |parameter| read(parameter).unwrap_or(common);
    let curve = |segment: &dyn Fn(u8) -> CurveSegment| {
        let segments: Vec<_> = (0..SEGMENTS)
            .map_while(|index| {
                let slope = read(Parameter::BackEmfSlope(segment(index)))?;
                Some(Segment { from_velocity: read(Parameter::BackEmfFrom(segment(index))).unwrap_or(0.0), slope })
            })
            .collect();
        segments
    };
    let of_all = curve(&CurveSegment::new);
    let curve_of = |state: MotionState| {
        let own = curve(&|index| CurveSegment::of(state, index));
        Curve::new(if own.is_empty() { &of_all } else { &own })
    };
    let factor = |parameter| if drive == Drive::Voltage { read(parameter).unwrap_or(1.0) } else { 1.0 };
    Setting {
        drive,
        amplitudes: Amplitudes {
            standstill: amplitude(Parameter::StandstillAmplitude),
            constant_velocity: common,
            accelerating: amplitude(Parameter::AcceleratingAmplitude),
            decelerating: amplitude(Parameter::DeceleratingAmplitude),
        },
        curves: MotionState::ALL.map(curve_of),
        supply_compensation: SupplyCompensation::Factor(factor(Parameter::SupplyCompensation)),
        resistance_compensation: factor(Parameter::ResistanceCompensation),
        amplitude_levels: None,
        full_amplitude: if drive == Drive::Voltage { 1.0 } else { f64::MAX },
    }
}

/// An axis as its motor sees it.
#[derive(Clone, Copy, Debug)]
pub(super) struct AxisDrive<'a> {
    pub(super) axis: &'a Axis,
    pub(super) setting: &'a Setting,
}

impl Commanded for AxisDrive<'_> {
    fn at(&self, now_ns: u64, supply_v: f64) -> (Applied, u64) {
        let (engine, field) = (self.axis.engine(), self.axis.field());
        let microsteps_per_step = f64::from(field.microsteps_per_step);
        let velocity = self.axis.velocity_steps_per_s(now_ns);
        let amplitude = self.setting.amplitude(engine.phase(now_ns), velocity, supply_v);
        // In full steps both windings have the whole amplitude, half a step apart from where one of them has it alone.
        let full_steps = field.microsteps_per_step > 1 && field.makes_full_steps(engine, now_ns);
        let applied = Applied {
            angle_steps: f64::from(field.angle(engine, now_ns)) / microsteps_per_step,
            velocity,
            acceleration: 0.0,
            smooth: false,
            amplitude: if full_steps { SQRT_2 * amplitude } else { amplitude },
            drive: self.setting.drive,
            bridge: self.axis.bridge(now_ns),
        };
        let refresh_ns = now_ns.saturating_add(REFRESH_NS);
        let released = applied.bridge == BridgeState::HighImpedance && !engine.is_moving(now_ns);
        let edge = (!released).then(|| field.steps(engine, now_ns, refresh_ns).next()).flatten();
        let others = [engine.next_phase_change_after(now_ns), self.axis.bridge_changes_at()];
        let later = others.into_iter().flatten().filter(|&at_ns| at_ns > now_ns);
        (applied, later.chain(edge.map(|step| step.at_ns)).fold(refresh_ns, u64::min).max(now_ns.saturating_add(1)))
    }
}
