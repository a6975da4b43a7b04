//! One device's command under way that may take several words, by a map's tables: one after another, and what comes back between
//! and behind them.
//!
//! What is sent and what is made of the answers is as a [`Talk`](crate::Talk) has it; see there and `Codec` for the order of
//! units. A command is a word; or a sequence of words that write registers; or a word that reads, and one that writes back what
//! was read with one field changed.

use crate::map::{ChainMap, Source, Verb};
use crate::reply::{Reply, ReplyError, Status};
use crate::wire::low_bits;

use super::lane::{Content, Lane, Steps, listening, mask, runs, sending, shift_in, shift_out};
use super::word::{Of, Tail};
use super::{Form, Tables, at};

/// What one device was asked, up to its answer.
// In this order the smaller processors reach what is small by their shorter instructions.
#[derive(Clone, Copy, Debug)]
#[repr(C)]
pub(crate) struct Asked {
    /// Units of the word, and of its answer, that are still to come.
    sending: u8,
    listening: u8,
    /// Units of the answer to the last word.
    last_listening: u8,
    /// Whether the unit that comes now belongs to an answer.
    is_heard: bool,
    /// The numbers of the answer that is being listened to, and of the one that brought the status.
    answer: u8,
    told: u8,
    /// The number of the field that is read or written.
    field: u8,
    axis: u8,
    steps: Steps,
    /// The number of the sequence of writes that it is.
    sequence: u8,
    /// The step that is under way.
    step: u8,
    is_negative: bool,
    brings_value: bool,
    fault: Fault,
    request_units: u16,
    /// Frames before the first unit.
    delay: u16,
    /// The code of the command's argument, or the content that is written.
    code: u32,
    /// The content that was read.
    found: u32,
    /// What is left of the word that is being sent, its next bit uppermost; then what has come of its answer.
    bits: u64,
    /// The status word that came last.
    status: u64,
}

/// What is wrong with the answers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Fault {
    None,
    Crc { expected: u8, found: u8 },
    Fixed,
}

impl Asked {
    /// What a device was asked, whose first word is the next to be sent.
    #[inline(never)]
    pub(super) fn of<M: ChainMap>(lane: &Lane) -> Self {
        let mut asked = Self {
            sending: lane.sending,
            listening: lane.listening,
            last_listening: lane.listening,
            is_heard: false,
            answer: lane.answer,
            told: 0,
            field: lane.field,
            axis: lane.axis,
            steps: lane.steps,
            sequence: lane.sequence,
            step: 0,
            is_negative: lane.is_negative,
            brings_value: lane.field > 0 && lane.listening > 0,
            fault: Fault::None,
            request_units: lane.sending.into(),
            delay: 0,
            code: lane.bits as u32,
            found: 0,
            bits: lane.bits,
            status: 0,
        };
        match lane.steps {
            Steps::Word => {}
            Steps::ReadModifyWrite => asked.begin_reading::<M>(),
            Steps::Writes => asked.begin_writes::<M>(),
        }
        asked
    }

    /// Units of the request, and those behind it in which an answer is awaited.
    pub(super) const fn units(&self) -> (u16, u16) {
        (self.request_units, self.last_listening as u16)
    }

    /// Lets so many frames of filler come first.
    pub(super) const fn wait(&mut self, frames: u16) {
        self.delay = frames;
    }

    /// The unit that the device gets next.
    pub(super) const fn next_unit<M: ChainMap>(&mut self) -> u64 {
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
        shift_out::<M>(&mut self.bits)
    }

    /// Takes in what came back in the device's place.
    pub(super) fn came_back<M: ChainMap>(&mut self, unit: u64) {
        if self.is_heard {
            shift_in::<M>(&mut self.bits, unit);
            self.listening -= 1;
            if self.listening == 0 {
                self.heard::<M>(self.bits);
            }
        }
        if self.steps != Steps::Word && self.delay == 0 && self.sending == 0 && self.listening == 0 {
            self.go_on::<M>();
        }
    }

    /// One field of several is read first.
    fn begin_reading<M: ChainMap>(&mut self) {
        let write = Tables::<M>::form_or_none(Verb::WriteParameter);
        let read = Tables::<M>::form_or_none(Verb::ReadParameter);
        let content = self.content::<M>();
        self.say::<M>(read, &content, true);
        self.last_listening = if Tables::<M>::IN_SAME_SLOTS { listening::<M>(write, content.data_units) } else { 0 };
        let units = sending(write, content.data_units);
        self.request_units = u16::from(self.sending) + u16::from(self.listening) + u16::from(units);
    }

    fn begin_writes<M: ChainMap>(&mut self) {
        let form = Tables::<M>::form_or_none(Verb::WriteParameter);
        let mut total: u16 = 0;
        for write in *at(Tables::<M>::SEQUENCES, self.sequence) {
            let data_units = at(Tables::<M>::FIELDS, Tables::<M>::field_number(write.parameter, self.axis)).data_units;
            total += u16::from(self.last_listening) + u16::from(sending(form, data_units));
            self.last_listening = if Tables::<M>::IN_SAME_SLOTS { listening::<M>(form, data_units) } else { 0 };
        }
        self.request_units = total;
        self.load_write::<M>();
    }

    fn content<M: ChainMap>(&self) -> Content {
        let field = at(Tables::<M>::FIELDS, self.field);
        Content {
            axis: self.axis,
            is_negative: self.is_negative,
            address: field.address,
            data_units: field.data_units,
            argument: self.code,
            data: self.code | self.found,
        }
    }

    /// Takes a form's word for the one that is sent next.
    fn say<M: ChainMap>(&mut self, form: &Form, content: &Content, is_answered: bool) {
        self.bits = Tables::<M>::encode_apart(form, content);
        self.sending = sending(form, content.data_units);
        self.answer = form.answer;
        self.listening = if is_answered { listening::<M>(form, content.data_units) } else { 0 };
    }

    /// Takes the write whose turn it is, if there is one, for what is sent next.
    fn load_write<M: ChainMap>(&mut self) {
        let Some(write) = at(Tables::<M>::SEQUENCES, self.sequence).get(self.step as usize) else {
            return;
        };
        self.field = Tables::<M>::field_number(write.parameter, self.axis);
        let mut content = self.content::<M>();
        content.data = match write.source {
            Source::Code(code) => code,
            Source::Argument => self.code,
            Source::Direction { negative, .. } if self.is_negative => negative,
            Source::Direction { positive, .. } => positive,
        };
        self.say::<M>(Tables::<M>::form_or_none(Verb::WriteParameter), &content, Tables::<M>::IN_SAME_SLOTS);
    }

    /// A step is over: on to the next one, unless this one is in doubt.
    #[inline(never)]
    fn go_on<M: ChainMap>(&mut self) {
        self.step = self.step.saturating_add(1);
        // What was not read for sure must not be written back, and nothing is set going by the wrong argument.
        if self.fault != Fault::None {
            return;
        }
        if self.steps == Steps::Writes {
            self.load_write::<M>();
        } else if self.step == 1 {
            self.found &= !Tables::<M>::mask_of(at(Tables::<M>::FIELDS, self.field));
            let content = self.content::<M>();
            self.say::<M>(Tables::<M>::form_or_none(Verb::WriteParameter), &content, Tables::<M>::IN_SAME_SLOTS);
            self.brings_value = self.listening > 0;
        }
    }

    /// The answer is complete: what does it say?
    #[inline(never)]
    pub(super) fn heard<M: ChainMap>(&mut self, bits: u64) {
        let answer = at(Tables::<M>::ANSWERS, self.answer);
        let mut content = bits.wrapping_shr(answer.spare.into());
        let mut differs = content & answer.fixed_mask != answer.fixed;
        let mut status = 0;
        let mut found = 0;
        if answer.tail == Tail::Content {
            found = content as u32;
            content = 0;
        }
        for run in runs::<M>(answer.runs) {
            let bits = content.wrapping_shr(run.shift.into());
            let expected: u32 = match run.of {
                Of::Status => {
                    status |= (bits & low_bits(run.width.into())).wrapping_shl(run.lsb.into());
                    continue;
                }
                Of::Data => {
                    found |= (bits as u32 & mask(run.width)).wrapping_shl(run.lsb.into());
                    continue;
                }
                Of::Axis => self.axis.into(),
                Of::Address => at(Tables::<M>::FIELDS, self.field).address.into(),
                _ => continue,
            };
            differs |= (bits as u32 ^ expected) & mask(run.width) != 0;
        }
        self.found = found;
        if answer.known != 0 {
            self.status = status;
            self.told = self.answer;
        }
        if self.fault != Fault::None {
            return;
        }
        if answer.tail == Tail::Check {
            let (expected, found) = (Tables::<M>::check(content >> 8, answer.bits), content as u8);
            if expected != found {
                self.fault = Fault::Crc { expected, found };
                return;
            }
        }
        if differs {
            self.fault = Fault::Fixed;
        }
    }

    /// What the device answered, once the talk is over.
    ///
    /// # Errors
    /// [`ReplyError`] if its reply cannot be believed.
    pub(crate) fn reply<M: ChainMap>(&self) -> Result<Reply, ReplyError> {
        match self.fault {
            Fault::Crc { expected, found } => return Err(ReplyError::Crc { expected, found }),
            Fault::Fixed => return Err(ReplyError::Malformed),
            Fault::None => {}
        }
        let mut reply = Reply::default();
        if self.told > 0 {
            let known = at(Tables::<M>::ANSWERS, self.told).known;
            reply.status = Some(Status::new(self.status, known, const { &Tables::<M>::STATUS }));
        }
        if self.brings_value && at(Tables::<M>::ANSWERS, self.answer).brings_data {
            let field = at(Tables::<M>::FIELDS, self.field);
            let value = Tables::<M>::value_in(field, self.found);
            reply.value = Some(value.map_err(|error| ReplyError::Meaningless { register: field.name, error })?);
        }
        Ok(reply)
    }
}
