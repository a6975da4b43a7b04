//! One device's word, bit by bit: pieces into units, and a reply's units back into what they say.
//!
//! A word is walked piece by piece from its first bit; a unit is the window of it that one latch takes. Above
//! stands [`command`](crate::command) (what the codes are), below [`chain`](crate::chain) (where the unit goes in
//! a frame). Knows no time and no neighbours.

use crate::map::{BitOrder, Crc8, Layout, Piece, Wire};

/// The numbers that the pieces of one word stand for.
#[derive(Clone, Copy, Debug, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) struct Content {
    pub(crate) axis: u8,
    pub(crate) address: u16,
    /// What [`Piece::DataByRegister`] stands for at the address.
    pub(crate) data_bits: u16,
    pub(crate) positive: bool,
    /// The code of the velocity, distance or target position.
    pub(crate) argument: u32,
    /// The content of the register that is written.
    pub(crate) data: u32,
}

impl Content {
    pub(crate) const NONE: Self = Self { axis: 0, address: 0, data_bits: 0, positive: false, argument: 0, data: 0 };

    /// The bits that `piece` is sent as, right-aligned; more than its width for a part of a code.
    const fn bits_of(&self, piece: &Piece) -> u64 {
        match *piece {
            Piece::Fixed { value, .. } => value,
            Piece::Axis { .. } => self.axis as u64,
            Piece::Address { .. } => self.address as u64,
            Piece::Data { lsb, .. } => shifted_right(self.data as u64, lsb as u32),
            Piece::DataByRegister => self.data as u64,
            Piece::Direction { positive } => (positive == self.positive) as u64,
            Piece::Velocity { lsb, .. } | Piece::Distance { lsb, .. } | Piece::Position { lsb, .. } => {
                shifted_right(self.argument as u64, lsb as u32)
            }
            Piece::Any { .. } | Piece::Status { .. } | Piece::Crc => 0,
        }
    }
}

/// The unit at `index` of the word that `pieces` make with `content`, ready for the wire's bit order.
pub(crate) const fn unit(layout: &Layout, pieces: &[Piece], content: &Content, index: u16) -> u64 {
    let wire = &layout.wire;
    let data_bits = content.data_bits;
    let (from, to) = window(wire, index);
    let mut check = Check::of_word(wire.crc, pieces, data_bits);
    let mut unit = 0;
    let mut start = 0;
    let mut rest = pieces;
    while let [piece, tail @ ..] = rest {
        rest = tail;
        let width = piece.width(data_bits);
        let end = start + width;
        let is_inside = end > from && start < to;
        if !is_inside && wire.crc.is_none() {
            start = end;
            continue;
        }
        let bits = match piece {
            Piece::Crc => check.result() as u64,
            _ => content.bits_of(piece) & low_bits(width),
        };
        check.push(bits, width);
        if is_inside {
            unit |= match end.checked_sub(to) {
                Some(beyond) => shifted_right(bits, beyond as u32),
                None => shifted_left(bits, (to - end) as u32),
            };
        }
        start = end;
    }
    in_bit_order(wire, unit & wire.unit_mask())
}

/// The one unit that means nothing to the device.
pub(crate) const fn filler(layout: &Layout) -> u64 {
    unit(layout, layout.wire.filler, &Content::NONE, 0)
}

/// Why a reply is not what its form says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) enum Mismatch {
    /// The check over the reply's bits differs.
    Crc { expected: u8, found: u8 },
    /// A bit that the map fixes, or the echo of the address, differs.
    Fixed,
}

/// What the units of a reply have said so far.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) struct Answer {
    /// The content of the register that was read.
    pub(crate) data: u64,
    /// The status word, and which bits of it the reply carried.
    pub(crate) status: u64,
    pub(crate) status_known: u64,
    check: Check,
    crc: u8,
    fixed_differs: bool,
}

impl Answer {
    /// Nothing said yet; `pieces` and the bits of the register's content are those of the reply.
    pub(crate) const fn new(layout: &Layout, pieces: &[Piece], data_bits: u16) -> Self {
        let check = Check::of_word(layout.wire.crc, pieces, data_bits);
        Self { data: 0, status: 0, status_known: 0, check, crc: 0, fixed_differs: false }
    }

    /// The same for the next reply to a command that has several: the status stays if the next one brings none.
    pub(crate) fn followed_by(self, layout: &Layout, pieces: &[Piece], data_bits: u16) -> Self {
        let next = Self::new(layout, pieces, data_bits);
        if pieces.iter().any(|piece| matches!(piece, Piece::Status { .. })) {
            return next;
        }
        Self { status: self.status, status_known: self.status_known, ..next }
    }

    /// Takes in the unit at `index` of the reply; units come in order.
    pub(crate) fn take(&mut self, layout: &Layout, pieces: &[Piece], content: &Content, index: u16, unit: u64) {
        let wire = &layout.wire;
        let unit = in_bit_order(wire, unit);
        let data_bits = content.data_bits;
        let (from, to) = window(wire, index);
        let mut start = 0;
        for piece in pieces {
            let width = piece.width(data_bits);
            let end = start + width;
            // The run of the piece's bits that lies in this unit.
            let (first, last) = (start.max(from), end.min(to));
            if first < last {
                let run = last - first;
                let bits = shifted_right(unit, (to - last) as u32) & low_bits(run);
                let below = end - last;
                self.take_run(piece, content, bits, run, below);
            }
            start = end;
        }
    }

    /// `bits` are `run` bits of `piece`, with `below` more bits of it still to come.
    fn take_run(&mut self, piece: &Piece, content: &Content, bits: u64, run: u16, below: u16) {
        let place = |lsb: u8| shifted_left(bits, lsb as u32 + below as u32);
        match *piece {
            Piece::Data { lsb, .. } => self.data |= place(lsb),
            Piece::DataByRegister => self.data |= place(0),
            Piece::Status { lsb, .. } => {
                self.status |= place(lsb);
                self.status_known |= shifted_left(low_bits(run), lsb as u32 + below as u32);
            }
            Piece::Fixed { .. } | Piece::Address { .. } | Piece::Axis { .. } => {
                let expected = shifted_right(content.bits_of(piece), below as u32) & low_bits(run);
                self.fixed_differs |= bits != expected;
            }
            Piece::Crc => {
                self.crc |= place(0) as u8;
                return;
            }
            Piece::Any { .. }
            | Piece::Direction { .. }
            | Piece::Velocity { .. }
            | Piece::Distance { .. }
            | Piece::Position { .. } => {}
        }
        self.check.push(bits, run);
    }

    /// Whether all that the map fixes was as it should be; to be asked once the last unit is in.
    pub(crate) fn verdict(&self, pieces: &[Piece]) -> Result<(), Mismatch> {
        let expected = self.check.result();
        if matches!(pieces, [.., Piece::Crc]) && self.crc != expected {
            return Err(Mismatch::Crc { expected, found: self.crc });
        }
        if self.fixed_differs { Err(Mismatch::Fixed) } else { Ok(()) }
    }
}

/// The check over a run of bits, which is thought of as padded with zeros in front to whole bytes.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Check {
    crc: Option<Crc8>,
    /// With the bits that do not make a byte yet in their places.
    register: u8,
    /// How many those are.
    count: u8,
}

impl Check {
    /// `total` is the width of the whole word, the eight bits of the check included.
    const fn new(crc: Option<Crc8>, total: u16) -> Self {
        let register = match crc {
            Some(crc) => initial(crc),
            None => 0,
        };
        Self { crc, register, count: 7 - (total.wrapping_add(7) & 7) as u8 }
    }

    /// For a word of these pieces; where there is no check, their widths do not matter.
    const fn of_word(crc: Option<Crc8>, pieces: &[Piece], data_bits: u16) -> Self {
        Self::new(crc, if crc.is_some() { Piece::total_width(pieces, data_bits) } else { 0 })
    }

    const fn push(&mut self, bits: u64, width: u16) {
        let Some(crc) = self.crc else {
            return;
        };
        let mut left = width;
        while left > 0 {
            let room = 8 - self.count as u16;
            // The bits that still go into this byte stand above those that do not.
            let (taken, byte) = if left >= room {
                (room, shifted_right(bits, (left - room) as u32) as u8)
            } else {
                (left, (bits as u8) << (room - left))
            };
            self.register ^= byte & (0xFF >> self.count);
            left -= taken;
            self.count += taken as u8;
            if self.count == 8 {
                self.register = stepped(crc, self.register);
                self.count = 0;
            }
        }
    }

    const fn result(&self) -> u8 {
        match self.crc {
            Some(crc) => self.register ^ crc.xor_out,
            None => 0,
        }
    }
}

/// The check over whole bytes.
#[inline(always)]
pub(crate) fn check_of(crc: Crc8, bytes: &[u8]) -> u8 {
    bytes.iter().fold(initial(crc), |register, byte| stepped(crc, register ^ byte)) ^ crc.xor_out
}

/// The register before the first bit, in the form in which it runs.
pub(crate) const fn initial(crc: Crc8) -> u8 {
    if crc.reflected { crc.initial.reverse_bits() } else { crc.initial }
}

/// Four steps of the division of four bits: the upper ones of the register, or in reflected form the lower ones.
pub(crate) const fn nibble_steps(crc: Crc8, nibble: u8) -> u8 {
    steps(crc, if crc.reflected { nibble } else { nibble << 4 }, 4)
}

/// Eight steps of the division; in reflected form the register runs the other way round.
#[inline(always)]
const fn stepped(crc: Crc8, register: u8) -> u8 {
    steps(crc, register, 8)
}

#[inline(always)]
const fn steps(crc: Crc8, mut register: u8, count: u8) -> u8 {
    let mut step = 0;
    if crc.reflected {
        let polynomial = crc.polynomial.reverse_bits();
        while step < count {
            register = register >> 1 ^ if register & 1 != 0 { polynomial } else { 0 };
            step += 1;
        }
    } else {
        while step < count {
            register = register << 1 ^ if register & 0x80 != 0 { crc.polynomial } else { 0 };
            step += 1;
        }
    }
    register
}

/// Puts the low `width` bits of `bits` into `bytes` at bit `offset`, counted from the first bit on the wire.
///
/// The bits there must be zero before; bits beyond the end of `bytes` are dropped.
pub(crate) const fn put_bits(bytes: &mut [u8], offset: usize, width: u8, bits: u64) {
    let mut bits = bits & low_bits(width as u16);
    let mut end = offset.saturating_add(width as usize);
    if let Some(beyond) = end.checked_sub(bytes.len() * 8) {
        bits = shifted_right(bits, beyond as u32);
        end -= beyond;
    }
    let Some((mut rest, _)) = bytes.split_at_mut_checked(end.div_ceil(8)) else {
        return;
    };
    // From the last bit to the first: behind the last byte's spare bits everything is whole bytes.
    let mut in_last = (end % 8) as u32;
    while bits != 0
        && let [head @ .., byte] = rest
    {
        rest = head;
        *byte |= (bits as u8) << ((8 - in_last) % 8);
        bits >>= if in_last == 0 { 8 } else { in_last };
        in_last = 0;
    }
}

/// The `width` bits of `bytes` from bit `offset` on; bits beyond the end are zeros.
pub(crate) fn get_bits(bytes: &[u8], offset: usize, width: u8) -> u64 {
    let end = offset + width as usize;
    let in_last = (end % 8) as u32;
    let mut bits = 0;
    for index in offset / 8..end / 8 {
        bits = bits << 8 | u64::from(bytes.get(index).copied().unwrap_or(0));
    }
    if in_last > 0 {
        let last = bytes.get(end / 8).copied().unwrap_or(0);
        bits = bits << in_last | u64::from(last >> (8 - in_last));
    }
    bits & low_bits(width as u16)
}

/// The bits of the word that the unit at `index` takes, counted from the word's first.
const fn window(wire: &Wire, index: u16) -> (u16, u16) {
    let width = wire.unit_bits as u16;
    let from = index.saturating_mul(width);
    (from, from.saturating_add(width))
}

/// The unit as it stands in the frame, or back: its own inverse.
const fn in_bit_order(wire: &Wire, unit: u64) -> u64 {
    match wire.bit_order {
        BitOrder::MsbFirst => unit,
        BitOrder::LsbFirst => shifted_right(unit.reverse_bits(), 64u32.saturating_sub(wire.unit_bits as u32)),
    }
}

pub(crate) const fn low_bits(width: u16) -> u64 {
    if width >= 64 { u64::MAX } else { (1 << width) - 1 }
}

/// `bits >> count`, zero where nothing is left.
const fn shifted_right(bits: u64, count: u32) -> u64 {
    match bits.checked_shr(count) {
        Some(shifted) => shifted,
        None => 0,
    }
}

/// `bits << count`, zero where nothing is left.
const fn shifted_left(bits: u64, count: u32) -> u64 {
    match bits.checked_shl(count) {
        Some(shifted) => shifted,
        None => 0,
    }
}

#[cfg(test)]
mod tests;
