//! Finds the home position of many axes at once, by a switch or a mechanical stop: a procedure without I/O.
//!
//! [`Homing`] drives one state machine an axis, and all of their commands leave in shared frames. Run it with
//! [`Chain::run`](crate::Chain::run), or take one step at a time with [`Chain::poll`](crate::Chain::poll) and do
//! something else meanwhile.
//!
//! ```text
//!   settle     forget old events, stand still
//!   seek       fast toward the switch                                     if it is not pressed at the start
//!   back off   fast off the switch                                        if it is pressed at the start, or the edge
//!                                                                         counts into the switch
//!   creep      slowly to the switch, or off it: the edge is home          always from the same side
//!   move       to the zero position, the home offset away from home
//!   set zero   the counter is zero there
//! ```
//!
//! # How exact it is
//!
//! | where the map has | the edge is found by | to within |
//! | --- | --- | --- |
//! | a search that looks for the input's level after the edge | the device | the device's own exactness |
//! | the flag [`HomeSwitch`](crate::map::Flag::HomeSwitch) alone | the driver, polling | what the axis goes at the slow speed between two polls: the period and the time of the exchanges |
//! | stall flags, against a stop | the driver, polling | some full steps: the rotor jumps before it is seen to stall |
//!
//! A search for the switch looks for the closing of the input, a search for zero for its opening. So a normally closed
//! switch is entered by a search for zero and left by a search for the switch.
//!
//! # What it needs
//!
//! The position demand value and the status to read, something in it that tells a standstill, a stop that leaves the
//! bridges driven, homing on the current position and, to move, an absolute (shortest way) or a relative move and
//! velocity moves. What a map lacks is [`HomingError::Unsupported`], before anything is sent.
//!
//! The first thing that is sent takes the status, and with it every event that was latched: look at the status before,
//! if it matters. [`Tracker::homed_at`](crate::track::Tracker::homed_at) then makes the position known; the `home` of a
//! [`GuardedChain`](crate::track::GuardedChain) does that by itself.
//!
//! A command that a device refuses shows in the status of the next round, as [`HomingError::Rejected`]; where the map has
//! no flag for that, as an axis that stands where it should not, or as a counter that is not made zero.
//!
//! ```no_run
//! # use core::time::Duration;
//! # fn home<S: embedded_hal::spi::SpiDevice>(spi: S, delay: &mut impl embedded_hal::delay::DelayNs)
//! # -> Result<(), stepchain::Error<S::Error>> {
//! use stepchain::Chain;
//! use stepchain::homing::{AxisHoming, Homing, HomingVelocities, Method, SearchLimits};
//! use stepchain::map::RegisterMap;
//! use stepchain::reference::Latched;
//! use stepchain::units::{Distance, Velocity};
//!
//! const SPEEDS: HomingVelocities = HomingVelocities {
//!     search_for_switch: Velocity::steps_per_s::<400>(),
//!     search_for_zero: Velocity::steps_per_s::<20>(),
//! };
//! const LIMITS: SearchLimits =
//!     SearchLimits { travel: Distance::from_microsteps(200_000), time: Duration::from_secs(20) };
//! const AXIS: AxisHoming = AxisHoming::new(Method::NegativeLimitSwitch, SPEEDS, LIMITS);
//!
//! let mut chain = Chain::<Latched, _, 2>::new(spi);
//! let mut homing = Homing::new(&Latched::LAYOUT, [AXIS, AXIS.device(1)]);
//! chain.run(&mut homing, delay)?;
//! for failure in homing.failures() {
//!     // "device 1, axis 0: no switch or stop within 200014 microsteps"
//! #   let _ = failure;
//! }
//! # Ok(())
//! # }
//! ```

mod axis;
mod error;
mod guarded;
mod means;
mod method;
mod procedure;
mod progress;
mod spec;
#[cfg(all(test, feature = "reference-maps"))]
mod tests;

pub use error::{AxisError, HomingError, Lacking};
pub use method::Method;
pub use procedure::Homing;
pub use progress::{Homed, Phase};
pub use spec::{AxisHoming, Contact, HomingVelocities, SearchLimits};
