//! The budget of heat of `stepchain tune`, from outside.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

const DEMO: &str = include_str!("../../examples/motors/demo.toml");

fn directory(test: &str) -> PathBuf {
    let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join(test);
    let _ = fs::remove_dir_all(&path);
    fs::create_dir_all(&path).unwrap();
    path
}

/// Exit code, output and complaints for a motor file.
fn tune(directory: &Path, motor: &str, arguments: &[&str]) -> (i32, String, String) {
    fs::write(directory.join("m.toml"), motor).unwrap();
    let mut all = vec!["tune", "m.toml", "--map", "latched"];
    all.extend(arguments);
    let output = Command::new(env!("CARGO_BIN_EXE_stepchain")).args(&all).current_dir(directory).output().unwrap();
    let text = |bytes| String::from_utf8(bytes).unwrap();
    (output.status.code().unwrap(), text(output.stdout), text(output.stderr))
}

/// The demo motor with another duty cycle and another limit.
fn with_duty(duty: &str, limit_c: f64) -> String {
    let before = DEMO.split("[[duty]]").next().unwrap();
    before.replace("winding_limit_c = 120", &format!("winding_limit_c = {limit_c}")) + duty
}

/// The whole network by hand for a kept current: T = T_a + P·(R_w + R_c), P = I²·R·(235 + T)/255.
#[test]
fn a_current_without_rest_ends_where_the_formula_says() {
    let motor = with_duty("[[duty]]\ncurrent_a = 2\nduration_s = 60\n", 120.0);
    let (exit, out, err) = tune(&directory("heat-kept"), &motor, &["--format", "json"]);
    assert_eq!((exit, err.as_str()), (0, ""));
    let last: Value = serde_json::from_str(out.lines().last().unwrap()).unwrap();
    let heat = |field: &str| last["heat"][field].as_f64().unwrap_or_else(|| panic!("{field}: {last}"));
    let per_degree = 4.0 * 1.7 / 255.0 * (2.5 + 6.5);
    let end_c = (25.0 + per_degree * 235.0) / (1.0 - per_degree);
    for field in ["peak_winding_c", "mean_winding_c", "end_winding_c"] {
        assert!((heat(field) - end_c).abs() < 1e-6, "{field}: {last}, not {end_c}");
    }
    // The same formula, turned about for the current that ends at 120 °C.
    let bears_a = libm::sqrt((120.0 - 25.0) / 9.0 / (1.7 * 355.0 / 255.0));
    assert!((heat("largest_share") - bears_a / 2.0).abs() < 1e-6, "{last}");
    assert_eq!(last["heat"]["runs_away"], Value::Bool(false));
    assert!(last["heat"]["limit_after_s"].is_null(), "{last}");
    let table = last["heat"]["derating"].as_array().unwrap();
    assert_eq!(table.len(), 6, "0 to 100 °C: {last}");
}

#[test]
fn a_cycle_beyond_the_limit_is_a_finding_with_its_time() {
    let directory = directory("heat-beyond");
    let motor = with_duty("[[duty]]\nwhat = \"run\"\nvelocity = 900\nduration_s = 30\n", 60.0);
    let (exit, out, err) = tune(&directory, &motor, &["--out", "tuned"]);
    assert_eq!((exit, err.as_str()), (1, ""), "{out}");
    for said in ["limit of 60 °C is exceeded", "after a cold start", "They bear", "temperature.svg", "derating.svg"] {
        assert!(out.contains(said), "{said:?} in\n{out}");
    }
    assert!(fs::read_to_string(directory.join("tuned/derating.svg")).unwrap().contains("share of the currents"));
}

#[test]
fn a_cycle_that_heats_without_end_is_a_finding_and_says_so() {
    let motor = with_duty("[[duty]]\ncurrent_a = 5\nduration_s = 30\n", 120.0);
    let (exit, out, _) = tune(&directory("heat-endless"), &motor, &[]);
    assert!(exit == 1 && out.contains("WITHOUT END") && out.contains("4.08 A"), "{out}");
}

#[test]
fn without_a_duty_cycle_nothing_is_said_of_it_and_a_wrong_one_is_refused() {
    let directory = directory("heat-none");
    let (_, out, _) = tune(&directory, &with_duty("", 120.0), &["--format", "json"]);
    assert!(!out.contains("\"heat\""), "{out}");
    let (exit, out, err) = tune(&directory, &with_duty("[[duty]]\nwhat = \"jump\"\nduration_s = 1\n", 120.0), &[]);
    assert_eq!((exit, out.as_str()), (2, ""));
    assert!(err.contains("m.toml:") && err.contains("found `jump`, expected one of `off`, `hold`, `run`"), "{err}");
}
