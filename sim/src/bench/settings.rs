//! Parameters by the names that a bench gives them, and their values in physical units.

use std::collections::BTreeMap;

use stepchain::map::{Layout, Parameter, Register};
use stepchain::units::{Unit, Value};

use super::problem::{Problem, Source};
use super::tree::{Node, Table, unknown};
use super::{Axis, Setting};

/// The name of a register's parameter in a bench: small letters, digits and underscores.
pub(super) fn name_of(register: &Register) -> String {
    match register.parameter {
        Parameter::BackEmfFrom(_) | Parameter::BackEmfSlope(_) => snake(&register.parameter.to_string()),
        Parameter::Custom(_) => snake(register.name),
        parameter => snake(parameter.name()),
    }
}

fn snake(name: &str) -> String {
    let apart = name.to_lowercase().replace(|c: char| !c.is_ascii_alphanumeric(), "_");
    let words: Vec<_> = apart.split('_').filter(|word| !word.is_empty()).collect();
    words.join("_")
}

/// The register that a bench means by `name` on an axis of a device.
pub(super) fn register(layout: &'static Layout, axis: u8, name: &str) -> Option<&'static Register> {
    let named = layout.registers.iter().find(|register| name_of(register) == name)?;
    layout.register(named.parameter, axis)
}

/// The name by which messages call the unit of a setting.
fn expected_in(register: &Register) -> String {
    let unit = match register.unit {
        Unit::Microsteps => "full steps",
        Unit::StepsPerSecond => "full steps/s",
        Unit::StepsPerSecondSquared => "full steps/s²",
        Unit::Code => "a register code",
        Unit::Factor => "a bare factor",
        unit => unit.symbol(),
    };
    format!("a number ({unit})")
}

/// The value of a register, from a number at this program's surface.
pub(super) fn value(node: &Node<'_>, register: &'static Register, resolution: u16) -> Result<Value, Problem> {
    let number = node.number(&expected_in(register))?;
    let scale = if register.unit == Unit::Microsteps { f64::from(resolution) } else { 1.0 };
    let bits = bits(number * scale, register.unit);
    let of_unit = Value::from_bits(register.unit, bits);
    let both = of_unit.and_then(|value| register.quantised(value).map(|really| (value, really)));
    let (value, really) = both.map_err(|error| {
        let limits = format!("{}..={} {}", error.min(), error.max(), error.unit());
        node.problem(format!("{} {}", error.value(), error.unit()), format!("`{}` within {limits}", name_of(register)))
    })?;
    // Nearest may be zero, and a slope or a speed of zero is something else than a small one.
    if number != 0.0 && really.to_bits() == 0 {
        let found = format!("{number} {}, which would be written as 0", register.unit.symbol());
        let least = least_but_zero(register, number < 0.0)
            .map_or(String::new(), |least| format!(", of which the smallest is {least}"));
        let expected = format!("0 or a value that `{}` can hold{least}", name_of(register));
        return Err(node.problem(found, expected));
    }
    Ok(value)
}

/// The value nearest to zero on one side of it that a code of the register means.
fn least_but_zero(register: &'static Register, negative: bool) -> Option<Value> {
    let (min, max) = register.coding.limits(register.unit);
    let end = if negative { min } else { max };
    let quantised = |bits| register.quantised(Value::from_bits(register.unit, bits).ok()?).ok();
    let is_zero = |bits| quantised(bits).is_none_or(|value| value.to_bits() == 0);
    if (end < 0) != negative || is_zero(end) {
        return None;
    }
    // What is rounded to zero lies on this side of it: halve the way until one bit is between both.
    let (mut near, mut far) = (0, end);
    while (far - near).abs() > 1 {
        let middle = near + (far - near) / 2;
        if is_zero(middle) { near = middle } else { far = middle }
    }
    quantised(far)
}

/// The fixed-point bits nearest to a number; numbers beyond 64 bits end at its limits.
pub(crate) fn bits(number: f64, unit: Unit) -> i64 {
    (number * (1u64 << unit.fraction_bits()) as f64).round() as i64
}

/// The axes of the bench, with the resolution that each has once `tables` are written, and what is to be written.
///
/// `tables` are those of `[settings]`: one for all axes and one for each, the latter winning.
pub(super) fn read(
    source: &Source<'_>,
    layout: &'static Layout,
    axes: &mut [Axis],
    settings: Option<&Table<'_>>,
) -> Result<Vec<Setting>, Problem> {
    let Some(settings) = settings else {
        return Ok(Vec::new());
    };
    let mut known: Vec<_> = axes.iter().map(|axis| axis.name.clone()).collect();
    known.push("all".to_owned());
    let known: Vec<_> = known.iter().map(String::as_str).collect();
    settings.only(&known)?;
    let table = |name: &str| match settings.get(name) {
        Some(node) => node.table("a table of parameters").map(Some),
        None => Ok(None),
    };
    let common = table("all")?;
    let mut all = Vec::new();
    for (index, axis) in axes.iter_mut().enumerate() {
        let own = table(&axis.name)?;
        // A parameter has one value, at the place of the entry that wins.
        let mut wanted = BTreeMap::new();
        for (rank, table) in [&common, &own].into_iter().flatten().enumerate() {
            for entry in table.entries() {
                let Some(register) = register(layout, axis.axis, entry.key) else {
                    let names: Vec<_> = layout.registers.iter().map(name_of).collect();
                    let names: Vec<_> = names.iter().map(String::as_str).collect();
                    return Err(unknown(source, &entry.key_span, entry.key, &names));
                };
                wanted.insert(entry.key, (rank, entry.key_span.start, register, entry.node));
            }
        }
        let mut wanted: Vec<_> = wanted.into_values().collect();
        // The resolution goes first: what is counted in microsteps hangs on it.
        wanted.sort_by_key(|&(rank, start, register, _)| {
            (register.parameter != Parameter::MicrostepResolution, rank, start)
        });
        for (_, _, register, node) in wanted {
            let value = value(&node, register, axis.resolution)?;
            if let Value::MicrostepResolution(resolution) = value {
                axis.resolution = offered(layout, resolution.to_microsteps_per_step(), &node)?;
            }
            let asked = node.number(&expected_in(register))?;
            all.push(Setting { axis: index, register, asked, value, place: source.place(node.span().start) });
        }
    }
    Ok(all)
}

fn offered(layout: &Layout, resolution: u16, node: &Node<'_>) -> Result<u16, Problem> {
    if layout.position.resolutions.contains(&resolution) {
        return Ok(resolution);
    }
    let offered: Vec<_> = layout.position.resolutions.iter().map(u16::to_string).collect();
    Err(node.problem(format!("{resolution} microsteps/step"), format!("one of {}", offered.join(", "))))
}

/// Microsteps in a full step after power-up.
pub(crate) fn resolution_at_reset(layout: &Layout, axis: u8) -> u16 {
    let register = layout.register(Parameter::MicrostepResolution, axis);
    match register.map(|register| register.value_of(register.reset)) {
        Some(Ok(Value::MicrostepResolution(resolution))) => resolution.to_microsteps_per_step(),
        _ => layout.position.resolutions.first().copied().unwrap_or(1),
    }
}

#[cfg(test)]
mod tests {
    use stepchain::map::RegisterMap;
    use stepchain::reference::{FixedWord, Latched};

    use super::*;

    #[test]
    fn parameters_are_named_in_small_letters_with_underscores() {
        let names = |layout: &Layout| layout.registers.iter().map(name_of).collect::<Vec<_>>();
        let latched = names(&Latched::LAYOUT);
        assert!(latched.contains(&"start_stop_velocity".to_owned()), "{latched:?}");
        assert!(latched.contains(&"back_emf_slope_1".to_owned()), "{latched:?}");
        assert!(names(&FixedWord::LAYOUT).contains(&"motion_kind".to_owned()));
    }

    #[test]
    fn every_register_of_a_map_has_a_name_of_its_own() {
        for layout in [&Latched::LAYOUT, &FixedWord::LAYOUT] {
            let mut names: Vec<_> = layout.registers.iter().map(name_of).collect();
            names.sort();
            let before = names.len();
            names.dedup();
            assert_eq!(names.len(), before, "{names:?}");
        }
    }

    /// By hand: 2⁸ · 1500.5 is 384 128.
    #[test]
    fn a_number_becomes_the_nearest_fixed_point_bits() {
        assert_eq!(bits(1500.5, Unit::StepsPerSecondSquared), 384_128);
        assert_eq!(bits(-0.5, Unit::Microsteps), -1, "halves go away from zero");
    }
}
