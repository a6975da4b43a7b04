//! Firmware of a vial picker: a needle on a gantry that is dipped into one vial of a tray after another. The machine and
//! its numbers are invented.
//!
//! ```text
//!   device 0: gantry      along the tray
//!   device 1: carriage    across it
//!   device 2: needle      counts up as it goes down
//!   one fault line and one busy line for all three, open drain, active low
//! ```
//!
//! Written against the traits of embedded-hal alone, for any register map and without the standard library: the tests
//! run this source on virtual motors, and `examples/firmware` puts it on a controller.
#![no_std]
#![cfg_attr(
    not(test),
    deny(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing, clippy::float_arithmetic)
)]

mod error;
pub mod machine;
mod picker;

pub use error::PickError;
pub use machine::Spot;
pub use picker::{Clock, Picker};
