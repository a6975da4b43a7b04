//! Why a recording cannot be compared.

use std::fmt;

use stepchain::map::Flaw;

use crate::capture;
use crate::spelling::nearest;

/// Why a recording cannot be compared.
#[derive(Debug)]
#[non_exhaustive]
pub enum Error {
    /// The recording cannot be used at all.
    Capture(capture::Error),
    /// A data line is missing: both are needed.
    Line {
        /// The recording.
        file: String,
        /// The line that it has not.
        line: capture::Line,
    },
    /// The map and the number of devices make no chain.
    Chain(Flaw),
    /// A motor was given for an axis that is not there.
    Motor {
        /// The device.
        device: usize,
        /// Its axis.
        axis: usize,
    },
    /// No flag or register of the map has the name that is to be ignored.
    Name {
        /// The name.
        name: String,
        /// Those that there are.
        names: Vec<String>,
    },
    /// A switch was given for an axis that is not there.
    Switch {
        /// The device.
        device: usize,
        /// Its axis.
        axis: usize,
    },
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Capture(error) => error.fmt(f),
            Self::Line { file, line } => {
                write!(
                    f,
                    "{file}: found no {line}, expected both data lines, as what was sent is needed to know the answer"
                )
            }
            Self::Chain(flaw) => write!(f, "this map and number of devices make no chain: {flaw}"),
            Self::Motor { device, axis } => {
                write!(f, "a motor for axis {axis} of device {device}, which the chain does not have")
            }
            Self::Name { name, names } => write!(
                f,
                "nothing that an answer tells is called `{name}`, so it cannot be ignored{}; this map has {}",
                nearest(name, names.iter().map(String::as_str))
                    .map_or(String::new(), |near| format!(" (did you mean `{near}`?)")),
                names.join(", ")
            ),
            Self::Switch { device, axis } => {
                write!(f, "a switch for axis {axis} of device {device}, which the chain does not have")
            }
        }
    }
}

impl std::error::Error for Error {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::Capture(error) => Some(error),
            Self::Chain(flaw) => Some(flaw),
            _ => None,
        }
    }
}

impl From<capture::Error> for Error {
    fn from(error: capture::Error) -> Self {
        Self::Capture(error)
    }
}
