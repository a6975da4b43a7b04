//! A motor file (TOML): motor, heat, load, supply and the currents that are wanted of it.
//!
//! Strict: what it does not know or cannot use is refused with file, line and column, what was found and what was
//! expected. Knows no equations but the one from holding torque to back-EMF constant.
//!
//! ```toml
//! name = "Demo"
//! # description = "…"
//!
//! [motor]
//! steps_per_turn = 200
//! resistance_ohm = 1.6               # one winding
//! # resistance_at_c = 20             # where it was measured, if not at 20 °C
//! inductance_h = 3.2e-3
//! rated_current_a = 1.4              # in each of both windings at once
//! back_emf_v_s_per_rad = 0.25        # or holding_torque_n_m, with the rated current in both windings
//! rotor_inertia_kg_m2 = 5.4e-6
//! # detent_torque_n_m = 0.012
//! # viscous_friction_n_m_s_per_rad = 1e-4
//! # dry_friction_n_m = 0.004
//!
//! [heat]
//! ambient_c = 25
//! winding = { capacity_j_per_k = 30, resistance_k_per_w = 3 }
//! # case = { capacity_j_per_k = 120, resistance_k_per_w = 7 }
//! # winding_limit_c = 130            # what the windings' insulation bears
//!
//! [load]                             # everything at the shaft; nothing is turned without the table
//! inertia_kg_m2 = 8e-6
//! torque_n_m = 0.05                  # against positive turning
//! # viscous_friction_n_m_s_per_rad = 0
//! # dry_friction_n_m = 0
//!
//! [supply]
//! nominal_v = 24
//! least_v = 20                       # if not given, the nominal one
//! greatest_v = 28
//!
//! [wanted]                           # peak currents of a phase, and up to which speed
//! hold_a = 0.8
//! run_a = 1.4
//! accelerating_a = 1.6
//! decelerating_a = 1.6
//! top_velocity = 1000                # full steps/s
//!
//! # [[duty]]                         # what the motor does over and over, in this order; for its temperatures
//! # what = "run"                     # off, hold, run, accelerate, decelerate; or current_a (peak) instead
//! # velocity = 600                   # for run; where accelerate ends and decelerate begins, if not at the top velocity
//! # duration_s = 20
//! ```

mod duty;
mod quantity;

use std::path::Path;

use toml::de::DeTable;

use super::data::{Load, MotorData, holding_torque_to_back_emf};
use super::heat::{HeatData, NodeData};
use super::setting::Amplitudes;
use crate::bench::tree::{Node, Table};
use crate::bench::{Problem, Source};
use crate::spelling::no_toml;
pub use duty::{DutyPhase, Work};
use quantity::{
    BACK_EMF, CAPACITY, CURRENT, HEAT_RESISTANCE, INDUCTANCE, INERTIA, RESISTANCE, TORQUE, VELOCITY, VISCOUS, VOLTAGE,
    not_negative, positive,
};

/// Windings of motors take milliseconds. A current that follows within less than this is a slip of the unit, and costs a run
/// its time: the model goes through each settling.
const LEAST_TIME_CONSTANT_S: f64 = 1e-6;

const TOP: &[&str] = &["name", "description", "motor", "heat", "load", "supply", "wanted", "duty"];
const MOTOR: &[&str] = &[
    "steps_per_turn",
    "resistance_ohm",
    "resistance_at_c",
    "inductance_h",
    "rated_current_a",
    "back_emf_v_s_per_rad",
    "holding_torque_n_m",
    "rotor_inertia_kg_m2",
    "detent_torque_n_m",
    "viscous_friction_n_m_s_per_rad",
    "dry_friction_n_m",
];
const HEAT: &[&str] = &["ambient_c", "winding", "case", "winding_limit_c"];
const NODE: &[&str] = &["capacity_j_per_k", "resistance_k_per_w"];
const LOAD: &[&str] = &["inertia_kg_m2", "torque_n_m", "viscous_friction_n_m_s_per_rad", "dry_friction_n_m"];
const SUPPLY: &[&str] = &["nominal_v", "least_v", "greatest_v"];
const WANTED: &[&str] = &["hold_a", "run_a", "accelerating_a", "decelerating_a", "top_velocity"];

/// Greatest steps per turn: beyond any motor made, and exact in every number here.
const MOST_STEPS: i64 = 100_000;

/// All that a motor file says.
#[derive(Clone, Debug, PartialEq)]
pub struct MotorFile {
    /// The file, as the user named it.
    pub file: String,
    /// What the motor is called.
    pub name: String,
    /// What it is, in a sentence or two.
    pub description: String,
    /// The motor.
    pub motor: MotorData,
    /// What it turns.
    pub load: Load,
    /// What feeds the bridge.
    pub supply: SupplyRange,
    /// What is wanted of both.
    pub wanted: Wanted,
    /// Temperature that the windings must not exceed, in degrees Celsius, if the file says.
    pub winding_limit_c: Option<f64>,
    /// What the motor does over and over; empty if the file does not say.
    pub duty: Vec<DutyPhase>,
}

/// The supply, in volts.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SupplyRange {
    /// What it should be.
    pub nominal_v: f64,
    /// The least that it may be.
    pub least_v: f64,
    /// The most that it may be.
    pub greatest_v: f64,
}

/// The currents that are wanted, and up to which speed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wanted {
    /// Peak current of a phase in each motion state, in amperes.
    pub currents_a: Amplitudes,
    /// Fastest speed of a move, in full steps/s.
    pub top_velocity: f64,
}

/// Reads a motor file from disk.
///
/// # Errors
/// [`Problem`] if it cannot be read or used.
pub fn load(path: &Path) -> Result<MotorFile, Problem> {
    let file = path.display().to_string();
    let bytes = std::fs::read(path)
        .map_err(|error| Problem::of_file(&file, format!("nothing that can be read ({error})"), "a motor file"))?;
    let text = String::from_utf8(bytes).map_err(|error| {
        let offset = error.utf8_error().valid_up_to();
        Problem::of_file(&file, format!("a byte that is no text, at byte {offset}"), "text in UTF-8")
    })?;
    parse(&Source { file: &file, text: &text })
}

/// Reads a motor file from its text.
///
/// # Errors
/// [`Problem`] with the place of the first thing that cannot be used.
pub fn parse(source: &Source<'_>) -> Result<MotorFile, Problem> {
    let document = DeTable::parse(source.text).map_err(|error| {
        let (span, found) = no_toml(source.text, &error);
        Problem { expected: None, ..source.problem(&span, found, "") }
    })?;
    let file = Table::new(source, 0..0, document.get_ref());
    file.only(TOP)?;
    let text = |key| file.get(key).map_or(Ok(""), |node| node.text("a text in quotes")).map(str::to_owned);
    let table = |key: &str| file.need(key, "a table")?.table("a table");
    let heat = table("heat")?;
    let motor = motor(&table("motor")?, &heat)?;
    let load = file.get("load").map_or(Ok(Load::default()), |node| turned(&node.table("a table")?))?;
    let supply = supply(&table("supply")?)?;
    let wanted = wanted(&table("wanted")?)?;
    Ok(MotorFile {
        file: source.file.to_owned(),
        name: file.need("name", "a text in quotes")?.text("a text in quotes")?.to_owned(),
        description: text("description")?,
        motor,
        load,
        supply,
        winding_limit_c: heat.get("winding_limit_c").map(|node| celsius(&node)).transpose()?,
        duty: file.get("duty").map_or(Ok(Vec::new()), |node| duty::read(&node, wanted.top_velocity))?,
        wanted,
    })
}

fn motor(table: &Table<'_>, heat: &Table<'_>) -> Result<MotorData, Problem> {
    table.only(MOTOR)?;
    let node = table.need("steps_per_turn", "the full steps in a turn, such as 200")?;
    let steps = node.whole("a multiple of 4, such as 200")?;
    let steps_per_turn = u32::try_from(steps).ok().filter(|_| steps > 0 && steps <= MOST_STEPS && steps % 4 == 0);
    let steps_per_turn =
        steps_per_turn.ok_or_else(|| node.problem(steps.to_string(), "a multiple of 4, such as 200"))?;
    let rated_current_a = positive(table, "rated_current_a", &CURRENT)?;
    let back_emf_v_s_per_rad = match (table.get("back_emf_v_s_per_rad"), table.get("holding_torque_n_m")) {
        (Some(_), None) => positive(table, "back_emf_v_s_per_rad", &BACK_EMF)?,
        (None, _) => {
            let expected = "a number above 0, in newton metres (or `back_emf_v_s_per_rad` instead)";
            let node = table.need("holding_torque_n_m", expected)?;
            let constant = holding_torque_to_back_emf(TORQUE.above_zero(&node)?, rated_current_a);
            BACK_EMF.following(constant, "a torque that makes a back-EMF constant", &node)?
        }
        (Some(_), Some(torque)) => {
            return Err(torque.problem(
                "`holding_torque_n_m` beside `back_emf_v_s_per_rad`",
                "one of the two: either follows from the other",
            ));
        }
    };
    let resistance_ohm = positive(table, "resistance_ohm", &RESISTANCE)?;
    let inductance_h = positive(table, "inductance_h", &INDUCTANCE)?;
    if inductance_h < LEAST_TIME_CONSTANT_S * resistance_ohm {
        let node = table.need("inductance_h", "henries")?;
        return Err(node.problem(
            format!("a winding whose current follows in {:.3e} s", inductance_h / resistance_ohm),
            format!("an inductance over the resistance of at least {LEAST_TIME_CONSTANT_S:e} s"),
        ));
    }
    Ok(MotorData {
        steps_per_turn,
        resistance_ohm,
        resistance_at_c: table.get("resistance_at_c").map_or(Ok(20.0), |node| celsius(&node))?,
        inductance_h,
        back_emf_v_s_per_rad,
        rated_current_a,
        rotor_inertia_kg_m2: positive(table, "rotor_inertia_kg_m2", &INERTIA)?,
        detent_torque_n_m: not_negative(table, "detent_torque_n_m", &TORQUE)?,
        viscous_friction_n_m_s_per_rad: not_negative(table, "viscous_friction_n_m_s_per_rad", &VISCOUS)?,
        dry_friction_n_m: not_negative(table, "dry_friction_n_m", &TORQUE)?,
        heat: heat_data(heat)?,
    })
}

fn heat_data(table: &Table<'_>) -> Result<HeatData, Problem> {
    const WHAT: &str = "a table with `capacity_j_per_k` and `resistance_k_per_w`";
    table.only(HEAT)?;
    let node_data = |node: Node<'_>| {
        let table = node.table(WHAT)?;
        table.only(NODE)?;
        Ok(NodeData {
            capacity_j_per_k: positive(&table, "capacity_j_per_k", &CAPACITY)?,
            resistance_k_per_w: positive(&table, "resistance_k_per_w", &HEAT_RESISTANCE)?,
        })
    };
    Ok(HeatData {
        ambient_c: celsius(&table.need("ambient_c", "degrees Celsius")?)?,
        winding: node_data(table.need("winding", WHAT)?)?,
        case: table.get("case").map(node_data).transpose()?,
    })
}

fn turned(table: &Table<'_>) -> Result<Load, Problem> {
    table.only(LOAD)?;
    let torque = table.get("torque_n_m").map(|node| TORQUE.of_either_sign(&node)).transpose()?;
    Ok(Load {
        inertia_kg_m2: not_negative(table, "inertia_kg_m2", &INERTIA)?,
        torque_n_m: torque.unwrap_or(0.0),
        viscous_friction_n_m_s_per_rad: not_negative(table, "viscous_friction_n_m_s_per_rad", &VISCOUS)?,
        dry_friction_n_m: not_negative(table, "dry_friction_n_m", &TORQUE)?,
    })
}

fn supply(table: &Table<'_>) -> Result<SupplyRange, Problem> {
    table.only(SUPPLY)?;
    let nominal_v = positive(table, "nominal_v", &VOLTAGE)?;
    let end = |key| table.get(key).map_or(Ok(nominal_v), |_| positive(table, key, &VOLTAGE));
    let range = SupplyRange { nominal_v, least_v: end("least_v")?, greatest_v: end("greatest_v")? };
    for (key, fits, expected) in [
        ("least_v", range.least_v <= nominal_v, "at most the nominal"),
        ("greatest_v", range.greatest_v >= nominal_v, "at least the nominal"),
    ] {
        if let Some(node) = table.get(key).filter(|_| !fits) {
            return Err(
                node.problem(format!("`{key}` beyond the nominal voltage"), format!("{expected} {nominal_v} V"))
            );
        }
    }
    Ok(range)
}

fn wanted(table: &Table<'_>) -> Result<Wanted, Problem> {
    table.only(WANTED)?;
    let run_a = positive(table, "run_a", &CURRENT)?;
    let or_run = |key| table.get(key).map_or(Ok(run_a), |_| positive(table, key, &CURRENT));
    Ok(Wanted {
        currents_a: Amplitudes {
            standstill: or_run("hold_a")?,
            constant_velocity: run_a,
            accelerating: or_run("accelerating_a")?,
            decelerating: or_run("decelerating_a")?,
        },
        top_velocity: positive(table, "top_velocity", &VELOCITY)?,
    })
}

/// A temperature at which copper is a conductor of known resistance.
fn celsius(node: &Node<'_>) -> Result<f64, Problem> {
    let expected = "degrees Celsius between -100 and 300";
    let number = node.number(expected)?;
    if (-100.0..=300.0).contains(&number) { Ok(number) } else { Err(node.problem(number.to_string(), expected)) }
}

#[cfg(test)]
const DEMO: Source<'static> =
    Source { file: "examples/motors/demo.toml", text: include_str!("../../../examples/motors/demo.toml") };

/// The demo motor.
#[cfg(test)]
pub(super) fn demo() -> MotorFile {
    parse(&DEMO).unwrap_or_else(|problem| panic!("{problem}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The text of the file's docs, with one line changed.
    fn documented(from: &str, to: &str) -> String {
        let docs = include_str!("file.rs")
            .lines()
            .filter_map(|line| line.strip_prefix("//! ").or((line == "//!").then_some("")));
        let text = docs.skip_while(|line| *line != "```toml").skip(1).take_while(|line| *line != "```");
        let text = text.collect::<Vec<_>>().join("\n");
        assert!(text.contains(from), "no {from}");
        text.replacen(from, to, 1)
    }

    fn read(text: &str) -> Result<MotorFile, String> {
        parse(&Source { file: "m.toml", text }).map_err(|problem| problem.to_string())
    }

    #[test]
    fn the_file_in_the_documentation_can_be_read() {
        let file = read(&documented("Demo", "Demo")).unwrap();
        assert_eq!((file.name.as_str(), file.motor.steps_per_turn), ("Demo", 200));
        assert_eq!((file.motor.resistance_at_c, file.motor.detent_torque_n_m), (20.0, 0.0));
        assert_eq!((file.load.inertia_kg_m2, file.load.torque_n_m), (8e-6, 0.05));
        assert_eq!((file.supply.least_v, file.supply.nominal_v, file.supply.greatest_v), (20.0, 24.0, 28.0));
        let Amplitudes { standstill, constant_velocity, accelerating, decelerating } = file.wanted.currents_a;
        assert_eq!([standstill, constant_velocity, accelerating, decelerating], [0.8, 1.4, 1.6, 1.6]);
        assert!(file.motor.heat.case.is_none());
        assert_eq!((file.winding_limit_c, file.duty.len()), (None, 0));
    }

    #[test]
    fn a_duty_cycle_is_read_phase_by_phase() {
        let duty = "\n[[duty]]\nwhat = \"accelerate\"\nduration_s = 0.5\n[[duty]]\nwhat = \"run\"\nvelocity = 600\nduration_s = 20\n\
                    [[duty]]\ncurrent_a = 0.7\nduration_s = 1\n[[duty]]\nwhat = \"off\"\nduration_s = 2\n";
        let text = documented("# winding_limit_c = 130", "winding_limit_c = 130");
        let file = read(&(text.clone() + duty)).unwrap();
        assert_eq!(file.winding_limit_c, Some(130.0));
        let phase = |duration_s, work| DutyPhase { duration_s, work };
        let expected = [
            phase(0.5, Work::Accelerate { to_velocity: 1000.0 }),
            phase(20.0, Work::Run { velocity: 600.0 }),
            phase(1.0, Work::Current { current_a: 0.7 }),
            phase(2.0, Work::Off),
        ];
        assert_eq!(file.duty, expected);
        let broken = [
            ("duration_s = 20", "duration_s = 0", "found 0, expected a number above 0, in seconds"),
            (
                "velocity = 600",
                "velocity = 6000",
                "found 6000, expected full steps/s up to the wanted top velocity of 1000",
            ),
            ("velocity = 600\n", "", "found no `velocity`, expected `velocity` = the speed at which it runs"),
            ("what = \"off\"", "what = \"rest\"", "found `rest`, expected one of `off`, `hold`"),
            ("what = \"off\"", "what = \"off\"\nvelocity = 5", "found `velocity` beside \"off\""),
            ("what = \"off\"", "what = \"off\"\ncurrent_a = 5", "found `current_a` beside `what`"),
            ("what = \"off\"\n", "", "found no `what`"),
            ("current_a = 0.7", "current_a = -1", "found -1, expected a number not below 0, in amperes"),
        ];
        for (from, to, said) in broken {
            assert!(duty.contains(from), "{from}");
            let error = read(&(text.clone() + &duty.replacen(from, to, 1))).unwrap_err();
            assert!(error.contains(said), "{to} says\n{error}, not\n{said}");
        }
    }

    #[test]
    fn every_number_of_the_documentation_reaches_its_place() {
        let with = documented("# detent_torque_n_m = 0.012", "detent_torque_n_m = 0.012")
            .replace("# viscous_friction_n_m_s_per_rad = 1e-4", "viscous_friction_n_m_s_per_rad = 1e-4")
            .replace("# dry_friction_n_m = 0.004", "dry_friction_n_m = 0.004")
            .replace("# resistance_at_c = 20 ", "resistance_at_c = 25 ")
            .replace("# case", "case");
        let motor = read(&with).unwrap().motor;
        assert_eq!((motor.resistance_ohm, motor.inductance_h, motor.back_emf_v_s_per_rad), (1.6, 3.2e-3, 0.25));
        assert_eq!((motor.rated_current_a, motor.rotor_inertia_kg_m2, motor.resistance_at_c), (1.4, 5.4e-6, 25.0));
        assert_eq!((motor.detent_torque_n_m, motor.viscous_friction_n_m_s_per_rad), (0.012, 1e-4));
        assert_eq!((motor.dry_friction_n_m, motor.heat.ambient_c), (0.004, 25.0));
        let node = |capacity_j_per_k, resistance_k_per_w| NodeData { capacity_j_per_k, resistance_k_per_w };
        assert_eq!((motor.heat.winding, motor.heat.case), (node(30.0, 3.0), Some(node(120.0, 7.0))));
    }

    /// By hand: 0.4 N·m over √2 · 1.4 A.
    #[test]
    fn a_holding_torque_stands_for_the_back_emf_constant() {
        let file = read(&documented("back_emf_v_s_per_rad = 0.25 ", "holding_torque_n_m = 0.4 ")).unwrap();
        assert!((file.motor.back_emf_v_s_per_rad - 0.202_030_5).abs() < 1e-7);
        assert!((file.motor.holding_torque_n_m() - 0.4).abs() < 1e-12);
    }

    #[test]
    fn a_broken_file_is_told_by_place_by_what_was_found_and_by_what_was_expected() {
        let broken = [
            ("steps_per_turn = 200", "steps_per_turn = 202", "m.toml:5:18: found 202, expected a multiple of 4"),
            ("steps_per_turn = 200", "steps_per_turn = 0", "m.toml:5:18: found 0, expected a multiple of 4"),
            ("steps_per_turn = 200", "", "m.toml:4:1: found no `steps_per_turn`"),
            ("resistance_ohm = 1.6", "resistance = 1.6", "m.toml:6:1: found `resistance`, expected one of"),
            (
                "inductance_h = 3.2e-3",
                "inductance_h = -3",
                "m.toml:8:16: found -3, expected a number above 0, in henries",
            ),
            ("back_emf_v_s_per_rad = 0.25 ", "", "no `holding_torque_n_m`, expected `holding_torque_n_m` = a number"),
            (
                "# detent_torque_n_m = 0.012",
                "holding_torque_n_m = 0.4",
                "found `holding_torque_n_m` beside `back_emf_v_s_per_rad`, expected one of the two",
            ),
            ("# dry_friction_n_m = 0.004", "dry_friction_n_m = -1", "found -1, expected a number not below 0"),
            ("ambient_c = 25", "ambient_c = 2500", "found 2500, expected degrees Celsius between -100 and 300"),
            (
                "least_v = 20",
                "least_v = 25",
                "found `least_v` beyond the nominal voltage, expected at most the nominal 24 V",
            ),
            ("greatest_v = 28", "greatest_v = 23", "expected at least the nominal 24 V"),
            ("run_a = 1.4", "", "found no `run_a`"),
            ("[supply]", "[suply]", "found `suply`"),
            ("name = \"Demo\"", "name = 5", "m.toml:1:8: found the number 5, expected a text"),
            ("capacity_j_per_k = 30", "capacity = 30", "found `capacity`"),
            (
                "inductance_h = 3.2e-3",
                "inductance_h = 1e-308",
                "m.toml:8:16: found 1e-308, expected a number above 0, in henries between 1e-8 and 1e3",
            ),
            (
                "inductance_h = 3.2e-3",
                "inductance_h = 3.2e-7",
                "m.toml:8:16: found a winding whose current follows in 2.000e-7 s, expected an inductance over the \
                 resistance of at least 1e-6 s",
            ),
            (
                "back_emf_v_s_per_rad = 0.25 ",
                "holding_torque_n_m = 1e308 ",
                "found 1e308, expected a number above 0, in newton metres between 1e-9 and 1e5",
            ),
            (
                "back_emf_v_s_per_rad = 0.25 ",
                "holding_torque_n_m = 1e5 ",
                "found a torque that makes a back-EMF constant of 5.05",
            ),
            ("greatest_v = 28", "greatest_v = 1e308", "found 1e308, expected a number above 0, in volts"),
            (
                "top_velocity = 1000",
                "top_velocity = 1e-308",
                "found 1e-308, expected a number above 0, in full steps/s",
            ),
            ("torque_n_m = 0.05", "torque_n_m = -1e6", "found -1000000, expected newton metres up to 1e5 in either"),
            (
                "# dry_friction_n_m = 0.004",
                "dry_friction_n_m = 2e5",
                "found 200000, expected a number not below 0, in newton metres up to 1e5",
            ),
        ];
        for (from, to, said) in broken {
            let error = read(&documented(from, to)).unwrap_err();
            assert!(error.contains(said), "{to} says\n{error}, not\n{said}");
        }
    }

    #[test]
    fn the_demo_motor_can_be_used_and_says_that_it_is_invented() {
        assert!(demo().description.contains("invented"));
    }
}
