//! Measurements from a CSV file: steady points, or a back-EMF recording, told apart by the header row.
//!
//! Strict: what it does not know or cannot use is refused with file, line and column, what was found and what was expected.
//! Lines that begin with `#` are comments. Knows columns and their units, no physics.

use std::path::Path;

use super::point::Point;
use crate::bench::Problem;

/// What holds for every row of a file that has no column for it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Defaults {
    /// Supply that an amplitude as a share refers to, in volts.
    pub supply_v: f64,
    /// Temperature of the windings, in degrees Celsius.
    pub winding_c: f64,
    /// Microsteps in a full step.
    pub microsteps_per_step: u16,
}

/// The content of a file.
#[derive(Clone, Debug, PartialEq)]
pub enum Measurements {
    /// Steady states under a sine voltage.
    Steady {
        /// The file, as the user named it.
        file: String,
        /// Its rows.
        points: Vec<Point>,
    },
    /// The voltage of one open winding while the shaft is turned from outside.
    Recording {
        /// The file, as the user named it.
        file: String,
        /// Its rows: seconds, rising, and volts.
        samples: Vec<(f64, f64)>,
    },
}

const STEADY: &[&str] = &[
    "velocity",
    "amplitude_v",
    "amplitude_share",
    "supply_v",
    "current_a",
    "load_n_m",
    "winding_c",
    "microsteps",
    "rotor",
];
const RECORDING: &[&str] = &["time_s", "back_emf_v"];
const KINDS: &str = "`velocity,amplitude_v,current_a` for steady points, or `time_s,back_emf_v` for a recording";

/// Beyond this no voltage is one of a winding.
const MOST_V: f64 = 1e5;

/// Reads measurements from disk.
///
/// # Errors
/// [`Problem`] with the place of the first thing that cannot be used.
pub fn load(path: &Path, defaults: &Defaults) -> Result<Measurements, Problem> {
    let file = path.display().to_string();
    let bytes = std::fs::read(path).map_err(|error| {
        Problem::of_file(&file, format!("nothing that can be read ({error})"), "measurements in CSV")
    })?;
    parse(&file, &bytes, defaults)
}

/// Reads measurements from a file's bytes.
///
/// # Errors
/// As [`load`].
pub fn parse(file: &str, bytes: &[u8], defaults: &Defaults) -> Result<Measurements, Problem> {
    // A mark that some spreadsheets put in front of UTF-8.
    let bytes = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(bytes);
    if bytes.contains(&0) {
        return Err(Problem::of_file(file, "bytes that are no text", "CSV in UTF-8"));
    }
    let text = String::from_utf8_lossy(bytes);
    // Numbers need no quotation marks, so that a row is a line, and a field's place is counted in it as it stands.
    let lines =
        text.lines().enumerate().map(|(index, text)| Row { file, line: index + 1, fields: text.split(',').collect() });
    let mut rows = lines.filter(|row| {
        let is_comment = row.fields.first().is_some_and(|field| field.trim_start().starts_with('#'));
        !is_comment && row.fields.iter().any(|field| !field.trim().is_empty())
    });
    let head = rows.next().ok_or_else(|| Problem::of_file(file, "nothing", KINDS))?;
    let columns = Columns::of(&head)?;
    match columns.is_recording {
        true => Ok(Measurements::Recording { file: file.to_owned(), samples: samples(&columns, rows)? }),
        false => {
            let points = rows.map(|row| point(&columns, &row, defaults)).collect::<Result<_, _>>()?;
            Ok(Measurements::Steady { file: file.to_owned(), points })
        }
    }
}

/// A line that is neither empty nor a comment.
struct Row<'a> {
    file: &'a str,
    line: usize,
    fields: Vec<&'a str>,
}

impl Row<'_> {
    /// Text of a field, without blanks and quotation marks around it.
    fn text(&self, index: usize) -> &str {
        self.fields.get(index).map_or("", |field| field.trim().trim_matches('"'))
    }

    /// A problem with a field, or with the end of the row where it has no such field.
    fn problem(&self, index: usize, found: impl Into<String>, expected: impl Into<String>) -> Problem {
        let before: usize = self.fields.iter().take(index).map(|field| field.chars().count() + 1).sum();
        let blank = self.fields.get(index).map_or(0, |field| field.len() - field.trim_start().len());
        Problem { place: Some((self.line, before + blank + 1)), ..Problem::of_file(self.file, found, expected) }
    }

    fn number(&self, index: usize, expected: &str, fits: impl Fn(f64) -> bool) -> Result<f64, Problem> {
        let text = self.text(index);
        let wrong = || {
            let found = match self.fields.get(index) {
                None => self.width(),
                Some(_) if text.is_empty() => "nothing".to_owned(),
                Some(_) => text.chars().take(40).collect(),
            };
            self.problem(index, found, expected)
        };
        text.parse::<f64>().ok().filter(|&number| number.is_finite() && fits(number)).ok_or_else(wrong)
    }

    fn width(&self) -> String {
        match self.fields.len() {
            1 => "a row of one column".to_owned(),
            count => format!("a row of {count} columns"),
        }
    }
}

/// Which column stands where.
struct Columns {
    is_recording: bool,
    names: Vec<String>,
}

impl Columns {
    fn of(head: &Row<'_>) -> Result<Self, Problem> {
        let names: Vec<String> = (0..head.fields.len()).map(|index| head.text(index).to_owned()).collect();
        let has = |name: &str| names.iter().any(|found| found == name);
        let is_recording = has("time_s") || has("back_emf_v");
        if !is_recording && !has("velocity") {
            let text: String = names.join(",").chars().take(60).collect();
            let problem = head.problem(0, format!("the header row `{text}`"), KINDS);
            return Err(if text.contains(';') { problem.hint("columns are separated by commas") } else { problem });
        }
        let known = if is_recording { RECORDING } else { STEADY };
        for (index, name) in names.iter().enumerate() {
            if !known.contains(&name.as_str()) {
                let expected = format!("one of `{}`", known.join("`, `"));
                return Err(head.problem(index, format!("the column `{name}`"), expected));
            }
            if names.iter().take(index).any(|other| other == name) {
                return Err(head.problem(index, format!("`{name}` a second time"), "every column once"));
            }
        }
        let lacks = |what: &str| Err(head.problem(names.len(), format!("no {what}"), KINDS));
        match is_recording {
            true if !has("time_s") => return lacks("column `time_s`"),
            true if !has("back_emf_v") => return lacks("column `back_emf_v`"),
            false if !has("current_a") => return lacks("column `current_a`"),
            false if !has("amplitude_v") && !has("amplitude_share") => {
                return lacks("column `amplitude_v` or `amplitude_share`");
            }
            _ => {}
        }
        let column = |name: &str| names.iter().position(|found| found == name);
        if let (Some(_), Some(share)) = (column("amplitude_v"), column("amplitude_share")) {
            return Err(head.problem(share, "`amplitude_share` beside `amplitude_v`", "one of the two"));
        }
        if let (None, Some(supply)) = (column("amplitude_share"), column("supply_v")) {
            return Err(head.problem(supply, "`supply_v` without `amplitude_share`", "what the supply is a share of"));
        }
        Ok(Self { is_recording, names })
    }

    fn column(&self, name: &str) -> Option<usize> {
        self.names.iter().position(|found| found == name)
    }
}

const NOT_NEGATIVE: fn(f64) -> bool = |number| number >= 0.0;
const POSITIVE: fn(f64) -> bool = |number| number > 0.0;

fn point(columns: &Columns, row: &Row<'_>, defaults: &Defaults) -> Result<Point, Problem> {
    let (wide, width) = (columns.names.len(), row.fields.len());
    if width != wide {
        return Err(row.problem(wide.min(width), row.width(), format!("{wide} columns")));
    }
    let number = |name: &str, expected: &str, fits: fn(f64) -> bool| {
        let expected = format!("`{name}`: {expected}");
        columns.column(name).map(|index| row.number(index, &expected, fits)).transpose()
    };
    let share =
        number("amplitude_share", "a share of the supply above 0 and up to 1", |share| share > 0.0 && share <= 1.0)?;
    let supply_v = number("supply_v", "a number above 0, in volts", POSITIVE)?.unwrap_or(defaults.supply_v);
    let amplitude_v = number("amplitude_v", "a number above 0, in volts", POSITIVE)?;
    let microsteps = number("microsteps", "whole microsteps in a full step, 1 to 1024", |count| {
        (1.0..=1024.0).contains(&count) && count == libm::trunc(count)
    })?;
    let rotor_blocked = match columns.column("rotor") {
        None => false,
        Some(index) => match row.text(index) {
            "turning" => false,
            "blocked" => true,
            other => return Err(row.problem(index, format!("`{other}`"), "`rotor`: `turning` or `blocked`")),
        },
    };
    Ok(Point {
        line: row.line,
        velocity: number("velocity", "a number not below 0, in full steps/s", NOT_NEGATIVE)?.unwrap_or_default(),
        amplitude_v: amplitude_v.or(share.map(|share| share * supply_v)).unwrap_or_default(),
        current_a: number("current_a", "a number above 0, in amperes", POSITIVE)?.unwrap_or_default(),
        load_n_m: number("load_n_m", "newton metres", |_| true)?.unwrap_or(0.0),
        winding_c: number("winding_c", "degrees Celsius between -100 and 300", |c| (-100.0..=300.0).contains(&c))?
            .unwrap_or(defaults.winding_c),
        microsteps_per_step: microsteps.map_or(defaults.microsteps_per_step, |count| count as u16),
        rotor_blocked,
    })
}

fn samples<'a>(columns: &Columns, rows: impl Iterator<Item = Row<'a>>) -> Result<Vec<(f64, f64)>, Problem> {
    let (time, volts) = (columns.column("time_s").unwrap_or(0), columns.column("back_emf_v").unwrap_or(1));
    let mut samples: Vec<(f64, f64)> = Vec::new();
    for row in rows {
        let before = samples.last().map(|sample| sample.0);
        let expected = match before {
            Some(before) => format!("`time_s`: a number of seconds above {before}, that of the row before"),
            None => "`time_s`: a number of seconds".to_owned(),
        };
        let at_s = row.number(time, &expected, |at_s| before.is_none_or(|before| at_s > before))?;
        let expected = format!("`back_emf_v`: a number of volts between -{MOST_V} and {MOST_V}");
        samples.push((at_s, row.number(volts, &expected, |volts| volts.abs() <= MOST_V)?));
    }
    Ok(samples)
}

#[cfg(test)]
mod tests {
    use super::*;

    const DEFAULTS: Defaults = Defaults { supply_v: 24.0, winding_c: 20.0, microsteps_per_step: 16 };

    fn read(text: &str) -> Result<Measurements, String> {
        parse("m.csv", text.as_bytes(), &DEFAULTS).map_err(|problem| problem.to_string())
    }

    #[test]
    fn every_column_reaches_its_place_in_any_order() {
        let text = "\u{feff}# invented\ncurrent_a, \"velocity\",amplitude_share,supply_v,load_n_m,winding_c,microsteps,rotor\r\n\
                    1.5,200,0.25,20,-0.02,60,4,turning\n\n0.9,400,0.5,12,0,61,8,blocked\n";
        let Measurements::Steady { file, points } = read(text).unwrap() else { panic!("steady points") };
        let first = Point {
            line: 3,
            velocity: 200.0,
            amplitude_v: 5.0,
            current_a: 1.5,
            load_n_m: -0.02,
            winding_c: 60.0,
            microsteps_per_step: 4,
            rotor_blocked: false,
        };
        assert_eq!((file.as_str(), points.len(), points[0]), ("m.csv", 2, first));
        assert_eq!((points[1].line, points[1].rotor_blocked, points[1].microsteps_per_step), (5, true, 8));
    }

    #[test]
    fn what_a_file_does_not_say_is_taken_from_the_defaults() {
        let Measurements::Steady { points, .. } = read("velocity,amplitude_share,current_a\n0,0.25,1\n").unwrap()
        else {
            panic!("steady points")
        };
        assert_eq!((points[0].amplitude_v, points[0].winding_c, points[0].microsteps_per_step), (6.0, 20.0, 16));
        assert_eq!((points[0].load_n_m, points[0].rotor_blocked), (0.0, false));
    }

    #[test]
    fn a_recording_is_told_by_its_header() {
        let samples = vec![(0.0, 1.0), (0.1, -2.0)];
        let expected = Measurements::Recording { file: "m.csv".to_owned(), samples };
        assert_eq!(read("back_emf_v,time_s\n1,0\n-2,0.1\n").unwrap(), expected);
    }

    #[test]
    fn what_cannot_be_used_is_told_by_place_by_what_was_found_and_by_what_was_expected() {
        let refused = [
            ("", "m.csv: found nothing, expected `velocity,amplitude_v,current_a`"),
            ("speed,current\n1,2\n", "m.csv:1:1: found the header row `speed,current`, expected"),
            ("velocity;amplitude_v;current_a\n", "columns are separated by commas"),
            ("velocity,amplitude_v\n1,2\n", "m.csv:1:22: found no column `current_a`"),
            ("velocity,current_a\n1,2\n", "found no column `amplitude_v` or `amplitude_share`"),
            (
                "velocity,amplitude_v,current_a,torque\n",
                "m.csv:1:32: found the column `torque`, expected one of `velocity`",
            ),
            ("velocity,amplitude_v,velocity,current_a\n", "m.csv:1:22: found `velocity` a second time"),
            ("velocity,amplitude_v,amplitude_share,current_a\n", "m.csv:1:22: found `amplitude_share` beside"),
            ("velocity,amplitude_v,supply_v,current_a\n", "m.csv:1:22: found `supply_v` without `amplitude_share`"),
            ("velocity,amplitude_v,current_a\n1,2\n", "m.csv:2:5: found a row of 2 columns, expected 3 columns"),
            (
                "velocity,amplitude_v,current_a\n1,2,3\n-4,2,1\n",
                "m.csv:3:1: found -4, expected `velocity`: a number not below 0",
            ),
            (
                "velocity,amplitude_v,current_a\n1,2, NaN\n",
                "m.csv:2:6: found NaN, expected `current_a`: a number above 0, in amp",
            ),
            (
                "velocity,amplitude_v,current_a\n1,inf,3\n",
                "m.csv:2:3: found inf, expected `amplitude_v`: a number above 0",
            ),
            ("velocity,amplitude_v,current_a\n1,,3\n", "m.csv:2:3: found nothing, expected `amplitude_v`"),
            ("velocity,amplitude_v,current_a\n1,2,-3\n", "m.csv:2:5: found -3, expected `current_a`"),
            (
                "velocity,amplitude_share,current_a\n1,1.5,3\n",
                "m.csv:2:3: found 1.5, expected `amplitude_share`: a share",
            ),
            ("velocity,amplitude_v,current_a,winding_c\n1,2,3,900\n", "m.csv:2:7: found 900, expected `winding_c`"),
            ("velocity,amplitude_v,current_a,microsteps\n1,2,3,2.5\n", "m.csv:2:7: found 2.5, expected `microsteps`"),
            (
                "velocity,amplitude_v,current_a,rotor\n1,2,3,free\n",
                "m.csv:2:7: found `free`, expected `rotor`: `turning`",
            ),
            ("v\0e\0l\0", "m.csv: found bytes that are no text, expected CSV in UTF-8"),
            (
                "time_s,back_emf_v\n1,1e200\n",
                "m.csv:2:3: found 1e200, expected `back_emf_v`: a number of volts between",
            ),
            ("time_s\n1\n", "found no column `back_emf_v`"),
            ("back_emf_v\n1\n", "found no column `time_s`"),
            ("time_s,back_emf_v\n1,2\n1,3\n", "m.csv:3:1: found 1, expected `time_s`: a number of seconds above 1"),
            ("time_s,back_emf_v\n1\n", "m.csv:2:3: found a row of one column, expected `back_emf_v`"),
            ("time_s,back_emf_v\n1,x\n", "m.csv:2:3: found x, expected `back_emf_v`: a number of volts"),
        ];
        for (text, said) in refused {
            let error = read(text).unwrap_err();
            assert!(error.contains(said), "{text:?} says\n{error}, not\n{said}");
        }
    }
}
