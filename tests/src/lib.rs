//! What the end-to-end tests share: three more register maps, each with a wire shape of its own.
//!
//! The tests themselves stand in `tests/`.

pub mod maps;

/// The example of the README, so that it cannot rot.
#[cfg(doctest)]
#[doc = include_str!("../../README.md")]
pub struct Readme;
