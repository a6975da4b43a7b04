//! No word may be taken for another: they are compared bit by bit, as far as the map fixes their bits.

use super::super::flaw::Flaw;
use super::super::form::Piece;
use super::super::layout::Layout;
use super::refuse_if;
use super::tally::Tally;

/// Two words can be told apart: some bit is known in both, and differs, before either ends.
pub(super) const fn words(
    layout: &Layout,
    first: &[Piece],
    first_name: &'static str,
    second: &[Piece],
    second_name: &'static str,
) -> Result<(), Flaw> {
    let flaw = Flaw::OpcodeShadowed { first: first_name, second: second_name };
    if first.is_empty() || second.is_empty() || differ(first, second, None) {
        return Ok(());
    }
    // Not by their fixed bits alone: only an address that no register has can still tell them apart. Two words that
    // both have an address are alike for the address that they have in common.
    let addressed = Tally::of(first).address != Tally::of(second).address;
    refuse_if!(!addressed || layout.registers.is_empty(), flaw);
    let mut rest = layout.registers;
    while let [register, tail @ ..] = rest {
        refuse_if!(!differ(first, second, Some(register.address)), flaw);
        rest = tail;
    }
    Ok(())
}

const fn differ(first: &[Piece], second: &[Piece], address: Option<u16>) -> bool {
    let (mut first, mut second) = (Known::new(first, address), Known::new(second, address));
    loop {
        match (first.next_bit(), second.next_bit()) {
            (Some(Bit::Known(a)), Some(Bit::Known(b))) if a != b => return true,
            (Some(_), Some(_)) => {}
            _ => return false,
        }
    }
}

enum Bit {
    Known(bool),
    Open,
}

/// Walks the bits of a word and tells those that are the same in every such word.
struct Known<'a> {
    rest: &'a [Piece],
    address: Option<u16>,
    taken: u16,
}

impl<'a> Known<'a> {
    const fn new(pieces: &'a [Piece], address: Option<u16>) -> Self {
        Self { rest: pieces, address, taken: 0 }
    }

    const fn next_bit(&mut self) -> Option<Bit> {
        let [piece, tail @ ..] = self.rest else {
            return None;
        };
        let width = piece.width(0);
        // What comes after data of unknown length is at no known place.
        if width == 0 {
            return None;
        }
        let shift = (width - 1 - self.taken) as u32;
        let bit = match (*piece, self.address) {
            (Piece::Fixed { value, .. }, _) => Bit::Known(value >> shift & 1 == 1),
            (Piece::Address { .. }, Some(address)) => Bit::Known(address as u64 >> shift & 1 == 1),
            _ => Bit::Open,
        };
        self.taken += 1;
        if self.taken == width {
            self.rest = tail;
            self.taken = 0;
        }
        Some(bit)
    }
}
