//! A talk: the frames of one call, one after another, and what came back in each.
//!
//! A state machine with two halves: [`Talk::next_frame`] says what to send, [`Talk::came_back`] reads what the
//! transfer left in its place. No I/O, so the blocking and the async front drive it by the same loop.

use crate::command::Prepared;
use crate::map::{CommandForm, Devices, Layout, Piece, Register, Request, Source, Verb, Write};
use crate::reply::{Reply, ReplyError, Status};
use crate::wire::{self, Answer, Content, Mismatch};

/// What one device was asked, kept until its answer is read: made by [`Codec::begin`](super::Codec::begin), spent by
/// [`Talk`].
#[derive(Clone, Copy, Debug, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Pending {
    asked: Option<Asked>,
    /// Units from the command's first to the one that completes it.
    request_units: u16,
    /// Slots after that in which its reply is awaited, or that the command takes up.
    reply_units: u16,
}

#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Asked {
    steps: Steps,
    register: Option<&'static Register>,
    content: Content,
    answer: Answer,
    fault: Option<Mismatch>,
}

/// The words that a command is sent as.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
enum Steps {
    Word(&'static CommandForm),
    Writes {
        form: &'static CommandForm,
        writes: &'static [Write],
    },
    /// A read of the register in which one field is to be written, its reply, then the write.
    ReadModifyWrite {
        read: &'static CommandForm,
        write: &'static CommandForm,
    },
}

impl Pending {
    pub(super) const NOTHING: Self = Self { asked: None, request_units: 0, reply_units: 0 };

    pub(super) const fn new(layout: &Layout, prepared: Option<Prepared>) -> Self {
        let Some(prepared) = prepared else {
            return Self::NOTHING;
        };
        match Self::asked(layout, &prepared) {
            Some(pending) => pending,
            None => Self::NOTHING,
        }
    }

    /// `None` only for what the map's check has refused: a sequence of writes without a write command.
    const fn asked(layout: &Layout, prepared: &Prepared) -> Option<Self> {
        let Prepared { form, register, axis, positive, code, is_content } = *prepared;
        let (address, data) = match register {
            Some(register) if is_content => (register.address, code),
            Some(register) => (register.address, register.content(code)),
            None => (0, 0),
        };
        let steps = match form.request {
            Request::Writes(writes) => match layout.form(Verb::WriteParameter) {
                Some(form) => Steps::Writes { form, writes },
                None => return None,
            },
            Request::Word(_)
                if matches!(form.verb, Verb::WriteParameter) && !is_content && layout.is_shared(address) =>
            {
                match layout.form(Verb::ReadParameter) {
                    Some(read) => Steps::ReadModifyWrite { read, write: form },
                    None => return None,
                }
            }
            Request::Word(_) => Steps::Word(form),
        };
        let (last, answered) = match steps {
            Steps::Word(form) | Steps::Writes { form, .. } => (form, form),
            Steps::ReadModifyWrite { read, write } => (write, read),
        };
        let data_bits = match register {
            Some(_) => greater(data_bits_of(layout, last, address), data_bits_of(layout, answered, address)),
            None => 0,
        };
        let content = Content { axis, address, data_bits, positive, argument: code, data };
        let answer = Answer::new(layout, answered.reply, data_bits);
        let asked = Asked { steps, register, content, answer, fault: None };
        let is_wanted = matches!(form.verb, Verb::ReadParameter | Verb::PeekStatus | Verb::TakeStatus);
        let reply_units = if is_wanted || layout.replies_in_same_slots() {
            layout.units(last.reply, asked.last_address(layout))
        } else {
            0
        };
        Some(Self { asked: Some(asked), request_units: asked.request_units(layout), reply_units })
    }

    /// The units of the request, and those of the reply that is awaited.
    pub(super) const fn units(&self) -> (u16, u16) {
        (self.request_units, self.reply_units)
    }

    /// The unit that the device gets in a frame of a talk of so many request units; `None` for filler.
    pub(super) const fn unit(&self, layout: &Layout, request_units: u16, frame: u16) -> Option<u64> {
        let Some(asked) = &self.asked else {
            return None;
        };
        match (frame + self.request_units).checked_sub(request_units) {
            Some(index) if index < self.request_units => asked.unit(layout, index),
            _ => None,
        }
    }

    /// Whether a later part of what is sent hangs on the answer to an earlier one.
    pub(super) const fn hangs_on_answers(&self, layout: &Layout) -> bool {
        match &self.asked {
            Some(Asked { steps: Steps::ReadModifyWrite { .. }, .. }) => true,
            Some(Asked { steps: Steps::Writes { form, writes }, .. }) => {
                layout.replies_in_same_slots() && !form.reply.is_empty() && writes.len() > 1
            }
            _ => false,
        }
    }

    /// What the device answered, once the talk is over.
    ///
    /// # Errors
    /// [`ReplyError`] if its reply cannot be believed.
    pub(super) fn reply(&self, layout: &'static Layout) -> Result<Reply, ReplyError> {
        let mut reply = Reply::default();
        let Some(asked) = &self.asked else {
            return Ok(reply);
        };
        let pieces = match asked.steps {
            Steps::Word(form) | Steps::ReadModifyWrite { write: form, .. } if self.reply_units > 0 => form.reply,
            _ => &[],
        };
        let fault = match asked.fault {
            None if !pieces.is_empty() => asked.answer.verdict(pieces).err(),
            fault => fault,
        };
        match fault {
            Some(Mismatch::Crc { expected, found }) => return Err(ReplyError::Crc { expected, found }),
            Some(Mismatch::Fixed) => return Err(ReplyError::Malformed),
            None => {}
        }
        let brings_content = pieces.iter().any(|piece| matches!(piece, Piece::Data { .. } | Piece::DataByRegister));
        if let Some(register) = asked.register
            && brings_content
        {
            let code = (asked.answer.data as u32 & register.mask()).checked_shr(register.lsb as u32).unwrap_or(0);
            let value = register.value_of(code);
            reply.value = Some(value.map_err(|error| ReplyError::Meaningless { register: register.name, error })?);
        }
        if asked.answer.status_known != 0 {
            reply.status = Some(Status::new(asked.answer.status, asked.answer.status_known, &layout.status));
        }
        Ok(reply)
    }
}

impl Asked {
    const fn request_units(&self, layout: &Layout) -> u16 {
        let bits = self.content.data_bits;
        match self.steps {
            Steps::Word(form) => layout.units_of(pieces_of(form), bits),
            Steps::ReadModifyWrite { read, write } => {
                layout.units_of(pieces_of(read), bits)
                    + layout.units_of(read.reply, bits)
                    + layout.units_of(pieces_of(write), bits)
            }
            Steps::Writes { form, writes } => {
                let mut slots = 0;
                let mut rest = writes;
                while let [write, tail @ ..] = rest {
                    rest = tail;
                    slots += slots_of(layout, form, self.address_of(layout, write));
                }
                let last = self.last_address(layout);
                let after_last = slots_of(layout, form, last) - layout.units(pieces_of(form), last);
                slots - after_last
            }
        }
    }

    /// The register that is written or read last.
    const fn last_address(&self, layout: &Layout) -> u16 {
        match self.steps {
            Steps::Writes { writes: [.., write], .. } => self.address_of(layout, write),
            Steps::Writes { .. } => 0,
            Steps::Word(_) | Steps::ReadModifyWrite { .. } => self.content.address,
        }
    }

    const fn address_of(&self, layout: &Layout, write: &Write) -> u16 {
        match layout.register(write.parameter, self.content.axis) {
            Some(register) => register.address,
            None => 0,
        }
    }

    /// The unit at `index` of all that is sent; `None` where filler is.
    const fn unit(&self, layout: &Layout, index: u16) -> Option<u64> {
        let bits = self.content.data_bits;
        match self.steps {
            Steps::Word(form) => Some(wire::unit(layout, pieces_of(form), &self.content, index)),
            Steps::ReadModifyWrite { read, write } => {
                let asking = layout.units_of(pieces_of(read), bits);
                if index < asking {
                    return Some(wire::unit(layout, pieces_of(read), &self.content, index));
                }
                match index.checked_sub(asking + layout.units_of(read.reply, bits)) {
                    // What was not read for sure must not be written back.
                    Some(index) if self.fault.is_none() => {
                        Some(wire::unit(layout, pieces_of(write), &self.content, index))
                    }
                    _ => None,
                }
            }
            Steps::Writes { form, writes } => match self.write_at(layout, form, writes, index) {
                // Behind a write that is in doubt none follows, so that nothing is set going by the wrong argument.
                Some((content, index))
                    if self.fault.is_none() && index < layout.units_of(pieces_of(form), content.data_bits) =>
                {
                    Some(wire::unit(layout, pieces_of(form), &content, index))
                }
                _ => None,
            },
        }
    }

    /// The write that the slot at `index` of a sequence belongs to, and the slot's index within it.
    const fn write_at(
        &self,
        layout: &Layout,
        form: &CommandForm,
        writes: &[Write],
        mut index: u16,
    ) -> Option<(Content, u16)> {
        let mut rest = writes;
        while let [write, tail @ ..] = rest {
            rest = tail;
            let Some(register) = layout.register(write.parameter, self.content.axis) else {
                return None;
            };
            let slots = slots_of(layout, form, register.address);
            if index < slots {
                let code = match write.source {
                    Source::Code(code) => code,
                    Source::Argument => self.content.argument,
                    Source::Direction { positive, .. } if self.content.positive => positive,
                    Source::Direction { negative, .. } => negative,
                };
                let address = register.address;
                let data_bits = data_bits_of(layout, form, address);
                return Some((Content { address, data_bits, data: code, ..self.content }, index));
            }
            index -= slots;
        }
        None
    }

    /// Takes in the unit that came back while the unit at `index` was sent; `after` is `index` counted from the end
    /// of the request.
    fn take(&mut self, layout: &Layout, index: u16, after: Option<u16>, unit: u64) {
        match self.steps {
            Steps::Word(form) => {
                if let Some(after) = after {
                    self.answer.take(layout, form.reply, &self.content, after, unit);
                }
            }
            Steps::ReadModifyWrite { read, write } => {
                if let Some(after) = after {
                    if after == 0 {
                        self.answer = self.answer.followed_by(layout, write.reply, self.content.data_bits);
                    }
                    self.answer.take(layout, write.reply, &self.content, after, unit);
                    return;
                }
                let bits = self.content.data_bits;
                let count = layout.units_of(read.reply, bits);
                let Some(place) = index.checked_sub(layout.units_of(pieces_of(read), bits)) else {
                    return;
                };
                if place < count {
                    self.answer.take(layout, read.reply, &self.content, place, unit);
                }
                if place + 1 == count {
                    self.fault = self.answer.verdict(read.reply).err();
                    let mask = self.register.map_or(0, Register::mask);
                    self.content.data |= self.answer.data as u32 & !mask;
                }
            }
            Steps::Writes { form, writes } => {
                let Some((content, index)) = self.write_at(layout, form, writes, index) else {
                    return;
                };
                // Where replies have slots of their own, each write is followed by its reply's.
                let Some(place) = index.checked_sub(layout.units_of(pieces_of(form), content.data_bits)) else {
                    return;
                };
                if place == 0 {
                    self.answer = self.answer.followed_by(layout, form.reply, content.data_bits);
                }
                self.answer.take(layout, form.reply, &content, place, unit);
                if place + 1 == layout.units_of(form.reply, content.data_bits) && self.fault.is_none() {
                    self.fault = self.answer.verdict(form.reply).err();
                }
            }
        }
    }
}

const fn pieces_of(form: &CommandForm) -> &'static [Piece] {
    match form.request {
        Request::Word(pieces) => pieces,
        Request::Writes(_) => &[],
    }
}

/// What [`Piece::DataByRegister`] stands for at the address, if the form has it; the registers are not searched in vain.
const fn data_bits_of(layout: &Layout, form: &CommandForm, address: u16) -> u16 {
    greater(layout.data_bits_in(pieces_of(form), address), layout.data_bits_in(form.reply, address))
}

const fn greater(a: u16, b: u16) -> u16 {
    if a > b { a } else { b }
}

/// The units of one write, and the slots of its reply where those belong to the command.
const fn slots_of(layout: &Layout, form: &CommandForm, address: u16) -> u16 {
    let reply = if layout.replies_in_same_slots() { layout.units(form.reply, address) } else { 0 };
    layout.units(pieces_of(form), address) + reply
}

/// The fillers of a chain's devices, made anew only from one kind to another.
pub(crate) struct Fillers {
    made: Option<(&'static Layout, u64)>,
}

impl Fillers {
    pub(crate) const fn new() -> Self {
        Self { made: None }
    }

    pub(crate) fn of(&mut self, layout: &'static Layout) -> u64 {
        match self.made {
            Some((of, unit)) if core::ptr::eq(of, layout) => unit,
            _ => {
                let unit = wire::filler(layout);
                self.made = Some((layout, unit));
                unit
            }
        }
    }
}

/// The frames of one call.
///
/// ```
/// use stepchain::{Codec, Command, Pending};
/// use stepchain::map::RegisterMap;
/// use stepchain::reference::Latched;
///
/// const CODEC: Codec = match Codec::new(&Latched::LAYOUT) {
///     Ok(codec) => codec,
///     Err(_) => unreachable!(),
/// };
/// let mut pending = [Pending::default(); 2];
/// let mut buffer = [0; 4];
/// let mut talk = CODEC.begin(&[Command::PeekStatus, Command::Filler], &mut pending, &mut buffer).unwrap();
/// while let Some(frame) = talk.next_frame() {
///     // Here the frame is exchanged on the bus, in place; an open MISO with a pull-up reads as ones.
///     frame.fill(0xFF);
///     talk.came_back();
/// }
/// let status = talk.reply(0).unwrap().unwrap().status.unwrap();
/// assert_eq!(status.word(), 0xFFFF);
/// assert_eq!(talk.frames(), 2);
/// ```
#[derive(Debug)]
#[must_use = "a talk sends nothing by itself: exchange its frames"]
pub struct Talk<'a> {
    devices: Devices,
    pending: &'a mut [Pending],
    buffer: &'a mut [u8],
    /// Frames up to the edge on which all commands are complete.
    request_units: u16,
    frames: u16,
    /// The frame that is made next.
    frame: u16,
    /// Whether a frame was given out whose exchange nobody has reported yet.
    is_out: bool,
}

impl<'a> Talk<'a> {
    pub(super) fn new(devices: Devices, pending: &'a mut [Pending], buffer: &'a mut [u8]) -> Self {
        let request_units = pending.iter().map(|place| place.request_units).max().unwrap_or(0);
        let reply_units = pending.iter().map(|place| place.reply_units).max().unwrap_or(0);
        Self { devices, pending, buffer, request_units, frames: request_units + reply_units, frame: 0, is_out: false }
    }

    /// The same talk behind so many idle frames, in which every device gets filler: see
    /// [`Codec::resync_frames`](super::Codec::resync_frames). To be asked for before the first frame.
    pub const fn after_idle(mut self, frames: u16) -> Self {
        self.request_units = self.request_units.saturating_add(frames);
        self.frames = self.frames.saturating_add(frames);
        self
    }

    /// How many frames the talk takes in all.
    #[must_use]
    pub const fn frames(&self) -> u16 {
        self.frames
    }

    /// The next frame to exchange, in place, within one chip selection; `None` once the talk is over.
    pub fn next_frame(&mut self) -> Option<&mut [u8]> {
        if self.is_over() {
            return None;
        }
        let unit_bits = self.devices.unit_bits();
        let mut fillers = Fillers::new();
        self.buffer.fill(0);
        // The last device's unit leaves first, after the padding; so the frame is filled from its end.
        let mut offset = self.buffer.len() * 8;
        for (device, place) in self.pending.iter().enumerate() {
            offset = offset.saturating_sub(unit_bits as usize);
            let layout = self.devices.layout(device);
            let unit = place.unit(layout, self.request_units, self.frame);
            let unit = unit.unwrap_or_else(|| fillers.of(layout));
            wire::put_bits(self.buffer, offset, unit_bits, unit);
        }
        self.frame += 1;
        self.is_out = true;
        Some(self.buffer)
    }

    /// The unit that a device got in the frame that [`next_frame`](Self::next_frame) gave out last.
    pub(crate) fn sent(&self, device: usize) -> u64 {
        let layout = self.devices.layout(device);
        let frame = self.frame.saturating_sub(1);
        let unit = self.pending.get(device).and_then(|place| place.unit(layout, self.request_units, frame));
        unit.unwrap_or_else(|| wire::filler(layout))
    }

    /// Whether there are no more frames.
    pub(crate) const fn is_over(&self) -> bool {
        self.frame >= self.frames
    }

    /// The frame that [`next_frame`](Self::next_frame) gave out last, as it is now.
    pub(crate) const fn frame(&self) -> &[u8] {
        self.buffer
    }

    /// Reads what the exchange left in the frame that [`next_frame`](Self::next_frame) gave out last.
    ///
    /// A frame comes back once: called before the first frame, or again without another one, it does nothing.
    pub fn came_back(&mut self) {
        if !core::mem::take(&mut self.is_out) {
            return;
        }
        let Some(frame) = self.frame.checked_sub(1) else {
            return;
        };
        let unit_bits = self.devices.unit_bits();
        // The last device's reply comes first, before what the padding pushes out.
        let mut offset = self.pending.len() * unit_bits as usize;
        for (device, place) in self.pending.iter_mut().enumerate() {
            offset = offset.saturating_sub(unit_bits as usize);
            let Some(index) = (frame + place.request_units).checked_sub(self.request_units) else {
                continue;
            };
            let after = index.checked_sub(place.request_units);
            if after.is_some_and(|after| after >= place.reply_units) {
                continue;
            }
            let unit = wire::get_bits(self.buffer, offset, unit_bits);
            if let Some(asked) = &mut place.asked {
                asked.take(self.devices.layout(device), index, after, unit);
            }
        }
    }

    /// What a device answered; `None` if there is no such device. To be asked once the talk is over.
    pub fn reply(&self, device: usize) -> Option<Result<Reply, ReplyError>> {
        self.pending.get(device).map(|place| place.reply(self.devices.layout(device)))
    }
}
