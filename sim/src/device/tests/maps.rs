//! What the reference maps do not have: two axes, a counter that ends, limits, refusals, faults, odd sequences.

use stepchain::map::{
    Access, BridgeState, Clearing, Coding, CommandForm, EdgeAction, Encoding, Flag, Parameter, Piece, PositionCounter,
    Refusal, Register, Sign, StatusBit, StatusLayout, StopRamp, Verb, Way, Wire, Write,
};
use stepchain::units::Unit;

use super::*;

const PLACE: Coding = Coding::signed(12, Encoding::Raw);

/// A byte of opcode and axis, then 12 bits and four of no meaning; a counter of 12 bits that ends.
const TWO_AXES: Layout = Layout::new("two axes", Wire::latched_units(8, &[Piece::fixed(8, 0)]))
    .axes(2)
    .registers(&[
        Register::new(Parameter::ProfileAcceleration, 0x10, 8),
        Register::new(Parameter::MaxProfileVelocity, 0x11, 8).axis(0).reset(100),
        Register::new(Parameter::MaxProfileVelocity, 0x12, 8).axis(1).reset(200),
        Register::new(Parameter::StandstillAmplitude, 0x13, 8)
            .encoding(Encoding::linear(1, 256))
            .access(Access::BridgeOff),
        Register::new(Parameter::PositionDemandValue, 0x14, 12).sign(Sign::TwosComplement).access(Access::ReadOnly),
        Register::new(Parameter::PositionActualValue, 0x15, 12).axis(1).access(Access::ReadOnly),
    ])
    .commands(&[
        CommandForm::word(
            Verb::MoveVelocity,
            &[Piece::fixed(6, 0b10_0001), Piece::axis(2), Piece::any(4), Piece::velocity(PLACE)],
        )
        .refused(Refusal::NEVER.while_bridge_off().while_faulted()),
        CommandForm::word(
            Verb::MoveRelative,
            &[Piece::fixed(6, 0b10_0010), Piece::axis(2), Piece::any(4), Piece::distance(PLACE)],
        ),
        CommandForm::word(
            Verb::MoveAbsolute(Way::Positive),
            &[Piece::fixed(6, 0b10_0011), Piece::axis(2), Piece::any(4), Piece::position(PLACE)],
        ),
        CommandForm::word(
            Verb::Stop(StopRamp::None, BridgeState::Driven),
            &[Piece::fixed(6, 0b10_0100), Piece::axis(2)],
        ),
        CommandForm::word(
            Verb::Stop(StopRamp::None, BridgeState::Shorted),
            &[Piece::fixed(6, 0b10_0101), Piece::axis(2)],
        ),
        CommandForm::word(Verb::WriteParameter, &[Piece::fixed(2, 0b11), Piece::address(6), Piece::DataByRegister]),
        CommandForm::word(Verb::TakeStatus, &[Piece::fixed(8, 0b1010_0000)]).reply(&[Piece::status(8)]),
    ])
    .status(StatusLayout::new(
        8,
        &[
            StatusBit::live(Flag::CommandRejected, 0),
            StatusBit::live(Flag::ResetOccurred, 1),
            StatusBit::live(Flag::InternalLimitActive, 2),
            StatusBit::live(Flag::InternalLimitActive, 3).axis(1),
            StatusBit::latched(Flag::TargetReached, 4).axis(1),
            StatusBit::latched(Flag::Undervoltage, 5),
            StatusBit::live(Flag::HomeSwitch, 6).axis(1),
            StatusBit::latched(Flag::Overcurrent, 7).axis(1),
        ],
    ))
    .position(PositionCounter::new(12, &[8, 1]).refuses_to_wrap());

pub(super) fn two_axes() -> Device {
    assert_eq!(TWO_AXES.validate(), Ok(()));
    let mut device = device(&TWO_AXES);
    send(&mut device, 0, &[0xD0, 50, 0b1001_0000, 0b1001_0001]);
    assert_eq!(rejections(&mut device), []);
    device
}

/// 8 microsteps a step, 50 steps/s² from the one register for both; axis 1 may go at 200 steps/s.
#[test]
fn an_axis_is_named_and_the_other_one_rests() {
    let mut device = two_axes();
    send(&mut device, 0, &[0b1000_0101, 0x00, 20]);
    assert_eq!(device.axes()[1].velocity_steps_per_s(S), 20.0);
    assert!(!device.axes()[0].is_moving(S));
    assert_eq!(device.content(0x15, S + 1), 8 * (4 + 12), "0.4 s of ramp, 4 steps; 0.6 s at 20 steps/s, 12 steps");
    send(&mut device, S, &[0b1000_0110, 0x00, 20]);
    assert_eq!(rejections(&mut device), [Rejection::NoSuchAxis]);
}

#[test]
fn a_position_register_without_sign_shows_the_counters_bits() {
    let mut device = two_axes();
    device.set_position(0, -5, 0);
    device.set_position(1, -5, 0);
    assert_eq!((device.content(0x14, 0), device.content(0x15, 0)), (0xFFB, 0xFFB));
    assert_eq!(device.axes()[1].position(0), -5);
}

#[test]
fn a_live_event_flag_tells_the_fate_of_the_last_word() {
    let mut device = device(&TWO_AXES);
    assert_eq!(device.status(0), 0b10, "nothing obeyed since power-up");
    send(&mut device, 0, &[0b1000_0110, 0x00, 20, 0x00]);
    assert_eq!(device.status(0), 0b11);
    send(&mut device, 0, &[0xD0, 50]);
    assert_eq!(device.status(0), 0);
}

#[test]
fn a_velocity_above_the_greatest_is_cut_down_and_told() {
    let mut device = two_axes();
    send(&mut device, 0, &[0b1000_0100, 0x00, 150]);
    send(&mut device, 0, &[0b1000_0101, 0x00, 150]);
    assert_eq!(device.status(0) & 0b1100, 0b0100, "only axis 0 is limited");
    assert_eq!(device.axes()[0].engine().peak_velocity(0, 2 * S), 800.0);
    send(&mut device, 0, &[0b1001_0000]);
    assert_eq!(device.status(0) & 0b1100, 0);
    // A move without a profile velocity is meant at the greatest one: nothing is cut down.
    send(&mut device, 0, &[0b1000_1000, 0x00, 80]);
    assert!(device.axes()[0].is_moving(0));
    assert_eq!(device.status(0) & 0b1100, 0);
}

/// 2047 microsteps are the end, 256 steps less a microstep away.
#[test]
fn turning_stops_at_the_end_of_a_counter_that_does_not_wrap() {
    let mut device = two_axes();
    send(&mut device, 0, &[0b1000_0101, 0x00, 50]);
    let axis = &device.axes()[1];
    let settles_ns = axis.engine().settles_at_ns().expect("it does not turn for ever");
    assert_eq!(axis.position(settles_ns), 2047);
    assert_eq!(axis.velocity_steps_per_s(2 * S), 50.0);
}

#[test]
fn moves_beyond_a_counter_that_does_not_wrap_are_rejected() {
    let mut device = two_axes();
    device.set_position(0, 1_000, 0);
    send(&mut device, 0, &[0b1000_1000, 0x04, 0x18, 0b1000_1100, 0x03, 0xE7]);
    assert_eq!(rejections(&mut device), [Rejection::BeyondCounter; 2], "1000 + 1048 is 2048; 999 is below 1000");
    send(&mut device, 0, &[0b1000_1000, 0x04, 0x17]);
    assert_eq!(device.axes()[0].target(), 2_047);
}

#[test]
fn a_command_can_be_refused_while_the_bridge_is_off_and_a_register_while_it_is_not() {
    let mut device = device(&TWO_AXES);
    send(&mut device, 0, &[0xD0, 50, 0b1000_0100, 0x00, 20]);
    assert_eq!(rejections(&mut device), [Rejection::WhileBridgeOff]);
    send(&mut device, 0, &[0xD3, 9]);
    assert_eq!(device.content(0x13, 0), 9);
    // The register speaks of both axes: one driven bridge is enough to forbid it.
    send(&mut device, 0, &[0b1001_0001, 0xD3, 10]);
    assert_eq!(rejections(&mut device), [Rejection::BridgeNotOff { address: 0x13 }]);
    send(&mut device, 0, &[0b1001_0101, 0xD3, 10]);
    assert_eq!(rejections(&mut device), [Rejection::BridgeNotOff { address: 0x13 }], "shorted is not off");
    // A motion of one axis asks only for the bridge of its own.
    send(&mut device, 0, &[0b1000_0101, 0x00, 20]);
    assert_eq!(rejections(&mut device), []);
}

#[test]
fn conditions_from_outside_are_shown_and_latched_faults_refuse() {
    let mut device = two_axes();
    device.set_condition(Flag::HomeSwitch, 1, true, 0);
    device.set_condition(Flag::Undervoltage, 0, true, 0);
    device.set_condition(Flag::Undervoltage, 0, false, MS);
    device.set_condition(Flag::HomeSwitch, 1, false, 2 * MS);
    assert_eq!(device.status(MS) & 0b0110_0000, 0b0010_0000, "the switch is open again, the fault is remembered");
    send(&mut device, 2 * MS, &[0b1000_0100, 0x00, 20]);
    assert_eq!(rejections(&mut device), [Rejection::WhileFaulted]);
    send(&mut device, 2 * MS, &[0b1010_0000, 0b1000_0100, 0x00, 20]);
    assert_eq!(rejections(&mut device), [Rejection::WhileBridgeOff], "the fault has shut it off");
    send(&mut device, 2 * MS, &[0b1001_0000, 0b1000_0100, 0x00, 20]);
    assert_eq!(rejections(&mut device), []);
}

/// Undervoltage has one bit for both axes, and refuses the motion of both, whichever axis it was noticed at.
#[test]
fn a_flag_with_one_bit_speaks_of_every_axis() {
    for noticed_at in [0, 1] {
        let mut device = two_axes();
        device.set_condition(Flag::Undervoltage, noticed_at, true, 0);
        assert_eq!(device.status(0) & 0b10_0000, 0b10_0000);
        for holds in [true, false] {
            device.set_condition(Flag::Undervoltage, noticed_at, holds, 0);
            send(&mut device, 0, &[0b1000_0100, 0x00, 20, 0b1000_0101, 0x00, 20]);
            assert_eq!(rejections(&mut device), [Rejection::WhileFaulted; 2], "at {noticed_at}, holds: {holds}");
        }
        // The fault has shut the bridges off; both are driven again before the axes move.
        send(&mut device, 0, &[0b1010_0000, 0b1001_0000, 0b1001_0001]);
        send(&mut device, 0, &[0b1000_0100, 0x00, 20, 0b1000_0101, 0x00, 20]);
        assert_eq!(rejections(&mut device), []);
    }
}

/// Overcurrent has a bit for axis 1 alone: what is noticed at axis 0 refuses only as long as it holds.
#[test]
fn a_fault_of_one_axis_does_not_refuse_the_motion_of_the_other() {
    let both = [0b1000_0100, 0x00, 20, 0b1000_0101, 0x00, 20];
    let obeyed = |device: &mut Device| {
        let axes = device.take_events().into_iter().filter_map(|(_, kind)| match kind {
            EventKind::CommandAccepted { axis, .. } => Some(axis),
            _ => None,
        });
        axes.collect::<Vec<_>>()
    };
    for (faulted, other, afterwards) in [(0, 1, vec![0, 1]), (1, 0, vec![0])] {
        let mut device = two_axes();
        device.set_condition(Flag::Overcurrent, faulted, true, 0);
        send(&mut device, 0, &both);
        assert_eq!(obeyed(&mut device), [other]);
        device.set_condition(Flag::Overcurrent, faulted, false, 0);
        // The fault has shut its axis's bridge off.
        send(&mut device, 0, &[0b1001_0000 | u64::from(faulted)]);
        device.take_events();
        send(&mut device, 0, &both);
        assert_eq!(obeyed(&mut device), afterwards);
        assert_eq!(device.status(0) >> 7, u64::from(faulted));
    }
}

/// Up to 50 steps/s in 1 s, then from 5.1 s on down again, before the counter's end 255.875 steps away: in between
/// the velocity was reached, and nobody looked.
#[test]
fn a_latched_level_is_caught_though_no_word_came_while_it_was_up() {
    let mut device = two_axes();
    send(&mut device, 0, &[0b1000_0101, 0x00, 50]);
    send(&mut device, 500 * MS, &[0b1010_0000]);
    assert_eq!(device.status(500 * MS) & 1 << 4, 0);
    assert!(device.axes()[1].is_busy(5_500 * MS), "it slows down");
    send(&mut device, 5_500 * MS, &[0x00]);
    assert_eq!(device.status(5_500 * MS) & 1 << 4, 1 << 4);
}

/// A move of one microstep arrives long before the last unit of the next word, which begins another one.
#[test]
fn a_latched_level_is_caught_before_a_command_ends_it() {
    let mut device = two_axes();
    send(&mut device, 0, &[0b1000_1001, 0x00, 1, 0b1010_0000]);
    send(&mut device, 0, &[0b1000_1001, 0x00]);
    assert_eq!(device.status(0) & 1 << 4, 0, "under way");
    send(&mut device, 10 * S, &[99]);
    assert!(device.axes()[1].is_busy(10 * S));
    assert_eq!(device.status(10 * S) & 1 << 4, 1 << 4);
}

/// Between two words nothing is caught, but a level that is up shows itself.
#[test]
fn a_latched_level_is_shown_as_soon_as_it_is_up() {
    let mut device = two_axes();
    send(&mut device, 0, &[0b1000_1001, 0x00, 1, 0b1010_0000]);
    assert_eq!(device.status(0) & 1 << 4, 0, "under way");
    assert_eq!(device.status(10 * S) & 1 << 4, 1 << 4);
}

/// One byte of distance behind a byte of opcode; a move within the start-stop velocity has no ramp.
const RAMPLESS: Layout = Layout::new("rampless", Wire::latched_units(8, &[Piece::fixed(8, 0)]))
    .registers(&[
        Register::new(Parameter::ProfileVelocity, 1, 8).reset(10),
        Register::new(Parameter::StartStopVelocity, 2, 8).reset(20),
    ])
    .commands(&[
        CommandForm::word(
            Verb::MoveRelative,
            &[Piece::fixed(8, 0x11), Piece::distance(Coding::signed(8, Encoding::Raw))],
        ),
        CommandForm::word(Verb::TakeStatus, &[Piece::fixed(8, 0x22)]).reply(&[Piece::status(8)]),
    ])
    .status(StatusLayout::new(
        8,
        &[
            StatusBit::latched(Flag::Busy, 0),
            StatusBit::latched(Flag::CommandUnknown, 1).cleared_by(Clearing::FaultReset),
        ],
    ));

/// By hand: 5 steps at 10 steps/s are half a second, all of it at one velocity.
#[test]
fn a_latched_level_is_caught_though_it_came_and_went_between_two_words() {
    assert_eq!(RAMPLESS.validate(), Ok(()));
    let mut device = device(&RAMPLESS);
    send(&mut device, 0, &[0x11, 5]);
    assert!(!device.axes()[0].is_busy(S));
    assert_eq!(send(&mut device, S, &[0x22, 0x22]), [0b01, 0b00], "once, and then no longer");
}

#[test]
fn what_only_a_fault_reset_clears_stays_when_the_status_is_taken() {
    let mut device = device(&RAMPLESS);
    send(&mut device, 0, &[0x99, 0x22]);
    assert_eq!(device.status(0), 0b10);
    device.reset(0);
    assert_eq!(device.status(0), 0);
}

const SPEED: Parameter = Parameter::TargetVelocity;
const SENSE: Parameter = Parameter::Custom(1);
const TURN: Parameter = Parameter::Custom(2);

/// One form ends in a direction, two in their arguments.
const SEQUENCES: Layout = Layout::new("sequences", Wire::fixed_word(16, &[Piece::fixed(16, 0)]))
    .registers(&[
        Register::new(SPEED, 0x01, 8),
        Register::new(SENSE, 0x02, 2).named("sense"),
        Register::new(Parameter::TargetPosition, 0x03, 8).sign(Sign::TwosComplement),
        Register::new(TURN, 0x04, 2).named("turn"),
        Register::new(Parameter::Custom(3), 0x05, 8).named("way to go").unit(Unit::Microsteps),
    ])
    .commands(&[
        CommandForm::word(Verb::WriteParameter, &[Piece::fixed(4, 8), Piece::address(4), Piece::data(8)]),
        CommandForm::writes(Verb::MoveVelocity, &[Write::argument(SPEED), Write::direction(SENSE, 1, 2)]),
        CommandForm::writes(Verb::MoveAbsolute(Way::Shortest), &[Write::argument(Parameter::TargetPosition)]),
        CommandForm::writes(Verb::MoveRelative, &[Write::direction(TURN, 1, 2), Write::argument(Parameter::Custom(3))]),
    ])
    .position(PositionCounter::new(16, &[4]));

/// No acceleration register: 1000 steps/s², so 20 steps/s after 20 ms.
#[test]
fn a_sequence_may_end_in_a_direction_or_in_its_argument() {
    assert_eq!(SEQUENCES.validate(), Ok(()));
    let mut device = device(&SEQUENCES);
    send(&mut device, 0, &[0x8114, 0x8203]);
    assert!(!device.axes()[0].is_moving(0), "3 is neither of the directions");
    assert_eq!(rejections(&mut device), [], "so it sets nothing going that could be refused");
    send(&mut device, 0, &[0x8202]);
    assert_eq!(device.axes()[0].velocity_steps_per_s(20 * MS), -20.0);
    send(&mut device, S, &[0x83FE]);
    assert_eq!(device.axes()[0].target(), -2);
    assert_eq!(device.axes()[0].engine().position(100 * S), -2);
}

#[test]
fn a_direction_that_was_never_written_is_none() {
    let mut device = device(&SEQUENCES);
    send(&mut device, 0, &[0x8509]);
    assert_eq!(rejections(&mut device), [Rejection::MeaninglessCode { code: 0 }]);
    send(&mut device, 0, &[0x8402, 0x8509]);
    assert_eq!(device.axes()[0].target(), -9);
}

#[test]
fn a_current_shuts_off_its_own_axis_and_the_supply_all_of_them() {
    for (fault, shut) in [(Flag::Overcurrent, [false, true]), (Flag::Undervoltage, [true, true])] {
        let mut device = two_axes();
        device.set_condition(fault, 1, true, 0);
        let is_off = |axis: usize| device.axes()[axis].bridge(0) == BridgeState::HighImpedance;
        assert_eq!([0, 1].map(is_off), shut, "{}", fault.name());
    }
}

/// A counter of 8 bits that does not wrap: 127 is the end.
const SHORT: Layout = Layout::new("short", Wire::latched_units(8, &[Piece::fixed(8, 0)]))
    .commands(&[CommandForm::word(
        Verb::SearchForSwitch(EdgeAction::Zero),
        &[Piece::fixed(7, 1), Piece::direction(true), Piece::velocity(Coding::new(8, Encoding::Raw))],
    )])
    .position(PositionCounter::new(8, &[4]).refuses_to_wrap());

#[test]
fn a_search_that_comes_to_the_end_of_the_counter_has_not_arrived() {
    assert_eq!(SHORT.validate(), Ok(()));
    let mut device = device(&SHORT);
    send(&mut device, 0, &[0b0000_0011, 10]);
    assert!(device.axes()[0].is_busy(MS));
    device.advance(100 * S);
    let axis = &device.axes()[0];
    assert_eq!((axis.position(100 * S), axis.is_busy(100 * S), axis.has_arrived(100 * S)), (127, false, false));
}
