//! Physical quantities in fixed point: what a person means, before any register code.
//!
//! Each quantity is its own type, so that a velocity cannot stand where a distance is asked for. All of them
//! turn into a [`Value`] (one quantity of any unit) and into a [`Number`] (bare fixed point, for limits and
//! printing). No floats, no registers, no device: turning a value into a code is the business of
//! [`map`](crate::map).
//!
//! | type | unit | range | one bit |
//! | --- | --- | --- | --- |
//! | [`Position`], [`Distance`] | microsteps | ±2 147 483 647 | 1 |
//! | [`Velocity`] | full steps/s | ±524 287.999 | 2⁻¹² (0.000 244) |
//! | [`Acceleration`] | full steps/s² | 0..16 777 215.996 | 2⁻⁸ (0.003 9) |
//! | [`Amplitude`] | share of supply | 0..=1 | 2⁻³¹ |
//! | [`AmplitudeSlope`] | share of supply per full step/s | 0..1 | 2⁻³² |
//! | [`Current`] | ampere | ±32 767.999 98 | 2⁻¹⁶ |
//! | [`Voltage`] | volt | ±32 767.999 98 | 2⁻¹⁶ |
//! | [`Temperature`] | degree Celsius | ±32 767.999 98 | 2⁻¹⁶ |
//! | [`Factor`] | (none) | 0..65 535.999 98 | 2⁻¹⁶ |
//! | [`MicrostepResolution`] | microsteps per full step | 0..=65 535 | 1 |

mod number;
mod quantity;
#[cfg(test)]
mod tests;
mod value;

pub use number::{Number, OutOfRange, Unit};
pub(crate) use number::{divided, scaled};
pub use quantity::{
    Acceleration, Amplitude, AmplitudeSlope, Current, Distance, Factor, MicrostepResolution, Position, Temperature,
    Velocity, Voltage,
};
pub use value::Value;
