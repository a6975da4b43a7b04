//! Follows the commands to one axis: commands in, counter and steps out.
//!
//! Above stand [`profile`](super::profile), which plans without counts, and the course, a leg in its place. What this
//! file adds is how one course follows another: in motion from within a microstep, from standstill on a whole count.

use stepchain::map::{MotionState, StopRamp};

use super::course::{Course, Start, Step};
use super::leg::Leg;
use super::limits::Limits;
use super::profile::{approach, brake, check_goal, cruise, depart, run_down};
use super::terms::{Direction, GREATEST_DISTANCE, OutOfRange, VELOCITIES, within};

/// A leg that ends this near to a whole count has reached it: less than that is rounding.
const SNAP: f64 = 1e-6;

/// The motion of one axis.
///
/// Commands must come in the order of time, and a question must not be older than the last command: a new command
/// replaces the motion from its instant on, and what was before is forgotten. Collect the [`steps`](Self::steps) up to
/// the instant of a command before giving it. An older `now` is taken as the instant of the command.
///
/// Positions are unwrapped counts of microsteps. A command that is refused changes nothing.
///
/// The limits of a command hold for its motion, whatever comes after; only the [bound](Self::bound_velocity) of all
/// velocities acts at once.
///
/// ```
/// use stepchain_sim::motion::{Engine, Limits};
///
/// let limits = Limits {
///     velocity: 1000.0,
///     acceleration: 500.0,
///     deceleration: 500.0,
///     quick_deceleration: 2000.0,
///     start_stop_velocity: 0.0,
/// };
/// let mut engine = Engine::new();
/// engine.move_to(0, 100_000, &limits)?;
/// assert_eq!(engine.settles_at_ns(), Some(102_000_000_000));
/// assert_eq!(engine.position(2_000_000_000), 1000);
/// assert_eq!(engine.velocity(50_000_000_000), 1000.0);
/// # Ok::<(), stepchain_sim::motion::OutOfRange>(())
/// ```
#[derive(Clone, Debug, Default)]
pub struct Engine {
    since_ns: u64,
    /// Count at `since_ns`.
    count: i64,
    courses: Vec<Course>,
    /// What the present motion is for; none for a stop.
    order: Option<(Order, Limits)>,
    bound: Option<f64>,
}

/// What a motion is for, kept so that it can be planned anew.
#[derive(Clone, Copy, Debug)]
enum Order {
    /// Signed, as it was commanded.
    Velocity(f64),
    Target(i64),
}

impl Engine {
    /// Standing still at position zero since instant zero.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Ramps to a signed `velocity` in microsteps/s and keeps it; zero stops with the profile ramp. A change of
    /// direction goes through standstill.
    ///
    /// `limits.velocity` has no say: `velocity` takes its place.
    ///
    /// # Errors
    /// [`OutOfRange`] for limits that [`Limits::check`] refuses, or a velocity that is neither zero nor within the
    /// range of velocities.
    pub fn move_velocity(&mut self, now_ns: u64, velocity: f64, limits: &Limits) -> Result<(), OutOfRange> {
        limits.check()?;
        check_goal(velocity)?;
        if velocity == 0.0 {
            return self.stop(now_ns, StopRamp::Profile, limits);
        }
        let goal = self.cut_down(velocity.abs());
        within("velocity", goal, VELOCITIES)?;
        let start = self.take_over(now_ns);
        self.order = Some((Order::Velocity(velocity), *limits));
        self.plan_velocity(&start, goal.copysign(velocity), limits);
        Ok(())
    }

    /// Moves to `target` and stops there, from standstill or from any motion.
    ///
    /// A motion that is too fast to stop in time, or goes the other way, brakes to standstill and comes back.
    ///
    /// # Errors
    /// [`OutOfRange`] for limits that [`Limits::check`] refuses, or a target 2⁵³ microsteps away or more.
    pub fn move_to(&mut self, now_ns: u64, target: i64, limits: &Limits) -> Result<(), OutOfRange> {
        let bounded = self.bounded(limits);
        bounded.check()?;
        within("distance", way(self.position(now_ns), target), -GREATEST_DISTANCE..=GREATEST_DISTANCE)?;
        let start = self.take_over(now_ns);
        self.order = Some((Order::Target(target), *limits));
        if !self.plan_approach(&start, target, &bounded) {
            self.plan_return(&start, target, &bounded);
        }
        Ok(())
    }

    /// No motion is faster than `bound`, in microsteps/s, from now on; infinite for no bound, as at first.
    ///
    /// Commands that come later are cut down to it. The present motion is planned anew, with the limits of its command:
    /// one that is too fast slows down with its deceleration, and one that the bound before had cut down speeds up, but
    /// not beyond what its command says. A move still ends on its target, without passing it if that can be: where the
    /// way left is too short to slow down to the new velocity, it slows down all the way and drops the rest, up to the
    /// start-stop velocity, on the target. A stop goes on as it is. A bound that is no velocity to move at, such as zero, makes
    /// a motion stop with the profile ramp for good.
    pub fn bound_velocity(&mut self, now_ns: u64, bound: f64) {
        let asked = self.asked_speed(now_ns);
        let before = asked.map(|speed| self.cut_down(speed));
        self.bound = Some(bound);
        let (Some((order, limits)), Some(asked), Some(before)) = (self.order, asked, before) else { return };
        let speed = self.cut_down(asked);
        // What is not faster anyway is left alone, and so loses nothing by rounding.
        if speed == before || speed < before && !self.is_ever_faster(now_ns, speed) {
            return;
        }
        let start = self.take_over(now_ns);
        let bounded = Limits { velocity: speed, ..limits };
        if !VELOCITIES.contains(&speed) {
            self.order = None;
            self.append_braking(&start, limits.deceleration, limits.start_stop_velocity);
            return;
        }
        match order {
            Order::Velocity(velocity) => self.plan_velocity(&start, speed.copysign(velocity), &bounded),
            Order::Target(target) => {
                if !self.plan_approach(&start, target, &bounded) && !self.plan_run_down(&start, target, &bounded) {
                    self.plan_return(&start, target, &bounded);
                }
            }
        }
    }

    /// Whether the motion under way would be faster but for the bound of all velocities.
    #[must_use]
    pub fn is_cut_down(&self, now_ns: u64) -> bool {
        self.asked_speed(now_ns).is_some_and(|speed| self.cut_down(speed) < speed)
    }

    /// Slows down to standstill, wherever that is.
    ///
    /// # Errors
    /// [`OutOfRange`] for limits that [`Limits::check`] refuses, unless the steps are to cease at once.
    pub fn stop(&mut self, now_ns: u64, ramp: StopRamp, limits: &Limits) -> Result<(), OutOfRange> {
        let deceleration = match ramp {
            StopRamp::Profile => limits.deceleration,
            StopRamp::Quick => limits.quick_deceleration,
            StopRamp::None => {
                self.cease(now_ns);
                return Ok(());
            }
        };
        limits.check()?;
        let start = self.take_over(now_ns);
        self.order = None;
        self.append_braking(&start, deceleration, limits.start_stop_velocity);
        Ok(())
    }

    /// Makes no more steps from now on.
    pub fn cease(&mut self, now_ns: u64) {
        self.take_over(now_ns);
        self.order = None;
    }

    /// Gives the present place the number `position`. The motion goes on as it was, so a running move ends as far
    /// from here as before.
    pub fn set_position(&mut self, now_ns: u64, position: i64) {
        let shift = position.wrapping_sub(self.position(now_ns));
        self.count = self.count.wrapping_add(shift);
        for course in &mut self.courses {
            course.origin = course.origin.wrapping_add(shift);
        }
        if let Some((Order::Target(target), _)) = &mut self.order {
            *target = target.wrapping_add(shift);
        }
    }

    /// The counter: where the last step up to and including `now_ns` left it.
    #[must_use]
    pub fn position(&self, now_ns: u64) -> i64 {
        self.course_at(now_ns).map_or(self.count, |course| course.count_at(course.steps_by(now_ns)))
    }

    /// Where the motion would be if microsteps had no size; equal to the counter at standstill.
    ///
    /// Beyond 2³² microsteps from zero its resolution is worse than 10⁻⁶ microsteps.
    #[must_use]
    pub fn ideal_position(&self, now_ns: u64) -> f64 {
        self.course_at(now_ns).map_or(self.count as f64, |course| course.ideal_position(now_ns))
    }

    /// Signed velocity in microsteps/s. Where it jumps, the value after the jump.
    #[must_use]
    pub fn velocity(&self, now_ns: u64) -> f64 {
        self.course_at(now_ns).map_or(0.0, |course| course.leg.direction.signed(course.speed(now_ns)))
    }

    /// What the motion does from `now_ns` on.
    #[must_use]
    pub fn phase(&self, now_ns: u64) -> MotionState {
        self.course_at(now_ns).map_or(MotionState::Standstill, |course| course.phase(now_ns))
    }

    /// Whether a motion is under way: any phase but standstill.
    #[must_use]
    pub fn is_moving(&self, now_ns: u64) -> bool {
        self.phase(now_ns) != MotionState::Standstill
    }

    /// Instant from which the axis stands still; `None` when it cruises for ever.
    #[must_use]
    pub fn settles_at_ns(&self) -> Option<u64> {
        self.courses.last().map_or(Some(self.since_ns), Course::end_ns)
    }

    /// First instant after `now_ns` at which [`phase`](Self::phase) gives another answer; `None` when it never does.
    #[must_use]
    pub fn next_phase_change_after(&self, now_ns: u64) -> Option<u64> {
        let now = self.phase(now_ns);
        let mut changes = self.courses.iter().flat_map(Course::changes_ns);
        changes.find(|&change_ns| change_ns > now_ns && self.phase(change_ns) != now)
    }

    /// First instant after `now_ns` at which a motion in one direction ends: at rest, or to turn round.
    #[must_use]
    pub fn next_end_after(&self, now_ns: u64) -> Option<u64> {
        self.courses.iter().filter_map(Course::end_ns).find(|&end_ns| end_ns > now_ns)
    }

    /// First instant after `now_ns` at which the counter arrives at one of the counts that `next` names: for a count
    /// and a direction, the next such count in that direction.
    pub fn next_arrival_after(&self, now_ns: u64, next: impl Fn(i64, Direction) -> Option<i64>) -> Option<u64> {
        self.courses.iter().find_map(|course| {
            let gone = course.steps_by(now_ns);
            let direction = course.leg.direction;
            let goal = next(course.count_at(gone), direction)?;
            let wanted = goal.wrapping_sub(course.origin).wrapping_mul(direction.sign());
            (gone < wanted && wanted <= course.last).then(|| course.step(wanted).at_ns())
        })
    }

    /// Greatest speed between two instants, in microsteps/s, not negative.
    #[must_use]
    pub fn peak_velocity(&self, from_ns: u64, to_ns: u64) -> f64 {
        let peaks = self.courses.iter().map(|course| course.peak_speed(from_ns, to_ns));
        peaks.fold(0.0, f64::max)
    }

    /// The steps after `from_ns` up to and including `to_ns`, in the order of time.
    ///
    /// Their number is what [`position`](Self::position) changes by in each direction, and each costs a closed form,
    /// wherever in the motion the stretch lies.
    pub fn steps(&self, from_ns: u64, to_ns: u64) -> Steps<'_> {
        Steps { courses: &self.courses, from_ns, to_ns, current: None }
    }

    pub(super) fn courses(&self) -> &[Course] {
        &self.courses
    }

    pub(super) fn course_at(&self, now_ns: u64) -> Option<&Course> {
        self.courses.iter().rev().find(|course| course.base_ns <= now_ns).or(self.courses.first())
    }

    /// Ends the present motion at `now_ns` and tells where it was. The engine stands still then.
    fn take_over(&mut self, now_ns: u64) -> Start {
        let now_ns = now_ns.max(self.since_ns);
        let start = self.course_at(now_ns).map_or(Start::REST, |course| course.state(now_ns));
        self.count = self.position(now_ns);
        self.since_ns = now_ns;
        self.courses.clear();
        start
    }

    /// The speed that the command of the motion under way asks for; none for a stop.
    fn asked_speed(&self, now_ns: u64) -> Option<f64> {
        let (order, limits) = self.order.filter(|_| self.is_moving(now_ns))?;
        Some(match order {
            Order::Velocity(velocity) => velocity.abs(),
            Order::Target(_) => limits.velocity,
        })
    }

    fn is_ever_faster(&self, now_ns: u64, limit: f64) -> bool {
        self.courses.iter().any(|course| course.peak_speed(now_ns, u64::MAX) > limit)
    }

    fn cut_down(&self, speed: f64) -> f64 {
        self.bound.map_or(speed, |bound| speed.min(bound))
    }

    fn bounded(&self, limits: &Limits) -> Limits {
        Limits { velocity: self.cut_down(limits.velocity), ..*limits }
    }

    fn plan_velocity(&mut self, start: &Start, velocity: f64, limits: &Limits) {
        let ramp = limits.ramp();
        let direction = Direction::of(velocity);
        if start.speed == 0.0 || start.direction == direction {
            let leg = cruise(direction, start.speed, velocity.abs(), &ramp);
            self.append(leg, start.fraction, i64::MAX);
        } else {
            self.append_braking(start, limits.deceleration, limits.start_stop_velocity);
            self.append(cruise(direction, 0.0, velocity.abs(), &ramp), 0.0, i64::MAX);
        }
    }

    /// Plans the way to a target ahead; whether it can be reached without passing it.
    fn plan_approach(&mut self, start: &Start, target: i64, limits: &Limits) -> bool {
        let (direction, ahead) = self.ahead(start, target);
        let leg = approach(direction, start.speed, ahead - start.fraction, &limits.ramp());
        self.append_ending(leg, start, ahead)
    }

    /// Plans to brake all the way to a target ahead; whether what is left of the speed can be dropped there.
    fn plan_run_down(&mut self, start: &Start, target: i64, limits: &Limits) -> bool {
        let (direction, ahead) = self.ahead(start, target);
        let &Limits { deceleration, start_stop_velocity, .. } = limits;
        let leg = run_down(direction, start.speed, ahead - start.fraction, deceleration, start_stop_velocity);
        self.append_ending(leg, start, ahead)
    }

    /// Plans to brake to standstill first and to come back to the target from there.
    fn plan_return(&mut self, start: &Start, target: i64, limits: &Limits) {
        self.append_braking(start, limits.deceleration, limits.start_stop_velocity.min(limits.velocity));
        let rest = target.wrapping_sub(self.last_count());
        let back = depart(Direction::of(rest as f64), rest.unsigned_abs() as f64, &limits.ramp());
        self.append(back, 0.0, rest.saturating_abs());
    }

    /// The direction in which a motion goes on, and the signed way to a target in it.
    fn ahead(&self, start: &Start, target: i64) -> (Direction, f64) {
        let way = way(self.count, target);
        let direction = if start.speed == 0.0 { Direction::of(way) } else { start.direction };
        (direction, direction.signed(way))
    }

    fn append_ending(&mut self, leg: Option<Leg>, start: &Start, ahead: f64) -> bool {
        let exists = leg.is_some();
        if let Some(leg) = leg {
            self.append(leg, start.fraction, ahead as i64);
        }
        exists
    }

    fn append(&mut self, leg: Leg, fraction: f64, last: i64) {
        if leg.duration_s() > 0.0 {
            let (base_ns, origin) = (self.settles_at_ns().unwrap_or(u64::MAX), self.last_count());
            self.courses.push(Course { base_ns, origin, fraction, last, leg });
        }
    }

    /// Appends the way to standstill, which ends on the last count that it reaches.
    fn append_braking(&mut self, start: &Start, deceleration: f64, start_velocity: f64) {
        let leg = brake(start.direction, start.speed, deceleration, start_velocity);
        let reach = start.fraction + leg.length();
        self.append(leg, start.fraction, (reach + SNAP).floor() as i64);
    }

    /// Count at which the motion planned so far ends.
    fn last_count(&self) -> i64 {
        self.courses.last().map_or(self.count, |course| course.count_at(course.last))
    }
}

/// Signed microsteps from one count to another.
fn way(from: i64, to: i64) -> f64 {
    (i128::from(to) - i128::from(from)) as f64
}

/// The steps between two instants, made by [`Engine::steps`].
#[derive(Clone, Debug)]
pub struct Steps<'a> {
    /// Those not begun yet.
    courses: &'a [Course],
    from_ns: u64,
    to_ns: u64,
    current: Option<(&'a Course, core::ops::RangeInclusive<i64>)>,
}

impl Iterator for Steps<'_> {
    type Item = Step;

    fn next(&mut self) -> Option<Step> {
        loop {
            if let Some((course, numbers)) = &mut self.current
                && let Some(n) = numbers.next()
            {
                return Some(course.step(n));
            }
            let (course, later) = self.courses.split_first()?;
            self.courses = later;
            let first = course.steps_by(self.from_ns).saturating_add(1);
            self.current = Some((course, first..=course.steps_by(self.to_ns)));
        }
    }
}
