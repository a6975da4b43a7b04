//! Benches run in both reference maps, and what is found where something is wrong.

use stepchain::map::{BridgeState, Flag, Layout, RegisterMap, StatusBit, StatusLayout, StopRamp};
use stepchain::reference::Latched;
use stepchain::units::Velocity;

use super::rig::Call;
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
    // By hand: 2²³ microsteps are 131 072 steps of 64.
    let said = "b.toml:6:23: found 200000 steps, expected -131072..=131071.984375 steps (the map's counter of 24 bits at \
                64 microsteps a step)";
    assert_eq!(problem, said);
}

/// What is said against one command of a bench in a map.
fn refused(map: &str, command: &str) -> String {
    let text =
        format!("until_s = 9\nchain = {{ map = \"{map}\", axes = [\"a\"] }}\n[[step]]\nat_s = 0\na = {command}\n");
    run(&parse(&Source { file: "b.toml", text: &text }).unwrap()).unwrap_err().to_string()
}

/// By hand: 24 bits of magnitude are 2²⁴ − 1 microsteps, 262 143.98 steps of 64, either way.
#[test]
fn a_distance_that_no_command_carries_is_told_in_steps_and_with_both_ends() {
    let said = "b.toml:5:23: found -300000 steps, expected -262143.984375..=262143.984375 steps (what `move relative` of \
                `latched` holds at 64 microsteps a step)";
    assert_eq!(refused("latched", "{ move_relative = -300000 }"), said);
}

#[test]
fn a_velocity_that_no_command_carries_is_told_in_steps_per_second() {
    let said = refused("latched", "{ move_velocity = -400000 }");
    assert!(said.starts_with("b.toml:5:23: found -400000 steps/s, expected -335544.3..=335544.3 steps/s ("), "{said}");
}

#[test]
fn a_form_that_the_map_lacks_is_told_with_those_of_its_kind() {
    let mut bench = bench("[[step]]\nat_s = 0\na = { stop = \"quick\", bridge = \"shorted\" }\n");
    let with = |keep: &dyn Fn(Verb) -> bool| -> &'static Layout {
        let forms = Latched::LAYOUT.commands.iter().copied().filter(|form| keep(form.verb));
        Box::leak(Box::new(Latched::LAYOUT.commands(forms.collect::<Vec<_>>().leak())))
    };
    bench.layout = with(&|verb| match verb {
        Verb::Stop(ramp, bridge) => ramp != StopRamp::Quick && bridge == BridgeState::Driven,
        _ => true,
    });
    let found =
        "b.toml:4:14: found `stop, quick ramp, shorted`, which `latched` does not have, expected one that it has: ";
    let said = run(&bench).unwrap_err().to_string();
    assert_eq!(said, format!("{found}`stop, profile ramp, driven`, `stop, no ramp, driven`"));
    bench.layout = with(&|verb| matches!(verb, Verb::ReadParameter | Verb::TakeStatus));
    assert_eq!(run(&bench).unwrap_err().to_string(), format!("{found}`read parameter`, `take status`"));
}

#[test]
fn a_status_without_a_flag_says_so() {
    const QUIET: Layout = Latched::LAYOUT.status(StatusLayout::new(16, &[StatusBit::latched(Flag::ResetOccurred, 15)]));
    let mut bench = bench("[[step]]\nat_s = 0\na = \"take_status\"\n");
    bench.layout = &QUIET;
    let outcome = run(&bench).unwrap();
    assert_eq!(outcome.answers[0].answer, "no flag raised");
    assert_eq!(outcome.marks[0].commands[0].1, "take status: no flag raised");
    assert_eq!(outcome.axes[0].duration_s.to_string(), "0", "no motion at all is not −0 s of it");
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

/// The demo motor's weight falls as long as nothing holds it.
#[test]
fn a_load_that_falls_is_found_with_what_helps_and_one_on_a_stop_is_not() {
    let motor = "[motor.a]\nfile = \"../examples/motors/demo.toml\"\n[[step]]\nat_s = 0.01\na = \"take_status\"\n";
    let falls = |told: &&str| told.starts_with("`a` makes no steps and is turned by its load");
    let falling = outcome("latched", motor);
    assert!(findings(&falling).iter().any(falls), "{:#?}", findings(&falling));
    let lying = outcome("latched", &format!("[machine.a]\nend_stops = [-0.5, 900]\n{motor}"));
    assert!(!findings(&lying).iter().any(falls), "{:#?}", findings(&lying));
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

/// Where the axis was when the command took effect is what counts, not where it is when the call is over.
#[test]
fn a_relative_move_under_way_is_due_from_where_it_took_effect() {
    let steps = "[[step]]\nat_s = 0\na = { move_absolute = 500 }\n[[step]]\nat_s = 1.5\na = { move_relative = -20 }\n";
    let outcome = outcome("fixed-word", steps);
    assert!(outcome.is_well(), "{:?}", findings(&outcome));
    assert!(outcome.axes[0].reached_steps > 200.0, "{:?}", outcome.axes[0]);
}

#[test]
fn a_motion_command_that_no_device_has_heard_is_found() {
    let bench = bench("[[step]]\nat_s = 0\na = { move_relative = 5 }\n");
    let mut rig = Rig::new(&bench).unwrap();
    let unheard = Call { effect_ns: 0, events: vec![], replies: vec![] };
    Ledger::new(&bench).enter(1, &bench.steps[0], &unheard, &mut rig);
    assert_eq!(rig.findings[0].text, "step 1: `a` did nothing at \"move relative 5 steps\"");
}

#[test]
fn a_fault_in_the_status_is_one_of_its_axis_and_a_closed_switch_is_none() {
    const FAULTS: Layout = Latched::LAYOUT.status(StatusLayout::new(
        16,
        &[
            StatusBit::live(Flag::HomeSwitch, 0),
            StatusBit::live(Flag::Fault, 1),
            StatusBit::live(Flag::Overcurrent, 2),
            StatusBit::live(Flag::Undervoltage, 3),
        ],
    ));
    let mut bench = bench("[[step]]\nat_s = 0\na = \"stop\"\n");
    bench.layout = &FAULTS;
    let mut rig = Rig::new(&bench).unwrap();
    rig.forget_faults();
    rig.chain.set_condition(0, 0, Flag::HomeSwitch, true);
    for flag in [Flag::Fault, Flag::Overcurrent, Flag::Undervoltage] {
        rig.chain.set_condition(1, 0, flag, true);
    }
    rig.call_every_device(Command::PeekStatus).unwrap();
    assert_eq!(rig.faults, [vec![], ["fault", "overcurrent", "undervoltage"].map(str::to_owned).to_vec()]);
}

/// By hand: the switch closes at 40 steps; 200 steps/s are braked to 10 in (200² − 10²) / (2 · 4000) = 4.9875 steps, 79 whole
/// microsteps of 1/16, so that the axis comes to stand at 44.9375. Creeping back at the start-stop velocity it opens a microstep below 40, and that is zero. From
/// there the stop at 60 steps is 20 steps and one microstep away.
fn homed(map: &str, then_to: &str) -> Outcome {
    let steps = format!(
        "[settings.a]\nmicrostep_resolution = 16\nprofile_velocity = 300\nprofile_acceleration = 4000\n\
         profile_deceleration = 4000\nstart_stop_velocity = 10\n\
         [machine.a]\nhome_switch = {{ closed_from = 40 }}\nend_stops = [-1, 60]\n\
         [[step]]\nat_s = 0\na = {{ search_for_switch = 200, edge = \"probe\" }}\n\
         [[step]]\nafter = \"standstill\"\na = {{ read_parameter = \"probed_position\" }}\n\
         [[step]]\nafter = \"standstill\"\na = {{ read_parameter = \"position_demand_value\" }}\n\
         [[step]]\nafter = \"standstill\"\na = {{ search_for_zero = -10, edge = \"zero\" }}\n\
         [[step]]\nafter = \"standstill\"\na = {{ move_absolute = {then_to} }}\n[expect]\na = {then_to}\n"
    );
    outcome(map, &steps)
}

#[test]
fn an_axis_finds_its_switch_and_goes_as_far_as_its_stop() {
    for map in ["latched", "fixed-word"] {
        let outcome = homed(map, "20.0625");
        assert!(outcome.is_well(), "{map}: {:?}, {:?}", findings(&outcome), outcome.axes);
        let answers: Vec<_> = outcome.answers.iter().map(|answer| answer.answer.as_str()).collect();
        assert_eq!(answers, ["40 steps", "44.9375 steps"], "{map}");
    }
}

#[test]
fn an_axis_that_runs_into_its_stop_shows_a_stall_and_its_neighbour_none() {
    for (map, stalls) in
        [("latched", &["stall on winding A"][..]), ("fixed-word", &["stall on winding A", "stall on winding B"])]
    {
        for beyond in ["20.125", "-41"] {
            let outcome = homed(map, beyond);
            assert!(!outcome.is_well(), "{map}");
            assert_eq!(outcome.axes[0].faults, stalls, "{map}");
            assert!(outcome.axes[1].faults.is_empty(), "{map}");
        }
        assert!(homed(map, "-40.9375").is_well(), "{map}: a microstep before the other stop");
    }
}

/// The search goes away from the switch, and after an hour nobody waits any longer.
#[test]
fn a_search_that_goes_the_wrong_way_is_found() {
    let steps = "[machine.a]\nhome_switch = { closed_from = 40 }\n\
                 [[step]]\nat_s = 0\na = { search_for_switch = -50, edge = \"zero\" }\n";
    assert_eq!(findings(&outcome("fixed-word", steps))[0], "an axis still moves an hour after the last step");
}

const MOVE: &str = "[settings.all]\nprofile_velocity = 300\nprofile_acceleration = 1000\nprofile_deceleration = 1000\n\
    [[step]]\nat_s = 0.1\na = { move_relative = 90 }\n";

fn disturbed(map: &str, fault: &str) -> (Outcome, Vec<String>) {
    let outcome = outcome(map, &format!("{MOVE}[[fault]]\n{fault}"));
    let told = outcome.findings.iter().map(|finding| outcome.told(finding)).chain(outcome.shown());
    (outcome.clone(), told.collect())
}

/// Held from 0.4 s to 0.6 s at 300 steps/s or less: by hand, from 45 steps on at full speed, ramping down from 0.4 s on.
#[test]
fn a_blocked_rotor_is_found_where_the_counter_alone_would_say_that_all_is_well() {
    for (map, shown) in [("latched", "stall on winding A"), ("fixed-word", "stall on winding A, stall on winding B")] {
        let (outcome, told) = disturbed(map, "blocked_rotor = \"a\"\nat_s = 0.41\nlasts_s = 0.2\n");
        let [a, b] = outcome.axes.as_slice() else { panic!("two axes") };
        assert_eq!((a.reached_steps, a.commanded_steps, b.lost_steps), (90.0, Some(90.0), 0.0), "{map}");
        assert!(a.lost_steps > 35.0 && a.lost_steps < 45.0, "{a:?}");
        let cause = "; likely cause: blocked rotor of `a` (fault 1)";
        let lost =
            format!("the rotor of `a` is {} steps behind its counter, and not where that says{cause}", a.lost_steps);
        assert_eq!(told, [lost, format!("`a` shows: {shown}{cause}")], "{map}");
        assert!(!outcome.is_well());
        assert_eq!((outcome.injected[0].began_s, outcome.injected[0].ended_s), (Some(0.41), Some(0.61)));
    }
}

#[test]
fn a_fault_that_hurts_nobody_and_one_that_never_comes_are_told_and_not_found() {
    let (outcome, told) =
        disturbed("latched", "blocked_rotor = \"b\"\nat_s = 0.2\n[[fault]]\nreset = \"b\"\nat_s = 80\n");
    assert_eq!((outcome.is_well(), told), (true, vec![]));
    let effects: Vec<_> = outcome.injected.iter().map(InjectedFault::effect).collect();
    assert_eq!(effects, ["nothing came of it", "it did not begin"]);
    assert_eq!(outcome.injected[0].row()[3..5], ["0.2 s", "the end"]);
}

/// Frames count from power-up: 1 and 1 for the status, then two writes and two reads for each setting, an axis beside the other.
#[test]
fn a_fault_can_hit_the_settings_and_the_read_back_finds_it() {
    let (outcome, told) = disturbed("latched", "bit_flips = \"mosi\"\nbits = [20]\nat_frame = 4\nlasts_frames = 1\n");
    assert!(
        told.iter()
            .any(|told| told.contains("was read back") && told.contains("likely cause: bit flips on mosi, at 20")),
        "{told:?}"
    );
    let fault = &outcome.injected[0];
    assert!(fault.began_s.unwrap() < 0.0 && fault.row()[3] == "before the timeline", "{fault:?}");
    assert_eq!((fault.frames, fault.hits, fault.effect().as_str()), (1, 1, "1 hit in 1 frame"));
}

/// What befell the axis itself comes first; what is wrong with a word is blamed on the bus.
#[test]
fn the_likely_cause_is_the_nearest_one() {
    let faults = "blocked_rotor = \"a\"\non = { axis = \"a\", motion = 1 }\n\
        [[fault]]\nbit_flips = \"mosi\"\nbits = [3]\nat_s = 0.5\n";
    let (_, told) = disturbed("fixed-word", faults);
    let as_well = "likely cause: blocked rotor of `a` (fault 1); the bus was disturbed as well (fault 2)";
    assert!(told.iter().any(|told| told.starts_with("`a` shows: stall") && told.ends_with(as_well)), "{told:#?}");
    let bus = "`b` shows: CRC mismatch; likely cause: bit flips on mosi, at 3 of each frame (fault 2)";
    assert!(told.iter().any(|told| told == bus), "{told:#?}");
}

#[test]
fn the_same_bench_gives_the_same_outcome_and_another_seed_another_one() {
    let noise = |seed| {
        disturbed("fixed-word", &format!("bit_flips = \"miso\"\nprobability = 0.01\nseed = {seed}\nat_s = 0\n")).0
    };
    assert_eq!(noise(3), noise(3));
    assert_ne!(noise(3), noise(4));
}

#[test]
fn a_fault_that_has_changed_nothing_is_not_suspected() {
    let faults = "blocked_rotor = \"a\"\nat_s = 0.2\n[[fault]]\nbit_flips = \"mosi\"\nbits = [500]\nat_s = 0\n";
    let (outcome, told) = disturbed("latched", faults);
    assert!(!told.is_empty() && told.iter().all(|told| told.ends_with("likely cause: blocked rotor of `a` (fault 1)")));
    assert_eq!(outcome.injected[1].effect(), "it changed nothing on the bus");
}
