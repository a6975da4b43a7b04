//! The motor of an axis: the table `[motor.AXIS]`, with a motor file and what is other here than there.
//!
//! Without the table the rotor of an axis follows its counter, whatever the load. Knows keys and units; what a motor does
//! is [`motor`](crate::motor)'s business, and what its device makes of it that of [`device`](crate::device).

use std::path::Path;

use super::Axis;
use super::problem::{Problem, Source};
use super::tree::{Node, Table};
use crate::device::MotorSetup;
use crate::motor::{self, Heat, Supply};

/// Keys of the table of one axis.
pub(super) const KEYS: &[&str] = &[
    "file",
    "load_inertia_kg_m2",
    "load_torque_n_m",
    "load_viscous_friction_n_m_s_per_rad",
    "load_dry_friction_n_m",
    "supply_v",
    "undervoltage_v",
    "ambient_c",
    "winding_c",
    "warning_c",
    "shut_off_c",
    "stage_resistance_ohm",
    "stage_capacity_j_per_k",
    "stage_resistance_k_per_w",
];

/// Temperatures that a bench can have, in degrees Celsius: those that a motor file can.
const CELSIUS: core::ops::RangeInclusive<f64> = -100.0..=300.0;

/// Gives each axis the motor that `motors` has for it.
pub(super) fn read(source: &Source<'_>, motors: &Table<'_>, axes: &mut [Axis]) -> Result<(), Problem> {
    let names: Vec<_> = axes.iter().map(|axis| axis.name.clone()).collect();
    motors.only(&names.iter().map(String::as_str).collect::<Vec<_>>())?;
    for axis in axes {
        if let Some(node) = motors.get(&axis.name) {
            axis.motor = Some(setup(source, &node.table("a table with `file`")?)?);
        }
    }
    Ok(())
}

fn setup(source: &Source<'_>, table: &Table<'_>) -> Result<MotorSetup, Problem> {
    table.only(KEYS)?;
    let node = table.need("file", "the path of a motor file")?;
    let base = Path::new(source.file).parent().unwrap_or(Path::new(""));
    let path = base.join(node.text("the path of a motor file")?);
    if !path.is_file() {
        let found = format!("{:?}, which is no file here", path.display().to_string());
        return Err(node.problem(found, "the path of a motor file").hint("paths are seen from the bench file"));
    }
    // What is wrong in the motor file is told with its place there.
    let mut setup = MotorSetup::from(&motor::load(&path)?);

    let (load, stage) = (&mut setup.load, &mut setup.stage);
    put(table, "load_torque_n_m", &mut load.torque_n_m, |node| node.number("newton metres"))?;
    for (key, place, unit) in [
        ("load_inertia_kg_m2", &mut load.inertia_kg_m2, "kg·m²"),
        ("load_viscous_friction_n_m_s_per_rad", &mut load.viscous_friction_n_m_s_per_rad, "N·m·s/rad"),
        ("load_dry_friction_n_m", &mut load.dry_friction_n_m, "newton metres"),
        ("undervoltage_v", &mut setup.undervoltage_v, "volts"),
        ("stage_resistance_ohm", &mut stage.resistance_ohm, "ohms"),
    ] {
        put(table, key, place, |node| not_negative(node, unit))?;
    }
    for (key, place, unit) in [
        ("stage_capacity_j_per_k", &mut stage.node.capacity_j_per_k, "J/K"),
        ("stage_resistance_k_per_w", &mut stage.node.resistance_k_per_w, "K/W"),
    ] {
        put(table, key, place, |node| positive(node, unit))?;
    }
    if let Some(node) = table.get("supply_v") {
        setup.supply = Supply::constant(not_negative(&node, "volts")?);
    }
    if let Some(node) = table.get("ambient_c") {
        let ambient_c = celsius(&node)?;
        (setup.motor.heat.ambient_c, stage.ambient_c) = (ambient_c, ambient_c);
        setup.heat = Heat::at_ambient(&setup.motor.heat);
    }
    put(table, "winding_c", &mut setup.heat.winding_c, celsius)?;
    put(table, "warning_c", &mut stage.warning_c, celsius)?;
    put(table, "shut_off_c", &mut stage.shut_off_c, celsius)?;
    if let Some(node) = table.get("shut_off_c").filter(|_| stage.shut_off_c < stage.warning_c) {
        let found = format!("{} °C, below the warning at {} °C", stage.shut_off_c, stage.warning_c);
        return Err(node.problem(found, "a temperature at or above `warning_c`"));
    }
    Ok(setup)
}

/// Puts what a key says into its place, if the table has it.
fn put(
    table: &Table<'_>,
    key: &str,
    place: &mut f64,
    read: impl Fn(&Node<'_>) -> Result<f64, Problem>,
) -> Result<(), Problem> {
    if let Some(node) = table.get(key) {
        *place = read(&node)?;
    }
    Ok(())
}

fn not_negative(node: &Node<'_>, unit: &str) -> Result<f64, Problem> {
    let expected = format!("a number not below 0, in {unit}");
    let number = node.number(&expected)?;
    if number >= 0.0 { Ok(number) } else { Err(node.problem(number.to_string(), expected)) }
}

fn positive(node: &Node<'_>, unit: &str) -> Result<f64, Problem> {
    let expected = format!("a number above 0, in {unit}");
    let number = node.number(&expected)?;
    if number > 0.0 { Ok(number) } else { Err(node.problem(number.to_string(), expected)) }
}

fn celsius(node: &Node<'_>) -> Result<f64, Problem> {
    let expected = format!("degrees Celsius between {} and {}", CELSIUS.start(), CELSIUS.end());
    let number = node.number(&expected)?;
    if CELSIUS.contains(&number) { Ok(number) } else { Err(node.problem(number.to_string(), expected)) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::parse;
    use crate::device::OutputStage;

    /// The motors of both axes of a bench that stands in the folder of examples; the table begins in line 2.
    fn motors(table: &str) -> Result<[Option<MotorSetup>; 2], String> {
        let chain = "chain = { map = \"latched\", axes = [\"a\", \"b\"] }\n";
        let text = format!("{chain}[motor.a]\n{table}\n[[step]]\nat_s = 0\na = \"stop\"\n");
        let file = concat!(env!("CARGO_MANIFEST_DIR"), "/../examples/b.toml");
        let bench = parse(&Source { file, text: &text }).map_err(|error| error.to_string())?;
        Ok([0, 1].map(|index| bench.axes[index].motor.clone()))
    }

    const FILE: &str = "file = \"motors/demo.toml\"\n";

    #[test]
    fn an_axis_has_the_motor_of_the_file_and_the_other_has_none() {
        let [a, b] = motors(FILE).unwrap();
        let demo = motor::load("../examples/motors/demo.toml".as_ref()).unwrap();
        assert_eq!((a, b), (Some(MotorSetup::from(&demo)), None));
    }

    #[test]
    fn every_key_reaches_its_place() {
        let values: Vec<_> = KEYS.iter().skip(1).zip(50..).map(|(key, number)| format!("{key} = {number}\n")).collect();
        let [a, _] = motors(&(FILE.to_owned() + &values.concat())).unwrap();
        let setup = a.unwrap();
        let load = setup.load;
        let loads = [load.inertia_kg_m2, load.torque_n_m, load.viscous_friction_n_m_s_per_rad, load.dry_friction_n_m];
        assert_eq!(loads, [50.0, 51.0, 52.0, 53.0]);
        assert_eq!((setup.supply.volts(0), setup.undervoltage_v), (54.0, 55.0));
        assert_eq!((setup.motor.heat.ambient_c, setup.heat), (56.0, Heat { winding_c: 57.0, case_c: 56.0 }));
        let OutputStage { ambient_c, resistance_ohm, node, warning_c, shut_off_c } = setup.stage;
        assert_eq!([ambient_c, warning_c, shut_off_c, resistance_ohm], [56.0, 58.0, 59.0, 60.0]);
        assert_eq!([node.capacity_j_per_k, node.resistance_k_per_w], [61.0, 62.0]);
    }

    #[test]
    fn a_broken_motor_is_told_by_place_by_what_was_found_and_by_what_was_expected() {
        let broken = [
            ("", "b.toml:2:1: found no `file`, expected `file` = the path of a motor file"),
            ("file = \"motors/dmo.toml\"", "b.toml:3:8: found \""),
            ("file = 5", "b.toml:3:8: found the number 5, expected the path of a motor file"),
            ("file = \"seedbed.toml\"", "seedbed.toml:"),
            ("file = \"motors/demo.toml\"\nload_torque = 1", "b.toml:4:1: found `load_torque`, expected one of `file`"),
            (
                "file = \"motors/demo.toml\"\nload_inertia_kg_m2 = -1",
                "b.toml:4:22: found -1, expected a number not below 0, in kg·m²",
            ),
            (
                "file = \"motors/demo.toml\"\nsupply_v = \"24\"",
                "b.toml:4:12: found the text \"24\", expected a number not below 0, in volts",
            ),
            (
                "file = \"motors/demo.toml\"\nambient_c = 400",
                "b.toml:4:13: found 400, expected degrees Celsius between -100 and 300",
            ),
            (
                "file = \"motors/demo.toml\"\nstage_capacity_j_per_k = 0",
                "b.toml:4:26: found 0, expected a number above 0, in J/K",
            ),
            ("file = \"motors/demo.toml\"\nshut_off_c = 100", "b.toml:4:14: found 100 °C, below the warning at 125 °C"),
            ("file = \"motors/demo.toml\"\n[motor.c]", "b.toml:4:8: found `c`, expected one of `a`, `b`"),
        ];
        for (table, said) in broken {
            let error = motors(table).unwrap_err();
            assert!(error.contains(said), "{table} says\n{error}, not\n{said}");
        }
    }
}
