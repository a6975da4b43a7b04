//! What is read off a trace between two cursors.
//!
//! A root mean square is taken over whole electrical periods, four full steps each, from the first cursor on: over a part
//! of a period it would depend on which part. Between two samples a trace is straight.

use super::{Sample, Trace};

/// Full steps of an electrical period.
const PERIOD_STEPS: f64 = 4.0;

/// Two instants of a trace.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Cursors {
    /// The first, in nanoseconds.
    pub from_ns: u64,
    /// The second.
    pub to_ns: u64,
}

impl Cursors {
    /// Both ends of a trace.
    #[must_use]
    pub fn whole(trace: &Trace) -> Self {
        let ends = [trace.samples.first(), trace.samples.last()];
        let [from_ns, to_ns] = ends.map(|sample| sample.map_or(trace.trigger_ns, |sample| sample.time_ns));
        Self { from_ns, to_ns }
    }
}

/// What was read off.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Figures {
    /// Time between the cursors, in seconds.
    pub duration_s: f64,
    /// Whole electrical periods between them; `None` while the field stands. With none, or less than one, means are over
    /// all there is.
    pub periods: Option<u32>,
    /// Greatest magnitudes of the voltages, in volts.
    pub peak_v: [f64; 2],
    /// Greatest magnitudes of the currents, in amperes.
    pub peak_a: [f64; 2],
    /// Root mean square of the voltages, in volts.
    pub rms_v: [f64; 2],
    /// Root mean square of the currents, in amperes.
    pub rms_a: [f64; 2],
    /// Length of the vector of both, in amperes: of sines, the peak of a phase without its ripple.
    pub amplitude_a: f64,
    /// How much smaller that is than the current to which it was compared, in percent; negative if it is greater.
    pub droop_percent: Option<f64>,
}

impl Trace {
    /// Reads off what is between two cursors, and the droop against a current in amperes: the wanted one, or that of
    /// standstill. `None` if there are no two samples between them.
    #[must_use]
    pub fn figures(&self, cursors: &Cursors, reference_a: Option<f64>) -> Option<Figures> {
        let within = |sample: &&Sample| (cursors.from_ns..=cursors.to_ns).contains(&sample.time_ns);
        let samples: Vec<&Sample> = self.samples.iter().filter(within).collect();
        let (first, last) = match samples.as_slice() {
            [first, .., last] => (*first, *last),
            _ => return None,
        };
        let turned = |sample: &Sample| (sample.angle_steps - first.angle_steps).abs() / PERIOD_STEPS;
        let is_still = samples.iter().all(|sample| turned(sample) == 0.0);
        let periods = samples.iter().map(|sample| libm::floor(turned(sample))).fold(0.0, f64::max);
        // Where the last whole period ends: at a sample, or between two.
        let end_ns = match periods > 0.0 {
            true => samples.windows(2).find_map(|pair| match pair {
                [before, after] if turned(after) >= periods => {
                    let (from, to) = (turned(before), turned(after));
                    let share = if to > from { (periods - from) / (to - from) } else { 1.0 };
                    Some(before.time_ns as f64 + share * (after.time_ns - before.time_ns) as f64)
                }
                _ => None,
            }),
            false => None,
        };
        let end_ns = end_ns.unwrap_or(last.time_ns as f64);
        let rms = |of: fn(&Sample) -> [f64; 2]| {
            [0, 1].map(|phase: usize| root_mean_square(&samples, end_ns, |sample| of(sample)[phase]))
        };
        let peak = |of: fn(&Sample) -> [f64; 2]| {
            [0, 1].map(|phase: usize| samples.iter().map(|sample| of(sample)[phase].abs()).fold(0.0, f64::max))
        };
        let (voltages, currents) = (|sample: &Sample| sample.voltages_v, |sample: &Sample| sample.currents_a);
        let rms_a = rms(currents);
        let amplitude_a = libm::hypot(rms_a[0], rms_a[1]);
        Some(Figures {
            duration_s: (last.time_ns - first.time_ns) as f64 * 1e-9,
            periods: (!is_still).then_some(periods as u32),
            peak_v: peak(voltages),
            peak_a: peak(currents),
            rms_v: rms(voltages),
            rms_a,
            amplitude_a,
            droop_percent: reference_a
                .filter(|&reference_a| reference_a > 0.0)
                .map(|reference_a| 100.0 * (1.0 - amplitude_a / reference_a)),
        })
    }
}

/// Root mean square from the first sample up to an instant, of values that go straight from one to the next: the integral
/// of the square of a straight piece is (a² + ab + b²)/3 times its length.
fn root_mean_square(samples: &[&Sample], end_ns: f64, value: impl Fn(&Sample) -> f64) -> f64 {
    let (mut sum, mut length) = (0.0, 0.0);
    for pair in samples.windows(2) {
        let [before, after] = pair else { continue };
        let (from_ns, to_ns) = (before.time_ns as f64, after.time_ns as f64);
        if from_ns >= end_ns {
            break;
        }
        let share = ((end_ns - from_ns) / (to_ns - from_ns)).min(1.0);
        let start = value(before);
        let end = start + share * (value(after) - start);
        let piece = share * (to_ns - from_ns);
        sum += (start * start + start * end + end * end) / 3.0 * piece;
        length += piece;
    }
    if length > 0.0 { libm::sqrt(sum / length) } else { 0.0 }
}
