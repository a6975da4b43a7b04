//! The register map of the device `latched`.

use stepchain::map::{
    Access, BitField, BridgeState, Coding, CommandForm, CurveSegment, Encoding, Flag, Layout, MotionStateField,
    Parameter, Piece, PositionCounter, Refusal, Register, RegisterMap, Sign, SpiMode, StatusBit, StatusLayout,
    StopRamp, Verb, Way, Wire,
};

/// The device `latched`.
#[derive(Clone, Copy, Debug)]
pub struct Latched;

impl RegisterMap for Latched {
    const LAYOUT: Layout = Layout::new(
        "latched",
        Wire::latched_units(16, &[Piece::fixed(16, 0x7E7E)]).mode(SpiMode::Mode3).timing(5_000_000, 800),
    )
    .registers(&[
        Register::new(Parameter::PositionDemandValue, 0x02, 24).sign(Sign::TwosComplement).access(Access::AtStandstill),
        Register::new(Parameter::VelocityDemandValue, 0x03, 25)
            .encoding(Encoding::linear(1, 50))
            .sign(Sign::SignMagnitude)
            .access(Access::ReadOnly),
        Register::new(Parameter::TargetPosition, 0x04, 24).sign(Sign::TwosComplement).access(Access::ReadOnly),
        Register::new(Parameter::ProfileVelocity, 0x10, 24).encoding(Encoding::linear(1, 50)).reset(25_000),
        Register::new(Parameter::ProfileAcceleration, 0x11, 16)
            .encoding(Encoding::linear(2, 1))
            .access(Access::AtStandstill)
            .reset(500),
        Register::new(Parameter::ProfileDeceleration, 0x12, 16)
            .encoding(Encoding::linear(2, 1))
            .access(Access::AtStandstill)
            .reset(500),
        Register::new(Parameter::QuickStopDeceleration, 0x13, 16)
            .encoding(Encoding::linear(2, 1))
            .access(Access::AtStandstill)
            .reset(4000),
        Register::new(Parameter::StartStopVelocity, 0x14, 12)
            .encoding(Encoding::linear(1, 4))
            .access(Access::AtStandstill),
        Register::new(Parameter::MicrostepResolution, 0x15, 3)
            .encoding(Encoding::power_of_two(1))
            .up_to(6)
            .access(Access::AtStandstill)
            .reset(6),
        Register::new(Parameter::StandstillAmplitude, 0x20, 9).encoding(Encoding::linear(1, 512)).reset(64),
        Register::new(Parameter::ConstantVelocityAmplitude, 0x21, 9).encoding(Encoding::linear(1, 512)).reset(128),
        Register::new(Parameter::AcceleratingAmplitude, 0x22, 9).encoding(Encoding::linear(1, 512)).reset(160),
        Register::new(Parameter::DeceleratingAmplitude, 0x22, 9)
            .at_bit(9)
            .encoding(Encoding::linear(1, 512))
            .reset(160),
        Register::new(Parameter::BackEmfSlope(CurveSegment::new(0)), 0x28, 10).encoding(Encoding::linear(1, 262_144)),
        Register::new(Parameter::BackEmfFrom(CurveSegment::new(1)), 0x29, 16).encoding(Encoding::linear(1, 8)),
        Register::new(Parameter::BackEmfSlope(CurveSegment::new(1)), 0x2A, 10).encoding(Encoding::linear(1, 262_144)),
    ])
    .commands(&[
        CommandForm::word(
            Verb::MoveVelocity,
            &[
                Piece::fixed(5, 0b10110),
                Piece::direction(true),
                Piece::fixed(2, 0b00),
                Piece::velocity(Coding::new(24, Encoding::linear(1, 50))),
            ],
        ),
        CommandForm::word(
            Verb::MoveRelative,
            &[
                Piece::fixed(5, 0b01101),
                Piece::direction(false),
                Piece::fixed(2, 0b00),
                Piece::distance(Coding::new(24, Encoding::Raw)),
            ],
        )
        .refused(Refusal::NEVER.while_moving()),
        CommandForm::word(
            Verb::MoveAbsolute(Way::Shortest),
            &[Piece::fixed(5, 0b11010), Piece::fixed(3, 0b000), Piece::position(Coding::signed(24, Encoding::Raw))],
        )
        .refused(Refusal::NEVER.while_moving()),
        CommandForm::word(
            Verb::MoveAbsolute(Way::Positive),
            &[Piece::fixed(5, 0b11010), Piece::fixed(3, 0b011), Piece::position(Coding::signed(24, Encoding::Raw))],
        )
        .refused(Refusal::NEVER.while_moving()),
        CommandForm::word(
            Verb::MoveAbsolute(Way::Negative),
            &[Piece::fixed(5, 0b11010), Piece::fixed(3, 0b101), Piece::position(Coding::signed(24, Encoding::Raw))],
        )
        .refused(Refusal::NEVER.while_moving()),
        CommandForm::word(
            Verb::Stop(StopRamp::Profile, BridgeState::Driven),
            &[Piece::fixed(5, 0b00111), Piece::fixed(3, 0b001), Piece::fixed(8, 0x18)],
        ),
        CommandForm::word(
            Verb::Stop(StopRamp::Profile, BridgeState::Shorted),
            &[Piece::fixed(5, 0b00111), Piece::fixed(3, 0b001), Piece::fixed(8, 0x24)],
        ),
        CommandForm::word(
            Verb::Stop(StopRamp::Profile, BridgeState::HighImpedance),
            &[Piece::fixed(5, 0b00111), Piece::fixed(3, 0b001), Piece::fixed(8, 0x42)],
        ),
        CommandForm::word(
            Verb::Stop(StopRamp::Quick, BridgeState::Driven),
            &[Piece::fixed(5, 0b00111), Piece::fixed(3, 0b010), Piece::fixed(8, 0x18)],
        ),
        CommandForm::word(
            Verb::Stop(StopRamp::Quick, BridgeState::Shorted),
            &[Piece::fixed(5, 0b00111), Piece::fixed(3, 0b010), Piece::fixed(8, 0x24)],
        ),
        CommandForm::word(
            Verb::Stop(StopRamp::Quick, BridgeState::HighImpedance),
            &[Piece::fixed(5, 0b00111), Piece::fixed(3, 0b010), Piece::fixed(8, 0x42)],
        ),
        CommandForm::word(
            Verb::Stop(StopRamp::None, BridgeState::Driven),
            &[Piece::fixed(5, 0b00111), Piece::fixed(3, 0b100), Piece::fixed(8, 0x18)],
        ),
        CommandForm::word(
            Verb::Stop(StopRamp::None, BridgeState::Shorted),
            &[Piece::fixed(5, 0b00111), Piece::fixed(3, 0b100), Piece::fixed(8, 0x24)],
        ),
        CommandForm::word(
            Verb::Stop(StopRamp::None, BridgeState::HighImpedance),
            &[Piece::fixed(5, 0b00111), Piece::fixed(3, 0b100), Piece::fixed(8, 0x42)],
        ),
        CommandForm::word(Verb::ReadParameter, &[Piece::fixed(5, 0b01010), Piece::fixed(3, 0b000), Piece::address(8)])
            .reply(&[Piece::DataByRegister]),
        CommandForm::word(
            Verb::WriteParameter,
            &[Piece::fixed(5, 0b10001), Piece::fixed(3, 0b000), Piece::address(8), Piece::DataByRegister],
        ),
        CommandForm::word(Verb::PeekStatus, &[Piece::fixed(5, 0b11100), Piece::fixed(3, 0b000), Piece::fixed(8, 0x00)])
            .reply(&[Piece::status(16)]),
        CommandForm::word(Verb::TakeStatus, &[Piece::fixed(5, 0b11100), Piece::fixed(3, 0b001), Piece::fixed(8, 0x00)])
            .reply(&[Piece::status(16)]),
        CommandForm::word(
            Verb::HomeOnCurrentPosition,
            &[Piece::fixed(5, 0b01001), Piece::fixed(3, 0b101), Piece::fixed(8, 0x5A)],
        )
        .refused(Refusal::NEVER.while_moving()),
    ])
    .status(
        StatusLayout::new(
            16,
            &[
                StatusBit::live(Flag::Busy, 0).active_low(),
                StatusBit::live(Flag::TargetReached, 1),
                StatusBit::live(Flag::PositiveDirection, 4),
                StatusBit::live(Flag::BridgeOff, 5),
                StatusBit::latched(Flag::CommandRejected, 8),
                StatusBit::latched(Flag::CommandUnknown, 9),
                StatusBit::latched(Flag::ResetOccurred, 15).active_low(),
            ],
        )
        .motion_states(&[MotionStateField::new(BitField::new(2, 2), [0, 1, 3, 2])]),
    )
    .position(PositionCounter::new(24, &[64, 32, 16, 8, 4, 2, 1]));
}

stepchain::check_map!(Latched);
