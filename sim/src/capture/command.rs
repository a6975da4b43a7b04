//! Follows what is said to each device and what it answers, frame by frame.
//!
//! Words are gathered by [`Assembler`]; a reply's first unit leaves with the selection after the request's last unit,
//! whatever the map's reply timing. An [`Exchange`] is given out once its reply is there or can no longer come, in the
//! order in which commands were latched, and those of one latch by device.
//!
//! What registers hold is remembered as it was written or read in the capture, and taken to be the reset code before.
//! Whether an axis moves is known only as far as commands and status words tell.

use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;

use stepchain::map::{Access, BitOrder, BufferMode, Flag, MotionState, Parameter, Piece, Register, Source, Verb};
use stepchain::units::Unit;

use super::chain::{Word, unit_of, words};
use super::frame::Frame;
use super::note::Note;
pub use super::reply::FieldValue;
use super::reply::{Reply, values};
use super::trouble::Trouble;
use crate::decode::{Argument, Assembler, Decoded, Dictionary, Quantity, value_of};

/// A command to one device, and its answer.
#[derive(Clone, Debug, PartialEq)]
pub struct Exchange {
    /// The device, 0 for the one at the controller's output.
    pub device: usize,
    /// The frame of its first unit, and that of its last.
    pub frames: (u64, u64),
    /// When its first frame began, in nanoseconds.
    pub start_ns: i64,
    /// When its last unit was latched: when it takes effect.
    pub latched_ns: i64,
    /// The units, first one first.
    pub units: Vec<u64>,
    /// What it asks.
    pub asked: Asked,
    /// What was answered; `None` where nothing is, or nothing was recorded.
    pub reply: Option<Reply>,
    /// What else the capture says about it.
    pub notes: Vec<Note>,
}

/// What a command asks.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum Asked {
    /// Anything but reading and writing a register.
    Command {
        /// What.
        verb: Verb,
        /// When it begins while another is being carried out.
        buffer_mode: BufferMode,
        /// The axis in the device.
        axis: u8,
        /// What it carries.
        argument: Option<FieldValue>,
    },
    /// Read the register at an address.
    Read {
        /// The address.
        address: u16,
        /// The names of its fields; none where there is no register.
        names: Vec<&'static str>,
    },
    /// Write the register at an address.
    Write {
        /// The address.
        address: u16,
        /// What.
        content: u32,
        /// What that means.
        values: Vec<FieldValue>,
        /// The command that this write sets going, where commands are made of writes.
        sets_going: Option<Box<Asked>>,
    },
    /// No word of the map.
    Unknown,
    /// A word with a wrong check.
    CrcMismatch,
    /// A word that was not finished when a frame came that cannot be read, or the capture ended.
    BrokenOff,
}

/// Whether an axis moves, as far as the capture tells.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Motion {
    Unknown,
    Stands,
    /// A motion was asked for that ends by itself.
    Perhaps,
    /// Turning until told otherwise.
    Turns(f64),
    /// The status says so.
    Moves,
}

/// An answer that is on its way.
#[derive(Clone, Debug)]
struct Awaited {
    /// The exchange, counted from the first of all.
    exchange: u64,
    pieces: &'static [Piece],
    address: u16,
    count: usize,
    units: Vec<u64>,
}

/// One device, as the capture shows it.
#[derive(Clone, Debug)]
struct Listener {
    assembler: Assembler,
    /// Number and start of the frame in which the present word began.
    begun: Option<(u64, i64)>,
    awaited: Option<Awaited>,
    /// What was written or read, by address, and whether it was written.
    held: BTreeMap<u16, (u32, bool)>,
    motion: Vec<Motion>,
    /// Flags that were raised when the status was last told.
    raised: Vec<Flag>,
}

/// Turns frames into exchanges.
#[derive(Clone, Debug)]
pub struct Conversation {
    dictionary: Arc<Dictionary>,
    order: BitOrder,
    devices: Vec<Listener>,
    queue: VecDeque<Exchange>,
    /// Exchanges that have left the queue.
    given: u64,
}

impl Conversation {
    /// A conversation with this many devices of a map, whose units are read in this order.
    #[must_use]
    pub fn new(dictionary: Arc<Dictionary>, devices: usize, order: BitOrder) -> Self {
        let axes = usize::from(dictionary.layout().axes.max(1));
        let listener = Listener {
            assembler: Assembler::new(),
            begun: None,
            awaited: None,
            held: BTreeMap::new(),
            motion: vec![Motion::Unknown; axes],
            raised: Vec::new(),
        };
        Self { dictionary, order, devices: vec![listener; devices], queue: VecDeque::new(), given: 0 }
    }

    /// Takes a frame in; what is wrong with its length comes back.
    ///
    /// Of a frame that is not complete or too short nobody knows what the devices hold: words and answers that were
    /// under way are broken off.
    pub fn take(&mut self, frame: &Frame) -> Option<Trouble> {
        let dictionary = Arc::clone(&self.dictionary);
        let (words, trouble) = words(frame, &dictionary.layout().wire, self.devices.len());
        if words.is_empty() || !frame.complete {
            self.break_off(frame);
        } else {
            // All answers of a frame were given before any of its words is latched.
            words.iter().for_each(|word| self.hear(word));
            words.iter().for_each(|word| self.say(word, frame));
        }
        trouble.map(|kind| Trouble { time_ns: frame.start_ns, frame: Some(frame.number), kind })
    }

    /// An exchange that is settled.
    pub fn pop(&mut self) -> Option<Exchange> {
        let is_awaited = |listener: &Listener| {
            listener.awaited.as_ref().is_some_and(|awaited| awaited.exchange == self.given)
        };
        if self.devices.iter().any(is_awaited) {
            return None;
        }
        let front = self.queue.pop_front()?;
        self.given += 1;
        Some(front)
    }

    /// The capture has ended: nothing more is waited for.
    pub fn end(&mut self) {
        for device in 0..self.devices.len() {
            self.miss(device);
        }
    }

    fn break_off(&mut self, frame: &Frame) {
        for device in 0..self.devices.len() {
            self.miss(device);
            let listener = &mut self.devices[device];
            let units = listener.assembler.pending().to_vec();
            listener.assembler.clear();
            if let Some((number, start_ns)) = listener.begun.take() {
                self.queue.push_back(Exchange {
                    device,
                    frames: (number, frame.number),
                    start_ns,
                    latched_ns: frame.end_ns,
                    units,
                    asked: Asked::BrokenOff,
                    reply: None,
                    notes: Vec::new(),
                });
            }
        }
    }

    /// The answer to a device's last question will not come any more.
    fn miss(&mut self, device: usize) {
        if let Some(awaited) = self.devices[device].awaited.take()
            && let Some(exchange) = self.exchange(awaited.exchange)
        {
            exchange.notes.push(Note::ReplyMissing);
        }
    }

    fn exchange(&mut self, number: u64) -> Option<&mut Exchange> {
        let place = number.checked_sub(self.given)?;
        self.queue.get_mut(usize::try_from(place).ok()?)
    }

    fn hear(&mut self, word: &Word<'_>) {
        let Some(bits) = word.miso else { return };
        let unit = unit_of(bits, self.order);
        let dictionary = Arc::clone(&self.dictionary);
        let listener = &mut self.devices[word.device];
        let Some(awaited) = &mut listener.awaited else {
            let idle = dictionary.layout().wire.idle_reply;
            let heard = Reply::read(&dictionary, idle, 0, &[unit], |_| 1.0);
            if heard.check_is_right && heard.is_well_formed {
                listener.learn_status(&heard);
            }
            return;
        };
        awaited.units.push(unit);
        if awaited.units.len() < awaited.count {
            return;
        }
        let Some(awaited) = listener.awaited.take() else { return };
        let resolution = |axis| listener.microsteps_per_step(&dictionary, axis);
        let reply = Reply::read(&dictionary, awaited.pieces, awaited.address, &awaited.units, resolution);
        let notes = listener.notes_on(&reply, awaited.address, &dictionary);
        if let Some(exchange) = self.exchange(awaited.exchange) {
            exchange.notes.extend(notes);
            exchange.reply = Some(reply);
        }
    }

    fn say(&mut self, word: &Word<'_>, frame: &Frame) {
        let Some(bits) = word.mosi else { return };
        let dictionary = Arc::clone(&self.dictionary);
        let listener = &mut self.devices[word.device];
        let (number, start_ns) = *listener.begun.get_or_insert((frame.number, frame.start_ns));
        let mut units = listener.assembler.pending().to_vec();
        let unit = unit_of(bits, self.order);
        units.push(unit);
        let decoded = listener.assembler.push(unit, &dictionary);
        if matches!(decoded, Decoded::PartOf { .. }) {
            return;
        }
        listener.begun = None;
        let Some((asked, notes, verb)) = listener.understand(decoded, &dictionary) else { return };
        let (address, form) = match (&asked, verb) {
            (Asked::Read { address, .. } | Asked::Write { address, .. }, Some((verb, _))) => {
                (*address, dictionary.form(verb))
            }
            (_, Some((verb, buffer_mode))) => (0, dictionary.form_in(verb, buffer_mode)),
            (_, None) => (0, None),
        };
        let pieces = form.map_or(&[][..], |form| form.reply);
        let count = dictionary.reply_units(pieces, address);
        if count > 0 && word.miso.is_some() {
            self.miss(word.device);
            let exchange = self.given + self.queue.len() as u64;
            self.devices[word.device].awaited = Some(Awaited { exchange, pieces, address, count, units: Vec::new() });
        }
        let (device, latched_ns, frames) = (word.device, frame.end_ns, (number, frame.number));
        self.queue.push_back(Exchange { device, frames, start_ns, latched_ns, units, asked, reply: None, notes });
    }
}

impl Listener {
    /// What a word asks, with what the context says, and the form by which it is answered; `None` for filler.
    fn understand(
        &mut self,
        decoded: Decoded,
        dictionary: &Dictionary,
    ) -> Option<(Asked, Vec<Note>, Option<(Verb, BufferMode)>)> {
        let mut notes = Vec::new();
        Some(match decoded {
            Decoded::Filler | Decoded::PartOf { .. } => return None,
            Decoded::Unknown { .. } => (Asked::Unknown, notes, None),
            Decoded::CrcMismatch { .. } => (Asked::CrcMismatch, notes, None),
            Decoded::Command { verb, buffer_mode, axis, argument } => {
                let asked = self.command(verb, buffer_mode, axis, argument, dictionary, &mut notes);
                (asked, notes, Some((verb, buffer_mode)))
            }
            Decoded::Read { address } => {
                let names: Vec<_> = dictionary.fields(address).map(|field| field.name).collect();
                if names.is_empty() {
                    notes.push(Note::NoRegister);
                }
                (Asked::Read { address, names }, notes, Some((Verb::ReadParameter, BufferMode::Aborting)))
            }
            Decoded::Write { address, content } => {
                let asked = self.write(address, content, dictionary, &mut notes);
                (asked, notes, Some((Verb::WriteParameter, BufferMode::Aborting)))
            }
        })
    }

    fn command(
        &mut self,
        verb: Verb,
        buffer_mode: BufferMode,
        axis: u8,
        argument: Argument,
        dictionary: &Dictionary,
        notes: &mut Vec<Note>,
    ) -> Asked {
        let (name, unit) = match argument {
            Argument::None => ("", Unit::Code),
            Argument::Velocity(_) => ("velocity", Unit::StepsPerSecond),
            Argument::Distance(_) => ("distance", Unit::Microsteps),
            Argument::Position(_) => ("position", Unit::Microsteps),
            Argument::Direction(_) => ("direction", Unit::Code),
        };
        let quantity = argument.quantity();
        let resolution = self.microsteps_per_step(dictionary, axis);
        let field = |quantity: Quantity| FieldValue::new(name, axis, quantity.code, quantity.value, unit, resolution);
        if let Some(Quantity { code, value: None }) = quantity {
            notes.push(Note::MeaninglessCode { code });
        }
        let is_refused = dictionary.form_in(verb, buffer_mode).is_some_and(|form| form.refusal.while_moving);
        if verb.is_of_one_axis() || is_refused {
            self.note_motion(axis, is_refused, notes);
        }
        let velocity = quantity.and_then(|quantity| quantity.value);
        if let Some(motion) = self.motion.get_mut(usize::from(axis)) {
            *motion = match (verb, velocity, *motion) {
                (Verb::MoveVelocity, Some(velocity), before) if velocity != 0.0 => {
                    if matches!(before, Motion::Turns(other) if other * velocity < 0.0) {
                        notes.push(Note::Reverses);
                    }
                    Motion::Turns(velocity)
                }
                (verb, ..) if verb.is_motion() || matches!(verb, Verb::Stop(..)) => Motion::Perhaps,
                (_, _, before) => before,
            };
        }
        if matches!(verb, Verb::RestoreDefaults | Verb::ResetNode) {
            self.held.clear();
        }
        if verb == Verb::ResetNode {
            self.motion.fill(Motion::Stands);
        }
        Asked::Command { verb, buffer_mode, axis, argument: quantity.map(field) }
    }

    fn note_motion(&self, axis: u8, is_refused: bool, notes: &mut Vec<Note>) {
        let motion = self.motion.get(usize::from(axis)).copied().unwrap_or(Motion::Unknown);
        match motion {
            Motion::Turns(velocity) => notes.push(Note::WhileMoving { velocity: Some(velocity) }),
            Motion::Moves => notes.push(Note::WhileMoving { velocity: None }),
            Motion::Perhaps if is_refused => notes.push(Note::PerhapsMoving),
            Motion::Unknown | Motion::Stands | Motion::Perhaps => return,
        }
        if is_refused {
            notes.push(Note::RefusedWhileMoving);
        }
    }

    fn write(&mut self, address: u16, content: u32, dictionary: &Dictionary, notes: &mut Vec<Note>) -> Asked {
        let fields: Vec<_> = dictionary.fields(address).collect();
        let values = values(dictionary, address, content, |axis| self.microsteps_per_step(dictionary, axis));
        if fields.is_empty() {
            notes.push(Note::NoRegister);
        } else if fields.iter().all(|field| !Dictionary::is_writable(field)) {
            notes.push(Note::ReadOnly);
        }
        notes.extend(values.iter().filter(|value| value.value.is_none()).map(|value| Note::MeaninglessCode { code: value.code }));
        let trigger = fields.iter().find_map(|field| dictionary.trigger(field, code_of(content, field)));
        let is_setting = trigger.is_none() && !fields.is_empty();
        if is_setting {
            let axis = fields.first().map_or(0, |field| field.axis);
            let is_refused = fields.iter().any(|field| field.access == Access::AtStandstill);
            self.note_motion(axis, is_refused, notes);
        }
        self.held.insert(address, (content, true));
        let sets_going = trigger.map(|trigger| {
            let verb = trigger.form.verb;
            let argument = self.argument_of(verb, trigger.writes, trigger.axis, dictionary);
            Box::new(self.command(verb, trigger.form.buffer_mode, trigger.axis, argument, dictionary, notes))
        });
        Asked::Write { address, content, values, sets_going }
    }

    /// What the registers of a command made of writes hold for it.
    fn argument_of(
        &self,
        verb: Verb,
        writes: &[stepchain::map::Write],
        axis: u8,
        dictionary: &Dictionary,
    ) -> Argument {
        let (mut quantity, mut sign) = (None, None);
        for write in writes {
            let Some(register) = dictionary.register(write.parameter, axis) else { continue };
            let code = self.code(register);
            match write.source {
                Source::Code(_) => {}
                Source::Argument => quantity = Some(Quantity { code, value: value_of(code, &register.coding) }),
                Source::Direction { positive, negative } => {
                    let value = (code == positive).then_some(1.0).or((code == negative).then_some(-1.0));
                    sign = Some(Quantity { code, value });
                }
            }
        }
        match (quantity, sign) {
            (None, None) => Argument::None,
            (None, Some(sign)) => Argument::Direction(sign),
            (Some(Quantity { code, value }), sign) => {
                let sign = sign.map_or(Some(1.0), |sign| sign.value);
                let quantity = Quantity { code, value: value.zip(sign).map(|(value, sign)| value * sign) };
                match verb {
                    Verb::MoveRelative => Argument::Distance(quantity),
                    Verb::MoveAbsolute(_) => Argument::Position(quantity),
                    _ => Argument::Velocity(quantity),
                }
            }
        }
    }

    fn code(&self, register: &Register) -> u32 {
        self.held.get(&register.address).map_or(register.reset, |&(content, _)| code_of(content, register))
    }

    fn microsteps_per_step(&self, dictionary: &Dictionary, axis: u8) -> f64 {
        let register = dictionary.register(Parameter::MicrostepResolution, axis);
        let told = register.and_then(|register| value_of(self.code(register), &register.coding));
        let first = dictionary.layout().position.resolutions.first().copied().unwrap_or(1);
        told.unwrap_or_else(|| first.into())
    }

    fn learn_status(&mut self, reply: &Reply) {
        for &(axis, state) in &reply.states {
            if let Some(motion) = self.motion.get_mut(usize::from(axis)) {
                *motion = match (state, *motion) {
                    // A velocity that was just asked for is not reached at once; the command is the better witness.
                    (MotionState::Standstill, Motion::Turns(velocity)) => Motion::Turns(velocity),
                    (MotionState::Standstill, _) => Motion::Stands,
                    (_, Motion::Turns(velocity)) => Motion::Turns(velocity),
                    _ => Motion::Moves,
                };
            }
        }
        if reply.status.is_some() {
            self.raised = reply.flags.iter().map(|(flag, _)| *flag).collect();
        }
    }

    fn notes_on(&mut self, reply: &Reply, address: u16, dictionary: &Dictionary) -> Vec<Note> {
        let mut notes = Vec::new();
        if !reply.check_is_right {
            // Nothing in it can be believed.
            return vec![Note::ReplyCheck];
        }
        if !reply.is_well_formed {
            notes.push(Note::ReplyMalformed);
        }
        let is_new = |flag: Flag| reply.flags.iter().any(|(other, _)| *other == flag) && !self.raised.contains(&flag);
        if is_new(Flag::ResetOccurred) {
            notes.push(Note::HasReset);
        }
        if is_new(Flag::CommandRejected) || is_new(Flag::CommandUnknown) {
            notes.push(Note::Rejected);
        }
        self.learn_status(reply);
        if let Some(content) = reply.content {
            let is_kept = |field: &&Register| field.access != Access::ReadOnly && !is_live(field.parameter);
            let fields: Vec<_> = dictionary.fields(address).filter(is_kept).collect();
            if let Some(&(written, true)) = self.held.get(&address)
                && fields.iter().any(|field| code_of(written, field) != code_of(content, field))
            {
                notes.push(Note::ReadBackDiffers { written });
            }
            self.held.insert(address, (content, false));
        }
        notes
    }
}

/// Whether the device changes the parameter itself.
fn is_live(parameter: Parameter) -> bool {
    use Parameter::{
        ElectricalAngle, PositionActualValue, PositionDemandValue, ProbedPosition, TargetPosition, VelocityDemandValue,
    };
    matches!(
        parameter,
        PositionDemandValue
            | PositionActualValue
            | VelocityDemandValue
            | ElectricalAngle
            | ProbedPosition
            | TargetPosition
            | Parameter::Custom(_)
    )
}

fn code_of(content: u32, field: &Register) -> u32 {
    content.checked_shr(field.lsb.into()).unwrap_or(0) & field.coding.mask()
}
