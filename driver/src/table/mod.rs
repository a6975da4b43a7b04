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
//! There is one source of truth, the layout; nothing is written twice. A [`Codec`](crate::Codec) interprets layouts that are
//! only known at run time, and gives the same bytes, errors and replies. A map that the tables cannot express (words of more
//! than 64 bits, say, or devices that are unlike) is interpreted by a [`Chain`](crate::Chain), too.

mod asked;
mod build;
mod kind;
mod talk;
#[cfg(all(test, feature = "reference-maps"))]
mod tests;
mod word;

use core::marker::PhantomData;

use crate::chain::Looks;
use crate::map::{
    Access, BitOrder, BufferMode, ChainMap, Encodings, Layout, Parameter, Scale, SharedWrite, StatusLayout,
    Verb, Write,
};

pub(crate) use asked::Asked;
pub(crate) use kind::Kind;
pub use kind::{Kinds, Mapped};
pub(crate) use talk::Talk;

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
    /// What [`Piece::DataByRegister`](crate::map::Piece::DataByRegister) stands for.
    data_bits: u8,
    address: u16,
    access: Access,
    /// Whether other fields stand at the same address.
    is_shared: bool,
    /// What is to be looked at when it is written, alone or with all its neighbours.
    looks: (Looks, Looks),
    name: &'static str,
}

/// A command in one buffer mode.
#[derive(Clone, Copy, Debug)]
struct Form {
    word: Word,
    /// The number of the sequence of writes that it is, from 1; 0 for a word.
    sequence: u8,
    /// The number of what answers it, from 1; 0 for nothing.
    answer: u8,
    /// The number of the argument, from 1; 0 for none.
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
    2 * verb.id() as usize + buffer_mode as usize
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
    const IS_LSB_FIRST: bool = matches!(Self::LAYOUT.wire.bit_order, BitOrder::LsbFirst);
    const IN_SAME_SLOTS: bool = Self::LAYOUT.replies_in_same_slots();
    const KEEPS_SHADOW: bool = matches!(Self::LAYOUT.wire.shared_write, SharedWrite::Shadow);
    /// Apart from the layout: an image that has nothing else of it is spared the rest.
    const STATUS: StatusLayout = Self::LAYOUT.status;

    /// By [`key`] the number of the form, from 1.
    const NUMBERS: [u8; KEYS] = Self::BUILT.numbers;
    /// By the parameter's number that of its first field, from 1.
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

    fn form(verb: Verb, buffer_mode: BufferMode) -> Option<&'static Form> {
        let number = const { &Self::NUMBERS }.get(key(verb, buffer_mode))?;
        at(Self::FORMS, *number)
    }

    /// The number of the field that carries `parameter` for `axis`, from 1: as [`Layout::register`].
    fn field_number(parameter: Parameter, axis: u8) -> u8 {
        let plain = const { &Self::PLAIN }.get(parameter.id() as usize);
        if let (Some(number), 0..=1) = (plain, Self::AXES) {
            return *number;
        }
        let mut once = 0;
        let mut is_on_others = false;
        for (number, field) in (1..).zip(Self::FIELDS.iter().take(const { Self::BUILT.fields.count })) {
            if field.parameter == parameter {
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

    fn field(number: u8) -> Option<&'static Field> {
        at(Self::FIELDS, number)
    }

    fn scale(field: &Field) -> &'static Scale {
        Self::SCALES.get(field.scale as usize).unwrap_or(const { &Scale::ANY })
    }
}

/// The entry of a number that counts from 1.
fn at<T>(table: &'static [T], number: u8) -> Option<&'static T> {
    table.get((number as usize).checked_sub(1)?)
}

impl<M: ChainMap> Encodings for Tables<M> {
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
