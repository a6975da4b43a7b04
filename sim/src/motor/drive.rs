//! What the chip commands the bridges to do, as a function of time.
//!
//! The motor asks a [`Commanded`] what holds now and until when, integrates up to there, and asks again. Microstepping
//! holds the angle between two edges; an ideal drive turns it smoothly. Knows no windings.

use stepchain::map::{BridgeState, Drive, MotionState};

use super::setting::Setting;
use crate::motion::Engine;

/// What the bridges are told, from one instant on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Applied {
    /// Commanded electrical angle, in full steps (90° each); not wrapped.
    pub angle_steps: f64,
    /// Commanded velocity, in full steps/s.
    pub velocity: f64,
    /// Its rate of change, in full steps/s².
    pub acceleration: f64,
    /// Whether the angle itself turns smoothly with the velocity; otherwise it is held.
    pub smooth: bool,
    /// Peak amplitude: a share of the supply, or amperes; see `drive`.
    pub amplitude: f64,
    /// What the amplitude means.
    pub drive: Drive,
    /// What the output stage does.
    pub bridge: BridgeState,
}

impl Applied {
    /// Windings connected to nothing.
    pub const RELEASED: Self = Self {
        angle_steps: 0.0,
        velocity: 0.0,
        acceleration: 0.0,
        smooth: false,
        amplitude: 0.0,
        drive: Drive::Voltage,
        bridge: BridgeState::HighImpedance,
    };

    /// A sine voltage of this share of the supply that stands at an angle in full steps.
    #[must_use]
    pub const fn held(angle_steps: f64, share: f64) -> Self {
        Self { angle_steps, amplitude: share, bridge: BridgeState::Driven, ..Self::RELEASED }
    }
}

/// Whatever commands the bridges over time.
pub trait Commanded {
    /// What holds at `now_ns`, given the supply in volts as the chip measures it now, and the instant after `now_ns` up to
    /// which it does.
    fn at(&self, now_ns: u64, supply_v: f64) -> (Applied, u64);
}

impl Commanded for Applied {
    fn at(&self, _: u64, _: f64) -> (Applied, u64) {
        (*self, u64::MAX)
    }
}

/// The sine microstepping of a chip: the angle steps with the counter of the motion engine.
#[derive(Clone, Copy, Debug)]
pub struct Microstepping<'a> {
    /// Where the motor is commanded to be; its counts are microsteps, and count 0 is electrical angle 0.
    pub engine: &'a Engine,
    /// Microsteps in a full step.
    pub microsteps_per_step: u16,
    /// What makes the amplitude.
    pub setting: &'a Setting,
    /// What the output stage does.
    pub bridge: BridgeState,
}

/// How often a chip looks at its supply and at its velocity while no microstep comes, in nanoseconds.
const REFRESH_NS: u64 = 1_000_000;

impl Commanded for Microstepping<'_> {
    fn at(&self, now_ns: u64, supply_v: f64) -> (Applied, u64) {
        let microsteps = f64::from(self.microsteps_per_step.max(1));
        let velocity = self.engine.velocity(now_ns) / microsteps;
        let state = self.engine.phase(now_ns);
        let applied = Applied {
            angle_steps: self.engine.position(now_ns) as f64 / microsteps,
            velocity,
            acceleration: 0.0,
            smooth: false,
            amplitude: self.setting.amplitude(state, velocity, supply_v),
            drive: self.setting.drive,
            bridge: self.bridge,
        };
        let refresh_ns = now_ns.saturating_add(REFRESH_NS);
        let edge = self.engine.steps(now_ns, refresh_ns).next().map(|step| step.at_ns());
        let phase = self.engine.next_phase_change_after(now_ns);
        (applied, [edge, phase].into_iter().flatten().fold(refresh_ns, u64::min).max(now_ns.saturating_add(1)))
    }
}

/// An ideal drive at constant velocity: the angle turns smoothly, without microsteps.
#[derive(Clone, Debug)]
pub struct Turning<'a> {
    /// Instant at which the angle is `angle_steps`, in nanoseconds.
    pub since_ns: u64,
    /// Electrical angle at that instant, in full steps.
    pub angle_steps: f64,
    /// In full steps/s.
    pub velocity: f64,
    /// What makes the amplitude; the motor counts as moving at constant velocity.
    pub setting: &'a Setting,
}

impl Commanded for Turning<'_> {
    fn at(&self, now_ns: u64, supply_v: f64) -> (Applied, u64) {
        let elapsed_s = (now_ns as f64 - self.since_ns as f64) * 1e-9;
        let applied = Applied {
            angle_steps: self.angle_steps + self.velocity * elapsed_s,
            velocity: self.velocity,
            acceleration: 0.0,
            smooth: true,
            amplitude: self.setting.amplitude(MotionState::ConstantVelocity, self.velocity, supply_v),
            drive: self.setting.drive,
            bridge: BridgeState::Driven,
        };
        (applied, now_ns.saturating_add(REFRESH_NS))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::motion::Limits;
    use crate::motor::setting::Amplitudes;

    /// By hand: at 1000 microsteps/s without ramp the first edge comes after a millisecond, at 1/4 step.
    #[test]
    fn microstepping_holds_the_angle_up_to_the_next_edge() {
        let limits = Limits {
            velocity: 1000.0,
            acceleration: 1e6,
            deceleration: 1e6,
            quick_deceleration: 1e6,
            start_stop_velocity: 1000.0,
        };
        let mut engine = Engine::new();
        engine.move_velocity(0, 1000.0, &limits).unwrap();
        let setting = Setting::uncompensated(Amplitudes::all(0.5));
        let drive =
            Microstepping { engine: &engine, microsteps_per_step: 4, setting: &setting, bridge: BridgeState::Driven };
        let (first, until_ns) = drive.at(0, 24.0);
        assert_eq!((first.angle_steps, first.velocity, until_ns), (0.0, 250.0, 1_000_000));
        let (second, until_ns) = drive.at(until_ns, 24.0);
        assert_eq!((second.angle_steps, second.smooth, until_ns), (0.25, false, 2_000_000));
        assert_eq!(second.amplitude, 0.5);
    }

    #[test]
    fn an_ideal_drive_turns_with_time() {
        let setting = Setting::uncompensated(Amplitudes::all(0.5));
        let drive = Turning { since_ns: 1_000_000_000, angle_steps: 3.0, velocity: 100.0, setting: &setting };
        assert_eq!(drive.at(1_500_000_000, 24.0).0.angle_steps, 53.0);
        assert!(drive.at(0, 24.0).0.smooth);
    }
}
