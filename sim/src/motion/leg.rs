//! One leg of motion in closed form: what is the distance at an instant, and the instant at a distance?
//!
//! A leg goes in one direction from distance zero. It is a sequence of spans of constant acceleration, and each span
//! is reckoned from its *slow* end: there all terms of the quadratic have one sign, so nothing cancels, and the last
//! span of a leg is anchored to the exact end of the leg.
//! Knows no counts and no limits; every number is a magnitude in the unit of length of the caller.

use stepchain::map::MotionState;

use super::terms::Direction;

/// A stretch of constant acceleration as the planner describes it, not yet laid out in time and distance.
#[derive(Clone, Copy, Debug)]
pub(super) struct Piece {
    /// May be infinite when the acceleration is zero.
    pub(super) duration_s: f64,
    pub(super) start_speed: f64,
    pub(super) end_speed: f64,
    /// Positive when the speed grows.
    pub(super) acceleration: f64,
}

impl Piece {
    fn distance(&self) -> f64 {
        0.5 * (self.start_speed + self.end_speed) * self.duration_s
    }
}

/// A piece in its place within a leg.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Span {
    start_s: f64,
    pub(super) end_s: f64,
    /// Kept beside the two, whose difference has lost the last digits.
    pub(super) duration_s: f64,
    start_distance: f64,
    end_distance: f64,
    pub(super) start_speed: f64,
    pub(super) end_speed: f64,
    pub(super) acceleration: f64,
}

impl Span {
    pub(super) fn phase(&self) -> MotionState {
        if self.acceleration > 0.0 {
            MotionState::Accelerating
        } else if self.acceleration < 0.0 {
            MotionState::Decelerating
        } else {
            MotionState::ConstantVelocity
        }
    }

    /// A span that does not end can only be reckoned from its start; a constant one that does is reckoned
    /// from its end, so that a leg which ends in it ends exactly.
    fn slow_end_is_start(&self) -> bool {
        self.acceleration > 0.0 || self.end_s.is_infinite()
    }

    /// When it is faster than `speed`, from when to when.
    fn time_above(&self, speed: f64) -> Option<(f64, f64)> {
        if self.start_speed.max(self.end_speed) <= speed {
            return None;
        }
        let rises = self.start_speed <= speed;
        let falls = self.end_speed <= speed;
        let from_s = if rises { self.start_s + (speed - self.start_speed) / self.acceleration } else { self.start_s };
        let to_s = if falls { self.end_s + (speed - self.end_speed) / self.acceleration } else { self.end_s };
        Some((from_s.min(self.end_s), to_s.max(self.start_s)))
    }

    fn speed_at(&self, at_s: f64) -> f64 {
        if self.acceleration == 0.0 {
            self.end_speed
        } else if self.slow_end_is_start() {
            let speed = self.start_speed + self.acceleration * (at_s - self.start_s);
            speed.min(self.end_speed)
        } else {
            let speed = self.end_speed - self.acceleration * (self.end_s - at_s);
            speed.min(self.start_speed)
        }
    }

    fn distance_at(&self, at_s: f64) -> f64 {
        if self.slow_end_is_start() {
            self.start_distance + travel(at_s - self.start_s, self.start_speed, self.acceleration)
        } else {
            self.end_distance - travel(self.end_s - at_s, self.end_speed, -self.acceleration)
        }
    }

    fn time_at(&self, distance: f64) -> f64 {
        let at_s = if self.slow_end_is_start() {
            let gone = distance - self.start_distance;
            self.start_s + travel_time(gone, self.start_speed, self.acceleration)
        } else {
            let left = self.end_distance - distance;
            self.end_s - travel_time(left, self.end_speed, -self.acceleration)
        };
        at_s.clamp(self.start_s, self.end_s)
    }
}

/// Distance covered in `time_s` from `speed` on at a constant, not negative `acceleration`: v t + a t²/2.
fn travel(time_s: f64, speed: f64, acceleration: f64) -> f64 {
    time_s * (speed + 0.5 * acceleration * time_s)
}

/// Inverse of [`travel`]: 2 s / (v + √(v² + 2 a s)), the form of the quadratic's root in which nothing cancels
/// (textbook). Zero for a distance that is not positive.
fn travel_time(distance: f64, speed: f64, acceleration: f64) -> f64 {
    if distance <= 0.0 {
        return 0.0;
    }
    2.0 * distance / (speed + (speed * speed + 2.0 * acceleration * distance).sqrt())
}

/// Motion in one direction, from its first instant to standstill or for ever.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Leg {
    pub(super) direction: Direction,
    length: f64,
    spans: Vec<Span>,
}

impl Leg {
    /// Lays the pieces out one after another; those that take no time are left out.
    ///
    /// `length` is the exact distance at which the leg ends, infinite if it does not. The pieces' own distances
    /// add up to it but for rounding, and the rounding is given to where the speed is greatest.
    pub(super) fn new(direction: Direction, length: f64, pieces: &[Piece]) -> Self {
        let mut spans: Vec<Span> = Vec::with_capacity(pieces.len());
        let (mut at_s, mut distance) = (0.0, 0.0);
        for piece in pieces.iter().filter(|piece| piece.duration_s > 0.0) {
            let (start_s, start_distance) = (at_s, distance);
            at_s += piece.duration_s;
            distance += piece.distance();
            spans.push(Span {
                start_s,
                end_s: at_s,
                duration_s: piece.duration_s,
                start_distance,
                end_distance: distance,
                start_speed: piece.start_speed,
                end_speed: piece.end_speed,
                acceleration: piece.acceleration,
            });
        }
        if let Some((last, before)) = spans.split_last_mut() {
            let shift = length - last.end_distance;
            last.end_distance = length;
            if last.acceleration < 0.0 {
                last.start_distance += shift;
                if let Some(previous) = before.last_mut() {
                    previous.end_distance = last.start_distance;
                }
            }
        }
        Self { direction, length, spans }
    }

    /// Distance at which it ends; infinite if it does not.
    pub(super) fn length(&self) -> f64 {
        self.length
    }

    /// Infinite for a leg that cruises for ever.
    pub(super) fn duration_s(&self) -> f64 {
        self.spans.last().map_or(0.0, |span| span.end_s)
    }

    pub(super) fn spans(&self) -> &[Span] {
        &self.spans
    }

    /// The span at an instant; at the border of two, the later.
    pub(super) fn span_at(&self, at_s: f64) -> Option<&Span> {
        self.spans.iter().find(|span| at_s < span.end_s).or(self.spans.last())
    }

    /// Distance gone, between zero and the length.
    pub(super) fn distance_at(&self, at_s: f64) -> f64 {
        let at_s = at_s.clamp(0.0, self.duration_s());
        self.span_at(at_s).map_or(0.0, |span| span.distance_at(at_s).clamp(0.0, self.length))
    }

    /// Speed, zero from the end of the leg on: the start-stop velocity is gone then.
    pub(super) fn speed_at(&self, at_s: f64) -> f64 {
        if at_s >= self.duration_s() {
            return 0.0;
        }
        self.span_at(at_s).map_or(0.0, |span| span.speed_at(at_s.max(0.0)))
    }

    /// Instant at which `distance` is reached, within the leg's duration.
    pub(super) fn time_at(&self, distance: f64) -> f64 {
        let span = self.spans.iter().find(|span| distance <= span.end_distance);
        span.or(self.spans.last()).map_or(0.0, |span| span.time_at(distance))
    }

    /// From when to when it is faster than `speed`: one stretch, for no leg slows down and speeds up again.
    pub(super) fn time_above(&self, speed: f64) -> Option<(f64, f64)> {
        let stretches = self.spans.iter().filter_map(|span| span.time_above(speed));
        stretches.reduce(|(from_s, _), (_, to_s)| (from_s, to_s))
    }

    /// Greatest speed within the stretch of time; zero when the leg is not under way in it.
    pub(super) fn peak_speed(&self, from_s: f64, to_s: f64) -> f64 {
        let under_way = self.spans.iter().filter(|span| span.start_s <= to_s && from_s < span.end_s);
        under_way.fold(0.0, |peak: f64, span| {
            let (from_s, to_s) = (from_s.max(span.start_s), to_s.min(span.end_s));
            peak.max(span.speed_at(from_s)).max(span.speed_at(to_s))
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The pieces cover 50, 100 and 30; the leg is told to be 180.25 long.
    fn leg() -> Leg {
        let piece = |duration_s, start_speed, end_speed, acceleration| Piece {
            duration_s,
            start_speed,
            end_speed,
            acceleration,
        };
        let up = piece(10.0, 0.0, 10.0, 1.0);
        let along = piece(10.0, 10.0, 10.0, 0.0);
        let down = piece(4.0, 10.0, 5.0, -1.25);
        Leg::new(Direction::Positive, 180.25, &[up, along, down])
    }

    #[test]
    fn a_difference_of_lengths_goes_to_the_fastest_span_and_the_last_meets_it() {
        let leg = leg();
        let [up, along, down] = leg.spans() else { panic!("{leg:?}") };
        assert_eq!((up.end_distance, along.start_distance), (50.0, 50.0));
        assert_eq!((along.end_distance, down.start_distance), (150.25, 150.25));
        assert_eq!((leg.distance_at(20.0), leg.time_at(150.25)), (150.25, 20.0));
        assert_eq!((leg.distance_at(24.0), leg.time_at(180.25)), (180.25, 24.0));
    }

    /// Up from 0 to 10 in 10 s, along for 10 s, down to 5 in 4 s, where the rest is dropped.
    #[test]
    fn the_time_above_a_speed_is_one_stretch() {
        let leg = leg();
        assert_eq!(leg.time_above(7.5), Some((7.5, 22.0)));
        assert_eq!(leg.time_above(2.5), Some((2.5, 24.0)));
        assert_eq!(leg.time_above(0.0), Some((0.0, 24.0)));
        assert_eq!(leg.time_above(10.0), None);
    }

    #[test]
    fn the_speed_is_gone_from_the_last_instant_on() {
        let leg = leg();
        assert_eq!((leg.speed_at(22.0), leg.speed_at(24.0)), (7.5, 0.0));
        assert_eq!((leg.peak_speed(22.0, 30.0), leg.peak_speed(24.0, 30.0)), (7.5, 0.0));
    }
}
