//! Where an axis is, how far that can be trusted, where it may go, and whether its device still answers.
//!
//! A device's counter wraps, forgets at a reset, and says nothing when the bus is silent. [`Tracker`] unwraps it into
//! an [`UnwrappedPosition`] and keeps account of trust; [`PositionLimits`] look at a command before it is sent;
//! [`Watch`] counts replies that stay away. All of it is plain state that the caller feeds: no clock, and times are counted
//! from a start of the caller's choosing. A [`Guard`] joins the first two and is asked by
//! [`Chain::send_guarded`](crate::Chain::send_guarded) before anything is sent; a [`GuardedChain`] owns chain and guards, so
//! that nothing leaves past them.
//!
//! ```
//! use core::time::Duration;
//! use stepchain::map::RegisterMap;
//! use stepchain::reference::Latched;
//! use stepchain::track::{PositionLimits, Tracker, UnwrappedPosition};
//! use stepchain::units::{Distance, MicrostepResolution, Position, Velocity};
//! use stepchain::Command;
//!
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! let fastest = Velocity::from_steps_per_s(2000)?;
//! let resolution = MicrostepResolution::from_microsteps_per_step(64);
//! let mut tracker = Tracker::new(&Latched::LAYOUT.position, resolution, fastest);
//! let there = Command::MoveRelative { distance: Distance::from_microsteps(100_000) };
//! assert!(tracker.allow(&there).is_err(), "not homed yet");
//!
//! // The device has just been sent `HomeOnCurrentPosition`.
//! tracker.homed_at(Position::ZERO, UnwrappedPosition::ZERO);
//! assert!(tracker.allow(&there).is_ok());
//! let limits = PositionLimits::new(UnwrappedPosition::ZERO, UnwrappedPosition::from_microsteps(90_000));
//! let refused = limits.check(&there, &tracker.place()?, Distance::ZERO).unwrap_err();
//! assert_eq!(refused.to_string(), "the move ends at 100000 microsteps, outside 0..=90000 microsteps");
//!
//! // 2²³ − 1 microsteps at 128 000 a second: the counter has to be read about once a minute.
//! assert_eq!(tracker.longest_gap().map(|gap| gap.as_secs()), Some(65));
//! tracker.update(Position::from_microsteps(640), Some(Duration::from_millis(10)))?;
//! assert_eq!(tracker.position()?, UnwrappedPosition::from_microsteps(640));
//! # Ok(())
//! # }
//! ```

mod course;
mod guard;
mod guarded;
mod limits;
mod place;
mod raw;
mod reach;
mod reset_notice;
mod tracker;
mod trust;
mod unwrapped;
mod watch;

pub use guard::{Guard, Refused};
pub use guarded::{GuardedChain, GuardedError};
pub use limits::{EndUnknown, LimitError, PositionLimits};
pub use place::Place;
pub use reach::{farthest, longest_gap};
pub use reset_notice::ResetNotice;
pub use tracker::{Tracker, UpdateError};
pub use trust::{Doubt, PositionUnknown, Trust};
pub use unwrapped::UnwrappedPosition;
pub use watch::{Miss, Reaction, Watch, WatchEvent};
