//! A bench: which devices hang on the chain, how they are set, and what is asked of them when.
//!
//! ```text
//!   TOML text  ->  tree (values with places)  ->  parse  ->  Bench (plain data)  ->  run
//! ```
//!
//! Lengths in the file are full steps; in a [`Bench`] they are microsteps of the resolution that the bench sets, as the
//! driver's commands have them. Knows no bus and no time but the one written down: running a bench is [`run`](crate::run)'s business.
//!
//! ```toml
//! title = "Two axes"
//! # description = "…"             # shown with the results
//! # until_s = 5                   # the run ends then; without it, once all axes stand
//!
//! [chain]
//! map = "latched"                 # or "fixed-word", or the path of a map file, seen from this file
//! axes = ["lift", "table"]        # in the order of the chain: the first is wired to the controller's output
//! # devices = 2                   # checked if given
//! # spi_clock_hz = 1_000_000      # the map's fastest if not given
//!
//! [settings.all]                  # for every axis, by the parameters' names
//! profile_velocity = 800          # full steps/s
//!
//! [settings.lift]                 # for one axis; wins over `all`
//! profile_acceleration = 1500     # full steps/s²
//!
//! [machine.table]                 # what an axis turns: full steps from where its rotor is at power-up
//! home_switch = { closed_from = -10, closed_to = 5 }
//! end_stops = [-200, 900]
//!
//! # [motor.lift]                  # a motor to turn: currents, torque and heat; without it the rotor follows the counter
//! # file = "motors/demo.toml"     # seen from this file; beside it what is other than there: see `stepchain run --help`
//!
//! [[step]]                        # what stands in one step leaves together
//! at_s = 0.5                      # from the start of the timeline
//! lift = { move_relative = 400 }  # full steps
//! table = { move_velocity = -120 }
//!
//! [[step]]                        # begins when the move before it is done, if the map has it so
//! wait_s = 0.1
//! lift = { move_relative = -100, buffered = true }
//!
//! [[step]]
//! wait_s = 1.5                    # after the step before
//! table = { stop = "profile", bridge = "driven" }
//!
//! [[step]]
//! after = "standstill"            # once all axes stand; `wait_s` beside it waits on from there
//! lift = { move_absolute = 0, way = "shortest" }
//!
//! [[fault]]                       # what goes wrong, by a script
//! blocked_rotor = "table"
//! at_s = 1.2                      # or `at_frame`, or `on` an event
//! lasts_s = 0.3                   # or `lasts_frames`; without either, to the end
//!
//! [expect]                        # where axes must stand at the end, in full steps
//! lift = 0
//! ```

mod faults;
mod machine;
mod motor;
mod orders;
mod parse;
mod problem;
mod settings;
#[cfg(test)]
mod tests;
mod timeline;
pub(crate) mod tree;

use stepchain::Command;
use stepchain::map::{BufferMode, Layout, Register};
use stepchain::units::Value;

use crate::device::MotorSetup;
use crate::inject::Injection;

pub use machine::Machine;
pub(crate) use orders::VERBS;
pub use parse::{BenchError, load, load_machine, map_of, parse, parse_machine};
pub use problem::{Problem, Source};
pub(crate) use settings::{bits, resolution_at_reset};

/// The bench that runs when none is named.
pub const BUILT_IN: Source<'static> =
    Source { file: "examples/seedbed.toml", text: include_str!("../../../examples/seedbed.toml") };

/// Keys of a bench file that stand in no table.
const HEAD: &[&str] = &["title", "description", "until_s"];
/// Tables of a bench file.
const TABLES: &[&str] = &["chain", "settings", "machine", "motor", "step", "fault", "expect"];
/// Keys of the table of the chain.
const CHAIN: &[&str] = &["map", "axes", "devices", "spi_clock_hz"];

/// Every key that a bench file can have, but for the names of axes and parameters.
#[cfg(test)]
pub(crate) fn keys() -> Vec<&'static str> {
    let own =
        [HEAD, TABLES, CHAIN, machine::KEYS, machine::SWITCH, motor::KEYS, timeline::KEYS, orders::OPTIONS].concat();
    [own, faults::keys()].concat()
}

/// A whole bench, checked against its map.
#[derive(Clone, Debug)]
pub struct Bench {
    /// The file that it came from, as the user named it.
    pub file: String,
    /// What it is called.
    pub title: String,
    /// What it shows, in a sentence or two.
    pub description: String,
    /// What every device of the chain is like.
    pub layout: &'static Layout,
    /// How many devices hang on the chain.
    pub devices: usize,
    /// The clock of the bus, in hertz.
    pub spi_clock_hz: u32,
    /// The axes, device by device.
    pub axes: Vec<Axis>,
    /// What is written before the timeline starts; in the order of the file, an axis after the other.
    pub settings: Vec<Setting>,
    /// What is asked, in the order of time.
    pub steps: Vec<Step>,
    /// What goes wrong, in the order of the file.
    pub faults: Vec<PlannedFault>,
    /// When the run ends, in nanoseconds of the timeline; without it, once all axes stand.
    pub until_ns: Option<u64>,
}

/// One fault.
#[derive(Clone, Debug, PartialEq)]
pub struct PlannedFault {
    /// What goes wrong; its instants are those of the timeline, its frames count from power-up.
    pub injection: Injection,
    /// What it is, in words.
    pub text: String,
    /// When it begins, in words.
    pub start: String,
    /// Why, in the words of the bench.
    pub note: String,
}

/// One motor.
#[derive(Clone, Debug, PartialEq)]
pub struct Axis {
    /// Its name in the bench.
    pub name: String,
    /// The device that drives it.
    pub device: usize,
    /// Which of the device's axes it is.
    pub axis: u8,
    /// Microsteps in a full step, once the settings are written.
    pub resolution: u16,
    /// What it turns.
    pub machine: Machine,
    /// Its motor, if the bench has one.
    pub motor: Option<MotorSetup>,
    /// Where it must stand at the end, in microsteps.
    pub expected: Option<i64>,
}

impl Axis {
    /// Full steps for microsteps of this axis.
    #[must_use]
    pub fn steps(&self, microsteps: f64) -> f64 {
        microsteps / f64::from(self.resolution)
    }
}

/// A line and a column of the bench file, from 1.
pub type Place = (usize, usize);

/// One register of one axis, and what it shall hold.
#[derive(Clone, Debug)]
pub struct Setting {
    /// Index of the axis.
    pub axis: usize,
    /// The register.
    pub register: &'static Register,
    /// The number that the bench asks for, lengths in full steps.
    pub asked: f64,
    /// The same as the driver takes it, lengths in microsteps.
    pub value: Value,
    /// Where the bench says so.
    pub place: Place,
}

/// Commands that leave together.
#[derive(Clone, Debug)]
pub struct Step {
    /// When.
    pub when: When,
    /// What, at most one for each device.
    pub orders: Vec<Order>,
    /// Why, in the words of the bench.
    pub note: Option<String>,
    /// Where the bench says so.
    pub place: Place,
}

/// When a step is due.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum When {
    /// At this instant of the timeline, in nanoseconds.
    At(u64),
    /// So many nanoseconds after the step before.
    After(u64),
    /// So many nanoseconds after all axes have come to stand.
    Standstill(u64),
}

/// One command to one axis.
#[derive(Clone, Debug)]
pub struct Order {
    /// Index of the axis.
    pub axis: usize,
    /// The command, in the driver's terms.
    pub command: Command,
    /// When it begins while the axis is still busy.
    pub buffer_mode: BufferMode,
    /// The same in words, lengths in full steps.
    pub text: String,
    /// Where the bench says so: at the command's argument, if it has one.
    pub place: Place,
}
