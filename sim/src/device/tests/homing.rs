//! Searches for the home switch, returns, end stops and outside pulses.
//!
//! By the latched map's drawing: a step is 64 microsteps, moves take 500 steps/s, ramps 1000 steps/s²; velocities come in
//! fiftieths of a step/s.

use stepchain::map::{BridgeState, Flag};

use super::*;
use crate::device::Switch;

const HOME_SWITCH: u64 = 1 << 6;
const STALL_A: u64 = 1 << 7;
const SWITCH_EVENT: u64 = 1 << 10;
const TARGET_REACHED: u64 = 1 << 1;
const TAKE: u64 = 0xE100;

/// 100 steps/s, reached after 0.1 s and 5 steps; positive, the position is saved.
const PROBE_UP: [u64; 2] = [0x9D00, 0x1388];
/// The same, the position becomes zero.
const ZERO_UP: [u64; 2] = [0x9E00, 0x1388];

const FROM_50_TO_60: Switch = Switch::ClosedBetween { from_steps: 50.0, to_steps: 60.0 };

fn with_switch(switch: Switch) -> Device {
    let mut device = device(LATCHED);
    device.set_switch(0, switch, 0);
    device
}

/// A nanosecond of rounding is granted to a ramp.
#[track_caller]
fn assert_about(found_ns: Option<u64>, wanted_ns: u64) {
    assert!(found_ns.is_some_and(|found_ns| found_ns.abs_diff(wanted_ns) <= 1), "{found_ns:?}, not {wanted_ns}");
}

/// 0.1 s and 5 steps up, 45 steps at 100 steps/s: the switch closes after 0.55 s. Another 5 steps down to rest.
#[test]
fn a_search_saves_the_place_of_the_edge_and_stops_behind_it() {
    let mut device = with_switch(FROM_50_TO_60);
    send(&mut device, 0, &PROBE_UP);
    assert_about(device.next_event_ns(), 550 * MS);
    device.advance(551 * MS);
    assert_about(device.axes()[0].engine().settles_at_ns(), 650 * MS);
    assert!(device.axes()[0].is_busy(551 * MS));
    device.advance(S);
    assert_eq!((device.axes()[0].position(S), device.content(0x05, S)), (3_520, 3_200));
    let told = HOME_SWITCH | SWITCH_EVENT | TARGET_REACHED;
    assert_eq!(device.status(S) & told, told);
    send(&mut device, S, &[0x2900]);
    device.advance(9 * S);
    assert_eq!(device.axes()[0].position(9 * S), 3_200, "the return to the probed position");
}

#[test]
fn it_does_not_matter_who_looks_when() {
    let seen_often = {
        let mut device = with_switch(FROM_50_TO_60);
        send(&mut device, 0, &PROBE_UP);
        (0..1_000).for_each(|ms| device.advance(ms * MS));
        device.axes()[0].trajectory(S)
    };
    let mut device = with_switch(FROM_50_TO_60);
    send(&mut device, 0, &PROBE_UP);
    device.advance(999 * MS);
    assert_eq!(device.axes()[0].trajectory(S), seen_often);
}

/// The edge is at 50 steps, and zero from then on; 5 steps behind it the axis stands.
#[test]
fn a_search_makes_the_edge_zero_and_the_switch_stays_where_it_is() {
    let mut device = with_switch(FROM_50_TO_60);
    send(&mut device, 0, &ZERO_UP);
    device.advance(S);
    assert_eq!((device.axes()[0].position(S), device.axes()[0].rotor_steps(S)), (320, 55.0));
    send(&mut device, S, &[0x2800]);
    device.advance(9 * S);
    assert_eq!((device.axes()[0].position(9 * S), device.axes()[0].rotor_steps(9 * S)), (0, 50.0));
    send(&mut device, 9 * S, &[TAKE, 0x6C00, 0x0001]);
    device.advance(10 * S);
    assert_eq!(device.status(10 * S) & (HOME_SWITCH | SWITCH_EVENT), 0, "open one microstep before zero");
    send(&mut device, 10 * S, &[0x6800, 0x0001]);
    device.advance(11 * S);
    assert_eq!(device.status(11 * S) & (HOME_SWITCH | SWITCH_EVENT), HOME_SWITCH | SWITCH_EVENT);
}

/// Start-stop velocity 100 quarters: 25 steps/s. From count 3520 to 3199, where it opens, 321 microsteps at 1600 a second.
#[test]
fn a_search_for_zero_creeps_at_the_start_stop_velocity_and_stops_on_the_spot() {
    let mut device = with_switch(FROM_50_TO_60);
    send(&mut device, 0, &PROBE_UP);
    send(&mut device, S, &[0x8814, 100, 0xA200]);
    assert_eq!(device.axes()[0].velocity_steps_per_s(S), -25.0);
    let opens_ns = S + 321 * S / 1_600;
    assert_about(device.next_event_ns(), opens_ns);
    device.advance(opens_ns + 1);
    let axis = &device.axes()[0];
    assert!(!axis.is_moving(opens_ns + 1) && axis.has_arrived(opens_ns + 1));
    assert_eq!((axis.position(opens_ns + 1), axis.rotor_steps(opens_ns + 1)), (0, 3_199.0 / 64.0));
}

/// No start-stop velocity: a sixteenth of 500 steps/s, 31.25. From there it takes 31.25²/2000 steps to rest, 31.25
/// microsteps, of which whole ones count.
#[test]
fn a_search_for_zero_without_a_start_stop_velocity_creeps_at_a_share_of_the_profile_velocity() {
    let mut device = with_switch(FROM_50_TO_60);
    send(&mut device, 0, &PROBE_UP);
    send(&mut device, S, &[0xA200]);
    assert_eq!(device.axes()[0].velocity_steps_per_s(S + 100 * MS), -31.25);
    device.advance(9 * S);
    assert_eq!(device.axes()[0].position(9 * S), -31);
}

#[test]
fn a_search_whose_switch_is_as_wanted_is_done_at_once() {
    let mut device = with_switch(Switch::Closed);
    device.set_position(0, 77, 0);
    send(&mut device, 0, &PROBE_UP);
    let axis = &device.axes()[0];
    assert!(!axis.is_moving(0) && axis.has_arrived(0));
    assert_eq!((axis.probed_position(), axis.bridge(0)), (77, BridgeState::Driven));
    device.set_switch(0, Switch::Open, 0);
    send(&mut device, 0, &[0xA600]);
    assert_eq!(device.axes()[0].position(0), 0, "the search for zero, too");
}

/// The switch is closed by hand after 0.3 s: 5 steps up, 20 on, 5 down.
#[test]
fn a_switch_that_is_closed_by_hand_ends_a_search_at_that_instant() {
    // A step is due at 0.3 s: a little later it has been made, whatever the rounding.
    let now_ns = 300 * MS + 10;
    for by_condition in [false, true] {
        let mut device = device(LATCHED);
        send(&mut device, 0, &PROBE_UP);
        if by_condition {
            device.set_condition(Flag::HomeSwitch, 0, true, now_ns);
        } else {
            device.set_switch(0, Switch::Closed, now_ns);
        }
        assert_eq!((device.content(0x05, now_ns), device.status(now_ns) & SWITCH_EVENT), (1_600, SWITCH_EVENT));
        device.advance(S);
        assert_eq!(device.axes()[0].position(S), 1_920);
    }
}

#[test]
fn another_command_ends_a_search() {
    let mut device = with_switch(FROM_50_TO_60);
    send(&mut device, 0, &PROBE_UP);
    send(&mut device, 100 * MS, &[0xB400, 0x1388]);
    device.advance(2 * S);
    assert_eq!((device.axes()[0].velocity_steps_per_s(2 * S), device.content(0x05, 2 * S)), (100.0, 0));
    assert_eq!(device.status(2 * S) & (HOME_SWITCH | SWITCH_EVENT), SWITCH_EVENT, "it has passed the switch");
}

/// A reset forgets the counter and moves nothing in the machine.
#[test]
fn a_reset_leaves_the_switch_and_the_rotor_where_they_are() {
    let mut device = with_switch(FROM_50_TO_60);
    send(&mut device, 0, &PROBE_UP);
    device.reset(S);
    let axis = &device.axes()[0];
    assert_eq!((axis.position(S), axis.probed_position(), axis.rotor_steps(S)), (0, 0, 55.0));
    assert_eq!(device.status(S) & (HOME_SWITCH | SWITCH_EVENT), HOME_SWITCH, "nothing has closed since");
}

/// The stop is at 10 steps, count 640; a move of 20 steps goes on counting. Back by 5 steps, the rotor is 5 off the stop.
#[test]
fn a_rotor_at_an_end_stop_is_a_stall_and_the_counter_goes_on() {
    let mut device = device(LATCHED);
    device.set_end_stop(0, 10.0, 0);
    send(&mut device, 0, &[0x6800, 640]);
    device.advance(S);
    assert_eq!(device.status(S) & STALL_A, 0, "it has just come there");
    send(&mut device, S, &[0x6800, 640]);
    device.advance(2 * S);
    assert_eq!(device.status(2 * S) & STALL_A, STALL_A);
    assert_eq!((device.axes()[0].position(2 * S), device.axes()[0].rotor_steps(2 * S)), (1_280, 10.0));
    send(&mut device, 2 * S, &[TAKE, 0x6C00, 320]);
    device.advance(3 * S);
    assert_eq!(device.status(3 * S) & STALL_A, 0);
    assert_eq!((device.axes()[0].position(3 * S), device.axes()[0].rotor_steps(3 * S)), (960, 5.0));
    assert_eq!(device.axes()[0].followed_position(3 * S), 320);
}

/// Turning round at the stop: from 500 steps/s it is 0.5 s to rest, and 500 steps/s² more; the rotor comes back from the
/// stop at 100 steps and not from the 250 steps that were counted.
#[test]
fn a_rotor_follows_back_from_its_stop_when_the_motion_turns_round() {
    let mut device = device(LATCHED);
    device.set_end_stop(0, 100.0, 0);
    send(&mut device, 0, &[0xB400, 0x61A8]);
    send(&mut device, 500 * MS, &[0xB000, 0x61A8]);
    // 125 steps up to speed, 125 to rest at 1 s, then 125 down to speed at 1.5 s.
    device.advance(1_500 * MS);
    let rotor = device.axes()[0].rotor_steps(1_500 * MS);
    assert!((rotor + 25.0).abs() < 0.1, "{rotor}");
}

/// FixedWord: 16 microsteps a step.
#[test]
fn pulses_are_followed_one_microstep_each_in_the_direction_of_the_command() {
    let mut device = device(FIXED_WORD);
    device.pulse(0, 5, 0);
    assert_eq!(device.axes()[0].position(0), 0, "nobody has told it to follow");
    send(&mut device, 0, &[write(0x14, 1), write(0x12, 8)]);
    device.set_switch(0, Switch::ClosedBetween { from_steps: 1.0, to_steps: 2.0 }, 0);
    device.pulse(0, 100, MS);
    assert_eq!((device.axes()[0].position(MS), device.axes()[0].bridge(MS)), (100, BridgeState::Driven));
    assert_eq!(device.status(MS) >> 10 & 0b11, 0b10, "past the switch");
    send(&mut device, MS, &[write(0x14, 0), write(0x12, 8)]);
    device.pulse(0, 70, MS);
    assert_eq!(device.axes()[0].position(MS), 30);
    assert_eq!(device.status(MS) >> 8 & 0b101, 0b100, "counted down, and the switch is closed");
    send(&mut device, MS, &[write(0x13, 1)]);
    device.pulse(0, 1, 2 * MS);
    assert_eq!(device.axes()[0].position(2 * MS), 30, "a stop ends it");
}

/// The stop is at 2 steps, count 32.
#[test]
fn pulses_against_a_stop_stall_and_count() {
    let mut device = device(FIXED_WORD);
    device.set_end_stop(0, 2.0, 0);
    send(&mut device, 0, &[write(0x14, 1), write(0x12, 8)]);
    device.pulse(0, 32, 0);
    assert_eq!(device.status(0) >> 12 & 0b11, 0);
    device.pulse(0, 1_000_000_000, 0);
    assert_eq!(device.status(0) >> 12 & 0b11, 0b11, "on both windings");
    let axis = &device.axes()[0];
    assert_eq!((axis.position(0), axis.rotor_steps(0)), (1_000_000_032, 2.0));
}

/// 100 000 codes of 0.003 are 300 steps/s; kind 11 searches and makes the edge zero.
#[test]
fn a_search_made_of_writes_takes_its_velocity_from_its_register() {
    let mut device = device(FIXED_WORD);
    device.set_switch(0, Switch::ClosedBetween { from_steps: -40.0, to_steps: -30.0 }, 0);
    send(&mut device, 0, &[write(0x11, (1 << 26) - 100_000), write(0x12, 11)]);
    assert!(device.axes()[0].velocity_steps_per_s(MS) < 0.0);
    device.advance(5 * S);
    let axis = &device.axes()[0];
    let shift = axis.rotor_steps(5 * S) * 16.0 - axis.position(5 * S) as f64;
    assert_eq!(shift, -30.0 * 16.0, "zero is where the switch closes from above");
    assert!(axis.has_arrived(5 * S));
}
