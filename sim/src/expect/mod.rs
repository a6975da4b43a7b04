//! What a test expects of a chain, and a table that shows the difference when it is otherwise.
//!
//! Each function looks at a chain as it is now and gives `Ok(())` or a [`Mismatch`]: what was expected, what was found, by
//! how much they differ, and the log around that instant. [`or_panic`](OrPanic::or_panic) makes an assertion of it;
//! [`Mismatch`] is an error, too, whose text is the table either way.
//!
//! ```
//! use embedded_hal::spi::SpiDevice;
//! use stepchain::map::{MotionState, RegisterMap, Verb};
//! use stepchain::reference::Latched;
//! use stepchain_sim::chain::VirtualChain;
//! use stepchain_sim::expect::{self, OrPanic, Pattern};
//!
//! let chain = VirtualChain::new(&Latched::LAYOUT, 1)?;
//! let mut spi = chain.spi();
//! // The code under test: 320 microsteps up, 5 full steps at the settings of power-up.
//! spi.write(&[0x68, 0x00]).unwrap();
//! spi.write(&[0x01, 0x40]).unwrap();
//! chain.run_until_still(1_000_000_000);
//!
//! expect::position(&chain, 0, 0, 5.0, 0.0).or_panic();
//! expect::no_violation(&chain).or_panic();
//! expect::order(&chain, &[
//!     Pattern::accepted(Verb::MoveRelative).on(0),
//!     Pattern::state(MotionState::Accelerating),
//!     Pattern::arrived().on(0).axis(0),
//! ]).or_panic();
//!
//! let mismatch = expect::position(&chain, 0, 0, 6.0, 0.5).unwrap_err();
//! assert!(mismatch.to_string().contains("expected [steps]"));
//! # Ok::<(), stepchain::map::Flaw>(())
//! ```
//!
//! Knows the chain by its back door alone, and changes nothing in it.

mod mismatch;
mod pattern;
mod profile;
#[cfg(test)]
mod tests;

use stepchain::map::{BridgeState, Flag, MotionState};

use crate::chain::VirtualChain;
use crate::device::{EventKind, bridge_name, grouped};

pub use mismatch::{Mismatch, OrPanic};
pub use pattern::Pattern;
pub use profile::profile;

/// So many entries of the log are shown where many are in the way.
const SHOWN: usize = 10;

/// An axis is at a position in full steps, without wrap-around, to within a tolerance in full steps.
///
/// # Errors
/// [`Mismatch`] if it is elsewhere.
///
/// # Panics
/// If the chain has no such device or axis; so do all expectations that are about one.
pub fn position(
    chain: &VirtualChain,
    device: usize,
    axis: usize,
    steps: f64,
    tolerance_steps: f64,
) -> Result<(), Mismatch> {
    let found = chain.position(device, axis) as f64 / f64::from(chain.microsteps_per_step(device, axis));
    number(chain, (device, axis), "position", "steps", (steps, found, tolerance_steps))
}

/// The rotor of an axis is at a place in full steps from where it was at power-up, to within a tolerance in full steps.
///
/// # Errors
/// [`Mismatch`] if it is elsewhere.
pub fn rotor(
    chain: &VirtualChain,
    device: usize,
    axis: usize,
    steps: f64,
    tolerance_steps: f64,
) -> Result<(), Mismatch> {
    let found = chain.rotor_steps(device, axis);
    number(chain, (device, axis), "rotor", "steps", (steps, found, tolerance_steps))
}

/// An axis has a velocity in full steps/s, positive counting up, to within a tolerance in full steps/s.
///
/// # Errors
/// [`Mismatch`] if it has another.
pub fn velocity(
    chain: &VirtualChain,
    device: usize,
    axis: usize,
    steps_per_s: f64,
    tolerance_steps_per_s: f64,
) -> Result<(), Mismatch> {
    let found = chain.velocity_steps_per_s(device, axis);
    number(chain, (device, axis), "velocity", "steps/s", (steps_per_s, found, tolerance_steps_per_s))
}

/// The ramp generator of an axis does this.
///
/// # Errors
/// [`Mismatch`] if it does something else.
pub fn state(chain: &VirtualChain, device: usize, axis: usize, state: MotionState) -> Result<(), Mismatch> {
    let found = chain.engine(device, axis).phase(chain.now_ns());
    word(chain, (device, axis), "motion state", state.name(), found.name())
}

/// The bridge of an axis does this to the windings.
///
/// # Errors
/// [`Mismatch`] if it does something else.
pub fn bridge(chain: &VirtualChain, device: usize, axis: usize, state: BridgeState) -> Result<(), Mismatch> {
    let found = chain.bridge_state(device, axis);
    word(chain, (device, axis), "bridge", bridge_name(state), bridge_name(found))
}

/// A flag of the status word is up, or is not; peeked at, so that nothing is cleared.
///
/// # Errors
/// [`Mismatch`] if it is otherwise, or if the map has no such flag for this axis.
pub fn flag(chain: &VirtualChain, device: usize, axis: usize, flag: Flag, raised: bool) -> Result<(), Mismatch> {
    let text = |raised| if raised { "raised" } else { "not raised" };
    let word_now = chain.status(device);
    let bit = chain.layout_of(device).status.flags.iter().find(|bit| bit.flag == flag && usize::from(bit.axis) == axis);
    let found = bit.map_or("not in the map", |bit| text(bit.is_raised(word_now)));
    word(chain, (device, axis), flag.name(), text(raised), found)
}

/// Nothing that the datasheet forbids has happened on the bus.
///
/// # Errors
/// [`Mismatch`] with the violations.
pub fn no_violation(chain: &VirtualChain) -> Result<(), Mismatch> {
    never(chain, &Pattern::violation())
}

/// Every word was one that its device knows, and was obeyed.
///
/// # Errors
/// [`Mismatch`] with those that were not.
pub fn no_rejection(chain: &VirtualChain) -> Result<(), Mismatch> {
    let is_refused = |kind: &EventKind| {
        matches!(
            kind,
            EventKind::CommandRejected { .. } | EventKind::CommandUnknown { .. } | EventKind::CrcMismatch { .. }
        )
    };
    never(chain, &Pattern::that("a word that was not obeyed", is_refused))
}

/// No entry of the log is like the pattern.
///
/// # Errors
/// [`Mismatch`] with those that are.
pub fn never(chain: &VirtualChain, pattern: &Pattern) -> Result<(), Mismatch> {
    let events = chain.events();
    let found: Vec<_> = events.iter().filter(|event| pattern.is_like(event)).collect();
    let Some(first) = found.first() else { return Ok(()) };
    let row = |event: &&crate::device::Event| vec![event.to_string()];
    let mut rows: Vec<_> = found.iter().take(SHOWN).map(row).collect();
    if found.len() > SHOWN {
        rows.push(vec![format!("and {} more", found.len() - SHOWN)]);
    }
    let title = format!("{} in the log, expected none of: {pattern}", found.len());
    Err(Mismatch::new(title, &["found"], &rows, &events, first.time_ns))
}

/// The log has entries like the patterns, in their order; whatever else may stand between them.
///
/// # Errors
/// [`Mismatch`] that shows how far the order was kept.
pub fn order(chain: &VirtualChain, patterns: &[Pattern]) -> Result<(), Mismatch> {
    let events = chain.events();
    let mut rows = Vec::new();
    let (mut from, mut last_ns, mut missing) = (0, 0, None);
    for (index, pattern) in patterns.iter().enumerate() {
        let rest = events.get(from..).unwrap_or_default();
        let found = match rest.iter().position(|event| pattern.is_like(event)) {
            _ if missing.is_some() => "-".to_owned(),
            Some(place) => {
                last_ns = rest.get(place).map_or(last_ns, |event| event.time_ns);
                from += place + 1;
                format!("at {} ns", grouped(last_ns))
            }
            None => {
                missing = Some(index);
                match events.iter().rev().find(|event| pattern.is_like(event)) {
                    Some(early) => format!("only before that, at {} ns", grouped(early.time_ns)),
                    None => "nowhere".to_owned(),
                }
            }
        };
        let mark = if missing == Some(index) { ">" } else { "" };
        rows.push(vec![mark.to_owned(), (index + 1).to_string(), pattern.to_string(), found]);
    }
    let Some(missing) = missing else { return Ok(()) };
    let title = match missing {
        0 => "number 1 of the expected order is missing".to_owned(),
        _ => format!("number {} of the expected order is missing after {} ns", missing + 1, grouped(last_ns)),
    };
    Err(Mismatch::new(title, &["", "#", "expected", "found"], &rows, &events, last_ns))
}

/// The log is this text, as [`log_text`](VirtualChain::log_text) gives it. Empty lines at the ends and white space at the
/// ends of lines do not count, so that the text may stand indented in a test.
///
/// # Errors
/// [`Mismatch`] with the first line that differs.
pub fn log(chain: &VirtualChain, text: &str) -> Result<(), Mismatch> {
    let events = chain.events();
    let expected: Vec<_> = text.trim().lines().map(str::trim).collect();
    let found: Vec<_> = events.iter().map(|event| event.to_string().trim().to_owned()).collect();
    let differs = |&index: &usize| expected.get(index).copied() != found.get(index).map(String::as_str);
    let Some(first) = (0..expected.len().max(found.len())).find(differs) else { return Ok(()) };
    let row = |name: &str, line: Option<&str>| vec![name.to_owned(), line.unwrap_or("the end of the log").to_owned()];
    let rows = vec![row("expected", expected.get(first).copied()), row("found", found.get(first).map(String::as_str))];
    let title = format!("line {} of the log, {} lines where {} are expected", first + 1, found.len(), expected.len());
    let at_ns = events.get(first).or(events.last()).map_or(0, |event| event.time_ns);
    Err(Mismatch::new(title, &["", "line"], &rows, &events, at_ns))
}

/// Compares expected and found to within a tolerance. What is no number is like nothing.
fn number(
    chain: &VirtualChain,
    (device, axis): (usize, usize),
    what: &str,
    unit: &str,
    (expected, found, tolerance): (f64, f64, f64),
) -> Result<(), Mismatch> {
    let off = found - expected;
    if off.abs() <= tolerance {
        return Ok(());
    }
    let now_ns = chain.now_ns();
    let title = format!("{what} of axis {device}.{axis} at {} ns", grouped(now_ns));
    let head = ["expected", "found", "off by", "tolerance"].map(|name| format!("{name} [{unit}]"));
    let row = [expected, found, off, tolerance].map(|value| value.to_string()).to_vec();
    Err(Mismatch::new(title, &head.each_ref().map(String::as_str), &[row], &chain.events(), now_ns))
}

fn word(
    chain: &VirtualChain,
    (device, axis): (usize, usize),
    what: &str,
    expected: &str,
    found: &str,
) -> Result<(), Mismatch> {
    if expected == found {
        return Ok(());
    }
    let now_ns = chain.now_ns();
    let title = format!("{what} of axis {device}.{axis} at {} ns", grouped(now_ns));
    let row = vec![expected.to_owned(), found.to_owned()];
    Err(Mismatch::new(title, &["expected", "found"], &[row], &chain.events(), now_ns))
}
