//! Commands that wait, faults, and what concerns the device as a whole.

use stepchain::map::{BridgeState, Flag, Verb};

use super::*;

const REJECTED: u64 = 1 << 8;
const OVERCURRENT: u64 = 1 << 11;
const UNDERVOLTAGE: u64 = 1 << 12;
const WARNING: u64 = 1 << 13;
const TAKE: u64 = 0xE100;
const FAULT_RESET: u64 = 0x1799;
/// 500 steps: 1.5 s.
const MOVE_UP: [u64; 2] = [0x6800, 0x7D00];
/// As far back, but only when the one before is done.
const BACK_AFTER: [u64; 2] = [0x6D00, 0x7D00];

/// What was accepted and what waits, with the instants.
fn told(device: &mut Device) -> Vec<(u64, Verb, bool)> {
    let told = device.take_events().into_iter().filter_map(|(at_ns, kind)| match kind {
        EventKind::CommandAccepted { verb, .. } => Some((at_ns, verb, true)),
        EventKind::CommandBuffered { verb, .. } => Some((at_ns, verb, false)),
        _ => None,
    });
    told.collect()
}

#[test]
fn a_command_that_waits_begins_when_the_one_before_it_is_done() {
    let mut device = device(LATCHED);
    send(&mut device, 0, &MOVE_UP);
    send(&mut device, S, &BACK_AFTER);
    device.advance(10 * S);
    let relative = Verb::MoveRelative;
    assert_eq!(told(&mut device), [(0, relative, true), (S, relative, false), (1_500 * MS, relative, true)]);
    assert_eq!(device.axes()[0].position(2_250 * MS), 16_000, "half way back");
    assert_eq!(device.axes()[0].position(3 * S), 0);
}

#[test]
fn a_command_that_could_wait_and_need_not_begins_at_once() {
    let mut device = device(LATCHED);
    send(&mut device, 0, &BACK_AFTER);
    assert!(device.axes()[0].is_moving(MS));
    assert_eq!(told(&mut device), [(0, Verb::MoveRelative, true)]);
}

/// 500 steps/s are reached after 0.5 s; then the move to 32 000 microsteps begins, and ends there.
#[test]
fn a_velocity_is_done_when_it_is_reached() {
    let mut device = device(LATCHED);
    send(&mut device, 0, &[0xB400, 0x61A8, 0xD600, 0x7D00]);
    device.advance(10 * S);
    assert_eq!(told(&mut device).last().map(|told| (told.0, told.2)), Some((500 * MS, true)));
    assert_eq!(device.axes()[0].position(10 * S), 32_000);
}

#[test]
fn one_command_can_wait_and_no_second_one() {
    let mut device = device(LATCHED);
    send(&mut device, 0, &MOVE_UP);
    send(&mut device, 0, &BACK_AFTER);
    send(&mut device, 0, &BACK_AFTER);
    assert_eq!(rejections(&mut device), [Rejection::PlaceTaken]);
    assert_eq!(device.status(0) & REJECTED, REJECTED);
    send(&mut device, 2 * S, &BACK_AFTER);
    device.advance(10 * S);
    assert_eq!(device.axes()[0].position(10 * S), -32_000, "the place was free again");
}

#[test]
fn a_stop_and_a_motion_that_does_not_wait_empty_the_place() {
    for other in [[0x3918, FILLER], [0xB400, 0x61A8]] {
        let mut device = device(LATCHED);
        send(&mut device, 0, &MOVE_UP);
        send(&mut device, 0, &BACK_AFTER);
        send(&mut device, S, &other);
        device.advance(10 * S);
        assert!(device.axes()[0].position(10 * S) > 24_000);
    }
}

/// Kind 14 of the fixed-word map is a distance that waits; 600 steps/s, 800·2²/4 = 800 steps/s².
#[test]
fn a_command_that_waits_may_be_made_of_writes() {
    let mut device = device(FIXED_WORD);
    send(&mut device, 0, &[write(0x10, 1_600), write(0x12, 2), write(0x12, 14)]);
    device.advance(10 * S);
    assert_eq!(told(&mut device).iter().map(|told| told.2).collect::<Vec<_>>(), [true, false, true]);
    assert_eq!(device.axes()[0].position(10 * S), 3_200);
}

#[test]
fn a_fault_ends_steps_and_lets_the_bridge_go_until_it_is_gone() {
    for fault in [Flag::Overcurrent, Flag::Undervoltage, Flag::Overtemperature, Flag::Fault] {
        let mut device = device(LATCHED);
        send(&mut device, 0, &MOVE_UP);
        send(&mut device, 0, &BACK_AFTER);
        device.set_condition(fault, 0, true, 750 * MS);
        let axis = &device.axes()[0];
        assert_eq!((axis.is_moving(750 * MS), axis.bridge(750 * MS)), (false, BridgeState::HighImpedance));
        // 125 steps up to speed, then 0.25 s at 500 steps/s.
        assert_eq!((axis.position(9 * S), axis.has_arrived(9 * S)), (16_000, false));
        send(&mut device, S, &[0x6800, 0x0040, 0x3918]);
        assert_eq!(rejections(&mut device), [Rejection::ShutOff]);
        assert_eq!(device.axes()[0].bridge(S), BridgeState::HighImpedance, "no stop drives it");
        device.set_condition(fault, 0, false, 2 * S);
        send(&mut device, 2 * S, &[0x6800, 0x0040]);
        device.advance(3 * S);
        assert_eq!(device.axes()[0].position(3 * S), 16_064);
    }
}

#[test]
fn a_warning_only_tells() {
    let mut device = device(LATCHED);
    send(&mut device, 0, &MOVE_UP);
    device.set_condition(Flag::OvertemperatureWarning, 0, true, S);
    assert_eq!(device.status(S) & WARNING, WARNING);
    assert_eq!(device.axes()[0].position(2 * S), 32_000);
    device.set_condition(Flag::OvertemperatureWarning, 0, false, 3 * S);
    assert_eq!(device.status(3 * S) & WARNING, 0);
}

#[test]
fn a_fault_reset_clears_what_only_it_clears_once_the_cause_is_gone() {
    let mut device = device(LATCHED);
    device.set_condition(Flag::Overcurrent, 0, true, 0);
    device.set_condition(Flag::Undervoltage, 0, true, 0);
    send(&mut device, 0, &[FAULT_RESET]);
    assert_eq!(device.status(0) & OVERCURRENT, OVERCURRENT, "it lasts");
    device.set_condition(Flag::Overcurrent, 0, false, MS);
    device.set_condition(Flag::Undervoltage, 0, false, MS);
    send(&mut device, MS, &[FAULT_RESET]);
    assert_eq!(device.status(MS) & (OVERCURRENT | UNDERVOLTAGE), UNDERVOLTAGE);
    device.set_condition(Flag::Overcurrent, 0, true, MS);
    device.set_condition(Flag::Overcurrent, 0, false, MS);
    send(&mut device, MS, &[TAKE]);
    assert_eq!(device.status(MS) & (OVERCURRENT | UNDERVOLTAGE), OVERCURRENT);
}

/// Bit 18 of the fixed-word map is live; the words' replies carry bits 8 to 24 behind 16 zeros.
#[test]
fn the_fixed_words_24_status_bits_show_a_fault_as_long_as_one_is_told() {
    let mut device = device(FIXED_WORD);
    device.set_condition(Flag::Overtemperature, 0, true, 0);
    device.set_condition(Flag::Overtemperature, 0, false, 0);
    let answer = device.latch(checked(0x01_0000_0000), 0);
    assert_eq!(answer, checked(0x84_0000_0500), "reset, bridge off; overtemperature and fault are bits 16 and 18");
    send(&mut device, 0, &[write(0x15, 3)]);
    assert_eq!(device.status(0) >> 16, 0);
}

#[test]
fn defaults_restore_the_registers_and_not_the_position() {
    let mut device = device(LATCHED);
    send(&mut device, 0, &[0x8810, 0x0000, 0x0001, 0x8815, 0x0003, 0x6800, 0x0009]);
    send(&mut device, MS, &[0x133C]);
    assert_eq!(rejections(&mut device), [Rejection::WhileMoving]);
    // Nine microsteps of an eighth step at a fiftieth of a step a second.
    send(&mut device, 100 * S, &[0x133C]);
    let axis = &device.axes()[0];
    assert_eq!((device.content(0x10, 100 * S), axis.position(100 * S), axis.microsteps_per_step()), (25_000, 9, 64));
}

#[test]
fn a_reset_that_is_asked_for_is_as_power_up() {
    for (layout, units) in [(LATCHED, vec![0x14C3]), (FIXED_WORD, vec![write(0x15, 2)])] {
        let mut fresh = device(layout);
        let power_up = fresh.status(0);
        let mut device = device(layout);
        device.set_position(0, 99, 0);
        send(&mut device, 0, if layout == LATCHED { &MOVE_UP } else { &[0; 0] });
        send(&mut device, S, &units);
        assert_eq!((device.status(S), device.axes()[0].position(S)), (power_up, 0));
        assert!(device.take_events().contains(&(S, EventKind::Reset)));
        fresh.advance(S);
        assert_eq!(device.status(S), fresh.status(S));
    }
}
