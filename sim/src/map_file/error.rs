//! What is wrong with a map file, and where: file, line and column, what was found, what was expected.

use std::error::Error;
use std::fmt;
use std::io;

use stepchain::map::Flaw;

use crate::spelling::nearest;

/// A place in a file, as editors count: the first line and the first character are 1.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Place {
    /// The file's name as it was given.
    pub file: String,
    /// The line.
    pub line: usize,
    /// The column, in characters.
    pub column: usize,
}

/// Why a map file cannot be used.
#[derive(Debug)]
#[non_exhaustive]
pub enum MapFileError {
    /// The file could not be read at all.
    Read {
        /// The file's name as it was given.
        file: String,
        /// What the system said.
        source: io::Error,
    },
    /// There is no such file, and no map of the program's own by this name.
    Missing {
        /// The file's name as it was given.
        file: String,
        /// The map of the program's own that was most likely meant.
        near: Option<&'static str>,
    },
    /// The text is not TOML.
    Syntax {
        /// Where.
        place: Place,
        /// That it is no TOML, and what the TOML reader said, on one line.
        message: String,
    },
    /// The text is TOML, but says something that a map does not.
    Unexpected {
        /// Where.
        place: Place,
        /// What stands there.
        found: String,
        /// What could have stood there.
        expected: String,
        /// A guess at what was meant, or what to do.
        hint: Option<String>,
    },
    /// Everything can be read, but the layout cannot work.
    Flawed {
        /// The register, command, flag or section that is the culprit.
        place: Place,
        /// What is wrong with it.
        flaw: Flaw,
    },
}

impl MapFileError {
    /// Where in the file the trouble is; `None` if the file could not be read at all.
    #[must_use]
    pub fn place(&self) -> Option<&Place> {
        match self {
            Self::Read { .. } | Self::Missing { .. } => None,
            Self::Syntax { place, .. } | Self::Unexpected { place, .. } | Self::Flawed { place, .. } => Some(place),
        }
    }
}

impl MapFileError {
    /// The same with a hint, where something unexpected was found.
    pub(super) fn hint(mut self, text: String) -> Self {
        if let Self::Unexpected { hint, .. } = &mut self {
            *hint = Some(text);
        }
        self
    }

    /// The same, and the one of the candidates that `word` most likely means, if any is near.
    pub(super) fn or_near<'a>(self, word: &str, candidates: impl IntoIterator<Item = &'a str>) -> Self {
        match nearest(word, candidates) {
            Some(near) => self.hint(format!("did you mean `{near}`?")),
            None => self,
        }
    }
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}:{}", self.file, self.line, self.column)
    }
}

impl fmt::Display for MapFileError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Read { file, source } => {
                write!(f, "{file}: found nothing that can be read ({source}), expected a map file")
            }
            Self::Missing { file, near } => {
                write!(f, "{file}: found no such file, expected `latched`, `fixed-word` or the path of a map file")?;
                near.map_or(Ok(()), |near| write!(f, "; did you mean `{near}`?"))
            }
            Self::Syntax { place, message } => write!(f, "{place}: {message}"),
            Self::Unexpected { place, found, expected, hint } => {
                write!(f, "{place}: found {found}, expected {expected}")?;
                hint.as_ref().map_or(Ok(()), |hint| write!(f, "; {hint}"))
            }
            Self::Flawed { place, flaw } => write!(f, "{place}: {flaw}"),
        }
    }
}

impl Error for MapFileError {
    fn source(&self) -> Option<&(dyn Error + 'static)> {
        match self {
            Self::Read { source, .. } => Some(source),
            Self::Flawed { flaw, .. } => Some(flaw),
            Self::Missing { .. } | Self::Syntax { .. } | Self::Unexpected { .. } => None,
        }
    }
}
