//! Status words drawn by lot: flags and motion states on any bits.

use stepchain::map::{BitField, Clearing, Flag, MotionStateField, StatusBit, StatusLayout};

use super::Style;
use crate::dice::Dice;

pub(super) fn draw(dice: &mut Dice, style: &Style) -> StatusLayout {
    let mut free: Vec<u8> = (0..style.status_bits).collect();
    let mut states = Vec::new();
    for axis in 0..style.axes {
        let width = dice.pick(&[2, 2, 3, 8]);
        let places: Vec<u8> =
            free.iter().copied().filter(|lsb| (*lsb..lsb + width).all(|bit| free.contains(&bit))).collect();
        if places.is_empty() || dice.chance(4) {
            continue;
        }
        let lsb = dice.pick(&places);
        free.retain(|bit| !(lsb..lsb + width).contains(bit));
        let codes = dice.distinct(4, width);
        let mut field = [0; 4];
        for (to, code) in field.iter_mut().zip(codes) {
            *to = code as u8;
        }
        states.push(MotionStateField::new(BitField::new(lsb, width), field).axis(axis));
    }
    dice.shuffle(&mut free);
    let mut wanted: Vec<(Flag, u8)> = Vec::new();
    for flag in Flag::ALL {
        wanted.extend((0..style.axes).filter(|_| dice.chance(2)).map(|axis| (*flag, axis)));
    }
    dice.shuffle(&mut wanted);
    let flags: Vec<StatusBit> =
        free.into_iter().zip(wanted).map(|(bit, (flag, axis))| self::flag(dice, flag, bit).axis(axis)).collect();
    StatusLayout::new(style.status_bits, flags.leak()).motion_states(states.leak())
}

fn flag(dice: &mut Dice, flag: Flag, bit: u8) -> StatusBit {
    let drawn = match dice.below(4) {
        0 | 1 => StatusBit::live(flag, bit),
        2 => StatusBit::latched(flag, bit),
        _ => StatusBit::latched(flag, bit).cleared_by(Clearing::FaultReset),
    };
    if dice.chance(3) { drawn.active_low() } else { drawn }
}
