//! What a motor did beside what its axis was commanded: samples over time, and their values between.

/// A motor at one time.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct MotorKnot {
    /// In seconds.
    pub time_s: f64,
    /// How far the rotor was behind the counter, in full steps.
    pub behind_steps: f64,
    /// Greatest current of a phase since the knot before, as the length of the vector of both, in amperes.
    pub current_a: f64,
    /// Temperature of the windings, in degrees Celsius.
    pub winding_c: f64,
}

/// A motor over time.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct MotorTrack {
    /// In the order of time; between two of them a straight line.
    pub knots: Vec<MotorKnot>,
}

impl MotorTrack {
    /// The state at a time; before the first knot that of the first, behind the last that of the last.
    #[must_use]
    pub fn at(&self, time_s: f64) -> MotorKnot {
        let next = self.knots.partition_point(|knot| knot.time_s <= time_s);
        let before = next.checked_sub(1).and_then(|index| self.knots.get(index));
        match (before, self.knots.get(next)) {
            (Some(before), Some(after)) => {
                let share = (time_s - before.time_s) / (after.time_s - before.time_s);
                let between = |a: f64, b: f64| a + share * (b - a);
                MotorKnot {
                    time_s,
                    behind_steps: between(before.behind_steps, after.behind_steps),
                    current_a: between(before.current_a, after.current_a),
                    winding_c: between(before.winding_c, after.winding_c),
                }
            }
            (Some(only), None) | (None, Some(only)) => MotorKnot { time_s, ..*only },
            (None, None) => MotorKnot { time_s, ..MotorKnot::default() },
        }
    }

    /// Times and values for a chart of so many columns up to `end_s`: of each column the first value, the least, the
    /// greatest and the last, so that no peak is lost.
    pub(super) fn points(&self, end_s: f64, columns: u32, of: impl Fn(&MotorKnot) -> f64) -> Vec<(f64, f64)> {
        let column = |time_s: f64| (time_s / end_s.max(1e-9) * f64::from(columns)) as u32;
        let shown: Vec<_> =
            self.knots.iter().filter(|knot| knot.time_s <= end_s).map(|knot| (knot.time_s, of(knot))).collect();
        let mut points = Vec::new();
        for part in shown.chunk_by(|a, b| column(a.0) == column(b.0)) {
            let ends = part.first().into_iter().chain(part.last());
            let least = part.iter().min_by(|a, b| a.1.total_cmp(&b.1));
            let greatest = part.iter().max_by(|a, b| a.1.total_cmp(&b.1));
            let mut few: Vec<_> = ends.chain(least).chain(greatest).copied().collect();
            few.sort_by(|a, b| a.0.total_cmp(&b.0));
            few.dedup();
            points.extend(few);
        }
        if let Some(last) = points.last().filter(|last| last.0 < end_s).copied() {
            points.push((end_s, last.1));
        }
        points
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn knot(time_s: f64, current_a: f64) -> MotorKnot {
        MotorKnot { time_s, current_a, winding_c: 25.0, ..MotorKnot::default() }
    }

    #[test]
    fn a_motor_is_on_a_line_between_knots_and_level_beyond_them() {
        let track = MotorTrack { knots: vec![knot(1.0, 0.0), knot(2.0, 4.0)] };
        let read = [0.0, 1.25, 2.0, 9.0].map(|time_s| track.at(time_s).current_a);
        assert_eq!(read, [0.0, 1.0, 4.0, 4.0]);
        assert_eq!(MotorTrack::default().at(1.0).current_a, 0.0);
    }

    /// A peak of one knot among ten thousand, drawn in a hundred columns.
    #[test]
    fn a_chart_of_few_columns_keeps_every_peak() {
        let current_a = |index: i32| if index == 4321 { 7.0 } else { f64::from(index % 2) };
        let knots = (0..10_000).map(|index| knot(f64::from(index) / 1000.0, current_a(index))).collect();
        let points = MotorTrack { knots }.points(20.0, 100, |knot| knot.current_a);
        assert!(points.len() <= 401 && points.contains(&(4.321, 7.0)), "{}", points.len());
        assert!(points.windows(2).all(|pair| pair[0].0 <= pair[1].0));
        assert_eq!(points.last(), Some(&(20.0, 1.0)));
    }
}
