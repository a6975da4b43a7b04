//! Words before the unit's width is known: an opcode in front, pieces in any order, and later the padding.

use stepchain::map::{Coding, Piece};

use super::Style;
use crate::dice::Dice;

/// A request, a reply or the filler, not yet padded to whole units.
#[derive(Debug, Default)]
pub(super) struct Draft {
    /// What has to stand in front, in this order: the bits by which commands are told apart.
    pub(super) head: Vec<Piece>,
    /// What may stand in any order behind.
    pub(super) body: Vec<Piece>,
    pub(super) crc: bool,
}

impl Draft {
    pub(super) fn bits(&self) -> u16 {
        let crc = if self.crc { 8 } else { 0 };
        Piece::total_width(&self.head, 0) + Piece::total_width(&self.body, 0) + crc
    }

    /// The pieces, padded to whole units; none if there were none.
    pub(super) fn pieces(mut self, dice: &mut Dice, unit_bits: u8) -> &'static [Piece] {
        if self.head.is_empty() && self.body.is_empty() {
            return &[];
        }
        dice.shuffle(&mut self.body);
        let beyond = self.bits() % u16::from(unit_bits);
        if beyond > 0 {
            let mut padding = unit_bits - beyond as u8;
            if padding > 1 && dice.chance(3) {
                let part = dice.between(1, u64::from(padding) - 1) as u8;
                self.pad(dice, part);
                padding -= part;
            }
            self.pad(dice, padding);
        }
        let mut pieces = self.head;
        pieces.append(&mut self.body);
        if self.crc {
            pieces.push(Piece::Crc);
        }
        pieces.leak()
    }

    fn pad(&mut self, dice: &mut Dice, width: u8) {
        let padding = match dice.below(3) {
            0 => Piece::any(width),
            1 => Piece::fixed(width, 0),
            _ => Piece::fixed(width, dice.bits(width)),
        };
        let at = dice.below(self.body.len() as u64 + 1) as usize;
        self.body.insert(at, padding);
    }
}

/// `width` bits whole or in shuffled parts, each made by `part` from its lowest bit and its width.
pub(super) fn parts(dice: &mut Dice, width: u8, part: impl Fn(u8, u8) -> Piece) -> Vec<Piece> {
    if width < 2 || !dice.chance(3) {
        return vec![part(0, width)];
    }
    let count = dice.between(2, 3.min(u64::from(width))) as usize;
    let mut cuts = vec![0, width];
    while cuts.len() <= count {
        let cut = dice.between(1, u64::from(width) - 1) as u8;
        if !cuts.contains(&cut) {
            cuts.push(cut);
        }
    }
    cuts.sort_unstable();
    let mut parts: Vec<Piece> = cuts.windows(2).map(|pair| part(pair[0], pair[1] - pair[0])).collect();
    dice.shuffle(&mut parts);
    parts
}

/// An argument, whole or in parts; with a direction bit if its coding has no sign.
pub(super) fn argument(dice: &mut Dice, of: fn(Coding) -> Piece, coding: Coding, needs_direction: bool) -> Vec<Piece> {
    let mut pieces = parts(dice, coding.width, |lsb, width| of(coding).part(lsb, width));
    if needs_direction {
        pieces.push(Piece::direction(dice.chance(2)));
    }
    pieces
}

/// Some bits of the status word, as many as fit; not always any.
pub(super) fn some_status(dice: &mut Dice, style: &Style, room: u16) -> Vec<Piece> {
    let most = u64::from(room.min(u16::from(style.status_bits)).min(8));
    if most == 0 || dice.chance(2) {
        return Vec::new();
    }
    let width = dice.between(1, most) as u8;
    let lsb = dice.below(u64::from(style.status_bits - width) + 1) as u8;
    vec![Piece::status(width).part(lsb, width)]
}

/// The unit that is shifted out where there is no reply; none for zeros.
pub(super) fn idle_reply(dice: &mut Dice, style: &Style, unit_bits: u8) -> &'static [Piece] {
    let crc = style.crc.is_some() && unit_bits > 8 && dice.chance(2);
    let room = u16::from(unit_bits) - if crc { 8 } else { 0 };
    if dice.chance(3) {
        return &[];
    }
    let body = some_status(dice, style, room);
    if body.is_empty() && !crc {
        let width = unit_bits;
        return vec![Piece::fixed(width, dice.bits(width))].leak();
    }
    Draft { head: Vec::new(), body, crc }.pieces(dice, unit_bits)
}
