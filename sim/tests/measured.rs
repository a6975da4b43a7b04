//! `stepchain tune --from`: measurements to constants to settings, and every refusal, from outside.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

struct Ran {
    exit: i32,
    out: String,
    err: String,
}

fn tune(directory: &Path, arguments: &[&str]) -> Ran {
    let motor = example("demo.toml");
    let mut all = vec!["tune", motor.as_str(), "--map", "latched"];
    all.extend(arguments);
    let output = Command::new(env!("CARGO_BIN_EXE_stepchain")).args(&all).current_dir(directory).output().unwrap();
    Ran {
        exit: output.status.code().unwrap(),
        out: String::from_utf8(output.stdout).unwrap(),
        err: String::from_utf8(output.stderr).unwrap(),
    }
}

fn example(name: &str) -> String {
    concat!(env!("CARGO_MANIFEST_DIR"), "/../examples/motors/").to_owned() + name
}

fn directory(test: &str) -> PathBuf {
    let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join(test);
    let _ = fs::remove_dir_all(&path);
    fs::create_dir_all(&path).unwrap();
    path
}

/// The example says from which constants its data was made.
#[test]
fn the_example_measurements_give_back_what_they_were_made_from() {
    let (points, spin) = (example("demo-points.csv"), example("demo-spin.csv"));
    let ran = tune(&directory("measured"), &["--from", &points, "--from", &spin, "--format", "json"]);
    assert!((0..=1).contains(&ran.exit) && ran.err.is_empty(), "{}", ran.err);
    let last: Value = serde_json::from_str(ran.out.lines().last().unwrap()).unwrap();
    assert!(last["worst_current_error"].is_f64(), "{last}");
    let fitted = &last["fitted"];
    assert_eq!((fitted["confidence"].as_f64(), fitted["points"].as_u64()), (Some(0.95), Some(17)), "{fitted}");
    let made_from =
        [("resistance_ohm", 1.83, "ohm"), ("inductance_h", 2.85e-3, "H"), ("back_emf_v_s_per_rad", 0.186, "V·s/rad")];
    for (constant, (name, truth, unit)) in fitted["constants"].as_array().unwrap().iter().zip(made_from) {
        let number = |field: &str| constant[field].as_f64().unwrap();
        assert_eq!((constant["constant"].as_str(), constant["unit"].as_str()), (Some(name), Some(unit)));
        assert!(number("low") < number("value") && number("value") < number("high"), "{constant}");
        assert!((number("value") / truth - 1.0).abs() < 0.02, "{constant}");
        assert!(number("low") < truth && truth < number("high"), "{constant}");
    }
    assert!(fitted["residual_rms_a"].as_f64().unwrap() < 0.03, "{fitted}");
    assert!(fitted["half_waves"].as_u64().unwrap() >= 6, "{fitted}");
}

/// More resistance, inductance and back-EMF than the file has want more voltage.
#[test]
fn the_fitted_constants_are_those_that_the_settings_are_computed_for() {
    let directory = directory("measured-settings");
    let slope = |arguments: &[&str]| {
        let ran = tune(&directory, &[arguments, &["--winding-c", "60", "--format", "json"]].concat());
        let lines = ran.out.lines().map(|line| serde_json::from_str::<Value>(line).unwrap());
        let hold = lines.into_iter().find(|line| line["parameter"] == "standstill amplitude").unwrap();
        hold["value"].as_f64().unwrap()
    };
    let points = example("demo-points.csv");
    let (file, fitted) = (slope(&[]), slope(&["--from", &points]));
    assert!((fitted / file - 1.83 / 1.7).abs() < 0.02, "{fitted} and {file}");
}

#[test]
fn text_tells_the_interval_and_out_gets_the_pictures() {
    let directory = directory("measured-out");
    let (points, spin) = (example("demo-points.csv"), example("demo-spin.csv"));
    let ran = tune(&directory, &["--from", &points, "--from", &spin, "--out", "tuned"]);
    for said in ["resistance_ohm", "interval", "motor file", "17 points", "half waves of back-EMF", "root mean square"]
    {
        assert!(ran.out.contains(said), "{said:?} in\n{}", ran.out);
    }
    let names: Vec<_> =
        fs::read_dir(directory.join("tuned")).unwrap().map(|entry| entry.unwrap().file_name()).collect();
    for expected in ["measured-back-emf.svg", "measured-current.svg"] {
        assert!(names.iter().any(|name| name == expected), "{names:?}");
    }
    let picture = fs::read_to_string(directory.join("tuned/measured-current.svg")).unwrap();
    // A dot for each of the 17 points and one before each of four names.
    assert_eq!(picture.matches("<circle").count(), 17 + 4);
    assert!(picture.contains("measured at 12 V") && picture.contains("fitted at 3 V"));
}

#[test]
fn a_recording_alone_replaces_the_back_emf_constant_alone() {
    let ran = tune(&directory("measured-spin"), &["--from", &example("demo-spin.csv")]);
    assert!(ran.out.contains("back_emf_v_s_per_rad") && !ran.out.contains("inductance_h"), "{}", ran.out);
}

#[test]
fn measurements_that_cannot_be_used_are_refused_with_place_and_expectation() {
    let directory = directory("measured-refused");
    let head = "velocity,amplitude_v,current_a\n";
    let refused = [
        ("velocity;amplitude_v\n1;2\n".to_owned(), "m.csv:1:1: found the header row `velocity;amplitude_v`, expected"),
        (format!("{head}0,3,1.5\n10,3,-1\n"), "m.csv:3:6: found -1, expected `current_a`: a number above 0, in amperes"),
        (format!("{head}0,3,1.5\n10,inf,1\n"), "m.csv:3:4: found inf, expected `amplitude_v`: a number above 0, in volts"),
        (format!("{head}0,3,1.5\n-10,3,1\n"), "m.csv:3:1: found -10, expected `velocity`: a number not below 0"),
        (format!("{head}0,3,1.5\n200,6,2.5\n"), "m.csv: found 2 points, expected at least 4, for 3 constants"),
        (format!("{head}{}", "300,6,2\n".repeat(6)), "m.csv: found 6 points, all at 300 steps/s, that cannot tell"),
        (format!("{head}{}", "0,3,1.7\n0,3,1.75\n0,2,1.2\n".repeat(2)), "m.csv: found points at rest only"),
        (
            format!("{head}2,3,1.752\n4,3,1.748\n6,3,1.75\n8,3,1.747\n10,3,1.751\n"),
            "m.csv: found 5 points that cannot tell `inductance_h`",
        ),
        (
            "velocity,amplitude_v,current_a,rotor\n0,3,1.7,blocked\n200,3,1.6,blocked\n400,3,1.2,blocked\n800,3,0.8,blocked\n"
                .to_owned(),
            "m.csv: found points with a rotor that stands only",
        ),
        ("time_s,back_emf_v\n0,1\n0.1,-1\n".to_owned(), "m.csv: found 0 whole half waves of the voltage, expected at least 6"),
        ("time_s,back_emf_v\n0,1\n0,-1\n".to_owned(), "m.csv:3:1: found 0, expected `time_s`: a number of seconds above 0"),
    ];
    for (text, said) in refused {
        fs::write(directory.join("m.csv"), &text).unwrap();
        let ran = tune(&directory, &["--from", "m.csv"]);
        assert_eq!((ran.exit, ran.out.as_str()), (2, ""), "{text}{}", ran.err);
        assert!(ran.err.contains(said) && ran.err.contains("expected"), "{text}\nsays {}\nnot {said}", ran.err);
    }
    let ran = tune(&directory, &["--from", "none.csv"]);
    assert!(ran.exit == 2 && ran.err.contains("none.csv"), "{}", ran.err);
}
