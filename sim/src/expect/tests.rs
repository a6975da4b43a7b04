//! Expectations that hold, that do not, and what is shown then.

use embedded_hal::spi::SpiDevice;
use stepchain::map::{BridgeState, Flag, MotionState, RegisterMap, Verb};
use stepchain::reference::Latched;

use super::*;

const MS: u64 = 1_000_000;

/// Two devices of the latched map; device 1 moves by 320 microsteps, 5 full steps of 64, up.
///
/// By hand: units latch after 32 bits at 5 MHz, 6.4 µs, and 0.8 µs lie between. At 1000 steps/s² up and down, 5 steps
/// take twice √5 · √(1/1000) s = 70.71 ms to the middle, where the speed is 70.71 steps/s.
fn moved() -> VirtualChain {
    let chain = VirtualChain::new(&Latched::LAYOUT, 2).unwrap();
    // The distance's direction bit is zero upwards. Device 1 gets its unit first.
    chain.spi().write(&[0x68, 0x00, 0x7E, 0x7E]).unwrap();
    chain.spi().write(&[0x01, 0x40, 0x7E, 0x7E]).unwrap();
    assert!(chain.run_until_still(1000 * MS));
    chain
}

const START_NS: u64 = 13_600;

#[test]
fn a_position_within_its_tolerance_is_as_expected() {
    let chain = moved();
    position(&chain, 1, 0, 5.0, 0.0).or_panic();
    position(&chain, 1, 0, 5.25, 0.25).or_panic();
    assert!(position(&chain, 1, 0, 5.25, 0.2).is_err());
    assert!(position(&chain, 0, 0, 5.0, 0.0).is_err(), "device 0 has not moved");
    assert!(position(&chain, 1, 0, f64::NAN, 1.0).is_err(), "no number is near to nothing");
    rotor(&chain, 1, 0, 5.0, 1e-9).or_panic();
    velocity(&chain, 1, 0, 0.0, 0.0).or_panic();
    assert!(velocity(&chain, 1, 0, -1.0, 0.5).is_err());
}

#[test]
fn states_are_compared_by_name() {
    let chain = moved();
    state(&chain, 1, 0, MotionState::Standstill).or_panic();
    bridge(&chain, 1, 0, BridgeState::Driven).or_panic();
    bridge(&chain, 0, 0, BridgeState::HighImpedance).or_panic();
    flag(&chain, 1, 0, Flag::TargetReached, true).or_panic();
    flag(&chain, 1, 0, Flag::Busy, false).or_panic();
    let wrong = [
        state(&chain, 1, 0, MotionState::Accelerating),
        bridge(&chain, 1, 0, BridgeState::Shorted),
        flag(&chain, 0, 0, Flag::TargetReached, true),
    ];
    assert!(wrong.iter().all(Result::is_err));
    let unknown = flag(&chain, 0, 0, Flag::CrcMismatch, false).unwrap_err();
    assert!(unknown.to_string().contains("not in the map"), "{unknown}");
}

#[test]
fn a_profile_is_compared_point_by_point() {
    let chain = moved();
    let [quarter, middle] = [35_355_339, 70_710_678].map(|after_ns| START_NS + after_ns);
    let points = [(0, 0.0), (START_NS, 0.0), (quarter, 35.355), (middle, 70.711), (START_NS + 2 * 70_710_678, 0.0)];
    profile(&chain, 1, 0, &points, 0.001).or_panic();
    let mut off = points;
    off[2].1 += 0.01;
    let text = profile(&chain, 1, 0, &off, 0.001).unwrap_err().to_string();
    assert!(text.contains("1 of 5 points are off by more than 0.001 steps/s"), "{text}");
    assert!(text.contains("   >   35_368_939              35.365  35.355  -0.010"), "{text}");
    assert!(profile(&chain, 1, 0, &[(10_000 * MS, 0.0)], 1.0).unwrap_err().to_string().contains("not yet"));
}

/// A start at 100 steps/s is a jump: both of its sides are right, what lies between is not.
#[test]
fn either_side_of_a_jump_will_do() {
    let chain = VirtualChain::new(&Latched::LAYOUT, 1).unwrap();
    // Start-stop velocity 400 quarters, then velocity 5000 fiftieths up.
    for unit in [[0x88, 0x14], [0x01, 0x90], [0xB4, 0x00], [0x13, 0x88]] {
        chain.spi().write(&unit).unwrap();
    }
    chain.advance_ns(MS);
    let start_ns = chain.trajectory(0, 0).iter().find(|corner| corner.velocity_steps_per_s > 0.0).unwrap().time_ns;
    for side in [0.0, 100.0] {
        profile(&chain, 0, 0, &[(start_ns, side)], 0.0).or_panic();
    }
    assert!(profile(&chain, 0, 0, &[(start_ns, 50.0)], 1.0).is_err());
}

#[test]
fn an_order_is_kept_if_its_entries_come_one_after_the_other() {
    let chain = moved();
    let [go, up, down, stand] = [
        Pattern::accepted(Verb::MoveRelative).on(1),
        Pattern::state(MotionState::Accelerating).on(1).axis(0),
        Pattern::state(MotionState::Decelerating),
        Pattern::state(MotionState::Standstill),
    ];
    let there = Pattern::arrived().within_ns(START_NS + 141 * MS, START_NS + 142 * MS);
    order(&chain, &[go.clone(), up.clone(), down.clone(), stand, there]).or_panic();
    order(&chain, &[]).or_panic();
    assert!(order(&chain, &[down.clone(), up.clone()]).unwrap_err().to_string().contains("only before that"));
    assert!(order(&chain, &[up.clone(), up]).is_err(), "one entry is not two");
    assert!(order(&chain, &[go.on(0)]).unwrap_err().to_string().contains("nowhere"));
}

#[test]
fn what_must_not_be_is_shown() {
    let chain = moved();
    no_violation(&chain).or_panic();
    no_rejection(&chain).or_panic();
    // Half a frame: a violation; then a word that device 0 does not know.
    chain.spi().write(&[0x7E, 0x7E]).unwrap();
    assert!(no_violation(&chain).unwrap_err().to_string().contains("16 clocks for a chain of 32 bits"));
    chain.spi().write(&[0x7E, 0x7E, 0x00, 0x00]).unwrap();
    assert!(no_rejection(&chain).unwrap_err().to_string().contains("0     unknown    0x0"));
    never(&chain, &Pattern::reset().within_ns(1, u64::MAX)).or_panic();
    assert!(never(&chain, &Pattern::reset()).is_err());
}

#[test]
fn a_mismatch_is_a_table_with_the_log_around_it() {
    let chain = moved();
    let mismatch = order(&chain, &[Pattern::accepted(Verb::MoveRelative), Pattern::accepted(Verb::ReturnToZero)]);
    let text = mismatch.unwrap_err().to_string();
    assert_eq!(text, SHOWN_OF_AN_ORDER);
}

const SHOWN_OF_AN_ORDER: &str = "\
number 2 of the expected order is missing after 13_600 ns
      #  expected                 found
      1  accepted move relative   at 13_600 ns
   >  2  accepted return to zero  nowhere
the log around it, times in ns:
                  0  0     reset
                  0  1     reset
             13_600  1.0   accepted   move relative, 320 microsteps
             13_600  1.0   state      standstill -> accelerating
             13_600  1.0   bridge     high impedance -> driven
             13_600  1.0   raised     busy
             13_600  1.0   raised     positive direction
             13_600  1.0   fallen     bridge off
>            13_600  ----
         70_724_279  1.0   state      accelerating -> decelerating
        141_434_957  1.0   state      decelerating -> standstill
        141_434_957  1.0   arrived    at 320 microsteps
        141_434_957  1.0   fallen     busy
                ...  1 more
";

#[test]
fn a_log_is_compared_line_by_line() {
    let chain = VirtualChain::new(&Latched::LAYOUT, 1).unwrap();
    chain.spi().write(&[0xE1, 0x00]).unwrap();
    let text = "
                        0  0     reset
                    3_200  0     accepted   take status
                    3_200  0.0   fallen     reset occurred, latched
    ";
    log(&chain, text).or_panic();
    let wrong = log(&chain, &text.replace("take", "peek")).unwrap_err().to_string();
    assert!(wrong.starts_with("line 2 of the log, 3 lines where 3 are expected"), "{wrong}");
    assert!(wrong.contains("expected  3_200  0     accepted   peek status"), "{wrong}");
    assert!(wrong.contains("found     3_200  0     accepted   take status"), "{wrong}");
    let longer = log(&chain, &format!("{text}\n5_000 0 reset")).unwrap_err().to_string();
    assert!(longer.contains("found     the end of the log"), "{longer}");
    assert!(log(&chain, "0  0     reset").is_err(), "shorter than the log");
}

#[test]
#[should_panic(expected = "not as expected: position of axis 1.0 at")]
fn what_is_not_as_expected_panics_with_the_table() {
    position(&moved(), 1, 0, 6.0, 0.5).or_panic();
}
