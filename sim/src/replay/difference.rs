//! Tells two answers apart, field by field: which flags, motion states and registers differ.
//!
//! Both are read by the map as the answer to the same question. What cannot be believed at all (a wrong check, fixed
//! bits, an echo of another address) is a difference of its own.

use std::fmt;

use stepchain::map::{MotionState, Piece, Register, StatusBit};

use crate::decode::{Dictionary, Heard, value_of};
use crate::report::number;

/// One thing that two answers say differently.
#[derive(Clone, Copy, Debug, PartialEq)]
#[non_exhaustive]
pub enum Difference {
    /// A flag of the status word.
    Flag {
        /// Which.
        bit: StatusBit,
        /// Whether the captured answer has it raised; the expected one says the contrary.
        captured: bool,
    },
    /// What a ramp generator does.
    State {
        /// The axis of the device.
        axis: u8,
        /// As expected; `None` for a code without meaning.
        expected: Option<MotionState>,
        /// As captured.
        captured: Option<MotionState>,
    },
    /// The code in a field of a register.
    Register {
        /// Which.
        register: &'static Register,
        /// As expected.
        expected: u32,
        /// As captured.
        captured: u32,
    },
    /// Bits that are the same in every answer of this form.
    Form,
    /// The check: the captured answer's own is wrong.
    Check,
}

impl Difference {
    /// What it is about, by the name that the map gives it.
    #[must_use]
    pub const fn name(&self) -> &'static str {
        match self {
            Self::Flag { bit, .. } => bit.flag.name(),
            Self::State { .. } => "motion state",
            Self::Register { register, .. } => register.name,
            Self::Form => "form",
            Self::Check => "check",
        }
    }

    /// What one of the two answers says about it.
    fn side(&self, is_captured: bool) -> String {
        match *self {
            Self::Flag { bit, captured } => {
                let raised = if is_captured == captured { "raised" } else { "not raised" };
                format!("{} {raised}{}", bit.flag.name(), of_axis(bit.axis))
            }
            Self::State { axis, expected, captured } => {
                let state = if is_captured { captured } else { expected };
                format!("{}{}", state.map_or("no motion state", MotionState::name), of_axis(axis))
            }
            Self::Register { register, expected, captured } => {
                let code = if is_captured { captured } else { expected };
                format!("{} {}{}", register.name, shown(register, code), of_axis(register.axis))
            }
            Self::Form => (if is_captured { "bits that no answer has" } else { "the form of the answer" }).to_owned(),
            Self::Check => (if is_captured { "a wrong check" } else { "a right check" }).to_owned(),
        }
    }
}

fn of_axis(axis: u8) -> String {
    if axis == 0 { String::new() } else { format!(" (axis {axis})") }
}

/// A code as a value with its unit; as it is where it means nothing.
fn shown(register: &Register, code: u32) -> String {
    match value_of(code, &register.coding) {
        Some(value) => format!("{} {}", number(value), register.unit.symbol()).trim_end().to_owned(),
        None => format!("code {code:#x}"),
    }
}

/// One side of some differences, for people.
#[derive(Clone, Copy, Debug)]
pub(super) struct Side<'a> {
    pub(super) differences: &'a [Difference],
    pub(super) is_captured: bool,
}

impl fmt::Display for Side<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let said: Vec<_> = self.differences.iter().map(|difference| difference.side(self.is_captured)).collect();
        f.write_str(&said.join(", "))
    }
}

/// What two answers of these pieces, to a question about the register at `address`, say differently.
pub(super) fn differences(
    dictionary: &Dictionary,
    pieces: &[Piece],
    address: u16,
    expected: &[u64],
    captured: &[u64],
) -> Vec<Difference> {
    if expected == captured {
        return Vec::new();
    }
    let mut found = Vec::new();
    if pieces.is_empty() {
        return vec![Difference::Form];
    }
    let [wanted, heard] = [expected, captured].map(|units| dictionary.hear(pieces, address, units));
    if !heard.check_is_right {
        found.push(Difference::Check);
    }
    let layout = dictionary.layout();
    let mask = wanted.status_mask;
    let differ = (wanted.answer.status ^ heard.answer.status) & mask;
    let mut rest = differ;
    for &bit in layout.status.flags {
        let place = 1u64.checked_shl(bit.bit.into()).unwrap_or(0);
        rest &= !place;
        if differ & place != 0 {
            found.push(Difference::Flag { bit, captured: bit.is_raised(heard.answer.status) });
        }
    }
    for told in layout.status.motion_states {
        let ones = (1u64 << told.field.width.min(63)) - 1;
        let place = ones.checked_shl(told.field.lsb.into()).unwrap_or(0);
        rest &= !place;
        if differ & place == 0 {
            continue;
        }
        let state = |heard: &Heard| {
            let code = heard.answer.status.checked_shr(told.field.lsb.into()).unwrap_or(0) & ones;
            MotionState::ALL.into_iter().find(|state| u64::from(told.code_of(*state)) == code)
        };
        let (expected, captured) = (state(&wanted), state(&heard));
        found.push(Difference::State { axis: told.axis, expected, captured });
    }
    let differ = wanted.answer.content ^ heard.answer.content;
    let mut unused = differ;
    for register in dictionary.fields(address) {
        unused &= !register.mask();
        if differ & register.mask() != 0 {
            let code = |content: u32| (content & register.mask()).checked_shr(register.lsb.into()).unwrap_or(0);
            let (expected, captured) = (code(wanted.answer.content), code(heard.answer.content));
            found.push(Difference::Register { register, expected, captured });
        }
    }
    let is_malformed = heard.is_well_formed != wanted.is_well_formed || wanted.answer.axis != heard.answer.axis;
    if is_malformed || rest != 0 || unused != 0 || wanted.answer.address != heard.answer.address {
        found.push(Difference::Form);
    }
    found
}
