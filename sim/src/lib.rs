//! Host simulator for daisy chains of smart stepper drivers.
pub mod map_file;
pub mod random_map;
