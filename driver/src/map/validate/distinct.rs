//! No word may be taken for another: they are compared bit by bit, as far as the map fixes their bits.

use super::super::flaw::Flaw;
use super::super::form::Piece;
use super::super::layout::Layout;
use super::refuse_if;

/// Two words can be told apart: some bit is known in both, and differs, before either ends; or one has an address
/// where the other has bits that are no register's address.
pub(super) const fn words(
    layout: &Layout,
    first: &[Piece],
    first_name: &'static str,
    second: &[Piece],
    second_name: &'static str,
) -> Result<(), Flaw> {
    let (mut of_first, mut of_second) = (Reserved::NONE, Reserved::NONE);
    let (mut first, mut second) = (Bits::of(first), Bits::of(second));
    if first.rest.is_empty() || second.rest.is_empty() {
        return Ok(());
    }
    while let (Some(a), Some(b)) = (first.next_bit(), second.next_bit()) {
        match (a, b) {
            (Bit::Known(a), Bit::Known(b)) if a != b => return Ok(()),
            (Bit::Address(place), Bit::Known(bit)) => of_first.add(place, bit),
            (Bit::Known(bit), Bit::Address(place)) => of_second.add(place, bit),
            _ => {}
        }
    }
    let told_apart = of_first.is_no_register(layout) || of_second.is_no_register(layout);
    refuse_if!(!told_apart, Flaw::OpcodeShadowed { first: first_name, second: second_name });
    Ok(())
}

/// What another word has where this one has its address: no register may stand there.
struct Reserved {
    mask: u64,
    bits: u64,
}

impl Reserved {
    const NONE: Self = Self { mask: 0, bits: 0 };

    const fn add(&mut self, place: u32, bit: bool) {
        self.mask |= 1 << place;
        self.bits |= (bit as u64) << place;
    }

    const fn is_no_register(&self, layout: &Layout) -> bool {
        if self.mask == 0 || layout.registers.is_empty() {
            return false;
        }
        let mut rest = layout.registers;
        while let [register, tail @ ..] = rest {
            if (register.address as u64 ^ self.bits) & self.mask == 0 {
                return false;
            }
            rest = tail;
        }
        true
    }
}

enum Bit {
    /// The same in every such word.
    Known(bool),
    /// This bit of the address.
    Address(u32),
    Open,
}

/// Walks the bits of a word.
struct Bits<'a> {
    rest: &'a [Piece],
    taken: u16,
}

impl<'a> Bits<'a> {
    const fn of(pieces: &'a [Piece]) -> Self {
        Self { rest: pieces, taken: 0 }
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
        let place = (width - 1 - self.taken) as u32;
        self.taken += 1;
        if self.taken == width {
            self.rest = tail;
            self.taken = 0;
        }
        Some(match *piece {
            Piece::Fixed { value, .. } => Bit::Known(value >> place & 1 == 1),
            Piece::Address { .. } => Bit::Address(place),
            _ => Bit::Open,
        })
    }
}
