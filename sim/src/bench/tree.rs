//! TOML with places: tables and values that complain with line and column, and that refuse keys they do not know.
//!
//! Above stands [`parse`](super::parse), which knows what a bench is; this file knows TOML and little else.

use core::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::HEAD;
use super::problem::{Problem, Source};
use crate::spelling::nearest;

/// A value and where it stands.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Node<'a> {
    source: &'a Source<'a>,
    value: &'a Spanned<DeValue<'a>>,
}

/// A table, the place of its head, and its entries in the order of the file.
#[derive(Clone, Debug)]
pub(crate) struct Table<'a> {
    source: &'a Source<'a>,
    pub(crate) span: Range<usize>,
    entries: Vec<Entry<'a>>,
}

/// One key with its value.
#[derive(Clone, Debug)]
pub(crate) struct Entry<'a> {
    pub(crate) key: &'a str,
    pub(crate) key_span: Range<usize>,
    pub(crate) node: Node<'a>,
}

impl<'a> Table<'a> {
    pub(crate) fn new(source: &'a Source<'a>, span: Range<usize>, table: &'a DeTable<'a>) -> Self {
        let entry = |(key, value): (&'a Spanned<_>, _)| Entry {
            key: AsRef::<std::borrow::Cow<'a, str>>::as_ref(key).as_ref(),
            key_span: key.span(),
            node: Node { source, value },
        };
        let mut entries: Vec<_> = table.iter().map(entry).collect();
        entries.sort_by_key(|entry| entry.key_span.start);
        Self { source, span, entries }
    }

    pub(crate) fn entries(&self) -> &[Entry<'a>] {
        &self.entries
    }

    pub(crate) fn get(&self, key: &str) -> Option<Node<'a>> {
        self.entries.iter().find(|entry| entry.key == key).map(|entry| entry.node)
    }

    pub(crate) fn need(&self, key: &str, what: &str) -> Result<Node<'a>, Problem> {
        self.get(key).ok_or_else(|| self.source.problem(&self.span, format!("no `{key}`"), format!("`{key}` = {what}")))
    }

    /// Refuses every key that is none of `known`.
    pub(crate) fn only(&self, known: &[&str]) -> Result<(), Problem> {
        match self.entries.iter().find(|entry| !known.contains(&entry.key)) {
            None => Ok(()),
            Some(entry) => Err(unknown(self.source, &entry.key_span, entry.key, known)),
        }
    }
}

/// A word that is none of `known`, with the nearest of them as a hint.
pub(crate) fn unknown(source: &Source<'_>, span: &Range<usize>, word: &str, known: &[&str]) -> Problem {
    let expected = match known {
        [one] => format!("`{one}`"),
        _ => format!("one of `{}`", known.join("`, `")),
    };
    let problem = source.problem(span, format!("`{word}`"), expected);
    match nearest(word, known.iter().copied()) {
        // In TOML, what follows a table's head belongs to that table: an easy slip.
        None if HEAD.contains(&word) => problem.hint(format!("`{word}` stands at the top, before the first [table]")),
        Some(near) => problem.hint(format!("did you mean `{near}`?")),
        None => problem,
    }
}

impl<'a> Node<'a> {
    pub(crate) fn span(&self) -> Range<usize> {
        self.value.span()
    }

    /// A problem with this value.
    pub(crate) fn problem(&self, found: impl Into<String>, expected: impl Into<String>) -> Problem {
        self.source.problem(&self.span(), found, expected)
    }

    fn wrong(&self, expected: &str) -> Problem {
        let found = match self.value.get_ref() {
            DeValue::String(text) => format!("the text {text:?}"),
            DeValue::Integer(number) => format!("the number {}", number.as_str()),
            DeValue::Float(number) => format!("the number {}", number.as_str()),
            DeValue::Boolean(truth) => format!("`{truth}`"),
            other => format!("a value of the type {}", other.type_str()),
        };
        self.problem(found, expected)
    }

    pub(crate) fn text(&self, expected: &str) -> Result<&'a str, Problem> {
        self.value.get_ref().as_str().ok_or_else(|| self.wrong(expected))
    }

    /// A word out of a list.
    pub(crate) fn word<T: Copy>(&self, words: &[(&str, T)]) -> Result<T, Problem> {
        let known: Vec<_> = words.iter().map(|&(word, _)| word).collect();
        let found = self.text(&format!("one of \"{}\"", known.join("\", \"")))?;
        let meant = words.iter().find(|&&(word, _)| word == found);
        meant.map(|&(_, meaning)| meaning).ok_or_else(|| unknown(self.source, &self.span(), found, &known))
    }

    pub(crate) fn as_text(&self) -> Option<&'a str> {
        self.value.get_ref().as_str()
    }

    pub(crate) fn number(&self, expected: &str) -> Result<f64, Problem> {
        let number = match self.value.get_ref() {
            DeValue::Integer(_) => return self.whole(expected).map(|whole| whole as f64),
            DeValue::Float(number) => number.as_str().parse::<f64>().ok(),
            _ => None,
        };
        number.filter(|number| number.is_finite()).ok_or_else(|| self.wrong(expected))
    }

    pub(crate) fn whole(&self, expected: &str) -> Result<i64, Problem> {
        let number = self.value.get_ref().as_integer();
        let whole = number.and_then(|number| i64::from_str_radix(number.as_str(), number.radix()).ok());
        whole.ok_or_else(|| self.wrong(expected))
    }

    pub(crate) fn is_true(&self) -> Result<(), Problem> {
        match self.value.get_ref().as_bool() {
            Some(true) => Ok(()),
            _ => Err(self.wrong("`true`")),
        }
    }

    pub(crate) fn table(&self, expected: &str) -> Result<Table<'a>, Problem> {
        let table = self.value.get_ref().as_table().ok_or_else(|| self.wrong(expected))?;
        Ok(Table::new(self.source, self.span(), table))
    }

    pub(crate) fn list(&self, expected: &str) -> Result<Vec<Node<'a>>, Problem> {
        let list = self.value.get_ref().as_array().ok_or_else(|| self.wrong(expected))?;
        Ok(list.iter().map(|value| Node { source: self.source, value }).collect())
    }
}
