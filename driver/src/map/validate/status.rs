//! The status word: every bit inside of it, no two flags at one bit, no flag at two.

use super::super::flaw::Flaw;
use super::super::layout::Layout;
use super::super::register::BitField;
use super::super::status::{Clearing, Holding, MotionStateField, StatusBit};
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
            refuse_if!(other.axis == field.axis || overlap(field.field, other.field), Flaw::MotionStateField);
            others = more;
        }
        rest = tail;
    }
    Ok(())
}

const fn overlap(first: BitField, second: BitField) -> bool {
    let (first_end, second_end) = (first.lsb as u16 + first.width as u16, second.lsb as u16 + second.width as u16);
    (first.lsb as u16) < second_end && (second.lsb as u16) < first_end
}

/// The bits of the flags that taking the status clears.
pub(super) const fn cleared_by_taking(layout: &Layout) -> u64 {
    let mut bits = 0;
    let mut rest = layout.status.flags;
    while let [bit, tail @ ..] = rest {
        if matches!(bit.holding, Holding::LatchedUntil(Clearing::TakeStatus)) {
            bits |= 1 << bit.bit;
        }
        rest = tail;
    }
    bits
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
