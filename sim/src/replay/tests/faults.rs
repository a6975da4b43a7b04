//! Each single fault shows, at the first moment at which it can, and is told for what it is.

use embedded_hal::digital::PinState;
use stepchain::Command;
use stepchain::map::{EdgeAction, Encoding, Flag, Layout, Parameter, Refusal, Register, RegisterMap};
use stepchain::reference::{FixedWord, Latched};
use stepchain::units::{Acceleration, Distance, Velocity};

use super::bench::{Bench, read, replayed, strict, told, transfer, velocity};
use crate::device::Switch;
use crate::dice::Dice;
use crate::inject::{Bits, DataLine, Fault, Lasts, Line, Script, Start};
use crate::replay::{Divergence, Meaning, Options, Replay};

const OURS: [&Layout; 2] = [&Latched::LAYOUT, &FixedWord::LAYOUT];

/// A run with a few words before and many after, and something between.
fn run(layout: &'static Layout, between: impl FnOnce(&mut Bench)) -> Bench {
    let mut bench = Bench::new(layout, 2);
    let slope = Acceleration::from_steps_per_s2(1600).unwrap();
    bench.to(1, Command::write(Parameter::ProfileAcceleration, slope));
    bench.to(0, velocity(120));
    bench.wait_ms(400);
    bench.to(0, Command::TakeStatus);
    bench.to(1, Command::TakeStatus);
    between(&mut bench);
    for _ in 0..3 {
        bench.wait_ms(50);
        for device in [0, 1] {
            bench.to(device, Command::PeekStatus);
            bench.to(device, read(Parameter::PositionDemandValue));
            bench.to(device, read(Parameter::ProfileAcceleration));
            bench.to(device, read(Parameter::VelocityDemandValue));
        }
    }
    bench
}

#[track_caller]
fn only(found: &[Divergence]) -> &Divergence {
    let [only] = found else { panic!("expected one divergence, found {}:\n{}", found.len(), told(found)) };
    only
}

#[test]
fn without_a_fault_there_is_no_divergence() {
    for layout in OURS {
        let found = run(layout, |_| {}).replayed(&strict());
        assert!(found.is_empty(), "{}", told(&found));
    }
}

/// Every bit of every answer is turned over once, alone: each is a divergence of that very frame and device, or of the
/// frame that ends the answer, and nothing follows from it.
#[test]
fn each_flipped_bit_of_an_answer_is_one_divergence_at_its_own_frame() {
    for layout in OURS {
        let bench = run(layout, |_| {});
        let unit = usize::from(layout.wire.unit_bits);
        let mut dice = Dice::new(7, 0);
        for _ in 0..40 {
            let mut frames = bench.frames.clone();
            let number = dice.below(frames.len() as u64 - 30) as usize;
            let bit = dice.below(2 * unit as u64) as usize;
            let miso = frames[number].miso.as_mut().unwrap();
            miso[bit] = !miso[bit];
            let found = replayed(layout, 2, &frames, &strict());
            let one = only(&found);
            assert_eq!(one.frame, number as u64, "bit {bit}: {one}");
            assert_eq!(one.device, 1 - bit / unit, "bit {bit}: {one}");
            let flag_alone =
                matches!(one.meaning, Meaning::Reset { .. } | Meaning::Refused { .. } | Meaning::Condition { .. });
            assert!(matches!(one.meaning, Meaning::ReadBits { bits: 1, .. }) || flag_alone, "bit {bit}: {one}");
        }
    }
}

#[test]
fn a_device_that_has_reset_is_told_once_and_followed_from_there() {
    for layout in OURS {
        let bench = run(layout, |bench| {
            bench.wait_ms(30);
            bench.chain.reset_node(0);
        });
        let found = bench.replayed(&strict());
        let one = only(&found);
        assert!(matches!(one.meaning, Meaning::Reset { .. }), "{one}");
        assert_eq!(one.device, 0);
    }
}

/// The device has a map of its own that refuses what the other one says it obeys.
#[test]
fn a_refused_command_is_told_by_its_name_and_its_frame() {
    let mut commands = Latched::LAYOUT.commands.to_vec();
    for form in &mut commands {
        if form.verb == stepchain::map::Verb::MoveVelocity {
            *form = form.refused(Refusal::NEVER.while_moving());
        }
    }
    let mut other = Latched::LAYOUT;
    other.commands = Vec::leak(commands);
    let other: &'static Layout = Box::leak(Box::new(other));
    let bench = run(other, |bench| {
        bench.to(0, velocity(60));
    });
    let found = replayed(&Latched::LAYOUT, 2, &bench.frames, &strict());
    let one = only(&found);
    let Meaning::Refused { word, frame } = &one.meaning else { panic!("{one}") };
    assert_eq!(word, "move velocity");
    let sent = bench.frames[*frame as usize - 1].mosi.as_ref().unwrap();
    assert_eq!(crate::wire::bytes_of(sent)[2], 0xB4, "the first unit of the second velocity, for device 0: {one}");
}

/// What a fault of the script does to a run.
fn injected(layout: &'static Layout, fault: Fault, frames: u64) -> (u64, Bench) {
    let mut number = 0;
    let bench = run(layout, |bench| {
        number = bench.frames.len() as u64 + 3;
        let script = Script::new().with(fault, Start::Frame(number), Lasts::Frames(frames), 1);
        bench.chain.inject(&script).unwrap();
        bench.wait_ms(20);
        bench.to(0, velocity(-200));
        bench.to(0, Command::PeekStatus);
        bench.to(1, Command::write(Parameter::ProfileAcceleration, Acceleration::from_steps_per_s2(2400).unwrap()));
    });
    (number, bench)
}

#[test]
fn a_stuck_line_is_told_once_for_as_long_as_it_is_stuck() {
    for layout in OURS {
        for (level, high) in [(PinState::High, true), (PinState::Low, false)] {
            let fault = Fault::StuckLine { line: Line::Miso, level };
            let (number, bench) = injected(layout, fault, 5);
            let found = bench.replayed(&strict());
            let one = only(&found);
            assert_eq!(one.meaning, Meaning::Stuck { high }, "{one}");
            assert!((number..number + 5).contains(&one.frame), "{one}");
        }
    }
}

#[test]
fn a_chip_select_that_does_not_rise_is_a_missed_edge() {
    for layout in OURS {
        let (number, bench) = injected(layout, Fault::StuckLine { line: Line::Cs, level: PinState::Low }, 2);
        let found = bench.replayed(&strict());
        let first = &found[0];
        assert!(
            matches!(first.meaning, Meaning::MissedEdge { frame } if frame.abs_diff(number) <= 1),
            "{}",
            told(&found)
        );
        assert_eq!(found.len(), 1, "{}", told(&found));
    }
}

#[test]
fn a_flipped_bit_of_a_word_is_found_with_its_place() {
    for layout in OURS {
        let unit = u64::from(layout.wire.unit_bits);
        // A bit that means something: of the code of the slope, for device 1, whose unit is first on the wire.
        let place = unit - if layout.name == "latched" { 4 } else { 12 };
        let bench = run(layout, |bench| {
            let slope = Acceleration::from_steps_per_s2(2400).unwrap();
            // The unit with the content is the last of the word.
            let words = if layout.name == "latched" { 1 } else { 0 };
            let number = bench.frames.len() as u64 + words;
            let flip = Fault::BitFlips { line: DataLine::Mosi, bits: Bits::At(vec![place]) };
            bench.chain.inject(&Script::new().with(flip, Start::Frame(number), Lasts::Frames(1), 1)).unwrap();
            bench.to(1, Command::write(Parameter::ProfileAcceleration, slope));
        });
        let found = bench.replayed(&strict());
        let one = only(&found);
        assert_eq!(one.device, 1);
        let word = match &one.meaning {
            Meaning::SentBit { bit, word, .. } if *bit as u64 == place => word,
            // A check over the word tells that a bit is wrong, and not which.
            Meaning::Garbled { sent: Some((word, _)), .. } if layout.wire.crc.is_some() => word,
            _ => panic!("{one}"),
        };
        assert_eq!(word, "write profile acceleration");
    }
}

#[test]
fn a_lost_clock_puts_all_bits_one_place_off() {
    let bench = run(&Latched::LAYOUT, |_| {});
    let mut frames = bench.frames.clone();
    // From here on the controller reads each bit a clock late, as in another mode.
    for frame in frames.iter_mut().skip(8) {
        let miso = frame.miso.as_mut().unwrap();
        miso.insert(0, false);
        miso.pop();
    }
    let found = replayed(&Latched::LAYOUT, 2, &frames, &strict());
    assert_eq!(found[0].meaning, Meaning::Slip { is_late: true }, "{}", told(&found));
}

#[test]
fn a_chain_of_another_length_is_told_by_its_length() {
    for (said, real) in [(2, 1), (3, 2), (2, 3), (1, 2)] {
        let mut bench = Bench::new(&Latched::LAYOUT, said);
        // The firmware believes in another chain than there is.
        bench.chain = crate::chain::VirtualChain::new(&Latched::LAYOUT, real).unwrap();
        for _ in 0..4 {
            bench.to(0, read(Parameter::ProfileAcceleration));
            bench.to(0, velocity(80));
            bench.wait_ms(20);
            bench.to(0, Command::PeekStatus);
        }
        let found = bench.replayed(&strict());
        assert_eq!(found[0].meaning, Meaning::ChainLength { devices: real }, "{said} {real}:\n{}", told(&found));
        assert_eq!(found.len(), 1, "{}", told(&found));
    }
}

/// The device's codes of velocity are worth twice what the map says.
#[test]
fn a_wrong_scale_of_the_map_is_told_by_its_factor() {
    let mut registers: Vec<Register> = Latched::LAYOUT.registers.to_vec();
    for register in &mut registers {
        if register.parameter == Parameter::ProfileVelocity {
            *register = register.encoding(Encoding::linear(1, 25));
        }
    }
    let mut other = Latched::LAYOUT;
    other.registers = Vec::leak(registers);
    let other: &'static Layout = Box::leak(Box::new(other));
    let mut bench = Bench::new(&Latched::LAYOUT, 2);
    bench.chain = crate::chain::VirtualChain::new(other, 2).unwrap();
    bench.to(0, Command::write(Parameter::ProfileVelocity, Velocity::from_steps_per_s(200).unwrap()));
    bench.to(0, Command::MoveRelative { distance: Distance::from_microsteps(64 * 3000) });
    bench.wait_ms(1500);
    for _ in 0..4 {
        bench.to(0, read(Parameter::VelocityDemandValue));
        bench.to(0, read(Parameter::ProfileVelocity));
        bench.wait_ms(100);
    }
    let found = bench.replayed(&strict());
    let Meaning::Scale { ratio, readings } = only(&found).meaning else { panic!("{}", told(&found)) };
    assert!((ratio - 2.0).abs() < 0.01 && readings >= 3, "{ratio} in {readings}");
}

/// The switch is where it was said to be, and then it is not.
#[test]
fn a_switch_that_does_not_close_where_it_should_is_a_divergence() {
    let switch = Switch::ClosedBetween { from_steps: -60.0, to_steps: -20.0 };
    let options = Options { switches: vec![(0, 0, switch)], from_power_up: true, ..Options::default() };
    for layout in OURS {
        let run = |switch: Switch| {
            let mut bench = Bench::new(layout, 2);
            bench.chain.set_switch(0, 0, switch);
            let velocity = Velocity::from_steps_per_s(-100).unwrap();
            bench.to(0, Command::SearchForSwitch { velocity, action: EdgeAction::Zero });
            for _ in 0..8 {
                bench.wait_ms(60);
                bench.to(0, Command::PeekStatus);
                bench.to(0, read(Parameter::PositionDemandValue));
            }
            bench
        };
        let well = run(switch).replayed(&options);
        assert!(well.is_empty(), "{}", told(&well));
        let blocked = run(Switch::Open).replayed(&options);
        let first = &blocked[0];
        assert!(matches!(first.meaning, Meaning::Condition { flag: Flag::HomeSwitch | Flag::SwitchEvent }), "{first}");
        // Where nobody says where the switch is, nothing speaks against an axis that finds none, or finds one.
        for bench in [run(Switch::Open), run(switch)] {
            let found = bench.replayed(&Options { from_power_up: true, ..Options::default() });
            assert!(found.is_empty(), "{}", told(&found));
        }
    }
}

#[test]
fn conditions_from_outside_count_only_where_none_is_expected() {
    for layout in OURS {
        let bench = run(layout, |bench| bench.chain.set_condition(1, 0, Flag::Undervoltage, true));
        let found = bench.replayed(&strict());
        assert_eq!(found[0].meaning, Meaning::Condition { flag: Flag::Undervoltage }, "{}", told(&found));
        let options = Options { from_power_up: true, ..Options::default() };
        let found = bench.replayed(&options);
        assert!(found.is_empty(), "{}", told(&found));
    }
}

#[test]
fn what_is_ignored_by_name_does_not_count() {
    let bench = run(&Latched::LAYOUT, |bench| bench.chain.set_position(0, 0, 5));
    let found = bench.replayed(&strict());
    assert_eq!(only(&found).meaning, Meaning::Motion, "{}", told(&found));
    let options = Options { ignore: vec!["position demand value".to_owned()], ..strict() };
    assert!(bench.replayed(&options).is_empty());
}

#[test]
fn a_frame_that_was_not_seen_whole_is_no_divergence_and_what_follows_is_compared() {
    let bench = run(&Latched::LAYOUT, |_| {});
    let mut frames = bench.frames.clone();
    frames[5].complete = false;
    frames[5].miso.as_mut().unwrap().truncate(7);
    frames[5].mosi.as_mut().unwrap().truncate(7);
    let found = replayed(&Latched::LAYOUT, 2, &frames, &strict());
    assert!(found.is_empty(), "{}", told(&found));
    let last = frames.len() - 1;
    let miso = frames[last - 2].miso.as_mut().unwrap();
    miso.iter_mut().take(3).for_each(|bit| *bit = !*bit);
    assert!(!replayed(&Latched::LAYOUT, 2, &frames, &Options { strict: true, ..Options::default() }).is_empty());
}

#[test]
fn a_switch_of_an_axis_that_is_not_there_is_refused() {
    let options = Options { switches: vec![(2, 0, Switch::Open)], ..Options::default() };
    let error = Replay::new(&Latched::LAYOUT, 2, &options).unwrap_err();
    assert_eq!(error.to_string(), "a switch for axis 0 of device 2, which the chain does not have");
}

/// The recording has a word that the device never got.
#[test]
fn a_word_that_a_device_has_not_taken_is_told_by_its_name() {
    for layout in OURS {
        let slope = Acceleration::from_steps_per_s2(2400).unwrap();
        let write = Command::write(Parameter::ProfileAcceleration, slope);
        let mut place = 0..0;
        let said = run(layout, |bench| {
            let first = bench.frames.len();
            bench.to(1, write);
            place = first..bench.frames.len();
        });
        let mut heard = run(layout, |bench| {
            for _ in place.clone() {
                bench.idle();
            }
        });
        assert_eq!(said.frames.len(), heard.frames.len());
        for number in place.clone() {
            heard.frames[number].mosi = said.frames[number].mosi.clone();
        }
        let found = heard.replayed(&strict());
        let one = only(&found);
        let Meaning::Unheard { word, .. } = &one.meaning else { panic!("{one}") };
        assert_eq!((word.as_str(), one.device), ("write profile acceleration", 1));
    }
}

#[test]
fn a_register_that_holds_something_else_is_told_with_both_values() {
    for layout in OURS {
        let bench = run(layout, |bench| {
            let register = bench.layout.register(Parameter::ProfileAcceleration, 0).unwrap();
            bench.chain.assume_content(1, register.address, 123);
        });
        let found = bench.replayed(&strict());
        let one = only(&found);
        assert_eq!((one.meaning.clone(), one.device), (Meaning::Held, 1), "{one}");
        assert!(one.expected.contains("1600 steps/s²"), "{one}");
    }
}

/// The recording's clock runs so that everything after the velocity seems to come later than it did.
fn later(stretch: impl Fn(i64) -> i64) -> (Bench, Vec<crate::capture::Frame>) {
    let bench = run(&Latched::LAYOUT, |_| {});
    let mut frames = bench.frames.clone();
    // Two frames write the acceleration, two the velocity.
    let begun_ns = frames[3].end_ns;
    for frame in &mut frames[4..] {
        frame.start_ns = begun_ns + stretch(frame.start_ns - begun_ns);
        frame.end_ns = begun_ns + stretch(frame.end_ns - begun_ns);
    }
    (bench, frames)
}

/// 3 ms at 120 steps/s and 64 microsteps a step are 23 microsteps.
#[test]
fn motion_within_the_tolerance_of_time_is_no_divergence_and_beyond_it_is_one() {
    let (bench, frames) = later(|since_ns| since_ns + 3_000_000);
    let tolerant = |ns| Options { time_tolerance_ns: Some(ns), ..strict() };
    let found = replayed(bench.layout, 2, &frames, &tolerant(4_000_000));
    assert!(found.is_empty(), "{}", told(&found));
    assert!(!replayed(bench.layout, 2, &frames, &tolerant(2_000_000)).is_empty());
}

/// A device whose clock is slow by 1 % is behind by 4 to 6 ms after 400 to 550 ms.
#[test]
fn motion_within_the_tolerance_of_the_clock_is_no_divergence_and_beyond_it_is_one() {
    let (bench, frames) = later(|since_ns| since_ns + since_ns / 100);
    let tolerant = |share| Options { clock_tolerance: share, ..strict() };
    let found = replayed(bench.layout, 2, &frames, &tolerant(0.015));
    assert!(found.is_empty(), "{}", told(&found));
    assert!(!replayed(bench.layout, 2, &frames, &tolerant(0.005)).is_empty());
}

/// Behind the answers of all devices comes what the controller sent first.
#[test]
fn a_flipped_bit_behind_the_answers_of_all_devices_is_a_divergence_of_the_last_one() {
    let mut number = 0;
    let mut bench = run(&Latched::LAYOUT, |bench| {
        number = bench.frames.len();
        transfer(&bench.chain, &mut bench.frames, &mut [0x7E; 6]);
    });
    assert!(bench.replayed(&strict()).is_empty());
    let miso = bench.frames[number].miso.as_mut().unwrap();
    miso[40] = !miso[40];
    let found = bench.replayed(&strict());
    let one = only(&found);
    assert_eq!((one.frame, one.device, one.question.as_str()), (number as u64, 1, "more bits than the chain has"));
}

/// Both units of a position's answer are wrong.
#[test]
fn a_divergence_is_told_at_the_first_wrong_unit_of_its_answer() {
    let mut bench = run(&Latched::LAYOUT, |_| {});
    let asked = bench.frames.iter().rposition(|frame| {
        let sent = crate::wire::bytes_of(frame.mosi.as_ref().unwrap());
        // A read of device 1, which is sent to first, is 0x50 and the address.
        let address = Latched::LAYOUT.register(Parameter::PositionDemandValue, 0).unwrap().address;
        sent[..2] == [0x50, address as u8]
    });
    let first = asked.unwrap() + 1;
    for number in [first, first + 1] {
        let miso = bench.frames[number].miso.as_mut().unwrap();
        miso[13] = !miso[13];
    }
    assert_eq!(only(&bench.replayed(&strict())).frame, first as u64);
}

#[test]
fn names_that_no_answer_has_cannot_be_ignored_and_the_nearest_is_told() {
    let options = Options { ignore: vec!["profil velocity".to_owned()], ..Options::default() };
    let error = Replay::new(&Latched::LAYOUT, 2, &options).unwrap_err().to_string();
    assert!(
        error.contains("called `profil velocity`") && error.contains("did you mean `profile velocity`?"),
        "{error}"
    );
    let options = Options { ignore: vec!["Motion State".to_owned(), "BUSY".to_owned()], ..Options::default() };
    assert!(Replay::new(&Latched::LAYOUT, 2, &options).is_ok());
}

/// What was sent was filler, so no command explains it.
#[test]
fn a_device_that_cannot_make_out_the_filler_is_told_with_the_flag_that_says_so() {
    let mut number = 0;
    let mut bench = run(&FixedWord::LAYOUT, |bench| {
        bench.idle();
        number = bench.frames.len();
        let mut bytes = crate::wire::bytes_of(bench.frames[number - 1].mosi.as_ref().unwrap());
        *bytes.last_mut().unwrap() ^= 1;
        transfer(&bench.chain, &mut bench.frames, &mut bytes);
    });
    bench.frames[number].mosi = bench.frames[number - 1].mosi.clone();
    let found = bench.replayed(&strict());
    let one = only(&found);
    let sent = Some(("filler".to_owned(), number as u64));
    let meaning = Meaning::Garbled { flag: Flag::CrcMismatch, sent };
    assert_eq!((one.meaning.clone(), one.device), (meaning, 0), "{one}");
}
