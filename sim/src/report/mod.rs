//! The report on a run: one page that explains itself, and the motion as numbers.
//!
//! ```text
//!   run  ->  Report (plain data)  ->  page   report.html, with a chart for each axis
//!                                 `->  table  motion.csv
//! ```
//!
//! A [`Report`] knows nothing of chains, maps or engines: names, times and full steps. The same report gives the same
//! bytes on any machine.

mod chart;
mod motor;
mod number;
mod page;
mod table;
pub mod timeline;
mod track;

pub use motor::{MotorKnot, MotorTrack};
pub(crate) use number::number;
pub use page::page;
pub use table::motion_csv;
pub use track::{Knot, Track};

/// Everything that the page shows.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Report {
    /// What was run.
    pub title: String,
    /// What it shows, in a sentence or two.
    pub description: String,
    /// What holds for the run as a whole: name and value.
    pub facts: Vec<(String, String)>,
    /// Heads of the columns of the summary.
    pub columns: Vec<String>,
    /// One row of the summary for each axis.
    pub rows: Vec<Vec<String>>,
    /// Heads of the columns of the motors.
    pub motor_columns: Vec<String>,
    /// One row for each axis with a motor.
    pub motor_rows: Vec<Vec<String>>,
    /// Heads of the columns of the settings.
    pub setting_columns: Vec<String>,
    /// One row for each setting: what was asked, and what the register holds; and whether the two differ.
    pub settings: Vec<(Vec<String>, bool)>,
    /// What was not as it should be; empty if all was well.
    pub findings: Vec<String>,
    /// Heads of the columns of the disturbances.
    pub disturbance_columns: Vec<String>,
    /// What was made to go wrong on purpose.
    pub disturbances: Vec<Disturbance>,
    /// One track for each axis.
    pub tracks: Vec<Track>,
    /// Pictures of what an oscilloscope at the motors shows, as SVG.
    pub scopes: Vec<String>,
    /// What was asked, in the order of time.
    pub marks: Vec<Mark>,
    /// Where the time axis ends, in seconds.
    pub end_s: f64,
}

/// Something that was made to go wrong on purpose.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Disturbance {
    /// The number that the charts show.
    pub number: usize,
    /// What it was and what it did.
    pub row: Vec<String>,
    /// Why, in the words of whoever wrote the bench.
    pub note: String,
    /// Indices of the axes that it concerns.
    pub axes: Vec<usize>,
    /// From when to when, in seconds; none if it never began.
    pub span_s: Option<(f64, f64)>,
}

/// Commands that took effect at one instant.
#[derive(Clone, Debug, PartialEq)]
pub struct Mark {
    /// The number that the charts show.
    pub number: usize,
    /// When they took effect, in seconds.
    pub time_s: f64,
    /// Index of an axis, and what it was asked.
    pub commands: Vec<(usize, String)>,
    /// Why, in the words of whoever wrote the bench.
    pub note: String,
}

impl Mark {
    fn is_for(&self, axis: usize) -> bool {
        self.commands.iter().any(|&(other, _)| other == axis)
    }
}
