//! A naive motion controller in integer registers at a clock, as hardware is built: the reference for the exact engine.
//!
//! ```text
//!   each tick:  slope -> velocity register += slope -> place register += velocity -> overflow is a step
//! ```
//!
//! It keeps no plan, no segments and no instants: in each tick it looks at its registers and decides for a slope, and the one
//! question that it asks about the future is whether v² − drop² ≤ 2 d s still holds, that it can stop in time. A tick
//! in which a ramp begins or ends is divided, as by a prescaler: the machine runs a part of it with one slope and the rest
//! with the next.
//!
//! Units: a tick is [`TICK_NS`] long and has [`PARTS`] parts. Velocity registers count 2⁻⁴⁴ microsteps a tick, slopes
//! 2⁻⁴⁴ microsteps a tick², the place register 2⁻⁶⁸ microsteps. Whole ticks are exact; a divided one rounds the place by
//! at most the way of one part, 2⁻²⁴ of a tick.

use stepchain::map::StopRamp;

/// Nanoseconds in a tick. Nothing here knows seconds.
pub(super) const TICK_NS: u64 = 1 << 20;
const PARTS: i128 = 1 << PART_BITS;
const PART_BITS: u32 = 24;
const PARTS_PER_NS: i128 = PARTS >> 20;
/// More than any tick is divided at.
const GREATEST_CORNERS: u32 = 1000;
/// Velocity register of one microstep a tick, and slope register of one a tick².
pub(super) const VELOCITY_ONE: i64 = 1 << 44;
/// Place register of one microstep.
const STEP: i128 = 1 << 68;
/// So near to a place the machine is there: more than all rounding of a sequence of commands, and far below a step.
const NEAR: i128 = STEP >> 20;

/// The registers of a command.
#[derive(Clone, Copy, Debug)]
pub(super) struct Registers {
    pub(super) velocity: i64,
    pub(super) acceleration: i64,
    pub(super) deceleration: i64,
    pub(super) quick_deceleration: i64,
    pub(super) start_stop: i64,
}

#[derive(Clone, Copy, Debug)]
enum Goal {
    Rest,
    /// Slow down with a slope.
    Brake(i64),
    /// Turn at a signed velocity.
    Turn(i64),
    /// Stop at a count; `pass` while it must be passed, or left, to come back to it.
    Place {
        target: i64,
        pass: bool,
    },
}

/// One step of the machine.
#[derive(Clone, Copy, Debug)]
pub(super) struct Pulse {
    /// The end of its tick, counted in ticks.
    pub(super) tick: u64,
    pub(super) count: i64,
    pub(super) upwards: bool,
    /// The velocity register behind the step.
    pub(super) velocity: i64,
    /// Ramps and cruises since the last standstill, this one included.
    pub(super) segments: u32,
    /// The greatest velocity since the last standstill.
    pub(super) peak: i64,
}

/// What the registers would be a little later.
struct Ahead {
    slope: i64,
    parts: i128,
    velocity: i64,
    way: i128,
}

#[derive(Debug)]
pub(super) struct Machine {
    registers: Registers,
    bound: i64,
    goal: Goal,
    upwards: bool,
    /// Not negative.
    velocity: i64,
    /// What of the next step is done.
    place: i128,
    pub(super) count: i64,
    pub(super) tick: u64,
    slope: i64,
    segments: u32,
    peak: i64,
    pub(super) pulses: Vec<Pulse>,
}

impl Machine {
    pub(super) fn new(registers: Registers) -> Self {
        Self {
            registers,
            bound: i64::MAX,
            goal: Goal::Rest,
            upwards: true,
            velocity: 0,
            place: 0,
            count: 0,
            tick: 0,
            slope: 0,
            segments: 0,
            peak: 0,
            pulses: Vec::new(),
        }
    }

    pub(super) fn rests(&self) -> bool {
        matches!(self.goal, Goal::Rest)
    }

    pub(super) fn turn(&mut self, velocity: i64, registers: Registers) {
        self.registers = registers;
        self.goal = Goal::Turn(velocity);
        self.jump_into_turning();
    }

    pub(super) fn go(&mut self, target: i64, registers: Registers) {
        self.registers = registers;
        self.goal = Goal::Place { target, pass: false };
        if self.velocity == 0 {
            self.leave_for(target);
        } else {
            let faster = self.velocity.max(self.drop());
            let pass = !self.can_stop(faster, self.drop(), self.left(target) + NEAR);
            self.goal = Goal::Place { target, pass };
            self.velocity = if pass { self.velocity } else { faster };
        }
    }

    pub(super) fn stop(&mut self, ramp: StopRamp, registers: Registers) {
        self.registers = registers;
        match ramp {
            StopRamp::Profile => self.goal = Goal::Brake(registers.deceleration),
            StopRamp::Quick => self.goal = Goal::Brake(registers.quick_deceleration),
            StopRamp::None => self.rest(),
        }
    }

    /// No velocity is above `bound` from now on.
    pub(super) fn bind(&mut self, bound: i64) {
        let was = std::mem::replace(&mut self.bound, bound);
        match self.goal {
            Goal::Rest | Goal::Brake(_) => {}
            Goal::Turn(_) | Goal::Place { .. } if bound == 0 => self.goal = Goal::Brake(self.registers.deceleration),
            Goal::Turn(_) => self.jump_into_turning(),
            // What asks for less than both bounds does not notice.
            Goal::Place { .. } if self.registers.velocity <= was.min(bound) => {}
            Goal::Place { target, .. } => {
                let faster = self.velocity.max(self.drop());
                let left = self.left(target) + NEAR;
                let in_time = self.can_stop(faster, self.drop(), left);
                let by_dropping_more = self.can_stop(self.velocity, self.registers.start_stop, left);
                self.velocity = if in_time { faster } else { self.velocity };
                self.goal = Goal::Place { target, pass: !in_time && !by_dropping_more };
            }
        }
    }

    /// One clock.
    pub(super) fn clock(&mut self) {
        self.tick += 1;
        let mut left = PARTS;
        for _ in 0..GREATEST_CORNERS {
            left -= self.run(left);
            if left == 0 {
                return;
            }
        }
        panic!("no end within a tick: {self:?}");
    }

    /// Runs until its slope changes, but no longer than `parts`; how long that was.
    fn run(&mut self, parts: i128) -> i128 {
        match self.goal {
            Goal::Rest => parts,
            Goal::Brake(slope) => self.brake(slope, self.registers.start_stop, parts),
            Goal::Turn(velocity) if (velocity > 0) != self.upwards => {
                self.brake(self.registers.deceleration, self.registers.start_stop, parts)
            }
            Goal::Turn(velocity) => self.ramp_to(self.cut_down(velocity.abs()), parts),
            Goal::Place { pass: true, .. } => self.brake(self.registers.deceleration, self.drop(), parts),
            Goal::Place { target, pass: false } => self.approach(target, parts),
        }
    }

    /// Slows down, and stands once no more than `drop` is left.
    fn brake(&mut self, slope: i64, drop: i64, parts: i128) -> i128 {
        if self.velocity > drop {
            let ahead = self.look_along(-slope, drop, parts);
            let took = self.take(&ahead);
            // A step on which it stands, but for rounding, is made.
            if self.velocity == drop && self.place >= STEP - NEAR {
                self.place = STEP;
                self.overflow();
            }
            return took;
        }
        match self.goal {
            Goal::Turn(_) => {
                self.stand();
                self.jump_into_turning();
            }
            Goal::Place { target, .. } => {
                self.stand();
                self.leave_for(target);
            }
            Goal::Brake(_) | Goal::Rest => self.rest(),
        }
        // A motion begins on a whole nanosecond.
        parts % PARTS_PER_NS
    }

    fn ramp_to(&mut self, velocity: i64, parts: i128) -> i128 {
        let ahead = self.look_ahead(velocity, parts);
        self.take(&ahead)
    }

    fn look_ahead(&self, velocity: i64, parts: i128) -> Ahead {
        let slope = if velocity > self.velocity { self.registers.acceleration } else { -self.registers.deceleration };
        self.look_along(slope, velocity, parts)
    }

    /// What changing the velocity with a slope as far as `to`, or keeping it if it is there, makes of the registers.
    fn look_along(&self, slope: i64, to: i64, parts: i128) -> Ahead {
        let gap = i128::from((to - self.velocity).abs());
        let slope = if gap == 0 { 0 } else { slope };
        let needed = if gap == 0 { parts } else { gap * PARTS / i128::from(slope.abs()) };
        let took = needed.min(parts);
        let change = i128::from(slope) * took;
        let way = i128::from(self.velocity) * took + ((change * took) >> (PART_BITS + 1));
        let changed = (self.velocity + (change >> PART_BITS) as i64).max(0);
        Ahead { slope, parts: took, velocity: if needed < parts { to } else { changed }, way }
    }

    /// Lets the registers become what was seen ahead; how many parts that took.
    fn take(&mut self, ahead: &Ahead) -> i128 {
        if ahead.slope != self.slope || self.segments == 0 {
            self.slope = ahead.slope;
            self.segments += 1;
        }
        self.velocity = ahead.velocity;
        self.place += ahead.way;
        self.peak = self.peak.max(self.velocity);
        self.overflow();
        ahead.parts
    }

    /// Goes on to a target ahead as fast as it may while it can stop there.
    fn approach(&mut self, target: i64, parts: i128) -> i128 {
        let (allowed, drop, left) = (self.cut_down(self.registers.velocity), self.drop(), self.left(target));
        if self.velocity == 0 && left < NEAR {
            self.arrive(target);
            return 0;
        }
        if self.velocity <= allowed {
            // The furthest that one may go on without braking. It can be less than a part.
            let still_stops = |parts: i128| {
                let ahead = self.look_ahead(allowed, parts);
                self.can_stop(ahead.velocity, drop, left - ahead.way)
            };
            let free = if still_stops(parts) { parts } else { greatest(parts, still_stops) };
            if free > 0 {
                let took = self.ramp_to(allowed, free);
                if free < parts {
                    self.top_up(target);
                }
                return took;
            }
        }
        let lowest = if self.velocity > allowed { allowed.max(drop) } else { drop };
        let is_ahead = |parts: i128| left > self.look_ahead(lowest, parts).way;
        if !is_ahead(parts) {
            let took = greatest(parts, is_ahead) + 1;
            self.ramp_to(lowest, took);
            assert!(self.velocity <= self.registers.start_stop + self.velocity_near_rest(), "too fast: {self:?}");
            self.arrive(target);
            return took;
        }
        self.ramp_to(lowest, parts)
    }

    /// Braking begins within the part that comes now. To begin at its start would waste what a steep slope still gains in
    /// it, and with a flat one to brake by, that is far to go: the velocity becomes the one on the curve to the target.
    fn top_up(&mut self, target: i64) {
        let (drop, slope) = (i128::from(self.drop()), i128::from(self.slope.max(0)));
        let squared = drop * drop + ((2 * i128::from(self.registers.deceleration) * self.left(target)) >> PART_BITS);
        let gain = squared.isqrt() as i64 - self.velocity;
        self.velocity += gain.clamp(0, (slope >> PART_BITS) as i64 + 1);
    }

    /// What rounding may leave of the velocity at a target: v² = 2 d s for the nearness of a place.
    fn velocity_near_rest(&self) -> i64 {
        let squared = (2 * i128::from(self.registers.deceleration) * NEAR) >> PART_BITS;
        squared.isqrt() as i64
    }

    fn arrive(&mut self, target: i64) {
        if self.left(target) > 0 {
            self.place = STEP;
            self.overflow();
        }
        assert_eq!(self.count, target, "{self:?}");
        self.rest();
    }

    fn overflow(&mut self) {
        while self.place >= STEP {
            self.place -= STEP;
            self.count += if self.upwards { 1 } else { -1 };
            let Self { tick, count, upwards, velocity, segments, peak, .. } = *self;
            self.pulses.push(Pulse { tick, count, upwards, velocity, segments, peak });
        }
    }

    fn rest(&mut self) {
        self.stand();
        self.goal = Goal::Rest;
    }

    /// What is left of a step at standstill is dropped.
    fn stand(&mut self) {
        (self.velocity, self.place, self.slope, self.segments, self.peak) = (0, 0, 0, 0, 0);
    }

    fn jump_into_turning(&mut self) {
        let Goal::Turn(velocity) = self.goal else { return };
        if self.velocity == 0 {
            self.upwards = velocity > 0;
        }
        if self.upwards == (velocity > 0) {
            let jump = self.registers.start_stop.min(self.cut_down(velocity.abs()));
            self.velocity = self.velocity.max(jump);
            self.peak = self.peak.max(self.velocity);
        }
    }

    fn leave_for(&mut self, target: i64) {
        if target == self.count {
            return self.rest();
        }
        self.goal = Goal::Place { target, pass: false };
        self.upwards = target > self.count;
        self.velocity = self.drop();
        self.peak = self.velocity;
    }

    fn cut_down(&self, velocity: i64) -> i64 {
        velocity.min(self.bound)
    }

    /// What may be taken up or dropped at once in a move to a target.
    fn drop(&self) -> i64 {
        self.registers.start_stop.min(self.cut_down(self.registers.velocity))
    }

    /// The way to a target in the direction of motion.
    fn left(&self, target: i64) -> i128 {
        let steps = i128::from(target - self.count);
        (if self.upwards { steps } else { -steps }) * STEP - self.place
    }

    fn can_stop(&self, velocity: i64, drop: i64, left: i128) -> bool {
        let (velocity, drop) = (i128::from(velocity), i128::from(drop));
        let needed = (velocity * velocity - drop * drop) << PART_BITS;
        left >= 0 && needed <= 2 * i128::from(self.registers.deceleration) * left
    }
}

/// The greatest number below `end` for which it holds; 0 if there is none, for at 0 it is not asked.
fn greatest(end: i128, holds: impl Fn(i128) -> bool) -> i128 {
    if !holds(1) {
        return 0;
    }
    let (mut least, mut end) = (1, end);
    while end - least > 1 {
        let middle = least + (end - least) / 2;
        if holds(middle) {
            least = middle;
        } else {
            end = middle;
        }
    }
    least
}
