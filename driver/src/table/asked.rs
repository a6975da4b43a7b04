//! One device's command under way, by a map's tables: its words one after another, and what comes back between and behind them.
//!
//! What is sent and what is made of the answers is as a [`Talk`](crate::Talk) has it; see there and `Codec` for the order of
//! units. A command is a word; or a sequence of words that write registers; or a word that reads, and one that writes back what
//! was read with one field changed.

use crate::command::{AxisCommand, Command, CommandError};
use crate::map::{Access, ChainMap, Direction, Source, Verb, Write};
use crate::reply::{Reply, ReplyError, Status};
use crate::units::{Unit, Value};
use crate::wire::{Mismatch, low_bits};

use super::word::{Answer, Of, Run, Tail, Word};
use super::{Argument, Field, Form, Tables, at};

/// What one device was asked, up to its answer.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Asked {
    /// What is left of the word that is being sent, its next bit uppermost.
    word: u64,
    /// What has come of the answer that is being listened to.
    got: u64,
    /// The status word that came last.
    status: u64,
    /// The code of the command's argument, or the content that is written.
    code: u32,
    /// The content that was read.
    found: u32,
    /// The number of the field that is read or written, from 1.
    field: u8,
    /// The number of the answer that is being listened to, and of the one that brought the status; from 1.
    answer: u8,
    told: u8,
    axis: u8,
    is_positive: bool,
    steps: Steps,
    /// The step that is under way.
    step: u8,
    /// Units of the word, and of its answer, that are still to come.
    sending: u8,
    listening: u8,
    /// Units of the answer to the last word.
    last_listening: u8,
    /// Whether the unit that comes now belongs to an answer.
    is_heard: bool,
    brings_value: bool,
    fault: Option<Mismatch>,
    /// Frames before the first unit.
    delay: u16,
    request_units: u16,
}

/// The words that a command is sent as.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Steps {
    Word,
    ReadModifyWrite,
    /// The number of the sequence, from 1.
    Writes(u8),
}

/// The numbers that a word's runs stand for.
struct Content {
    axis: u8,
    is_positive: bool,
    address: u16,
    data_bits: u8,
    argument: u32,
    data: u32,
}

impl Asked {
    pub(crate) const NOTHING: Self = Self {
        word: 0,
        got: 0,
        status: 0,
        code: 0,
        found: 0,
        field: 0,
        answer: 0,
        told: 0,
        axis: 0,
        is_positive: true,
        steps: Steps::Word,
        step: 0,
        sending: 0,
        listening: 0,
        last_listening: 0,
        is_heard: false,
        brings_value: false,
        fault: None,
        delay: 0,
        request_units: 0,
    };

    /// Units of the request, and those behind it in which an answer is awaited.
    pub(super) const fn units(&self) -> (u16, u16) {
        (self.request_units, self.last_listening as u16)
    }

    /// Lets so many frames of filler come first.
    pub(super) const fn wait(&mut self, frames: u16) {
        self.delay = frames;
    }
}

impl<M: ChainMap> Tables<M> {
    /// Puts a command into the terms of the map; `asked` is as [`Asked::NOTHING`] before.
    ///
    /// # Errors
    /// [`CommandError`] as from the interpreter.
    #[inline(never)]
    pub(crate) fn ask(command: AxisCommand, asked: &mut Asked) -> Result<(), CommandError> {
        let AxisCommand { axis, command, buffer_mode } = command;
        let Some(verb) = command.verb() else {
            return Ok(());
        };
        if axis >= Self::AXES {
            return Err(CommandError::NoSuchAxis { axis, axes: Self::AXES });
        }
        let Some(form) = Self::form(verb, buffer_mode) else {
            return Err(CommandError::Unsupported { verb, buffer_mode });
        };
        asked.axis = axis;
        match command {
            Command::ReadParameter { parameter }
            | Command::WriteParameter { parameter, .. }
            | Command::WriteContent { parameter, .. } => {
                asked.field = Self::field_number(parameter, axis);
                let Some(field) = Self::field(asked.field) else {
                    return Err(CommandError::NoSuchParameter { parameter });
                };
                match command {
                    Command::WriteParameter { value, .. } => {
                        asked.code = Self::code_for(field, value)?;
                        if Self::KEEPS_SHADOW && field.is_shared {
                            return Err(CommandError::NeedsShadow { register: field.name });
                        }
                        asked.code = asked.code.wrapping_shl(field.lsb.into());
                        if field.is_shared {
                            asked.steps = Steps::ReadModifyWrite;
                        }
                    }
                    Command::WriteContent { content, .. } => asked.code = Self::content_for(field, content)?,
                    _ => {}
                }
            }
            Command::MoveVelocity { velocity }
            | Command::SearchForSwitch { velocity, .. }
            | Command::SearchForZero { velocity, .. } => asked.argue::<M>(form, velocity.to_bits())?,
            Command::MoveRelative { distance } => asked.argue::<M>(form, distance.to_bits())?,
            Command::MoveAbsolute { target, .. } => {
                let bits = target.to_bits();
                let (min, max) = const { Self::LAYOUT.position.range() };
                if bits < min || bits > max {
                    let error = Unit::Microsteps.out_of_range(bits, min, max);
                    return Err(CommandError::OutOfRange { of: verb.name(), error });
                }
                asked.argue::<M>(form, bits)?;
            }
            Command::PulseInput { direction } => asked.is_positive = matches!(direction, Direction::Positive),
            _ => {}
        }
        asked.begin::<M>(form, verb);
        Ok(())
    }

    /// The code that a value is written to a field as.
    pub(super) fn code_for(field: &Field, value: Value) -> Result<u32, CommandError> {
        let of = field.name;
        let scale = Self::scale(field);
        if matches!(field.access, Access::ReadOnly) {
            return Err(CommandError::ReadOnly { register: of });
        }
        if value.unit() as u8 != scale.unit() as u8 {
            return Err(CommandError::WrongUnit { register: of, found: value.unit(), expected: scale.unit() });
        }
        scale.code_of::<Self>(value.to_bits()).map_err(|error| CommandError::OutOfRange { of, error })
    }

    fn content_for(field: &Field, content: u32) -> Result<u32, CommandError> {
        if matches!(field.access, Access::ReadOnly) {
            return Err(CommandError::ReadOnly { register: field.name });
        }
        let mut mask = 0;
        for other in Self::FIELDS.iter().take(const { Self::BUILT.fields.count }) {
            if other.address == field.address {
                mask |= Self::mask_of(other);
            }
        }
        if content & !mask != 0 {
            return Err(CommandError::Content { register: field.name, found: content, mask });
        }
        Ok(content)
    }

    /// The bits of its register that a field takes.
    pub(super) fn mask_of(field: &Field) -> u32 {
        Self::scale(field).mask().wrapping_shl(field.lsb.into())
    }

    /// The value that a register's content means for a field.
    pub(super) fn value_in(field: &Field, content: u32) -> Result<Value, crate::units::OutOfRange> {
        let scale = Self::scale(field);
        let bits = scale.value_of::<Self>(content.wrapping_shr(field.lsb.into()) & scale.mask())?;
        Value::from_bits(scale.unit(), bits)
    }

    /// The word with this content, its first bit uppermost.
    fn encode(word: &Word, content: &Content) -> u64 {
        let [high, low] = word.base;
        let mut bits = u64::from(high) << 32 | u64::from(low);
        for run in runs::<M>(word.runs) {
            let number = match run.of {
                Of::Axis => content.axis.into(),
                Of::Address => content.address.into(),
                Of::Data => content.data,
                Of::Positive => content.is_positive.into(),
                Of::Negative => (!content.is_positive).into(),
                Of::Argument => content.argument,
                Of::Status => 0,
            };
            let number = number.wrapping_shr(run.lsb.into()) & mask(run.width);
            bits |= u64::from(number).wrapping_shl(run.shift.into());
        }
        match word.tail {
            Tail::Nothing => {}
            Tail::Content => {
                let below = 64u32.wrapping_sub(word.bits.into()).wrapping_sub(content.data_bits.into());
                bits |= u64::from(content.data).wrapping_shl(below);
            }
            Tail::Check => {
                let below = 64u32.wrapping_sub(word.bits.into());
                let check = Self::check(bits.wrapping_shr(below) >> 8, word.bits);
                bits |= u64::from(check).wrapping_shl(below);
            }
        }
        bits
    }

    /// The check over a word of so many bits, its own among them; they are padded with zeros in front to whole bytes.
    fn check(content: u64, bits: u8) -> u8 {
        let Some(crc) = (const { Self::LAYOUT.wire.crc }) else {
            return 0;
        };
        let steps = |nibble: u8| const { &Self::NIBBLES }.get(nibble as usize).copied().unwrap_or(0);
        let bytes = bits.wrapping_sub(1) / 8;
        let mut left = content.wrapping_shl(64u32.wrapping_sub(8 * u32::from(bytes)));
        let mut register = crate::wire::initial(crc);
        for _ in 0..bytes {
            register ^= (left >> 56) as u8;
            left <<= 8;
            for _ in 0..2 {
                register = if crc.reflected {
                    register >> 4 ^ steps(register & 0xF)
                } else {
                    register << 4 ^ steps(register >> 4)
                };
            }
        }
        register ^ crc.xor_out
    }
}

/// The runs of a word or an answer.
fn runs<M: ChainMap>((first, count): (u8, u8)) -> impl Iterator<Item = &'static Run> {
    Tables::<M>::RUNS.iter().skip(first.into()).take(count.into())
}

const fn mask(width: u8) -> u32 {
    u32::MAX.wrapping_shr(32u32.wrapping_sub(width as u32))
}

/// The units that a word or an answer takes with a content of so many bits in its tail.
fn units_with<M: ChainMap>(units: u8, tail: Tail, data_bits: u8) -> u8 {
    match (tail, data_bits.checked_div(Tables::<M>::UNIT_BITS)) {
        (Tail::Content, Some(more)) => units.wrapping_add(more),
        _ => units,
    }
}

impl Asked {
    /// Takes the bits of the command's velocity, distance or target: its direction, and its code.
    fn argue<M: ChainMap>(&mut self, form: &Form, bits: i64) -> Result<(), CommandError> {
        self.is_positive = bits >= 0;
        let Some(&Argument { scale, is_magnitude, of }) = at(Tables::<M>::ARGUMENTS, form.argument) else {
            return Ok(());
        };
        let bits = if is_magnitude { bits.saturating_abs() } else { bits };
        if let Some(scale) = Tables::<M>::SCALES.get(scale as usize) {
            self.code =
                scale.code_of::<Tables<M>>(bits).map_err(|error| CommandError::OutOfRange { of, error })?;
        }
        Ok(())
    }

    /// Makes the first word, and counts the units of all.
    fn begin<M: ChainMap>(&mut self, form: &'static Form, verb: Verb) {
        if form.sequence > 0 {
            self.steps = Steps::Writes(form.sequence);
            let mut total: u16 = 0;
            for write in at(Tables::<M>::SEQUENCES, form.sequence).copied().unwrap_or_default() {
                let (units, answer) = self.lengths::<M>(write);
                total += u16::from(self.last_listening) + u16::from(units);
                self.last_listening = answer;
            }
            self.request_units = total;
            self.load_write::<M>();
            return;
        }
        if self.steps == Steps::ReadModifyWrite
            && let Some(read) = Tables::<M>::form(Verb::ReadParameter, Default::default())
        {
            self.load::<M>(read, true);
            let data_bits = Tables::<M>::field(self.field).map_or(0, |field| field.data_bits);
            self.last_listening = if Tables::<M>::IN_SAME_SLOTS { listening::<M>(form, data_bits) } else { 0 };
            let units = units_with::<M>(form.word.units, form.word.tail, data_bits);
            self.request_units = u16::from(self.sending) + u16::from(self.listening) + u16::from(units);
            return;
        }
        let is_wanted = matches!(verb, Verb::ReadParameter | Verb::PeekStatus | Verb::TakeStatus);
        self.load::<M>(form, is_wanted || Tables::<M>::IN_SAME_SLOTS);
        self.request_units = self.sending.into();
        self.last_listening = self.listening;
        self.brings_value = self.field > 0 && self.listening > 0;
    }

    /// Takes a form's word for the one that is sent next.
    fn load<M: ChainMap>(&mut self, form: &Form, is_answered: bool) {
        let field = Tables::<M>::field(self.field);
        let content = Content {
            axis: self.axis,
            is_positive: self.is_positive,
            address: field.map_or(0, |field| field.address),
            data_bits: field.map_or(0, |field| field.data_bits),
            argument: self.code,
            data: self.code | self.found,
        };
        self.say::<M>(form, &content, is_answered);
    }

    fn say<M: ChainMap>(&mut self, form: &Form, content: &Content, is_answered: bool) {
        self.word = Tables::<M>::encode(&form.word, content);
        self.sending = units_with::<M>(form.word.units, form.word.tail, content.data_bits);
        self.got = 0;
        self.answer = form.answer;
        self.listening = if is_answered { listening::<M>(form, content.data_bits) } else { 0 };
    }

    /// Units of one write of a sequence, and of its answer.
    fn lengths<M: ChainMap>(&self, write: &Write) -> (u8, u8) {
        let field = Tables::<M>::field(Tables::<M>::field_number(write.parameter, self.axis));
        let data_bits = field.map_or(0, |field| field.data_bits);
        match Tables::<M>::form(Verb::WriteParameter, Default::default()) {
            Some(form) => (
                units_with::<M>(form.word.units, form.word.tail, data_bits),
                if Tables::<M>::IN_SAME_SLOTS { listening::<M>(form, data_bits) } else { 0 },
            ),
            None => (0, 0),
        }
    }

    /// Takes the write whose turn it is, if there is one, for what is sent next.
    fn load_write<M: ChainMap>(&mut self) {
        let Steps::Writes(sequence) = self.steps else {
            return;
        };
        let writes = at(Tables::<M>::SEQUENCES, sequence).copied().unwrap_or_default();
        let Some(write) = writes.get(self.step as usize) else {
            return;
        };
        self.field = Tables::<M>::field_number(write.parameter, self.axis);
        let field = Tables::<M>::field(self.field);
        let content = Content {
            axis: self.axis,
            is_positive: self.is_positive,
            address: field.map_or(0, |field| field.address),
            data_bits: field.map_or(0, |field| field.data_bits),
            argument: self.code,
            data: match write.source {
                Source::Code(code) => code,
                Source::Argument => self.code,
                Source::Direction { positive, .. } if self.is_positive => positive,
                Source::Direction { negative, .. } => negative,
            },
        };
        if let Some(form) = Tables::<M>::form(Verb::WriteParameter, Default::default()) {
            self.say::<M>(form, &content, Tables::<M>::IN_SAME_SLOTS);
        }
    }

    /// The unit that the device gets next.
    #[inline(always)]
    pub(super) fn next_unit<M: ChainMap>(&mut self) -> u64 {
        self.is_heard = false;
        if self.delay > 0 {
            self.delay -= 1;
            return Tables::<M>::FILLER;
        }
        if self.sending == 0 {
            self.is_heard = self.listening > 0;
            return Tables::<M>::FILLER;
        }
        self.sending -= 1;
        let unused = 64 - u32::from(Tables::<M>::UNIT_BITS);
        let unit = self.word.wrapping_shr(unused);
        self.word = if unused == 0 { 0 } else { self.word.wrapping_shl(Tables::<M>::UNIT_BITS.into()) };
        in_bit_order::<M>(unit)
    }

    /// Takes in what came back in the device's place.
    #[inline(always)]
    pub(super) fn came_back<M: ChainMap>(&mut self, unit: impl FnOnce() -> u64) {
        if self.is_heard {
            let unit = in_bit_order::<M>(unit());
            self.got = if Tables::<M>::UNIT_BITS < 64 { self.got.wrapping_shl(Tables::<M>::UNIT_BITS.into()) } else { 0 };
            self.got |= unit;
            self.listening -= 1;
            if self.listening == 0 {
                self.hear::<M>();
            }
        }
        if self.steps != Steps::Word && self.delay == 0 && self.sending == 0 && self.listening == 0 {
            self.go_on::<M>();
        }
    }

    /// A step is over: on to the next one, unless this one is in doubt.
    #[inline(never)]
    fn go_on<M: ChainMap>(&mut self) {
        self.step = self.step.saturating_add(1);
        // What was not read for sure must not be written back, and nothing is set going by the wrong argument.
        if self.fault.is_some() {
            return;
        }
        match (self.steps, self.step) {
            (Steps::ReadModifyWrite, 1) => {
                let kept = Tables::<M>::field(self.field).map_or(0, |field| !Tables::<M>::mask_of(field));
                self.found &= kept;
                if let Some(form) = Tables::<M>::form(Verb::WriteParameter, Default::default()) {
                    self.load::<M>(form, Tables::<M>::IN_SAME_SLOTS);
                }
                self.brings_value = self.listening > 0;
            }
            (Steps::Writes(_), _) => self.load_write::<M>(),
            _ => {}
        }
    }

    /// The answer is complete: what does it say?
    #[inline(never)]
    fn hear<M: ChainMap>(&mut self) {
        let Some(answer) = at(Tables::<M>::ANSWERS, self.answer) else {
            return;
        };
        let mut content = if answer.spare == 0 { self.got } else { self.got.wrapping_shr(answer.spare.into()) };
        if self.fault.is_none() {
            self.fault = self.fault_in::<M>(answer, content);
        }
        let mut status = 0;
        let mut found = 0;
        if answer.tail == Tail::Content {
            found = content as u32;
            content = 0;
        }
        for run in runs::<M>(answer.runs) {
            let bits = content.wrapping_shr(run.shift.into());
            match run.of {
                Of::Status => status |= (bits & low_bits(run.width.into())).wrapping_shl(run.lsb.into()),
                Of::Data => found |= (bits as u32 & mask(run.width)).wrapping_shl(run.lsb.into()),
                _ => {}
            }
        }
        self.found = found;
        if answer.known != 0 {
            self.status = status;
            self.told = self.answer;
        }
    }

    /// What is not as the map says in an answer, the check first.
    fn fault_in<M: ChainMap>(&self, answer: &Answer, content: u64) -> Option<Mismatch> {
        if answer.tail == Tail::Check {
            let (expected, found) = (Tables::<M>::check(content >> 8, answer.bits), content as u8);
            if expected != found {
                return Some(Mismatch::Crc { expected, found });
            }
        }
        let mut differs = content & answer.fixed_mask != answer.fixed;
        for run in runs::<M>(answer.runs) {
            let expected = match run.of {
                Of::Axis => self.axis.into(),
                Of::Address => Tables::<M>::field(self.field).map_or(0, |field| field.address.into()),
                _ => continue,
            };
            differs |= (content.wrapping_shr(run.shift.into()) as u32 ^ expected) & mask(run.width) != 0;
        }
        differs.then_some(Mismatch::Fixed)
    }

    /// What the device answered, once the talk is over.
    ///
    /// # Errors
    /// [`ReplyError`] if its reply cannot be believed.
    #[inline(never)]
    pub(crate) fn reply<M: ChainMap>(&self) -> Result<Reply, ReplyError> {
        match self.fault {
            Some(Mismatch::Crc { expected, found }) => return Err(ReplyError::Crc { expected, found }),
            Some(Mismatch::Fixed) => return Err(ReplyError::Malformed),
            None => {}
        }
        let mut reply = Reply::default();
        if self.brings_value
            && at(Tables::<M>::ANSWERS, self.answer).is_some_and(|answer| answer.brings_data)
            && let Some(field) = Tables::<M>::field(self.field)
        {
            let value = Tables::<M>::value_in(field, self.found);
            reply.value = Some(value.map_err(|error| ReplyError::Meaningless { register: field.name, error })?);
        }
        if let Some(answer) = at(Tables::<M>::ANSWERS, self.told) {
            reply.status = Some(Status::new(self.status, answer.known, const { &Tables::<M>::STATUS }));
        }
        Ok(reply)
    }
}

/// Units of a form's answer.
fn listening<M: ChainMap>(form: &Form, data_bits: u8) -> u8 {
    at(Tables::<M>::ANSWERS, form.answer).map_or(0, |answer| units_with::<M>(answer.units, answer.tail, data_bits))
}

/// The unit as it stands in the frame, or back: its own inverse.
const fn in_bit_order<M: ChainMap>(unit: u64) -> u64 {
    if Tables::<M>::IS_LSB_FIRST {
        unit.reverse_bits().wrapping_shr(64 - Tables::<M>::UNIT_BITS as u32)
    } else {
        unit
    }
}
