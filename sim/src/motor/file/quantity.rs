//! How great and how small the numbers of a motor file may be: beyond that it is a slip, and nothing can be reckoned with it.

use crate::bench::Problem;
use crate::bench::tree::{Node, Table};

/// What a number may be: wide enough for any motor made, and no wider than what can be reckoned with.
pub(super) struct Quantity {
    unit: &'static str,
    least: f64,
    greatest: f64,
}

const fn quantity(unit: &'static str, least: f64, greatest: f64) -> Quantity {
    Quantity { unit, least, greatest }
}

pub(super) const RESISTANCE: Quantity = quantity("ohms", 1e-4, 1e6);
pub(super) const INDUCTANCE: Quantity = quantity("henries", 1e-8, 1e3);
pub(super) const CURRENT: Quantity = quantity("amperes", 1e-5, 1e4);
pub(super) const BACK_EMF: Quantity = quantity("V·s/rad", 1e-7, 1e4);
pub(super) const TORQUE: Quantity = quantity("newton metres", 1e-9, 1e5);
pub(super) const INERTIA: Quantity = quantity("kg·m²", 1e-14, 1e4);
pub(super) const VISCOUS: Quantity = quantity("N·m·s/rad", 1e-15, 1e4);
pub(super) const CAPACITY: Quantity = quantity("J/K", 1e-6, 1e12);
pub(super) const HEAT_RESISTANCE: Quantity = quantity("K/W", 1e-6, 1e12);
pub(super) const VOLTAGE: Quantity = quantity("volts", 1e-3, 1e5);
pub(super) const VELOCITY: Quantity = quantity("full steps/s", 1e-2, 1e6);
pub(super) const DURATION: Quantity = quantity("seconds", 1e-6, 1e9);

pub(super) fn positive(table: &Table<'_>, key: &str, quantity: &Quantity) -> Result<f64, Problem> {
    quantity.above_zero(&table.need(key, &quantity.expected_above_zero())?)
}

/// Zero if the key is missing.
pub(super) fn not_negative(table: &Table<'_>, key: &str, quantity: &Quantity) -> Result<f64, Problem> {
    let Some(node) = table.get(key) else { return Ok(0.0) };
    let expected = format!("a number not below 0, in {} up to {:e}", quantity.unit, quantity.greatest);
    let number = node.number(&expected)?;
    if (0.0..=quantity.greatest).contains(&number) { Ok(number) } else { Err(node.problem(short(number), expected)) }
}

impl Quantity {
    fn ends(&self) -> String {
        format!("between {:e} and {:e}", self.least, self.greatest)
    }

    fn expected_above_zero(&self) -> String {
        format!("a number above 0, in {} {}", self.unit, self.ends())
    }

    pub(super) fn above_zero(&self, node: &Node<'_>) -> Result<f64, Problem> {
        let expected = self.expected_above_zero();
        let number = node.number(&expected)?;
        let fits = (self.least..=self.greatest).contains(&number);
        if fits { Ok(number) } else { Err(node.problem(short(number), expected)) }
    }

    /// A number that follows from one in the file, which is `what`.
    pub(super) fn following(&self, number: f64, what: &str, node: &Node<'_>) -> Result<f64, Problem> {
        let fits = (self.least..=self.greatest).contains(&number);
        let problem = || node.problem(format!("{what} of {number:.3e} {}", self.unit), format!("one {}", self.ends()));
        if fits { Ok(number) } else { Err(problem()) }
    }

    pub(super) fn of_either_sign(&self, node: &Node<'_>) -> Result<f64, Problem> {
        let expected = format!("{} up to {:e} in either direction", self.unit, self.greatest);
        let number = node.number(&expected)?;
        if number.abs() <= self.greatest { Ok(number) } else { Err(node.problem(short(number), expected)) }
    }
}

/// A number as it stands in a message: not hundreds of digits where it is far from one.
fn short(number: f64) -> String {
    if number == 0.0 || (1e-6..1e9).contains(&number.abs()) { number.to_string() } else { format!("{number:e}") }
}
