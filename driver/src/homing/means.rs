//! What a map offers for homing: which command makes a search, who watches the switch, which replies tell what.

use crate::command::{Command, CommandError};
use crate::map::{BridgeState, Clearing, Direction, EdgeAction, Flag, Holding, Parameter, StopRamp, Verb, Way};
use crate::reply::Status;
use crate::table::Kind;
use crate::units::{Distance, Position, Velocity};

use super::error::{HomingError, Lacking};
use super::method::{Edge, Goal};
use super::spec::{AxisHoming, Contact};

/// One way of the axis, until something is seen.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Run {
    pub(super) direction: Direction,
    pub(super) pace: Pace,
    pub(super) until: Until,
    /// What ends this way is the home position.
    pub(super) is_last: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) enum Pace {
    Fast,
    Slow,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) enum Until {
    Pressed,
    Released,
    Stalled,
}

/// Who ends a way.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) enum Watcher {
    /// The device, which does this with its position at the edge.
    Device(EdgeAction),
    /// The driver, which polls and then stops the axis.
    Driver,
}

/// The map, with homing's questions to it.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Means<D> {
    pub(super) kind: D,
}

impl<D: Kind> Means<D> {
    fn has(self, verb: Verb) -> bool {
        self.kind.has(verb)
    }

    /// The question for the status: the one that clears nothing, where there is one.
    pub(super) fn look(self) -> Command {
        if self.has(Verb::PeekStatus) { Command::PeekStatus } else { Command::TakeStatus }
    }

    /// What makes old events forgotten before homing begins.
    pub(super) fn forget(self) -> Option<Command> {
        self.has(Verb::TakeStatus).then_some(Command::TakeStatus)
    }

    /// What stops the axis and holds it: along its ramp, or as the map can.
    pub(super) fn stop(self) -> Command {
        self.stop_by([StopRamp::Profile, StopRamp::Quick, StopRamp::None])
    }

    /// What stops an axis whose rotor stands already, against a stop: the fewer steps the better.
    pub(super) fn stop_at_once(self) -> Command {
        self.stop_by([StopRamp::None, StopRamp::Quick, StopRamp::Profile])
    }

    fn stop_by(self, ramps: [StopRamp; 3]) -> Command {
        let bridge = BridgeState::Driven;
        let ramp = ramps.into_iter().find(|&ramp| self.has(Verb::Stop(ramp, bridge)));
        // Without any, `check` has refused.
        Command::Stop { ramp: ramp.unwrap_or(StopRamp::Profile), bridge }
    }

    /// What lets the stall flags of an axis fall.
    pub(super) fn forget_stall(self, axis: u8) -> Option<Command> {
        let stalls = self.kind.status().flags.iter().filter(|bit| bit.axis == axis && STALLS.contains(&bit.flag));
        let clearing = stalls.into_iter().find_map(|bit| match bit.holding {
            Holding::LatchedUntil(clearing) => Some(clearing),
            Holding::Live => None,
        })?;
        let (verb, command) = match clearing {
            Clearing::TakeStatus => (Verb::TakeStatus, Command::TakeStatus),
            Clearing::FaultReset => (Verb::FaultReset, Command::FaultReset),
        };
        self.has(verb).then_some(command)
    }

    /// The command that makes a way, and who watches for its end.
    ///
    /// The device's own search is exact, and is taken where it looks for the level that is wanted. But a search for
    /// zero may be at a speed of the device's own, so it serves for slow ways alone. Only the last way may set the
    /// counter: on the others the travel is counted.
    pub(super) fn way(self, spec: &AxisHoming, run: Run) -> (Command, Watcher) {
        let velocity = match run.pace {
            Pace::Fast => spec.velocities.search_for_switch,
            Pace::Slow => spec.velocities.search_for_zero,
        };
        let velocity = match run.direction {
            Direction::Positive => velocity,
            // A positive velocity has its negative; `check` has refused others.
            Direction::Negative => Velocity::from_bits(velocity.to_bits().saturating_neg()).unwrap_or_default(),
        };
        let until_closed = match run.until {
            Until::Pressed => Some(spec.contact.input_closed(true)),
            Until::Released => Some(spec.contact.input_closed(false)),
            Until::Stalled => None,
        };
        let by_device = match (until_closed, run.pace) {
            (Some(true), _) => self
                .action(spec, Verb::SearchForSwitch, run.is_last)
                .map(|action| (Command::SearchForSwitch { velocity, action }, Watcher::Device(action))),
            (Some(false), Pace::Slow) => self
                .action(spec, Verb::SearchForZero, run.is_last)
                .map(|action| (Command::SearchForZero { velocity, action }, Watcher::Device(action))),
            _ => None,
        };
        by_device.unwrap_or((Command::MoveVelocity { velocity }, Watcher::Driver))
    }

    fn action(self, spec: &AxisHoming, search: fn(EdgeAction) -> Verb, is_last: bool) -> Option<EdgeAction> {
        let probes = self.has(search(EdgeAction::Probe));
        match is_last {
            true if self.has(search(EdgeAction::Zero)) => Some(EdgeAction::Zero),
            true if !probes || self.kind.register(Parameter::ProbedPosition, spec.axis).is_none() => None,
            _ if probes => Some(EdgeAction::Probe),
            _ => None,
        }
    }

    /// The move to a place that the counter shows, from where it shows another.
    pub(super) fn move_to(self, target: Position, from: Position) -> Command {
        if self.has(Verb::MoveAbsolute(Way::Shortest)) {
            return Command::MoveAbsolute { target, way: Way::Shortest };
        }
        let moved = self.kind.position().wrapped(target.to_bits() - from.to_bits());
        // The counter has 32 bits at most, and so has a distance.
        Command::MoveRelative { distance: Distance::from_bits(moved).unwrap_or_default() }
    }

    /// Whether a flag is raised that speaks of the axis, or of its device as a whole.
    pub(super) fn raised(self, status: &Status, flag: Flag, axis: u8) -> bool {
        let has_own = self.kind.status().flags.iter().any(|bit| bit.flag == flag && bit.axis == axis);
        let axis = if has_own || STALLS.contains(&flag) { axis } else { 0 };
        status.flag_of(flag, axis) == Some(true)
    }

    /// Refuses what the map cannot do, and what it cannot say, before anything is sent.
    pub(super) fn check(self, spec: &AxisHoming) -> Result<(), HomingError> {
        let lacks = |lacking| Err(HomingError::Unsupported(lacking));
        let velocities = [spec.velocities.search_for_switch, spec.velocities.search_for_zero];
        if let Some(velocity) = velocities.into_iter().find(|&velocity| velocity <= Velocity::ZERO) {
            return Err(HomingError::VelocityNotPositive(velocity));
        }
        let (_, max) = self.kind.position().range();
        // Half of the greatest count is a quarter of a round.
        let greatest = Distance::from_bits(max / 2).unwrap_or_default();
        if spec.home_offset.to_bits().abs() > greatest.to_bits() {
            return Err(HomingError::OffsetTooGreat { offset: spec.home_offset, greatest });
        }
        self.say(spec, Command::read(Parameter::PositionDemandValue))?;
        self.say(spec, Command::HomeOnCurrentPosition)?;
        self.say(spec, self.stop())?;
        let Some(look) = self.look().verb().filter(|&verb| self.has(verb)) else {
            return lacks(Lacking::Command(Verb::PeekStatus));
        };
        if !self.tells(look, Flag::Busy, spec.axis) && !self.tells_motion_state(look, spec.axis) {
            return lacks(Lacking::Standstill);
        }
        let goal = spec.method.goal();
        if goal != Goal::Nothing {
            self.say(spec, self.move_to(Position::ZERO, Position::ZERO))?;
        }
        match goal {
            Goal::Switch { .. } if !self.tells(look, Flag::HomeSwitch, spec.axis) => {
                return lacks(Lacking::Flag(Flag::HomeSwitch));
            }
            Goal::Stop(_) if !STALLS.iter().any(|&flag| self.tells(look, flag, spec.axis)) => {
                return lacks(Lacking::Stall);
            }
            _ => {}
        }
        for run in runs(goal).into_iter().flatten() {
            self.say(spec, self.way(spec, run).0)?;
        }
        Ok(())
    }

    /// Whether a command can be put into words.
    pub(super) fn say(self, spec: &AxisHoming, command: Command) -> Result<(), HomingError> {
        match self.kind.say(command.on(spec.axis)) {
            Ok(_) => Ok(()),
            Err(CommandError::Unsupported { verb, .. }) => Err(HomingError::Unsupported(Lacking::Command(verb))),
            Err(CommandError::NoSuchParameter { parameter }) => {
                Err(HomingError::Unsupported(Lacking::Parameter(parameter)))
            }
            Err(error) => Err(HomingError::Command(error)),
        }
    }

    fn tells(self, look: Verb, flag: Flag, axis: u8) -> bool {
        let mut bits = self.kind.status().flags.iter().filter(|bit| bit.flag == flag && bit.axis == axis);
        bits.any(|bit| self.kind.tells(look, bit.bit))
    }

    fn tells_motion_state(self, look: Verb, axis: u8) -> bool {
        let mut states = self.kind.status().motion_states.iter().filter(|state| state.axis == axis);
        states.any(|state| {
            (0..state.field.width).all(|offset| self.kind.tells(look, state.field.lsb.saturating_add(offset)))
        })
    }
}

/// Whether the switch of the axis is pressed, by a status of the questions that `check` has looked at.
pub(super) fn is_pressed(status: &Status, contact: Contact, axis: u8) -> bool {
    contact.input_closed(status.flag_of(Flag::HomeSwitch, axis) == Some(true))
}

/// Whether the switch is known to have closed since the status was taken.
pub(super) fn has_closed(status: &Status, axis: u8) -> bool {
    status.flag_of(Flag::SwitchEvent, axis) == Some(true)
}

pub(super) fn is_stalled(status: &Status, axis: u8) -> bool {
    STALLS.iter().any(|&flag| status.flag_of(flag, axis) == Some(true))
}

pub(super) const STALLS: [Flag; 2] = [Flag::StallA, Flag::StallB];

/// Every way that may be gone toward a goal.
pub(super) fn runs(goal: Goal) -> [Option<Run>; 5] {
    match goal {
        Goal::Nothing => [None; 5],
        Goal::Stop(direction) => [Some(Run::to_stop(direction)), None, None, None, None],
        Goal::Switch { toward, edge } => [
            Some(Run::seek(toward)),
            Some(Run::back(toward)),
            Some(Run::back_off(toward)),
            Some(Run::approach(toward, edge)),
            (edge == Edge::OutOf).then_some(Run::leave(toward)),
        ],
    }
}

impl Run {
    const fn new(direction: Direction, pace: Pace, until: Until) -> Self {
        Self { direction, pace, until, is_last: false }
    }

    /// Fast, until a stop is met.
    pub(super) const fn to_stop(direction: Direction) -> Self {
        Self { is_last: true, ..Self::new(direction, Pace::Fast, Until::Stalled) }
    }

    /// Fast to the switch.
    pub(super) const fn seek(toward: Direction) -> Self {
        Self::new(toward, Pace::Fast, Until::Pressed)
    }

    /// Back to a switch that was run past.
    pub(super) const fn back(toward: Direction) -> Self {
        Self::new(opposite(toward), Pace::Slow, Until::Pressed)
    }

    /// Fast off the switch.
    pub(super) const fn back_off(toward: Direction) -> Self {
        Self::new(opposite(toward), Pace::Fast, Until::Released)
    }

    /// Slowly to the switch; the last way of a method that counts the edge into it.
    pub(super) fn approach(toward: Direction, edge: Edge) -> Self {
        Self { is_last: edge == Edge::Into, ..Self::new(toward, Pace::Slow, Until::Pressed) }
    }

    /// Slowly off the switch, the last way of a method that counts the edge out of it.
    pub(super) const fn leave(toward: Direction) -> Self {
        Self { is_last: true, ..Self::new(opposite(toward), Pace::Slow, Until::Released) }
    }
}

const fn opposite(direction: Direction) -> Direction {
    match direction {
        Direction::Positive => Direction::Negative,
        Direction::Negative => Direction::Positive,
    }
}
