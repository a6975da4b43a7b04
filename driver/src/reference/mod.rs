//! Two register maps of the project's own invention, to try the driver and the simulator without a chip.
//!
//! They follow no product; they differ from one another in every respect that a [`Layout`](crate::map::Layout)
//! can express, so that what works on both is not an accident of one.

mod fixed_word;
mod latched;

pub use fixed_word::FixedWord;
pub use latched::Latched;
