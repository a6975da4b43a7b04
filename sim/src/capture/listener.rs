//! One device as the capture shows it: what its words mean in their context.
//!
//! What registers hold is remembered as it was written or read in the capture, and taken to be the reset code before.
//! Whether an axis moves is known only as far as commands and status words tell.

use std::collections::BTreeMap;

use stepchain::map::{Access, BufferMode, Flag, MotionState, Parameter, Piece, Register, Source, Verb};
use stepchain::units::Unit;

use super::exchange::Asked;
use super::note::Note;
use super::reply::{FieldValue, Reply, values};
use crate::decode::{Argument, Assembler, Decoded, Dictionary, Quantity, value_of};

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
pub(super) struct Awaited {
    /// The exchange, counted from the first of all.
    pub(super) exchange: u64,
    pub(super) pieces: &'static [Piece],
    pub(super) address: u16,
    pub(super) count: usize,
    pub(super) units: Vec<u64>,
}

/// One device, as the capture shows it.
#[derive(Clone, Debug)]
pub(super) struct Listener {
    pub(super) assembler: Assembler,
    /// Number and start of the frame in which the present word began.
    pub(super) begun: Option<(u64, i64)>,
    pub(super) awaited: Option<Awaited>,
    /// What was written or read, by address, and whether it was written.
    held: BTreeMap<u16, (u32, bool)>,
    motion: Vec<Motion>,
    /// Flags that were raised when the status was last told.
    raised: Vec<Flag>,
}

/// A word that is whole, and what it means.
pub(super) struct Understood {
    pub(super) asked: Asked,
    pub(super) notes: Vec<Note>,
    /// The form by whose reply it is answered.
    pub(super) answered_as: Option<(Verb, BufferMode)>,
}

impl Listener {
    /// A device of which nothing has been seen yet.
    pub(super) fn new(dictionary: &Dictionary) -> Self {
        let axes = usize::from(dictionary.layout().axes.max(1));
        Self {
            assembler: Assembler::new(),
            begun: None,
            awaited: None,
            held: BTreeMap::new(),
            motion: vec![Motion::Unknown; axes],
            raised: Vec::new(),
        }
    }

    /// What a word asks, with what the context says, and the form by which it is answered; `None` for filler.
    pub(super) fn understand(&mut self, decoded: &Decoded, dictionary: &Dictionary) -> Option<Understood> {
        let mut notes = Vec::new();
        let (asked, answered_as) = match *decoded {
            Decoded::Filler | Decoded::PartOf { .. } => return None,
            Decoded::Unknown { .. } => (Asked::Unknown, None),
            Decoded::CrcMismatch { .. } => (Asked::CrcMismatch, None),
            Decoded::Command { verb, buffer_mode, axis, argument } => {
                let asked = self.command(verb, buffer_mode, axis, argument, dictionary, &mut notes);
                (asked, Some((verb, buffer_mode)))
            }
            Decoded::Read { address } => {
                let names: Vec<_> = dictionary.fields(address).map(|field| field.name).collect();
                if names.is_empty() {
                    notes.push(Note::NoRegister);
                }
                (Asked::Read { address, names }, Some((Verb::ReadParameter, BufferMode::Aborting)))
            }
            Decoded::Write { address, content } => {
                let asked = self.write(address, content, dictionary, &mut notes);
                (asked, Some((Verb::WriteParameter, BufferMode::Aborting)))
            }
        };
        Some(Understood { asked, notes, answered_as })
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
        notes.extend(
            values.iter().filter(|value| value.value.is_none()).map(|value| Note::MeaninglessCode { code: value.code }),
        );
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
    fn argument_of(&self, verb: Verb, writes: &[stepchain::map::Write], axis: u8, dictionary: &Dictionary) -> Argument {
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

    pub(super) fn microsteps_per_step(&self, dictionary: &Dictionary, axis: u8) -> f64 {
        let register = dictionary.register(Parameter::MicrostepResolution, axis);
        let told = register.and_then(|register| value_of(self.code(register), &register.coding));
        let first = dictionary.layout().position.resolutions.first().copied().unwrap_or(1);
        told.unwrap_or_else(|| first.into())
    }

    pub(super) fn learn_status(&mut self, reply: &Reply) {
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

    pub(super) fn notes_on(&mut self, reply: &Reply, address: u16, dictionary: &Dictionary) -> Vec<Note> {
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
