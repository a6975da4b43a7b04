//! Turns motion commands with their limits into a step counter that can be asked at any instant.
//!
//! ```text
//! limits, command -> profile: legs in closed form -> engine: legs in time and on counts -> position, velocity, steps
//!                                                      field: the counter turned into what the windings make of it
//! ```
//!
//! Between two commands the ideal motion is a handful of quadratics in time, so everything here is computed
//! from closed forms: the cost of a move or of a question does not grow with the length of the move.
//!
//! What holds throughout:
//!
//! * **A leg** is motion in one direction. A reversal goes through standstill and so makes two legs.
//! * **A step** to count n happens at the instant at which the ideal motion reaches n. The position counter is
//!   the number of steps, signed by their direction; a fraction of a microstep that is left at standstill is
//!   dropped, and the next leg begins on the whole count.
//! * **Start-stop velocity**: below it the velocity follows without a ramp. A leg from rest jumps up to it in its
//!   first instant, and a leg that ends drops it in its last. It is never above the cruise velocity.
//! * **Instants** are whole nanoseconds of virtual time outside; inside a leg they are seconds since its beginning.
//!   Where an instant falls between two nanoseconds, the later one is told.
//!
//! [`profile`] and [`mod@line`] know no microsteps: they reckon in any unit of length. Nothing here knows registers,
//! counters that wrap, switches or motors, and nothing keeps time: `now` is always an argument.

mod course;
mod engine;
mod field;
mod leg;
mod limits;
pub mod line;
pub mod profile;
mod terms;

pub use course::Step;
pub use engine::{Engine, Steps};
pub use field::{Field, FieldStep, FieldSteps};
pub use limits::Limits;
pub use terms::{Direction, OutOfRange};

#[cfg(test)]
mod tests;
