//! Host simulator for daisy chains of smart stepper drivers.

pub mod motion;
