//! What the machine is like: axes, limits, settings, and which vials there are. Constants.

use core::time::Duration;

use stepchain::homing::{AxisHoming, HomingVelocities, Method, SearchLimits};
use stepchain::map::Parameter;
use stepchain::plan::Ramp;
use stepchain::settings::{Setting, Settings};
use stepchain::track::UnwrappedPosition;
use stepchain::units::{Acceleration, Distance, MicrostepResolution, Value, Velocity};

/// Devices of the chain.
pub const DEVICES: usize = 3;

/// Microsteps in a full step, of all.
pub const RESOLUTION: MicrostepResolution = MicrostepResolution::from_microsteps_per_step(32);
const MICROSTEPS: i32 = 32;

/// A place of the needle's tip, by device, in full steps from each axis' home position.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Spot(pub [i32; DEVICES]);

impl Spot {
    /// The same in microsteps, as the driver counts.
    #[must_use]
    pub fn positions(self) -> [UnwrappedPosition; DEVICES] {
        self.0.map(|steps| UnwrappedPosition::from_microsteps(i64::from(steps) * i64::from(MICROSTEPS)))
    }

    /// Above it, with the needle up.
    #[must_use]
    pub const fn above(self) -> Self {
        let Self([gantry, carriage, _]) = self;
        Self([gantry, carriage, 0])
    }
}

/// Where the needle rests between two trays.
pub const PARK: Spot = Spot([20, 10, 0]);

/// The vials of a tray, in the order in which the needle visits them.
pub const TRAY: [Spot; 3] = [Spot([400, 150, 240]), Spot([700, 150, 240]), Spot([700, 420, 180])];

/// How often the machine looks at its lines and at axes that are being homed.
pub const PERIOD: Duration = Duration::from_millis(5);

/// How long the needle stays in a vial.
pub const DIP: Duration = Duration::from_millis(200);

/// How long a device that was too hot may cool before it is tried again.
pub const COOLING: Duration = Duration::from_secs(3);

/// How much longer a line may take than was planned before the machine gives up waiting for it.
pub const GRACE: Duration = Duration::from_millis(50);

/// What each axis can do.
pub const LIMITS: [Ramp; DEVICES] = [ramp::<600, 1_500>(), ramp::<500, 2_000>(), ramp::<800, 4_000>()];

const fn ramp<const VELOCITY: i32, const SLOPE: i32>() -> Ramp {
    Ramp {
        velocity: Velocity::steps_per_s::<VELOCITY>(),
        acceleration: Acceleration::steps_per_s2::<SLOPE>(),
        deceleration: Acceleration::steps_per_s2::<SLOPE>(),
        start_stop_velocity: Velocity::ZERO,
        resolution: RESOLUTION,
    }
}

/// What all devices are set to. Each line that is gone sets the ramps anew.
pub const SETTINGS: Settings<5> = Settings::new([
    Setting::new(Parameter::MicrostepResolution, Value::MicrostepResolution(RESOLUTION)),
    Setting::new(Parameter::ProfileVelocity, Value::Velocity(Velocity::steps_per_s::<500>())),
    Setting::new(Parameter::ProfileAcceleration, Value::Acceleration(Acceleration::steps_per_s2::<1_500>())),
    Setting::new(Parameter::ProfileDeceleration, Value::Acceleration(Acceleration::steps_per_s2::<1_500>())),
    Setting::new(Parameter::QuickStopDeceleration, Value::Acceleration(Acceleration::steps_per_s2::<8_000>())),
]);

/// Each axis has a limit switch at its lower end; all three look for theirs at the same time.
pub const HOMING: [AxisHoming; DEVICES] = [homing(0, 900), homing(1, 600), homing(2, 400)];

const fn homing(device: usize, steps: i32) -> AxisHoming {
    let speeds = HomingVelocities {
        search_for_switch: Velocity::steps_per_s::<300>(),
        search_for_zero: Velocity::steps_per_s::<20>(),
    };
    let travel = Distance::from_microsteps(steps * MICROSTEPS);
    let limits = SearchLimits { travel, time: Duration::from_secs(20) };
    AxisHoming::new(Method::NegativeLimitSwitch, speeds, limits).device(device)
}
