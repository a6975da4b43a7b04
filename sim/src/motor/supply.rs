//! The supply of the bridges over time: straight lines between given points.

/// Voltage over virtual time: linear between its points, constant before the first and after the last.
#[derive(Clone, Debug, PartialEq)]
pub struct Supply {
    /// Instants in nanoseconds, rising, and volts.
    points: Vec<(u64, f64)>,
}

impl Supply {
    /// The same voltage for ever; a negative one or one that is no number counts as 0 V.
    #[must_use]
    pub fn constant(volts: f64) -> Self {
        Self::over_time(&[(0, volts)])
    }

    /// Through points of instant (ns) and voltage (V); of two points at one instant, the last given counts. Without points, 0 V.
    ///
    /// Negative voltages and those that are no number count as 0 V.
    #[must_use]
    pub fn over_time(points: &[(u64, f64)]) -> Self {
        let mut sorted: Vec<(u64, f64)> = Vec::with_capacity(points.len());
        let mut points: Vec<_> = points.iter().map(|&(at_ns, volts)| (at_ns, volts.max(0.0))).collect();
        points.sort_by_key(|&(at_ns, _)| at_ns);
        for point in points {
            match sorted.last_mut() {
                Some(last) if last.0 == point.0 => *last = point,
                _ => sorted.push(point),
            }
        }
        Self { points: sorted }
    }

    /// The voltage at an instant, in volts.
    #[must_use]
    pub fn volts(&self, now_ns: u64) -> f64 {
        self.line(now_ns).volts
    }

    /// The line on which the voltage is from `now_ns` on.
    pub(super) fn line(&self, now_ns: u64) -> Line {
        let next = self.points.partition_point(|&(at_ns, _)| at_ns <= now_ns);
        let before = next.checked_sub(1).and_then(|index| self.points.get(index));
        match (before, self.points.get(next)) {
            (Some(&(from_ns, from_v)), Some(&(to_ns, to_v))) => {
                let slope = (to_v - from_v) / seconds(to_ns - from_ns);
                Line { volts: from_v + slope * seconds(now_ns - from_ns), volts_per_s: slope, until_ns: to_ns }
            }
            (None, Some(&(at_ns, volts))) => Line { volts, volts_per_s: 0.0, until_ns: at_ns },
            (Some(&(_, volts)), None) => Line { volts, volts_per_s: 0.0, until_ns: u64::MAX },
            (None, None) => Line { volts: 0.0, volts_per_s: 0.0, until_ns: u64::MAX },
        }
    }
}

/// One straight stretch of the supply.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Line {
    /// At its beginning.
    pub(super) volts: f64,
    pub(super) volts_per_s: f64,
    pub(super) until_ns: u64,
}

fn seconds(duration_ns: u64) -> f64 {
    duration_ns as f64 * 1e-9
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: from 10 V to 20 V within a second, so 12.5 V after a quarter.
    #[test]
    fn the_supply_is_straight_between_its_points_and_flat_beyond_them() {
        let supply = Supply::over_time(&[(2_000_000_000, 20.0), (1_000_000_000, 10.0)]);
        let read = [0, 1_000_000_000, 1_250_000_000, 2_000_000_000, u64::MAX].map(|at_ns| supply.volts(at_ns));
        assert_eq!(read, [10.0, 10.0, 12.5, 20.0, 20.0]);
        assert_eq!(supply.line(1_250_000_000).until_ns, 2_000_000_000);
        assert_eq!(Supply::over_time(&[]).volts(5), 0.0);
        assert_eq!(Supply::constant(-3.0).volts(5), 0.0);
    }

    #[test]
    fn the_last_of_two_points_at_one_instant_counts() {
        assert_eq!(Supply::over_time(&[(5, 1.0), (5, 2.0), (7, 2.0)]).volts(6), 2.0);
    }
}
