//! The status word: live and latched flags, polarity, motion state.

use super::*;

/// The bits of the latched map's status word, as its table has them.
const NOT_BUSY: u64 = 1;
const TARGET_REACHED: u64 = 1 << 1;
const ACCELERATING: u64 = 0b01 << 2;
const CONSTANT_VELOCITY: u64 = 0b11 << 2;
const DECELERATING: u64 = 0b10 << 2;
const POSITIVE: u64 = 1 << 4;
const BRIDGE_OFF: u64 = 1 << 5;
const REJECTED: u64 = 1 << 8;
const UNKNOWN: u64 = 1 << 9;
const NO_RESET: u64 = 1 << 15;

/// A latched device whose reset was acknowledged.
fn acknowledged() -> Device {
    let mut device = device(LATCHED);
    assert_eq!(device.status(0), NOT_BUSY | BRIDGE_OFF);
    device.latch(0xE100, 0);
    assert_eq!(device.status(0), NOT_BUSY | BRIDGE_OFF | NO_RESET);
    device
}

#[test]
fn a_velocity_is_reached_when_the_ramp_ends() {
    let mut device = acknowledged();
    send(&mut device, 0, &[0xB400, 0x61A8]);
    assert_eq!(device.status(0), ACCELERATING | POSITIVE | NO_RESET);
    let cruising = NOT_BUSY | TARGET_REACHED | CONSTANT_VELOCITY | POSITIVE | NO_RESET;
    assert_eq!(device.status(500 * MS), cruising);
    send(&mut device, S, &[0xB000, 0x61A8]);
    assert_eq!(device.status(S), DECELERATING | POSITIVE | NO_RESET);
    assert_eq!(device.status(1_500 * MS), ACCELERATING | NO_RESET, "it has turned round");
    assert_eq!(device.status(2 * S), cruising & !POSITIVE);
}

#[test]
fn a_move_is_busy_until_it_stands_and_remembers_its_direction() {
    let mut device = acknowledged();
    send(&mut device, 0, &[0x6800, 0x7D00]);
    assert_eq!(device.status(750 * MS), CONSTANT_VELOCITY | POSITIVE | NO_RESET);
    let arrived = NOT_BUSY | TARGET_REACHED | POSITIVE | NO_RESET;
    assert_eq!(device.status(1_500 * MS), arrived);
    send(&mut device, 2 * S, &[0x3918]);
    assert_eq!(device.status(2 * S), arrived, "a stop at rest arrives at once");
    send(&mut device, 2 * S, &[0x6C00, 0x0040]);
    assert_eq!(device.status(4 * S), arrived & !POSITIVE);
}

#[test]
fn what_was_wrong_with_a_word_stays_until_the_status_is_taken() {
    let mut device = acknowledged();
    send(&mut device, 0, &[0xFFFF, 0x5077, 0x5010, FILLER]);
    let wrong = NOT_BUSY | BRIDGE_OFF | REJECTED | UNKNOWN | NO_RESET;
    assert_eq!(device.status(0), wrong);
    send(&mut device, 0, &[0xE000]);
    assert_eq!(device.status(0), wrong);
    send(&mut device, 0, &[0xE100]);
    assert_eq!(device.status(0), NOT_BUSY | BRIDGE_OFF | NO_RESET);
}

#[test]
fn a_reset_forgets_registers_position_and_motion_and_shows_itself() {
    let mut device = acknowledged();
    send(&mut device, 0, &[0x8810, 0x0000, 0x0001, 0xB400, 0x61A8, 0x8811]);
    device.reset(S);
    assert_eq!(device.status(S), NOT_BUSY | BRIDGE_OFF);
    assert_eq!((device.axes()[0].position(S), device.content(0x10, S)), (0, 25_000));
    send(&mut device, S, &[0xE100]);
    assert_eq!(device.status(S), NOT_BUSY | BRIDGE_OFF | NO_RESET, "the half-sent word is forgotten, too");
    assert_eq!(device.axes()[0].trajectory(S).iter().filter(|corner| corner.time_ns == S).count(), 2);
}

#[test]
fn homing_without_a_motion_before_it_is_an_arrival() {
    let mut device = acknowledged();
    send(&mut device, 0, &[0x4D5A]);
    assert_eq!(device.status(0), NOT_BUSY | TARGET_REACHED | BRIDGE_OFF | NO_RESET);
}

/// The first unit of a velocity's 24 bits is given out, the second one waits; it is of before the reset.
#[test]
fn a_reset_forgets_what_was_to_be_answered() {
    let mut device = acknowledged();
    assert_eq!(send(&mut device, 0, &[0x5010]), [0x0000]);
    device.reset(S);
    assert_eq!(device.latch(FILLER, S), 0, "nothing was asked: 0x61A8 would be half an answer");
}

#[test]
fn a_frame_that_is_not_accepted_is_told_like_a_rejected_command() {
    let mut device = acknowledged();
    device.ignore(0);
    assert_eq!(device.status(0), NOT_BUSY | BRIDGE_OFF | REJECTED | NO_RESET);
}

#[test]
fn a_wrong_check_is_told_and_the_word_ignored() {
    let mut device = device(FIXED_WORD);
    let wrong = write(0x20, 1000) ^ 1 << 20;
    assert_eq!(device.latch(wrong, 3), checked(0x94_0000_0000), "bit 4");
    assert_eq!(device.content(0x20, 3), 200_000);
    let flag = EventKind::FlagChanged { axis: 0, flag: stepchain::map::Flag::CrcMismatch, raised: true, latched: true };
    assert_eq!(device.take_events(), [(3, EventKind::CrcMismatch { units: vec![wrong] }), (3, flag)]);
}

/// The 16-bit word of the fixed-word map: motion state in bits 5 and 6, direction in bit 8.
#[test]
fn fixed_word_tells_the_motion_state_in_its_own_codes() {
    let mut device = device(FIXED_WORD);
    send(&mut device, 0, &[checked(0x02_0000_0000), write(0x11, 100_000), write(0x12, 1)]);
    assert_eq!(device.status(0), 0x0121, "busy, accelerating, up");
    assert_eq!(device.status(S), 0x0142, "reached, constant velocity, up");
}
