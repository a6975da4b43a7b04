//! Benches as people write them, and what is said about those that are wrong.

use stepchain::map::{BridgeState, BufferMode, Direction, EdgeAction, Parameter, RegisterMap, StopRamp, Way};
use stepchain::reference::Latched;
use stepchain::units::{Acceleration, Distance, Position, Velocity};

use super::*;

const CHAIN: &str = "[chain]\nmap = \"latched\"\naxes = [\"lift\", \"table\"]\n";

fn read(rest: &str) -> Result<Bench, String> {
    let text = format!("{CHAIN}{rest}");
    parse(&Source { file: "b.toml", text: &text }).map_err(|error| error.to_string())
}

fn command(step: &str) -> Command {
    read(&format!("[[step]]\nat_s = 1\nlift = {step}\n[[step]]\nat_s = 9\nlift = \"stop\"\n")).unwrap().steps[0].orders
        [0]
    .command
}

#[test]
fn the_built_in_bench_can_be_used() {
    let bench = parse(&BUILT_IN).unwrap();
    assert_eq!((bench.devices, bench.axes.len(), bench.layout), (3, 3, &Latched::LAYOUT));
}

#[test]
fn the_bench_in_the_documentation_can_be_used() {
    let docs =
        include_str!("mod.rs").lines().filter_map(|line| line.strip_prefix("//! ").or((line == "//!").then_some("")));
    let text = docs.skip_while(|line| *line != "```toml").skip(1).take_while(|line| *line != "```");
    let text = text.collect::<Vec<_>>().join("\n");
    let bench = parse(&Source { file: "docs", text: &text }).unwrap();
    assert_eq!((bench.steps.len(), bench.settings.len()), (4, 3));
    assert_eq!(bench.axes[0].expected, Some(0));
}

#[test]
fn every_verb_of_the_driver_can_be_asked() {
    assert_eq!(
        command("{ move_velocity = -1.5 }"),
        Command::MoveVelocity { velocity: Velocity::from_milli_steps_per_s(-1500).unwrap() }
    );
    let distance = Distance::from_microsteps(-32);
    assert_eq!(command("{ move_relative = -0.5 }"), Command::MoveRelative { distance });
    let target = Position::from_microsteps(64);
    assert_eq!(command("{ move_absolute = 1 }"), Command::MoveAbsolute { target, way: Way::Shortest });
    let way = Way::Negative;
    assert_eq!(command("{ move_absolute = 1, way = \"negative\" }"), Command::MoveAbsolute { target, way });
    assert_eq!(command("\"stop\""), Command::Stop { ramp: StopRamp::Profile, bridge: BridgeState::Driven });
    let stop = Command::Stop { ramp: StopRamp::Quick, bridge: BridgeState::HighImpedance };
    assert_eq!(command("{ stop = \"quick\", bridge = \"high_impedance\" }"), stop);
    assert_eq!(command("\"home_on_current_position\""), Command::HomeOnCurrentPosition);
    assert_eq!(command("{ peek_status = true }"), Command::PeekStatus);
    assert_eq!(command("\"take_status\""), Command::TakeStatus);
    assert_eq!(command("{ read_parameter = \"target_position\" }"), Command::read(Parameter::TargetPosition));
    let value = Acceleration::from_steps_per_s2(900).unwrap();
    let write = Command::write(Parameter::ProfileAcceleration, value);
    assert_eq!(command("{ write_parameter = \"profile_acceleration\", value = 900 }"), write);
}

#[test]
fn one_command_for_all_goes_to_every_axis_that_has_none_of_its_own() {
    let bench = read("[[step]]\nat_s = 0\nall = \"take_status\"\ntable = \"peek_status\"\n").unwrap();
    let asked: Vec<_> = bench.steps[0].orders.iter().map(|order| (order.axis, order.command)).collect();
    assert_eq!(asked, [(0, Command::TakeStatus), (1, Command::PeekStatus)]);
}

#[test]
fn a_setting_for_one_axis_wins_and_lengths_follow_the_resolution() {
    let bench = read(
        "[settings.all]\nprofile_velocity = 100\nmicrostep_resolution = 8\n\
         [settings.table]\nposition_demand_value = 2\nmicrostep_resolution = 16\nprofile_velocity = 50\n\
         [[step]]\nat_s = 0\nall = { move_relative = 1 }\n",
    )
    .unwrap();
    let set: Vec<_> = bench.settings.iter().map(|set| (set.axis, set.register.name, set.value.to_string())).collect();
    let expected = [
        (0, "microstep resolution", "8 microsteps/step"),
        (0, "profile velocity", "100 steps/s"),
        (1, "microstep resolution", "16 microsteps/step"),
        (1, "position demand value", "32 microsteps"),
        (1, "profile velocity", "50 steps/s"),
    ];
    assert_eq!(set, expected.map(|(axis, name, value)| (axis, name, value.to_owned())));
    let distances: Vec<_> = bench.steps[0].orders.iter().map(|order| order.command).collect();
    let by = |count| Command::MoveRelative { distance: Distance::from_microsteps(count) };
    assert_eq!(distances, [by(8), by(16)]);
}

/// Each broken bench, and what must be said about it; the chain takes lines 1 to 3.
const BROKEN: &[(&str, &str)] = &[
    ("[[step]\n", "b.toml:4:"),
    ("[[step]]\nat_s = 1\nat_s = 2\n", "b.toml:6:1: is no TOML: duplicate key `at_s`"),
    ("titel = 1\n", "b.toml:4:1: found `titel`, expected one of `map`"),
    ("[setings.all]\n", "b.toml:4:2: found `setings`, expected one of `title`"),
    ("until_s = 1\n", "`until_s` stands at the top, before the first [table]"),
    ("[setings.all]\n", "did you mean `settings`?"),
    ("", "b.toml:1:1: found no `step`, expected `step` = a timeline"),
    ("step = 5\n", "b.toml:4:1: found `step`"),
    ("[[step]]\nlift = \"stop\"\n", "b.toml:4:1: found a step without a time, expected `at_s`, `wait_s` or"),
    ("[[step]]\nat_s = 1\n", "b.toml:4:1: found a step that asks nothing"),
    ("[[step]]\nat_s = -1\nlift = \"stop\"\n", "b.toml:5:8: found -1 s, expected 0..=86400 s"),
    ("[[step]]\nat_s = 1\nwait_s = 1\nlift = \"stop\"\n", "b.toml:4:1: found `at_s` beside another time"),
    ("[[step]]\nat_s = 1\nlft = \"stop\"\n", "b.toml:6:1: found `lft`"),
    ("[[step]]\nat_s = 1\nlft = \"stop\"\n", "did you mean `lift`?"),
    ("[[step]]\nat_s = 1\nlift = \"stopp\"\n", "b.toml:6:8: found `stopp`"),
    (
        "[[step]]\nat_s = 1\nlift = { move_relativ = 4 }\n",
        "6:10: found `move_relativ`, expected one of `move_velocity`",
    ),
    ("[[step]]\nat_s = 1\nlift = { move_relative = 4, way = \"shortest\" }\n", "6:29: found `way`"),
    ("[[step]]\nat_s = 1\nlift = { move_relative = \"4\" }\n", "6:26: found the text \"4\", expected a distance"),
    ("[[step]]\nat_s = 1\nlift = { way = \"shortest\" }\n", "found 0 commands for one axis"),
    ("[[step]]\nat_s = 1\nlift = { move_relative = 0.001 }\n", "expected a whole number of microsteps (64 in a step)"),
    ("[[step]]\nat_s = 1\nlift = { move_relative = 1e12 }\n", "6:26: found"),
    ("[[step]]\nat_s = 1\nlift = { stop = \"hard\" }\n", "found `hard`, expected one of `profile`, `quick`, `none`"),
    ("[[step]]\nat_s = 1\nlift = { read_parameter = \"speed\" }\n", "6:27: found `speed`, expected one of"),
    ("[[step]]\nat_s = 1\nlift = { peek_status = false }\n", "found `false`, expected `true`"),
    (
        "[[step]]\nat_s = 2\nlift = \"stop\"\n[[step]]\nat_s = 1\nlift = \"stop\"\n",
        "8:8: found 1 s, expected 2 s or later",
    ),
    ("[[step]]\nat_s = 2\nlift = { move_velocity = 5 }\n", "axis `lift` left turning by step 1"),
    ("[settings.lift]\nprofile_velocty = 5\n", "b.toml:5:1: found `profile_velocty`"),
    ("[settings.lift]\nprofile_velocty = 5\n", "did you mean `profile_velocity`?"),
    ("[settings.lift]\nprofile_velocity = 999999\n", "b.toml:5:20: found"),
    // One code is 0.02 steps/s, and nearest to less than half of it is zero.
    (
        "[settings.lift]\nprofile_velocity = 0.009\n",
        "b.toml:5:20: found 0.009 steps/s, which would be written as 0, expected 0 or a value that `profile_velocity` can \
         hold, of which the smallest is 0.02",
    ),
    (
        "[[step]]\nat_s = 1\nlift = { write_parameter = \"profile_acceleration\", value = 0.5 }\n",
        "b.toml:6:60: found 0.5 steps/s², which would be written as 0",
    ),
    ("[settings.lift]\nprofile_velocity = true\n", "found `true`, expected a number (full steps/s)"),
    ("[settings.lift]\nmicrostep_resolution = 5\n", "expected one of 64, 32, 16, 8, 4, 2, 1"),
    ("[[fault]]\nat_s = 1\n", "b.toml:4:1: found 0 faults in one table, expected one of `bit_flips`, `lost_clocks`"),
    ("[[fault]]\nreset = \"lift\"\nundervoltage = \"lift\"\n", "b.toml:4:1: found 2 faults in one table"),
    (
        "[[fault]]\nreset = \"lift\"\n",
        "b.toml:4:1: found a fault without a start, expected one of `at_s`, `at_frame`, `on`",
    ),
    ("[[fault]]\nreset = \"lift\"\nat_s = 1\nat_frame = 1\n", "4:1: found a fault with more than one start"),
    (
        "[[fault]]\nreset = \"lft\"\nat_s = 1\n",
        "b.toml:5:9: found `lft`, expected one of `lift`, `table`; did you mean",
    ),
    ("[[fault]]\nresett = \"lift\"\nat_s = 1\n", "b.toml:5:1: found `resett`"),
    ("[[fault]]\nresett = \"lift\"\nat_s = 1\n", "did you mean `reset`?"),
    ("[[fault]]\nreset = \"lift\"\nat_s = 1\nlevel = \"low\"\n", "7:1: found `level`, expected one of `reset`, `at_s`"),
    ("[[fault]]\nreset = \"lift\"\nat_s = 1\nseed = -1\n", "7:8: found the number -1, expected a seed"),
    (
        "[[fault]]\nreset = \"lift\"\nat_s = 1\nlasts_s = 1\nlasts_frames = 1\n",
        "4:1: found `lasts_s` beside `lasts_frames`",
    ),
    ("[[fault]]\nbit_flips = \"sck\"\nat_s = 1\n", "5:13: found `sck`, expected one of `mosi`, `miso`"),
    ("[[fault]]\nbit_flips = \"miso\"\nat_s = 1\n", "5:1: found `bit_flips` of no certain bits, expected either"),
    ("[[fault]]\nbit_flips = \"miso\"\nat_s = 1\nprobability = 2\n", "7:15: found 2, expected a probability, 0..=1"),
    ("[[fault]]\nbit_flips = \"miso\"\nat_s = 1\nbits = [1, -3]\n", "7:12: found the number -3, expected a bit"),
    ("[[fault]]\nlost_clocks = 0\nat_s = 1\n", "5:15: found the fault would change nothing"),
    ("[[fault]]\nlost_clocks = 1\nat_s = 1\nlasts_s = 0\n", "7:11: found a fault that is over at once"),
    (
        "[[fault]]\nlost_clocks = 1\nat_s = 1\nlasts_frames = 0\n",
        "7:16: found a fault of no frames, expected 1 or more",
    ),
    ("[[fault]]\nstuck_line = \"cs\"\nat_s = 1\n", "4:1: found no `level`"),
    (
        "[[fault]]\nstuck_line = \"cs\"\nat_s = 1\nlevel = \"low\"\nbehind = \"lift\"\n",
        "8:10: found a device for a line",
    ),
    ("[[fault]]\nstuck_line = \"behind\"\nat_s = 1\nlevel = \"low\"\n", "4:1: found no `behind`"),
    (
        "[[fault]]\nstuck_line = \"behind\"\nat_s = 1\nlevel = \"low\"\nbehind = \"table\"\n",
        "8:10: found the last device of the chain, expected one that has another behind it; the line from it is miso",
    ),
    ("[[fault]]\nopen_winding = \"lift\"\nat_s = 1\nwinding = \"c\"\n", "7:11: found `c`, expected one of `a`, `b`"),
    ("[[fault]]\nreset = \"lift\"\non = { axis = \"lift\" }\n", "6:6: found an event that is not one of three"),
    ("[[fault]]\nreset = \"lift\"\non = { axis = \"lift\", motion = 0 }\n", "6:6: found a motion number 0"),
    ("[[fault]]\nreset = \"lift\"\non = { axis = \"lift\", velocity = -1 }\n", "6:6: found -1 steps/s"),
    (
        "[expect]\nlid = 5\n[[step]]\nat_s = 1\nlift = \"stop\"\n",
        "b.toml:5:1: found `lid`, expected one of `lift`, `table`",
    ),
];

#[test]
fn a_broken_bench_is_told_by_place_by_what_was_found_and_by_what_was_expected() {
    for &(text, expected) in BROKEN {
        // A fault is read behind the steps, so those that are wrong have one that is right.
        let step = if text.starts_with("[[fault]]") { "[[step]]\nat_s = 1\nlift = \"stop\"\n" } else { "" };
        let message = read(&format!("{text}{step}")).unwrap_err();
        assert!(message.contains(expected), "{text:?} says\n  {message}\nbut not\n  {expected}");
    }
}

#[test]
fn zero_itself_and_what_has_a_code_of_its_own_can_be_set() {
    for number in ["0", "0.0", "0.011"] {
        let set = format!("[settings.lift]\nprofile_velocity = {number}\n[[step]]\nat_s = 1\nlift = \"stop\"\n");
        assert_eq!(read(&set).unwrap().settings.len(), 1, "{number}");
    }
}

#[test]
fn a_map_file_is_told_from_a_bench() {
    let text = "name = \"mine\"\n[wire]\nframing = \"fixed-word\"\n";
    let said = parse(&Source { file: "mine.toml", text }).unwrap_err().to_string();
    let expected = "mine.toml:1:1: found a map file, expected a bench file, with `[chain]` and `[[step]]`; \
                    `stepchain map check` reads maps";
    assert_eq!(said, expected);
}

#[test]
fn a_word_of_one_letter_gets_no_guess() {
    let text = "[chain]\nmap = \"latched\"\naxes = [\"a\"]\n[[step]]\nat_s = 1\nb = \"stop\"\n";
    let said = parse(&Source { file: "b.toml", text }).unwrap_err().to_string();
    assert!(said.contains("found `b`") && !said.contains("did you mean"), "{said}");
}

#[test]
fn a_chain_that_cannot_be_is_refused() {
    let refused = |chain: &str| {
        let text = format!("[chain]\n{chain}\n[[step]]\nat_s = 1\n");
        parse(&Source { file: "b.toml", text: &text }).unwrap_err().to_string()
    };
    let near = refused("map = \"latchd\"\naxes = [\"a\"]");
    assert!(near.contains("b.toml:2:7: found \"latchd\"") && near.contains("did you mean `latched`?"), "{near}");
    assert!(refused("map = \"latched\"\naxes = []").contains("3:8: found 0 names"));
    assert!(refused("map = \"latched\"\naxes = [\"a\", \"a\"]").contains("3:14: found \"a\", expected a name"));
    assert!(refused("map = \"latched\"\naxes = [\"note\"]").contains("3:9: found \"note\""));
    assert!(refused("map = \"latched\"\naxes = [\"a\"]\ndevices = 2").contains("found 1 names on 2 devices"));
    let clock = refused("map = \"latched\"\naxes = [\"a\"]\nspi_clock_hz = 9_000_000");
    assert!(clock.contains("4:16: found 9000000 Hz, expected 1..=5000000 Hz"), "{clock}");
}

#[test]
fn searches_returns_and_resets_are_read_as_the_driver_has_them() {
    let velocity = Velocity::from_steps_per_s(-40).unwrap();
    let probe = EdgeAction::Probe;
    let written = command("{ search_for_switch = -40, edge = \"probe\" }");
    assert_eq!(written, Command::SearchForSwitch { velocity, action: probe });
    let written = command("{ search_for_zero = -40, edge = \"zero\" }");
    assert_eq!(written, Command::SearchForZero { velocity, action: EdgeAction::Zero });
    let written = command("{ pulse_input = \"negative\" }");
    assert_eq!(written, Command::PulseInput { direction: Direction::Negative });
    for (word, meant) in [
        ("return_to_zero", Command::ReturnToZero),
        ("return_to_probed_position", Command::ReturnToProbedPosition),
        ("restore_defaults", Command::RestoreDefaults),
        ("reset_node", Command::ResetNode),
        ("fault_reset", Command::FaultReset),
    ] {
        assert_eq!(command(&format!("\"{word}\"")), meant);
    }
}

#[test]
fn a_command_waits_where_the_map_has_it_so_and_nowhere_else() {
    let step = |command: &str| read(&format!("[[step]]\nat_s = 1\nlift = {command}\n"));
    let bench = step("{ move_relative = 1, buffered = true }").unwrap();
    let order = &bench.steps[0].orders[0];
    assert_eq!((order.buffer_mode, order.text.as_str()), (BufferMode::Buffered, "move relative 1 steps, buffered"));
    let error = step("{ move_absolute = 1, way = \"positive\", buffered = true }").unwrap_err();
    assert!(error.contains("does not let wait"), "{error}");
    let error = step("{ search_for_switch = 5, edge = \"probe\" }").unwrap_err();
    assert!(error.contains("would never come"), "a search may find nothing: {error}");
}

#[test]
fn every_fault_start_and_duration_can_be_written() {
    use crate::inject::{Bits, DataLine, Fault, Injection, Lasts, Line, Start, Winding};
    use embedded_hal::digital::PinState::{High, Low};
    let fault = |lines: &str| {
        let bench = read(&format!("[[fault]]\n{lines}\n[[step]]\nat_s = 1\nlift = \"stop\"\n"));
        bench.map(|bench| bench.faults[0].injection.clone()).unwrap()
    };
    let what = |lines: &str| fault(&format!("{lines}\nat_s = 1")).fault;
    let line = DataLine::Miso;
    let flips = Fault::BitFlips { line, bits: Bits::Each(0.5) };
    assert_eq!(what("bit_flips = \"miso\"\nprobability = 0.5"), flips);
    assert_eq!(what("bit_flips = \"miso\"\nbits = [3, 9]"), Fault::BitFlips { line, bits: Bits::At(vec![3, 9]) });
    assert_eq!(what("lost_clocks = 2"), Fault::LostClocks { count: 2 });
    assert_eq!(what("extra_clocks = 1"), Fault::ExtraClocks { count: 1 });
    for (name, line) in [("sck", Line::Sck), ("mosi", Line::Mosi), ("miso", Line::Miso), ("cs", Line::Cs)] {
        let written = what(&format!("stuck_line = \"{name}\"\nlevel = \"low\""));
        assert_eq!(written, Fault::StuckLine { line, level: Low });
    }
    let behind = Fault::StuckLine { line: Line::Behind(0), level: High };
    assert_eq!(what("stuck_line = \"behind\"\nbehind = \"lift\"\nlevel = \"high\""), behind);
    assert_eq!(what("reset = \"table\""), Fault::ResetNode { device: 1 });
    assert_eq!(what("undervoltage = \"table\""), Fault::Undervoltage { device: 1 });
    let hot = |shut_off_after_ns| Fault::Overheating { device: 0, shut_off_after_ns };
    assert_eq!(what("overheating = \"lift\"\nshut_off_after_s = 2"), hot(2_000_000_000));
    assert_eq!(what("overheating = \"lift\""), hot(u64::MAX));
    let winding = Winding::B;
    let open = Fault::OpenWinding { device: 1, axis: 0, winding };
    assert_eq!(what("open_winding = \"table\"\nwinding = \"b\""), open);
    assert_eq!(what("blocked_rotor = \"lift\""), Fault::BlockedRotor { device: 0, axis: 0 });

    let start = |lines: &str| fault(&format!("undervoltage = \"table\"\n{lines}"));
    let Injection { start: at, lasts, seed, .. } = start("at_s = 0.5");
    assert_eq!((at, lasts, seed), (Start::At(500_000_000), Lasts::ForEver, 1));
    let Injection { start: at, lasts, seed, .. } = start("at_frame = 7\nlasts_frames = 3\nseed = 9");
    assert_eq!((at, lasts, seed), (Start::Frame(7), Lasts::Frames(3), 9));
    assert_eq!(start("at_s = 0\nlasts_s = 0.1").lasts, Lasts::Ns(100_000_000));
    let on = |event: &str| start(&format!("on = {{ axis = \"table\", {event} }}")).start;
    assert_eq!(on("motion = 2"), Start::Motion { device: 1, axis: 0, nth: 2 });
    assert_eq!(on("position = -1.5"), Start::Position { device: 1, axis: 0, steps: -1.5 });
    assert_eq!(on("velocity = 30"), Start::Velocity { device: 1, axis: 0, steps_per_s: 30.0 });
    assert_eq!(fault("reset = \"lift\"\nat_s = 1").lasts, Lasts::Instant, "a reset is over at once");
}
