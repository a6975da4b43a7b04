//! One axis of a device: its motion, its bridge, what it does at the home switch, and what is told of all this.
//!
//! Positions are unwrapped counts of microsteps and velocities microsteps/s, unless a name says steps. That counts
//! wrap, which register carries what, and whether a command is allowed, is not known here.

mod happening;

use std::convert::Infallible;

use stepchain::map::{BridgeState, MotionState, StopRamp};

use crate::inject::Winding;
use crate::motion::{Engine, Limits, OutOfRange};

use super::history::{Breakpoint, History};
use super::machine::Machine;

pub(super) use happening::Edge;
use happening::{News, Search};

/// One axis: the ramp generator with its counter, and the bridge.
#[derive(Clone, Debug)]
pub struct Axis {
    engine: Engine,
    history: History,
    microsteps_per_step: u32,
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
        let mut axis = Self {
            engine: Engine::new(),
            history: History::default(),
            microsteps_per_step: microsteps_per_step.max(1),
            task: Task::None,
            limited: false,
            target: 0,
            bridge: BridgeState::HighImpedance,
            bridge_then: None,
            counted_up: false,
            cycle_origin: 0,
            machine: Machine::new(microsteps_per_step.max(1)),
            search: None,
            probed: 0,
            happened_to_ns: now_ns,
            was_closed: false,
            was_beyond: false,
            news: News::default(),
        };
        axis.history.write_to(&axis.engine, now_ns, 1.0);
        axis
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

    /// Whether the home switch is closed.
    #[must_use]
    pub fn is_switch_closed(&self, now_ns: u64) -> bool {
        self.machine.is_closed(self.position(now_ns))
    }

    /// Whether the axis makes steps that the rotor does not follow.
    #[must_use]
    pub fn is_stalled(&self, now_ns: u64) -> bool {
        self.is_moving(now_ns) && self.machine.is_beyond(self.position(now_ns))
    }

    /// Whether the axis makes steps that the rotor does not follow, and this shows on a winding.
    #[must_use]
    pub fn is_stalled_on(&self, winding: Winding, now_ns: u64) -> bool {
        self.is_stalled(now_ns) && self.machine.shows_on(winding)
    }

    /// Where the rotor is, in full steps from where it was at power-up.
    #[must_use]
    pub fn rotor_steps(&self, now_ns: u64) -> f64 {
        self.machine.rotor_steps(self.position(now_ns))
    }

    /// The count of what the rotor has followed: [`position`](Self::position) until a stop holds it back.
    #[must_use]
    pub fn followed_position(&self, now_ns: u64) -> i64 {
        self.machine.followed(self.position(now_ns))
    }

    /// The count that the last search has saved, without wrap-around.
    #[must_use]
    pub const fn probed_position(&self) -> i64 {
        self.probed
    }

    /// Microsteps since the start of the cycle of four full steps.
    #[must_use]
    pub fn electrical_angle(&self, now_ns: u64) -> u32 {
        let cycle = i64::from(self.microsteps_per_step) * 4;
        self.position(now_ns).wrapping_sub(self.cycle_origin).rem_euclid(cycle) as u32
    }

    /// The motion so far as the corners between quadratics, the last one at `now_ns`.
    #[must_use]
    pub fn trajectory(&self, now_ns: u64) -> Vec<Breakpoint> {
        let mut history = self.history.clone();
        history.write_to(&self.engine, now_ns, f64::from(self.microsteps_per_step));
        history.points().to_vec()
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
        self.history.write_to(&self.engine, now_ns, f64::from(self.microsteps_per_step));
        let angle = u64::from(self.electrical_angle(now_ns)) * u64::from(microsteps_per_step.max(1));
        let angle = angle / u64::from(self.microsteps_per_step);
        self.microsteps_per_step = microsteps_per_step.max(1);
        self.cycle_origin = self.position(now_ns).wrapping_sub(angle as i64);
        self.machine.rescale(self.position(now_ns), self.microsteps_per_step);
        self.was_closed = self.is_switch_closed(now_ns);
        self.history.write_state(&self.engine, now_ns, f64::from(self.microsteps_per_step));
    }

    pub(super) fn set_limited(&mut self, limited: bool) {
        self.limited = limited;
    }

    /// Starts anew; only what has happened so far is remembered, and the machine is where it was.
    pub(super) fn reset(&mut self, now_ns: u64, microsteps_per_step: u32) {
        let mut history = std::mem::take(&mut self.history);
        history.write_to(&self.engine, now_ns, f64::from(self.microsteps_per_step));
        let mut machine = self.machine.clone();
        machine.restart(self.position(now_ns), microsteps_per_step.max(1));
        *self = Self::new(now_ns, microsteps_per_step);
        self.machine = machine;
        self.was_closed = self.is_switch_closed(now_ns);
        history.write_state(&self.engine, now_ns, f64::from(self.microsteps_per_step));
        self.history = history;
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

    /// Lets the engine take a command, and writes down what was before and after.
    fn replace<E>(&mut self, now_ns: u64, command: impl FnOnce(&mut Engine) -> Result<(), E>) -> Result<(), E> {
        let (counted_up, before) = (self.counts_up(now_ns), self.position(now_ns));
        let scale = f64::from(self.microsteps_per_step);
        self.history.write_to(&self.engine, now_ns, scale);
        command(&mut self.engine)?;
        // Whatever comes now may turn round.
        self.machine.settle(before);
        self.counted_up = counted_up;
        self.history.write_state(&self.engine, now_ns, scale);
        Ok(())
    }
}
