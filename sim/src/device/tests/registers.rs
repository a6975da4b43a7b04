//! Registers: what is kept, what is live, what may not be written.

use stepchain::map::{
    Access, Coding, CommandForm, Encoding, Parameter, Piece, PositionCounter, Register, Sign, Verb, Wire,
};

use super::*;

#[test]
fn registers_hold_their_reset_codes_and_then_what_was_written() {
    let mut device = device(LATCHED);
    assert_eq!(device.content(0x11, 0), 500);
    assert_eq!(device.content(0x22, 0), 160 << 9 | 160, "two fields");
    send(&mut device, 0, &[0x8811, 0x01F5]);
    assert_eq!(device.content(0x11, 0), 501);
    assert_eq!(device.take_events(), [(0, EventKind::RegisterWritten { address: 0x11, content: 501 })]);
    device.reset(5);
    assert_eq!(device.content(0x11, 5), 500);
}

/// 500 steps/s at 64 microsteps from 1 s on: half a second of ramp, 250 steps, then 500 steps a second.
#[test]
fn position_and_velocity_are_live() {
    let mut device = device(LATCHED);
    send(&mut device, 0, &[0xB000, 0x61A8]);
    let at = 1_500 * MS;
    let steps = 125 + 500;
    assert_eq!(device.content(0x02, at), 0xFF_FFFF & (-64 * steps) as u32, "two's complement of 24 bits");
    assert_eq!(device.content(0x03, at), 1 << 24 | 25_000, "sign and magnitude of 25 bits");
    assert_eq!(device.content(0x04, at), 0, "no target was told");
    // Rest is 0.75 s after the stop, at 1000 steps/s² half a second: 125 steps more.
    send(&mut device, at, &[0x3918]);
    assert_eq!(device.content(0x02, at + S), 0xFF_FFFF & (-64 * (steps + 125)) as u32);
    assert_eq!(device.content(0x03, at + S), 0);
}

#[test]
fn a_register_for_standstill_cannot_be_written_under_way() {
    let mut device = device(LATCHED);
    send(&mut device, 0, &[0xB400, 0x61A8, 0x8811, 0x0001]);
    assert_eq!(rejections(&mut device), [Rejection::NotAtStandstill { address: 0x11 }]);
    assert_eq!(device.content(0x11, 0), 500);
    send(&mut device, 0, &[0x8811, 0x01F4]);
    assert_eq!(rejections(&mut device), [Rejection::NotAtStandstill { address: 0x11 }], "nor with what it holds");
    send(&mut device, 0, &[0x8810, 0x0000, 0x0001]);
    assert_eq!(device.content(0x10, 0), 1, "this one can be written at any time");
}

#[test]
fn what_is_read_only_or_not_there_is_rejected() {
    let mut device = device(LATCHED);
    send(&mut device, 0, &[0x8804, 0x0000, 0x0001, 0x8877, 0x5077]);
    let missing = Rejection::NoSuchRegister { address: 0x77 };
    assert_eq!(rejections(&mut device), [Rejection::ReadOnly { address: 0x04 }, missing, missing]);
    assert_eq!(device.content(0x04, 0), 0);
}

#[test]
fn a_code_without_meaning_is_rejected_and_changes_nothing() {
    let mut device = device(LATCHED);
    // Resolutions are the codes 0 to 6.
    send(&mut device, 0, &[0x8815, 0x0007]);
    assert_eq!(rejections(&mut device), [Rejection::MeaninglessCode { code: 7 }]);
    assert_eq!(device.content(0x15, 0), 6);
}

/// 0x25 holds the resolution in bits 0..4, for standstill, and two amplitudes, at any time.
#[test]
fn a_shared_register_can_be_written_under_way_if_its_other_fields_stay() {
    let mut device = device(FIXED_WORD);
    let content = |resolution: u64, standstill: u64| 300 << 16 | standstill << 4 | resolution;
    assert_eq!(u64::from(device.content(0x25, 0)), content(4, 150));
    send(&mut device, 0, &[write(0x11, 100_000), write(0x12, 1)]);
    assert!(device.axes()[0].is_moving(MS));
    send(&mut device, MS, &[write(0x25, content(4, 200))]);
    assert_eq!(rejections(&mut device), []);
    assert_eq!(u64::from(device.content(0x25, MS)), content(4, 200));
    send(&mut device, MS, &[write(0x25, content(3, 250))]);
    assert_eq!(rejections(&mut device), [Rejection::NotAtStandstill { address: 0x25 }]);
    assert_eq!(u64::from(device.content(0x25, MS)), content(4, 200), "all or nothing");
}

#[test]
fn writing_the_position_moves_the_numbers_and_not_the_motor() {
    let mut device = device(LATCHED);
    send(&mut device, 0, &[0x8802, 0x00FF, 0xFFFE]);
    assert_eq!(device.axes()[0].position(0), -2);
    assert_eq!(device.axes()[0].electrical_angle(0), 0);
    assert!(!device.axes()[0].is_moving(0));
}

/// 16 microsteps a step are 256/2⁴; with code 6 there are 4, and 1000 microsteps/s are 250 steps/s.
#[test]
fn the_resolution_scales_what_is_commanded_in_steps() {
    let mut device = device(FIXED_WORD);
    assert_eq!(device.axes()[0].microsteps_per_step(), 16);
    send(&mut device, 0, &[write(0x25, 6)]);
    assert_eq!(device.axes()[0].microsteps_per_step(), 4);
    // 300 steps/s, reached after 0.375 s at 800 steps/s².
    send(&mut device, 0, &[write(0x11, 100_000), write(0x12, 1)]);
    assert_eq!(device.axes()[0].engine().velocity(S), 1200.0);
    assert_eq!(device.axes()[0].velocity_steps_per_s(S), 300.0);
}

/// 40 microsteps of 64 are 20 of 32; the counter goes on from 40.
#[test]
fn the_windings_stay_where_they_are_when_the_resolution_changes() {
    let mut device = device(LATCHED);
    send(&mut device, 0, &[0x6800, 0x0028]);
    assert_eq!(device.axes()[0].electrical_angle(S), 40);
    send(&mut device, S, &[0x8815, 0x0005]);
    assert_eq!(device.axes()[0].electrical_angle(S), 20);
    assert_eq!(device.axes()[0].position(S), 40);
    send(&mut device, S, &[0x6C00, 0x0015]);
    assert_eq!(device.axes()[0].electrical_angle(2 * S), 127, "a microstep before the cycle of 4 · 32 begins");
}

#[test]
fn a_target_that_can_be_written_tells_what_was_written_and_not_where_the_axis_goes() {
    let mut device = device(FIXED_WORD);
    send(&mut device, 0, &[write(0x10, 5)]);
    assert_eq!((device.content(0x10, 0), device.axes()[0].target()), (5, 0));
}

/// A counter of 8 bits behind a register of 12, and a velocity without sign.
const SHORT_COUNTER: Layout = Layout::new("short counter", Wire::latched_units(8, &[Piece::fixed(8, 0)]))
    .registers(&[
        Register::new(Parameter::PositionDemandValue, 1, 12).sign(Sign::TwosComplement),
        Register::new(Parameter::VelocityDemandValue, 2, 8).access(Access::ReadOnly),
    ])
    .commands(&[
        CommandForm::word(Verb::WriteParameter, &[Piece::fixed(4, 1), Piece::address(4), Piece::data(16)]),
        CommandForm::word(
            Verb::MoveVelocity,
            &[Piece::fixed(8, 0x22), Piece::velocity(Coding::signed(8, Encoding::Raw))],
        ),
    ])
    .position(PositionCounter::new(8, &[1]));

/// By hand: 8 bits show 0x181 = 385 as 129 − 256 = −127, which is 0xF81 in 12.
#[test]
fn a_position_beyond_the_counter_is_written_as_the_counter_shows_it() {
    assert_eq!(SHORT_COUNTER.validate(), Ok(()));
    let mut device = device(&SHORT_COUNTER);
    send(&mut device, 0, &[0x11, 0x01, 0x81]);
    assert_eq!((device.axes()[0].position(0), device.content(1, 0)), (-127, 0xF81));
}

/// By hand: −20 is 0xEC; at the 1000 steps/s² of a device without such a register it is reached within a second.
#[test]
fn a_velocity_register_without_sign_shows_the_speed() {
    let mut device = device(&SHORT_COUNTER);
    send(&mut device, 0, &[0x22, 0xEC]);
    assert_eq!((device.axes()[0].velocity_steps_per_s(S), device.content(2, S)), (-20.0, 20));
}

/// The speed, live and read only, in bits 0..8; a limit that can be written in bits 8..12.
const SHARED: Layout = Layout::new("shared", Wire::latched_units(8, &[Piece::fixed(8, 0)]))
    .registers(&[
        Register::new(Parameter::VelocityDemandValue, 0x01, 8).access(Access::ReadOnly),
        Register::new(Parameter::StallLimit, 0x01, 4).at_bit(8).reset(5),
    ])
    .commands(&[
        CommandForm::word(
            Verb::MoveVelocity,
            &[Piece::fixed(8, 0xC0), Piece::velocity(Coding::signed(8, Encoding::Raw))],
        ),
        CommandForm::word(Verb::ReadParameter, &[Piece::fixed(4, 0b1001), Piece::address(4)])
            .reply(&[Piece::DataByRegister]),
        CommandForm::word(Verb::WriteParameter, &[Piece::fixed(4, 0b1010), Piece::address(4), Piece::DataByRegister]),
    ])
    .position(PositionCounter::new(8, &[1]));

/// By hand: 1000 steps/s² from rest are 100 steps/s, or 0x64, after 0.1 s. 0x0755 asks for 0x55, and 0x64 ^ 0x55 is 0x31.
#[test]
fn what_is_told_to_a_read_only_field_beside_a_written_one_is_ignored_and_recorded() {
    assert_eq!(SHARED.validate(), Ok(()));
    let mut device = device(&SHARED);
    send(&mut device, 0, &[0xC0, 100]);
    device.advance(S);
    device.take_events();
    send(&mut device, S, &[0xA1, 0x07, 0x55]);
    let events = device.take_events();
    let written = EventKind::RegisterWritten { address: 0x01, content: 0x0764 };
    let ignored = EventKind::WriteIgnored { address: 0x01, bits: 0x31 };
    assert_eq!(events, [(S, written), (S, ignored.clone())]);
    assert_eq!(ignored.to_string(), "ignored    bits 0x31 at 0x01, which are read only");
    // Told what it holds, nothing is ignored.
    send(&mut device, S, &[0xA1, 0x05, 0x64]);
    assert_eq!(device.take_events(), [(S, EventKind::RegisterWritten { address: 0x01, content: 0x0564 })]);
}
