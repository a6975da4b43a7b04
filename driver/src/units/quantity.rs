//! One type for each physical quantity, all made by the same mould.

use core::fmt;

use fixed::types::{I16F16, I20F12, I32F0, U0F32, U1F31, U16F0, U16F16, U24F8};

use super::number::{Number, OutOfRange, Unit, scaled};

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $fixed:ty, $bits:ty, $unit:ident) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
        #[cfg_attr(feature = "defmt", derive(defmt::Format))]
        pub struct $name($fixed);

        impl $name {
            /// The unit that this type counts.
            pub const UNIT: Unit = Unit::$unit;
            /// Nothing of it.
            pub const ZERO: Self = Self(<$fixed>::ZERO);

            /// The value whose fixed-point bits (the value times 2^[`Unit::fraction_bits`]) are `bits`.
            ///
            /// # Errors
            /// [`OutOfRange`] if the type does not hold them.
            pub const fn from_bits(bits: i64) -> Result<Self, OutOfRange> {
                match Self::UNIT.checked(bits) {
                    Ok(bits) => Ok(Self::of_checked(bits)),
                    Err(error) => Err(error),
                }
            }

            /// As [`from_bits`](Self::from_bits), for bits that the unit has been asked about.
            pub(super) const fn of_checked(bits: i64) -> Self {
                Self(<$fixed>::from_bits(bits as $bits))
            }

            /// The value `numerator / denominator` in the type's unit, rounded to the nearest bit.
            ///
            /// # Errors
            /// [`OutOfRange`] if the type does not hold it; a denominator of zero is beyond any range. The error shows
            /// what needs more than 64 bits as the last value that they hold.
            pub const fn from_ratio(numerator: i64, denominator: u32) -> Result<Self, OutOfRange> {
                let magnitude = scaled(numerator.unsigned_abs(), denominator as u64, Self::UNIT.fraction_bits());
                let bits = match magnitude {
                    Some(magnitude) if magnitude <= i64::MAX as u64 => magnitude as i64,
                    _ => i64::MAX,
                };
                Self::from_bits(if numerator < 0 { -bits } else { bits })
            }

            /// The fixed-point bits: the value times 2^[`Unit::fraction_bits`].
            #[must_use]
            pub const fn to_bits(self) -> i64 {
                self.0.to_bits() as i64
            }

            /// The value as a bare number, for printing and comparing.
            #[must_use]
            pub const fn number(self) -> Number {
                Self::UNIT.number(self.to_bits())
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                Self::UNIT.write(self.number(), f)
            }
        }

    };
}

quantity! {
    /// A place as the device's own counter shows it, in microsteps: wrapped to the counter's width, signed.
    Position, I32F0, i32, Microsteps
}
quantity! {
    /// A way to go, in microsteps; positive counts the position up.
    Distance, I32F0, i32, Microsteps
}
quantity! {
    /// Speed of the shaft, in full steps per second; positive counts the position up.
    ///
    /// Signed fixed point: ±524 287 steps/s, one bit is 2⁻¹² steps/s (0.000 244).
    Velocity, I20F12, i32, StepsPerSecond
}
quantity! {
    /// How fast the speed changes, in full steps per second squared; never negative.
    ///
    /// Fixed point: 0 to 16 777 215 steps/s², one bit is 2⁻⁸ steps/s².
    Acceleration, U24F8, u32, StepsPerSecondSquared
}
quantity! {
    /// Drive amplitude: the peak of the voltage applied to a winding, as a share of the supply, 0 to 1.
    Amplitude, U1F31, u32, ShareOfSupply
}
quantity! {
    /// Amplitude added for each full step per second of speed, as a share of the supply; below 1.
    AmplitudeSlope, U0F32, u32, SharePerStepPerSecond
}
quantity! {
    /// A current in amperes, peak per phase; one bit is 2⁻¹⁶ A.
    Current, I16F16, i32, Amperes
}
quantity! {
    /// A voltage in volts; one bit is 2⁻¹⁶ V.
    Voltage, I16F16, i32, Volts
}
quantity! {
    /// A temperature in degrees Celsius; one bit is 2⁻¹⁶ °C.
    Temperature, I16F16, i32, DegreesCelsius
}
quantity! {
    /// A factor without a unit, such as a supply compensation; one bit is 2⁻¹⁶.
    Factor, U16F16, u32, Factor
}
quantity! {
    /// How many microsteps make a full step.
    MicrostepResolution, U16F0, u16, MicrostepsPerStep
}

macro_rules! whole {
    ($name:ident, $from:ident, $to:ident, $what:literal) => {
        impl $name {
            #[doc = concat!("Builds the value from whole ", $what, ".")]
            #[must_use]
            pub const fn $from(count: i32) -> Self {
                Self(I32F0::from_bits(count))
            }

            #[doc = concat!("The value in whole ", $what, ".")]
            #[must_use]
            pub const fn $to(self) -> i32 {
                self.0.to_bits()
            }
        }
    };
}

macro_rules! rational {
    ($name:ident, $of:ident, $from:ident, $from_milli:ident, $what:literal) => {
        impl $name {
            #[doc = concat!("The value of `COUNT` whole ", $what, "; beyond the type's range it does not compile.")]
            #[must_use]
            pub const fn $of<const COUNT: i32>() -> Self {
                const {
                    match Self::$from(COUNT) {
                        Ok(quantity) => quantity,
                        Err(_) => beyond_range(),
                    }
                }
            }

            #[doc = concat!("Builds the value from whole ", $what, ".")]
            ///
            /// # Errors
            /// [`OutOfRange`], with the value and both limits.
            pub const fn $from(count: i32) -> Result<Self, OutOfRange> {
                Self::from_ratio(count as i64, 1)
            }

            #[doc = concat!("Builds the value from thousandths of ", $what, ", rounded to the nearest bit.")]
            ///
            /// # Errors
            /// [`OutOfRange`], with the value and both limits.
            pub const fn $from_milli(count: i32) -> Result<Self, OutOfRange> {
                Self::from_ratio(count as i64, 1000)
            }
        }
    };
}

impl MicrostepResolution {
    /// Builds the value from the count of microsteps in one full step.
    #[must_use]
    pub const fn from_microsteps_per_step(count: u16) -> Self {
        Self(U16F0::from_bits(count))
    }

    /// The count of microsteps in one full step.
    #[must_use]
    pub const fn to_microsteps_per_step(self) -> u16 {
        self.0.to_bits()
    }
}

whole!(Position, from_microsteps, to_microsteps, "microsteps");
whole!(Distance, from_microsteps, to_microsteps, "microsteps");
rational!(Velocity, steps_per_s, from_steps_per_s, from_milli_steps_per_s, "full steps per second");
rational!(Acceleration, steps_per_s2, from_steps_per_s2, from_milli_steps_per_s2, "full steps per second squared");
rational!(Current, amperes, from_amperes, from_milliamperes, "amperes");
rational!(Voltage, volts, from_volts, from_millivolts, "volts");
rational!(Temperature, degrees_celsius, from_degrees_celsius, from_millidegrees_celsius, "degrees Celsius");

/// For constants only, where it is a compile error.
#[allow(clippy::panic, reason = "evaluated in constants alone")]
const fn beyond_range() -> ! {
    panic!("the constant is beyond the range of its unit's type")
}

impl Amplitude {
    /// The amplitude of `COUNT` thousandths of the supply; above 1000 it does not compile.
    #[must_use]
    pub const fn per_mille<const COUNT: u16>() -> Self {
        const {
            match Self::from_per_mille(COUNT) {
                Ok(amplitude) => amplitude,
                Err(_) => beyond_range(),
            }
        }
    }

    /// Builds the amplitude from thousandths of the supply.
    ///
    /// # Errors
    /// [`OutOfRange`] above 1000.
    pub const fn from_per_mille(count: u16) -> Result<Self, OutOfRange> {
        Self::from_ratio(count as i64, 1000)
    }
}

impl AmplitudeSlope {
    /// Builds the slope from millionths of the supply for each full step per second.
    ///
    /// # Errors
    /// [`OutOfRange`] at 1 000 000 and above.
    pub const fn from_millionths(count: u32) -> Result<Self, OutOfRange> {
        Self::from_ratio(count as i64, 1_000_000)
    }
}

impl Factor {
    /// The factor that changes nothing.
    pub const ONE: Self = Self(U16F16::ONE);
}

#[cfg(test)]
mod tests {
    extern crate std;
    use std::string::ToString;

    use super::*;

    /// By hand: 1000 · 2¹² is 4 096 000; 0.001 · 4096 is 4.096, so 4.
    #[test]
    fn a_velocity_is_its_steps_times_4096() {
        assert_eq!(Velocity::from_steps_per_s(1000).unwrap().to_bits(), 4_096_000);
        assert_eq!(Velocity::from_milli_steps_per_s(-1).unwrap().to_bits(), -4);
        assert_eq!(Velocity::from_steps_per_s(-524_288).unwrap().to_bits(), i64::from(i32::MIN));
    }

    #[test]
    fn a_value_beyond_its_type_is_refused_with_value_limits_and_unit() {
        let error = Velocity::from_steps_per_s(524_288).unwrap_err();
        assert_eq!(error.to_string(), "524288 steps/s is outside -524288..=524287.9998 steps/s");
        let error = Amplitude::from_per_mille(1001).unwrap_err();
        assert_eq!(error.to_string(), "1.001 of supply is outside 0..=1 of supply");
        assert!(Acceleration::from_steps_per_s2(-1).is_err());
        assert!(Velocity::from_ratio(1, 0).is_err());
    }

    #[test]
    fn a_quantity_prints_with_its_unit() {
        assert_eq!(Amplitude::from_per_mille(250).unwrap().to_string(), "0.25 of supply");
        assert_eq!(Position::from_microsteps(-5).to_string(), "-5 microsteps");
        assert_eq!(Factor::ONE.to_string(), "1");
    }
}
