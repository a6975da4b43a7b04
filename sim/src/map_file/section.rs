//! TOML values with their places: asked for by key and kind, or refused with line, column, found and expected.
//!
//! A [`Section`] remembers which keys were asked for, so that what nobody asked for is an error that lists what
//! would have been understood. Knows TOML, and nothing of maps.

use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::error::{MapFileError, Place};
use super::words::{self, Word};

pub(super) type Result<T> = std::result::Result<T, MapFileError>;

/// The text of a file, to find line and column of a byte.
#[derive(Clone, Copy, Debug)]
pub(super) struct Source<'t> {
    pub(super) name: &'t str,
    pub(super) text: &'t str,
}

impl Source<'_> {
    /// Line and column of a byte.
    pub(super) fn place(&self, offset: usize) -> Place {
        let before = self.text.get(..offset).unwrap_or(self.text);
        let line_start = before.rfind('\n').map_or(0, |newline| newline + 1);
        Place {
            file: self.name.to_owned(),
            line: 1 + before.matches('\n').count(),
            column: 1 + before[line_start..].chars().count(),
        }
    }

    pub(super) fn unexpected(&self, offset: usize, found: String, expected: impl Into<String>) -> MapFileError {
        MapFileError::Unexpected { place: self.place(offset), found, expected: expected.into(), hint: None }
    }
}

/// A value and its place.
#[derive(Clone, Copy, Debug)]
pub(super) struct At<'t> {
    source: Source<'t>,
    value: &'t Spanned<DeValue<'t>>,
}

/// A whole number type and its limits.
pub(super) trait Whole: TryFrom<i128> {
    const LIMITS: (i128, i128);
}

macro_rules! whole {
    ($($type:ty),*) => {
        $(impl Whole for $type {
            const LIMITS: (i128, i128) = (<$type>::MIN as i128, <$type>::MAX as i128);
        })*
    };
}
whole!(u8, u16, u32, u64, i32);

impl<'t> At<'t> {
    /// Where the value begins, as a byte of the text.
    pub(super) fn offset(&self) -> usize {
        self.value.span().start
    }

    /// The error that something else stands here.
    pub(super) fn instead_of(&self, expected: impl Into<String>) -> MapFileError {
        let Range { start, end } = self.value.span();
        let written = self.source.text.get(start..end).unwrap_or_default();
        let line = written.lines().next().unwrap_or_default();
        let cut: String = line.chars().take(48).collect();
        let more = if cut.len() < written.len() { " …" } else { "" };
        self.source.unexpected(start, format!("{cut}{more}"), expected)
    }

    /// A whole number that its type holds.
    pub(super) fn number<T: Whole>(&self) -> Result<T> {
        let (min, max) = T::LIMITS;
        let number = self.value.get_ref().as_integer().and_then(|written| {
            let number = i128::from_str_radix(written.as_str(), written.radix()).ok()?;
            T::try_from(number).ok()
        });
        number.ok_or_else(|| self.instead_of(format!("a whole number from {min} to {max}")))
    }

    /// As [`number`](Self::number) of 64 bits, or the same in quotes: TOML promises no integers above 2⁶³ − 1.
    pub(super) fn wide_number(&self) -> Result<u64> {
        let Some(text) = self.value.get_ref().as_str() else {
            return self.number();
        };
        let hex = text.strip_prefix("0x").map(|digits| digits.replace('_', ""));
        hex.and_then(|digits| u64::from_str_radix(&digits, 16).ok())
            .ok_or_else(|| self.instead_of("a whole number, or one such as \"0xFFFF_FFFF_FFFF_FFFF\" in quotes"))
    }

    pub(super) fn text(&self) -> Result<&'t str> {
        self.value.get_ref().as_str().ok_or_else(|| self.instead_of("a text in quotes"))
    }

    pub(super) fn boolean(&self) -> Result<bool> {
        self.value.get_ref().as_bool().ok_or_else(|| self.instead_of("`true` or `false`"))
    }

    /// One of the words of a kind.
    pub(super) fn word<W: Word>(&self) -> Result<W> {
        let text = self.value.get_ref().as_str();
        text.and_then(words::of).ok_or_else(|| {
            let known = W::ALL.iter().map(|word| word.word());
            self.instead_of(words::list::<W>()).or_near(text.unwrap_or_default(), known)
        })
    }

    pub(super) fn is_text(&self) -> bool {
        self.value.get_ref().is_str()
    }

    pub(super) fn is_number(&self) -> bool {
        self.value.get_ref().is_integer()
    }

    /// The values of a list; `of` says what it is a list of.
    pub(super) fn list(&self, of: &str) -> Result<Vec<At<'t>>> {
        let list = self.value.get_ref().as_array().ok_or_else(|| self.instead_of(format!("a list of {of}")))?;
        Ok(list.iter().map(|value| At { source: self.source, value }).collect())
    }

    /// The keys of a table; `of` says what the table is.
    pub(super) fn section(&self, of: &str) -> Result<Section<'t>> {
        let table = self.value.get_ref().as_table().ok_or_else(|| self.instead_of(format!("a table: {of}")))?;
        Ok(Section { source: self.source, table, offset: self.offset(), asked: Vec::new() })
    }
}

/// A table whose keys are asked for one by one.
#[derive(Debug)]
pub(super) struct Section<'t> {
    source: Source<'t>,
    table: &'t DeTable<'t>,
    offset: usize,
    asked: Vec<&'static str>,
}

impl<'t> Section<'t> {
    /// The whole of a file.
    pub(super) fn root(source: Source<'t>, table: &'t DeTable<'t>) -> Self {
        Self { source, table, offset: 0, asked: Vec::new() }
    }

    /// The error that something is found at a byte of the text.
    pub(super) fn unexpected(&self, offset: usize, found: String, expected: &str) -> MapFileError {
        self.source.unexpected(offset, found, expected)
    }

    /// Where the table begins, as a byte of the text.
    pub(super) fn offset(&self) -> usize {
        self.offset
    }

    /// The value under a key, if it is there.
    pub(super) fn optional(&mut self, key: &'static str) -> Option<At<'t>> {
        self.asked.push(key);
        self.table.get(key).map(|value| At { source: self.source, value })
    }

    /// The value under a key that has to be there.
    pub(super) fn need(&mut self, key: &'static str) -> Result<At<'t>> {
        let value = self.optional(key);
        value.ok_or_else(|| self.lacks(&format!("`{key}`")))
    }

    /// The error that the table lacks something.
    pub(super) fn lacks(&self, expected: &str) -> MapFileError {
        let mut keys: Vec<_> = self.table.keys().collect();
        keys.sort_by_key(|key| key.span().start);
        let keys: Vec<String> = keys.into_iter().map(|key| format!("`{}`", key.get_ref())).collect();
        let found = if keys.is_empty() { "no key".to_owned() } else { format!("only {}", keys.join(", ")) };
        self.source.unexpected(self.offset, found, format!("also {expected}"))
    }

    /// A number under a key, or what holds without it.
    pub(super) fn number_or<T: Whole>(&mut self, key: &'static str, otherwise: T) -> Result<T> {
        self.optional(key).map_or(Ok(otherwise), |value| value.number())
    }

    /// A word under a key, or what holds without it.
    pub(super) fn word_or<W: Word>(&mut self, key: &'static str, otherwise: W) -> Result<W> {
        self.optional(key).map_or(Ok(otherwise), |value| value.word())
    }

    /// The keys themselves, in the order of the text, for a table whose keys are names.
    pub(super) fn entries(&self) -> Vec<(Named<'t>, At<'t>)> {
        let mut entries: Vec<_> = self.table.iter().collect();
        entries.sort_by_key(|(key, _)| key.span().start);
        let entries = entries.into_iter();
        entries
            .map(|(key, value)| {
                let named = Named { source: self.source, text: key.get_ref(), offset: key.span().start };
                (named, At { source: self.source, value })
            })
            .collect()
    }

    /// Refuses every key that nobody asked for.
    pub(super) fn finish(self) -> Result<()> {
        match self.entries().iter().find(|(key, _)| !self.asked.contains(&key.text)) {
            None => Ok(()),
            Some((key, _)) => {
                let expected = words::one_of(self.asked.iter().map(|asked| format!("`{asked}`")));
                Err(key.instead_of(expected).or_near(key.text, self.asked.iter().copied()))
            }
        }
    }
}

/// A key that is a name, and its place.
#[derive(Clone, Copy, Debug)]
pub(super) struct Named<'t> {
    source: Source<'t>,
    pub(super) text: &'t str,
    offset: usize,
}

impl Named<'_> {
    /// The error that something else stands here.
    pub(super) fn instead_of(&self, expected: impl Into<String>) -> MapFileError {
        self.source.unexpected(self.offset, format!("the key `{}`", self.text), expected)
    }
}
