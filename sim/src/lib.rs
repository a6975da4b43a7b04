//! Host simulator for daisy chains of smart stepper drivers.

pub mod bench;
pub mod map_file;
pub mod motion;
pub mod report;
