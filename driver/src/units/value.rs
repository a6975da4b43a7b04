//! One quantity of any unit: what a parameter is written with and what a read brings back.

use core::fmt;

use super::number::{Number, OutOfRange, Unit};
use super::quantity::{
    Acceleration, Amplitude, AmplitudeSlope, Current, Distance, Factor, MicrostepResolution, Position, Temperature,
    Velocity, Voltage,
};

/// A physical quantity of any unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Value {
    /// A place, in microsteps.
    Position(Position),
    /// A way, in microsteps.
    Distance(Distance),
    /// A speed, in full steps/s.
    Velocity(Velocity),
    /// An acceleration, in full steps/s².
    Acceleration(Acceleration),
    /// A share of the supply.
    Amplitude(Amplitude),
    /// A share of the supply per full step/s.
    AmplitudeSlope(AmplitudeSlope),
    /// A current, in amperes.
    Current(Current),
    /// A voltage, in volts.
    Voltage(Voltage),
    /// A temperature, in degrees Celsius.
    Temperature(Temperature),
    /// A factor.
    Factor(Factor),
    /// Microsteps in a full step.
    MicrostepResolution(MicrostepResolution),
    /// A register's bare code.
    Code(u32),
}

impl Value {
    /// The unit that the value is counted in.
    #[must_use]
    pub const fn unit(self) -> Unit {
        self.unit_here()
    }

    /// The same, compiled into its caller.
    #[inline(always)]
    pub(crate) const fn unit_here(self) -> Unit {
        match self {
            Self::Position(_) | Self::Distance(_) => Unit::Microsteps,
            Self::Velocity(_) => Unit::StepsPerSecond,
            Self::Acceleration(_) => Unit::StepsPerSecondSquared,
            Self::Amplitude(_) => Unit::ShareOfSupply,
            Self::AmplitudeSlope(_) => Unit::SharePerStepPerSecond,
            Self::Current(_) => Unit::Amperes,
            Self::Voltage(_) => Unit::Volts,
            Self::Temperature(_) => Unit::DegreesCelsius,
            Self::Factor(_) => Unit::Factor,
            Self::MicrostepResolution(_) => Unit::MicrostepsPerStep,
            Self::Code(_) => Unit::Code,
        }
    }

    /// The value's fixed-point bits: the value times 2^[`Unit::fraction_bits`].
    #[must_use]
    pub const fn to_bits(self) -> i64 {
        self.to_bits_here()
    }

    /// The same, compiled into its caller.
    #[inline(always)]
    pub(crate) const fn to_bits_here(self) -> i64 {
        match self {
            Self::Position(v) => v.to_bits(),
            Self::Distance(v) => v.to_bits(),
            Self::Velocity(v) => v.to_bits(),
            Self::Acceleration(v) => v.to_bits(),
            Self::Amplitude(v) => v.to_bits(),
            Self::AmplitudeSlope(v) => v.to_bits(),
            Self::Current(v) => v.to_bits(),
            Self::Voltage(v) => v.to_bits(),
            Self::Temperature(v) => v.to_bits(),
            Self::Factor(v) => v.to_bits(),
            Self::MicrostepResolution(v) => v.to_bits(),
            Self::Code(code) => code as i64,
        }
    }

    /// The value of `unit` whose fixed-point bits are `bits`; microsteps become a [`Position`].
    ///
    /// # Errors
    /// [`OutOfRange`] if the unit's type does not hold them.
    pub const fn from_bits(unit: Unit, bits: i64) -> Result<Self, OutOfRange> {
        match unit.checked(bits) {
            Ok(bits) => Ok(Self::of_checked(unit, bits)),
            Err(error) => Err(error),
        }
    }

    /// The same for bits that the unit's type holds.
    pub(crate) const fn of_checked(unit: Unit, bits: i64) -> Self {
        match unit {
            Unit::Microsteps => Self::Position(Position::of_checked(bits)),
            Unit::StepsPerSecond => Self::Velocity(Velocity::of_checked(bits)),
            Unit::StepsPerSecondSquared => Self::Acceleration(Acceleration::of_checked(bits)),
            Unit::ShareOfSupply => Self::Amplitude(Amplitude::of_checked(bits)),
            Unit::SharePerStepPerSecond => Self::AmplitudeSlope(AmplitudeSlope::of_checked(bits)),
            Unit::Amperes => Self::Current(Current::of_checked(bits)),
            Unit::Volts => Self::Voltage(Voltage::of_checked(bits)),
            Unit::DegreesCelsius => Self::Temperature(Temperature::of_checked(bits)),
            Unit::Factor => Self::Factor(Factor::of_checked(bits)),
            Unit::MicrostepsPerStep => Self::MicrostepResolution(MicrostepResolution::of_checked(bits)),
            Unit::Code => Self::Code(bits as u32),
        }
    }

    /// The value as a bare number.
    #[must_use]
    pub const fn number(self) -> Number {
        self.unit().number(self.to_bits())
    }
}

impl fmt::Display for Value {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.unit().write(self.number(), f)
    }
}

macro_rules! is_a_value {
    ($($name:ident)*) => {
        $(impl From<$name> for Value {
            fn from(quantity: $name) -> Self {
                Self::$name(quantity)
            }
        })*
    };
}

is_a_value! {
    Position Distance Velocity Acceleration Amplitude AmplitudeSlope Current Voltage Temperature Factor
    MicrostepResolution
}
