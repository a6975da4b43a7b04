//! Host programs and bench files that show stepchain at work.

pub mod twin;
