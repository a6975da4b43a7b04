//! What came of the laws: how often each was tried, where it was broken, what could not be tried.

use std::fmt;

use crate::text::table;

/// More cases than this of one law are counted and not told.
const TOLD: usize = 12;

/// One law, and what came of it.
#[derive(Clone, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub struct Law {
    /// The law, as a sentence.
    pub name: &'static str,
    /// How many cases were tried.
    pub tried: usize,
    /// How many of them broke the law.
    pub broken: usize,
    /// The first cases that broke it, in words.
    pub failures: Vec<String>,
    /// What could not be tried, and why.
    pub not_tried: Vec<String>,
}

impl Law {
    pub(super) const fn new(name: &'static str) -> Self {
        Self { name, tried: 0, broken: 0, failures: Vec::new(), not_tried: Vec::new() }
    }

    /// One case: what is to hold, and what is told if it does not.
    pub(super) fn must(&mut self, holds: bool, text: impl FnOnce() -> String) {
        self.tried += 1;
        if !holds {
            self.broken += 1;
            if self.failures.len() < TOLD {
                self.failures.push(text());
            }
        }
    }

    /// A case that is broken if there is an error.
    pub(super) fn keep(&mut self, outcome: Result<(), String>) {
        let text = outcome.err();
        self.must(text.is_none(), || text.unwrap_or_default());
    }

    /// A case that this map gives no means to try.
    pub(super) fn cannot(&mut self, text: String) {
        if !self.not_tried.contains(&text) {
            self.not_tried.push(text);
        }
    }

    /// Whether no case broke it.
    #[must_use]
    pub const fn is_kept(&self) -> bool {
        self.broken == 0
    }
}

/// What came of all laws on one map. Shown as a table, and under it what is wrong.
#[derive(Clone, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub struct Report {
    /// The map's name.
    pub map: &'static str,
    /// The laws, in the order in which they were tried.
    pub laws: Vec<Law>,
}

impl Report {
    /// Whether every law is kept.
    #[must_use]
    pub fn is_kept(&self) -> bool {
        self.laws.iter().all(Law::is_kept)
    }
}

impl fmt::Display for Report {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let row = |law: &Law| {
            let verdict = match law.broken {
                0 if law.tried == 0 => "nothing to try".to_owned(),
                0 => "kept".to_owned(),
                broken => format!("broken {broken} times"),
            };
            vec![law.name.to_owned(), law.tried.to_string(), verdict]
        };
        let rows: Vec<_> = self.laws.iter().map(row).collect();
        write!(f, "{}", table(&["law", "cases", ""], &rows, &[1]))?;
        for law in self.laws.iter().filter(|law| !law.is_kept()) {
            writeln!(f, "Broken: {}", law.name)?;
            law.failures.iter().try_for_each(|failure| writeln!(f, "  - {failure}"))?;
            if law.broken > law.failures.len() {
                writeln!(f, "  - and {} more", law.broken - law.failures.len())?;
            }
        }
        let not_tried: Vec<_> = self.laws.iter().flat_map(|law| &law.not_tried).collect();
        if !not_tried.is_empty() {
            writeln!(f, "Not tried:")?;
            not_tried.iter().try_for_each(|text| writeln!(f, "  - {text}"))?;
        }
        Ok(())
    }
}
