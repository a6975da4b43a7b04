//! One axis on its way home: what it asks next, and what it makes of the answer.
//!
//! Every round is alike: the position is read, then the status, then perhaps a command follows, and then the axis
//! waits for the next round. The position comes first, so that a counter which the status says is not yet made zero
//! was not so when it was read either.

use core::time::Duration;

use crate::command::Command;
use crate::map::{EdgeAction, Flag, MotionState, Parameter, Verb};
use crate::reply::{Reply, ReplyError, Status};
use crate::table::Kind;
use crate::track::UnwrappedPosition;
use crate::units::{Position, Value};

use super::error::HomingError;
use super::means::{Means, Pace, Run, STALLS, Until, Watcher, has_closed, is_pressed, is_stalled};
use super::method::{Edge, Goal};
use super::progress::{Homed, Phase};
use super::spec::AxisHoming;

/// Rounds in a row without a reply to believe after which a failed axis is given up.
const HOPELESS: u8 = 8;

/// What an axis wants.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) enum Want {
    Exchange(Command),
    NextRound,
    Nothing,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
enum Ask {
    Forget(Command),
    Position,
    Status,
    ProbedPosition,
    Send(Command),
    NextRound,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
enum Stage {
    /// Brought to a standstill before anything begins.
    Settle,
    Run(Run),
    /// The driver has seen what ends the way, where the counter showed this.
    Brake(Run, Position),
    /// The stall is acknowledged; the stop is where the counter shows this.
    Acknowledge(Position),
    /// The home position is asked for.
    Recall,
    Arrive(Position),
    /// The counter is made zero, where the axis is at this place.
    SetZero(UnwrappedPosition),
    Fail(HomingError),
    Over(Result<Homed, HomingError>, bool),
}

/// The state machine of one axis.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Axis<D> {
    means: Means<D>,
    pub(super) spec: AxisHoming,
    stage: Stage,
    ask: Ask,
    /// The last command that was no question.
    sent: Option<Verb>,
    counter: Position,
    /// Whether `counter` was read yet.
    is_placed: bool,
    /// How far the present way has gone, in microsteps, signed.
    travelled: i64,
    /// Rounds in a row in which the axis stood without being where it should.
    idle: u8,
    /// Replies in a row that cannot be believed.
    bad: u8,
    deadline: Duration,
    pub(super) in_flight: bool,
}

impl<D: Kind> Axis<D> {
    pub(super) fn new(kind: D, spec: AxisHoming, refused: Option<HomingError>) -> Self {
        let means = Means { kind };
        let refused = refused.or_else(|| means.check(&spec).err());
        Self {
            means,
            spec,
            stage: refused.map_or(Stage::Settle, |error| Stage::Over(Err(error), true)),
            ask: means.forget().map_or(Ask::Position, Ask::Forget),
            sent: None,
            counter: Position::ZERO,
            is_placed: false,
            travelled: 0,
            idle: 0,
            bad: 0,
            deadline: spec.limits.time,
            in_flight: false,
        }
    }

    pub(super) fn want(&self) -> Want {
        if let Stage::Over(..) = self.stage {
            return Want::Nothing;
        }
        match self.ask {
            Ask::Forget(command) | Ask::Send(command) => Want::Exchange(command),
            Ask::Position => Want::Exchange(Command::read(Parameter::PositionDemandValue)),
            Ask::Status => Want::Exchange(self.means.look()),
            Ask::ProbedPosition => Want::Exchange(Command::read(Parameter::ProbedPosition)),
            Ask::NextRound => Want::NextRound,
        }
    }

    pub(super) fn phase(&self) -> Phase {
        match self.stage {
            Stage::Settle => Phase::Settling,
            Stage::Run(run) | Stage::Brake(run, _) => match (run.pace, run.until) {
                (Pace::Fast, Until::Pressed | Until::Stalled) => Phase::Seeking,
                (Pace::Fast, Until::Released) => Phase::BackingOff,
                (Pace::Slow, _) => Phase::Creeping,
            },
            Stage::Acknowledge(_) | Stage::Recall | Stage::Arrive(_) => Phase::Moving,
            Stage::SetZero(_) => Phase::SettingZero,
            Stage::Fail(error) => Phase::Stopping(error),
            Stage::Over(Ok(homed), _) => Phase::Homed(homed),
            Stage::Over(Err(error), stands) => Phase::Failed { error, stands },
        }
    }

    /// How it went.
    pub(super) fn result(&self) -> Result<Homed, HomingError> {
        match self.stage {
            Stage::Over(result, _) => result,
            _ => Err(HomingError::Unfinished),
        }
    }

    pub(super) fn begin_round(&mut self) {
        if self.ask == Ask::NextRound {
            self.ask = Ask::Position;
        }
    }

    /// Has the axis stopped, unless it is over.
    pub(super) fn stop(&mut self, now: Duration) {
        if !matches!(self.stage, Stage::Over(..) | Stage::Fail(_)) {
            self.fail(HomingError::Stopped, now);
        }
    }

    #[inline(never)]
    pub(super) fn came_back(&mut self, reply: &Result<Reply, ReplyError>, now: Duration) {
        match (self.ask, reply) {
            (Ask::Send(_), _) => self.ask = Ask::NextRound,
            (Ask::NextRound, _) => {}
            (_, Err(error)) => self.disbelieve(error, now),
            (Ask::Forget(_), Ok(_)) => self.ask = Ask::Position,
            (Ask::Position, Ok(reply)) => match reply.value {
                Some(Value::Position(counter)) => {
                    self.bad = 0;
                    self.see(counter);
                    self.ask = Ask::Status;
                }
                _ => self.disbelieve(&ReplyError::Malformed, now),
            },
            (Ask::ProbedPosition, Ok(reply)) => match reply.value {
                Some(Value::Position(home)) => self.arrive(home, now),
                _ => self.disbelieve(&ReplyError::Malformed, now),
            },
            (Ask::Status, Ok(reply)) => match &reply.status {
                Some(status) => {
                    self.bad = 0;
                    self.ask = Ask::NextRound;
                    self.decide(status, now);
                }
                None => self.disbelieve(&ReplyError::Malformed, now),
            },
        }
    }

    /// The question stands, to be asked again; up to a limit.
    fn disbelieve(&mut self, error: &ReplyError, now: Duration) {
        self.bad = self.bad.saturating_add(1);
        if let Stage::Fail(failure) = self.stage {
            if self.bad >= HOPELESS || now >= self.deadline {
                self.stage = Stage::Over(Err(failure), false);
            } else {
                self.ask = Ask::Send(self.means.stop());
            }
        } else if self.bad > self.spec.retries {
            self.bad = 0;
            self.fail(HomingError::Reply(*error), now);
        }
    }

    fn see(&mut self, counter: Position) {
        if self.is_placed {
            let moved = self.means.kind.position().wrapped(counter.to_bits() - self.counter.to_bits());
            self.travelled = self.travelled.saturating_add(moved);
        }
        self.counter = counter;
        self.is_placed = true;
    }

    fn decide(&mut self, status: &Status, now: Duration) {
        let stands = self.stands(status);
        if let Stage::Fail(error) = self.stage {
            if stands || now >= self.deadline {
                self.stage = Stage::Over(Err(error), stands);
            } else {
                self.ask = Ask::Send(self.means.stop());
            }
            return;
        }
        if let Some(error) = self.trouble(status) {
            return self.fail(error, now);
        }
        if now >= self.deadline {
            return self.fail(HomingError::TimeOut { after: self.spec.limits.time }, now);
        }
        match self.stage {
            Stage::Settle if stands => self.begin(status),
            Stage::Settle => self.send(self.means.stop()),
            Stage::Run(run) => self.watch(run, status, stands, now),
            Stage::Brake(run, home) if stands => self.end(run, home, status, now),
            // Said again, for the first one may have been lost.
            Stage::Brake(run, _) => self.send(self.brake(run)),
            Stage::Acknowledge(home) => self.arrive(home, now),
            Stage::Arrive(target) if stands && self.counter == target => self.set_zero(UnwrappedPosition::ZERO),
            Stage::SetZero(at) if stands && self.counter == Position::ZERO => self.finish(at),
            Stage::Arrive(_) | Stage::SetZero(_) if !stands => self.idle = 0,
            Stage::Arrive(_) => self.idle(HomingError::Interrupted, now),
            Stage::SetZero(_) => self.idle(HomingError::ZeroNotSet { found: self.counter }, now),
            // The first waits for another answer; the others have been seen to, or have nothing to look at.
            Stage::Recall | Stage::Fail(_) | Stage::Over(..) => {}
        }
    }

    fn begin(&mut self, status: &Status) {
        match self.spec.method.goal() {
            Goal::Nothing => self.set_zero(UnwrappedPosition::ZERO.saturating_add(self.spec.home_offset)),
            Goal::Stop(direction) => self.run(Run::to_stop(direction)),
            Goal::Switch { toward, .. } if self.is_pressed(status) => self.run(Run::back_off(toward)),
            Goal::Switch { toward, .. } => self.run(Run::seek(toward)),
        }
    }

    fn run(&mut self, run: Run) {
        let (command, _) = self.means.way(&self.spec, run);
        self.stage = Stage::Run(run);
        self.travelled = 0;
        self.send(command);
    }

    /// Looks after a way that is under way.
    fn watch(&mut self, run: Run, status: &Status, stands: bool, now: Duration) {
        let (_, watcher) = self.means.way(&self.spec, run);
        let reached = match run.until {
            Until::Pressed => self.is_pressed(status),
            Until::Released => !self.is_pressed(status),
            Until::Stalled => is_stalled(status, self.spec.axis),
        };
        let travelled = self.travelled.unsigned_abs();
        match watcher {
            Watcher::Driver if reached => {
                self.stage = Stage::Brake(run, self.counter);
                self.send(self.brake(run));
            }
            Watcher::Device(_) if reached && stands => self.end(run, Position::ZERO, status, now),
            Watcher::Device(_) if reached => self.idle = 0,
            // The switch is shorter than the way on which the axis brakes.
            Watcher::Device(_) if stands && run.pace == Pace::Fast && has_closed(status, self.spec.axis) => {
                self.end(run, Position::ZERO, status, now);
            }
            _ if stands => self.idle(HomingError::Interrupted, now),
            _ if travelled > self.spec.limits.travel.to_bits().unsigned_abs() => {
                let error = match run.until {
                    Until::Released => HomingError::SwitchStuck { travelled },
                    Until::Pressed | Until::Stalled => HomingError::SwitchNotFound { travelled },
                };
                self.fail(error, now);
            }
            _ => self.idle = 0,
        }
    }

    /// The axis stands after a way: which one comes next? `seen` is where the driver saw what ended it.
    fn end(&mut self, run: Run, seen: Position, status: &Status, now: Duration) {
        let pressed = self.is_pressed(status);
        if run.is_last {
            let (_, watcher) = self.means.way(&self.spec, run);
            return match (run.until, watcher) {
                (Until::Stalled, _) => self.acknowledge(now),
                (_, Watcher::Device(EdgeAction::Probe)) => {
                    self.stage = Stage::Recall;
                    self.ask = Ask::ProbedPosition;
                }
                (_, Watcher::Device(EdgeAction::Zero)) => self.arrive(Position::ZERO, now),
                (_, Watcher::Driver) => self.arrive(seen, now),
            };
        }
        let Goal::Switch { toward, edge } = self.spec.method.goal() else {
            return;
        };
        match (run.until, pressed, edge) {
            (Until::Pressed, true, Edge::OutOf) => self.run(Run::leave(toward)),
            (Until::Pressed, true, Edge::Into) => self.run(Run::back_off(toward)),
            (Until::Pressed, false, _) if run == Run::seek(toward) => self.run(Run::back(toward)),
            (Until::Released, false, _) => self.run(Run::approach(toward, edge)),
            _ => self.fail(HomingError::Interrupted, now),
        }
    }

    fn acknowledge(&mut self, now: Duration) {
        let home = self.counter;
        match self.means.forget_stall(self.spec.axis) {
            Some(command) => {
                self.stage = Stage::Acknowledge(home);
                self.send(command);
            }
            None => self.arrive(home, now),
        }
    }

    /// The home position is known: on to the zero position.
    fn arrive(&mut self, home: Position, now: Duration) {
        let target = home.to_bits() - self.spec.home_offset.to_bits();
        let target = UnwrappedPosition::from_microsteps(target).wrapped(&self.means.kind.position());
        self.bad = 0;
        if target == self.counter {
            return self.set_zero(UnwrappedPosition::ZERO);
        }
        let command = self.means.move_to(target, self.counter);
        match self.means.say(&self.spec, command) {
            Ok(()) => {
                self.stage = Stage::Arrive(target);
                self.send(command);
            }
            Err(error) => self.fail(error, now),
        }
    }

    fn set_zero(&mut self, at: UnwrappedPosition) {
        if self.counter == Position::ZERO {
            return self.finish(at);
        }
        self.stage = Stage::SetZero(at);
        self.send(Command::HomeOnCurrentPosition);
    }

    fn finish(&mut self, at: UnwrappedPosition) {
        self.stage = Stage::Over(Ok(Homed { counter: Position::ZERO, at }), true);
    }

    fn fail(&mut self, error: HomingError, now: Duration) {
        self.stage = Stage::Fail(error);
        self.deadline = now.saturating_add(self.spec.limits.time);
        self.ask = Ask::Send(self.means.stop());
    }

    /// The axis stands and should not: once may be too early to tell, twice is not.
    fn idle(&mut self, error: HomingError, now: Duration) {
        self.idle = self.idle.saturating_add(1);
        if self.idle > 1 {
            self.fail(error, now);
        }
    }

    fn send(&mut self, command: Command) {
        self.idle = 0;
        self.sent = command.verb();
        self.ask = Ask::Send(command);
    }

    fn brake(&self, run: Run) -> Command {
        if run.until == Until::Stalled { self.means.stop_at_once() } else { self.means.stop() }
    }

    fn is_pressed(&self, status: &Status) -> bool {
        is_pressed(status, self.spec.contact, self.spec.axis)
    }

    fn stands(&self, status: &Status) -> bool {
        match status.motion_state_of(self.spec.axis) {
            Some(state) => state == MotionState::Standstill,
            None => status.flag_of(Flag::Busy, self.spec.axis) == Some(false),
        }
    }

    /// What in a status ends homing.
    fn trouble(&self, status: &Status) -> Option<HomingError> {
        let raised = |flag| self.means.raised(status, flag, self.spec.axis);
        let meets_stop = match self.stage {
            Stage::Run(run) | Stage::Brake(run, _) => run.until == Until::Stalled,
            _ => false,
        };
        if raised(Flag::ResetOccurred) {
            return Some(HomingError::Fault(Flag::ResetOccurred));
        }
        if raised(Flag::CommandRejected) || raised(Flag::CommandUnknown) {
            return Some(HomingError::Rejected { verb: self.sent });
        }
        let mut flags = self.spec.failing_at.iter().copied().filter(|flag| !(meets_stop && STALLS.contains(flag)));
        flags.find(|&flag| raised(flag)).map(HomingError::Fault)
    }
}
