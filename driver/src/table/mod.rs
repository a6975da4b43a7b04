//! A map's compiled tables: what a chain looks up at run time, worked out from the [`Layout`] when the firmware is compiled.
//!
//! ```text
//!   Layout   names, pieces, limits: what a person writes, and what the host interprets            map
//!     v      const fn, once for each map                                                          build
//!   tables   a word's fixed bits and the places of the others; a register's place and scale       here
//!     v
//!   Asked    a command of one device under way, and what it has answered                          asked
//!     v
//!   Talk     the frames of one call                                                               talk
//! ```
//!
//! Whoever writes firmware meets of them but [`Mapped`]: what procedures take that are to use them.
//!
//! There is one source of truth, the layout; nothing is written twice. A [`Codec`](crate::Codec) interprets layouts that are
//! only known at run time, and gives the same bytes, errors and replies. A map that the tables cannot express (words of more
//! than 64 bits, say, or devices that are unlike) is interpreted by a [`Chain`](crate::Chain), too.

mod asked;
mod build;
mod kind;
mod lane;
mod talk;
#[cfg(all(test, feature = "reference-maps"))]
mod tests;
mod word;

use core::marker::PhantomData;

use crate::chain::Looks;
use crate::map::{
    Access, BitOrder, BufferMode, ChainMap, Encodings, Layout, Parameter, Scale, SharedWrite, StatusLayout, Verb, Write,
};

pub(crate) use asked::Asked;
pub(crate) use kind::Kind;
pub use kind::{Kinds, Mapped};
pub(crate) use lane::Lane;
pub(crate) use talk::{InStep, Lengths, Talk};

use build::Built;
use word::{Answer, Run, Word};

/// A register that carries one parameter, as far as commands need it.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Field {
    parameter: Parameter,
    axis: u8,
    lsb: u8,
    /// The number of its scale.
    scale: u8,
    /// The units that [`Piece::DataByRegister`](crate::map::Piece::DataByRegister) stands for.
    data_units: u8,
    address: u16,
    access: Access,
    /// Whether other fields stand at the same address.
    is_shared: bool,
    /// What is to be looked at when it is written, alone or with all its neighbours.
    looks: (Looks, Looks),
    /// The bits that fields take at the address.
    content_mask: u32,
    name: &'static str,
}

/// A command in one buffer mode.
#[derive(Clone, Copy, Debug)]
struct Form {
    word: Word,
    /// The number of the sequence of writes that it is; 0 for a word.
    sequence: u8,
    /// The number of what answers it; 0 for nothing.
    answer: u8,
    /// The number of the argument; 0 for none.
    argument: u8,
    looks: Looks,
}

/// What a command carries.
#[derive(Clone, Copy, Debug)]
struct Argument {
    scale: u8,
    /// Whether the direction is sent apart.
    is_magnitude: bool,
    /// Whose coding it is.
    of: &'static str,
}

/// How many keys there are: every verb in both buffer modes.
const KEYS: usize = 2 * Verb::ALL.len();
/// How many parameters have a number that serves as an index.
const PLAIN: usize = Parameter::PLAIN.len();

const fn key(verb: Verb, buffer_mode: BufferMode) -> usize {
    key_here(verb, buffer_mode)
}

#[inline(always)]
const fn key_here(verb: Verb, buffer_mode: BufferMode) -> usize {
    2 * verb.id_here() as usize + buffer_mode as usize
}

/// The tables of the devices of `M`.
#[derive(Debug)]
pub(crate) struct Tables<M>(PhantomData<M>);

/// The same cut to `L` entries: an array's length cannot be worked out from a map, so the next greater one of a few is taken.
struct Cut<M, const L: usize>(PhantomData<M>);

impl<M: ChainMap, const L: usize> Cut<M, L> {
    const FORMS: &'static [Form] = &Tables::<M>::BUILT.forms.first::<L>(build::NO_FORM);
    const FIELDS: &'static [Field] = &Tables::<M>::BUILT.fields.first::<L>(build::NO_FIELD);
    const SCALES: &'static [Scale] = &Tables::<M>::BUILT.scales.first::<L>(Scale::ANY);
    const ARGUMENTS: &'static [Argument] = &Tables::<M>::BUILT.arguments.first::<L>(build::NO_ARGUMENT);
    const ANSWERS: &'static [Answer] = &Tables::<M>::BUILT.answers.first::<L>(build::NO_ANSWER);
    const RUNS: &'static [Run] = &Tables::<M>::BUILT.runs.first::<L>(word::NO_RUN);
    const SEQUENCES: &'static [&'static [Write]] = &Tables::<M>::BUILT.sequences.first::<L>(&[]);
    const VALUES: &'static [u32] = &Tables::<M>::BUILT.values.first::<L>(0);
}

macro_rules! cut {
    ($($least:literal..=$most:literal)*, $table:ident of $list:ident) => {
        match Self::BUILT.$list.count {
            0 => &[],
            $($least..=$most => Cut::<M, $most>::$table,)*
            _ => Cut::<M, 128>::$table,
        }
    };
    ($table:ident of $list:ident) => {
        cut!(1..=1 2..=2 3..=3 4..=4 5..=6 7..=8 9..=10 11..=12 13..=14 15..=16 17..=18 19..=20 21..=22 23..=24 25..=28
            29..=32 33..=36 37..=40 41..=48 49..=56 57..=64, $table of $list)
    };
}

impl<M: ChainMap> Tables<M> {
    pub(crate) const LAYOUT: &'static Layout = M::DEVICES.layout(0);
    const BUILT: Built = Built::of(Self::LAYOUT);
    /// Whether the tables say all that the layout says; if not, they are not to be used.
    pub(crate) const ARE_WHOLE: bool = M::DEVICES.are_alike() && Self::BUILT.is_whole;

    const UNIT_BITS: u8 = Self::LAYOUT.wire.unit_bits;
    /// Whether the status is to be looked at before any command.
    const LOOKS_BEFORE: bool = Self::BUILT.looks_before;
    const AXES: u8 = Self::LAYOUT.axes;
    const FILLER: u64 = crate::wire::filler(Self::LAYOUT);
    /// Filler without end.
    const FILLERS: u64 = word::repeated(Self::FILLER, Self::UNIT_BITS);
    const IS_LSB_FIRST: bool = matches!(Self::LAYOUT.wire.bit_order, BitOrder::LsbFirst);
    const IN_SAME_SLOTS: bool = Self::LAYOUT.replies_in_same_slots();
    const KEEPS_SHADOW: bool = matches!(Self::LAYOUT.wire.shared_write, SharedWrite::Shadow);
    /// Apart from the layout: an image that has nothing else of it is spared the rest.
    const STATUS: StatusLayout = Self::LAYOUT.status;

    /// By [`key`] the number of the form; 0 for none.
    const NUMBERS: [u8; KEYS] = Self::BUILT.numbers;
    /// By the parameter's number that of its first field; 0 for none.
    const PLAIN: [u8; PLAIN] = Self::BUILT.plain;
    const FORMS: &'static [Form] = cut!(FORMS of forms);
    const FIELDS: &'static [Field] = cut!(FIELDS of fields);
    const SCALES: &'static [Scale] = cut!(SCALES of scales);
    const ARGUMENTS: &'static [Argument] = cut!(ARGUMENTS of arguments);
    const ANSWERS: &'static [Answer] = cut!(ANSWERS of answers);
    const RUNS: &'static [Run] = cut!(RUNS of runs);
    const SEQUENCES: &'static [&'static [Write]] = cut!(SEQUENCES of sequences);
    /// By four bits what the check makes of them, where the wire has one.
    const NIBBLES: [u8; 16] = word::nibbles(Self::LAYOUT.wire.crc);

    #[inline(never)]
    fn form(verb: Verb, buffer_mode: BufferMode) -> Option<&'static Form> {
        Self::form_here::<false>(verb, buffer_mode)
    }

    /// The form of a command that begins at once, or one without any bits.
    fn form_or_none(verb: Verb) -> &'static Form {
        Self::form(verb, BufferMode::Aborting).unwrap_or(Form::NONE)
    }

    #[inline(always)]
    fn form_here<const HERE: bool>(verb: Verb, buffer_mode: BufferMode) -> Option<&'static Form> {
        let key = if HERE { key_here(verb, buffer_mode) } else { key(verb, buffer_mode) };
        let number = const { &Self::NUMBERS }.get(key)?;
        if *number > 0 { Self::FORMS.get(*number as usize) } else { None }
    }

    /// The number of the field that carries `parameter` for `axis`, 0 for none: as [`Layout::register`].
    fn field_number(parameter: Parameter, axis: u8) -> u8 {
        Self::field_number_of(parameter, parameter.id() as usize, axis)
    }

    #[inline(always)]
    fn field_number_here(parameter: Parameter, axis: u8) -> u8 {
        Self::field_number_of(parameter, parameter.id_here() as usize, axis)
    }

    #[inline(always)]
    fn field_number_of(parameter: Parameter, id: usize, axis: u8) -> u8 {
        let plain = const { &Self::PLAIN }.get(id);
        if let (Some(number), 0..=1) = (plain, Self::AXES) {
            return *number;
        }
        Self::field_number_apart(parameter, axis)
    }

    #[inline(never)]
    fn field_number_apart(parameter: Parameter, axis: u8) -> u8 {
        let mut once = 0;
        let mut is_on_others = false;
        for (number, field) in (1..).zip(Self::FIELDS.iter().take(const { Self::BUILT.fields.count }).skip(1)) {
            if field.parameter.same(parameter) {
                if field.axis == axis {
                    return number;
                }
                match field.axis {
                    0 => once = number,
                    _ => is_on_others = true,
                }
            }
        }
        if is_on_others { 0 } else { once }
    }
}

/// The entry of a number; that of 0 stands for none.
///
/// A number of no entry, which no table holds, becomes 0 first: then the entry of none is not a second one in the image.
#[inline(always)]
fn at<T: Entry>(table: &'static [T], number: u8) -> &'static T {
    let number = if (number as usize) < table.len() { number as usize } else { 0 };
    table.get(number).unwrap_or(T::NONE)
}

/// What a table is made of.
trait Entry: 'static {
    /// The entry that says nothing.
    const NONE: &'static Self;
}

impl Entry for Form {
    const NONE: &'static Self = &build::NO_FORM;
}

impl Entry for Field {
    const NONE: &'static Self = &build::NO_FIELD;
}

impl Entry for Scale {
    const NONE: &'static Self = &Scale::ANY;
}

impl Entry for Argument {
    const NONE: &'static Self = &build::NO_ARGUMENT;
}

impl Entry for Answer {
    const NONE: &'static Self = &build::NO_ANSWER;
}

impl Entry for &'static [Write] {
    const NONE: &'static Self = &(&[] as &[Write]);
}

impl<M: ChainMap> Encodings for Tables<M> {
    const VALUES: &'static [u32] = cut!(VALUES of values);
    const OTHERS: bool = Self::BUILT.encodings.any;
    // A scale finds their codes by itself.
    const LINES: bool = false;
    const LINEAR: bool = Self::BUILT.encodings.linear;
    const OFFSET: bool = Self::BUILT.encodings.offset;
    const RECIPROCAL: bool = Self::BUILT.encodings.reciprocal;
    const RISING: bool = Self::BUILT.encodings.rising;
    const FALLING: bool = Self::BUILT.encodings.falling;
    const TABLE: bool = Self::BUILT.encodings.table;
    const MANTISSA: bool = Self::BUILT.encodings.mantissa;
}
