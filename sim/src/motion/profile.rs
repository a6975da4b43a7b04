//! Plans motion in closed form: ramp, start and goal in, segments of constant acceleration out.
//!
//! Reckons in any unit of length, as long as distance, velocity and acceleration share it: microsteps for the
//! engine, full steps for a prediction. Positions are relative to where the profile starts. Knows no counts: a
//! reversal here turns round at the ideal standstill, where the [`Engine`](super::Engine) drops the fraction of a
//! microstep.
//!
//! All formulas are v² − v₀² = 2 a s and v = v₀ + a t (textbook), arranged so that differences of nearly equal
//! numbers do not occur.

use stepchain::map::MotionState;

use super::leg::{Leg, Piece};
use super::terms::{ACCELERATIONS, Direction, GREATEST_DISTANCE, OutOfRange, VELOCITIES, within};

/// Slack, as a share of the braking distance, within which a motion counts as just able to stop in time.
const ROUNDING: f64 = 1e-12;

/// Likewise, as a share of the square of the speed, for what is dropped at a target.
const DROP_ROUNDING: f64 = 1e-9;

/// Slopes and speeds of one motion. All are magnitudes.
///
/// Ranges as for [`Limits`](super::Limits), in the unit of length of the caller.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ramp {
    /// Cruise velocity, in length/s.
    pub velocity: f64,
    /// Slope of rising speed, in length/s².
    pub acceleration: f64,
    /// Slope of falling speed, in length/s².
    pub deceleration: f64,
    /// Velocity taken up or dropped without a ramp, in length/s; zero for none. What exceeds the cruise velocity
    /// has no effect.
    pub start_velocity: f64,
}

impl Ramp {
    /// Checks every value against its range.
    ///
    /// # Errors
    /// [`OutOfRange`] names the first value that is outside.
    pub fn check(&self) -> Result<(), OutOfRange> {
        within("velocity", self.velocity, VELOCITIES)?;
        within("acceleration", self.acceleration, ACCELERATIONS)?;
        within("deceleration", self.deceleration, ACCELERATIONS)?;
        within("start-stop velocity", self.start_velocity, 0.0..=*VELOCITIES.end())
    }

    fn jump(&self) -> f64 {
        self.start_velocity.min(self.velocity)
    }
}

/// A stretch of a [`Profile`] with constant acceleration. Velocity and acceleration are signed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Segment {
    /// Infinite for the cruise of a motion that has no target.
    pub duration_s: f64,
    /// In length/s.
    pub start_velocity: f64,
    /// In length/s; unlike the next segment's start where a start-stop velocity is dropped or taken up.
    pub end_velocity: f64,
    /// In length/s².
    pub acceleration: f64,
}

/// A whole planned motion: at most two legs, each of at most three segments.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Profile {
    legs: Vec<Leg>,
}

impl Profile {
    fn of(legs: impl IntoIterator<Item = Leg>) -> Self {
        Self { legs: legs.into_iter().filter(|leg| leg.duration_s() > 0.0).collect() }
    }

    /// Seconds until standstill; infinite when there is none.
    #[must_use]
    pub fn duration_s(&self) -> f64 {
        sum(self.legs.iter().map(Leg::duration_s))
    }

    /// Greatest speed, in length/s, not negative.
    #[must_use]
    pub fn peak_velocity(&self) -> f64 {
        self.legs.iter().map(|leg| leg.peak_speed(0.0, f64::INFINITY)).fold(0.0, f64::max)
    }

    /// Seconds in which the speed grows.
    #[must_use]
    pub fn accelerate_s(&self) -> f64 {
        self.time_in(MotionState::Accelerating)
    }

    /// Seconds at constant velocity; infinite when there is no target.
    #[must_use]
    pub fn cruise_s(&self) -> f64 {
        self.time_in(MotionState::ConstantVelocity)
    }

    /// Seconds in which the speed falls.
    #[must_use]
    pub fn decelerate_s(&self) -> f64 {
        self.time_in(MotionState::Decelerating)
    }

    /// The segments in the order of time.
    pub fn segments(&self) -> impl Iterator<Item = Segment> + '_ {
        self.legs.iter().flat_map(|leg| {
            leg.spans().iter().map(|span| Segment {
                duration_s: span.duration_s,
                start_velocity: leg.direction.signed(span.start_speed),
                end_velocity: leg.direction.signed(span.end_speed),
                acceleration: leg.direction.signed(span.acceleration),
            })
        })
    }

    /// Signed distance from the start after `at_s` seconds; before and after the motion, that of its first and
    /// last instant.
    #[must_use]
    pub fn position_at(&self, at_s: f64) -> f64 {
        let mut begun_s = 0.0;
        let mut position = 0.0;
        for leg in &self.legs {
            position += leg.direction.signed(leg.distance_at(at_s - begun_s));
            begun_s += leg.duration_s();
        }
        position
    }

    /// Signed velocity after `at_s` seconds, zero outside the motion. Where it jumps, the value after the jump.
    #[must_use]
    pub fn velocity_at(&self, at_s: f64) -> f64 {
        let mut begun_s = 0.0;
        for leg in &self.legs {
            let in_leg_s = at_s - begun_s;
            if in_leg_s < 0.0 {
                break;
            }
            if in_leg_s < leg.duration_s() {
                return leg.direction.signed(leg.speed_at(in_leg_s));
            }
            begun_s += leg.duration_s();
        }
        0.0
    }

    fn time_in(&self, phase: MotionState) -> f64 {
        let spans = self.legs.iter().flat_map(Leg::spans);
        sum(spans.filter(|span| span.phase() == phase).map(|span| span.duration_s))
    }
}

/// A sum that is zero where there is nothing to add; the library's is −0 then, and people would see the sign.
fn sum(terms: impl Iterator<Item = f64>) -> f64 {
    terms.fold(0.0, |sum, term| sum + term)
}

/// Plans the motion from a signed `velocity` to standstill at a signed `distance` from here, as fast as the ramp
/// allows.
///
/// A motion that is faster than the cruise velocity slows down to it first. One that cannot stop in time, or goes
/// the other way, brakes to standstill and comes back.
///
/// ```
/// use stepchain_sim::motion::profile::{Ramp, to_target};
///
/// let ramp = Ramp { velocity: 1000.0, acceleration: 500.0, deceleration: 500.0, start_velocity: 0.0 };
/// let plan = to_target(0.0, 100_000.0, &ramp)?;
/// assert_eq!(plan.duration_s(), 102.0);
/// assert_eq!((plan.accelerate_s(), plan.cruise_s(), plan.decelerate_s()), (2.0, 98.0, 2.0));
/// # Ok::<(), stepchain_sim::motion::OutOfRange>(())
/// ```
///
/// # Errors
/// [`OutOfRange`] for a ramp that [`Ramp::check`] refuses, a distance of 2⁵³ or more or a velocity beyond ±10⁹.
pub fn to_target(velocity: f64, distance: f64, ramp: &Ramp) -> Result<Profile, OutOfRange> {
    ramp.check()?;
    check_velocity(velocity)?;
    within("distance", distance, -GREATEST_DISTANCE..=GREATEST_DISTANCE)?;
    let direction = Direction::of(if velocity == 0.0 { distance } else { velocity });
    if let Some(leg) = approach(direction, velocity.abs(), direction.signed(distance), ramp) {
        return Ok(Profile::of([leg]));
    }
    let braking = brake(direction, velocity.abs(), ramp.deceleration, ramp.jump());
    let rest = distance - direction.signed(braking.length());
    let back = depart(Direction::of(rest), rest.abs(), ramp);
    Ok(Profile::of([braking, back]))
}

/// Plans the motion from a signed `velocity` to the signed velocity `goal` and on for ever; through standstill
/// when the signs differ.
///
/// `ramp.velocity` has no say: `goal` takes its place. A goal of zero is a [`stop`] with the ramp's deceleration.
///
/// # Errors
/// [`OutOfRange`] for a ramp that [`Ramp::check`] refuses, and a velocity or goal that is neither zero nor within
/// the range of velocities.
pub fn to_velocity(velocity: f64, goal: f64, ramp: &Ramp) -> Result<Profile, OutOfRange> {
    ramp.check()?;
    check_velocity(velocity)?;
    check_goal(goal)?;
    let now = Direction::of(velocity);
    if goal == 0.0 {
        return stop(velocity, ramp.deceleration, ramp.start_velocity);
    }
    let ahead = Direction::of(goal);
    if velocity == 0.0 || now == ahead {
        return Ok(Profile::of([cruise(ahead, velocity.abs(), goal.abs(), ramp)]));
    }
    let braking = brake(now, velocity.abs(), ramp.deceleration, ramp.start_velocity);
    Ok(Profile::of([braking, cruise(ahead, 0.0, goal.abs(), ramp)]))
}

/// Plans the motion from a signed `velocity` to standstill: down to `start_velocity` with `deceleration`, then at
/// once.
///
/// # Errors
/// [`OutOfRange`] for what [`Ramp::check`] refuses, or a velocity beyond ±10⁹.
pub fn stop(velocity: f64, deceleration: f64, start_velocity: f64) -> Result<Profile, OutOfRange> {
    check_velocity(velocity)?;
    within("deceleration", deceleration, ACCELERATIONS)?;
    within("start-stop velocity", start_velocity, 0.0..=*VELOCITIES.end())?;
    Ok(Profile::of([brake(Direction::of(velocity), velocity.abs(), deceleration, start_velocity)]))
}

fn check_velocity(velocity: f64) -> Result<(), OutOfRange> {
    within("velocity", velocity, -*VELOCITIES.end()..=*VELOCITIES.end())
}

/// A goal of [`to_velocity`]: zero, or a velocity that can be cruised at.
pub(super) fn check_goal(goal: f64) -> Result<(), OutOfRange> {
    if goal == 0.0 { Ok(()) } else { within("velocity", goal.abs(), VELOCITIES) }
}

/// The leg that ends at `distance` ahead; none when it cannot end there for want of room.
pub(super) fn approach(direction: Direction, speed: f64, distance: f64, ramp: &Ramp) -> Option<Leg> {
    let speed = speed.max(ramp.jump());
    let braking = (speed - ramp.jump()) * (speed + ramp.jump()) / (2.0 * ramp.deceleration);
    let excess = distance - braking;
    (excess >= -ROUNDING * braking).then(|| land(direction, speed, distance, excess.max(0.0), ramp))
}

/// The leg from rest to `distance` ahead, which must not be negative.
pub(super) fn depart(direction: Direction, distance: f64, ramp: &Ramp) -> Leg {
    land(direction, ramp.jump(), distance, distance, ramp)
}

/// The leg from `speed` to rest. Without length and duration when the speed can be dropped at once.
pub(super) fn brake(direction: Direction, speed: f64, deceleration: f64, start_velocity: f64) -> Leg {
    if speed <= start_velocity {
        return Leg::new(direction, 0.0, &[]);
    }
    let length = (speed - start_velocity) * (speed + start_velocity) / (2.0 * deceleration);
    Leg::new(direction, length, &[slower(speed, start_velocity, deceleration)])
}

/// The leg that brakes from `speed` all the way to `distance` ahead, where it drops what is left; none when that is
/// more than `start_velocity`, or for a distance behind.
pub(super) fn run_down(
    direction: Direction,
    speed: f64,
    distance: f64,
    deceleration: f64,
    start_velocity: f64,
) -> Option<Leg> {
    let left = speed * speed - 2.0 * deceleration * distance;
    // A motion that brakes already to drop just this velocity is there but for rounding.
    let can_be = distance >= 0.0 && left <= start_velocity * start_velocity + DROP_ROUNDING * speed * speed;
    let left = left.max(0.0).sqrt().min(start_velocity);
    can_be.then(|| Leg::new(direction, distance, &[slower(speed, left, deceleration)]))
}

/// The leg from `speed` to the speed `goal` and on for ever.
pub(super) fn cruise(direction: Direction, speed: f64, goal: f64, ramp: &Ramp) -> Leg {
    let speed = speed.max(ramp.start_velocity.min(goal));
    let change =
        if speed < goal { faster(speed, goal, ramp.acceleration) } else { slower(speed, goal, ramp.deceleration) };
    Leg::new(direction, f64::INFINITY, &[change, constant(goal, f64::INFINITY)])
}

/// The leg from `speed`, not below the jump, to rest at `distance`, of which `excess` is more than braking at once
/// would take.
///
/// Gaining v² − v₀² costs half of it over a to speed up and half of it over d to slow down again.
fn land(direction: Direction, speed: f64, distance: f64, excess: f64, ramp: &Ramp) -> Leg {
    let &Ramp { velocity, acceleration, deceleration, .. } = ramp;
    let jump = ramp.jump();
    let per_gain = 0.5 * (1.0 / acceleration + 1.0 / deceleration);
    let to_cruise = (velocity - speed) * (velocity + speed) * per_gain;
    let pieces = if speed >= velocity {
        [
            slower(speed, velocity, deceleration),
            constant(velocity, excess / velocity),
            slower(velocity, jump, deceleration),
        ]
    } else if excess >= to_cruise {
        [
            faster(speed, velocity, acceleration),
            constant(velocity, (excess - to_cruise) / velocity),
            slower(velocity, jump, deceleration),
        ]
    } else {
        // Too short to reach the cruise velocity. The durations come from the gain, not from the peak, which
        // may lie within rounding of the speed at either end.
        let gain = excess / per_gain;
        let peak = (speed * speed + gain).sqrt().min(velocity);
        let loss = gain + (speed - jump) * (speed + jump);
        [
            piece(speed, peak, acceleration, quotient(gain, (peak + speed) * acceleration)),
            constant(peak, 0.0),
            piece(peak, jump, -deceleration, quotient(loss, (peak + jump) * deceleration)),
        ]
    };
    Leg::new(direction, distance, &pieces)
}

/// Zero over zero is a ramp from nothing to nothing: it takes no time.
fn quotient(dividend: f64, divisor: f64) -> f64 {
    if dividend == 0.0 { 0.0 } else { dividend / divisor }
}

fn piece(start_speed: f64, end_speed: f64, acceleration: f64, duration_s: f64) -> Piece {
    Piece { duration_s, start_speed, end_speed, acceleration }
}

fn faster(from: f64, to: f64, acceleration: f64) -> Piece {
    piece(from, to, acceleration, (to - from) / acceleration)
}

fn slower(from: f64, to: f64, deceleration: f64) -> Piece {
    piece(from, to, -deceleration, (from - to) / deceleration)
}

fn constant(speed: f64, duration_s: f64) -> Piece {
    piece(speed, speed, 0.0, duration_s)
}
