//! Driver for daisy chains of smart stepper drivers on SPI.
#![no_std]
