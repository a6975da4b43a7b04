//! What the registers of a map can hold: the codes that a value has, as numbers, in the order of their values.
//!
//! Knows registers and numbers; not what the numbers do to a motor.

use std::collections::BTreeMap;

use stepchain::map::Register;
use stepchain::units::Value;

use crate::bench::bits;

/// Most values that a [`Grid`] lists: of a register with more codes, it lists as many at even distances.
const MOST: i64 = 1 << 12;

/// A code, and what it means as a number in its register's unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Code {
    /// The register's code.
    pub(super) code: u32,
    /// What it means.
    pub(super) value: f64,
}

/// A value as a number in its unit.
pub(super) fn number_of(value: Value) -> f64 {
    let number = value.number();
    number.bits as f64 / (1u64 << number.fraction_bits) as f64
}

/// The code whose value is nearest; the first or the last where the value is beyond all of them. `None` if no code means
/// anything in the register's unit.
pub(super) fn nearest(register: &Register, value: f64) -> Option<Code> {
    let (least, greatest) = register.coding.limits(register.unit);
    (least <= greatest).then(|| at_bits(register, bits(value, register.unit).clamp(least, greatest)))?
}

/// The code of the greatest value that is not above `value`; the first where all are above.
pub(super) fn at_most(register: &Register, value: f64) -> Option<Code> {
    let (least, greatest) = register.coding.limits(register.unit);
    let asked = bits(value, register.unit).clamp(least, greatest.max(least));
    let fits = |bits: i64| at_bits(register, bits).is_some_and(|code| code.value <= value);
    let (mut below, mut above) = (least, asked);
    if fits(asked) {
        return at_bits(register, asked);
    }
    // Values grow with the bits that are asked, so there is one edge.
    while above - below > 1 {
        let middle = below + (above - below) / 2;
        if fits(middle) { below = middle } else { above = middle }
    }
    at_bits(register, below)
}

/// The code of the least value that is not below `value`; the last where all are below.
pub(super) fn at_least(register: &Register, value: f64) -> Option<Code> {
    let (least, greatest) = register.coding.limits(register.unit);
    let asked = bits(value, register.unit).clamp(least, greatest.max(least));
    let fits = |bits: i64| at_bits(register, bits).is_some_and(|code| code.value >= value);
    let (mut below, mut above) = (asked, greatest);
    if fits(asked) {
        return at_bits(register, asked);
    }
    while above - below > 1 {
        let middle = below + (above - below) / 2;
        if fits(middle) { above = middle } else { below = middle }
    }
    at_bits(register, above)
}

fn at_bits(register: &Register, bits: i64) -> Option<Code> {
    let value = Value::from_bits(register.unit, bits).ok()?;
    let code = register.code_of(value).ok()?;
    Some(Code { code, value: number_of(register.value_of(code).ok()?) })
}

/// The values of a register, least first.
#[derive(Clone, Debug)]
pub(super) struct Grid {
    /// The register.
    pub(super) register: &'static Register,
    codes: Vec<Code>,
}

impl Grid {
    /// Those between two numbers, and the next ones outside of them.
    pub(super) fn of(register: &'static Register, least: f64, greatest: f64) -> Option<Self> {
        let (first, last) = (nearest(register, least)?, nearest(register, greatest)?);
        let (from, to) = (bits(first.value, register.unit), bits(last.value, register.unit));
        let mut codes = BTreeMap::new();
        let mut keep = |code: Code| codes.entry(bits(code.value, register.unit)).or_insert(code).code;
        if register.coding.width <= 12 {
            let all = (0..=register.coding.mask()).filter_map(|code| {
                let value = number_of(register.value_of(code).ok()?);
                // Where several codes mean one value, take the one that the driver would write.
                nearest(register, value)
            });
            all.filter(|code| code.value >= first.value && code.value <= last.value).for_each(|code| {
                keep(code);
            });
        } else {
            for step in 0..=MOST {
                at_bits(register, from + (to - from) / MOST * step + (to - from) % MOST * step / MOST).map(&mut keep);
            }
        }
        Some(Self { register, codes: codes.into_values().collect() })
    }

    /// How many values there are; at least one.
    pub(super) fn len(&self) -> usize {
        self.codes.len()
    }

    /// The entry at an index; the last where the index is beyond.
    pub(super) fn at(&self, index: usize) -> Code {
        let last = self.codes.len().saturating_sub(1);
        self.codes.get(index.min(last)).copied().unwrap_or(Code { code: 0, value: 0.0 })
    }

    /// The index of the value nearest to a number.
    pub(super) fn nearest(&self, value: f64) -> usize {
        let above = self.codes.partition_point(|code| code.value < value).min(self.codes.len().saturating_sub(1));
        let below = above.saturating_sub(1);
        if value - self.at(below).value < self.at(above).value - value { below } else { above }
    }
}

#[cfg(test)]
mod tests {
    use stepchain::map::{Encoding, Parameter, Register};

    use super::*;

    static EIGHTHS: Register = Register::new(Parameter::StallLimit, 0, 4).encoding(Encoding::linear(1, 8));
    static SHORT_FLOAT: Register =
        Register::new(Parameter::ProfileAcceleration, 0, 5).encoding(Encoding::mantissa_exponent(3, 1, 1));

    /// By hand: eighths up to 15/8.
    #[test]
    fn a_limit_is_rounded_to_its_own_side() {
        let of = |code: Option<Code>| code.map(|code| (code.code, code.value)).unwrap();
        assert_eq!(of(at_most(&EIGHTHS, 0.9)), (7, 0.875));
        assert_eq!(of(at_least(&EIGHTHS, 0.9)), (8, 1.0));
        assert_eq!(of(nearest(&EIGHTHS, 0.9)), (7, 0.875));
        assert_eq!((of(at_most(&EIGHTHS, 1.0)), of(at_least(&EIGHTHS, 1.0))), ((8, 1.0), (8, 1.0)));
        assert_eq!((of(at_least(&EIGHTHS, 9.0)), of(at_most(&EIGHTHS, 9.0))), ((15, 1.875), (15, 1.875)));
    }

    /// By hand: three bits of m, two of e: 0 to 7, then 8, 10, 12, 14, then 16, 20, 24, 28, then 32, 40, 48, 56.
    #[test]
    fn a_grid_lists_each_value_once_and_in_order() {
        let grid = Grid::of(&SHORT_FLOAT, 0.0, 1e6).unwrap();
        let values: Vec<f64> = (0..grid.len()).map(|index| grid.at(index).value).collect();
        let by_hand = [0., 1., 2., 3., 4., 5., 6., 7., 8., 10., 12., 14., 16., 20., 24., 28., 32., 40., 48., 56.];
        assert_eq!(values, by_hand);
        assert_eq!(grid.at(grid.nearest(21.0)).value, 20.0);
        assert_eq!(grid.at(grid.nearest(-5.0)).value, 0.0);
        assert_eq!(grid.at(grid.nearest(1e9)).value, 56.0);
        assert_eq!(Grid::of(&SHORT_FLOAT, 3.2, 9.0).unwrap().len(), 7, "3 to 8 and 10");
    }
}
