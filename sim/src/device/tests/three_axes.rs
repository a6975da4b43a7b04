//! A device of three axes, of which two have a parameter and the third has none.

use stepchain::map::{
    Access, BridgeState, Coding, CommandForm, Encoding, Parameter, Piece, PositionCounter, Register, Sign, StopRamp,
    Verb, Wire,
};

use super::*;

const RESOLUTION: Encoding = Encoding::power_of_two(1);

/// A byte of opcode and axis, then 12 bits and four of no meaning. One slope for all; the greatest velocity is a matter
/// of axes 0 and 1, the resolution of 1 and 2, the position of 0 and 2.
const THREE_AXES: Layout = Layout::new("three axes", Wire::latched_units(8, &[Piece::fixed(8, 0)]))
    .axes(3)
    .registers(&[
        Register::new(Parameter::ProfileAcceleration, 0x10, 8).encoding(Encoding::linear(8, 1)).reset(125),
        Register::new(Parameter::MaxProfileVelocity, 0x11, 8).reset(100),
        Register::new(Parameter::MaxProfileVelocity, 0x12, 8).axis(1).reset(200),
        Register::new(Parameter::MicrostepResolution, 0x13, 2)
            .encoding(RESOLUTION)
            .axis(1)
            .access(Access::AtStandstill),
        Register::new(Parameter::MicrostepResolution, 0x14, 2)
            .encoding(RESOLUTION)
            .axis(2)
            .access(Access::AtStandstill)
            .reset(1),
        Register::new(Parameter::PositionDemandValue, 0x15, 8).sign(Sign::TwosComplement).access(Access::AtStandstill),
        Register::new(Parameter::PositionDemandValue, 0x16, 8)
            .sign(Sign::TwosComplement)
            .axis(2)
            .access(Access::AtStandstill),
    ])
    .commands(&[
        CommandForm::word(
            Verb::MoveVelocity,
            &[
                Piece::fixed(6, 0b10_0001),
                Piece::axis(2),
                Piece::any(4),
                Piece::velocity(Coding::signed(12, Encoding::Raw)),
            ],
        ),
        CommandForm::word(
            Verb::Stop(StopRamp::None, BridgeState::Driven),
            &[Piece::fixed(6, 0b10_0100), Piece::axis(2)],
        ),
        CommandForm::word(Verb::WriteParameter, &[Piece::fixed(2, 0b11), Piece::address(6), Piece::DataByRegister]),
    ])
    .position(PositionCounter::new(8, &[8, 4, 2, 1]));

/// The device, with these axes turning up at 250 steps/s or as fast as they may.
fn turning(axes: &[u64]) -> Device {
    assert_eq!(THREE_AXES.validate(), Ok(()));
    let mut device = device(&THREE_AXES);
    for axis in axes {
        send(&mut device, 0, &[0b1000_0100 | axis, 0x00, 250]);
    }
    device.advance(S);
    device
}

/// By hand: axis 2 has no greatest velocity, and axis 0 the first of the listed resolutions.
#[test]
fn an_axis_has_what_its_own_register_says_and_without_one_nothing_of_its_neighbours() {
    let device = turning(&[0, 1, 2]);
    let axes = device.axes();
    let velocities: Vec<_> = axes.iter().map(|axis| axis.velocity_steps_per_s(S)).collect();
    assert_eq!(velocities, [100.0, 200.0, 250.0]);
    let resolutions: Vec<_> = axes.iter().map(|axis| axis.microsteps_per_step()).collect();
    assert_eq!(resolutions, [8, 1, 2]);
}

#[test]
fn a_register_is_written_to_its_own_axis_alone() {
    let mut device = turning(&[]);
    send(&mut device, S, &[0xD3, 2, 0xD6, 5]);
    assert_eq!(rejections(&mut device), []);
    let axes = device.axes();
    assert_eq!(axes.iter().map(|axis| axis.microsteps_per_step()).collect::<Vec<_>>(), [8, 4, 2]);
    assert_eq!(axes.iter().map(|axis| axis.position(S)).collect::<Vec<_>>(), [0, 0, 5]);
    assert_eq!((device.content(0x13, S), device.content(0x14, S)), (2, 1));
    assert_eq!((device.content(0x15, S), device.content(0x16, S)), (0, 5));
}

#[test]
fn only_the_registers_own_axis_must_stand_for_it_to_be_written() {
    // The resolution of axis 1 and the position of axis 0, while one axis turns.
    for (turns, resolution_is_taken, position_is_taken) in [(0, true, false), (1, false, true), (2, true, true)] {
        let mut device = turning(&[turns]);
        device.take_events();
        send(&mut device, S, &[0xD3, 3]);
        assert_eq!(rejections(&mut device).is_empty(), resolution_is_taken, "axis {turns} turns");
        send(&mut device, S, &[0xD5, 9]);
        assert_eq!(rejections(&mut device).is_empty(), position_is_taken, "axis {turns} turns");
    }
}
