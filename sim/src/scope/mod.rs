//! What an oscilloscope at the windings would show: voltage and current of both phases around an event.
//!
//! ```text
//!   motion       events    when a move starts, is as fast as it gets, and stops
//!      v
//!   Motor        record    samples before and after the trigger             Trace
//!      v
//!   cursors      figures   peaks, RMS over whole electrical periods, droop  Figures
//!      v
//!   files        files     CSV and VCD           plot   SVG, with the cursors
//! ```
//!
//! The trace is the motor's own: what [`Motor`] says at each instant, sampled as densely as asked. Voltages and currents are
//! instantaneous; an amplitude is the *peak* of a phase, as everywhere in [`motor`](crate::motor).
//!
//! ```
//! use stepchain_sim::motor::{Amplitudes, Load, Motor, Setting, Supply, Turning, parse};
//! use stepchain_sim::scope::{Cursors, Window, record};
//!
//! # let text = include_str!("../../../examples/motors/demo.toml");
//! # let file = parse(&stepchain_sim::bench::Source { file: "demo.toml", text })?;
//! let mut motor = Motor::new(&file.motor, &Load::default(), &Supply::constant(24.0));
//! motor.block_rotor(true);
//! let setting = Setting::uncompensated(Amplitudes::all(0.25));
//! let drive = Turning { since_ns: 0, angle_steps: 0.0, velocity: 400.0, setting: &setting };
//! let window = Window { sample_ns: 20_000, before_ns: 2_000_000, after_ns: 30_000_000 };
//! let trace = record(&mut motor, &drive, 100_000_000, &window);
//! let figures = trace.figures(&Cursors::whole(&trace), None).unwrap();
//! assert_eq!(figures.periods, Some(3)); // a period of 400 steps/s is 10 ms
//! # Ok::<(), stepchain_sim::bench::Problem>(())
//! ```

mod events;
mod figures;
mod files;
mod plot;
#[cfg(test)]
mod tests;

use crate::motor::{Commanded, Motor};

pub use events::{Event, Moment, events};
pub use figures::{Cursors, Figures};
pub use files::{csv, vcd};
pub use plot::plot;

/// How much is recorded around a trigger, in nanoseconds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Window {
    /// From one sample to the next; at least one.
    pub sample_ns: u64,
    /// Before the trigger.
    pub before_ns: u64,
    /// After it.
    pub after_ns: u64,
}

impl Window {
    /// A window for a motor that turns at a speed in full steps/s: so many electrical periods before the trigger and after it,
    /// of so many samples each. Below 1 step/s it is that of 1 step/s.
    #[must_use]
    pub fn of_periods(velocity: f64, before: u32, after: u32, samples: u32) -> Self {
        let period_ns = libm::round(4e9 / velocity.abs().max(1.0)) as u64;
        let sample_ns = (period_ns / u64::from(samples.max(1))).max(1);
        Self { sample_ns, before_ns: period_ns * u64::from(before), after_ns: period_ns * u64::from(after) }
    }
}

/// Both phases at one instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample {
    /// When, in nanoseconds.
    pub time_ns: u64,
    /// Voltages across the windings, in volts.
    pub voltages_v: [f64; 2],
    /// Currents through them, in amperes.
    pub currents_a: [f64; 2],
    /// Electrical angle that is commanded, in full steps; not wrapped.
    pub angle_steps: f64,
}

/// What was recorded around a trigger: samples at even distances, one of them at the trigger.
#[derive(Clone, Debug, PartialEq)]
pub struct Trace {
    /// The trigger, in nanoseconds.
    pub trigger_ns: u64,
    /// From one sample to the next, in nanoseconds.
    pub sample_ns: u64,
    /// In the order of time.
    pub samples: Vec<Sample>,
}

/// Lets a motor run up to the end of the window, and records it from the window's beginning on. What is before the motor's
/// own instant, or before zero, cannot be recorded any more, and is left out.
#[must_use]
pub fn record(motor: &mut Motor, drive: &impl Commanded, trigger_ns: u64, window: &Window) -> Trace {
    let sample_ns = window.sample_ns.max(1);
    let possible_ns = trigger_ns.saturating_sub(motor.now_ns()).min(window.before_ns);
    let (before, after) = (possible_ns / sample_ns, window.after_ns / sample_ns);
    let first_ns = trigger_ns - before * sample_ns;
    let samples = (0..=before + after).map(|index| {
        let time_ns = first_ns.saturating_add(index * sample_ns);
        motor.advance(time_ns, drive);
        sample(motor, drive)
    });
    Trace { trigger_ns, sample_ns, samples: samples.collect() }
}

/// Both phases of a motor as they are now.
pub(crate) fn sample(motor: &Motor, drive: &impl Commanded) -> Sample {
    let (applied, _) = drive.at(motor.now_ns(), motor.supply_v());
    Sample {
        time_ns: motor.now_ns(),
        voltages_v: motor.voltages_v(),
        currents_a: motor.currents_a(),
        angle_steps: applied.angle_steps,
    }
}
