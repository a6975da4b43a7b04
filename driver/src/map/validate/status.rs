//! The status word: every bit inside of it, no two flags at one bit, no flag at two.

use super::super::flaw::Flaw;
use super::super::layout::Layout;
use super::super::status::{MotionStateField, StatusBit};
use super::refuse_if;

pub(super) const fn check(layout: &Layout) -> Result<(), Flaw> {
    let status = &layout.status;
    refuse_if!(status.bits > 64, Flaw::StatusBits { found: status.bits });
    let mut rest = status.flags;
    while let [bit, tail @ ..] = rest {
        let name = bit.flag.name();
        refuse_if!(bit.bit >= status.bits || bit.axis >= layout.axes, Flaw::StatusBit { flag: name });
        let mut others = tail;
        while let [other, more @ ..] = others {
            refuse_if!(other.bit == bit.bit, Flaw::StatusOverlap { first: name, second: other.flag.name() });
            refuse_if!(same_flag(bit, other), Flaw::StatusTwice { flag: name });
            others = more;
        }
        rest = tail;
    }
    let mut rest = status.motion_states;
    while let [field, tail @ ..] = rest {
        refuse_if!(!field_is_sound(layout, field), Flaw::MotionStateField);
        rest = tail;
    }
    let mut rest = status.motion_states;
    while let [field, tail @ ..] = rest {
        let mut bits = status.flags;
        while let [bit, more @ ..] = bits {
            let lsb = field.field.lsb;
            refuse_if!(
                bit.bit >= lsb && bit.bit - lsb < field.field.width,
                Flaw::StatusOverlap { first: bit.flag.name(), second: "motion state" }
            );
            bits = more;
        }
        let mut others = tail;
        while let [other, more @ ..] = others {
            refuse_if!(fields_collide(field, other), Flaw::MotionStateField);
            others = more;
        }
        rest = tail;
    }
    Ok(())
}

/// Whether two fields speak of one axis or share a bit; both lie in the status word.
const fn fields_collide(first: &MotionStateField, second: &MotionStateField) -> bool {
    let (a, b) = (first.field, second.field);
    first.axis == second.axis || a.lsb < b.lsb + b.width && b.lsb < a.lsb + a.width
}

const fn same_flag(first: &StatusBit, second: &StatusBit) -> bool {
    first.flag as u8 == second.flag as u8 && first.axis == second.axis
}

const fn field_is_sound(layout: &Layout, field: &MotionStateField) -> bool {
    let width = field.field.width;
    if width == 0 || width > 8 || field.field.lsb as u16 + width as u16 > layout.status.bits as u16 {
        return false;
    }
    if field.axis >= layout.axes {
        return false;
    }
    let mut rest: &[u8] = &field.codes;
    while let [code, tail @ ..] = rest {
        if (*code as u16) >> width != 0 {
            return false;
        }
        let mut others = tail;
        while let [other, more @ ..] = others {
            if *other == *code {
                return false;
            }
            others = more;
        }
        rest = tail;
    }
    true
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::map::{BitField, Piece, StatusLayout, Wire};

    const BASE: Layout = Layout::new("two axes", Wire::latched_units(8, &[Piece::fixed(8, 0)])).axes(2);
    const CODES: [u8; 4] = [0, 1, 2, 3];

    #[test]
    fn two_motion_states_share_neither_bits_nor_an_axis() {
        fn of(fields: &'static [MotionStateField]) -> Layout {
            BASE.status(StatusLayout::new(8, &[]).motion_states(fields))
        }
        const FIRST: MotionStateField = MotionStateField::new(BitField::new(0, 2), CODES);
        const BESIDE: MotionStateField = MotionStateField::new(BitField::new(2, 2), CODES);
        const ACROSS: MotionStateField = MotionStateField::new(BitField::new(1, 2), CODES);
        const GOOD: &[MotionStateField] = &[FIRST, BESIDE.axis(1)];
        const SHARED_BIT: &[MotionStateField] = &[FIRST, ACROSS.axis(1)];
        const SHARED_AXIS: &[MotionStateField] = &[FIRST, BESIDE];
        assert_eq!(of(GOOD).validate(), Ok(()));
        assert_eq!(of(SHARED_BIT).validate(), Err(Flaw::MotionStateField));
        assert_eq!(of(SHARED_AXIS).validate(), Err(Flaw::MotionStateField));
    }
}
