//! The parameters that a register can carry, by the standard's names.

use core::fmt;

use crate::units::Unit;

use super::vocabulary::MotionState;

/// One segment of the back-EMF curve.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct CurveSegment {
    /// The motion state whose curve it belongs to; `None` where the map has one curve for all.
    pub state: Option<MotionState>,
    /// The segment, counted from 0 at the lowest velocity.
    pub index: u8,
}

macro_rules! parameters {
    ($($(#[$doc:meta])* $name:ident = $id:literal, $text:literal, $unit:ident;)*) => {
        /// What a register carries.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
        #[cfg_attr(feature = "defmt", derive(defmt::Format))]
        #[non_exhaustive]
        pub enum Parameter {
            $($(#[$doc])* $name,)*
            /// The velocity from which a segment of the back-EMF curve holds, in full steps/s.
            BackEmfFrom(CurveSegment),
            /// The amplitude slope of a segment of the back-EMF curve.
            BackEmfSlope(CurveSegment),
            /// A register of the map's own, by a number of the map's own; its register gives it name and unit.
            Custom(u8),
        }

        impl Parameter {
            /// Every parameter without an index of its own, in the order of the declaration.
            pub const PLAIN: &'static [Self] = &[$(Self::$name,)*];

            /// The parameter's name in documents, messages and map files; an indexed one without its index.
            #[must_use]
            pub const fn name(self) -> &'static str {
                match self {
                    $(Self::$name => $text,)*
                    Self::BackEmfFrom(_) => "back-EMF from velocity",
                    Self::BackEmfSlope(_) => "back-EMF slope",
                    Self::Custom(_) => "custom",
                }
            }

            /// The unit in which the parameter is meant, unless its register says otherwise.
            #[must_use]
            pub const fn unit(self) -> Unit {
                match self {
                    $(Self::$name => Unit::$unit,)*
                    Self::BackEmfFrom(_) => Unit::StepsPerSecond,
                    Self::BackEmfSlope(_) => Unit::SharePerStepPerSecond,
                    Self::Custom(_) => Unit::Code,
                }
            }

            /// A number of its own for each parameter: `==` for use in `const fn`.
            pub(crate) const fn id(self) -> u32 {
                self.id_here()
            }

            /// The same, compiled into its caller.
            #[inline(always)]
            pub(crate) const fn id_here(self) -> u32 {
                match self {
                    Self::BackEmfFrom(segment) => 0x1_0000 + segment.id(),
                    Self::BackEmfSlope(segment) => 0x2_0000 + segment.id(),
                    Self::Custom(number) => 0x3_0000 + number as u32,
                    // Apart, for numbers in the order of the declaration alone are no table and no jumps.
                    _ => match self {
                        $(Self::$name => $id,)*
                        _ => 0x4_0000,
                    },
                }
            }
        }
    };
}

parameters! {
    /// Cruising speed of a move.
    ProfileVelocity = 0, "profile velocity", StepsPerSecond;
    /// No ramp exceeds this speed.
    MaxProfileVelocity = 1, "max profile velocity", StepsPerSecond;
    /// Goal of a velocity command, signed.
    TargetVelocity = 2, "target velocity", StepsPerSecond;
    /// Slope of the rising ramp.
    ProfileAcceleration = 3, "profile acceleration", StepsPerSecondSquared;
    /// Slope of the falling ramp.
    ProfileDeceleration = 4, "profile deceleration", StepsPerSecondSquared;
    /// Slope of the quick ramp.
    QuickStopDeceleration = 5, "quick stop deceleration", StepsPerSecondSquared;
    /// Speed taken up and dropped without a ramp.
    StartStopVelocity = 6, "start-stop velocity", StepsPerSecond;
    /// Speed above which only full steps are made.
    FullStepThreshold = 7, "full-step threshold", StepsPerSecond;
    /// Microsteps in a full step.
    MicrostepResolution = 8, "microstep resolution", MicrostepsPerStep;
    /// Where a move will end.
    TargetPosition = 9, "target position", Microsteps;
    /// What the ramp generator asks for now.
    PositionDemandValue = 10, "position demand value", Microsteps;
    /// Where the rotor is.
    PositionActualValue = 11, "position actual value", Microsteps;
    /// Place latched at an input edge.
    ProbedPosition = 12, "probed position", Microsteps;
    /// Present output of the ramp generator, signed.
    VelocityDemandValue = 13, "velocity demand value", StepsPerSecond;
    /// Phase of the winding currents, in microsteps since the start of the cycle of four full steps.
    ElectricalAngle = 14, "electrical angle", Microsteps;
    /// Amplitude while the motor stands.
    StandstillAmplitude = 15, "standstill amplitude", ShareOfSupply;
    /// Amplitude at constant velocity.
    ConstantVelocityAmplitude = 16, "constant-velocity amplitude", ShareOfSupply;
    /// Amplitude while the speed grows.
    AcceleratingAmplitude = 17, "accelerating amplitude", ShareOfSupply;
    /// Amplitude while the speed falls.
    DeceleratingAmplitude = 18, "decelerating amplitude", ShareOfSupply;
    /// Scales the amplitude by nominal over measured supply.
    SupplyCompensation = 19, "supply compensation", Factor;
    /// Scales the amplitude for the risen resistance of a warm winding.
    ResistanceCompensation = 20, "resistance compensation", Factor;
    /// Current above which the bridges are shut off.
    OvercurrentLimit = 21, "overcurrent limit", Amperes;
    /// Current above which a stall is reported.
    StallLimit = 22, "stall limit", Amperes;
    /// The supply as the device measures it.
    SupplyVoltage = 23, "supply voltage", Volts;
    /// The device's temperature as it measures it.
    DeviceTemperature = 24, "device temperature", DegreesCelsius;
}

impl Parameter {
    /// Whether both are the same parameter: `==` for use in `const fn`.
    #[must_use]
    pub const fn same(self, other: Self) -> bool {
        self.id() == other.id()
    }

    /// Whether the parameter is an amplitude, whose unit is a share of supply or a current as the map says.
    #[must_use]
    pub const fn is_amplitude(self) -> bool {
        matches!(
            self,
            Self::StandstillAmplitude
                | Self::ConstantVelocityAmplitude
                | Self::AcceleratingAmplitude
                | Self::DeceleratingAmplitude
        )
    }
}

impl CurveSegment {
    /// A segment of the one curve for all motion states.
    #[must_use]
    pub const fn new(index: u8) -> Self {
        Self { state: None, index }
    }

    /// A segment of one motion state's curve.
    #[must_use]
    pub const fn of(state: MotionState, index: u8) -> Self {
        Self { state: Some(state), index }
    }

    const fn id(self) -> u32 {
        let state = match self.state {
            None => 0,
            Some(state) => 1 + state as u32,
        };
        state * 0x100 + self.index as u32
    }
}

impl fmt::Display for Parameter {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())?;
        match *self {
            Self::BackEmfFrom(segment) | Self::BackEmfSlope(segment) => match segment.state {
                Some(state) => write!(f, " {} ({})", segment.index, state.name()),
                None => write!(f, " {}", segment.index),
            },
            Self::Custom(number) => write!(f, " {number}"),
            _ => Ok(()),
        }
    }
}
