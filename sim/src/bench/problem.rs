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
    /// What stands there.
    pub found: String,
    /// What would have been right.
    pub expected: String,
    /// A guess at what was meant, or what to do.
    pub hint: Option<String>,
}

impl Problem {
    /// A problem with a file as a whole.
    #[must_use]
    pub fn of_file(file: &str, found: impl Into<String>, expected: impl Into<String>) -> Self {
        Self { file: file.to_owned(), place: None, found: found.into(), expected: expected.into(), hint: None }
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
        write!(f, ": found {}, expected {}", self.found, self.expected)?;
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

/// The one of `candidates` that a misspelt word most likely means, if any is near.
#[must_use]
pub fn nearest<'a>(word: &str, candidates: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let tolerated = 1 + word.chars().count() / 4;
    candidates
        .into_iter()
        .map(|candidate| (edits(word, candidate), candidate))
        .filter(|&(edits, _)| edits <= tolerated)
        .min_by_key(|&(edits, _)| edits)
        .map(|(_, candidate)| candidate)
}

/// Letters to insert, drop or change to turn one word into another (Levenshtein's distance, row by row).
fn edits(from: &str, to: &str) -> usize {
    let to: Vec<char> = to.chars().collect();
    let mut row: Vec<usize> = (0..=to.len()).collect();
    for (index, letter) in from.chars().enumerate() {
        let mut left = index + 1;
        let mut next = vec![left];
        for ((&other, &above), &diagonal) in to.iter().zip(row.iter().skip(1)).zip(&row) {
            left = (left + 1).min(above + 1).min(diagonal + usize::from(letter != other));
            next.push(left);
        }
        row = next;
    }
    row.last().copied().unwrap_or(0)
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

    /// By hand: one letter is missing in the first; nothing is near the last.
    #[test]
    fn a_misspelt_word_finds_its_neighbour_and_a_strange_one_none() {
        let names = ["profile_velocity", "profile_deceleration", "stop"];
        assert_eq!(nearest("profile_velocty", names), Some("profile_velocity"));
        assert_eq!(nearest("stpo", names), Some("stop"));
        assert_eq!(nearest("colour", names), None);
        assert_eq!(edits("kitten", "sitting"), 3);
    }
}
