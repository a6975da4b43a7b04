//! Driver for daisy chains of smart stepper drivers on SPI.
#![no_std]
#![cfg_attr(
    not(test),
    deny(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing, clippy::float_arithmetic)
)]

pub mod map;
#[cfg(feature = "reference-maps")]
pub mod reference;
pub mod units;

/// Checks a [`RegisterMap`](map::RegisterMap) when it is compiled, by `cargo check` and by editors too.
///
/// A flawed map does not compile, and the message names the culprit.
#[macro_export]
macro_rules! check_map {
    ($map:ty) => {
        const _: () = <$map as $crate::map::RegisterMap>::LAYOUT.assert_valid();
    };
}
