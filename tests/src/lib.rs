//! What the end-to-end tests share: more register maps, three with a wire shape of their own and one
//! that shares its wire form with a map of the driver's.
//!
//! The tests themselves stand in `tests/`.

pub mod maps;

/// The example of the README, so that it cannot rot.
#[cfg(doctest)]
#[doc = include_str!("../../README.md")]
pub struct Readme;
