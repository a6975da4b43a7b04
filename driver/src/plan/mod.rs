//! What a move will be like on the target: how long it takes, where it is when, and moves that arrive together.
//!
//! [`Ramp`] holds the limits of a move; [`Ramp::quantised`] turns them into what the codes of a map's registers mean,
//! so that a prediction speaks of the device's numbers and not of the wanted ones. [`Move`] then tells the duration
//! (for a time-out), the place and the velocity at any time (for a progress bar), [`VelocityChange`] and
//! [`braking_distance`] the ramps between velocities, and [`Coordinated`] splits one straight line among several axes
//! and gives the commands for it.
//!
//! ```
//! use stepchain::map::RegisterMap;
//! use stepchain::plan::{Move, Ramp};
//! use stepchain::reference::Latched;
//! use stepchain::units::{Acceleration, Distance, MicrostepResolution, Velocity};
//!
//! static LAYOUT: stepchain::map::Layout = Latched::LAYOUT;
//! let wanted = Ramp {
//!     velocity: Velocity::from_steps_per_s(1000)?,
//!     acceleration: Acceleration::from_steps_per_s2(501)?, // one code is 2 steps/s²
//!     deceleration: Acceleration::from_steps_per_s2(500)?,
//!     start_stop_velocity: Velocity::ZERO,
//!     resolution: MicrostepResolution::from_microsteps_per_step(16),
//! };
//! let real = wanted.quantised(&LAYOUT, 0)?;
//! assert_eq!(real.acceleration, Acceleration::from_steps_per_s2(502)?);
//! let plan = Move::new(real, Distance::from_microsteps(1_600_000))?;
//! let timeout = plan.duration() + plan.duration() / 50;
//! # assert!(timeout > plan.duration());
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```
//!
//! Everything is the closed form of constant acceleration in integers of up to 128 bits, of which a processor without
//! 64-bit division needs some microseconds each; encoding a command uses none of it. The device's own clock, and what
//! its ramp generator rounds, are not known here: leave a time-out some room.

/// `?` for `const fn`.
macro_rules! ok {
    ($result:expr) => {
        match $result {
            Ok(value) => value,
            Err(error) => return Err(error),
        }
    };
}

mod arithmetic;
mod change;
mod coordinated;
mod error;
mod moves;
mod ramp;
mod share;
#[cfg(all(test, feature = "reference-maps"))]
mod tests;

pub use change::{VelocityChange, braking_distance};
pub use coordinated::{CoordinateError, Coordinated};
pub use error::PlanError;
pub use moves::Move;
pub use ramp::{AxisGoal, Ramp};
