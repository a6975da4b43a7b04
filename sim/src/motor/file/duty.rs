//! The tables `[[duty]]` of a motor file: what the motor does over and over.

use super::quantity::{CURRENT, DURATION, not_negative, positive};
use crate::bench::Problem;
use crate::bench::tree::{Node, Table};

/// A stretch of the duty cycle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DutyPhase {
    /// How long it lasts, in seconds.
    pub duration_s: f64,
    /// What the motor does meanwhile.
    pub work: Work,
}

/// What a motor does in a phase of its duty cycle. Speeds are full steps/s.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Work {
    /// No current flows.
    Off,
    /// It stands with the holding current.
    Hold,
    /// It turns steadily.
    Run {
        /// How fast.
        velocity: f64,
    },
    /// It speeds up evenly from rest.
    Accelerate {
        /// Where that ends.
        to_velocity: f64,
    },
    /// It slows down evenly to rest.
    Decelerate {
        /// Where that begins.
        from_velocity: f64,
    },
    /// A current that is known.
    Current {
        /// Its peak in a phase, in amperes.
        current_a: f64,
    },
}

#[derive(Clone, Copy)]
enum Word {
    Off,
    Hold,
    Run,
    Accelerate,
    Decelerate,
}

const WORDS: &[(&str, Word)] = &[
    ("off", Word::Off),
    ("hold", Word::Hold),
    ("run", Word::Run),
    ("accelerate", Word::Accelerate),
    ("decelerate", Word::Decelerate),
];

pub(super) fn read(node: &Node<'_>, top_velocity: f64) -> Result<Vec<DutyPhase>, Problem> {
    const WHAT: &str = "tables [[duty]] with `what` and `duration_s`";
    node.list(WHAT)?.iter().map(|node| phase(&node.table(WHAT)?, top_velocity)).collect()
}

fn phase(table: &Table<'_>, top_velocity: f64) -> Result<DutyPhase, Problem> {
    table.only(&["what", "velocity", "current_a", "duration_s"])?;
    let duration_s = positive(table, "duration_s", &DURATION)?;
    let velocity = table.get("velocity");
    let speed = || match velocity {
        None => Ok(top_velocity),
        Some(node) => {
            let expected = format!("full steps/s up to the wanted top velocity of {top_velocity}");
            let number = node.number(&expected)?;
            let fits = (0.0..=top_velocity).contains(&number);
            if fits { Ok(number) } else { Err(node.problem(number.to_string(), expected)) }
        }
    };
    let alone = |beside: &str| match velocity {
        None => Ok(()),
        Some(node) => {
            Err(node.problem(format!("`velocity` beside {beside}"), "no speed: nothing turns or it does not count"))
        }
    };
    let work = match (table.get("current_a"), table.get("what")) {
        (Some(node), Some(_)) => return Err(node.problem("`current_a` beside `what`", "one of the two")),
        (Some(_), None) => {
            alone("`current_a`")?;
            Work::Current { current_a: not_negative(table, "current_a", &CURRENT)? }
        }
        (None, _) => {
            match table.need("what", "\"off\", \"hold\", \"run\", \"accelerate\" or \"decelerate\"")?.word(WORDS)? {
                Word::Off => alone("\"off\"").map(|()| Work::Off)?,
                Word::Hold => alone("\"hold\"").map(|()| Work::Hold)?,
                Word::Run => {
                    table.need("velocity", "the speed at which it runs, in full steps/s")?;
                    Work::Run { velocity: speed()? }
                }
                Word::Accelerate => Work::Accelerate { to_velocity: speed()? },
                Word::Decelerate => Work::Decelerate { from_velocity: speed()? },
            }
        }
    };
    Ok(DutyPhase { duration_s, work })
}
