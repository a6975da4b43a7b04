//! Compares the velocity of an axis over time with the profile that was expected.

use super::mismatch::Mismatch;
use crate::chain::VirtualChain;
use crate::device::{Breakpoint, grouped};

/// With more points than this, only those are shown that are off, and their neighbours.
const ALL_SHOWN: usize = 12;

/// At each instant in nanoseconds, an axis had the velocity in full steps/s, positive counting up, to within a tolerance
/// in full steps/s.
///
/// The velocity is that of the ramp, exact at any instant. Where it jumps, either side will do. What lies ahead of the
/// chain's time has not happened yet, and is not as expected.
///
/// # Errors
/// [`Mismatch`] with the points that are off.
///
/// # Panics
/// If the chain has no such device or axis.
pub fn profile(
    chain: &VirtualChain,
    device: usize,
    axis: usize,
    points: &[(u64, f64)],
    tolerance_steps_per_s: f64,
) -> Result<(), Mismatch> {
    let (corners, now_ns) = (chain.trajectory(device, axis), chain.now_ns());
    let found: Vec<_> = points
        .iter()
        .map(|&(time_ns, wanted)| if time_ns > now_ns { None } else { Some(nearest(&corners, time_ns, wanted)) })
        .collect();
    let is_off: Vec<_> = points
        .iter()
        .zip(&found)
        .map(|(&(_, wanted), found)| !found.is_some_and(|found| (found - wanted).abs() <= tolerance_steps_per_s))
        .collect();
    let Some(first) = is_off.iter().position(|&off| off) else { return Ok(()) };
    let is_shown = |index: usize| {
        let near = index.saturating_sub(1)..=index + 1;
        points.len() <= ALL_SHOWN || near.into_iter().any(|index| is_off.get(index) == Some(&true))
    };
    let mut rows = Vec::new();
    for (index, (&(time_ns, wanted), found)) in points.iter().zip(&found).enumerate() {
        if is_shown(index) {
            let mark = if is_off.get(index) == Some(&true) { ">" } else { "" };
            let (found, off) = match found {
                None => ("not yet".to_owned(), "-".to_owned()),
                Some(found) => (rounded(*found), rounded(found - wanted)),
            };
            rows.push(vec![mark.to_owned(), grouped(time_ns), rounded(wanted), found, off]);
        }
    }
    let count = is_off.iter().filter(|&&off| off).count();
    let title = format!(
        "velocity of axis {device}.{axis}: {count} of {} points are off by more than {tolerance_steps_per_s} steps/s",
        points.len()
    );
    let head = ["", "time [ns]", "expected [steps/s]", "found", "off by"];
    let at_ns = points.get(first).map_or(now_ns, |point| point.0.min(now_ns));
    Err(Mismatch::new(title, &head, &rows, &chain.events(), at_ns))
}

/// The velocity at an instant; of those on the two sides of a jump the one nearer to what is wanted.
fn nearest(corners: &[Breakpoint], time_ns: u64, wanted: f64) -> f64 {
    let first = corners.partition_point(|corner| corner.time_ns < time_ns);
    let end = corners.partition_point(|corner| corner.time_ns <= time_ns);
    let at: Vec<f64> =
        corners.get(first..end).unwrap_or_default().iter().map(|corner| corner.velocity_steps_per_s).collect();
    let nearer = |a: f64, b: f64| if (b - wanted).abs() < (a - wanted).abs() { b } else { a };
    at.into_iter().reduce(nearer).unwrap_or_else(|| {
        match (first.checked_sub(1).and_then(|before| corners.get(before)), corners.get(first)) {
            (Some(before), Some(after)) => {
                let share = (time_ns - before.time_ns) as f64 / (after.time_ns - before.time_ns) as f64;
                before.velocity_steps_per_s + share * (after.velocity_steps_per_s - before.velocity_steps_per_s)
            }
            (Some(only), None) | (None, Some(only)) => only.velocity_steps_per_s,
            (None, None) => 0.0,
        }
    })
}

/// To a thousandth, which is as much as a table needs; without a sign before nothing.
fn rounded(velocity: f64) -> String {
    let text = format!("{velocity:.3}");
    if text == "-0.000" { "0.000".to_owned() } else { text }
}
