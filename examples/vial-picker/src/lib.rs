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
//! [`Picker`] blocks and looks at its lines. [`AsyncPicker`] has none: it awaits, and interrupts post into its [`Desk`] when
//! to look at the devices and when somebody has pressed a key.
//!
//! Written against the traits of embedded-hal alone, for any register map and without the standard library: the tests
//! run this source on virtual motors, and `examples/firmware` puts it on a controller.
#![no_std]
#![cfg_attr(
    not(test),
    deny(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing, clippy::float_arithmetic)
)]

mod asynchronous;
mod desk;
mod error;
pub mod machine;
pub mod moments;
mod picker;

pub use asynchronous::AsyncPicker;
pub use desk::{Desk, Interrupt};
pub use error::PickError;
pub use machine::Spot;
pub use picker::{Clock, Picker};
