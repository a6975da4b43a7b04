//! What an axis turns: the table `[machine.AXIS]`, with the home switch and the end stops.
//!
//! Places are full steps from where the rotor is at power-up, whatever the axis counts later. Without the table an axis
//! turns freely and its switch never closes.

use super::Axis;
use super::problem::Problem;
use super::tree::{Node, Table};
use crate::device::Switch;

/// Keys of the table of one axis, and of a switch that is a table.
pub(super) const KEYS: &[&str] = &["home_switch", "end_stops"];
pub(super) const SWITCH: &[&str] = &["closed_from", "closed_to"];

const SWITCHES: &[(&str, Switch)] = &[("open", Switch::Open), ("closed", Switch::Closed)];
const STOPS: &str = "one place below 0 and one above, in full steps, or one of them";

/// What an axis turns. Places are full steps from where the rotor is at power-up.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Machine {
    /// Where the home switch is closed.
    pub home_switch: Switch,
    /// The end stop below the rotor, a negative number.
    pub least_steps: Option<f64>,
    /// The end stop above the rotor, a positive number.
    pub greatest_steps: Option<f64>,
}

/// Gives each axis the machine that `machines` has for it.
pub(super) fn read(machines: &Table<'_>, axes: &mut [Axis]) -> Result<(), Problem> {
    let names: Vec<_> = axes.iter().map(|axis| axis.name.clone()).collect();
    machines.only(&names.iter().map(String::as_str).collect::<Vec<_>>())?;
    for axis in axes {
        let Some(node) = machines.get(&axis.name) else { continue };
        let table = node.table("a table with `home_switch` and `end_stops`")?;
        table.only(KEYS)?;
        if let Some(node) = table.get("home_switch") {
            axis.machine.home_switch = home_switch(&node, axis.resolution)?;
        }
        if let Some(node) = table.get("end_stops") {
            (axis.machine.least_steps, axis.machine.greatest_steps) = end_stops(&node)?;
        }
    }
    Ok(())
}

fn home_switch(node: &Node<'_>, resolution: u16) -> Result<Switch, Problem> {
    if node.as_text().is_some() {
        return node.word(SWITCHES);
    }
    let table = node.table("\"open\", \"closed\" or a table such as { closed_from = -10, closed_to = 5 }")?;
    table.only(SWITCH)?;
    let end = |key| table.get(key).map(|node| node.number("a place in full steps")).transpose();
    let (from, to) = (end("closed_from")?, end("closed_to")?);
    if from.is_none() && to.is_none() {
        return Err(node.problem("a switch without a place", "`closed_from`, `closed_to` or both"));
    }
    // A switch without one of its ends stays closed on that side.
    let (from_steps, to_steps) = (from.unwrap_or(f64::NEG_INFINITY), to.unwrap_or(f64::INFINITY));
    if from_steps > to_steps {
        let found = format!("a switch that is closed from {from_steps} to {to_steps} steps");
        return Err(node.problem(found, "`closed_from` below `closed_to`, or the same"));
    }
    if !has_a_microstep(from_steps, to_steps, resolution) {
        let found = format!("a switch that is closed from {from_steps} to {to_steps} steps, between two microsteps");
        return Err(node.problem(found, format!("a range with a microstep in it ({resolution} in a step)")));
    }
    Ok(Switch::ClosedBetween { from_steps, to_steps })
}

/// Whether a microstep lies between two places or at one of them.
fn has_a_microstep(from_steps: f64, to_steps: f64, resolution: u16) -> bool {
    let microsteps = |steps: f64| steps * f64::from(resolution);
    // Decimal fractions are not exact; the machine, too, takes a place as near as this to a microstep for it.
    (microsteps(from_steps) - 1e-6).ceil() <= (microsteps(to_steps) + 1e-6).floor()
}

/// The stop below the rotor and the one above.
fn end_stops(node: &Node<'_>) -> Result<(Option<f64>, Option<f64>), Problem> {
    let (mut least, mut greatest) = (None, None);
    let places = node.list(STOPS)?;
    if places.is_empty() {
        return Err(node.problem("no place", STOPS));
    }
    for place in &places {
        let steps = place.number("a place in full steps")?;
        if steps == 0.0 {
            return Err(place.problem("0 steps, which is where the rotor is at power-up", STOPS));
        }
        let side = if steps < 0.0 { &mut least } else { &mut greatest };
        if let Some(other) = side.replace(steps) {
            return Err(place.problem(format!("{steps} steps, on the same side as {other} steps"), STOPS));
        }
    }
    Ok((least, greatest))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::{Source, parse};

    const REST: &str = "[[step]]\nat_s = 0\na = \"stop\"\n";

    /// The machines of both axes of a bench, 64 microsteps a step; the table takes lines 2 and 3.
    fn machines(machine: &str, rest: &str) -> Result<[Machine; 2], String> {
        let chain = "chain = { map = \"latched\", axes = [\"a\", \"b\"] }\n";
        let text = format!("{chain}[machine.a]\n{machine}\n{rest}");
        let bench = parse(&Source { file: "b.toml", text: &text }).map_err(|error| error.to_string())?;
        Ok([0, 1].map(|index| bench.axes[index].machine))
    }

    #[test]
    fn an_axis_has_the_switch_and_the_stops_that_its_table_says_and_the_other_has_none() {
        let read = |machine| machines(machine, REST).unwrap();
        let between = |from_steps, to_steps| Switch::ClosedBetween { from_steps, to_steps };
        let [a, b] = read("home_switch = { closed_from = -10, closed_to = 5.5 }\nend_stops = [900, -200]");
        let expected =
            Machine { home_switch: between(-10.0, 5.5), least_steps: Some(-200.0), greatest_steps: Some(900.0) };
        assert_eq!((a, b), (expected, Machine::default()));
        let switch = |machine| read(machine)[0].home_switch;
        assert_eq!(switch("home_switch = { closed_from = 3 }"), between(3.0, f64::INFINITY));
        assert_eq!(switch("home_switch = { closed_to = 3 }"), between(f64::NEG_INFINITY, 3.0));
        assert_eq!(switch("home_switch = { closed_from = 3, closed_to = 3 }"), between(3.0, 3.0));
        assert_eq!(
            [switch("home_switch = \"closed\""), switch("home_switch = \"open\"")],
            [Switch::Closed, Switch::Open]
        );
        let stops = |machine| (read(machine)[0].least_steps, read(machine)[0].greatest_steps);
        assert_eq!(stops("end_stops = [-7]"), (Some(-7.0), None));
        assert_eq!(stops("end_stops = [7.25]"), (None, Some(7.25)));
    }

    #[test]
    fn a_broken_machine_is_told_by_place_by_what_was_found_and_by_what_was_expected() {
        let broken = [
            ("home_swich = \"open\"", "b.toml:3:1: found `home_swich`, expected one of `home_switch`, `end_stops`"),
            ("home_switch = \"opened\"", "b.toml:3:15: found `opened`, expected one of `open`, `closed`"),
            ("home_switch = 5", "b.toml:3:15: found the number 5, expected \"open\", \"closed\" or a table"),
            ("home_switch = {}", "b.toml:3:15: found a switch without a place, expected `closed_from`"),
            ("home_switch = { from = 3 }", "b.toml:3:17: found `from`, expected one of `closed_from`, `closed_to`"),
            (
                "home_switch = { closed_from = 5, closed_to = 3 }",
                "b.toml:3:15: found a switch that is closed from 5 to 3 steps, expected `closed_from` below `closed_to`",
            ),
            // By hand: 64 microsteps a step lie at multiples of 0.015625.
            (
                "home_switch = { closed_from = 0.016, closed_to = 0.031 }",
                "b.toml:3:15: found a switch that is closed from 0.016 to 0.031 steps, between two microsteps, expected a \
                 range with a microstep in it (64 in a step)",
            ),
            ("end_stops = 900", "b.toml:3:13: found the number 900, expected one place below 0 and one above"),
            ("end_stops = []", "b.toml:3:13: found no place"),
            ("end_stops = [-3, 0]", "b.toml:3:18: found 0 steps, which is where the rotor is at power-up"),
            ("end_stops = [1, 2]", "b.toml:3:17: found 2 steps, on the same side as 1 steps"),
            ("end_stops = [-1, \"far\"]", "b.toml:3:18: found the text \"far\", expected a place in full steps"),
            ("[machine.c]", "b.toml:3:10: found `c`, expected one of `a`, `b`"),
        ];
        for (machine, said) in broken {
            let error = machines(machine, REST).unwrap_err();
            assert!(error.contains(said), "{machine} says\n{error}, not\n{said}");
        }
        assert!(machines("home_switch = { closed_from = 0.016, closed_to = 0.03125 }", REST).is_ok());
    }

    /// 0.07 · 100 is a little more than 7 in binary, and 0.57 · 100 a little less than 57.
    #[test]
    fn a_place_in_decimals_is_the_microstep_that_it_means() {
        assert!(has_a_microstep(0.07, 0.07, 100) && has_a_microstep(0.57, 0.57, 100));
        assert!(!has_a_microstep(1.101, 1.199, 10));
    }

    #[test]
    fn a_search_ends_only_where_a_switch_may_be_as_wanted() {
        let ends = |machine, verb| {
            let search = format!("[[step]]\nat_s = 0\na = {{ {verb} = 5, edge = \"zero\" }}\n");
            let result = machines(machine, &search);
            assert!(
                result.as_ref().err().is_none_or(|error| error.contains("`a` left turning by step 1")),
                "{result:?}"
            );
            result.is_ok()
        };
        let between = "home_switch = { closed_from = 20, closed_to = 30 }";
        for (machine, switch, zero) in
            [(between, true, true), ("home_switch = \"open\"", false, true), ("home_switch = \"closed\"", true, false)]
        {
            assert_eq!(
                (ends(machine, "search_for_switch"), ends(machine, "search_for_zero")),
                (switch, zero),
                "{machine}"
            );
        }
    }
}
