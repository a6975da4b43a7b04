//! Benches run in both reference maps, and what is found where something is wrong.

use stepchain::units::Velocity;

use super::*;
use crate::bench::{Source, parse};

fn outcome(map: &str, rest: &str) -> Outcome {
    let text = format!("chain = {{ map = \"{map}\", axes = [\"a\", \"b\"] }}\n{rest}");
    run(&parse(&Source { file: "b.toml", text: &text }).unwrap()).unwrap()
}

fn findings(outcome: &Outcome) -> Vec<&str> {
    outcome.findings.iter().map(|finding| finding.text.as_str()).collect()
}

const MOVES: &str = "\
[settings.all]
profile_velocity = 300
profile_acceleration = 1000
profile_deceleration = 1000
microstep_resolution = 16
[[step]]
at_s = 0.1
a = { move_relative = 90 }
b = { move_velocity = -50 }
[[step]]
wait_s = 1
b = { stop = \"quick\", bridge = \"driven\" }
[[step]]
after = \"standstill\"
a = { move_absolute = 30, way = \"negative\" }
b = { move_absolute = -100.5 }
[expect]
a = 30
";

/// By hand: 90 steps at 300 steps/s with 1000 steps/s² are 0.3 + 0.3 s; 60 steps are 2·√(60/1000) s.
#[test]
fn every_map_gives_the_same_motion() {
    for map in ["latched", "fixed-word"] {
        let outcome = outcome(map, MOVES);
        assert!(outcome.is_well(), "{map}: {:?}", findings(&outcome));
        let [a, b] = outcome.axes.as_slice() else { panic!("two axes") };
        assert_eq!((a.commanded_steps, a.reached_steps), (Some(30.0), 30.0), "{map}");
        assert_eq!((b.commanded_steps, b.reached_steps), (Some(-100.5), -100.5), "{map}");
        let expected_s = 0.6 + 2.0 * 0.06_f64.sqrt();
        assert!((a.duration_s - expected_s).abs() < 1e-5, "{map}: {a:?}");
        assert!((a.peak_velocity - 300.0).abs() < 0.01, "{map}: {a:?}");
        assert_eq!(outcome.settings_read_back, 8, "{map}");
    }
}

/// By hand for the latched map, two devices, four bytes a frame. Status: 1 + 1 units. Settings: resolution 1 + 1, speed
/// 1 + 2, slopes 1 + 1 twice, written; the same again, read. Moves: 2, 1, 2. At the end positions, 1 + 2, and status.
#[test]
fn the_driver_takes_the_fewest_bytes_that_are_possible() {
    let outcome = outcome("latched", MOVES);
    assert_eq!(outcome.frames, 2 + 9 + 9 + 5 + 3 + 2);
    assert_eq!((outcome.bytes_on_wire, outcome.least_bytes), (outcome.frames * 4, outcome.frames * 4));
    assert_eq!(outcome.axes.iter().map(|axis| axis.bytes_on_wire).sum::<u64>(), outcome.bytes_on_wire);
}

#[test]
fn commands_of_one_step_take_effect_together() {
    for map in ["latched", "fixed-word"] {
        let outcome = outcome(map, MOVES);
        let first = |track: &crate::report::Track| {
            track.knots.iter().find(|knot| knot.acceleration_steps_per_s2 != 0.0).unwrap().time_s
        };
        let starts: Vec<_> = outcome.tracks.iter().map(first).collect();
        assert_eq!(starts[0], starts[1], "{map}");
        assert_eq!(starts[0], outcome.marks[0].time_s, "{map}");
    }
}

#[test]
fn a_rejected_command_is_found_with_its_reason_and_shown_as_a_fault() {
    let outcome = outcome(
        "latched",
        "[[step]]\nat_s = 0\na = { move_relative = 500 }\n[[step]]\nat_s = 0.1\na = { move_relative = 1 }\n",
    );
    assert_eq!(findings(&outcome), ["step 2: `a` rejected \"move relative 1 steps\": not while the motor moves"]);
    assert_eq!(outcome.axes[0].faults, ["command rejected"]);
    assert_eq!((outcome.axes[0].commanded_steps, outcome.axes[0].reached_steps), (Some(500.0), 500.0));
    assert!(outcome.axes[1].faults.is_empty());
}

#[test]
fn a_target_that_is_missed_is_found() {
    let outcome =
        outcome("latched", "until_s = 0.2\n[expect]\nb = 1\n[[step]]\nat_s = 0\na = { move_relative = 500 }\n");
    let found = findings(&outcome);
    assert!(found[0].contains("`a` is at") && found[0].contains("step 1 asked for 500 steps"), "{found:?}");
    assert_eq!(found[1], "`b` is at 0 steps; the bench expects 1 steps");
}

#[test]
fn a_step_that_a_late_standstill_holds_up_is_found() {
    let steps = "[[step]]\nat_s = 0\na = { move_relative = 500 }\n\
                 [[step]]\nafter = \"standstill\"\nb = \"peek_status\"\n\
                 [[step]]\nat_s = 0.5\nb = \"peek_status\"\n";
    assert!(outcome("latched", &steps.replace("at_s = 0.5", "at_s = 5")).is_well());
    let outcome = outcome("latched", steps);
    let found = findings(&outcome);
    assert_eq!(found.len(), 1, "{found:?}");
    assert!(found[0].starts_with("step 3 was due at 0.5 s, but the standstill before it came"), "{found:?}");
}

#[test]
fn a_setting_that_a_moving_device_rejects_is_found() {
    let step = "a = { write_parameter = \"profile_acceleration\", value = 100 }\n";
    let outcome =
        outcome("latched", &format!("[[step]]\nat_s = 0\na = {{ move_relative = 500 }}\n[[step]]\nat_s = 0.1\n{step}"));
    assert!(findings(&outcome)[0].starts_with("step 2: `a` rejected \"write profile acceleration = 100 steps/s²\""));
}

/// By hand: 25 steps are 1600 of the 64 microsteps that the latched map starts with.
#[test]
fn questions_of_the_bench_are_answered_in_full_steps_and_words() {
    let steps = "[[step]]\nat_s = 0\na = { move_relative = 25 }\n\
                 [[step]]\nafter = \"standstill\"\n\
                 a = { read_parameter = \"position_demand_value\" }\nb = \"peek_status\"\n";
    let outcome = outcome("latched", steps);
    let answers: Vec<_> = outcome.answers.iter().map(|a| (a.step, a.axis, a.answer.as_str())).collect();
    assert_eq!(answers, [(2, 0, "25 steps"), (2, 1, "standstill, bridge off")]);
    assert_eq!(outcome.marks[1].commands[0].1, "read position demand value: 25 steps");
}

#[test]
fn a_command_that_replaces_another_takes_over_its_debt() {
    let outcome = outcome(
        "fixed-word",
        "[[step]]\nat_s = 0\na = { move_absolute = 500 }\n[[step]]\nat_s = 0.3\na = { move_absolute = -20 }\n",
    );
    assert!(outcome.is_well(), "{:?}", findings(&outcome));
    assert_eq!(outcome.axes[0].reached_steps, -20.0);
}

#[test]
fn what_the_map_cannot_say_is_an_error_of_the_bench_and_nothing_runs() {
    let text = "[chain]\nmap = \"latched\"\naxes = [\"a\"]\n[[step]]\nat_s = 0\na = { move_absolute = 200000 }\n";
    let bench = parse(&Source { file: "b.toml", text }).unwrap();
    let problem = run(&bench).unwrap_err().to_string();
    assert!(problem.starts_with("b.toml:4:1: found something for `a` that `latched` cannot express"), "{problem}");
    assert!(problem.contains("12800000 microsteps is outside -8388608..=8388607"), "{problem}");
}

fn bench(rest: &str) -> Bench {
    let text = format!("chain = {{ map = \"latched\", axes = [\"a\", \"b\"] }}\n{rest}");
    parse(&Source { file: "b.toml", text: &text }).unwrap()
}

#[test]
fn a_setting_that_reads_back_otherwise_is_found_with_both_values_and_its_place() {
    let bench = bench("[settings.b]\nprofile_velocity = 10.011\n[[step]]\nat_s = 0\na = \"stop\"\n");
    let mut rig = Rig::new(&bench).unwrap();
    let setting = &bench.settings[0];
    // 10.011 and 10.02 steps/s are one code, 501.
    let same = Velocity::from_milli_steps_per_s(10_020).unwrap();
    rig.compare(setting, Some(same.into()));
    assert!(rig.findings.is_empty(), "{:?}", rig.findings);
    rig.compare(setting, Some(Velocity::ZERO.into()));
    rig.compare(setting, None);
    let found: Vec<_> = rig.findings.iter().map(|finding| (finding.axis, finding.text.as_str())).collect();
    let text = |found| {
        format!("`b`: 10.02 steps/s was written as profile velocity, {found} was read back (set in line 3, column 20)")
    };
    assert_eq!(found, [(Some(1), text("0 steps/s").as_str()), (Some(1), text("nothing").as_str())]);
}

#[test]
fn a_device_that_resets_itself_and_a_bus_that_is_too_fast_are_found() {
    let bench = bench("[[step]]\nat_s = 0\na = \"stop\"\n");
    let mut rig = Rig::new(&bench).unwrap();
    rig.call_every_device(Command::TakeStatus).unwrap();
    rig.forget_faults();
    rig.chain.reset_node(1);
    rig.call_every_device(Command::PeekStatus).unwrap();
    assert_eq!(rig.faults, [vec![], vec!["reset occurred".to_owned()]]);
    assert!(rig.findings.is_empty(), "{:?}", rig.findings);
    rig.chain.set_clock_hz(6_000_000);
    rig.call_every_device(Command::PeekStatus).unwrap();
    assert!(rig.findings[0].text.contains("a clock of 6000000 Hz"), "{:?}", rig.findings);
}

#[test]
fn the_same_bench_gives_the_same_outcome() {
    assert_eq!(outcome("fixed-word", MOVES), outcome("fixed-word", MOVES));
}

/// By hand: 90 steps up, and when they are done 120 back.
#[test]
fn a_move_that_waits_begins_where_the_one_before_it_ends() {
    for map in ["latched", "fixed-word"] {
        let rest = "[[step]]\nat_s = 0\na = { move_relative = 90 }\n\
            [[step]]\nwait_s = 0.01\na = { move_relative = -120, buffered = true }\n\
            [[step]]\nafter = \"standstill\"\na = \"return_to_zero\"\n[expect]\na = 0\n";
        let outcome = outcome(map, rest);
        assert!(outcome.is_well(), "{map}: {:?}", findings(&outcome));
        let lowest = outcome.tracks[0].knots.iter().map(|knot| knot.position_steps).fold(0.0, f64::min);
        assert!((lowest + 30.0).abs() < 1e-9, "{map}: {lowest}");
    }
}
