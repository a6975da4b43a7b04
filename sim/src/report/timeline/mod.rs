//! The report on a recording: what was asked and what differed on one time line, above the motion of each axis.
//!
//! ```text
//!   replay  ->  Timeline (plain data)  ->  page   report.html: one file, to look at and to click in
//!                                      `->  drawing   report.svg: the same picture for documents
//! ```
//!
//! A [`Timeline`] knows nothing of chains or maps: names, times, texts, full steps. A mark of a command is a bar, one of a
//! divergence a cross in a square: they differ in shape and not in colour alone. Marks that would lie over one another
//! become one that tells how many it stands for, and curves are drawn as their extremes in each column of the picture, so
//! that a page of any recording can be opened. The same timeline gives the same bytes on any machine.

mod colours;
mod drawing;
mod page;
mod thin;

use super::Track;

pub use drawing::drawing;
pub use page::page;

/// Everything that the page shows.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Timeline {
    /// What was recorded.
    pub title: String,
    /// What was found, in a sentence.
    pub summary: String,
    /// What holds for the recording as a whole: name and value.
    pub facts: Vec<(String, String)>,
    /// One for each axis.
    pub lanes: Vec<Lane>,
    /// Where the time axis begins, in seconds.
    pub start_s: f64,
    /// Where it ends.
    pub end_s: f64,
}

/// One axis.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Lane {
    /// Its position and velocity, and its name.
    pub track: Track,
    /// What else is known of it over time, such as currents; one panel for each.
    pub series: Vec<Series>,
    /// What was asked of it, in the order of time.
    pub commands: Vec<Entry>,
    /// Where its device has answered otherwise than expected.
    pub divergences: Vec<Entry>,
}

/// Something at an instant.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Entry {
    /// When, in seconds.
    pub time_s: f64,
    /// What, in a few words.
    pub text: String,
    /// All there is to say about it, line by line.
    pub details: Vec<String>,
}

/// A quantity over time, straight between its points.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Series {
    /// What it is, and its unit.
    pub name: String,
    /// Seconds and values, in the order of time.
    pub points: Vec<(f64, f64)>,
}
