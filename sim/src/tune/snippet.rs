//! The settings as Rust source that compiles against the driver.

use core::fmt::Write as _;

use stepchain::map::{Access, CurveSegment, Parameter};
use stepchain::units::Unit;

use super::Tuning;
use crate::bench::bits;
use crate::map_file::type_name;
use crate::report::number;

/// Rust source with one constant, `TUNED`: the settings in the codes' own values, which a compiler holds against the map.
///
/// For a map of the driver's own the source names its type; for another it takes the type that
/// [`to_rust`](crate::map_file::to_rust) makes of the map, from the module above.
#[must_use]
pub fn snippet(tuning: &Tuning) -> String {
    let device = type_name(tuning.layout.name);
    let place = match tuning.layout.name {
        "latched" | "fixed-word" => "stepchain::reference",
        _ => "super",
    };
    let mut source = String::new();
    let settings = &tuning.settings;
    let uses_curve = settings.iter().any(|tuned| curve_segment(tuned.parameter).is_some());
    let uses_state = settings.iter().any(|tuned| curve_segment(tuned.parameter).is_some_and(|s| s.state.is_some()));
    let mut from_map = Vec::new();
    from_map.extend(uses_curve.then_some("CurveSegment"));
    from_map.extend(uses_state.then_some("MotionState"));
    from_map.extend(["Parameter", "RegisterMap"]);
    let _ = writeln!(
        source,
        "//! Drive settings of `{}` on the map `{}`, as `stepchain tune` computed them.\n//!\n\
         //! For a load of {} N·m up to {} steps/s on {} V, windings at {:.0} °C; the greatest error of a current\n\
         //! is {:.1} % of the wanted one. Each value is what its code means.\n",
        one_line(&tuning.motor.name),
        tuning.layout.name,
        number((tuning.load_n_m * 1e4).round() / 1e4),
        number(tuning.valid_to_velocity.floor()),
        number(tuning.motor.supply.nominal_v),
        tuning.winding_c,
        100.0 * tuning.worst_current_error,
    );
    let mut uses = [
        format!("use stepchain::map::{{{}}};", from_map.join(", ")),
        "use stepchain::settings::{Setting, Settings};".to_owned(),
        "use stepchain::units::{Unit, Value};".to_owned(),
        format!("use {place}::{device};"),
    ];
    uses.sort();
    // What stands in the crate comes behind what stands outside of it.
    uses.sort_by_key(|line| line.starts_with("use super"));
    let _ = writeln!(source, "{}\n", uses.join("\n"));
    let _ = writeln!(
        source,
        "/// What to write to each device.\npub const TUNED: Settings<{}> = Settings::new([",
        settings.len()
    );
    for tuned in settings {
        let register = tuning.layout.register(tuned.parameter, 0);
        let when = match register.map(|register| register.access) {
            Some(Access::BridgeOff) => "; written with the bridge off",
            Some(Access::AtStandstill) => "; written at standstill",
            _ => "",
        };
        let unit = match tuned.unit.symbol() {
            "" => String::new(),
            symbol => format!(" {symbol}"),
        };
        let _ = writeln!(
            source,
            "    // {}{unit}, code {:#x}{when}.\n    tuned({}, Unit::{}, {}),",
            number(tuned.quantised),
            tuned.code,
            parameter(tuned.parameter),
            unit_name(tuned.unit),
            grouped(bits(tuned.quantised, tuned.unit)),
        );
    }
    let _ = write!(
        source,
        "]);\nconst _: () = TUNED.assert_fits(&{device}::LAYOUT);\n\n\
         /// A setting from the fixed-point bits of its value.\n\
         const fn tuned(parameter: Parameter, unit: Unit, bits: i64) -> Setting {{\n    \
         match Value::from_bits(unit, bits) {{\n        \
         Ok(value) => Setting::new(parameter, value),\n        \
         Err(_) => panic!(\"the unit does not hold these bits\"),\n    }}\n}}\n"
    );
    source
}

fn one_line(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

fn curve_segment(parameter: Parameter) -> Option<CurveSegment> {
    match parameter {
        Parameter::BackEmfFrom(segment) | Parameter::BackEmfSlope(segment) => Some(segment),
        _ => None,
    }
}

/// A parameter as Rust source.
fn parameter(parameter: Parameter) -> String {
    let of = |name: &str, segment: CurveSegment| match segment.state {
        None => format!("Parameter::{name}(CurveSegment::new({}))", segment.index),
        Some(state) => format!("Parameter::{name}(CurveSegment::of(MotionState::{state:?}, {}))", segment.index),
    };
    match parameter {
        Parameter::BackEmfFrom(segment) => of("BackEmfFrom", segment),
        Parameter::BackEmfSlope(segment) => of("BackEmfSlope", segment),
        plain => format!("Parameter::{plain:?}"),
    }
}

fn unit_name(unit: Unit) -> String {
    format!("{unit:?}")
}

/// A whole number with its digits in groups of three, as the compiler's lints like it.
fn grouped(number: i64) -> String {
    let digits = number.unsigned_abs().to_string();
    let mut text = String::new();
    for (index, digit) in digits.chars().enumerate() {
        if index > 0 && (digits.len() - index).is_multiple_of(3) && digits.len() > 5 {
            text.push('_');
        }
        text.push(digit);
    }
    if number < 0 { format!("-{text}") } else { text }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_numbers_are_grouped() {
        assert_eq!(
            [grouped(0), grouped(12_345), grouped(123_456), grouped(-1_234_567)],
            ["0", "12345", "123_456", "-1_234_567"]
        );
    }
}
