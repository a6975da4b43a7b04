//! Host simulator for daisy chains of smart stepper drivers.

pub mod bench;
pub mod chain;
pub mod cli;
pub mod clock;
pub mod decode;
pub mod device;
pub mod map_file;
pub mod motion;
pub mod report;
pub mod run;
pub mod wire;
