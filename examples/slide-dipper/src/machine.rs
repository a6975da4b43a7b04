//! What the machine is like: axes, scales, limits, settings. Constants, checked when they are compiled.

use core::time::Duration;

use stepchain::homing::{AxisHoming, HomingVelocities, Method, SearchLimits};
use stepchain::map::Parameter;
use stepchain::mechanism::{Lead, Length, Mechanism, Metre, Ratio, Scale};
use stepchain::plan::Ramp;
use stepchain::settings::{Setting, Settings};
use stepchain::units::{Acceleration, Distance, MicrostepResolution, Value, Velocity};

/// The device of the carriage.
pub const CARRIAGE: usize = 0;
/// The device of the lift.
pub const LIFT: usize = 1;
/// Devices of the chain.
pub const DEVICES: usize = 2;

/// Microsteps in a full step, of both.
pub const RESOLUTION: MicrostepResolution = MicrostepResolution::from_microsteps_per_step(32);

/// How far each axis may go from its zero.
pub const TRAVEL: [Length; DEVICES] = [Length::from_millimetres(400), Length::from_millimetres(60)];

/// Millimetres to microsteps, by device.
pub const SCALES: [Scale<Metre>; DEVICES] = [scale(40_000), scale(8_000)];

/// What each axis can do.
pub const LIMITS: [Ramp; DEVICES] = [
    Ramp {
        velocity: Velocity::steps_per_s::<600>(),
        acceleration: Acceleration::steps_per_s2::<1_000>(),
        deceleration: Acceleration::steps_per_s2::<1_000>(),
        start_stop_velocity: Velocity::ZERO,
        resolution: RESOLUTION,
    },
    Ramp {
        velocity: Velocity::steps_per_s::<800>(),
        acceleration: Acceleration::steps_per_s2::<3_000>(),
        deceleration: Acceleration::steps_per_s2::<3_000>(),
        start_stop_velocity: Velocity::ZERO,
        resolution: RESOLUTION,
    },
];

/// What both devices are set to. Each line that is gone sets the ramps anew.
pub const SETTINGS: Settings<5> = Settings::new([
    Setting::new(Parameter::MicrostepResolution, Value::MicrostepResolution(RESOLUTION)),
    Setting::new(Parameter::ProfileVelocity, Value::Velocity(Velocity::steps_per_s::<400>())),
    Setting::new(Parameter::ProfileAcceleration, Value::Acceleration(Acceleration::steps_per_s2::<1_000>())),
    Setting::new(Parameter::ProfileDeceleration, Value::Acceleration(Acceleration::steps_per_s2::<1_000>())),
    Setting::new(Parameter::QuickStopDeceleration, Value::Acceleration(Acceleration::steps_per_s2::<8_000>())),
]);

/// The lift's switch is pressed at the top.
pub const LIFT_HOMING: AxisHoming = homing(70 * 25, Duration::from_secs(10)).device(LIFT);
/// The carriage's switch is pressed at the loading place.
pub const CARRIAGE_HOMING: AxisHoming = homing(420 * 5, Duration::from_secs(20)).device(CARRIAGE);

/// How much longer a line may take than was planned before the machine gives up waiting for it.
pub const GRACE: Duration = Duration::from_millis(50);

const fn homing(steps: i32, time: Duration) -> AxisHoming {
    let speeds = HomingVelocities {
        search_for_switch: Velocity::steps_per_s::<300>(),
        search_for_zero: Velocity::steps_per_s::<20>(),
    };
    let microsteps = steps * RESOLUTION.to_microsteps_per_step() as i32;
    let limits = SearchLimits { travel: Distance::from_microsteps(microsteps), time };
    AxisHoming::new(Method::NegativeLimitSwitch, speeds, limits)
}

/// Motors of 200 steps without a gear.
#[allow(clippy::panic, reason = "a panic in a constant is a compile error, which is what this is for")]
const fn scale(micrometres_a_turn: u32) -> Scale<Metre> {
    let (Some(mechanism), Some(ratio)) = (Mechanism::new(200, RESOLUTION), Ratio::whole(micrometres_a_turn)) else {
        panic!("neither steps nor lead are zero");
    };
    match mechanism.millimetres(Lead::from_micrometres(ratio)) {
        Some(scale) => scale,
        None => panic!("the lead is too small"),
    }
}
