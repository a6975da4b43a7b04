//! `stepchain replay` from outside: golden captures, exit codes, messages, what other programs may rely on.

use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

struct Ran {
    exit: i32,
    out: String,
    err: String,
}

fn replay(arguments: &[&str]) -> Ran {
    let output = Command::new(env!("CARGO_BIN_EXE_stepchain")).arg("replay").args(arguments).output().unwrap();
    Ran {
        exit: output.status.code().unwrap(),
        out: String::from_utf8(output.stdout).unwrap(),
        err: String::from_utf8(output.stderr).unwrap(),
    }
}

fn golden(name: &str) -> String {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../tests/captures").join(name).to_str().unwrap().to_owned()
}

fn file(name: &str, content: &str) -> PathBuf {
    let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
    std::fs::write(&path, content).unwrap();
    path
}

/// By hand, of the map `latched`: acceleration (0x11) is read, written with 2000 steps/s² (code 1000) and read again; the
/// answers are 1000 steps/s² (code 500), as after power-up, and then what is given.
fn acceleration(name: &str, answer: &str) -> PathBuf {
    let rows =
        ["5011,0000", "7e7e,01f4", "8811,0000", "03e8,0000", "5011,0000", &format!("7e7e,{answer}"), "7e7e,0000"];
    let rows: String = rows.iter().zip(0..).map(|(row, number)| format!("0.{number:03},{number},{row}\n")).collect();
    file(name, &format!("time_s,frame,mosi,miso\n{rows}"))
}

#[test]
fn a_recording_made_by_hand_agrees_and_exits_with_nothing() {
    let ran = replay(&[&golden("two_latched.vcd"), "--map", "latched"]);
    assert_eq!(ran.exit, 0, "{}{}", ran.out, ran.err);
    assert!(ran.out.contains("no divergence in 8 answers of 6 frames."), "{}", ran.out);
    let well = acceleration("replay-well.csv", "03e8");
    let ran = replay(&[well.to_str().unwrap(), "--map", "latched", "--from-power-up"]);
    assert_eq!((ran.exit, ran.out.contains("taken over")), (0, false), "{}{}", ran.out, ran.err);
}

#[test]
fn a_divergence_is_an_object_with_the_fields_that_stay_and_exits_with_one() {
    // 0x03A9 is code 937, so 1874 steps/s²; nothing is said any more.
    let odd = acceleration("replay-odd.csv", "03a9");
    let ran = replay(&[odd.to_str().unwrap(), "--map", "latched", "--from-power-up", "--format", "json"]);
    assert_eq!(ran.exit, 1, "{}", ran.err);
    let object: Value = serde_json::from_str(&ran.out).expect(&ran.out);
    assert_eq!(object["time_ns"], 5_000_000);
    assert_eq!(object["device"], 0);
    assert_eq!(object["expected"], "profile acceleration 2000 steps/s²");
    assert_eq!(object["captured"], "profile acceleration 1874 steps/s²");
    assert!(object["meaning"].is_string() && object["kind"].is_string(), "{object}");
    let ran = replay(&[odd.to_str().unwrap(), "--map", "latched", "--from-power-up"]);
    assert!(ran.out.contains("expected profile acceleration 2000 steps/s²"), "{}", ran.out);
    assert!(ran.out.contains("1 divergence in"), "{}", ran.out);
    let ran =
        replay(&[odd.to_str().unwrap(), "--map", "latched", "--from-power-up", "--ignore", "profile acceleration"]);
    assert_eq!(ran.exit, 0, "{}", ran.out);
}

/// The write is not seen to have had effect: the register holds what it held before.
#[test]
fn what_is_most_likely_behind_it_is_told() {
    let deaf = acceleration("replay-deaf.csv", "01f4");
    let ran = replay(&[deaf.to_str().unwrap(), "--map", "latched", "--from-power-up"]);
    assert_eq!(ran.exit, 1);
    assert!(ran.out.contains("the device has not taken `write profile acceleration` of frame 3"), "{}", ran.out);
}

#[test]
fn what_cannot_be_used_exits_with_two_and_says_what_would_be_right() {
    let no_miso = file("replay-no-miso.csv", "time_s,frame,mosi,miso\n0.1,0,5011,\n0.2,1,7e7e,\n");
    let empty = file("replay-empty.csv", "time_s,frame,mosi,miso\n");
    let well = acceleration("replay-two.csv", "03e8");
    for (arguments, said) in [
        (vec![golden("two_latched.vcd")], "found no --map, expected the devices' map"),
        (vec!["nowhere.vcd".to_owned(), "--map".to_owned(), "latched".to_owned()], "nowhere.vcd: cannot be read"),
        (vec![no_miso.display().to_string(), "--map=latched".to_owned()], "found no miso, expected both data lines"),
        (vec![empty.display().to_string(), "--map=latched".to_owned()], "found no whole answer to compare"),
        (
            vec![well.display().to_string(), "--map=latched".to_owned(), "--switch=0.0=3".to_owned()],
            "the lesser place first",
        ),
        (vec![well.display().to_string(), "--map=latched".to_owned(), "--switch=4.0=0:3".to_owned()], "does not have"),
        (
            vec![well.display().to_string(), "--map=latched".to_owned(), "--clock-tolerance=99".to_owned()],
            "from 0 to 50",
        ),
    ] {
        let arguments: Vec<_> = arguments.iter().map(String::as_str).collect();
        let ran = replay(&arguments);
        assert_eq!(ran.exit, 2, "{arguments:?}: {}", ran.out);
        assert!(ran.err.contains(said), "{}", ran.err);
    }
}

#[test]
fn a_recording_that_breaks_off_is_compared_as_far_as_it_goes() {
    let odd = std::fs::read_to_string(acceleration("replay-whole.csv", "03a9")).unwrap();
    let broken = file("replay-broken.csv", &format!("{odd}nonsense,7,7e7e,0000\n0.1,8,7e7e,0000\n"));
    let ran = replay(&[broken.to_str().unwrap(), "--map", "latched", "--from-power-up"]);
    assert_eq!(ran.exit, 2);
    assert!(ran.out.contains("captured profile acceleration 1874 steps/s²"), "{}", ran.out);
    assert!(ran.err.contains("replay-broken.csv: line 9, column 1: found `nonsense`, expected a time"), "{}", ran.err);
}

#[test]
fn the_example_of_the_help_runs() {
    let help = replay(&["--help"]).out;
    assert!(help.contains("stepchain replay tests/captures/two_latched.vcd --map latched"), "{help}");
}

#[test]
fn a_recording_that_was_read_in_a_wrong_way_is_asked_about() {
    let capture = golden("slide_dipper.vcd");
    let said = "is it the right map? Other reasons are another SPI mode (--guess)";
    for wrong in [&["--map=latched", "--mode=1"][..], &["--map=latched", "--bit-order=lsb"]] {
        let ran = replay(&[&[capture.as_str(), "--from-power-up"], wrong].concat());
        assert!(ran.exit == 1 && ran.err.contains(said), "{wrong:?}: {}{}", ran.out, ran.err);
    }
    // One divergence is no reason to ask.
    let odd = acceleration("replay-one.csv", "03a9");
    let ran = replay(&[odd.to_str().unwrap(), "--map", "latched", "--from-power-up"]);
    assert!(ran.exit == 1 && !ran.err.contains(said), "{}", ran.err);
}

#[test]
fn frames_that_are_too_short_for_the_chain_are_told_with_their_length() {
    let well = acceleration("replay-short.csv", "03e8");
    let ran = replay(&[well.to_str().unwrap(), "--map", "latched", "--devices", "2"]);
    assert_eq!(ran.exit, 2);
    let said = "found no whole answer to compare in frames of 16 bits, expected 2 units of 16 bits in a frame";
    assert!(ran.err.contains(said), "{}", ran.err);
}

#[test]
fn the_page_has_the_current_of_a_motor_where_one_is_given() {
    let motor = Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples/motors/demo.toml");
    let given = |axis: &str| format!("--motor={axis}={}", motor.display());
    let currents = |name: &str, arguments: &[&str]| {
        let out = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
        let capture = golden("slide_dipper.vcd");
        let always = [capture.as_str(), "--map=latched", "--from-power-up", "--force", "--out", out.to_str().unwrap()];
        let ran = replay(&[&always[..], arguments].concat());
        assert_eq!(ran.exit, 0, "{}{}", ran.out, ran.err);
        ["report.html", "report.svg"].map(|file| {
            let text = std::fs::read_to_string(out.join(file)).unwrap();
            text.matches("current of the virtual motor, A").count()
        })
    };
    assert_eq!(currents("replay-no-motor", &[]), [0, 0]);
    assert_eq!(currents("replay-a-motor", &[&given("1.0")]), [1, 1]);
    for (argument, said) in [
        (given("2.0"), "a motor for axis 0 of device 2, which the chain does not have"),
        ("--motor=0.0=nowhere.toml".to_owned(), "nowhere.toml: found nothing that can be read"),
        ("--motor=0=nowhere.toml".to_owned(), "expected device.axis=motor file"),
        ("--ignore=bussy".to_owned(), "did you mean `busy`?"),
    ] {
        let ran = replay(&[&golden("slide_dipper.vcd"), "--map=latched", &argument]);
        assert!(ran.exit == 2 && ran.err.contains(said), "{argument}: {}", ran.err);
    }
}

/// The first half of a capture agrees in all that it has, but is no whole regression test.
#[test]
fn a_recording_that_was_cut_off_does_not_agree_as_a_library_call_either() {
    use stepchain::{map::RegisterMap, reference::Latched};
    let whole = golden("two_latched.vcd");
    let text = std::fs::read_to_string(&whole).unwrap();
    let cut = file("replay-cut.vcd", &text[..text.len() * 3 / 4]);
    let options = stepchain_sim::replay::Options::default();
    let check = |path: &Path| stepchain_sim::replay::check(path, &Latched::LAYOUT, &options).unwrap();
    assert!(check(whole.as_ref()).agrees());
    let outcome = check(&cut);
    assert!(outcome.divergences.is_empty() && outcome.counts.answers > 0 && !outcome.agrees(), "{outcome}");
    assert_eq!(replay(&[cut.to_str().unwrap(), "--map", "latched"]).exit, 1);
}
