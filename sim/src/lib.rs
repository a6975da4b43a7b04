//! Host simulator for daisy chains of smart stepper drivers.

pub mod chain;
pub mod clock;
pub mod decode;
pub mod device;
pub mod motion;
pub mod wire;
