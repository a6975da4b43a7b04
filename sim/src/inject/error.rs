//! Why a script cannot be carried out on a chain.

use core::fmt;

/// What is wrong with a fault of a script.
#[derive(Clone, Copy, Debug, PartialEq)]
#[non_exhaustive]
pub enum InjectError {
    /// The chain has no such device.
    NoSuchDevice {
        /// The device.
        device: usize,
        /// How many there are.
        devices: usize,
    },
    /// The device has no such axis.
    NoSuchAxis {
        /// The device.
        device: usize,
        /// The axis.
        axis: usize,
        /// How many there are.
        axes: usize,
    },
    /// There is no line behind the last device but miso.
    NothingBehind {
        /// The device.
        device: usize,
        /// How many there are.
        devices: usize,
    },
    /// A probability outside 0..=1.
    NoProbability {
        /// The number.
        found: f64,
    },
    /// Motions are counted from 1.
    NoMotion,
    /// A position that is no number.
    NoNumber {
        /// What it is.
        found: f64,
    },
    /// A velocity that is not positive.
    NoVelocity {
        /// The number.
        found: f64,
    },
    /// A fault that would change nothing: no bits, no clocks, or too short for any.
    NoEffect,
}

impl fmt::Display for InjectError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoSuchDevice { device, devices } => {
                write!(f, "the chain has {devices} devices, counted from 0, and no device {device}")
            }
            Self::NoSuchAxis { device, axis, axes } => {
                write!(f, "device {device} has {axes} axes, counted from 0, and no axis {axis}")
            }
            Self::NothingBehind { device, devices } => {
                write!(f, "no device is behind device {device} of {devices}, counted from 0")
            }
            Self::NoProbability { found } => write!(f, "{found} is no probability: it is outside 0..=1"),
            Self::NoMotion => f.write_str("motions are counted from 1"),
            Self::NoNumber { found } => write!(f, "{found} is no position"),
            Self::NoVelocity { found } => write!(f, "{found} steps/s is no velocity above zero"),
            Self::NoEffect => f.write_str("the fault would change nothing: no bits, no clocks, or no time for any"),
        }
    }
}

impl core::error::Error for InjectError {}
