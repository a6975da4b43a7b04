//! Homes many axes at once: gathers what their state machines want into shared frames.

use core::time::Duration;

use crate::chain::{Procedure, Step};
use crate::command::{AxisCommand, Command};
use crate::map::{Devices, Kinds};
use crate::reply::{Reply, ReplyError};

use super::axis::{Axis, Want};
use super::error::{AxisError, HomingError};
use super::progress::{Homed, Phase};
use super::spec::AxisHoming;

/// The procedure that homes `K` axes of a chain of `N` devices at once: run it by a chain, or poll it.
///
/// In each exchange every device has the command that one of its axes wants; those of one device take turns. A failed
/// axis is stopped and does not keep the others from being homed. An exchange that failed on the bus, or whose future was
/// dropped, is asked for once more when the procedure is driven on.
#[derive(Clone, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[must_use = "a procedure does nothing until a chain runs it"]
pub struct Homing<const K: usize, const N: usize, D: Kinds = Devices> {
    axes: [Axis<D::Kind>; K],
    period: Duration,
    /// The time since the start, as far as it is known.
    now: Duration,
    is_waiting: bool,
}

impl<const K: usize, const N: usize> Homing<K, N> {
    /// Homes these axes of devices of one layout, or of these [`Devices`], polling them once a millisecond.
    ///
    /// What the map or the chain cannot do is found here, and shows in [`results`](Self::results) at once; the other
    /// axes can be homed all the same.
    pub fn new(devices: impl Into<Devices>, axes: [AxisHoming; K]) -> Self {
        Self::over(devices.into(), axes)
    }
}

impl<const K: usize, const N: usize, D: Kinds> Homing<K, N, D> {
    /// As [`new`](Homing::new), for devices of either kind: with [`Mapped`](crate::map::Mapped) ones it takes less flash.
    pub fn over(devices: D, axes: [AxisHoming; K]) -> Self {
        let mut earlier = 0;
        let axes = axes.map(|spec| {
            let is_twice = axes.iter().take(earlier).any(|other| other.place() == spec.place());
            earlier += 1;
            let refused = match spec.device {
                device if device >= N => Some(HomingError::NoSuchDevice { devices: N }),
                _ => is_twice.then_some(HomingError::Twice),
            };
            Axis::new(devices.kind(spec.device), spec, refused)
        });
        Self { axes, period: Duration::from_millis(1), now: Duration::ZERO, is_waiting: false }
    }

    /// The same with this time between two polls; a microsecond at least.
    pub fn every(mut self, period: Duration) -> Self {
        self.period = period.max(Duration::from_micros(1));
        self
    }

    /// Says how much time has passed since the procedure was begun, by a clock of the caller's.
    ///
    /// By itself the procedure counts the times that it was told to wait and nothing for the exchanges between them, so
    /// that a time-out comes late by what those took. The later of both times counts. Without a clock, keep to the
    /// times to wait: they count whether they were kept or not, so that it ends however it is driven.
    pub fn time_is(&mut self, since_begin: Duration) {
        self.now = self.now.max(since_begin);
    }

    /// Has every axis stopped that is not homed yet; go on driving the procedure until it is done.
    pub fn stop(&mut self) {
        for axis in &mut self.axes {
            axis.stop(self.now);
        }
    }

    /// The device and the axis of each, in the order in which they were given.
    pub fn places(&self) -> [(usize, u8); K] {
        self.axes.each_ref().map(|axis| axis.spec.place())
    }

    /// How far each axis has come, in the order in which they were given.
    pub fn phases(&self) -> [Phase; K] {
        self.axes.each_ref().map(Axis::phase)
    }

    /// How it went, in the order in which the axes were given; [`HomingError::Unfinished`] where it is still going.
    pub fn results(&self) -> [Result<Homed, HomingError>; K] {
        self.axes.each_ref().map(Axis::result)
    }

    /// The axes that were not homed, each with the reason.
    pub fn failures(&self) -> impl Iterator<Item = AxisError> + '_ {
        self.axes.iter().filter_map(|axis| match axis.phase() {
            Phase::Failed { error, .. } => {
                let (device, axis) = axis.spec.place();
                Some(AxisError { device, axis, error })
            }
            _ => None,
        })
    }
}

impl<const K: usize, const N: usize, D: Kinds> Procedure<N> for Homing<K, N, D> {
    fn next(&mut self, commands: &mut [AxisCommand; N]) -> Step {
        if self.is_waiting {
            self.is_waiting = false;
            self.now = self.now.saturating_add(self.period);
            self.axes.iter_mut().for_each(Axis::begin_round);
        }
        let mut step = Step::Done;
        for axis in &mut self.axes {
            axis.in_flight = false;
            match axis.want() {
                Want::Exchange(command) => {
                    step = Step::Exchange;
                    if let Some(place) = commands.get_mut(axis.spec.device)
                        && place.command == Command::Filler
                    {
                        *place = command.on(axis.spec.axis);
                        axis.in_flight = true;
                    }
                }
                Want::NextRound if step == Step::Done => step = Step::Wait(self.period),
                Want::NextRound | Want::Nothing => {}
            }
        }
        self.is_waiting = matches!(step, Step::Wait(_));
        step
    }

    fn came_back(&mut self, replies: &[Result<Reply, ReplyError>; N]) {
        for axis in self.axes.iter_mut().filter(|axis| axis.in_flight) {
            axis.in_flight = false;
            if let Some(reply) = replies.get(axis.spec.device) {
                axis.came_back(reply, self.now);
            }
        }
    }
}
