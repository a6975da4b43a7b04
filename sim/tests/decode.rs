//! `stepchain decode` from outside: golden captures, exit codes, messages, what other programs may rely on.

use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

struct Ran {
    exit: i32,
    out: String,
    err: String,
}

fn decode(arguments: &[&str]) -> Ran {
    let output = Command::new(env!("CARGO_BIN_EXE_stepchain")).arg("decode").args(arguments).output().unwrap();
    Ran {
        exit: output.status.code().unwrap(),
        out: String::from_utf8(output.stdout).unwrap(),
        err: String::from_utf8(output.stderr).unwrap(),
    }
}

fn golden(name: &str) -> String {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/captures").join(name).to_str().unwrap().to_owned()
}

fn file(name: &str, content: &[u8]) -> PathBuf {
    let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
    std::fs::write(&path, content).unwrap();
    path
}

fn objects(text: &str) -> Vec<Value> {
    text.lines().map(|line| serde_json::from_str(line).expect(line)).collect()
}

/// What the file beside a golden capture says must be there; more fields may be.
fn assert_truth(capture: &str, level: &str, more: &[&str]) {
    let path = golden(&format!("{capture}.vcd"));
    let ran = decode(&[&[path.as_str(), "--level", level, "--format", "json"], more].concat());
    assert_eq!(ran.exit, 0, "{capture}: {}", ran.err);
    let truth = std::fs::read_to_string(golden(&format!("{capture}.{level}.jsonl"))).unwrap();
    let (truth, found) = (objects(&truth), objects(&ran.out));
    assert_eq!(truth.len(), found.len(), "{capture}: {}", ran.out);
    for (truth, found) in truth.iter().zip(&found) {
        for (field, value) in truth.as_object().unwrap() {
            assert_eq!(&found[field], value, "{capture}, `{field}` of {found}");
        }
    }
}

#[test]
fn golden_captures_are_read_as_they_were_worked_out() {
    for mode in ["0", "1", "2", "3"] {
        assert_truth(&format!("mode_{mode}"), "frames", &["--mode", mode]);
        assert_truth(&format!("mode_{mode}"), "frames", &["--guess"]);
    }
    assert_truth("slide_dipper", "frames", &[]);
    assert_truth("slide_dipper", "commands", &["--map", "latched"]);
    assert_truth("two_latched", "words", &["--map", "latched"]);
    assert_truth("two_latched", "commands", &["--map", "latched", "--devices", "2"]);
    assert_truth("two_latched", "commands", &["--map", "latched", "--guess"]);
}

/// By hand: see the file beside the captures.
#[test]
fn arguments_and_replies_are_told_in_physical_units() {
    let ran = decode(&[&golden("two_latched.vcd"), "--map", "latched", "--format", "json"]);
    let told = objects(&ran.out);
    assert_eq!(told[0]["reply"]["values"][0]["value"], 1000.0);
    assert_eq!(told[1]["arguments"]["values"][0]["value"], 120.0);
    assert_eq!(told[3]["reply"]["motion_states"][0], "accelerating");
    assert_eq!(told[3]["reply"]["flags"], serde_json::json!(["positive direction"]));
    assert_eq!(told[4]["arguments"]["values"][0]["value"], 2000.0);
    assert_eq!(told[4]["notes"][1], "the device refuses this while it moves");
}

#[test]
fn the_help_shows_what_the_golden_capture_gives() {
    let help = decode(&["--help"]).out;
    let ran = decode(&[&golden("two_latched.vcd"), "--map", "latched"]);
    assert_eq!(ran.exit, 0);
    let lines: Vec<_> =
        ran.out.lines().filter(|line| line.contains("0.0001340") || line.contains("latch, s")).collect();
    assert_eq!(lines.len(), 3, "{}", ran.out);
    for line in lines {
        assert!(help.contains(line), "{line:?} is not in\n{help}");
    }
}

#[test]
fn times_may_be_told_from_the_first_frame_on() {
    let ran = decode(&[&golden("mode_0.vcd"), "--time", "relative"]);
    assert!(ran.out.contains("0.000009500        1       7  ae > 1a"), "{}", ran.out);
}

#[test]
fn a_wrong_map_or_mode_is_found_and_exits_with_one() {
    let ran = decode(&[&golden("two_latched.vcd"), "--map", "latched", "--bit-order", "lsb"]);
    assert_eq!(ran.exit, 1, "{}", ran.out);
    assert!(ran.out.contains("unknown word: ") && ran.out.contains("not as the map has it"), "{}", ran.out);
    let ran = decode(&[&golden("mode_3.vcd"), "--mode", "0"]);
    assert_eq!(ran.exit, 1, "{}", ran.out);
    assert!(ran.out.contains("the clock rests high where mode 0 rests low; --guess looks for the mode"), "{}", ran.out);
}

#[test]
fn a_file_that_is_cut_off_exits_with_one_and_tells_what_was_there() {
    let whole = std::fs::read(golden("mode_0.vcd")).unwrap();
    let cut = file("cut-off.vcd", &whole[..whole.len() - 41]);
    let ran = decode(&[cut.to_str().unwrap(), "--format", "json"]);
    assert_eq!((ran.exit, objects(&ran.out).len()), (1, 2), "{}", ran.err);
    assert_eq!(objects(&ran.out)[1]["complete"], false);
    assert!(ran.err.contains("the file is cut off"), "{}", ran.err);
}

#[test]
fn a_broken_place_exits_with_two_after_what_came_before() {
    let whole = std::fs::read_to_string(golden("mode_0.vcd")).unwrap();
    let broken = file("broken-place.vcd", format!("{whole}nonsense\n").as_bytes());
    let ran = decode(&[broken.to_str().unwrap()]);
    assert_eq!(ran.exit, 2);
    assert!(ran.out.contains("ae > 1a"), "{}", ran.out);
    assert!(ran.err.contains("broken-place.vcd: line 118, at 0.000020000 s: found"), "{}", ran.err);
}

#[test]
fn what_cannot_be_used_exits_with_two_and_says_what_would_be_right() {
    for (arguments, said) in [
        (vec!["nowhere.vcd"], "nowhere.vcd: cannot be read"),
        (vec![golden("mode_0.vcd").leak(), "--level", "words"], "expected the devices' map"),
        (vec![golden("mode_0.vcd").leak(), "--sck", "bench.skc"], "did you mean `bench.sck`?"),
        (vec![golden("mode_0.vcd").leak(), "--mode", "4"], "4 is not in 0..=3"),
        (vec![golden("mode_0.vcd").leak(), "--separator", "ab"], "expected one sign, or `tab`"),
        (vec![golden("mode_0.vcd").leak(), "--map", "lached"], "latched"),
    ] {
        let ran = decode(&arguments);
        assert_eq!((ran.exit, ran.out.as_str()), (2, ""), "{arguments:?}");
        assert!(ran.err.contains(said), "{}", ran.err);
    }
}

#[test]
fn a_broken_fst_file_exits_with_two_and_no_trace_of_its_reader() {
    let mut bytes = vec![0; 400];
    bytes[1..9].copy_from_slice(&329u64.to_be_bytes());
    let ran = decode(&[file("broken.fst", &bytes).to_str().unwrap()]);
    assert_eq!((ran.exit, ran.err.contains("panicked")), (2, false), "{}", ran.err);
}

/// The words of the golden capture with the bits of each unit the other way round, as a device that is LSB first has them.
#[test]
fn the_bit_order_is_guessed_from_the_words_that_the_map_knows() {
    let turned = |unit: u16| unit.reverse_bits();
    let words = [(0x5011, 0), (0x7E7E, 500), (0xB400, 0), (6000, 0), (0xE000, 0), (0x7E7E, 0x8015)];
    let text = |turn: &dyn Fn(u16) -> u16| -> String {
        let row = |(number, &(mosi, miso)): (usize, &(u16, u16))| {
            format!("0.{number:03},{number},{:04x},{:04x}\n", turn(mosi), turn(miso))
        };
        format!("time_s,frame,mosi,miso\n{}", words.iter().enumerate().map(row).collect::<String>())
    };
    for (name, turn, order) in
        [("msb.csv", &(|unit| unit) as &dyn Fn(u16) -> u16, "msb"), ("lsb.csv", &turned as &dyn Fn(u16) -> u16, "lsb")]
    {
        let path = file(name, text(turn).as_bytes());
        let ran = decode(&[path.to_str().unwrap(), "--map", "latched", "--guess"]);
        assert_eq!(ran.exit, 0, "{}{}", ran.out, ran.err);
        assert!(ran.err.contains(&format!("guessed: {order} first; the map knows ")), "{}", ran.err);
        assert!(ran.out.contains("move velocity 120 steps/s"), "{}", ran.out);
    }
    let ran =
        decode(&[file("lsb-evidence.csv", text(&turned).as_bytes()).to_str().unwrap(), "--map", "latched", "--guess"]);
    let told = ran.err.lines().find(|line| line.starts_with("guessed: lsb")).unwrap();
    assert!(told.ends_with("the map knows 3 of 6 words msb first, 5 of 5 lsb first"), "{told}");
}

/// Twenty megabytes, more than is read without a bar where somebody looks on.
#[test]
fn no_progress_is_shown_where_nobody_looks_on() {
    let row = |number: u64| format!("{}.{:06},{number},7e7e,0000\n", number / 1_000_000, number % 1_000_000);
    let text: String = std::iter::once("time_s,frame,mosi,miso\n".to_owned()).chain((0..800_000).map(row)).collect();
    assert!(text.len() > 20_000_000 - 1_000_000, "{}", text.len());
    let path = file("long.csv", text.as_bytes());
    let ran = decode(&[path.to_str().unwrap(), "--level", "frames"]);
    std::fs::remove_file(&path).unwrap();
    assert_eq!((ran.exit, ran.err.as_str()), (0, ""));
    assert!(ran.out.ends_with("800000 frames, nothing wrong.\n"));
}
