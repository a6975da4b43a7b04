//! Commands become motion as the registers say.

use stepchain::map::{BridgeState, MotionState};

use super::*;

/// 500 steps (32 000 microsteps) at 500 steps/s and 1000 steps/s²: 0.5 s up, 0.5 s on, 0.5 s down.
#[test]
fn a_relative_move_takes_the_profile_of_the_registers() {
    let mut device = device(LATCHED);
    send(&mut device, 0, &[0x6800, 0x7D00]);
    let axis = &device.axes()[0];
    assert_eq!(
        [250, 750, 1_250, 1_500].map(|ms| axis.phase(ms * MS)),
        [MotionState::Accelerating, MotionState::ConstantVelocity, MotionState::Decelerating, MotionState::Standstill,]
    );
    assert_eq!(axis.velocity_steps_per_s(750 * MS), 500.0);
    assert_eq!(axis.position(1_500 * MS), 32_000);
    assert_eq!(device.content(0x04, 0), 32_000, "the target");
}

#[test]
fn latched_moves_to_a_target_are_rejected_under_way() {
    let mut device = device(LATCHED);
    send(&mut device, 0, &[0x6800, 0x7D00]);
    send(&mut device, S, &[0x6800, 0x7D00, 0xD000, 0x0000, 0x4D5A]);
    assert_eq!(rejections(&mut device), [Rejection::WhileMoving; 3]);
    assert_eq!(device.axes()[0].position(2 * S), 32_000, "the first move was not touched");
}

/// 24 bits: −100 in wrapped counts; from +100 the positive way leads over the end, 2²⁴ − 200 microsteps.
#[test]
fn the_way_round_is_part_of_the_command() {
    for (first, end) in [(0xD0FF, -100), (0xD5FF, -100), (0xD3FF, 16_777_216 - 100)] {
        let mut device = device(LATCHED);
        device.set_position(0, 100, 0);
        send(&mut device, 0, &[first, 0xFF9C]);
        let axis = &device.axes()[0];
        assert_eq!(axis.target(), end);
        assert_eq!(axis.position(axis.engine().settles_at_ns().unwrap()), end);
    }
}

#[test]
fn the_positive_way_to_the_present_place_is_no_motion() {
    let mut device = device(LATCHED);
    device.set_position(0, 100, 0);
    send(&mut device, 0, &[0xD300, 0x0064]);
    assert!(!device.axes()[0].is_moving(0));
    assert_eq!(rejections(&mut device), []);
}

/// 500 steps/s fall in 0.5 s at 1000 steps/s², or in 62.5 ms at the quick 8000 steps/s².
#[test]
fn a_stop_is_a_ramp_and_then_a_bridge_state() {
    for (unit, rest_ms, bridge) in [
        (0x3918, 500.0, BridgeState::Driven),
        (0x3942, 500.0, BridgeState::HighImpedance),
        (0x3A24, 62.5, BridgeState::Shorted),
        (0x3C42, 0.0, BridgeState::HighImpedance),
    ] {
        let mut device = device(LATCHED);
        assert_eq!(device.axes()[0].bridge(0), BridgeState::HighImpedance, "after power-up");
        send(&mut device, 0, &[0xB400, 0x61A8]);
        assert_eq!(device.axes()[0].bridge(0), BridgeState::Driven);
        send(&mut device, S, &[unit]);
        let axis = &device.axes()[0];
        let rest_ns = S + (rest_ms * 1e6) as u64;
        if rest_ns > S {
            assert!(axis.is_moving(rest_ns - MS));
            assert_eq!(axis.bridge(rest_ns - MS), BridgeState::Driven);
        }
        // A nanosecond of rounding is granted to the ramp.
        assert!(!axis.is_moving(rest_ns + 1));
        assert_eq!(axis.bridge(rest_ns + 1), bridge);
    }
}

#[test]
fn a_stop_at_rest_puts_the_bridge_into_its_state_at_once() {
    let mut device = device(LATCHED);
    for (unit, bridge) in
        [(0x3918, BridgeState::Driven), (0x3924, BridgeState::Shorted), (0x3942, BridgeState::HighImpedance)]
    {
        send(&mut device, 7, &[unit]);
        assert_eq!(device.axes()[0].bridge(7), bridge);
    }
}

#[test]
fn a_new_motion_keeps_the_bridge_driven_after_a_stop_that_would_have_released_it() {
    let mut device = device(LATCHED);
    send(&mut device, 0, &[0xB400, 0x61A8]);
    send(&mut device, S, &[0x3942]);
    send(&mut device, S + MS, &[0xB400, 0x61A8]);
    assert_eq!(device.axes()[0].bridge(10 * S), BridgeState::Driven);
}

#[test]
fn homing_makes_the_present_place_zero() {
    let mut device = device(LATCHED);
    send(&mut device, 0, &[0x6800, 0x7D01]);
    send(&mut device, 2 * S, &[0x4D5A]);
    assert_eq!(device.axes()[0].position(2 * S), 0);
    assert_eq!(device.axes()[0].electrical_angle(2 * S), 32_001 % 256, "the windings have not moved");
    assert_eq!(device.content(0x04, 2 * S), 0, "the target is where it was: here");
}

/// Acceleration code 0 is no acceleration at all.
#[test]
fn what_the_ramp_admits_no_motion_for_is_rejected() {
    let mut device = device(LATCHED);
    send(&mut device, 0, &[0x8811, 0x0000, 0xB400, 0x61A8]);
    assert!(matches!(rejections(&mut device)[..], [Rejection::NoMotion(_)]));
    assert_eq!(device.axes()[0].bridge(0), BridgeState::HighImpedance, "nothing has changed");
}

/// Common practice, no published source: 128 microsteps a step and 200 steps a turn. At +5 turns, told to go to
/// 12 800 by the shortest way, an axis turns 115 200 microsteps back.
#[test]
fn from_five_turns_the_shortest_way_to_half_a_turn_is_back() {
    let mut device = device(FIXED_WORD);
    // 256/2¹ microsteps.
    send(&mut device, 0, &[write(0x25, 1)]);
    device.set_position(0, 128_000, 0);
    send(&mut device, 0, &[write(0x10, 12_800), write(0x12, 3)]);
    let axis = &device.axes()[0];
    assert_eq!(axis.position(axis.engine().settles_at_ns().unwrap()) - 128_000, -115_200);
    assert!(axis.velocity_steps_per_s(MS) < 0.0);
}

/// The end of a move velocity: 100 000 · 0.003 = 300 steps/s; the stop kind 4 is quick (5<<10|800: 6400 steps/s²).
#[test]
fn fixed_word_motion_begins_and_ends_with_the_last_write() {
    let mut device = device(FIXED_WORD);
    send(&mut device, 0, &[write(0x11, (1 << 26) - 100_000)]);
    assert!(!device.axes()[0].is_moving(0), "only told where to");
    send(&mut device, 0, &[write(0x12, 1)]);
    assert_eq!(device.axes()[0].velocity_steps_per_s(S), -300.0);
    send(&mut device, S, &[write(0x13, 4)]);
    let settles_ns = device.axes()[0].engine().settles_at_ns().unwrap();
    assert!((46_875_000..=46_875_001).contains(&(settles_ns - S)), "300/6400 s");
}

/// A distance of −1600 microsteps in 30 bits.
#[test]
fn fixed_word_relative_moves_take_the_target_position_as_a_distance() {
    let mut device = device(FIXED_WORD);
    device.set_position(0, 5_000, 0);
    send(&mut device, 0, &[write(0x10, (1 << 30) - 1600), write(0x12, 2)]);
    assert_eq!(device.axes()[0].target(), 3_400);
}

#[test]
fn a_trajectory_has_the_corners_of_all_motions_and_the_jumps() {
    let mut device = device(LATCHED);
    // Start-stop velocity 400 codes of a quarter: 100 steps/s.
    send(&mut device, 0, &[0x8814, 0x0190]);
    send(&mut device, S, &[0xB400, 0x61A8]);
    send(&mut device, 2 * S, &[0x3918]);
    let corners: Vec<_> = device.axes()[0]
        .trajectory(3 * S)
        .into_iter()
        .map(|corner| (corner.time_ns / MS, corner.position_steps.round(), corner.velocity_steps_per_s.round()))
        .collect();
    // 0.4 s from 100 to 500 steps/s: 120 steps; 0.6 s at 500: 300 steps; and down again.
    assert_eq!(
        corners,
        [
            (0, 0.0, 0.0),
            (1_000, 0.0, 0.0),
            (1_000, 0.0, 100.0),
            (1_400, 120.0, 500.0),
            (2_000, 420.0, 500.0),
            (2_400, 540.0, 100.0),
            (2_400, 540.0, 0.0),
            (3_000, 540.0, 0.0),
        ]
    );
}

/// 666 steps/s²: no corner falls on a whole nanosecond.
#[test]
fn a_trajectory_without_jumps_has_one_corner_at_an_instant() {
    let mut device = device(LATCHED);
    send(&mut device, 0, &[0x8811, 333, 0x8812, 444, 0x6800, 0xFFFF]);
    let corners = device.axes()[0].trajectory(10 * S);
    let instants: Vec<_> = corners.iter().map(|corner| corner.time_ns / MS).collect();
    // 65 535/64 steps: 500/666 s up, 500/888 s down, and 695.5 of the 1024 steps, 1.391 s, between.
    assert_eq!(instants, [0, 750, 2_141, 2_704, 10_000]);
}

#[test]
fn a_stop_needs_no_acceleration() {
    let mut device = device(LATCHED);
    send(&mut device, 0, &[0x8811, 0x0000, 0x3918]);
    assert_eq!(rejections(&mut device), []);
    assert_eq!(device.axes()[0].bridge(0), BridgeState::Driven);
}
