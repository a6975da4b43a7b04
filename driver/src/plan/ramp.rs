//! The limits of a move, and what a map's register codes make of them.

use crate::command::{Command, CommandError, Prepared};
use crate::map::{Layout, Parameter};
use crate::units::{Acceleration, Distance, MicrostepResolution, Value, Velocity};

use super::error::PlanError;

/// The limits of a move of one axis. All are magnitudes: the direction is that of the distance.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Ramp {
    /// Cruising speed, in full steps/s; reached if the move is long enough.
    pub velocity: Velocity,
    /// Slope of the rising speed, in full steps/s².
    pub acceleration: Acceleration,
    /// Slope of the falling speed, in full steps/s².
    pub deceleration: Acceleration,
    /// Speed taken up and dropped without a ramp, in full steps/s; zero for none. What exceeds the cruising speed has
    /// no effect.
    pub start_stop_velocity: Velocity,
    /// Microsteps in a full step: the scale of the distances.
    pub resolution: MicrostepResolution,
}

impl Ramp {
    /// The limits that the device will really keep: what the codes of its registers mean, nearest to these.
    ///
    /// A map without a register for the deceleration slows down as it speeds up, whatever was asked. A map without one
    /// for the start-stop velocity has none, and one without a register for the resolution has the first of
    /// [`PositionCounter::resolutions`](crate::map::PositionCounter::resolutions): to ask for another is an error.
    ///
    /// # Errors
    /// What the writes of these limits would be refused with: [`CommandError::NoSuchAxis`],
    /// [`NoSuchParameter`](CommandError::NoSuchParameter), [`ReadOnly`](CommandError::ReadOnly),
    /// [`WrongUnit`](CommandError::WrongUnit), [`OutOfRange`](CommandError::OutOfRange), or
    /// [`Unsupported`](CommandError::Unsupported) by a map that writes no registers.
    pub fn quantised(self, layout: &'static Layout, axis: u8) -> Result<Self, CommandError> {
        let means = |parameter, value: Value| quantised(layout, axis, parameter, value);
        let has = |parameter| layout.register(parameter, axis).is_some();
        let velocity = means(Parameter::ProfileVelocity, self.velocity.into())?;
        let acceleration = means(Parameter::ProfileAcceleration, self.acceleration.into())?;
        let deceleration = if has(Parameter::ProfileDeceleration) {
            means(Parameter::ProfileDeceleration, self.deceleration.into())?
        } else {
            acceleration
        };
        let start_stop_velocity = if has(Parameter::StartStopVelocity) || self.start_stop_velocity != Velocity::ZERO {
            means(Parameter::StartStopVelocity, self.start_stop_velocity.into())?
        } else {
            Value::Velocity(Velocity::ZERO)
        };
        let only = layout.position.resolutions.first().copied();
        let is_only = only == Some(self.resolution.to_microsteps_per_step());
        let resolution = if has(Parameter::MicrostepResolution) || !is_only {
            means(Parameter::MicrostepResolution, self.resolution.into())?
        } else {
            self.resolution.into()
        };
        // The unit of each was checked against its register's, so no value is of another kind.
        Ok(Self {
            velocity: velocity_of(velocity).unwrap_or(self.velocity),
            acceleration: acceleration_of(acceleration).unwrap_or(self.acceleration),
            deceleration: acceleration_of(deceleration).unwrap_or(self.deceleration),
            start_stop_velocity: velocity_of(start_stop_velocity).unwrap_or(self.start_stop_velocity),
            resolution: match resolution {
                Value::MicrostepResolution(resolution) => resolution,
                _ => self.resolution,
            },
        })
    }

    /// The limits as bare bits of their types.
    ///
    /// # Errors
    /// [`PlanError::Standstill`] and [`PlanError::Negative`] for the first one that no move can be made with.
    pub(super) const fn bits(&self) -> Result<Bits, PlanError> {
        let velocity = ok!(speed_bits(self.velocity, Parameter::ProfileVelocity));
        if velocity == 0 {
            return Err(PlanError::Standstill { parameter: Parameter::ProfileVelocity });
        }
        Ok(Bits {
            velocity,
            acceleration: ok!(slope_bits(self.acceleration, Parameter::ProfileAcceleration)),
            deceleration: ok!(slope_bits(self.deceleration, Parameter::ProfileDeceleration)),
            start_stop: ok!(speed_bits(self.start_stop_velocity, Parameter::StartStopVelocity)),
            resolution: ok!(scale_bits(self.resolution)),
        })
    }
}

/// What one device of a chain contributes to a coordinated move.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct AxisGoal {
    /// The axis of the device, counted from 0.
    pub axis: u8,
    /// What the axis can do; not exceeded. The resolution is the one that the axis is set to: it is not written.
    pub limits: Ramp,
    /// Where it shall go, in microsteps from where it is. With a distance of zero it stands still.
    pub distance: Distance,
}

/// The limits of a [`Ramp`] in the bits of their types; none but `start_stop` is zero.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Bits {
    pub(super) velocity: u32,
    pub(super) acceleration: u32,
    pub(super) deceleration: u32,
    pub(super) start_stop: u32,
    pub(super) resolution: u16,
}

/// The bits of a speed that must not be negative.
pub(super) const fn speed_bits(velocity: Velocity, parameter: Parameter) -> Result<u32, PlanError> {
    let bits = velocity.to_bits();
    if bits < 0 { Err(PlanError::Negative { parameter }) } else { Ok(bits as u32) }
}

/// The bits of a slope that must not be zero.
pub(super) const fn slope_bits(slope: Acceleration, parameter: Parameter) -> Result<u32, PlanError> {
    match slope.to_bits() as u32 {
        0 => Err(PlanError::Standstill { parameter }),
        bits => Ok(bits),
    }
}

/// The microsteps in a full step, which must not be zero.
pub(super) const fn scale_bits(resolution: MicrostepResolution) -> Result<u16, PlanError> {
    match resolution.to_microsteps_per_step() {
        0 => Err(PlanError::Standstill { parameter: Parameter::MicrostepResolution }),
        microsteps => Ok(microsteps),
    }
}

/// What the code means that a write of `value` would send.
///
/// # Errors
/// As that write's.
pub(super) fn quantised(
    layout: &'static Layout,
    axis: u8,
    parameter: Parameter,
    value: Value,
) -> Result<Value, CommandError> {
    let write = Command::WriteParameter { parameter, value };
    let prepared = Prepared::new(layout, write.on(axis))?;
    let Some((register, code)) = prepared.and_then(|prepared| Some((prepared.register?, prepared.code))) else {
        return Err(CommandError::NoSuchParameter { parameter });
    };
    register.value_of(code).map_err(|error| CommandError::OutOfRange { of: register.name, error })
}

const fn velocity_of(value: Value) -> Option<Velocity> {
    if let Value::Velocity(velocity) = value { Some(velocity) } else { None }
}

const fn acceleration_of(value: Value) -> Option<Acceleration> {
    if let Value::Acceleration(acceleration) = value { Some(acceleration) } else { None }
}
