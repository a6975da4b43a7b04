//! Host simulator for daisy chains of smart stepper drivers.

pub mod decode;
pub mod motion;
pub mod wire;
