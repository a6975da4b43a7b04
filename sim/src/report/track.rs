//! The motion of one axis as pieces of constant acceleration, and its value at any time.

use super::motor::MotorTrack;

/// Where a piece of constant acceleration begins; it lasts until the next knot.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Knot {
    /// In seconds.
    pub time_s: f64,
    /// In full steps.
    pub position_steps: f64,
    /// In full steps/s, signed; where the velocity jumps, the value after the jump.
    pub velocity_steps_per_s: f64,
    /// In full steps/s², signed.
    pub acceleration_steps_per_s2: f64,
}

impl Knot {
    /// Position after `after_s` seconds of the piece, in full steps.
    fn position(&self, after_s: f64) -> f64 {
        self.position_steps + after_s * (self.velocity_steps_per_s + 0.5 * self.acceleration_steps_per_s2 * after_s)
    }

    /// Velocity after `after_s` seconds of the piece, in full steps/s.
    fn velocity(&self, after_s: f64) -> f64 {
        self.velocity_steps_per_s + self.acceleration_steps_per_s2 * after_s
    }
}

/// The motion of one axis.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Track {
    /// The axis.
    pub name: String,
    /// The pieces, in the order of time.
    pub knots: Vec<Knot>,
    /// What its motor did, if it has one.
    pub motor: Option<MotorTrack>,
}

impl Track {
    /// The track through corners (seconds, full steps, full steps/s) in the order of time, between which the velocity
    /// is linear; where two share an instant, the motion jumps from the first to the second.
    #[must_use]
    pub fn through(name: &str, corners: &[(f64, f64, f64)]) -> Self {
        let ends = corners.iter().skip(1).map(Some).chain([None]);
        let knot = |(&(time_s, position_steps, velocity_steps_per_s), end): (_, Option<&(f64, f64, f64)>)| {
            let slope = match end {
                Some(&(end_s, _, end_velocity)) if end_s > time_s => {
                    (end_velocity - velocity_steps_per_s) / (end_s - time_s)
                }
                // What lasts no time only tells what was before a jump.
                Some(_) => return None,
                None => 0.0,
            };
            Some(Knot { time_s, position_steps, velocity_steps_per_s, acceleration_steps_per_s2: slope })
        };
        let knots = corners.iter().zip(ends).filter_map(knot).collect();
        Self { name: name.to_owned(), knots, motor: None }
    }

    /// Position in full steps and velocity in full steps/s at a time; before the first knot, those of the first.
    #[must_use]
    pub fn at(&self, time_s: f64) -> (f64, f64) {
        let begun = self.knots.partition_point(|knot| knot.time_s <= time_s);
        match self.knots.get(begun.saturating_sub(1)) {
            Some(knot) => {
                let after_s = (time_s - knot.time_s).max(0.0);
                (knot.position(after_s), knot.velocity(after_s))
            }
            None => (0.0, 0.0),
        }
    }

    /// Greatest speed until `end_s`, in full steps/s, not negative.
    #[must_use]
    pub fn peak_velocity(&self, end_s: f64) -> f64 {
        let ends = self.pieces(end_s).flat_map(|(knot, last_s)| [knot.velocity(0.0), knot.velocity(last_s)]);
        ends.map(f64::abs).fold(0.0, f64::max)
    }

    /// Time in motion until `end_s`, in seconds.
    #[must_use]
    pub fn moving_s(&self, end_s: f64) -> f64 {
        let moves = |knot: &Knot| knot.velocity_steps_per_s != 0.0 || knot.acceleration_steps_per_s2 != 0.0;
        // Not `sum`: that of nothing is −0.
        self.pieces(end_s).filter(|(knot, _)| moves(knot)).fold(0.0, |sum, (_, last_s)| sum + last_s)
    }

    /// Times and velocities between which straight lines show the velocity exactly, jumps included.
    pub(super) fn velocity_corners(&self, end_s: f64) -> Vec<(f64, f64)> {
        let corners = |(knot, last_s): (&Knot, f64)| {
            [(knot.time_s, knot.velocity(0.0)), (knot.time_s + last_s, knot.velocity(last_s))]
        };
        self.pieces(end_s).flat_map(corners).collect()
    }

    /// Times and positions near enough to one another for a chart: the ends of every piece, and samples in those that
    /// are curved.
    pub(super) fn position_points(&self, end_s: f64) -> Vec<(f64, f64)> {
        let mut points = Vec::new();
        for (knot, last_s) in self.pieces(end_s) {
            let samples = if knot.acceleration_steps_per_s2 == 0.0 { 1 } else { 24 };
            let sample = |index: i32| {
                let after_s = last_s * f64::from(index) / f64::from(samples);
                (knot.time_s + after_s, knot.position(after_s))
            };
            points.extend((0..=samples).map(sample));
        }
        points
    }

    /// Each knot before `end_s` with the seconds that its piece lasts.
    fn pieces(&self, end_s: f64) -> impl Iterator<Item = (&Knot, f64)> {
        let ends = self.knots.iter().skip(1).map(|knot| knot.time_s).chain([f64::INFINITY]);
        let begun = self.knots.iter().zip(ends).filter(move |(knot, _)| knot.time_s < end_s);
        begun.map(move |(knot, next_s)| (knot, next_s.min(end_s) - knot.time_s))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two seconds up to 10 steps/s, three at it, then at once to rest.
    fn track() -> Track {
        Track::through("x", &[(1.0, 0.0, 0.0), (3.0, 10.0, 10.0), (6.0, 40.0, 10.0), (6.0, 40.0, 0.0)])
    }

    #[test]
    fn corners_at_one_instant_make_one_knot_after_the_jump() {
        let slopes: Vec<_> = track().knots.iter().map(|knot| (knot.time_s, knot.acceleration_steps_per_s2)).collect();
        assert_eq!(slopes, [(1.0, 5.0), (3.0, 0.0), (6.0, 0.0)]);
    }

    /// By hand: a half of a · t² is 2.5 after one second.
    #[test]
    fn a_track_tells_position_and_velocity_at_any_time() {
        assert_eq!(track().at(0.0), (0.0, 0.0));
        assert_eq!(track().at(2.0), (2.5, 5.0));
        assert_eq!(track().at(4.0), (20.0, 10.0));
        assert_eq!(track().at(9.0), (40.0, 0.0));
    }

    #[test]
    fn time_in_motion_leaves_out_the_rest_and_ends_with_the_run() {
        assert_eq!(track().moving_s(10.0), 5.0);
        assert_eq!(track().moving_s(2.0), 1.0);
        assert_eq!((track().peak_velocity(10.0), track().peak_velocity(2.0)), (10.0, 5.0));
    }

    #[test]
    fn a_velocity_that_jumps_has_two_corners_at_one_time() {
        let corners = track().velocity_corners(7.0);
        assert_eq!(corners, [(1.0, 0.0), (3.0, 10.0), (3.0, 10.0), (6.0, 10.0), (6.0, 0.0), (7.0, 0.0)]);
    }

    #[test]
    fn position_points_run_through_every_knot() {
        let points = track().position_points(7.0);
        for knot in &track().knots {
            assert!(points.contains(&(knot.time_s, knot.position_steps)), "{knot:?} in {points:?}");
        }
        assert!(points.windows(2).all(|pair| pair[0].0 <= pair[1].0));
    }
}
