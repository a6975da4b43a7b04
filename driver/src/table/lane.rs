//! One device's command as one word, by a map's tables, and its answer: what nearly every call is.
//!
//! What takes several words is only begun here; [`Asked`](super::Asked) goes on with it.

use crate::command::{AxisCommand, Command, CommandError};
use crate::map::{Access, ChainMap, Crc8, Direction, Scale, Verb, Way};
use crate::reply::{Reply, ReplyError, Status};
use crate::units::{OutOfRange, Unit, Value};

use super::word::{Of, Run, Tail, Word};
use super::{Argument, Asked, Field, Form, Tables, at};

/// The same for each of these, one after another.
macro_rules! for_each {
    ($name:ident in [$($number:literal),*] $block:block) => {
        $({
            let $name = $number;
            $block
        })*
    };
}

/// What one device was asked.
#[derive(Clone, Copy, Debug)]
#[repr(C)]
pub(crate) struct Lane {
    /// Units of the word, and of its answer.
    pub(super) sending: u8,
    pub(super) listening: u8,
    /// The number of the answer.
    pub(super) answer: u8,
    /// The number of the field that is read or written.
    pub(super) field: u8,
    pub(super) axis: u8,
    pub(super) steps: Steps,
    /// The number of the sequence of writes that it is.
    pub(super) sequence: u8,
    pub(super) is_negative: bool,
    /// The word, its next bit uppermost; then what has come of its answer. Of several words the code of the command's
    /// argument, or the content that is written.
    pub(super) bits: u64,
}

/// The words that a command is sent as.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Steps {
    Word,
    ReadModifyWrite,
    Writes,
}

/// The numbers that a word's runs stand for.
pub(super) struct Content {
    pub(super) axis: u8,
    pub(super) is_negative: bool,
    pub(super) address: u16,
    pub(super) data_units: u8,
    pub(super) argument: u32,
    pub(super) data: u32,
}

impl Lane {
    pub(crate) const NOTHING: Self = Self {
        sending: 0,
        listening: 0,
        answer: 0,
        field: 0,
        axis: 0,
        steps: Steps::Word,
        sequence: 0,
        is_negative: false,
        bits: 0,
    };

    /// Sends filler before a word, so that it is complete in the last of so many frames; all of them fit the word's 64 bits.
    #[inline(never)]
    pub(super) const fn pad<M: ChainMap>(&mut self, frames: u8) {
        let bits = frames.saturating_sub(self.sending) as u32 * Tables::<M>::UNIT_BITS as u32;
        let (word, used) = if bits < 64 { (self.bits.wrapping_shr(bits), u64::MAX.wrapping_shr(bits)) } else { (0, 0) };
        self.bits = if bits == 0 { self.bits } else { Tables::<M>::FILLERS & !used | word };
    }

    /// The same with what it takes to send several words.
    pub(crate) fn whole<M: ChainMap>(&self) -> Asked {
        Asked::of::<M>(self)
    }

    /// What the device answered in the last of so many frames, once the talk is over.
    ///
    /// # Errors
    /// [`ReplyError`] if its reply cannot be believed.
    #[inline(always)]
    pub(crate) fn reply<M: ChainMap>(&self, frames: u8) -> Result<Reply, ReplyError> {
        if self.listening == 0 {
            return Ok(Reply::default());
        }
        let answer = at(Tables::<M>::ANSWERS, self.answer);
        if answer.is_bare_status && frames == self.listening {
            let status = Status::new(self.bits, answer.known, const { &Tables::<M>::STATUS });
            return Ok(Reply { value: None, status: Some(status) });
        }
        self.reply_apart::<M>(frames)
    }

    #[inline(never)]
    fn reply_apart<M: ChainMap>(&self, frames: u8) -> Result<Reply, ReplyError> {
        let more = frames.saturating_sub(self.listening);
        let mut asked = Asked::of::<M>(self);
        asked.heard::<M>(self.bits.wrapping_shr(u32::from(more) * u32::from(Tables::<M>::UNIT_BITS)));
        asked.reply::<M>()
    }
}

/// The next unit of a word; behind it zeros.
#[inline(always)]
pub(super) const fn shift_out<M: ChainMap>(bits: &mut u64) -> u64 {
    let unit = bits.wrapping_shr(64 - Tables::<M>::UNIT_BITS as u32);
    *bits = if Tables::<M>::UNIT_BITS < 64 { bits.wrapping_shl(Tables::<M>::UNIT_BITS as u32) } else { 0 };
    in_bit_order::<M>(unit)
}

/// Takes in a unit behind a word.
#[inline(always)]
pub(super) const fn shift_in<M: ChainMap>(bits: &mut u64, unit: u64) {
    let before = if Tables::<M>::UNIT_BITS < 64 { bits.wrapping_shl(Tables::<M>::UNIT_BITS as u32) } else { 0 };
    *bits = before | in_bit_order::<M>(unit);
}

/// The unit as it stands in the frame, or back: its own inverse.
const fn in_bit_order<M: ChainMap>(unit: u64) -> u64 {
    if Tables::<M>::IS_LSB_FIRST { unit.reverse_bits().wrapping_shr(64 - Tables::<M>::UNIT_BITS as u32) } else { unit }
}

impl<M: ChainMap> Tables<M> {
    /// Puts a command into the terms of the map; `lane` is [`Lane::NOTHING`] before.
    ///
    /// # Errors
    /// [`CommandError`] as from the interpreter.
    #[inline(never)]
    pub(crate) fn ask(command: AxisCommand, lane: &mut Lane) -> Result<(), CommandError> {
        Self::ask_here::<false>(command, lane)
    }

    /// As [`ask`](Self::ask), compiled into its caller: where that knows the command, little is left of it.
    #[inline(always)]
    pub(crate) fn ask_here<const HERE: bool>(command: AxisCommand, lane: &mut Lane) -> Result<(), CommandError> {
        let AxisCommand { axis, command, buffer_mode } = command;
        let Some(verb) = (if HERE { command.verb_here() } else { command.verb() }) else {
            return Ok(());
        };
        if axis >= Self::AXES {
            return Err(CommandError::NoSuchAxis { axis, axes: Self::AXES });
        }
        let Some(form) = Self::form_here::<HERE>(verb, buffer_mode) else {
            return Err(CommandError::Unsupported { verb, buffer_mode });
        };
        lane.axis = axis;
        // The code of the argument, or the content that is written.
        let mut data = 0;
        let argument = match command {
            Command::ReadParameter { parameter }
            | Command::WriteParameter { parameter, .. }
            | Command::WriteContent { parameter, .. } => {
                lane.field =
                    if HERE { Self::field_number_here(parameter, axis) } else { Self::field_number(parameter, axis) };
                if lane.field == 0 {
                    return Err(CommandError::NoSuchParameter { parameter });
                }
                let field = at(Self::FIELDS, lane.field);
                match command {
                    Command::WriteParameter { value, .. } => {
                        let Some(code) = Self::code_here::<HERE>(field, value) else {
                            return Err(Self::misfit(field, value));
                        };
                        if Self::KEEPS_SHADOW && field.is_shared {
                            return Err(CommandError::NeedsShadow { register: field.name });
                        }
                        data = code.wrapping_shl(field.lsb.into());
                        if field.is_shared {
                            lane.steps = Steps::ReadModifyWrite;
                        }
                    }
                    Command::WriteContent { content, .. } => {
                        if matches!(field.access, Access::ReadOnly) {
                            return Err(CommandError::ReadOnly { register: field.name });
                        }
                        let mask = field.content_mask;
                        if content & !mask != 0 {
                            return Err(CommandError::Content { register: field.name, found: content, mask });
                        }
                        data = content;
                    }
                    _ => {}
                }
                None
            }
            Command::MoveVelocity { velocity }
            | Command::SearchForSwitch { velocity, .. }
            | Command::SearchForZero { velocity, .. } => Some(velocity.to_bits()),
            Command::MoveRelative { distance } => Some(distance.to_bits()),
            Command::MoveAbsolute { target, way } => {
                let (min, max) = const { Self::LAYOUT.position.range() };
                let bits = target.to_bits();
                if bits < min || bits > max {
                    let error = Unit::Microsteps.out_of_range(bits, min, max);
                    return Err(CommandError::OutOfRange { of: verb_of_way(way), error });
                }
                Some(bits)
            }
            Command::PulseInput { direction } => {
                lane.is_negative = matches!(direction, Direction::Negative);
                None
            }
            _ => None,
        };
        if let Some(bits) = argument {
            lane.is_negative = bits < 0;
            if form.argument > 0 {
                let argument = at(Self::ARGUMENTS, form.argument);
                let scale = at(Self::SCALES, argument.scale);
                let code = if HERE {
                    scale.code_of::<Self>(bits, argument.is_magnitude)
                } else {
                    Self::code_apart(scale, bits, argument.is_magnitude)
                };
                match code {
                    Some(code) => data = code,
                    None => return Err(Self::beyond(argument, bits)),
                }
            }
        }
        if form.sequence > 0 {
            lane.steps = Steps::Writes;
            lane.sequence = form.sequence;
        }
        if lane.steps != Steps::Word {
            lane.bits = data.into();
            return Ok(());
        }
        let field = at(Self::FIELDS, lane.field);
        let content = Content {
            axis,
            is_negative: lane.is_negative,
            address: field.address,
            data_units: field.data_units,
            argument: data,
            data,
        };
        lane.bits = if HERE { Self::encode::<true>(&form.word, &content) } else { Self::encode_apart(form, &content) };
        lane.sending = sending(form, content.data_units);
        let is_wanted = matches!(verb, Verb::ReadParameter | Verb::PeekStatus | Verb::TakeStatus);
        if is_wanted || Self::IN_SAME_SLOTS {
            lane.answer = form.answer;
            lane.listening = listening::<M>(form, content.data_units);
        }
        Ok(())
    }

    #[inline(never)]
    pub(super) fn encode_apart(form: &Form, content: &Content) -> u64 {
        Self::encode::<false>(&form.word, content)
    }

    #[inline(never)]
    fn code_apart(scale: &Scale, bits: i64, is_magnitude: bool) -> Option<u32> {
        scale.code_of::<Self>(bits, is_magnitude)
    }

    /// A command's argument is out of its range.
    #[cold]
    #[inline(never)]
    fn beyond(argument: &Argument, bits: i64) -> CommandError {
        let error = at(Self::SCALES, argument.scale).out_of_range(bits, argument.is_magnitude);
        CommandError::OutOfRange { of: argument.of, error }
    }

    /// The code that a value is written to a field as.
    #[inline(always)]
    fn code_here<const HERE: bool>(field: &Field, value: Value) -> Option<u32> {
        let scale = at(Self::SCALES, field.scale);
        if matches!(field.access, Access::ReadOnly)
            || (if HERE { value.unit_here() } else { value.unit() }) as u8 != scale.unit() as u8
        {
            return None;
        }
        if HERE {
            scale.code_of::<Self>(value.to_bits_here(), false)
        } else {
            Self::code_apart(scale, value.to_bits(), false)
        }
    }

    pub(super) fn code_for(field: &Field, value: Value) -> Option<u32> {
        Self::code_here::<false>(field, value)
    }

    /// Why a value has no code in a field.
    #[cold]
    #[inline(never)]
    pub(super) fn misfit(field: &Field, value: Value) -> CommandError {
        let register = field.name;
        let scale = at(Self::SCALES, field.scale);
        if matches!(field.access, Access::ReadOnly) {
            CommandError::ReadOnly { register }
        } else if value.unit() as u8 != scale.unit() as u8 {
            CommandError::WrongUnit { register, found: value.unit(), expected: scale.unit() }
        } else {
            let error = scale.out_of_range(value.to_bits(), false);
            CommandError::OutOfRange { of: register, error }
        }
    }

    /// The bits of its register that a field takes.
    pub(super) fn mask_of(field: &Field) -> u32 {
        at(Self::SCALES, field.scale).mask().wrapping_shl(field.lsb.into())
    }

    /// The value that a register's content means for a field.
    pub(super) fn value_in(field: &Field, content: u32) -> Result<Value, OutOfRange> {
        let scale = at(Self::SCALES, field.scale);
        let bits = scale.value_of::<Self>(content.wrapping_shr(field.lsb.into()) & scale.mask())?;
        // A scale gives nothing else than what its unit holds.
        Ok(Value::of_checked(scale.unit(), bits))
    }

    /// The word with this content, its first bit uppermost.
    #[inline(always)]
    fn encode<const HERE: bool>(word: &Word, content: &Content) -> u64 {
        let mut bits = word.base;
        let (first, count) = word.runs;
        let mut done = 0;
        if HERE {
            // Where the word is known, so are its runs; but only without a loop.
            for_each!(number in [0, 1, 2, 3] {
                if number < count
                    && let Some(run) = Self::RUNS.get(first.wrapping_add(number) as usize)
                {
                    content.put(&mut bits, run);
                }
            });
            done = 4;
        }
        if count > done {
            for run in runs::<M>((first.wrapping_add(done), count.wrapping_sub(done))) {
                content.put(&mut bits, run);
            }
        }
        match word.tail {
            Tail::Nothing => {}
            Tail::Content => {
                let below = 64u8.wrapping_sub(word.bits);
                put(&mut bits, content.data, below.wrapping_sub(content.data_units.wrapping_mul(Self::UNIT_BITS)));
            }
            Tail::Check => {
                let below = 64u8.wrapping_sub(word.bits);
                let check = Self::check(whole(bits).wrapping_shr(below.into()) >> 8, word.bits);
                put(&mut bits, check.into(), below);
            }
        }
        whole(bits)
    }

    /// The check over a word of so many bits, its own among them; they are padded with zeros in front to whole bytes.
    #[inline(never)]
    pub(super) fn check(content: u64, bits: u8) -> u8 {
        let Some(crc) = (const { Self::LAYOUT.wire.crc }) else {
            return 0;
        };
        let bytes = bits.wrapping_sub(1) / 8;
        let mut left = content.wrapping_shl(64u32.wrapping_sub(8 * u32::from(bytes)));
        let mut register = crate::wire::initial(crc);
        for _ in 0..bytes {
            register = Self::stepped(crc, register ^ (left >> 56) as u8);
            left <<= 8;
        }
        register ^ crc.xor_out
    }

    /// The map's check over whole bytes.
    #[inline(always)]
    pub(crate) fn check_of(crc: Crc8, bytes: &[u8]) -> u8 {
        let initial = crate::wire::initial(crc);
        bytes.iter().fold(initial, |register, byte| Self::stepped(crc, register ^ byte)) ^ crc.xor_out
    }

    /// Eight steps of the check, four at a time.
    #[inline(always)]
    fn stepped(crc: Crc8, mut register: u8) -> u8 {
        let steps = |nibble: u8| const { &Self::NIBBLES }.get(nibble as usize).copied().unwrap_or(0);
        for _ in 0..2 {
            register = if crc.reflected {
                register >> 4 ^ steps(register & 0xF)
            } else {
                register << 4 ^ steps(register >> 4)
            };
        }
        register
    }
}

/// As [`Verb::name`], without the names of all other verbs.
const fn verb_of_way(way: Way) -> &'static str {
    match way {
        Way::Shortest => const { Verb::MoveAbsolute(Way::Shortest).name() },
        Way::Positive => const { Verb::MoveAbsolute(Way::Positive).name() },
        Way::Negative => const { Verb::MoveAbsolute(Way::Negative).name() },
    }
}

impl Content {
    /// Puts what a run stands for into a word.
    #[inline(always)]
    fn put(&self, bits: &mut [u32; 2], run: &Run) {
        let number = match run.of {
            Of::Axis => self.axis.into(),
            Of::Address => self.address.into(),
            Of::Data => self.data,
            Of::Positive => (!self.is_negative).into(),
            Of::Negative => self.is_negative.into(),
            Of::Argument => self.argument,
            Of::Status => 0,
        };
        put(bits, number.wrapping_shr(run.lsb.into()) & mask(run.width), run.shift);
    }
}

/// The runs of a word or an answer.
pub(super) fn runs<M: ChainMap>((first, count): (u8, u8)) -> impl Iterator<Item = &'static Run> {
    Tables::<M>::RUNS.iter().skip(first.into()).take(count.into())
}

pub(super) const fn mask(width: u8) -> u32 {
    u32::MAX.wrapping_shr(32u32.wrapping_sub(width as u32))
}

/// Adds a number that is shifted left; by halves, which is quicker than 64 bits where a register has 32.
#[inline(always)]
const fn put([high, low]: &mut [u32; 2], number: u32, shift: u8) {
    if shift >= 32 {
        *high |= number.wrapping_shl(shift as u32 - 32);
    } else {
        *low |= number.wrapping_shl(shift as u32);
        *high |= (number >> 1).wrapping_shr(31 - shift as u32);
    }
}

const fn whole([high, low]: [u32; 2]) -> u64 {
    (high as u64) << 32 | low as u64
}

/// The units that a word or an answer takes with a content of so many units in its tail.
const fn units_with(units: u8, tail: Tail, data_units: u8) -> u8 {
    if matches!(tail, Tail::Content) { units.wrapping_add(data_units) } else { units }
}

/// Units of a form's word with a content of so many units.
pub(super) const fn sending(form: &Form, data_units: u8) -> u8 {
    units_with(form.word.units, form.word.tail, data_units)
}

/// Units of a form's answer.
pub(super) fn listening<M: ChainMap>(form: &Form, data_units: u8) -> u8 {
    let answer = at(Tables::<M>::ANSWERS, form.answer);
    units_with(answer.units, answer.tail, data_units)
}
