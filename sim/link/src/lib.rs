#![doc = include_str!("../README.md")]
#![no_std]
#![cfg_attr(
    not(test),
    deny(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing, clippy::float_arithmetic)
)]

#[cfg(feature = "async")]
mod asynchronous;
mod client;
mod error;
mod exchange;
mod handles;
pub mod message;
pub mod packet;
#[cfg(test)]
mod tests;

#[cfg(feature = "async")]
pub use asynchronous::{AsyncBegun, AsyncLink, AsyncLinkDelay, AsyncLinkSpi, AsyncTransport};
pub use client::{Begun, Greeting, Link, Transport};
pub use error::{LinkError, Refusal};
pub use handles::{LinkClock, LinkDelay, LinkInput, LinkSpi};
