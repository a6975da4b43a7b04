//! Firmware of a slide dipper: it carries a rack of glass slides from bath to bath of a staining line, and keeps the
//! times in each. The machine and its numbers are invented.
//!
//! ```text
//!   device 0: carriage, a belt of 40 mm a turn     0 mm at the loading place, up to 400 mm
//!   device 1: lift, a spindle of 8 mm a turn       0 mm at the top, up to 60 mm down; counts up as it goes down
//!   one fault line and one busy line for both, open drain, active low
//! ```
//!
//! Written against the traits of embedded-hal alone, for any register map and without the standard library: the same
//! source runs on a controller with a chain of motors and on a PC with a virtual one. [`Dipper`] blocks;
//! [`AsyncDipper`] waits for its pins. What both do alike, without I/O, is in [`machine`] and [`course`].
#![no_std]
#![cfg_attr(
    not(test),
    deny(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing, clippy::float_arithmetic)
)]

mod asynchronous;
mod blocking;
pub mod course;
mod error;
pub mod machine;

pub use asynchronous::AsyncDipper;
pub use blocking::{Clock, Dipper};
pub use course::{Bath, Course, CourseError, Place};
pub use error::DipError;
