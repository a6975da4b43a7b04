//! What the machine is like: axes, limits, settings, and which vials there are; and what both of its fronts make of that.
//! No I/O.

use core::time::Duration;

use stepchain::fault::{self, FaultKind};
use stepchain::homing::{AxisHoming, HomingVelocities, Method, SearchLimits};
use stepchain::map::{Layout, Parameter};
use stepchain::plan::{AxisGoal, CoordinateError, Coordinated, Ramp};
use stepchain::reply::Status;
use stepchain::settings::{Setting, Settings};
use stepchain::track::UnwrappedPosition;
use stepchain::units::{Acceleration, Distance, MicrostepResolution, Value, Velocity};

use crate::desk::Interrupt;

/// Devices of the chain.
pub const DEVICES: usize = 3;
/// The device of the carriage.
pub const CARRIAGE: usize = 1;

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

/// What happens at the desk in a shift: in which of the machine's dealings with chain and clock which interrupt comes.
pub const SHIFT: [(u32, Interrupt); 8] = [
    // While the axes look for their switches.
    (200, Interrupt::StopKey),
    // The wheel has no say yet.
    (1_200, Interrupt::Wheel { is_up: true }),
    // On the way to a vial.
    (2_000, Interrupt::StopKey),
    (3_950, Interrupt::Wheel { is_up: true }),
    (3_951, Interrupt::Wheel { is_up: true }),
    (4_000, Interrupt::Wheel { is_up: true }),
    (4_050, Interrupt::Wheel { is_up: false }),
    // The carriage runs.
    (4_100, Interrupt::StopKey),
];

/// How often the work may be interrupted.
pub const PATIENCE: u8 = 4;

/// How long the wheel has its say, if nobody ends that.
pub const WHEEL_TIME: Duration = Duration::from_secs(3);

/// Where the needle rests between two trays.
pub const PARK: Spot = Spot([20, 10, 0]);

/// The vials of a tray, in the order in which the needle visits them.
pub const TRAY: [Spot; 3] = [Spot([400, 150, 240]), Spot([700, 150, 240]), Spot([700, 420, 180])];

/// How often the machine looks at its lines and at axes that are being homed.
pub const PERIOD: Duration = Duration::from_millis(5);

/// How often the look timer has the devices asked, where there is one.
pub const LOOK_PERIOD: Duration = Duration::from_millis(20);

/// How long the needle stays in a vial.
pub const DIP: Duration = Duration::from_millis(200);

/// How long a device that was too hot may cool before it is tried again.
pub const COOLING: Duration = Duration::from_secs(3);

/// How much longer a line may take than was planned before the machine gives up waiting for it.
pub const GRACE: Duration = Duration::from_millis(50);

/// How long the motors may take to stand after a quick stop.
pub const BRAKING: Duration = Duration::from_millis(500);

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

/// The straight line from where the axes stand to a spot.
pub(crate) fn line(
    layout: &'static Layout,
    from: [UnwrappedPosition; DEVICES],
    spot: Spot,
) -> Result<Coordinated<DEVICES>, CoordinateError> {
    let mut goals = LIMITS.map(|limits| AxisGoal { axis: 0, limits, distance: Distance::default() });
    for (goal, (target, from)) in goals.iter_mut().zip(spot.positions().into_iter().zip(from)) {
        // No two spots of this machine are further apart than a distance can be.
        goal.distance = target.distance_from(from).unwrap_or_default();
    }
    Coordinated::new(layout, &goals)
}

/// The first device whose status tells of a fault that casts doubt on its position, and which one.
pub(crate) fn grave_fault(seen: &[Option<Status>; DEVICES]) -> Option<(usize, FaultKind)> {
    seen.iter().enumerate().find_map(|(device, status)| {
        let status = status.as_ref()?;
        let kinds = fault::faults(status).map(|fault| fault.kind).filter(|kind| kind.casts_doubt_on_position());
        // The flag of any fault at all says least of all.
        let kind = kinds.reduce(|gravest, kind| if kind == FaultKind::Fault { gravest } else { kind })?;
        Some((device, kind))
    })
}

const fn homing(device: usize, steps: i32) -> AxisHoming {
    let speeds = HomingVelocities {
        search_for_switch: Velocity::steps_per_s::<300>(),
        search_for_zero: Velocity::steps_per_s::<20>(),
    };
    let travel = Distance::from_microsteps(steps * MICROSTEPS);
    let limits = SearchLimits { travel, time: Duration::from_secs(20) };
    AxisHoming::new(Method::NegativeLimitSwitch, speeds, limits).device(device)
}
