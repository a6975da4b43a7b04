//! One virtual device: units in at each latch, units out, and between them registers, motion and status.
//!
//! ```text
//!   unit -> Assembler -> refusals -> registers, motion -> status -> reply -> unit
//! ```
//!
//! [`Device::latch`] is the one door. It does, in this order: let happen what was to happen until now (below), and catch
//! what the status latches; decode; obey or reject;
//! build the reply, if the word has one, from the state that the word has brought about; let fall what taking the
//! status clears, so that its reply shows the state before; catch again; give out the unit that leaves next.
//!
//! * **Reply.** Its first unit is given at the latch of the request's last unit and leaves with the next selection;
//!   the others follow one by one, built all at once, so that they belong together. Units that come meanwhile are
//!   decoded as ever, whatever the map's reply timing; the reply to a new word replaces what is left of an old one.
//!   With nothing to say, the map's idle reply leaves. A rejected word is answered like an obeyed one; content that
//!   is not there is zero, and has no length where the wire sends whole units by the register.
//! * **Rejections** change nothing but the status. Writing a code that the map gives no meaning is one of them. In a
//!   register with several fields only those are written that can be, and the log has the bits of the others that were
//!   told otherwise; a field that may not be written at this time does no harm if it is written with what it holds.
//! * **Commands made of writes** take effect with their last write; their other parts are what the registers hold.
//! * **Motion parameters** are what the registers hold when the command comes, and stay for this motion. Without a
//!   register: no deceleration means the acceleration, no quick stop deceleration the deceleration, no start-stop
//!   velocity none, no profile velocity the greatest one; [`DEFAULT_VELOCITY`] and [`DEFAULT_ACCELERATION`] where there
//!   is nothing at all.
//! * **The max profile velocity** acts at once, for it is a bound and no parameter of one motion. A velocity above it is
//!   cut down to it, which the status tells as an internal limit. Written under way, it slows down what is too fast by the
//!   deceleration of its command, and what it had cut down before may be as fast as it was told; a move still ends on its
//!   target ([`Engine::bound_velocity`](crate::motion::Engine::bound_velocity)). A change of speed makes the axis busy again.
//! * **Full steps** are made above the full-step threshold, which acts at once, too: the field of the windings stands in the
//!   middle of the full step in which the counter is, and the counter goes on in microsteps
//!   ([`Field`](crate::motion::Field)).
//! * **Counting** is in microsteps of the resolution that holds. To change it under way is possible where the map
//!   allows it, and leaves the speed in microsteps as it is, unless that is above the max profile velocity then.
//! * **The end of a counter that does not wrap** stops a motion without target there, by its deceleration.
//! * **The bridge** is in high impedance after power-up; motion drives it, and a stop puts it into its state when the
//!   motor stands. Zeroing the counter during a motion lets it end as far away as before.
//!
//! * **Searches** run or creep until the home switch is as wanted. At that very instant the position is saved or made zero,
//!   and the axis stops by its deceleration, which drops a velocity up to the start-stop velocity at once. If the switch
//!   is as wanted already, that instant is the command's. A search for zero that is told its direction alone creeps at
//!   the start-stop velocity; if that is zero, at [`CREEP_SHARE`] of the profile velocity. One that comes to the end of a
//!   counter that does not wrap has not arrived. What a search has saved is a number: it stays when the counter is zeroed.
//! * **Bouncing**: the input of a home switch follows its contact at once and then bounces as [`Device::set_bounce`] says;
//!   status, searches and their positions see the input, so what a search saves is the first edge.
//! * **Returns** go by the shortest way.
//! * **Outside pulses** come in by [`Device::pulse`]. Following them, an axis is not busy; its own steps cease at once.
//! * **Commands that wait** have one place for each axis. The command begins at the instant at which the one before it is
//!   done (a velocity is done when it is reached), with what the registers hold then; the map's refusals are looked at
//!   when it comes. Another that should wait meanwhile is rejected. Any motion or stop that does not wait empties the
//!   place, and so do a reset and a fault.
//! * **Faults** (fault, overcurrent, undervoltage, overtemperature) are set by [`Device::set_condition`]. Steps cease and
//!   the bridge lets go, of the axis itself or, where supply or heat is to blame, of all. As long as the condition holds,
//!   motion is rejected and no stop drives the bridge. Once it is gone, commands are obeyed again unless the map has them
//!   refused while a fault is latched. Warnings only tell.
//! * **Restoring defaults** writes every reset code, whoever may write the register; a position stays. **Resetting the
//!   node** is as power-up; the machine, its switch and its rotor are where they were, and a condition from outside lasts.
//! * **Motors** are opt-in, axis by axis: [`Device::attach_motor`]. What follows is of an axis without one; [`MotorSetup`]
//!   leads to what holds with one.
//! * **End stops**: the counter goes on, the rotor does not; the device shows it as a stall and does nothing about it.
//!   A **blocked rotor** and an **open winding** are alike; the latter shows on that winding alone.
//!
//! Between two calls things happen at instants of their own. [`Device::advance`] lets them, in their order, and every
//! call that changes something does so first. What a device tells of a later instant than it has advanced to is what is
//! planned so far.
//!
//! Knows no bus, no neighbours and no clock: `now` is an argument.

mod access;
mod assume;
mod axis;
mod bounce;
mod counter;
mod event;
mod flags;
mod history;
mod machine;
mod motors;
mod obey;
mod past;
mod registers;
mod surroundings;
#[cfg(test)]
mod tests;
mod text;
mod watch;

use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;

use stepchain::map::{BridgeState, BufferMode, CommandForm, Flag, Layout, Parameter, Piece, Verb};

use crate::decode::{Answer, Argument, Assembler, Decoded, Dictionary};

pub use axis::Axis;
pub use bounce::Bounce;
pub use counter::Counter;
pub use event::{Event, EventKind, Rejection, Violation};
pub use history::{Breakpoint, Demand, History};
pub use machine::Switch;
pub use motors::{HYSTERESIS_K, LOOK_NS, MotorSample, MotorSetup, OutputStage};

pub(crate) use text::{bridge_name, grouped};

use flags::{FAULTS, Flags};
use registers::RegisterFile;
use watch::Snapshot;

/// Velocity of moves in full steps/s where no register carries one.
pub const DEFAULT_VELOCITY: f64 = 1000.0;
/// Acceleration in full steps/s² where no register carries one.
pub const DEFAULT_ACCELERATION: f64 = 1000.0;

/// Share of the profile velocity at which an axis creeps that has no start-stop velocity.
pub const CREEP_SHARE: f64 = 1.0 / 16.0;

/// A command that waits for another to be done.
#[derive(Clone, Copy, Debug)]
struct Waiting {
    verb: Verb,
    argument: Argument,
}

/// One virtual device.
#[derive(Clone, Debug)]
pub struct Device {
    dictionary: Arc<Dictionary>,
    counter: Counter,
    assembler: Assembler,
    file: RegisterFile,
    axes: Vec<Axis>,
    /// By axis.
    waiting: BTreeMap<u8, Waiting>,
    /// By axis.
    motors: BTreeMap<u8, motors::OfAxis>,
    flags: Flags,
    replies: VecDeque<u64>,
    events: Vec<(u64, EventKind)>,
    /// What was shown when this was looked at last, and when that was.
    seen: Snapshot,
    seen_to_ns: u64,
}

impl Device {
    /// A device that has just been powered up.
    #[must_use]
    pub fn new(dictionary: Arc<Dictionary>, now_ns: u64) -> Self {
        let layout = dictionary.layout();
        let mut device = Self {
            seen: Snapshot::default(),
            seen_to_ns: now_ns,
            counter: Counter::new(&layout.position),
            assembler: Assembler::new(),
            file: RegisterFile::new(layout),
            axes: Vec::new(),
            waiting: BTreeMap::new(),
            motors: BTreeMap::new(),
            flags: Flags::new(layout.status, now_ns),
            replies: VecDeque::new(),
            events: vec![(now_ns, EventKind::Reset)],
            dictionary,
        };
        device.axes = (0..layout.axes).map(|axis| Axis::new(now_ns, device.resolution(axis))).collect();
        (0..layout.axes).for_each(|axis| device.apply(axis, now_ns));
        device.flags.watch(&device.axes, now_ns);
        // What holds after power-up is no news.
        device.seen = device.snapshot(now_ns);
        device
    }

    /// The map by which it understands what it is told.
    #[must_use]
    pub fn layout(&self) -> &'static Layout {
        self.dictionary.layout()
    }

    /// Its dictionary, to make another device like it.
    #[must_use]
    pub fn dictionary(&self) -> Arc<Dictionary> {
        Arc::clone(&self.dictionary)
    }

    /// Chip select has risen and the device holds `unit`; gives the unit that it will shift out next.
    pub fn latch(&mut self, unit: u64, now_ns: u64) -> u64 {
        self.advance(now_ns);
        match self.assembler.push(unit, &self.dictionary) {
            Decoded::Filler | Decoded::PartOf { .. } => {}
            Decoded::Command { verb, buffer_mode, axis, argument } => {
                if let Some(form) = self.dictionary.form_in(verb, buffer_mode) {
                    if !matches!(verb, Verb::PeekStatus | Verb::TakeStatus) {
                        self.turn_motors(now_ns);
                    }
                    self.command(form, axis, argument, now_ns);
                }
            }
            Decoded::Read { address } => self.read(address, now_ns),
            Decoded::Write { address, content } => {
                self.turn_motors(now_ns);
                self.write(address, content, now_ns);
                self.read_again();
            }
            Decoded::Unknown { units } => {
                self.flags.word_is_wrong(Flag::CommandUnknown, 0);
                self.log(now_ns, EventKind::CommandUnknown { units });
            }
            Decoded::CrcMismatch { units } => {
                self.flags.word_is_wrong(Flag::CrcMismatch, 0);
                self.log(now_ns, EventKind::CrcMismatch { units });
            }
        }
        self.tell_news(now_ns);
        self.replies.pop_front().unwrap_or_else(|| self.idle_unit(now_ns))
    }

    /// Chip select has risen after a number of clocks that the device does not accept: what was shifted in is
    /// dropped, with the units gathered before it, and so is what was to be shifted out.
    pub fn ignore(&mut self, now_ns: u64) -> u64 {
        self.advance(now_ns);
        self.assembler.clear();
        self.replies.clear();
        self.flags.word_is_wrong(Flag::CommandRejected, 0);
        self.tell_news(now_ns);
        self.idle_unit(now_ns)
    }

    /// Lets happen what was to happen up to and including `now_ns`, in the order of time.
    pub fn advance(&mut self, now_ns: u64) {
        loop {
            let of_axes = self.next_of_axes().filter(|&(at_ns, _)| at_ns <= now_ns);
            let look = self.next_look().filter(|&(at_ns, _)| at_ns <= now_ns);
            match (of_axes, look) {
                // At one instant the device looks first.
                (of_axes, Some((at_ns, axis))) if of_axes.is_none_or(|(other_ns, _)| at_ns <= other_ns) => {
                    self.watch(at_ns);
                    self.look(axis, at_ns);
                }
                (Some((at_ns, axis)), _) => {
                    self.watch(at_ns);
                    self.turn_motors(at_ns);
                    self.axes[usize::from(axis)].happen(at_ns);
                    self.tell_news(at_ns);
                    self.begin_waiting(axis, at_ns);
                }
                _ => break,
            }
        }
        self.tell_news(now_ns);
        self.axes.iter_mut().for_each(|axis| axis.pass(now_ns));
    }

    /// When something will happen of itself, if nobody commands anything before.
    #[must_use]
    pub fn next_event_ns(&self) -> Option<u64> {
        self.next_of_axes().into_iter().chain(self.next_look()).map(|(at_ns, _)| at_ns).min()
    }

    /// The unit that the device shifts out when nothing was asked.
    #[must_use]
    pub fn idle_unit(&self, now_ns: u64) -> u64 {
        self.dictionary.idle_unit(self.status(now_ns))
    }

    /// The status word.
    #[must_use]
    pub fn status(&self, now_ns: u64) -> u64 {
        self.flags.word(&self.axes, now_ns)
    }

    /// The device loses its supply for an instant: registers, counters, status and words under way start anew.
    pub fn reset(&mut self, now_ns: u64) {
        let layout = self.dictionary.layout();
        self.advance(now_ns);
        self.turn_motors(now_ns);
        self.assembler.clear();
        self.replies.clear();
        self.waiting.clear();
        self.file = RegisterFile::new(layout);
        for axis in 0..layout.axes {
            let resolution = self.resolution(axis);
            self.axes[usize::from(axis)].reset(now_ns, resolution);
            self.apply(axis, now_ns);
        }
        self.read_again();
        self.flags.restart(now_ns);
        self.log(now_ns, EventKind::Reset);
        self.watch(now_ns);
    }

    /// The axes.
    #[must_use]
    pub fn axes(&self) -> &[Axis] {
        &self.axes
    }

    /// Whether a fault that shuts bridges off lasts, or is latched in the status until it is cleared.
    #[must_use]
    pub fn is_faulted(&self) -> bool {
        (0..self.layout_axes()).any(|axis| self.flags.is_faulted(axis))
    }

    /// The counter in which every axis shows its position.
    #[must_use]
    pub const fn counter(&self) -> Counter {
        self.counter
    }

    /// The value that a parameter's register holds, in the register's unit; live values as of the last write.
    #[must_use]
    pub fn parameter(&self, parameter: Parameter, axis: u8) -> Option<f64> {
        self.file.value(&self.dictionary, parameter, axis)
    }

    /// Puts an axis at an unwrapped count, as if it had always counted so.
    pub fn set_position(&mut self, axis: usize, position: i64, now_ns: u64) {
        self.advance(now_ns);
        self.turn_motors(now_ns);
        self.axes[axis].set_position(now_ns, position);
    }

    /// A condition that the device notices, such as a closed switch or a low supply, holds from now on, or no longer.
    ///
    /// What the device works out itself (busy, target reached, ...) is not changed by this. A home switch is open or
    /// closed by hand from then on, as by [`set_switch`](Self::set_switch). A fault shuts bridges off, as the
    /// [module](self) says.
    pub fn set_condition(&mut self, flag: Flag, axis: u8, holds: bool, now_ns: u64) {
        self.advance(now_ns);
        if flag == Flag::HomeSwitch {
            let switch = if holds { Switch::Closed } else { Switch::Open };
            return self.set_switch(usize::from(axis), switch, now_ns);
        }
        self.flags.set_condition(flag, axis, holds);
        if holds {
            self.turn_motors(now_ns);
            self.shut_off_by(flag, now_ns);
        }
        self.tell_news(now_ns);
    }

    /// A condition has come: a fault takes the bridges that it concerns.
    fn shut_off_by(&mut self, flag: Flag, now_ns: u64) {
        for axis in (0..self.layout_axes()).filter(|_| FAULTS.contains(&flag)) {
            if self.is_shut_off(axis) {
                self.axes[usize::from(axis)].shut_off(now_ns);
                self.waiting.remove(&axis);
            }
        }
    }

    /// What has happened since this was asked last, with its instants.
    pub fn take_events(&mut self) -> Vec<(u64, EventKind)> {
        std::mem::take(&mut self.events)
    }

    fn command(&mut self, form: &CommandForm, axis: u8, argument: Argument, now_ns: u64) {
        let obeyed = self.carry_out(form, axis, argument, now_ns);
        let answer = Answer { status: self.status(now_ns), axis, ..Answer::default() };
        self.answer(form.reply, &answer);
        if obeyed && form.verb == Verb::TakeStatus {
            self.flags.take();
        }
    }

    /// Checks and obeys a command, and makes note of how it went.
    fn carry_out(&mut self, form: &CommandForm, axis: u8, argument: Argument, now_ns: u64) -> bool {
        let verb = form.verb;
        let outcome = self.admit(form, axis, now_ns).and_then(|()| self.obey_or_wait(form, axis, argument, now_ns));
        match outcome {
            Ok(kind) => {
                // Behind a reset the word that has asked for it is forgotten.
                if verb != Verb::ResetNode {
                    self.flags.word_is_fine();
                }
                self.log(now_ns, kind);
                true
            }
            Err(reason) => {
                self.reject(verb, axis, reason, now_ns);
                false
            }
        }
    }

    /// Obeys a command now, or gives it the place where it waits; what is to be told of it.
    fn obey_or_wait(
        &mut self,
        form: &CommandForm,
        axis: u8,
        argument: Argument,
        now_ns: u64,
    ) -> Result<EventKind, Rejection> {
        let verb = form.verb;
        if form.buffer_mode == BufferMode::Buffered && self.axes[usize::from(axis)].is_busy(now_ns) {
            if let Some(quantity) = argument.quantity().filter(|quantity| quantity.value.is_none()) {
                return Err(Rejection::MeaninglessCode { code: quantity.code });
            }
            if self.waiting.contains_key(&axis) {
                return Err(Rejection::PlaceTaken);
            }
            self.waiting.insert(axis, Waiting { verb, argument });
            return Ok(EventKind::CommandBuffered { verb, axis, argument });
        }
        self.obey(verb, axis, argument, now_ns)?;
        if verb.is_motion() || matches!(verb, Verb::Stop(..)) {
            self.waiting.remove(&axis);
        }
        Ok(EventKind::CommandAccepted { verb, axis, argument })
    }

    /// Begins with the command that waits, if the one before it is done.
    fn begin_waiting(&mut self, axis: u8, now_ns: u64) {
        if self.axes[usize::from(axis)].is_busy(now_ns) {
            return;
        }
        let Some(Waiting { verb, argument }) = self.waiting.remove(&axis) else { return };
        match self.obey(verb, axis, argument, now_ns) {
            Ok(()) => self.log(now_ns, EventKind::CommandAccepted { verb, axis, argument }),
            Err(reason) => {
                self.flags.latch(Flag::CommandRejected, axis);
                self.log(now_ns, EventKind::CommandRejected { verb, axis, reason });
            }
        }
        self.tell_news(now_ns);
    }

    /// What happens next, and to which axis. What time cannot reach, its last instant included, never happens.
    fn next_of_axes(&self) -> Option<(u64, u8)> {
        let next = |(axis, of_axis): (u8, &Axis)| {
            let done = self.waiting.get(&axis).and_then(|_| of_axis.done_at());
            Some((of_axis.next_event().into_iter().chain(done).min()?, axis))
        };
        (0..).zip(&self.axes).filter_map(next).filter(|&(at_ns, _)| at_ns < u64::MAX).min()
    }

    /// Catches what the axes show and tell.
    fn tell_news(&mut self, now_ns: u64) {
        for (index, axis) in (0..).zip(&mut self.axes) {
            let news = axis.take_news();
            if news.has_closed {
                self.flags.latch(Flag::SwitchEvent, index);
            }
            for (flag, _) in [Flag::StallA, Flag::StallB].into_iter().zip(news.has_stalled).filter(|(_, has)| *has) {
                self.flags.latch(flag, index);
            }
        }
        self.watch(now_ns);
    }

    /// Catches what the status latches until `now_ns`, and makes note of what has changed, at the instant of the change.
    fn watch(&mut self, now_ns: u64) {
        let next_after = |at_ns| self.axes.iter().filter_map(|axis| axis.next_change_after(at_ns)).min();
        let later = |at_ns: &u64| next_after(*at_ns).filter(|&change_ns| change_ns < now_ns);
        let changes: Vec<u64> = std::iter::successors(later(&self.seen_to_ns), later).collect();
        for at_ns in changes.into_iter().chain([now_ns]) {
            self.flags.watch(&self.axes, at_ns);
            let shown = self.snapshot(at_ns);
            let news = self.seen.changes(&shown, self.dictionary.layout().status.flags);
            self.events.extend(news.into_iter().map(|kind| (at_ns, kind)));
            self.seen = shown;
        }
        self.seen_to_ns = now_ns;
    }

    fn snapshot(&self, now_ns: u64) -> Snapshot {
        Snapshot::of(&self.axes, self.flags.raised(&self.axes, now_ns), now_ns)
    }

    /// Whether a fault that lasts keeps the bridge of an axis in high impedance.
    fn is_shut_off(&self, axis: u8) -> bool {
        let of_all = [Flag::Undervoltage, Flag::Overtemperature];
        FAULTS.iter().any(|fault| self.flags.holds(*fault, axis))
            || of_all.iter().any(|fault| (0..self.layout_axes()).any(|axis| self.flags.holds(*fault, axis)))
    }

    fn reject(&mut self, verb: Verb, axis: u8, reason: Rejection, now_ns: u64) {
        self.flags.word_is_wrong(Flag::CommandRejected, axis);
        self.log(now_ns, EventKind::CommandRejected { verb, axis, reason });
    }

    /// Whether the device takes the command in its present state.
    fn admit(&self, form: &CommandForm, axis: u8, now_ns: u64) -> Result<(), Rejection> {
        let asked = if form.verb.is_of_one_axis() { axis..axis.saturating_add(1) } else { 0..self.layout_axes() };
        if usize::from(axis) >= self.axes.len() {
            return Err(Rejection::NoSuchAxis);
        }
        let axes = || asked.clone().filter_map(|axis| self.axes.get(usize::from(axis)));
        let refusal = form.refusal;
        if refusal.while_moving && axes().any(|axis| axis.is_moving(now_ns)) {
            return Err(Rejection::WhileMoving);
        }
        // A fault has shut the bridge off: it is the reason to tell.
        if refusal.while_faulted && asked.clone().any(|axis| self.flags.is_faulted(axis)) {
            return Err(Rejection::WhileFaulted);
        }
        if refusal.while_bridge_off && axes().any(|axis| axis.bridge(now_ns) == BridgeState::HighImpedance) {
            return Err(Rejection::WhileBridgeOff);
        }
        Ok(())
    }

    fn answer(&mut self, pieces: &[Piece], answer: &Answer) {
        let units = self.dictionary.reply(pieces, answer);
        if !units.is_empty() {
            self.replies = units.into();
        }
    }

    fn layout_axes(&self) -> u8 {
        self.dictionary.layout().axes
    }

    fn log(&mut self, now_ns: u64, kind: EventKind) {
        self.events.push((now_ns, kind));
    }
}
