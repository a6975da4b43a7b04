//! Words and answers as tables have them: the bits that a map fixes, and runs of bits that something else fills or reads.
//!
//! A word stands at the upper end of 64 bits, so that its next unit is always the uppermost bits; an answer stands at the
//! lower end, as its units were shifted in.

use crate::map::{Crc8, Layout, Piece};
use crate::wire::{low_bits, nibble_steps};

/// What fills a run of bits, or is read from it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Of {
    Axis,
    Address,
    Data,
    /// A one for the positive direction.
    Positive,
    /// A one for the negative direction.
    Negative,
    Argument,
    Status,
}

/// A run of bits: those of a number from `lsb` on, which are shifted left by `shift`.
#[derive(Clone, Copy, Debug)]
pub(super) struct Run {
    pub(super) of: Of,
    pub(super) lsb: u8,
    pub(super) width: u8,
    pub(super) shift: u8,
}

/// What comes behind the pieces of fixed place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Tail {
    Nothing,
    /// A register's content, in as many whole units as it takes.
    Content,
    Check,
}

/// A word that is sent.
#[derive(Clone, Copy, Debug)]
pub(super) struct Word {
    /// The bits that the map fixes, upper half first.
    pub(super) base: [u32; 2],
    /// Where in the table its runs begin, and how many there are.
    pub(super) runs: (u8, u8),
    /// Bits and units without a content behind them.
    pub(super) bits: u8,
    pub(super) units: u8,
    pub(super) tail: Tail,
}

/// A reply.
#[derive(Clone, Copy, Debug)]
pub(super) struct Answer {
    /// The bits that the map fixes, and what they are.
    pub(super) fixed_mask: u64,
    pub(super) fixed: u64,
    /// The bits of the status word that it brings.
    pub(super) known: u64,
    pub(super) runs: (u8, u8),
    pub(super) bits: u8,
    pub(super) units: u8,
    /// Bits of its last unit behind it.
    pub(super) spare: u8,
    pub(super) tail: Tail,
    pub(super) brings_data: bool,
    /// Whether it is the status word and nothing else.
    pub(super) is_bare_status: bool,
}

/// Most runs in one word.
pub(super) const RUNS: usize = 8;

/// A word or a reply, with its runs still beside it.
#[derive(Clone, Copy)]
pub(super) struct Parts {
    pub(super) fixed: u64,
    pub(super) fixed_mask: u64,
    pub(super) known: u64,
    pub(super) runs: [Run; RUNS],
    pub(super) count: usize,
    pub(super) bits: u16,
    pub(super) units: u16,
    pub(super) tail: Tail,
    pub(super) brings_data: bool,
}

pub(super) const NO_RUN: Run = Run { of: Of::Axis, lsb: 0, width: 1, shift: 0 };

impl Parts {
    /// `None` for what tables do not express.
    pub(super) const fn of(layout: &Layout, pieces: &[Piece], most_data_bits: u16, is_reply: bool) -> Option<Self> {
        let unit_bits = layout.wire.unit_bits as u16;
        // What has no bits of its own here stands behind all others.
        let bits = Piece::total_width(pieces, 0);
        let mut parts = Self {
            fixed: 0,
            fixed_mask: 0,
            known: 0,
            runs: [NO_RUN; RUNS],
            count: 0,
            bits,
            units: layout.units_of(pieces, 0),
            tail: Tail::Nothing,
            brings_data: false,
        };
        if bits > 64 || parts.units * unit_bits > 64 {
            return None;
        }
        let mut below = if is_reply { bits } else { 64 };
        let mut rest = pieces;
        while let [piece, tail @ ..] = rest {
            rest = tail;
            let width = piece.width(0);
            below -= width;
            let run = match *piece {
                Piece::Fixed { value, .. } => {
                    parts.fixed |= shifted_left(value & low_bits(width), below);
                    parts.fixed_mask |= shifted_left(low_bits(width), below);
                    continue;
                }
                Piece::Any { .. } => continue,
                Piece::DataByRegister => {
                    if !tail.is_empty() || !bits.is_multiple_of(unit_bits) || bits + most_data_bits > 64 {
                        return None;
                    }
                    // A reply of another kind would have its other parts in different places for different registers.
                    if is_reply && bits > 0 {
                        return None;
                    }
                    parts.tail = Tail::Content;
                    parts.brings_data = true;
                    continue;
                }
                Piece::Crc => {
                    if !tail.is_empty() || layout.wire.crc.is_none() {
                        return None;
                    }
                    parts.tail = Tail::Check;
                    continue;
                }
                Piece::Axis { width } => (Of::Axis, 0, width),
                Piece::Address { width } => (Of::Address, 0, width),
                Piece::Data { lsb, width } => {
                    parts.brings_data = true;
                    (Of::Data, lsb, width)
                }
                Piece::Status { lsb, width } if is_reply => {
                    parts.known |= shifted_left(low_bits(width as u16), lsb as u16);
                    (Of::Status, lsb, width)
                }
                // In a request they are zeros, as in a reply they say nothing.
                Piece::Status { .. } => continue,
                Piece::Direction { .. } | Piece::Velocity { .. } | Piece::Distance { .. } | Piece::Position { .. }
                    if is_reply =>
                {
                    continue;
                }
                Piece::Direction { positive: true } => (Of::Positive, 0, 1),
                Piece::Direction { positive: false } => (Of::Negative, 0, 1),
                Piece::Velocity { lsb, width, .. }
                | Piece::Distance { lsb, width, .. }
                | Piece::Position { lsb, width, .. } => (Of::Argument, lsb, width),
            };
            let (of, lsb, width) = run;
            let is_wide = width > 32 && !matches!(of, Of::Status) || lsb > 31 && !matches!(of, Of::Status);
            let Some((_, [place, ..])) = parts.runs.split_at_mut_checked(parts.count) else {
                return None;
            };
            if is_wide || width == 0 || below > 63 {
                return None;
            }
            *place = Run { of, lsb, width, shift: below as u8 };
            parts.count += 1;
        }
        Some(parts)
    }
}

pub(super) const fn shifted_left(bits: u64, count: u16) -> u64 {
    match bits.checked_shl(count as u32) {
        Some(shifted) => shifted,
        None => 0,
    }
}

/// By the upper four bits of a check's register what four steps make of it (by the lower four, where it is reflected).
pub(super) const fn nibbles(crc: Option<Crc8>) -> [u8; 16] {
    let mut table = [0; 16];
    let mut nibble = 0;
    let mut places: &mut [u8] = &mut table;
    while let (Some(crc), [place, more @ ..]) = (crc, places) {
        *place = nibble_steps(crc, nibble);
        nibble += 1;
        places = more;
    }
    table
}

/// A unit again and again, from the uppermost bits of 64 on.
pub(super) const fn repeated(unit: u64, width: u8) -> u64 {
    let mut units = 0;
    let mut used = width as u16;
    while width > 0 && used <= 64 {
        units |= shifted_left(unit, 64 - used);
        used += width as u16;
    }
    units
}
