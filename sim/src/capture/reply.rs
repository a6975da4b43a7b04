//! What a device answered, in physical units.

use stepchain::map::{Flag, Layout, MotionState, Piece};
use stepchain::units::Unit;

use crate::decode::{Dictionary, Heard, value_of};

/// A quantity: its code and its value.
#[derive(Clone, Debug, PartialEq)]
pub struct FieldValue {
    /// What it is: a register's name, or the name of an argument.
    pub name: &'static str,
    /// The axis in the device.
    pub axis: u8,
    /// The code as it came.
    pub code: u32,
    /// Its value in `unit`; `None` if the code means nothing.
    pub value: Option<f64>,
    /// The unit's symbol; full steps for what is counted in microsteps.
    pub unit: &'static str,
    /// The same in microsteps, for what is counted in them.
    pub microsteps: Option<f64>,
}

impl FieldValue {
    /// A value, with microsteps turned into full steps by the resolution that holds.
    pub(super) fn new(
        name: &'static str,
        axis: u8,
        code: u32,
        value: Option<f64>,
        unit: Unit,
        microsteps_per_step: f64,
    ) -> Self {
        if unit == Unit::Microsteps {
            let steps = value.map(|value| value / microsteps_per_step.max(1.0));
            return Self { name, axis, code, value: steps, unit: "steps", microsteps: value };
        }
        let unit = match unit {
            Unit::Code => "",
            unit => unit.symbol(),
        };
        Self { name, axis, code, value, unit, microsteps: None }
    }
}

/// What a device answered.
#[derive(Clone, Debug, PartialEq)]
pub struct Reply {
    /// The units, first one first.
    pub units: Vec<u64>,
    /// The status word, where the answer has it, and which of its bits it has.
    pub status: Option<(u64, u64)>,
    /// The flags that are raised.
    pub flags: Vec<(Flag, u8)>,
    /// The motion states, by axis.
    pub states: Vec<(u8, MotionState)>,
    /// The register's content, where the answer has it.
    pub content: Option<u32>,
    /// What the content means.
    pub values: Vec<FieldValue>,
    /// Whether fixed bits and address are as they must be.
    pub is_well_formed: bool,
    /// Whether the check is right.
    pub check_is_right: bool,
}

impl Reply {
    /// Reads units as the answer that has these pieces; `microsteps_per_step` by axis.
    pub(super) fn read(
        dictionary: &Dictionary,
        pieces: &[Piece],
        address: u16,
        units: &[u64],
        microsteps_per_step: impl Fn(u8) -> f64,
    ) -> Self {
        let Heard { answer, status_mask, has_content, is_well_formed, check_is_right } =
            dictionary.hear(pieces, address, units);
        let layout = dictionary.layout();
        let is_known = |bit: u32| status_mask.checked_shr(bit).unwrap_or(0) & 1 == 1;
        let flags =
            layout.status.flags.iter().filter(|flag| is_known(flag.bit.into()) && flag.is_raised(answer.status));
        let values =
            if has_content { values(dictionary, address, answer.content, microsteps_per_step) } else { Vec::new() };
        Self {
            units: units.to_vec(),
            status: (status_mask != 0).then_some((answer.status, status_mask)),
            flags: flags.map(|flag| (flag.flag, flag.axis)).collect(),
            states: states(layout, answer.status, status_mask),
            content: has_content.then_some(answer.content),
            values,
            is_well_formed,
            check_is_right,
        }
    }
}

/// What the content of the register at an address means, field by field.
pub(super) fn values(
    dictionary: &Dictionary,
    address: u16,
    content: u32,
    microsteps_per_step: impl Fn(u8) -> f64,
) -> Vec<FieldValue> {
    let field = |field: &'static stepchain::map::Register| {
        let mask = u32::try_from((1u64 << field.coding.width.min(32)) - 1).unwrap_or(u32::MAX);
        let code = content.checked_shr(field.lsb.into()).unwrap_or(0) & mask;
        let value = value_of(code, &field.coding);
        FieldValue::new(field.name, field.axis, code, value, field.unit, microsteps_per_step(field.axis))
    };
    dictionary.fields(address).map(field).collect()
}

fn states(layout: &Layout, status: u64, mask: u64) -> Vec<(u8, MotionState)> {
    let fields = layout.status.motion_states.iter().filter_map(|told| {
        let ones = (1u64 << told.field.width.min(63)) - 1;
        let is_known = mask.checked_shr(told.field.lsb.into()).unwrap_or(0) & ones == ones;
        let code = status.checked_shr(told.field.lsb.into()).unwrap_or(0) & ones;
        let state = MotionState::ALL.into_iter().find(|state| u64::from(told.code_of(*state)) == code)?;
        is_known.then_some((told.axis, state))
    });
    fields.collect()
}
