//! Host programs and bench files that show stepchain at work.

pub mod tuned;
pub mod twin;
