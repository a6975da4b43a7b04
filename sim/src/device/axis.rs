//! One axis of a device: its motion, its bridge, what it does at the home switch, and what is told of all this.
//!
//! Positions are unwrapped counts of microsteps and velocities microsteps/s, unless a name says steps. That counts
//! wrap, which register carries what, and whether a command is allowed, is not known here.

mod happening;
mod rotor;

use std::convert::Infallible;

use stepchain::map::{BridgeState, MotionState, StopRamp};

use crate::inject::Winding;
use crate::motion::{Engine, Field, Limits, OutOfRange};

use super::history::{Breakpoint, Chapter, Demand, History};
use super::machine::Machine;
use super::past::Past;

pub(super) use happening::Edge;
use happening::{News, Search};
use rotor::Rotor;
pub(super) use rotor::{Measured, StageHeat};

/// One axis: the ramp generator with its counter, and the bridge.
#[derive(Clone, Debug)]
pub struct Axis {
    engine: Engine,
    /// The motion before the present one.
    past: Past,
    /// The present motion, since it was changed last.
    chapter_since_ns: u64,
    /// Outside pulses with which it began, signed.
    chapter_pulses: i64,
    microsteps_per_step: u32,
    /// In full steps/s.
    full_step_threshold: f64,
    task: Task,
    limited: bool,
    /// Where the last move was told to end.
    target: i64,
    bridge: BridgeState,
    /// What becomes of the bridge, and when.
    bridge_then: Option<(u64, BridgeState)>,
    /// Whether the motion before the present one counted up.
    counted_up: bool,
    /// The count at which the cycle of four full steps began.
    cycle_origin: i64,
    machine: Machine,
    /// That of a motor; without one the rotor is where the machine lets the counter take it.
    rotor: Option<Rotor>,
    search: Option<Search>,
    /// The count that the last search has saved.
    probed: i64,
    /// All that was to happen up to this instant has.
    happened_to_ns: u64,
    /// Whether the switch was closed when this was looked at last.
    was_closed: bool,
    /// Whether the rotor was held back when this was looked at last.
    was_beyond: bool,
    news: News,
}

/// What was commanded last.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Task {
    /// Nothing since power-up, or what was cut off or has found nothing.
    None,
    /// What ends at standstill.
    Move,
    /// What ends at a velocity.
    Velocity,
    /// Outside pulses make the steps: upwards or downwards.
    Pulses { upwards: bool },
}

impl Axis {
    /// After power-up: at rest at zero with the bridge in high impedance.
    #[must_use]
    pub fn new(now_ns: u64, microsteps_per_step: u32) -> Self {
        Self {
            engine: Engine::new(),
            past: Past::default(),
            chapter_since_ns: now_ns,
            chapter_pulses: 0,
            microsteps_per_step: microsteps_per_step.max(1),
            full_step_threshold: f64::INFINITY,
            task: Task::None,
            limited: false,
            target: 0,
            bridge: BridgeState::HighImpedance,
            bridge_then: None,
            counted_up: false,
            cycle_origin: 0,
            machine: Machine::new(microsteps_per_step.max(1)),
            rotor: None,
            search: None,
            probed: 0,
            happened_to_ns: now_ns,
            was_closed: false,
            was_beyond: false,
            news: News::default(),
        }
    }

    /// The ramp generator, in microsteps.
    #[must_use]
    pub const fn engine(&self) -> &Engine {
        &self.engine
    }

    /// Microsteps in a full step.
    #[must_use]
    pub const fn microsteps_per_step(&self) -> u32 {
        self.microsteps_per_step
    }

    /// The count without wrap-around.
    #[must_use]
    pub fn position(&self, now_ns: u64) -> i64 {
        self.engine.position(now_ns)
    }

    /// Where the last move was told to end, without wrap-around.
    #[must_use]
    pub const fn target(&self) -> i64 {
        self.target
    }

    /// Velocity in full steps/s, positive counting up.
    #[must_use]
    pub fn velocity_steps_per_s(&self, now_ns: u64) -> f64 {
        self.engine.velocity(now_ns) / f64::from(self.microsteps_per_step)
    }

    /// What the ramp generator does.
    #[must_use]
    pub fn phase(&self, now_ns: u64) -> MotionState {
        self.engine.phase(now_ns)
    }

    /// Whether steps are to come.
    #[must_use]
    pub fn is_moving(&self, now_ns: u64) -> bool {
        self.engine.is_moving(now_ns)
    }

    /// What the bridge does to the windings.
    #[must_use]
    pub fn bridge(&self, now_ns: u64) -> BridgeState {
        match self.bridge_then {
            Some((then_ns, state)) if then_ns <= now_ns => state,
            _ => self.bridge,
        }
    }

    /// Whether a motion command is being carried out: until standstill, and for a velocity until it is reached. Outside
    /// pulses are followed from the command on: nothing is left to be done then.
    #[must_use]
    pub fn is_busy(&self, now_ns: u64) -> bool {
        match self.task {
            Task::None => false,
            Task::Move => self.is_moving(now_ns),
            Task::Velocity => matches!(self.phase(now_ns), MotionState::Accelerating | MotionState::Decelerating),
            Task::Pulses { .. } => false,
        }
    }

    /// Whether the last motion command has arrived where it was to: at rest, or at its velocity.
    #[must_use]
    pub fn has_arrived(&self, now_ns: u64) -> bool {
        self.task != Task::None && self.search.is_none() && !self.is_busy(now_ns)
    }

    /// Whether a limit altered the last motion command.
    #[must_use]
    pub const fn is_limited(&self) -> bool {
        self.limited
    }

    /// Whether the last motion counts, or has counted, up. Not before the first motion.
    #[must_use]
    pub fn counts_up(&self, now_ns: u64) -> bool {
        let last_ns = self.engine.settles_at_ns().filter(|&settled_ns| settled_ns <= now_ns);
        // At the instant of a start or a reversal the velocity is zero; just after it, it tells the direction.
        let instants = [Some(now_ns), now_ns.checked_add(1), last_ns.and_then(|settled_ns| settled_ns.checked_sub(1))];
        let speeds = instants.into_iter().flatten().map(|instant_ns| self.engine.velocity(instant_ns));
        speeds.into_iter().find(|speed| *speed != 0.0).map_or(self.counted_up, |speed| speed > 0.0)
    }

    /// Whether the input of the home switch shows it closed.
    #[must_use]
    pub fn is_switch_closed(&self, now_ns: u64) -> bool {
        self.machine.contact.shows(self.is_contact_closed(now_ns), now_ns)
    }

    /// Whether the contact of the home switch is closed.
    fn is_contact_closed(&self, now_ns: u64) -> bool {
        match self.rotor {
            Some(rotor) => self.machine.is_closed_at(rotor.measured.rotor_steps),
            None => self.machine.is_closed(self.position(now_ns)),
        }
    }

    /// Whether the axis makes steps that the rotor does not follow; with a motor, whether the device can tell.
    #[must_use]
    pub fn is_stalled(&self, now_ns: u64) -> bool {
        self.is_stalled_on(Winding::A, now_ns) || self.is_stalled_on(Winding::B, now_ns)
    }

    /// Whether the axis makes steps that the rotor does not follow, and this shows on a winding.
    #[must_use]
    pub fn is_stalled_on(&self, winding: Winding, now_ns: u64) -> bool {
        let shows = || match self.rotor {
            Some(_) => self.tells_stall(winding),
            None => self.machine.is_beyond(self.position(now_ns)) && self.machine.shows_on(winding),
        };
        self.is_moving(now_ns) && shows()
    }

    /// Where the rotor is, in full steps from where it was at power-up; that of a motor where it was measured last.
    #[must_use]
    pub fn rotor_steps(&self, now_ns: u64) -> f64 {
        self.rotor.map_or_else(|| self.machine.rotor_steps(self.position(now_ns)), |rotor| rotor.measured.rotor_steps)
    }

    /// The count of what the rotor has followed: [`position`](Self::position) until a stop holds it back; with a motor,
    /// the count at which the field would be where the rotor is.
    #[must_use]
    pub fn followed_position(&self, now_ns: u64) -> i64 {
        match self.commanded_steps(now_ns) {
            Some(commanded_steps) => {
                let behind = (commanded_steps - self.rotor_steps(now_ns)) * f64::from(self.microsteps_per_step);
                self.position(now_ns).wrapping_sub(behind.round() as i64)
            }
            None => self.machine.followed(self.position(now_ns)),
        }
    }

    /// Full steps that the rotor has lost since the counter was given its number, positive if it should be farther up;
    /// with a motor, in whole cycles of four.
    #[must_use]
    pub fn lost_steps(&self, now_ns: u64) -> f64 {
        if self.rotor.is_some() {
            return self.missed(now_ns) as f64;
        }
        let lost = self.position(now_ns).wrapping_sub(self.followed_position(now_ns));
        lost as f64 / f64::from(self.microsteps_per_step)
    }

    /// The count that the last search has saved, without wrap-around.
    #[must_use]
    pub const fn probed_position(&self) -> i64 {
        self.probed
    }

    /// Where the field of the windings is, in microsteps since the start of the cycle of four full steps: with the counter,
    /// or above the full-step threshold in the middle of its full step.
    #[must_use]
    pub fn electrical_angle(&self, now_ns: u64) -> u32 {
        self.field().angle(&self.engine, now_ns)
    }

    /// How the counter turns the field.
    #[must_use]
    pub fn field(&self) -> Field {
        Field {
            microsteps_per_step: self.microsteps_per_step,
            cycle_origin: self.cycle_origin,
            full_step_threshold: self.full_step_threshold * f64::from(self.microsteps_per_step),
        }
    }

    /// Where the axis is told to be, how fast it goes, and where its field is.
    #[must_use]
    pub fn demand(&self, now_ns: u64) -> Demand {
        self.present().demand(now_ns)
    }

    /// All of its motion, past and planned, to ask about any instant and for any step.
    #[must_use]
    pub fn history(&self) -> History {
        History::new(self.past.clone(), self.present())
    }

    /// The motion so far as the corners between quadratics, the last one at `now_ns`.
    #[must_use]
    pub fn trajectory(&self, now_ns: u64) -> Vec<Breakpoint> {
        self.history().corners(now_ns)
    }

    /// When the bridge will do something else of itself.
    pub(super) fn bridge_changes_at(&self) -> Option<u64> {
        self.bridge_then.map(|(at_ns, _)| at_ns)
    }

    /// Whether winding A, and whether winding B, carries no current.
    pub(super) const fn open_windings(&self) -> [bool; 2] {
        self.machine.open_windings()
    }

    /// Where the rotor can turn no farther down and up, in full steps.
    pub(super) fn end_stops_steps(&self) -> [f64; 2] {
        self.machine.end_stops_steps()
    }

    /// First instant after `now_ns` at which the phase changes.
    pub(super) fn next_change_after(&self, now_ns: u64) -> Option<u64> {
        self.engine.next_phase_change_after(now_ns)
    }

    /// Ramps to a velocity; with an `end`, no farther than there.
    pub(super) fn move_velocity(
        &mut self,
        now_ns: u64,
        velocity: f64,
        end: Option<i64>,
        limits: &Limits,
    ) -> Result<(), OutOfRange> {
        self.replace(now_ns, |engine| match end {
            Some(end) if velocity != 0.0 => engine.move_to(now_ns, end, limits),
            _ => engine.move_velocity(now_ns, velocity, limits),
        })?;
        self.task = if velocity == 0.0 { Task::Move } else { Task::Velocity };
        self.search = None;
        self.drive();
        self.notice(now_ns);
        Ok(())
    }

    /// The bridge lets go of the motor, and with it goes whatever was being done.
    pub(super) fn shut_off(&mut self, now_ns: u64) {
        self.cease(now_ns);
        self.task = Task::None;
        self.search = None;
        self.bridge = BridgeState::HighImpedance;
        self.bridge_then = None;
    }

    /// Moves to a place and stops there.
    pub(super) fn move_to(&mut self, now_ns: u64, target: i64, limits: &Limits) -> Result<(), OutOfRange> {
        self.replace(now_ns, |engine| engine.move_to(now_ns, target, limits))?;
        self.target = target;
        self.task = Task::Move;
        self.search = None;
        self.drive();
        self.notice(now_ns);
        Ok(())
    }

    /// Stops, and puts the bridge into a state once the axis stands.
    pub(super) fn stop(
        &mut self,
        now_ns: u64,
        ramp: StopRamp,
        bridge: BridgeState,
        limits: &Limits,
    ) -> Result<(), OutOfRange> {
        self.replace(now_ns, |engine| engine.stop(now_ns, ramp, limits))?;
        self.task = Task::Move;
        self.search = None;
        self.limited = false;
        self.bridge = self.bridge(now_ns);
        self.bridge_then = self.engine.settles_at_ns().map(|stands_ns| (stands_ns.max(now_ns), bridge));
        Ok(())
    }

    /// Gives the present place another number. Motion, target and windings stay where they are.
    pub(super) fn set_position(&mut self, now_ns: u64, position: i64) {
        let was = self.position(now_ns);
        let shift = position.wrapping_sub(was);
        let Ok(()) = self.replace(now_ns, |engine| {
            engine.set_position(now_ns, position);
            Ok::<(), Infallible>(())
        });
        self.target = self.target.wrapping_add(shift);
        self.cycle_origin = self.cycle_origin.wrapping_add(shift);
        self.machine.relabel(was, position);
        self.forget_missed(now_ns);
    }

    /// Zero is here. An arrival without a motion.
    pub(super) fn home(&mut self, now_ns: u64) {
        self.set_position(now_ns, 0);
        if self.task == Task::None {
            self.task = Task::Move;
        }
    }

    /// From now on a microstep is another share of a full step. The count stays, and so does the place in the cycle.
    pub(super) fn set_resolution(&mut self, now_ns: u64, microsteps_per_step: u32) {
        self.end_chapter(now_ns);
        let commanded_steps = self.commanded_steps(now_ns);
        let place = u64::from(self.field().place(self.position(now_ns))) * u64::from(microsteps_per_step.max(1));
        let place = place / u64::from(self.microsteps_per_step);
        self.microsteps_per_step = microsteps_per_step.max(1);
        self.cycle_origin = self.position(now_ns).wrapping_sub(place as i64);
        self.machine.rescale(self.position(now_ns), self.microsteps_per_step);
        self.seek_origin(now_ns, commanded_steps.unwrap_or(0.0));
        self.correct_contact(now_ns);
        self.was_closed = self.is_switch_closed(now_ns);
    }

    /// Above this velocity in full steps/s only full steps are made, from now on.
    pub(super) fn set_full_step_threshold(&mut self, now_ns: u64, threshold: f64) {
        self.end_chapter(now_ns);
        self.full_step_threshold = threshold;
    }

    /// No motion is faster than `bound` in full steps/s from now on.
    pub(super) fn bound_velocity(&mut self, now_ns: u64, bound: f64) {
        let bound = bound * f64::from(self.microsteps_per_step);
        if !self.is_moving(now_ns) {
            return self.engine.bound_velocity(now_ns, bound);
        }
        let was_cut_down = self.engine.is_cut_down(now_ns);
        let Ok(()) = self.replace(now_ns, |engine| {
            engine.bound_velocity(now_ns, bound);
            Ok::<(), Infallible>(())
        });
        self.limited |= !was_cut_down && self.engine.is_cut_down(now_ns);
    }

    pub(super) fn set_limited(&mut self, limited: bool) {
        self.limited = limited;
    }

    /// Starts anew; only what has happened so far is remembered, and the machine is where it was.
    pub(super) fn reset(&mut self, now_ns: u64, microsteps_per_step: u32) {
        self.end_chapter(now_ns);
        let past = std::mem::take(&mut self.past);
        let mut machine = self.machine.clone();
        machine.restart(self.position(now_ns), microsteps_per_step.max(1));
        *self = Self { past, machine, rotor: self.rotor, ..Self::new(now_ns, microsteps_per_step) };
        self.seek_origin(now_ns, self.rotor_steps(now_ns));
        self.correct_contact(now_ns);
        self.was_closed = self.is_switch_closed(now_ns);
    }

    /// The contact is as it was; only the count is another.
    fn correct_contact(&mut self, now_ns: u64) {
        let is_closed = self.is_contact_closed(now_ns);
        self.machine.contact.correct(is_closed);
    }

    fn drive(&mut self) {
        self.bridge = BridgeState::Driven;
        self.bridge_then = None;
    }

    /// Steps cease at once.
    fn cease(&mut self, now_ns: u64) {
        let Ok(()) = self.replace(now_ns, |engine| {
            engine.cease(now_ns);
            Ok::<(), Infallible>(())
        });
    }

    /// Lets the engine take a command, and keeps what was before.
    fn replace<E>(&mut self, now_ns: u64, command: impl FnOnce(&mut Engine) -> Result<(), E>) -> Result<(), E> {
        let (counted_up, before) = (self.counts_up(now_ns), self.position(now_ns));
        let mut engine = self.engine.clone();
        command(&mut engine)?;
        self.end_chapter(now_ns);
        self.engine = engine;
        // Whatever comes now may turn round.
        self.machine.settle(before);
        self.counted_up = counted_up;
        Ok(())
    }

    /// What comes after `now_ns` is another chapter of the motion than what was until then.
    fn end_chapter(&mut self, now_ns: u64) {
        if self.chapter_since_ns < now_ns || self.chapter_pulses != 0 {
            self.past.push(Chapter { until_ns: now_ns, ..self.present() });
        }
        self.chapter_since_ns = now_ns;
        self.chapter_pulses = 0;
    }

    fn present(&self) -> Chapter {
        Chapter {
            since_ns: self.chapter_since_ns,
            until_ns: u64::MAX,
            engine: self.engine.clone(),
            field: self.field(),
            pulses: self.chapter_pulses,
        }
    }
}
