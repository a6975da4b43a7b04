//! What the registers hold once the settings are written: which code came nearest, and what it really means.

use stepchain::map::Parameter;
use stepchain::units::Unit;

use crate::bench::Bench;
use crate::decode::value_of;
use crate::report::number;

/// A setting as it was asked, and as the register holds it.
#[derive(Clone, Debug, PartialEq)]
pub struct Held {
    /// Index of the axis.
    pub axis: usize,
    /// The parameter; a custom one by its register's name.
    pub parameter: String,
    /// The value as asked.
    pub asked: f64,
    /// The value that the code means.
    pub really: f64,
    /// The unit of both; lengths are full steps.
    pub unit: &'static str,
    /// The code.
    pub code: u32,
}

/// Heads of the columns that [`Held::row`] fills.
pub const COLUMNS: [&str; 6] = ["axis", "parameter", "asked", "code", "really", "unit"];

impl Held {
    /// Whether the register holds something else than was asked, beyond what a float of 64 bits may round.
    #[must_use]
    pub fn is_rounded(&self) -> bool {
        (self.really - self.asked).abs() > 1e-9 * self.asked.abs()
    }

    /// A row of a table, beside the name of its axis.
    #[must_use]
    pub fn row(&self, axis: &str) -> Vec<String> {
        let [asked, really] = self.numbers();
        vec![axis.to_owned(), self.parameter.clone(), asked, format!("{:#x}", self.code), really, self.unit.to_owned()]
    }

    /// Both values to as many digits as it takes to tell them apart.
    #[must_use]
    pub fn numbers(&self) -> [String; 2] {
        let short = [number(self.asked), number(self.really)];
        let [asked, really] = &short;
        if self.is_rounded() && asked == really { [self.asked.to_string(), self.really.to_string()] } else { short }
    }
}

/// Every setting of a bench, in its order.
#[must_use]
pub fn held(bench: &Bench) -> Vec<Held> {
    let one = |setting: &crate::bench::Setting| {
        let register = setting.register;
        // A bench is read with the code of every setting, so none is left out here.
        let code = register.code_of(setting.value).ok()?;
        let (per_step, unit) = match register.unit {
            Unit::Microsteps => (f64::from(bench.axes.get(setting.axis)?.resolution), "steps"),
            unit => (1.0, unit.symbol()),
        };
        Some(Held {
            axis: setting.axis,
            parameter: match register.parameter {
                Parameter::Custom(_) => register.name.to_owned(),
                parameter => parameter.to_string(),
            },
            asked: setting.asked,
            really: value_of(code, &register.coding)? / per_step,
            unit,
            code,
        })
    };
    bench.settings.iter().filter_map(one).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::{Source, parse};

    fn set(lines: &str) -> Vec<Held> {
        let head = "chain = { map = \"latched\", axes = [\"a\"] }\n[settings.a]\n";
        let text = format!("{head}{lines}[[step]]\nat_s = 0\na = \"stop\"\n");
        held(&parse(&Source { file: "b.toml", text: &text }).unwrap())
    }

    /// By hand: 333.333 · 50 is 16666.65, so code 16667, 333.34; 501 steps/s² lie between 250 and 251 codes of 2.
    #[test]
    fn a_setting_between_two_codes_is_rounded_to_the_nearest() {
        let held = set("profile_velocity = 333.333\nprofile_acceleration = 501\nposition_demand_value = 0.5\n");
        let told: Vec<_> = held.iter().map(|held| (held.code, held.really, held.is_rounded())).collect();
        assert_eq!(told, [(16_667, 333.34, true), (251, 502.0, true), (32, 0.5, false)]);
        assert_eq!((held[0].asked, held[0].unit, held[2].unit), (333.333, "steps/s", "steps"));
    }

    /// 333.34 is no binary fraction, and yet it is what the code means.
    #[test]
    fn a_setting_that_a_code_means_is_not_rounded() {
        assert!(!set("profile_velocity = 333.34\n")[0].is_rounded());
    }

    #[test]
    fn two_values_that_look_alike_are_shown_to_more_digits() {
        let held = set("profile_velocity = 12000.001\n");
        let [asked, really] = held[0].numbers();
        assert_eq!((asked.as_str(), really.as_str()), ("12000.001", "12000"));
    }
}
