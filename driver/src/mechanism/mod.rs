//! Turns, degrees and millimetres at the machine's output into microsteps and full steps/s of the motor, and back.
//!
//! A [`Mechanism`] says what stands between the motor and the output: steps in a turn, gear, direction, and perhaps
//! a lead. From it comes a [`Scale`] for one unit, and the scale turns [`Travel`] of that unit into the quantities
//! of [`units`](crate::units). Everything is an exact rational, no step of a conversion is rounded but the last, and
//! that one to nearest, halves away from zero. Knows no register, no counter width and no present place.
//!
//! ```
//! use stepchain::Command;
//! use stepchain::mechanism::{Angle, Degree, Lead, Length, Mechanism, Metre, Ratio, Scale};
//! use stepchain::units::MicrostepResolution;
//!
//! const RESOLUTION: MicrostepResolution = MicrostepResolution::from_microsteps_per_step(128);
//! // A table behind a gear of 3.7:1. What cannot be does not compile: `unwrap` runs in the compiler.
//! const TABLE: Scale<Degree> =
//!     Mechanism::new(200, RESOLUTION).unwrap().gear(Ratio::new(37, 10).unwrap()).degrees();
//! // A slide on a spindle of 5 mm, whose motor counts down as it moves out.
//! const SLIDE: Scale<Metre> = Mechanism::new(200, RESOLUTION)
//!     .unwrap()
//!     .inverted()
//!     .millimetres(Lead::from_micrometres(Ratio::whole(5000).unwrap()))
//!     .unwrap();
//!
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! let quarter = Command::MoveRelative { distance: TABLE.distance(Angle::from_degrees(90))? };
//! # assert_eq!(quarter, Command::MoveRelative { distance: stepchain::units::Distance::from_microsteps(23_680) });
//! let out = Command::MoveVelocity { velocity: SLIDE.velocity(Length::from_millimetres(20).per_second())? };
//! # assert_eq!(out, Command::MoveVelocity { velocity: stepchain::units::Velocity::from_steps_per_s(-800)? });
//! # Ok(())
//! # }
//! ```
//!
//! # Rounding never adds up
//!
//! An absolute target is rounded once, however many came before it: its error is at most half a microstep. Distances
//! that are each rounded do add up, half a microstep for each at worst. So a program that goes in increments keeps
//! its target in [`Travel`], and goes by
//! `scale.position(next)?.`[`distance_from`](crate::track::UnwrappedPosition::distance_from)`(scale.position(last)?)`:
//! such distances end where the last target does.

mod ratio;
mod scale;
mod train;
mod travel;

pub use ratio::Ratio;
pub use scale::Scale;
pub use train::{Lead, Mechanism};
pub use travel::{
    Angle, Decimal, Degree, Length, Metre, OutOfTravel, PerSecond, PerSecondSquared, Travel, TravelUnit, Turn, Turns,
};
