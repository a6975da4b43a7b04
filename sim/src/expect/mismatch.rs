//! The difference between what was expected and what was found, as a small table with the log around it.

use std::fmt;

use crate::device::{Event, grouped};
use crate::text::table;

/// So many entries of the log are shown before the instant, and so many after it.
const BEFORE: usize = 8;
const AFTER: usize = 4;

/// Something was not as expected. Shown, and also printed by `unwrap`, as a table.
#[derive(Clone, PartialEq, Eq)]
pub struct Mismatch {
    title: String,
    table: String,
    around: String,
}

impl Mismatch {
    pub(super) fn new(title: String, head: &[&str], rows: &[Vec<String>], events: &[Event], at_ns: u64) -> Self {
        let is_number = |cell: &String| cell.starts_with(|c: char| c.is_ascii_digit() || c == '-');
        let is_of_numbers = |&column: &usize| rows.iter().all(|row| row.get(column).is_some_and(is_number));
        let to_the_right: Vec<_> = (0..head.len()).filter(is_of_numbers).collect();
        Self { title, table: table(head, rows, &to_the_right), around: around(events, at_ns) }
    }
}

/// The entries of the log before and after an instant, with a line between.
fn around(events: &[Event], at_ns: u64) -> String {
    let place = events.partition_point(|event| event.time_ns <= at_ns);
    let (before, after) = events.split_at(place);
    let line = |event: &Event| format!("  {event}\n");
    let first = before.len().saturating_sub(BEFORE);
    let mut text = if first > 0 { format!("  {:>17}  {first} more\n", "...") } else { String::new() };
    text.extend(before.iter().skip(first).map(line));
    text.push_str(&format!("> {:>17}  ----\n", grouped(at_ns)));
    text.extend(after.iter().take(AFTER).map(line));
    if after.len() > AFTER {
        text.push_str(&format!("  {:>17}  {} more\n", "...", after.len() - AFTER));
    }
    text
}

impl fmt::Display for Mismatch {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "{}", self.title)?;
        self.table.lines().try_for_each(|line| writeln!(f, "  {}", line.trim_end()))?;
        write!(f, "the log around it, times in ns:\n{}", self.around)
    }
}

/// As it is shown: a test that unwraps has the table, too.
impl fmt::Debug for Mismatch {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "not as expected: {self}")
    }
}

impl std::error::Error for Mismatch {}

/// Makes an assertion of an expectation.
pub trait OrPanic {
    /// Panics with the table, at the caller's line, if it does not hold.
    fn or_panic(self);
}

impl OrPanic for Result<(), Mismatch> {
    #[track_caller]
    fn or_panic(self) {
        if let Err(mismatch) = self {
            panic!("not as expected: {mismatch}");
        }
    }
}
