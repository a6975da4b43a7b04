//! The program `stepchain` from outside: exit codes, messages, files, what other programs may rely on.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::process::Command;

mod common;
use common::{Ran, directory, stepchain};

const RUN_FIELDS: [&str; 7] =
    ["axis", "commanded_steps", "reached_steps", "peak_velocity", "duration_s", "faults", "bytes_on_wire"];
const PLAN_FIELDS: [&str; 5] = ["duration_s", "peak_velocity", "accelerate_s", "cruise_s", "decelerate_s"];

#[test]
fn without_arguments_it_runs_the_built_in_bench_and_finds_nothing_wrong() {
    let ran = stepchain(&directory("built-in"), &[]);
    assert_eq!((ran.exit, ran.err.as_str()), (0, ""), "{}", ran.out);
    for said in ["belt", "drum", "dibber", "2100 steps", "Nothing wrong", "the fewest that are possible", "--help"] {
        assert!(ran.out.contains(said), "{said:?} in:\n{}", ran.out);
    }
}

#[test]
fn the_built_in_bench_is_the_file_among_the_examples() {
    let example = Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples/seedbed.toml");
    let directory = directory("example");
    let from_file = stepchain(&directory, &["run", example.to_str().unwrap(), "--format", "json"]);
    assert_eq!(from_file.out, stepchain(&directory, &["--format", "json"]).out);
}

#[test]
fn every_bench_among_the_examples_runs_and_finds_something_where_it_says_so() {
    let examples = Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples");
    let files = fs::read_dir(examples).unwrap().map(|entry| entry.unwrap().path());
    let benches: Vec<_> = files
        .filter(|path| path.extension().is_some_and(|extension| extension == "toml") && !path.ends_with("Cargo.toml"))
        .filter(|path| fs::read_to_string(path).unwrap().contains("[[step]]"))
        .collect();
    assert!(benches.len() >= 4, "{benches:?}");
    for bench in benches {
        let is_bad =
            fs::read_to_string(&bench).unwrap().replace("\n# ", " ").contains("bench is to end with exit code 1");
        let ran = stepchain(&directory("examples"), &["run", bench.to_str().unwrap()]);
        assert_eq!(ran.exit, i32::from(is_bad), "{}: {}{}", bench.display(), ran.out, ran.err);
        assert!(ran.out.contains("the fewest that are possible"), "{}", ran.out);
    }
}

/// By hand: 500 steps/s² need 2 s and 1000 steps to reach 1000 steps/s; 98 000 steps are left for 98 s.
#[test]
fn a_long_move_is_planned_exactly() {
    let arguments = ["plan", "--distance", "100000", "--velocity", "1000", "--acceleration", "500", "--format", "json"];
    let ran = stepchain(&directory("plan"), &arguments);
    assert_eq!(ran.exit, 0, "{}", ran.err);
    let [plan] = ran.objects().try_into().unwrap();
    assert_eq!(PLAN_FIELDS.map(|field| plan[field].as_f64().unwrap()), [102.0, 1000.0, 2.0, 98.0, 2.0]);
}

#[test]
fn a_plan_with_a_map_says_which_code_means_what() {
    let arguments = "plan --distance -400 --velocity 333.333 --acceleration 501 --map latched --format json";
    let ran = stepchain(&directory("plan-map"), &arguments.split(' ').collect::<Vec<_>>());
    let [plan] = ran.objects().try_into().unwrap();
    let velocity = &plan["quantised"]["settings"][0];
    assert_eq!((velocity["parameter"].as_str(), velocity["code"].as_u64()), (Some("profile velocity"), Some(16_667)));
    let really = velocity["quantised"].as_f64().unwrap();
    assert_eq!(plan["peak_velocity"].as_f64(), Some(really));
    assert_eq!(plan["ideal"]["peak_velocity"].as_f64(), Some(333.333));
    assert_eq!(plan["quantised"]["microsteps"].as_i64(), Some(-25_600));
}

/// By hand: `fixed-word` starts with 16 microsteps a step, so 0.03 steps are 0.48 of them, and none; of 256 they are 7.68.
#[test]
fn a_plan_counts_microsteps_as_the_device_does_after_power_up_unless_told_otherwise() {
    let plan = |more: &str| {
        let arguments = format!("plan --distance 100.03 --velocity 300 --acceleration 500 --map fixed-word{more}");
        stepchain(&directory("plan-microsteps"), &format!("{arguments} --format json").split(' ').collect::<Vec<_>>())
    };
    let microsteps = |ran: &Ran| ran.objects()[0]["quantised"]["microsteps"].as_i64().unwrap();
    assert_eq!(microsteps(&plan("")), 1600);
    assert_eq!(microsteps(&plan(" --microsteps 256")), 25_608);
    let refused = plan(" --microsteps 3");
    assert_eq!((refused.exit, refused.out.as_str()), (2, ""));
    assert!(refused.err.contains("--microsteps: found 3, expected one of 256, 128, 64"), "{}", refused.err);
}

#[test]
fn a_coordinated_plan_has_a_line_for_each_axis_and_one_duration() {
    let arguments = ["plan", "--axis", "400,800,1500", "--axis", "-250,600,2000,1000,20", "--format", "json"];
    let plans = stepchain(&directory("plan-line"), &arguments).objects();
    assert_eq!(plans.len(), 2);
    for plan in &plans {
        assert!(PLAN_FIELDS.iter().all(|field| plan[field].is_f64()), "{plan}");
        let (is, first) = (plan["duration_s"].as_f64().unwrap(), plans[0]["duration_s"].as_f64().unwrap());
        assert!((is - first).abs() < 1e-9, "{plan}");
    }
}

#[test]
fn a_plan_that_cannot_be_is_refused_with_value_and_limits() {
    for (arguments, said) in [
        (
            "plan --distance 10 --velocity 0 --acceleration 5",
            "found a velocity of 0 steps/s, expected 0.000001..=1000000000 steps/s",
        ),
        ("plan --distance 10 --velocity 5", "--acceleration"),
        ("plan --distance 10 --velocity 5 --acceleration 5 --axis 1,2,3", "cannot be used with"),
        ("plan --axis 1,2,-3", "found an acceleration of -3 steps/s²"),
        (
            "plan --distance 10 --velocity 0.001 --acceleration 5 --map latched",
            "in the codes of `latched`: found a velocity of 0",
        ),
        ("plan --axis 1,2", "found 2 numbers, expected 3 to 5"),
        ("plan --distance 10 --velocity 400000 --acceleration 5 --map latched", "335544.3 steps/s"),
        ("plan --distance 10 --velocity 5 --acceleration 5 --map nowhere.toml", "nowhere.toml"),
    ] {
        let ran = stepchain(&directory("plan-refused"), &arguments.split(' ').collect::<Vec<_>>());
        assert_eq!((ran.exit, ran.out.as_str()), (2, ""), "{arguments}");
        assert!(ran.err.contains(said), "{arguments} says\n{}", ran.err);
    }
}

#[test]
fn a_run_has_one_line_for_each_axis_with_the_fields_that_stay() {
    let ran = stepchain(&directory("json"), &["run", "--format", "json"]);
    let axes = ran.objects();
    assert_eq!(axes.iter().map(|axis| axis["axis"].as_str().unwrap()).collect::<Vec<_>>(), ["belt", "drum", "dibber"]);
    for (axis, line) in axes.iter().zip(ran.out.lines()) {
        let places = RUN_FIELDS.map(|field| line.find(&format!("\"{field}\":")).expect(field));
        assert!(places.is_sorted(), "{line}");
        assert!(axis["faults"].as_array().unwrap().is_empty(), "{line}");
    }
    assert_eq!(axes[0]["commanded_steps"], axes[0]["reached_steps"]);
    assert!(axes[1]["commanded_steps"].is_null(), "a stop has no target");
}

/// By hand: a fiftieth of a step/s makes 16667 codes, 333.34; 300 is a code of its own.
#[test]
fn what_a_register_holds_otherwise_than_asked_is_shown_in_text_json_and_report() {
    let directory = directory("rounded");
    let bench =
        LATE.replace("[[step]]", "[settings.lift]\nprofile_velocity = 333.333\nprofile_acceleration = 500\n[[step]]");
    fs::write(directory.join("b.toml"), bench.replace("until_s = 0.2\n", "")).unwrap();
    let text = stepchain(&directory, &["run", "b.toml", "--out", "out"]);
    let line = "  `lift`, profile velocity: asked 333.333 steps/s, really 333.34 steps/s (code 0x411b).\n";
    assert!(text.out.contains(line) && !text.out.contains("profile acceleration"), "{}", text.out);
    let json = stepchain(&directory, &["run", "b.toml", "--format", "json"]).objects();
    let [velocity, acceleration] = json[0]["settings"].as_array().unwrap().as_slice() else { panic!("{json:?}") };
    assert_eq!(
        (velocity["parameter"].as_str(), velocity["unit"].as_str()),
        (Some("profile velocity"), Some("steps/s"))
    );
    assert_eq!((velocity["value"].as_f64(), velocity["quantised"].as_f64()), (Some(333.333), Some(333.34)));
    assert_eq!((velocity["code"].as_u64(), acceleration["quantised"].as_f64()), (Some(16_667), Some(500.0)));
    let page = fs::read_to_string(directory.join("out/report.html")).unwrap();
    let row =
        "<tr class=\"rounded\"><td>lift</td><td>profile velocity</td><td>333.333</td><td>0x411b</td><td>333.34</td>";
    assert!(page.contains(row) && page.contains("<tr><td>lift</td><td>profile acceleration</td>"), "{page}");
}

/// The tests call the program by its path.
#[test]
fn what_to_do_next_can_be_done_as_it_is_printed() {
    let directory = directory("next");
    let out = stepchain(&directory, &[]).out;
    let next = out.lines().find_map(|line| line.strip_prefix("Next: ")).expect("what to do next");
    let command: Vec<_> = next.split("    ").next().unwrap().split(' ').collect();
    assert!(Path::new(command[0]).is_absolute(), "{next}");
    assert!(Command::new(command[0]).args(&command[1..]).current_dir(&directory).output().unwrap().status.success());
    assert!(directory.join("out/report.html").is_file());
}

#[test]
fn a_file_that_is_not_there_or_is_of_the_other_kind_is_told_with_what_was_expected() {
    let directory = directory("wrong-files");
    fs::write(directory.join("late.toml"), LATE).unwrap();
    fs::write(directory.join("map.toml"), stepchain(&directory, &["map", "export", "latched"]).out).unwrap();
    fs::write(directory.join("file"), "").unwrap();
    for (arguments, said) in [
        (
            "map check nix.toml",
            "nix.toml: found no such file, expected `latched`, `fixed-word` or the path of a map file\n",
        ),
        ("map check Latched", "did you mean `latched`?"),
        ("map check fixed_word", "did you mean `fixed-word`?"),
        ("map check late.toml", "late.toml:1:1: found a bench file, expected a map file"),
        ("run map.toml", "map.toml:1:1: found a map file, expected a bench file"),
        ("run nix.toml", "nix.toml: found nothing that can be read"),
        ("run --out file/out", "cannot create directory file/out: "),
    ] {
        let ran = stepchain(&directory, &arguments.split(' ').collect::<Vec<_>>());
        assert_eq!((ran.exit, ran.out.as_str()), (2, ""), "{arguments}");
        assert!(ran.err.contains(said), "{arguments} says\n{}", ran.err);
    }
}

const LATE: &str = "until_s = 0.2\n[chain]\nmap = \"latched\"\naxes = [\"lift\"]\n\
                    [[step]]\nat_s = 0.1\nlift = { move_relative = 500 }\n";

#[test]
fn a_missed_target_is_exit_one_and_said_in_text_and_json() {
    let directory = directory("missed");
    fs::write(directory.join("late.toml"), LATE).unwrap();
    let text = stepchain(&directory, &["run", "late.toml"]);
    assert_eq!(text.exit, 1);
    assert!(text.out.contains("step 1 asked for 500 steps") && !text.out.contains("Nothing wrong"), "{}", text.out);
    let json = stepchain(&directory, &["run", "late.toml", "--format", "json"]);
    assert_eq!(json.exit, 1);
    assert!(json.objects()[0]["findings"][0].as_str().unwrap().contains("asked for 500 steps"), "{}", json.out);
}

#[test]
fn a_broken_bench_is_exit_two_with_file_line_and_column() {
    let directory = directory("broken");
    fs::write(directory.join("broken.toml"), LATE.replace("move_relative", "move_relativ")).unwrap();
    let ran = stepchain(&directory, &["run", "broken.toml"]);
    assert_eq!((ran.exit, ran.out.as_str()), (2, ""));
    let expected = "stepchain: broken.toml:7:10: found `move_relativ`, expected one of ";
    assert!(ran.err.starts_with(expected) && ran.err.contains("did you mean `move_relative`?"), "{}", ran.err);
    let missing = stepchain(&directory, &["run", "missing.toml"]);
    assert_eq!(missing.exit, 2);
    assert!(missing.err.contains("missing.toml"), "{}", missing.err);
}

/// The built-in bench reads and writes settings of three axes, then moves them: the first and the last of it.
#[test]
fn the_bus_of_a_run_is_decoded_without_any_option() {
    let directory = directory("bus");
    let run = stepchain(&directory, &["run", "--out", "out", "--format", "json"]);
    let bytes: u64 = run.objects().iter().map(|axis| axis["bytes_on_wire"].as_u64().unwrap()).sum();
    let frames = stepchain(&directory, &["decode", "out/bus.vcd", "--format", "json"]);
    assert_eq!((frames.exit, frames.err.as_str()), (0, ""));
    let bits: u64 = frames.objects().iter().map(|frame| frame["bits"].as_u64().unwrap()).sum();
    assert_eq!(bits, 8 * bytes, "every byte that was clocked is in it");
    let commands = stepchain(&directory, &["decode", "out/bus.vcd", "--map", "latched", "--format", "json"]);
    assert_eq!(commands.exit, 0, "{}", commands.err);
    let asked = |device: u64| {
        let commands = commands.objects();
        let of = commands.into_iter().filter(|object| object["device"] == device);
        of.map(|object| object["command"].as_str().unwrap().to_owned()).collect::<Vec<_>>()
    };
    for device in 0..3 {
        let asked = asked(device);
        assert_eq!(asked.first().map(String::as_str), Some("take status"));
        assert!(asked.iter().any(|command| command.starts_with("move")), "{asked:?}");
    }
}

/// By hand: 60 steps at 1000 steps/s² up to 200 steps/s take 0.2 s to speed up or down, 20 steps each, and 0.1 s between. The
/// lift stands in a clear field of its own: its motor has nothing to carry.
#[test]
fn a_run_with_a_motor_shows_what_a_scope_shows_of_its_longest_move() {
    let directory = directory("scope");
    let motor = Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples/motors/demo.toml");
    let bench = format!(
        "[chain]\nmap = \"latched\"\naxes = [\"lift\"]\n[settings.lift]\nprofile_velocity = 200\n\
         profile_acceleration = 1000\nprofile_deceleration = 1000\nstart_stop_velocity = 0\nstall_limit = 7.5\n\
         constant_velocity_amplitude = 0.16\naccelerating_amplitude = 0.16\ndecelerating_amplitude = 0.16\n\
         standstill_amplitude = 0.08\nback_emf_slope_0 = 0\nback_emf_slope_1 = 0\novercurrent_limit = 7.5\n\
         [motor.lift]\nfile = {:?}\nload_torque_n_m = 0\n\
         [[step]]\nat_s = 0.05\nlift = {{ move_relative = 4 }}\n\
         [[step]]\nafter = \"standstill\"\nwait_s = 0.1\nlift = {{ move_relative = 60 }}\n",
        motor.display().to_string()
    );
    fs::write(directory.join("lift.toml"), bench).unwrap();
    let ran = stepchain(&directory, &["run", "lift.toml", "--out", "out", "--format", "json"]);
    assert_eq!(ran.exit, 0, "{}{}", ran.out, ran.err);
    let files = files(&directory.join("out"));
    let text = |name: &str| String::from_utf8(files.get(name).unwrap_or_else(|| panic!("no {name}")).clone()).unwrap();
    let mut triggers = Vec::new();
    for event in ["start", "speed_reached", "stop"] {
        let csv = text(&format!("scope_lift_{event}.csv"));
        assert!(csv.lines().any(|line| line.starts_with("0.000000000,")), "{event}: no sample at the trigger");
        let vcd = text(&format!("scope_lift_{event}.vcd"));
        let body = vcd.split_once("$enddefinitions $end\n").unwrap().1;
        let rise = body.split_once("\n1!").unwrap().0;
        triggers.push(rise.rsplit_once('#').unwrap().1.parse::<u64>().unwrap());
        let svg = text(&format!("scope_lift_{event}.svg"));
        assert!(text("report.html").contains(&svg), "{event} is not in the report");
        // 24 V · 0.16 over about 1.75 Ω: it is 2.2 A at rest, and less when it turns.
        assert!(svg.contains("% below the dashed current"), "{event} shows no droop");
    }
    let [start, reached, stop] = triggers.try_into().unwrap();
    for (found_ns, expected_s) in [(reached - start, 0.2), (stop - start, 0.5)] {
        assert!((found_ns as f64 * 1e-9 - expected_s).abs() < 1e-3, "{found_ns} ns, not {expected_s} s");
    }
    let bus = text("bus.vcd");
    for name in ["rotor_steps", "current_a_a", "current_b_a"] {
        assert!(bus.contains(&format!(" {name} $end")), "no {name} in bus.vcd");
    }
}

#[test]
fn a_bench_finds_its_map_file_beside_itself() {
    let directory = directory("map-beside");
    fs::create_dir(directory.join("benches")).unwrap();
    let map = stepchain(&directory, &["map", "export", "latched", "--to", "toml"]).out;
    fs::write(directory.join("benches/chip.toml"), map).unwrap();
    let bench = LATE.replace("\"latched\"", "\"chip.toml\"").replace("until_s = 0.2\n", "");
    fs::write(directory.join("benches/bench.toml"), bench).unwrap();
    let ran = stepchain(&directory, &["run", "benches/bench.toml"]);
    assert_eq!(ran.exit, 0, "{}{}", ran.out, ran.err);
    fs::write(directory.join("benches/chip.toml"), "name = 5\n").unwrap();
    let ran = stepchain(&directory, &["run", "benches/bench.toml"]);
    assert_eq!(ran.exit, 2);
    assert!(ran.err.contains("benches/chip.toml:1:"), "{}", ran.err);
}

fn files(directory: &Path) -> BTreeMap<String, Vec<u8>> {
    let entries = fs::read_dir(directory).unwrap().map(Result::unwrap);
    entries.map(|entry| (entry.file_name().into_string().unwrap(), fs::read(entry.path()).unwrap())).collect()
}

#[test]
fn a_report_is_the_same_to_the_byte_each_time() {
    let directory = directory("twice");
    for out in ["first", "second"] {
        assert_eq!(stepchain(&directory, &["run", "--out", out]).exit, 0);
    }
    let first = files(&directory.join("first"));
    assert_eq!(first.keys().collect::<Vec<_>>(), ["bus.vcd", "motion.csv", "report.html"]);
    assert!(first == files(&directory.join("second")), "two runs of one bench differ");
    assert_eq!(stepchain(&directory, &[]).out, stepchain(&directory, &[]).out);
}

#[test]
fn a_directory_that_exists_is_only_written_over_by_force() {
    let directory = directory("force");
    let out = directory.join("out");
    fs::create_dir(&out).unwrap();
    fs::write(out.join("report.html"), "mine").unwrap();
    let refused = stepchain(&directory, &["run", "--out", "out"]);
    assert_eq!((refused.exit, refused.out.as_str()), (2, ""));
    assert!(refused.err.contains("out: found a directory that exists") && refused.err.contains("--force"));
    assert_eq!(fs::read(out.join("report.html")).unwrap(), b"mine");
    assert_eq!(stepchain(&directory, &["run", "--out", "out", "--force"]).exit, 0);
    assert!(fs::read_to_string(out.join("report.html")).unwrap().starts_with("<!DOCTYPE html>"));
    fs::write(directory.join("file"), "mine").unwrap();
    assert_eq!(stepchain(&directory, &["run", "--out", "file", "--force"]).exit, 2);
    assert_eq!(fs::read(directory.join("file")).unwrap(), b"mine");
}

#[test]
fn the_motion_ends_where_the_axes_ended() {
    let directory = directory("motion");
    stepchain(&directory, &["run", "--out", "out"]);
    let csv = fs::read_to_string(directory.join("out/motion.csv")).unwrap();
    let mut lines = csv.lines();
    let head = "time_s,belt_position_steps,belt_velocity_steps_per_s,drum_position_steps,drum_velocity_steps_per_s,\
                dibber_position_steps,dibber_velocity_steps_per_s";
    assert_eq!(lines.next(), Some(head));
    let last: Vec<f64> = lines.next_back().unwrap().split(',').map(|number| number.parse().unwrap()).collect();
    let axes = stepchain(&directory, &["--format", "json"]).objects();
    for (axis, (position, velocity)) in axes.iter().zip([(last[1], last[2]), (last[3], last[4]), (last[5], last[6])]) {
        assert!((position - axis["reached_steps"].as_f64().unwrap()).abs() < 0.02, "{axis}");
        assert_eq!(velocity, 0.0, "{axis}");
    }
}

#[test]
fn every_help_has_an_example_that_runs() {
    for verb in ["", "run", "plan", "map", "map check", "map show", "map export"] {
        let directory = directory("help");
        let words: Vec<_> = verb.split_whitespace().collect();
        let help = stepchain(&directory, &[words.as_slice(), &["--help"]].concat());
        assert_eq!((help.exit, help.err.as_str()), (0, ""), "{verb}");
        let examples: Vec<_> = help.out.lines().filter_map(|line| line.strip_prefix("  stepchain ")).collect();
        assert!(!examples.is_empty(), "no example in {verb} --help:\n{}", help.out);
        for example in examples {
            let command = example.split('>').next().unwrap_or(example);
            let ran = stepchain(&directory, &command.split_whitespace().collect::<Vec<_>>());
            assert_eq!(ran.exit, 0, "{example}\n{}", ran.err);
        }
    }
}

#[test]
fn the_bench_in_the_help_runs() {
    let directory = directory("help-bench");
    let help = stepchain(&directory, &["run", "--help"]).out;
    let bench =
        help.lines().skip_while(|line| !line.starts_with("  title = ")).take_while(|line| line.starts_with("  "));
    fs::write(directory.join("bench.toml"), bench.collect::<Vec<_>>().join("\n")).unwrap();
    let ran = stepchain(&directory, &["run", "bench.toml"]);
    assert_eq!(ran.exit, 0, "{}{}", ran.out, ran.err);
    assert!(ran.out.contains("One lift") && ran.out.contains("Nothing wrong"), "{}", ran.out);
}

#[test]
fn a_verb_that_does_not_exist_is_exit_two() {
    let ran = stepchain(&directory("verb"), &["rum"]);
    assert_eq!((ran.exit, ran.out.as_str()), (2, ""));
    assert!(ran.err.contains("rum"), "{}", ran.err);
}

#[test]
fn a_map_comes_back_from_its_file_as_it_was() {
    let directory = directory("map");
    for map in ["latched", "fixed-word"] {
        let toml = stepchain(&directory, &["map", "export", map]).out;
        fs::write(directory.join("map.toml"), &toml).unwrap();
        assert_eq!(stepchain(&directory, &["map", "export", "map.toml"]).out, toml, "{map}");
        let checked = stepchain(&directory, &["map", "check", "map.toml"]);
        assert_eq!((checked.exit, checked.err.as_str()), (0, ""), "{map}");
        let shown = stepchain(&directory, &["map", "show", map]).out;
        assert!(shown.contains("profile velocity"), "{shown}");
    }
    let rust = stepchain(&directory, &["map", "export", "latched", "--to", "rust", "--name", "MyChip"]).out;
    assert!(rust.contains("impl RegisterMap for MyChip"), "{rust}");
    assert_eq!(stepchain(&directory, &["map", "export", "latched", "--to", "rust", "--name", "my chip"]).exit, 2);
    let registers = stepchain(&directory, &["map", "show", "latched", "--format", "json"]).objects();
    assert!(registers.iter().any(|register| register["register"] == "profile velocity"), "{registers:?}");
    let source = stepchain(&directory, &["map", "export", "latched", "--format", "json"]).objects();
    assert_eq!(source[0]["source"], stepchain(&directory, &["map", "export", "latched"]).out);
}

#[test]
fn checking_a_map_tries_every_law_and_a_broken_one_is_exit_one() {
    let directory = directory("laws");
    let objects = stepchain(&directory, &["map", "check", "fixed-word", "--format", "json"]).objects();
    assert_eq!(objects[0]["map"], "fixed-word");
    assert!(objects.len() > 8 && objects[1..].iter().all(|law| law["broken"] == 0 && law["cases"] != 0), "{objects:?}");
    // A counter of 20 bits behind registers of 24.
    let toml = stepchain(&directory, &["map", "export", "latched"]).out;
    let narrow = toml.replace("[position]\nbits = 24", "[position]\nbits = 20");
    assert_ne!(narrow, toml);
    fs::write(directory.join("map.toml"), narrow).unwrap();
    let ran = stepchain(&directory, &["map", "check", "map.toml"]);
    assert_eq!((ran.exit, ran.err.as_str()), (1, ""), "{}", ran.out);
    assert!(
        ran.out.contains("Broken: every register's codes go out and come back\n  - `position demand value`"),
        "{}",
        ran.out
    );
}

#[test]
fn a_flawed_map_is_exit_two_with_its_place() {
    let directory = directory("flawed");
    let toml = stepchain(&directory, &["map", "export", "latched"]).out;
    fs::write(directory.join("map.toml"), toml.replace("unit_bits = 16", "unit_bits = 99")).unwrap();
    let ran = stepchain(&directory, &["map", "check", "map.toml"]);
    assert_eq!((ran.exit, ran.out.as_str()), (2, ""));
    assert!(ran.err.starts_with("stepchain: map.toml:"), "{}", ran.err);
}

#[test]
fn what_does_not_happen_takes_no_time_and_not_minus_none() {
    let plan = ["plan", "--distance", "0", "--velocity", "1", "--acceleration", "1", "--format", "json"];
    let ran = stepchain(&directory("no-move"), &plan);
    assert_eq!(ran.exit, 0, "{}", ran.err);
    assert!(ran.out.contains("\"duration_s\":0.0") && !ran.out.contains("-0"), "{}", ran.out);
    let bench = "chain = { map = \"latched\", axes = [\"a\"] }\n[[step]]\nat_s = 0\na = \"peek_status\"\n";
    let directory = directory("no-motion");
    fs::write(directory.join("b.toml"), bench).unwrap();
    let ran = stepchain(&directory, &["run", "b.toml", "--format", "json"]);
    assert_eq!(ran.exit, 0, "{}", ran.err);
    assert!(!ran.out.contains("-0"), "{}", ran.out);
}

#[test]
fn a_negative_limit_is_told_with_what_was_found_and_expected() {
    let limits = ["--velocity", "--acceleration", "--deceleration", "--start-velocity"];
    for negative in limits {
        let mut arguments = vec!["plan", "--distance", "5"];
        for limit in limits {
            arguments.extend([limit, if limit == negative { "-3" } else { "1" }]);
        }
        let ran = stepchain(&directory("negative"), &arguments);
        assert_eq!(ran.exit, 2, "{negative}: {}", ran.out);
        assert!(ran.err.contains("of -3 steps/s") && ran.err.contains("expected"), "{negative}: {}", ran.err);
    }
}

/// The example of a bad day: everything that goes wrong in it is found, and its cause is named.
#[test]
fn a_bench_with_faults_ends_with_1_and_names_the_likely_causes() {
    let directory = directory("bad_day");
    let bench = concat!(env!("CARGO_MANIFEST_DIR"), "/../examples/bad-day.toml");
    let run = stepchain(&directory, &["run", bench, "--out", "out"]);
    assert_eq!(run.exit, 1, "{}{}", run.out, run.err);
    for told in [
        "likely cause: blocked rotor of `carriage` (fault 2)",
        "likely cause: undervoltage of `valve` (fault 3)",
        "likely cause: bit flips on mosi, each bit with a probability of 0.03 (fault 1)",
        "the rotor of `carriage` is",
    ] {
        assert!(run.out.contains(told), "{told} not in {}", run.out);
    }
    let page = std::fs::read_to_string(directory.join("out/report.html")).unwrap();
    assert!(page.contains("Injected faults") && page.contains("\nfault 3\n"));
    let lines = stepchain(&directory, &["run", bench, "--format", "json"]);
    let carriage = &lines.objects()[0];
    assert!(carriage["lost_steps"].as_f64().unwrap() > 30.0, "{carriage}");
    let injected = carriage["injected"].as_array().unwrap();
    let faults: Vec<_> = injected.iter().map(|fault| fault["fault"].as_u64().unwrap()).collect();
    assert_eq!(faults, [1, 2], "those of its device and of the bus");
}
