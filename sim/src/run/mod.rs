//! Runs a bench: the driver encodes its commands, a virtual chain decodes them and moves, and both are compared.
//!
//! ```text
//!   Bench  ->  rig: Codec -> frames -> VirtualChain -> replies  ->  ledger (targets)  ->  Outcome  ->  Report
//! ```
//!
//! This is the one place of the simulator that uses the driver's encoder. What it expects is worked out apart from both
//! sides: targets from the bench itself, bytes from the map alone ([`cost`]). Everything happens in virtual time.

pub mod cost;
mod held;
mod injected;
mod ledger;
mod outcome;
mod preflight;
mod rig;
mod scope;
mod summary;
#[cfg(test)]
mod tests;

use stepchain::Command;
use stepchain::map::Verb;

use crate::bench::{Bench, Problem, When};
use crate::chain::VirtualChain;
use crate::report::Mark;

use ledger::Ledger;
use rig::Rig;

pub use held::{COLUMNS as SETTING_COLUMNS, Held, held};
pub use injected::{COLUMNS as FAULT_COLUMNS, InjectedFault};
pub use outcome::{Answer, AxisOutcome, MotorOutcome, Outcome};
pub(crate) use outcome::{moving_s, track_of};
pub use rig::Finding;
pub(crate) use rig::{STATES, chain_of};
pub use scope::{ScopeView, scope_views};
pub use summary::{COLUMNS, MOTOR_COLUMNS, bus, motor_rows, report, rows};

/// An hour: whoever waits longer than that for standstill waits for ever.
const PATIENCE_NS: u64 = 3_600_000_000_000;

/// A motor that has not come to rest by then swings for good.
const SETTLING_NS: u64 = 10_000_000_000;

/// Runs a bench from power-up to its end.
///
/// # Errors
/// [`Problem`] if something in the bench cannot be put into the map's words. Nothing has run then.
pub fn run(bench: &Bench) -> Result<Outcome, Problem> {
    run_watched(bench, |_| Ok(()))
}

/// Runs a bench, and lets its chain be looked at before the first thing happens: for a capture of it all.
///
/// First the devices' status is taken, so that the reset of power-up is no fault; then the settings are written and read
/// back; then the timeline starts at zero. At the end every device is asked for its status and its positions.
///
/// # Errors
/// [`Problem`] if something in the bench cannot be put into the map's words, or that of `at_power_up`. Nothing has run then.
pub fn run_watched<E: From<Problem>>(
    bench: &Bench,
    at_power_up: impl FnOnce(&VirtualChain) -> Result<(), E>,
) -> Result<Outcome, E> {
    preflight::check(bench)?;
    let mut rig = Rig::new(bench)?;
    at_power_up(&rig.chain)?;
    if bench.layout.form(Verb::TakeStatus).is_some() {
        rig.call_every_device(Command::TakeStatus)?;
        rig.forget_faults();
    }
    rig.apply_settings()?;
    rig.start_timeline()?;
    let mut ledger = Ledger::new(bench);
    let (mut marks, mut answers) = (Vec::new(), Vec::new());
    let mut last_ns = 0;
    let mut waited = false;
    for (index, step) in bench.steps.iter().enumerate() {
        let number = index + 1;
        match step.when {
            When::At(due_ns) => {
                // Behind a step that left at its own time, only the bus can make a step late.
                let late_ns = rig.timeline_ns().saturating_sub(due_ns);
                if late_ns > 0 && waited {
                    let text = format!("step {number} was due at {} s", seconds(due_ns));
                    let late_s = seconds(late_ns);
                    rig.find(None, format!("{text}, but the standstill before it came {late_s} s too late"));
                }
                rig.advance_to(due_ns);
            }
            When::After(wait_ns) => rig.advance_to(last_ns + wait_ns),
            When::Standstill(wait_ns) => {
                if !rig.chain.run_until_still(PATIENCE_NS) {
                    rig.find(None, format!("step {number}: an axis still moves an hour after the step before"));
                    break;
                }
                rig.advance_to(rig.timeline_ns() + wait_ns);
            }
        }
        waited = matches!(step.when, When::Standstill(_));
        let call = rig.step(number, step)?;
        ledger.enter(number, step, &call, &mut rig);
        last_ns = call.effect_ns;
        let asked = step.orders.iter().map(|order| {
            let answer = bench.axes.get(order.axis).and_then(|axis| call.answer(axis, order.command));
            if let Some(answer) = &answer {
                answers.push(Answer {
                    step: number,
                    axis: order.axis,
                    asked: order.text.clone(),
                    answer: answer.clone(),
                });
            }
            (order.axis, answer.map_or(order.text.clone(), |answer| format!("{}: {answer}", order.text)))
        });
        marks.push(Mark {
            number,
            time_s: seconds(call.effect_ns),
            commands: asked.collect(),
            note: step.note.clone().unwrap_or_default(),
        });
    }
    match bench.until_ns {
        Some(until_ns) => rig.advance_to(until_ns),
        None if !rig.chain.run_until_still(PATIENCE_NS) => {
            rig.find(None, "an axis still moves an hour after the last step".to_owned());
        }
        None => settle(&mut rig),
    }
    ledger.close(&mut rig);
    let outcome = outcome::gather(rig, &ledger)?;
    Ok(Outcome { marks, answers, ..outcome })
}

/// Lets the motors come to rest, so that where they are is where they stay.
fn settle(rig: &mut Rig<'_>) {
    if !rig.bench.axes.iter().any(|axis| axis.motor.is_some()) || rig.chain.run_until_settled(SETTLING_NS) {
        return;
    }
    let waited_s = seconds(SETTLING_NS);
    rig.find(None, format!("a motor is still not at rest {waited_s} s after the last step"));
    for (index, axis) in rig.bench.axes.iter().enumerate() {
        let turns = rig.chain.motor(axis.device, axis.axis.into()).is_some_and(|motor| motor.velocity().abs() > 1.0);
        if turns && !rig.chain.is_moving(axis.device, axis.axis.into()) {
            let text =
                "is turned by its load: give that an end stop to lie on (`[machine.AXIS]`), or keep the bridge driven";
            rig.find(Some(index), format!("`{}` makes no steps and {text}", axis.name));
        }
    }
}

fn seconds(nanoseconds: u64) -> f64 {
    nanoseconds as f64 / 1e9
}
