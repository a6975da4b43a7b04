//! Makes the tables of a layout. Everything here runs when the firmware is compiled.

use crate::chain::Looks;
use crate::command::Command;
use crate::map::{Access, BufferMode, Coding, Encoding, Layout, Parameter, Piece, Request, Scale, Source, Verb, Write};
use crate::units::{Unit, Value};

use super::word::{Answer, NO_RUN, Parts, Run, Tail, Word};
use super::{Argument, Field, Form, KEYS, PLAIN, key};

/// The most entries that the tables of a map have.
const FORMS: usize = KEYS;
const FIELDS: usize = 128;
const SCALES: usize = 64;
const ARGUMENTS: usize = 32;
const ANSWERS: usize = 16;
const MANY_RUNS: usize = 64;
const VALUES: usize = 128;
const SEQUENCES: usize = KEYS;

/// All tables of a map, in places for as many entries as any map may have.
pub(super) struct Built {
    /// Whether they say all that the layout says.
    pub(super) is_whole: bool,
    pub(super) numbers: [u8; KEYS],
    pub(super) plain: [u8; PLAIN],
    pub(super) forms: List<Form, FORMS>,
    pub(super) fields: List<Field, FIELDS>,
    pub(super) scales: List<Scale, SCALES>,
    pub(super) arguments: List<Argument, ARGUMENTS>,
    pub(super) answers: List<Answer, ANSWERS>,
    pub(super) runs: List<Run, MANY_RUNS>,
    pub(super) sequences: List<&'static [Write], SEQUENCES>,
    /// The values of the codes of scales that have few of them.
    pub(super) values: List<u32, VALUES>,
    pub(super) encodings: Seen,
    /// Whether the status is to be looked at before any command.
    pub(super) looks_before: bool,
}

/// The encodings that there are among the scales whose codes are found as the coding itself does it.
#[derive(Clone, Copy)]
pub(super) struct Seen {
    pub(super) any: bool,
    pub(super) linear: bool,
    pub(super) offset: bool,
    pub(super) reciprocal: bool,
    pub(super) rising: bool,
    pub(super) falling: bool,
    pub(super) table: bool,
    pub(super) mantissa: bool,
}

impl Seen {
    const NONE: Self = Self {
        any: false,
        linear: false,
        offset: false,
        reciprocal: false,
        rising: false,
        falling: false,
        table: false,
        mantissa: false,
    };

    const fn and(mut self, encoding: Encoding) -> Self {
        self.any = true;
        match encoding {
            Encoding::Raw => {}
            Encoding::Linear { offset, .. } => {
                self.linear = true;
                self.offset |= offset != 0;
            }
            Encoding::Reciprocal { .. } => self.reciprocal = true,
            Encoding::PowerOfTwo { falling, .. } => {
                self.rising |= !falling;
                self.falling |= falling;
            }
            Encoding::Table(_) => self.table = true,
            Encoding::MantissaExponent { .. } => self.mantissa = true,
        }
        self
    }
}

/// Entries, and how many they are.
#[derive(Clone, Copy)]
pub(super) struct List<T, const MOST: usize> {
    entries: [T; MOST],
    pub(super) count: usize,
}

impl<T: Copy, const MOST: usize> List<T, MOST> {
    /// With the entry for none, whose number is 0.
    const fn new(none: T) -> Self {
        Self { entries: [none; MOST], count: 1 }
    }

    const fn as_slice(&self) -> &[T] {
        match self.entries.split_at_checked(self.count) {
            Some((entries, _)) => entries,
            None => &[],
        }
    }

    /// The number of the new entry; `None` if there is no room.
    const fn push(&mut self, entry: T) -> Option<u8> {
        let Some((_, [place, ..])) = self.entries.split_at_mut_checked(self.count) else {
            return None;
        };
        *place = entry;
        self.count += 1;
        Some(self.count as u8 - 1)
    }

    /// As many entries as there are places; `any` fills those that are left.
    pub(super) const fn first<const L: usize>(&self, any: T) -> [T; L] {
        let mut array = [any; L];
        let mut places: &mut [T] = &mut array;
        let mut rest = self.as_slice();
        while let ([place, more @ ..], [entry, tail @ ..]) = (places, rest) {
            *place = *entry;
            (places, rest) = (more, tail);
        }
        array
    }
}

const NO_WORD: Word = Word { base: [0; 2], runs: (0, 0), bits: 0, units: 0, tail: Tail::Nothing };
pub(super) const NO_FORM: Form = Form { word: NO_WORD, sequence: 0, answer: 0, argument: 0, looks: Looks::NOTHING };
pub(super) const NO_ANSWER: Answer = Answer {
    fixed_mask: 0,
    fixed: 0,
    known: 0,
    runs: (0, 0),
    bits: 0,
    units: 0,
    spare: 0,
    tail: Tail::Nothing,
    brings_data: false,
    is_bare_status: false,
};
pub(super) const NO_ARGUMENT: Argument = Argument { scale: 0, is_magnitude: false, of: "" };
pub(super) const NO_FIELD: Field = Field {
    parameter: Parameter::Custom(0),
    axis: 0,
    lsb: 0,
    scale: 0,
    data_units: 0,
    address: 0,
    access: Access::ReadOnly,
    is_shared: false,
    looks: (Looks::NOTHING, Looks::NOTHING),
    content_mask: 0,
    name: "",
};

impl Built {
    pub(super) const fn of(layout: &'static Layout) -> Self {
        let mut built = Self {
            is_whole: false,
            numbers: [0; KEYS],
            plain: [0; PLAIN],
            forms: List::new(NO_FORM),
            fields: List::new(NO_FIELD),
            scales: List::new(Scale::ANY),
            arguments: List::new(NO_ARGUMENT),
            answers: List::new(NO_ANSWER),
            runs: List::new(NO_RUN),
            sequences: List::new(&[]),
            values: List::new(0),
            encodings: Seen::NONE,
            looks_before: false,
        };
        // Of a flawed layout nothing is made: its chain does not compile.
        built.is_whole = layout.validate().is_ok() && built.fill(layout).is_some();
        built
    }

    const fn fill(&mut self, layout: &'static Layout) -> Option<()> {
        let mut most_data_bits = 0;
        let mut rest = layout.registers;
        while let [register, tail @ ..] = rest {
            rest = tail;
            let data_bits = layout.data_bits(register.address);
            if data_bits > most_data_bits {
                most_data_bits = data_bits;
            }
            let Some(data_units) = data_bits.checked_div(layout.wire.unit_bits as u16) else {
                return None;
            };
            if data_bits > 64 {
                return None;
            }
            let Some(scale) = self.scale(&register.coding, register.unit) else {
                return None;
            };
            let (parameter, axis) = (register.parameter, register.axis);
            let write = Command::WriteParameter { parameter, value: Value::Code(0) };
            let whole = Command::WriteContent { parameter, content: 0 };
            let field = Field {
                parameter,
                axis,
                lsb: register.lsb,
                scale,
                data_units: data_units as u8,
                address: register.address,
                access: register.access,
                is_shared: layout.is_shared(register.address),
                looks: (Looks::of(layout, write.on(axis)), Looks::of(layout, whole.on(axis))),
                content_mask: layout.content_mask(register.address),
                name: register.name,
            };
            self.looks_before |= field.looks.0.before || field.looks.1.before;
            let Some(number) = self.fields.push(field) else {
                return None;
            };
            // What a device has once is under axis 0, and serves as the entry to search from.
            if let Some((_, [place, ..])) = self.plain.split_at_mut_checked(parameter.id() as usize)
                && *place == 0
            {
                *place = number;
            }
        }
        let mut rest = layout.commands;
        while let [form, tail @ ..] = rest {
            rest = tail;
            let is_buffered = matches!(form.buffer_mode, BufferMode::Buffered);
            if is_buffered && form.verb.takes_address() {
                return None;
            }
            let mut made = Form { looks: Looks::of_form(layout, form), ..NO_FORM };
            match form.request {
                Request::Word(pieces) => {
                    let Some(parts) = Parts::of(layout, pieces, most_data_bits, false) else {
                        return None;
                    };
                    if matches!(parts.tail, Tail::Content) && !form.verb.takes_address() {
                        return None;
                    }
                    let Some(runs) = self.runs(&parts) else {
                        return None;
                    };
                    made.word = Word {
                        base: [(parts.fixed >> 32) as u32, parts.fixed as u32],
                        runs,
                        bits: parts.bits as u8,
                        units: parts.units as u8,
                        tail: parts.tail,
                    };
                }
                Request::Writes(writes) => {
                    if writes.is_empty() || !is_whole_sequence(layout, writes) {
                        return None;
                    }
                    let Some(number) = self.sequences.push(writes) else {
                        return None;
                    };
                    made.sequence = number;
                }
            }
            if !form.reply.is_empty() {
                let Some(parts) = Parts::of(layout, form.reply, most_data_bits, true) else {
                    return None;
                };
                if matches!(parts.tail, Tail::Content) && !form.verb.takes_address() {
                    return None;
                }
                let Some(runs) = self.runs(&parts) else {
                    return None;
                };
                let answer = Answer {
                    fixed_mask: parts.fixed_mask,
                    fixed: parts.fixed,
                    known: parts.known,
                    runs,
                    bits: parts.bits as u8,
                    units: parts.units as u8,
                    spare: (parts.units * layout.wire.unit_bits as u16 - parts.bits) as u8,
                    tail: parts.tail,
                    brings_data: parts.brings_data,
                    is_bare_status: matches!(form.reply, [Piece::Status { lsb: 0, .. }])
                        && parts.bits == parts.units * layout.wire.unit_bits as u16,
                };
                let Some(number) = self.answers.push(answer) else {
                    return None;
                };
                made.answer = number;
            }
            if let Some(unit) = form.verb.argument() {
                let Some(argument) = self.argument(layout, form.request, form.verb, unit) else {
                    return None;
                };
                made.argument = argument;
            }
            self.looks_before |= made.looks.before;
            let Some(number) = self.forms.push(made) else {
                return None;
            };
            if let Some((_, [place, ..])) = self.numbers.split_at_mut_checked(key(form.verb, form.buffer_mode)) {
                *place = number;
            }
        }
        // One field of a shared register is read before it is written.
        let reads = match layout.form(Verb::ReadParameter) {
            Some(form) => matches!(form.request, Request::Word(_)),
            None => false,
        };
        if reads || layout.shared_registers() == 0 { Some(()) } else { None }
    }

    /// The number of a scale.
    const fn scale(&mut self, coding: &Coding, unit: Unit) -> Option<u8> {
        let mut rest = self.scales.as_slice();
        let mut number = 0;
        while let [scale, tail @ ..] = rest {
            if number > 0 && scale.is_same(coding, unit) {
                return Some(number);
            }
            number += 1;
            rest = tail;
        }
        let mut scale = Scale::new(*coding, unit);
        if let Some((values, count)) = scale.few() {
            // The first entry of a list is that for none.
            let first = self.values.count;
            let Some((mut rest, _)) = values.split_at_checked(count) else {
                return None;
            };
            while let [value, tail @ ..] = rest {
                rest = tail;
                if self.values.push(*value).is_none() {
                    return None;
                }
            }
            scale = scale.by_values(first as u8);
        }
        if scale.is_other() {
            self.encodings = self.encodings.and(coding.encoding);
        }
        self.scales.push(scale)
    }

    /// Where the runs of a word are in the table: alike ones stand there once.
    const fn runs(&mut self, parts: &Parts) -> Option<(u8, u8)> {
        let wanted: &[Run] = match parts.runs.split_at_checked(parts.count) {
            Some((runs, _)) => runs,
            None => return None,
        };
        let mut first = 0;
        let mut rest = self.runs.as_slice();
        loop {
            if begins_with(rest, wanted) {
                return Some((first, parts.count as u8));
            }
            let [_, tail @ ..] = rest else {
                break;
            };
            rest = tail;
            first += 1;
        }
        let mut rest = wanted;
        while let [run, tail @ ..] = rest {
            rest = tail;
            if self.runs.push(*run).is_none() {
                return None;
            }
        }
        Some((first, parts.count as u8))
    }

    /// The number of what a verb's form takes; 0 if it takes nothing.
    const fn argument(&mut self, layout: &'static Layout, request: Request, verb: Verb, unit: Unit) -> Option<u8> {
        let mut found: Option<(&Coding, &'static str)> = None;
        let mut is_magnitude = false;
        match request {
            Request::Word(pieces) => {
                let mut rest = pieces;
                while let [piece, tail @ ..] = rest {
                    rest = tail;
                    match piece {
                        Piece::Velocity { coding, .. }
                        | Piece::Distance { coding, .. }
                        | Piece::Position { coding, .. }
                            if found.is_none() =>
                        {
                            found = Some((coding, verb.name()));
                        }
                        Piece::Direction { .. } => is_magnitude = true,
                        _ => {}
                    }
                }
            }
            Request::Writes(writes) => {
                let mut rest = writes;
                while let [write, tail @ ..] = rest {
                    rest = tail;
                    match write.source {
                        Source::Argument if found.is_none() => {
                            // Axes may code it differently: then it is not for tables.
                            let Some(register) = layout.register(write.parameter, 0) else {
                                return None;
                            };
                            let mut axis = 1;
                            while axis < layout.axes {
                                match layout.register(write.parameter, axis) {
                                    Some(other)
                                        if other.coding.same(&register.coding)
                                            && crate::map::same_text(other.name, register.name) => {}
                                    _ => return None,
                                }
                                axis += 1;
                            }
                            found = Some((&register.coding, register.name));
                        }
                        Source::Direction { .. } => is_magnitude = true,
                        _ => {}
                    }
                }
            }
        }
        let Some((coding, of)) = found else {
            return Some(0);
        };
        let Some(scale) = self.scale(coding, unit) else {
            return None;
        };
        self.arguments.push(Argument { scale, is_magnitude, of })
    }
}

/// Whether every axis has all registers of a sequence, and there is a command that writes them.
const fn is_whole_sequence(layout: &Layout, writes: &[Write]) -> bool {
    let mut rest = writes;
    while let [write, tail @ ..] = rest {
        rest = tail;
        let mut axis = 0;
        while axis < layout.axes {
            if layout.register(write.parameter, axis).is_none() {
                return false;
            }
            axis += 1;
        }
    }
    match layout.form(Verb::WriteParameter) {
        Some(form) => matches!(form.request, Request::Word(_)),
        None => false,
    }
}

const fn begins_with(runs: &[Run], wanted: &[Run]) -> bool {
    let (mut runs, mut wanted) = (runs, wanted);
    loop {
        match (runs, wanted) {
            (_, []) => return true,
            ([a, rest @ ..], [b, more @ ..])
                if a.of as u8 == b.of as u8 && a.lsb == b.lsb && a.width == b.width && a.shift == b.shift =>
            {
                (runs, wanted) = (rest, more);
            }
            _ => return false,
        }
    }
}
