//! Places one leg in virtual time and on whole counts: which step is due at which nanosecond?
//!
//! Here the microstep comes in: a leg may begin within one, and a step is due at the first whole nanosecond that is
//! not before its instant.

use stepchain::map::MotionState;

use super::leg::Leg;
use super::terms::Direction;

const NS_PER_S: f64 = 1e9;

/// One step of the counter.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    /// Instant from which `offset_s` counts.
    pub base_ns: u64,
    /// Seconds from `base_ns` to the step, not rounded to nanoseconds.
    pub offset_s: f64,
    /// The counter after the step.
    pub position: i64,
    /// Whether it counted up or down.
    pub direction: Direction,
}

impl Step {
    /// First whole nanosecond that is not before the step: from it on the counter shows the step.
    #[must_use]
    pub fn at_ns(&self) -> u64 {
        instant_ns(self.base_ns, self.offset_s)
    }
}

/// State of motion in which a new command finds the axis.
pub(super) struct Start {
    pub(super) direction: Direction,
    pub(super) speed: f64,
    /// Part of a microstep that the ideal motion is ahead of the counter, in its direction.
    pub(super) fraction: f64,
}

impl Start {
    pub(super) const REST: Self = Self { direction: Direction::Positive, speed: 0.0, fraction: 0.0 };
}

/// A leg in its place: since when, from which count.
#[derive(Clone, Debug)]
pub(super) struct Course {
    pub(super) base_ns: u64,
    pub(super) origin: i64,
    /// Part of a microstep by which the leg begins ahead of the origin, in its direction.
    pub(super) fraction: f64,
    /// Number of steps in the whole leg.
    pub(super) last: i64,
    pub(super) leg: Leg,
}

impl Course {
    /// All comparisons of instants go through this number and [`step_ns`](Self::step_ns), so that they agree.
    fn elapsed_ns(&self, now_ns: u64) -> f64 {
        now_ns.saturating_sub(self.base_ns) as f64
    }

    fn seconds(&self, now_ns: u64) -> f64 {
        self.elapsed_ns(now_ns) / NS_PER_S
    }

    fn is_under_way(&self, now_ns: u64) -> bool {
        self.elapsed_ns(now_ns) < self.leg.duration_s() * NS_PER_S
    }

    pub(super) fn end_ns(&self) -> Option<u64> {
        let duration_s = self.leg.duration_s();
        duration_s.is_finite().then(|| instant_ns(self.base_ns, duration_s))
    }

    /// Instants at which the phase may change, the first one included, in the order of time.
    pub(super) fn changes_ns(&self) -> impl Iterator<Item = u64> + '_ {
        let ends = self.leg.spans().iter().map(|span| span.end_s).filter(|end_s| end_s.is_finite());
        core::iter::once(self.base_ns).chain(ends.map(|end_s| instant_ns(self.base_ns, end_s)))
    }

    pub(super) fn phase(&self, now_ns: u64) -> MotionState {
        let elapsed_ns = self.elapsed_ns(now_ns);
        let span = self.leg.spans().iter().find(|span| elapsed_ns < span.end_s * NS_PER_S);
        span.map_or(MotionState::Standstill, |span| span.phase())
    }

    /// Where the motion would be if microsteps had no size; the fraction that is left at the end is dropped.
    pub(super) fn ideal_position(&self, now_ns: u64) -> f64 {
        if !self.is_under_way(now_ns) {
            return self.count_at(self.last) as f64;
        }
        let reached = self.fraction + self.leg.distance_at(self.seconds(now_ns));
        self.origin as f64 + self.leg.direction.signed(reached)
    }

    /// Not negative; zero from the end on.
    pub(super) fn speed(&self, now_ns: u64) -> f64 {
        if self.is_under_way(now_ns) { self.leg.speed_at(self.seconds(now_ns)) } else { 0.0 }
    }

    pub(super) fn peak_speed(&self, from_ns: u64, to_ns: u64) -> f64 {
        if to_ns < self.base_ns {
            return 0.0;
        }
        self.leg.peak_speed(self.seconds(from_ns), self.seconds(to_ns))
    }

    pub(super) fn count_at(&self, steps: i64) -> i64 {
        self.origin.wrapping_add(self.leg.direction.sign().wrapping_mul(steps))
    }

    /// The `n`-th step, n = 1 for the first.
    pub(super) fn step(&self, n: i64) -> Step {
        Step {
            base_ns: self.base_ns,
            offset_s: self.step_s(n),
            position: self.count_at(n),
            direction: self.leg.direction,
        }
    }

    fn step_s(&self, n: i64) -> f64 {
        self.leg.time_at(n as f64 - self.fraction)
    }

    fn step_ns(&self, n: i64) -> f64 {
        self.step_s(n) * NS_PER_S
    }

    /// Number of steps of this leg up to and including `now_ns`.
    ///
    /// The distance gives it but for rounding near a step; the instants of the neighbouring steps decide there.
    pub(super) fn steps_by(&self, now_ns: u64) -> i64 {
        if now_ns < self.base_ns {
            return 0;
        }
        if !self.is_under_way(now_ns) {
            return self.last;
        }
        let elapsed_ns = self.elapsed_ns(now_ns);
        self.steps_while(self.seconds(now_ns), |step_ns| step_ns <= elapsed_ns)
    }

    /// Number of steps of this leg before an instant within it, in seconds since it began; infinite for a leg without end.
    pub(super) fn steps_before(&self, at_s: f64) -> i64 {
        if at_s.is_infinite() {
            return self.last;
        }
        self.steps_while(at_s, |step_ns| step_ns < at_s * NS_PER_S)
    }

    /// Number of steps that are due, of which all are earlier than the others; near `at_s` they cease to be.
    fn steps_while(&self, at_s: f64, is_due: impl Fn(f64) -> bool) -> i64 {
        let reached = self.fraction + self.leg.distance_at(at_s);
        let mut steps = (reached.floor() as i64).clamp(0, self.last);
        while steps < self.last && is_due(self.step_ns(steps + 1)) {
            steps += 1;
        }
        while steps > 0 && !is_due(self.step_ns(steps)) {
            steps -= 1;
        }
        steps
    }

    /// From when to when, in seconds since it began, it is faster than `speed`.
    pub(super) fn time_above(&self, speed: f64) -> Option<(f64, f64)> {
        self.leg.time_above(speed)
    }

    /// Whether an instant lies in a stretch of time that [`time_above`](Self::time_above) has told.
    pub(super) fn is_within(&self, (from_s, to_s): (f64, f64), now_ns: u64) -> bool {
        let elapsed_ns = self.elapsed_ns(now_ns);
        now_ns >= self.base_ns && from_s * NS_PER_S <= elapsed_ns && elapsed_ns < to_s * NS_PER_S
    }

    pub(super) fn state(&self, now_ns: u64) -> Start {
        let speed = self.speed(now_ns);
        if speed == 0.0 {
            return Start::REST;
        }
        let reached = self.fraction + self.leg.distance_at(self.seconds(now_ns));
        // By rounding the motion may seem to be a little outside the microstep in which the counter is. The next
        // step is yet to come, so it must not be reached already.
        let fraction = (reached - self.steps_by(now_ns) as f64).clamp(0.0, 1.0 - 1e-9);
        Start { direction: self.leg.direction, speed, fraction }
    }
}

/// First whole nanosecond not before `offset_s` seconds after `base_ns`; saturates after 584 years.
pub(super) fn instant_ns(base_ns: u64, offset_s: f64) -> u64 {
    base_ns.saturating_add((offset_s * NS_PER_S).ceil() as u64)
}
