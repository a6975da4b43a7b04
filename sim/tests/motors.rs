//! Benches with motors, and the verb `tune`, from outside.

use std::fs;

use serde_json::Value;

mod common;
use common::{directory, stepchain};

/// The examples with motors: the tuned one is well, and among weeds the winch loses steps that its counter knows nothing of.
#[test]
fn a_bench_with_motors_tells_where_the_rotors_are_and_ends_with_1_when_one_has_lost_steps() {
    let directory = directory("pond_sampler");
    let bench = |name: &str| format!("{}/../examples/{name}.toml", env!("CARGO_MANIFEST_DIR"));
    let well = stepchain(&directory, &["run", &bench("pond-sampler"), "--out", "out"]);
    assert_eq!(well.exit, 0, "{}{}", well.out, well.err);
    assert!(well.out.contains("reached by rotor") && well.out.contains("Nothing wrong"), "{}", well.out);
    let page = fs::read_to_string(directory.join("out/report.html")).unwrap();
    assert!(page.contains("<h2>Motors</h2>") && page.contains("rotor behind, steps"));
    let csv = fs::read_to_string(directory.join("out/motion.csv")).unwrap();
    let head = csv.lines().next().unwrap();
    assert!(head.contains("winch_rotor_steps,winch_current_a,winch_winding_c"), "{head}");
    let last: Vec<f64> = csv.lines().last().unwrap().split(',').map(|cell| cell.parse().unwrap()).collect();
    // Time, then position, velocity, rotor, current and temperature of the winch.
    assert!(last[1] == 20.0 && (last[3] - 20.0).abs() < 0.2 && last[4] > 0.5 && last[5] > 25.0, "{last:?}");

    let lost = stepchain(&directory, &["run", &bench("pond-sampler-weeds"), "--format", "json"]);
    assert_eq!(lost.exit, 1, "{}{}", lost.out, lost.err);
    let objects = lost.objects();
    let (winch, carousel) = (&objects[0], &objects[1]);
    assert_eq!((winch["commanded_steps"].as_f64(), carousel["lost_steps"].as_f64()), (Some(20.0), Some(0.0)));
    let (reached, steps) = (winch["reached_steps"].as_f64().unwrap(), winch["lost_steps"].as_f64().unwrap());
    assert!(steps > 0.0 && (20.0 - steps - reached).abs() < 2.0, "{winch}");
    assert_eq!(winch["faults"].to_string(), "[\"stall on winding A\"]");
    let found = winch["findings"].to_string();
    assert!(found.contains("the rotor of `winch` fell out of step at 0.3"), "{found}");
    assert!(winch["motor"]["peak_current_a"].as_f64().unwrap() > 2.75, "{winch}");
    assert!(carousel["findings"].as_array().unwrap().is_empty(), "{carousel}");
}

const DEMO_MOTOR: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../examples/motors/demo.toml");

#[test]
fn a_motor_is_tuned_with_codes_and_the_errors_that_result() {
    let ran = stepchain(&directory("tune"), &["tune", DEMO_MOTOR, "--map", "latched", "--format", "json"]);
    assert_eq!((ran.exit, ran.err.as_str()), (0, ""));
    let mut objects = ran.objects();
    let last = objects.pop().unwrap();
    for field in ["worst_current_error", "valid_to_velocity", "load_n_m"] {
        assert!(last[field].is_f64(), "{field}: {last}");
    }
    assert!(last["warnings"].as_array().unwrap().iter().all(Value::is_string), "{last}");
    // By hand: a 512th of the supply per code.
    let amplitude = objects.iter().find(|object| object["parameter"] == "accelerating amplitude").unwrap();
    assert_eq!(amplitude["quantised"].as_f64(), Some(amplitude["code"].as_f64().unwrap() / 512.0));
    assert_eq!((amplitude["unit"].as_str(), amplitude["value"].is_f64()), (Some("of supply"), true));
}

#[test]
fn a_map_that_cannot_keep_the_currents_is_a_finding() {
    let ran = stepchain(&directory("tune-lacking"), &["tune", DEMO_MOTOR, "--map", "fixed-word"]);
    assert_eq!(ran.exit, 1, "{}", ran.err);
    assert!(ran.out.contains("the map has no back-EMF curve"), "{}", ran.out);
}

#[test]
fn tuning_writes_pictures_and_source_and_nothing_over_them() {
    let directory = directory("tune-out");
    let arguments = ["tune", DEMO_MOTOR, "--map", "latched", "--out", "tuned"];
    assert_eq!(stepchain(&directory, &arguments).exit, 0);
    let mut names: Vec<_> =
        fs::read_dir(directory.join("tuned")).unwrap().map(|entry| entry.unwrap().file_name()).collect();
    names.sort();
    let expected = ["current.svg", "derating.svg", "settings.rs", "temperature.svg", "torque.svg", "voltage.svg"];
    assert_eq!(names, expected);
    let again = stepchain(&directory, &arguments);
    assert!(again.exit == 2 && again.err.contains("--force"), "{}", again.err);
}

#[test]
fn a_motor_file_or_margin_that_cannot_be_used_is_refused() {
    let directory = directory("tune-refused");
    fs::write(directory.join("bad.toml"), "name = \"bad\"\n[motor]\nsteps_per_turn = 201\n[heat]\nambient_c = 25\n")
        .unwrap();
    let ran = stepchain(&directory, &["tune", "bad.toml", "--map", "latched"]);
    assert!(ran.exit == 2 && ran.err.contains("bad.toml:3:18"), "{}", ran.err);
    let ran = stepchain(&directory, &["tune", DEMO_MOTOR, "--map", "latched", "--torque-margin", "1"]);
    assert!(ran.exit == 2 && ran.err.contains("--torque-margin"), "{}", ran.err);
}
