//! Host programs and bench files that show stepchain at work.

pub mod tuned;
pub mod twin;

/// The snippets of the page on porting, compiled and run.
#[cfg(doctest)]
#[doc = include_str!("../firmware/PORTING.md")]
pub struct Porting;
