//! What watches over one axis: its position, its limits, and what it was told last, asked before a command is sent.
//!
//! A [`Guard`] joins one axis's [`Tracker`] and its [`PositionLimits`], and keeps account of where the commands that it has
//! let pass lead. Does no I/O; [`guarded`](super::GuardedChain) puts guards in front of a chain.
//!
//! ```text
//!   motion                        position unknown         known, with limits: judged by
//!   move velocity                 refused, or permitted    where the axis could still stop
//!   move absolute, relative,      refused                  its end, from wherever the axis may be
//!     return to zero
//!   return to probed position     refused                  the probed position, once it was read
//!   search                        refused, or permitted    the stated travel, or permitted
//!   pulse input                   refused, or permitted    permitted or not
//!   any of them, buffered         refused                  the same, from the end of the command before
//! ```
//!
//! Between two readings an axis is anywhere between the last one and the ends of what it was told since; and until it was
//! seen to stand, it goes on from a reading too: see `course`.

use core::fmt;

use crate::chain::moves as is_moving;
use crate::command::{AxisCommand, Command};
use crate::map::{BufferMode, EdgeAction, Layout, Parameter};
use crate::reply::Reply;
use crate::units::{Distance, Value, Velocity};

use super::course::{Counts, Course, Ways, hull};
use super::limits::{EndUnknown, LimitError, PositionLimits};
use super::place::Place;
use super::raw::Touch;
use super::tracker::Tracker;
use super::trust::{Doubt, PositionUnknown};
use super::unwrapped::UnwrappedPosition;

/// What watches over one axis of one device.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub struct Guard {
    /// The device, counted from the controller's output.
    pub device: usize,
    /// The axis of the device, counted from 0; the tracker is of the same.
    pub axis: u8,
    /// Where the axis is, and whether that is known.
    pub tracker: Tracker,
    /// Where it may go; everywhere if `None`.
    pub limits: Option<PositionLimits>,
    /// How far it goes on once it is told to stop.
    pub braking: Distance,
    /// How far a search may go from where it begins, as the machine has it: the switch is nearer than that.
    pub search_travel: Option<Distance>,
    /// Whether searches and outside pulses may run within limits that they cannot be held against, and these and velocity
    /// runs while the position is unknown. For homing by hand; take it back afterwards.
    pub open_ended: bool,
    /// Where the axis may be by what it was told since somebody said where it is; `None` if nothing.
    course: Option<Course>,
    /// The probed position, as long as the device's is the same, and how often somebody had said then where the axis is.
    probed: Option<(UnwrappedPosition, u32)>,
    /// A command that was let pass, and of which nobody has said yet what came of it.
    pending: Option<AxisCommand>,
}

/// What came of a command.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Fate {
    /// It was not sent.
    Unsent,
    /// Nobody knows whether the device has obeyed it.
    Unsure,
    /// It was sent, and nothing says that the device has refused it.
    Sent,
}

/// Why a guard lets a command not pass. Nothing was sent to any device.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Refused {
    /// The command needs a position that is known.
    PositionUnknown(PositionUnknown),
    /// The command leads beyond the limits, or cannot be held against them.
    Limit(LimitError),
    /// Nobody watches over the axis that would move; only of a [`GuardedChain`](super::GuardedChain).
    Unguarded,
    /// The register is one of those by whose writing the map moves the axis: send the command that does so instead.
    BareWrite {
        /// The register's name.
        register: &'static str,
    },
}

impl Guard {
    /// Watches over axis 0 of a device, without limits.
    #[must_use]
    pub const fn new(device: usize, tracker: Tracker) -> Self {
        Self {
            device,
            axis: 0,
            tracker,
            limits: None,
            braking: Distance::ZERO,
            search_travel: None,
            open_ended: false,
            course: None,
            probed: None,
            pending: None,
        }
    }

    /// The same for another axis of the device.
    #[must_use]
    pub const fn axis(mut self, axis: u8) -> Self {
        self.axis = axis;
        self.tracker = self.tracker.of_axis(axis);
        self
    }

    /// The same with limits, and how far the axis goes on once it is told to stop.
    #[must_use]
    pub const fn within(mut self, limits: PositionLimits, braking: Distance) -> Self {
        self.limits = Some(limits);
        self.braking = braking;
        self
    }

    /// The same with searches that go no farther than this, its sign of no account: a search is then judged by that and
    /// the braking distance.
    #[must_use]
    pub const fn searching_within(mut self, travel: Distance) -> Self {
        self.search_travel = Some(travel);
        self
    }

    /// The same with motions permitted of which nobody knows where they end: see [`open_ended`](Self::open_ended).
    #[must_use]
    pub const fn permitting_open_ends(mut self) -> Self {
        self.open_ended = true;
        self
    }

    /// Whether a command for this axis may be sent.
    ///
    /// The axis is taken to be anywhere between where it was read last and the ends of what it was told since; stopped, it
    /// is somewhere there. A motion without a known end leaves it anywhere: read the position before the next move. Until
    /// its device was seen to stand and it was read again, it runs on to the limit or, broken off, by the
    /// [`braking`](Self::braking) distance. What is sent past the guard is not known here, a tracker in place of another
    /// needs a new guard, and which bare writes of registers move the axis only a guarded chain knows.
    ///
    /// # Errors
    /// [`Refused`], with the reason.
    pub fn check(&self, asked: impl Into<AxisCommand>) -> Result<(), Refused> {
        let AxisCommand { command, buffer_mode, .. } = asked.into();
        let mut guard = *self;
        guard.settle(Fate::Unsure);
        if !moves(command) {
            return Ok(());
        }
        let place = match guard.tracker.place() {
            Ok(place) => place,
            Err(_) if guard.open_ended && is_open_ended(command) => return Ok(()),
            Err(error) => return Err(Refused::PositionUnknown(error)),
        };
        let is_permitted =
            guard.open_ended && is_open_ended(command) && !matches!(command, Command::MoveVelocity { .. });
        match guard.limits {
            Some(limits) if !is_permitted => {
                let (low, high) = guard.origins(command, buffer_mode, &place).map_err(Refused::Limit)?;
                guard.judge(&limits, command, &low).map_err(Refused::Limit)?;
                guard.judge(&limits, command, &high).map_err(Refused::Limit)
            }
            _ => Ok(()),
        }
    }

    /// The extremes of where the axis may be when a command begins.
    fn origins(&self, command: Command, buffer_mode: BufferMode, place: &Place) -> Result<(Place, Place), LimitError> {
        let course = self.course_from(place);
        let (low, high) = match buffer_mode {
            BufferMode::Aborting => {
                let span = match command {
                    // Judged by the way that it takes to stop, and again with each reading.
                    Command::MoveVelocity { .. } => course.span,
                    _ => course.reach(self.limits.as_ref(), self.braking),
                };
                span.ok_or(LimitError::EndUnknown { cause: EndUnknown::Unread })?
            }
            BufferMode::Buffered => {
                let end = course.end.ok_or(LimitError::EndUnknown { cause: EndUnknown::Buffered })?;
                (end, end)
            }
        };
        Ok((place.elsewhere(low), place.elsewhere(high)))
    }

    /// The course as the tracker's present place has it.
    fn course_from(&self, place: &Place) -> Course {
        let (at, counts) = (place.unwrapped(), self.counts());
        self.course.map_or(Course::at_rest(at, counts), |course| course.read(at, counts))
    }

    const fn counts(&self) -> Counts {
        Counts { readings: self.tracker.readings(), tellings: self.tracker.tellings() }
    }

    fn judge(&self, limits: &PositionLimits, command: Command, from: &Place) -> Result<(), LimitError> {
        let end = match command {
            Command::ReturnToProbedPosition => self.probed(),
            Command::SearchForSwitch { velocity, .. } | Command::SearchForZero { velocity, .. } => {
                self.search_travel.map(|travel| self.search_end(velocity, travel, from))
            }
            _ => return limits.check(&command, from, self.braking),
        };
        match end {
            Some(end) if limits.contains(end) => Ok(()),
            Some(end) => Err(LimitError::EndsOutside { end, limits: *limits }),
            None => limits.check(&command, from, self.braking),
        }
    }

    fn search_end(&self, velocity: Velocity, travel: Distance, from: &Place) -> UnwrappedPosition {
        let way = travel.to_bits().saturating_abs().saturating_add(self.braking.to_bits().saturating_abs());
        from.unwrapped().moved(if velocity.to_bits() < 0 { -way } else { way })
    }

    fn probed(&self) -> Option<UnwrappedPosition> {
        self.probed.filter(|&(_, tellings)| tellings == self.tracker.tellings()).map(|(at, _)| at)
    }

    pub(super) fn watches(&self, device: usize, axis: u8) -> bool {
        self.device == device && self.axis == axis
    }

    /// A command is about to be sent to the device; if it is for another axis alone, it is of no account here.
    pub(super) fn announce(&mut self, layout: &Layout, asked: AxisCommand) {
        self.settle(Fate::Unsure);
        self.pending = match Touch::of(layout, asked, self.axis) {
            // As if the command were sent that makes such a write, or more of them.
            Touch::Count => Some(Command::RestoreDefaults.on(self.axis)),
            Touch::Motion(_) | Touch::Nothing => {
                let is_of_all = asked.command.verb().is_some_and(|verb| !verb.is_of_one_axis());
                (asked.axis == self.axis || is_of_all).then_some(asked)
            }
        };
    }

    /// What came of the announced command.
    pub(super) fn settle(&mut self, fate: Fate) {
        let Some(AxisCommand { command, buffer_mode, .. }) = self.pending.take() else {
            return;
        };
        if fate == Fate::Unsent {
            return;
        }
        match command {
            Command::ResetNode => self.lose(Doubt::DeviceReset),
            // The counter, or what a count of it means, is another afterwards.
            Command::HomeOnCurrentPosition | Command::RestoreDefaults => self.lose(Doubt::Withdrawn),
            _ if moves(command) => self.follow(command, buffer_mode, fate),
            Command::Stop { .. } | Command::MoveVelocity { .. } => self.stop(fate),
            _ => {}
        }
        // From the edge on the counter has another zero, or the device another probed position.
        match command {
            Command::SearchForSwitch { action, .. } | Command::SearchForZero { action, .. } => {
                self.probed = None;
                if action == EdgeAction::Zero {
                    self.lose(Doubt::Withdrawn);
                }
            }
            _ => {}
        }
    }

    /// Joins a motion to the course. What was obeyed for sure, and does not wait, takes the place of all before it.
    fn follow(&mut self, command: Command, buffer_mode: BufferMode, fate: Fate) {
        let lost = Course::lost(self.counts());
        let Ok(place) = self.tracker.place() else {
            self.course = Some(lost);
            return;
        };
        let course = self.course_from(&place);
        let reach = course.reach(self.limits.as_ref(), self.braking);
        let replaces = fate == Fate::Sent && buffer_mode == BufferMode::Aborting;
        let targets = course.targets.filter(|_| !replaces);
        let runs = if replaces { Ways::NONE } else { course.runs };
        let coasts = course.coasts || buffer_mode == BufferMode::Aborting && course.is_under_way();
        let next = Course { targets, runs: runs.and(ways(command)), coasts, ..lost };
        let end_from = |from| match command {
            Command::ReturnToProbedPosition => self.probed(),
            _ => place.elsewhere(from).end_of(&command),
        };
        let origins = match buffer_mode {
            BufferMode::Aborting => reach,
            BufferMode::Buffered => course.end.map(|end| (end, end)),
        };
        let ends = origins.and_then(|(low, high)| end_from(low).zip(end_from(high)));
        self.course = Some(match (ends, reach) {
            (Some((first, last)), Some(span)) => {
                let ends = (first.min(last), first.max(last));
                let end = (first == last && fate == Fate::Sent).then_some(first);
                Course { span: Some(hull(Some(ends), span)), targets: Some(hull(targets, ends)), end, ..next }
            }
            _ => next,
        });
    }

    /// The axis is stopped, wherever it is on its way.
    fn stop(&mut self, fate: Fate) {
        if let Ok(place) = self.tracker.place() {
            let course = self.course_from(&place);
            let span = course.reach(self.limits.as_ref(), self.braking);
            let targets = course.targets.filter(|_| fate != Fate::Sent);
            let runs = if fate == Fate::Sent { Ways::NONE } else { course.runs };
            let coasts = course.coasts || course.is_under_way();
            self.course = Some(Course { span, targets, end: None, runs, coasts, ..course });
        }
    }

    /// Looks at what a device has answered to a command.
    pub(super) fn observe(&mut self, asked: AxisCommand, reply: &Reply) {
        if let Some(status) = reply.status {
            self.tracker.observe(&status);
            // Right after a command a device may not have set out yet.
            let is_asked = matches!(asked.command, Command::PeekStatus | Command::TakeStatus);
            let stands = is_asked && is_moving(&status, self.axis) == Some(false);
            if let (true, Some(_), Ok(place)) = (stands, self.course, self.tracker.place()) {
                // Where it stands, the next reading will tell, and not one from before.
                self.course = Some(Course { stands: true, ..self.course_from(&place) });
            }
        }
        let is_probed = asked.axis == self.axis && asked.command == Command::read(Parameter::ProbedPosition);
        if let (true, Some(Value::Position(probed)), Ok(place)) = (is_probed, reply.value, self.tracker.place()) {
            self.probed = Some((place.nearest(probed), self.tracker.tellings()));
        }
    }

    /// Nobody knows where the axis is until somebody says so: by a command, or because homing takes it over.
    pub(crate) fn lose(&mut self, doubt: Doubt) {
        self.pending = None;
        self.probed = None;
        self.course = None;
        self.tracker.doubt(doubt);
    }
}

/// Whether an axis turns, or turns on, by a command.
pub(super) fn moves(command: Command) -> bool {
    match command {
        Command::MoveVelocity { velocity } => velocity != Velocity::ZERO,
        command => command.verb().is_some_and(crate::map::Verb::is_motion),
    }
}

/// Which ways an axis may run by a motion of which nobody knows where it ends.
const fn ways(command: Command) -> Ways {
    match command {
        Command::MoveVelocity { velocity }
        | Command::SearchForSwitch { velocity, .. }
        | Command::SearchForZero { velocity, .. } => Ways { down: velocity.to_bits() < 0, up: velocity.to_bits() > 0 },
        Command::PulseInput { .. } => Ways { down: true, up: true },
        _ => Ways::NONE,
    }
}

/// Whether a motion has no end that the driver could know.
const fn is_open_ended(command: Command) -> bool {
    matches!(
        command,
        Command::MoveVelocity { .. }
            | Command::SearchForSwitch { .. }
            | Command::SearchForZero { .. }
            | Command::PulseInput { .. }
    )
}

impl fmt::Display for Refused {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::PositionUnknown(error) => write!(f, "{error}"),
            Self::Limit(error) => write!(f, "{error}"),
            Self::BareWrite { register } => {
                write!(f, "register `{register}` moves the axis, and is written by the commands that do so alone")
            }
            Self::Unguarded => f.write_str("nobody watches over the axis that would move"),
        }
    }
}

impl core::error::Error for Refused {}

#[cfg(test)]
mod tests;
