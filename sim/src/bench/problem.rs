//! What is wrong with an input file, and where: file, line and column, what was found, what was expected.

use core::fmt;
use core::ops::Range;

/// Why an input cannot be used, for a person who has the file open.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    /// The file as the user named it.
    pub file: String,
    /// Line and column, both from 1, the column in characters; `None` where the whole file is meant.
    pub place: Option<(usize, usize)>,
    /// What stands there; where nothing is expected, what is wrong with it.
    pub found: String,
    /// What would have been right, unless `found` says it all.
    pub expected: Option<String>,
    /// A guess at what was meant, or what to do.
    pub hint: Option<String>,
}

impl Problem {
    /// A problem with a file as a whole.
    #[must_use]
    pub fn of_file(file: &str, found: impl Into<String>, expected: impl Into<String>) -> Self {
        Self { file: file.to_owned(), place: None, found: found.into(), expected: Some(expected.into()), hint: None }
    }

    /// The same with a hint.
    #[must_use]
    pub fn hint(mut self, hint: impl Into<String>) -> Self {
        self.hint = Some(hint.into());
        self
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.file)?;
        if let Some((line, column)) = self.place {
            write!(f, ":{line}:{column}")?;
        }
        match &self.expected {
            Some(expected) => write!(f, ": found {}, expected {expected}", self.found)?,
            None => write!(f, ": {}", self.found)?,
        }
        match &self.hint {
            Some(hint) => write!(f, "; {hint}"),
            None => Ok(()),
        }
    }
}

impl core::error::Error for Problem {}

/// A text and the name under which messages speak of it.
#[derive(Clone, Copy, Debug)]
pub struct Source<'a> {
    /// The file as the user named it.
    pub file: &'a str,
    /// All of it.
    pub text: &'a str,
}

impl Source<'_> {
    /// Line and column, both from 1, of a byte offset; beyond the end, those of the end.
    #[must_use]
    pub fn place(&self, offset: usize) -> (usize, usize) {
        let before = self.text.get(..offset).unwrap_or(self.text);
        let line_start = before.rfind('\n').map_or(0, |newline| newline + 1);
        let column = before.get(line_start..).map_or(0, |line| line.chars().count());
        (before.matches('\n').count() + 1, column + 1)
    }

    /// A problem at the first byte of a span.
    #[must_use]
    pub fn problem(&self, span: &Range<usize>, found: impl Into<String>, expected: impl Into<String>) -> Problem {
        Problem { place: Some(self.place(span.start)), ..Problem::of_file(self.file, found, expected) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_place_counts_lines_and_characters_from_one() {
        let source = Source { file: "a", text: "x\n°° y\n" };
        assert_eq!(source.place(0), (1, 1));
        assert_eq!(source.place("x\n°° ".len()), (2, 4));
        assert_eq!(source.place(99), (3, 1));
    }

    #[test]
    fn a_problem_names_file_place_found_and_expected() {
        let source = Source { file: "b.toml", text: "one\ntwo" };
        let problem = source.problem(&(4..7), "`two`", "`three`").hint("try three");
        assert_eq!(problem.to_string(), "b.toml:2:1: found `two`, expected `three`; try three");
    }

    #[test]
    fn what_says_all_by_itself_expects_nothing() {
        let problem = Problem { expected: None, ..Problem::of_file("b.toml", "is no TOML", "") };
        assert_eq!(problem.to_string(), "b.toml: is no TOML");
    }
}
