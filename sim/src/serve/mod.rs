//! Offers a virtual chain to firmware at the other end of a byte link.
//!
//! ```text
//!   bytes  ->  talk: packets, repetitions  ->  Offer: the chain, its lines and its time  ->  Outcome  ->  Report
//!   listen: who may talk                       pace: the wall clock, if it is to be followed
//! ```
//!
//! The link's protocol is documented by [`stepchain_link`], whose packets and messages are used here as they are; that
//! crate's client is not. Virtual time follows the firmware: its selections take the time of their bits, its delays
//! take themselves, and nothing else takes any, unless the [wall clock](pace) is followed.
//!
//! ```
//! use std::io::Cursor;
//! use stepchain_link::message::kind;
//! use stepchain_link::packet::{MOST_ON_LINE, Packet};
//! use stepchain_sim::bench;
//! use stepchain_sim::serve::{Left, Offer, Talk};
//!
//! let text = "chain = { map = \"latched\", axes = [\"lift\"] }";
//! let bench = bench::parse_machine(&bench::Source { file: "lift.toml", text })?;
//! let mut offer = Offer::new(&bench, &[])?;
//! let mut line = [0; MOST_ON_LINE];
//! let hello = Packet { session: 7, sequence: 0, kind: kind::HELLO, body: &[1] }.write(&mut line).unwrap();
//! let mut answers = Vec::new();
//! let left = Talk::default().hold(&mut offer, &mut Cursor::new(&line[..hello]), &mut answers, None)?;
//! assert_eq!(left, Left::Closed);
//! assert!(!answers.is_empty());
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

mod condition;
mod listen;
mod offer;
mod outcome;
pub mod pace;
mod talk;
#[cfg(test)]
mod tests;

pub use condition::{Condition, Schedule};
pub use listen::listen;
pub use offer::{Exchange, Offer, frames_csv};
pub use outcome::{AxisServed, COLUMNS, Outcome, report};
pub use talk::{Left, Talk, turn_away};
