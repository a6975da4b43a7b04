//! The register map of the device `fixed-word`.

use stepchain::map::{
    Access, BitField, BridgeState, Clearing, CommandForm, Crc8, EdgeAction, Encoding, Flag, Layout, MotionStateField,
    Parameter, Piece, PositionCounter, Register, RegisterMap, Sign, StatusBit, StatusLayout, StopRamp, Verb, Way, Wire,
    Write,
};

/// The device `fixed-word`.
#[derive(Clone, Copy, Debug)]
pub struct FixedWord;

impl RegisterMap for FixedWord {
    const LAYOUT: Layout = Layout::new(
        "fixed-word",
        Wire::fixed_word(
            48,
            &[Piece::fixed(1, 0), Piece::fixed(7, 0b0000000), Piece::fixed(32, 0x00000000), Piece::Crc],
        )
        .idle_reply(&[Piece::status(8), Piece::fixed(32, 0x00000000), Piece::Crc])
        .crc(Crc8::new(0x2F).initial(0xFF).xor_out(0xFF))
        .timing(8_000_000, 500),
    )
    .registers(&[
        Register::new(Parameter::TargetPosition, 0x10, 30).sign(Sign::TwosComplement),
        Register::new(Parameter::TargetVelocity, 0x11, 26)
            .encoding(Encoding::linear(3, 1000))
            .sign(Sign::TwosComplement),
        Register::new(Parameter::Custom(0), 0x12, 4).named("motion kind"),
        Register::new(Parameter::Custom(1), 0x13, 4).named("stop kind"),
        Register::new(Parameter::Custom(2), 0x14, 1).named("count sense"),
        Register::new(Parameter::Custom(3), 0x15, 2).named("service"),
        Register::new(Parameter::ProfileVelocity, 0x20, 25).encoding(Encoding::linear(3, 1000)).reset(200_000),
        Register::new(Parameter::ProfileAcceleration, 0x21, 14)
            .encoding(Encoding::mantissa_exponent(10, 1, 4))
            .reset(2848),
        Register::new(Parameter::ProfileDeceleration, 0x22, 14)
            .encoding(Encoding::mantissa_exponent(10, 1, 4))
            .reset(2848),
        Register::new(Parameter::QuickStopDeceleration, 0x23, 14)
            .encoding(Encoding::mantissa_exponent(10, 1, 4))
            .reset(5920),
        Register::new(Parameter::StartStopVelocity, 0x24, 16).encoding(Encoding::linear(1, 16)),
        Register::new(Parameter::MicrostepResolution, 0x25, 4)
            .encoding(Encoding::falling_power_of_two(256))
            .up_to(8)
            .access(Access::AtStandstill)
            .reset(4),
        Register::new(Parameter::StandstillAmplitude, 0x25, 10)
            .at_bit(4)
            .encoding(Encoding::linear(1, 1000))
            .up_to(1000)
            .reset(150),
        Register::new(Parameter::ConstantVelocityAmplitude, 0x25, 10)
            .at_bit(16)
            .encoding(Encoding::linear(1, 1000))
            .up_to(1000)
            .reset(300),
        Register::new(Parameter::PositionDemandValue, 0x30, 30).sign(Sign::TwosComplement).access(Access::AtStandstill),
        Register::new(Parameter::VelocityDemandValue, 0x31, 26)
            .encoding(Encoding::linear(3, 1000))
            .sign(Sign::TwosComplement)
            .access(Access::ReadOnly),
        Register::new(Parameter::ProbedPosition, 0x32, 30).sign(Sign::TwosComplement).access(Access::ReadOnly),
        Register::new(Parameter::ElectricalAngle, 0x33, 10).access(Access::ReadOnly),
        Register::new(Parameter::StallLimit, 0x40, 8).encoding(Encoding::linear(1, 25)).reset(75),
        Register::new(Parameter::OvercurrentLimit, 0x41, 8).encoding(Encoding::linear(1, 25)).reset(125),
    ])
    .commands(&[
        CommandForm::word(
            Verb::ReadParameter,
            &[Piece::fixed(1, 0), Piece::address(7), Piece::fixed(32, 0x00000000), Piece::Crc],
        )
        .reply(&[Piece::status(8), Piece::data(32), Piece::Crc]),
        CommandForm::word(Verb::WriteParameter, &[Piece::fixed(1, 1), Piece::address(7), Piece::data(32), Piece::Crc])
            .reply(&[Piece::status(8), Piece::data(32), Piece::Crc]),
        CommandForm::word(
            Verb::PeekStatus,
            &[Piece::fixed(1, 0), Piece::fixed(7, 0b0000001), Piece::fixed(32, 0x00000000), Piece::Crc],
        )
        .reply(&[Piece::status(8), Piece::fixed(16, 0x0000), Piece::status(16).part(8, 16), Piece::Crc]),
        CommandForm::word(
            Verb::TakeStatus,
            &[Piece::fixed(1, 0), Piece::fixed(7, 0b0000010), Piece::fixed(32, 0x00000000), Piece::Crc],
        )
        .reply(&[Piece::status(8), Piece::fixed(16, 0x0000), Piece::status(16).part(8, 16), Piece::Crc]),
        CommandForm::writes(
            Verb::MoveVelocity,
            &[Write::argument(Parameter::TargetVelocity), Write::code(Parameter::Custom(0), 1)],
        ),
        CommandForm::writes(
            Verb::MoveRelative,
            &[Write::argument(Parameter::TargetPosition), Write::code(Parameter::Custom(0), 2)],
        ),
        CommandForm::writes(
            Verb::MoveAbsolute(Way::Shortest),
            &[Write::argument(Parameter::TargetPosition), Write::code(Parameter::Custom(0), 3)],
        ),
        CommandForm::writes(
            Verb::MoveAbsolute(Way::Positive),
            &[Write::argument(Parameter::TargetPosition), Write::code(Parameter::Custom(0), 4)],
        ),
        CommandForm::writes(
            Verb::MoveAbsolute(Way::Negative),
            &[Write::argument(Parameter::TargetPosition), Write::code(Parameter::Custom(0), 5)],
        ),
        CommandForm::writes(Verb::HomeOnCurrentPosition, &[Write::code(Parameter::Custom(0), 9)]),
        CommandForm::writes(Verb::ReturnToZero, &[Write::code(Parameter::Custom(0), 6)]),
        CommandForm::writes(Verb::ReturnToProbedPosition, &[Write::code(Parameter::Custom(0), 7)]),
        CommandForm::writes(
            Verb::PulseInput,
            &[Write::direction(Parameter::Custom(2), 1, 0), Write::code(Parameter::Custom(0), 8)],
        ),
        CommandForm::writes(
            Verb::SearchForSwitch(EdgeAction::Probe),
            &[Write::argument(Parameter::TargetVelocity), Write::code(Parameter::Custom(0), 10)],
        ),
        CommandForm::writes(
            Verb::SearchForSwitch(EdgeAction::Zero),
            &[Write::argument(Parameter::TargetVelocity), Write::code(Parameter::Custom(0), 11)],
        ),
        CommandForm::writes(
            Verb::SearchForZero(EdgeAction::Probe),
            &[Write::argument(Parameter::TargetVelocity), Write::code(Parameter::Custom(0), 12)],
        ),
        CommandForm::writes(
            Verb::SearchForZero(EdgeAction::Zero),
            &[Write::argument(Parameter::TargetVelocity), Write::code(Parameter::Custom(0), 13)],
        ),
        CommandForm::writes(
            Verb::MoveRelative,
            &[Write::argument(Parameter::TargetPosition), Write::code(Parameter::Custom(0), 14)],
        )
        .buffered(),
        CommandForm::writes(
            Verb::MoveAbsolute(Way::Shortest),
            &[Write::argument(Parameter::TargetPosition), Write::code(Parameter::Custom(0), 15)],
        )
        .buffered(),
        CommandForm::writes(Verb::RestoreDefaults, &[Write::code(Parameter::Custom(3), 1)]),
        CommandForm::writes(Verb::ResetNode, &[Write::code(Parameter::Custom(3), 2)]),
        CommandForm::writes(Verb::FaultReset, &[Write::code(Parameter::Custom(3), 3)]),
        CommandForm::writes(
            Verb::Stop(StopRamp::Profile, BridgeState::Driven),
            &[Write::code(Parameter::Custom(1), 1)],
        ),
        CommandForm::writes(
            Verb::Stop(StopRamp::Profile, BridgeState::Shorted),
            &[Write::code(Parameter::Custom(1), 2)],
        ),
        CommandForm::writes(
            Verb::Stop(StopRamp::Profile, BridgeState::HighImpedance),
            &[Write::code(Parameter::Custom(1), 3)],
        ),
        CommandForm::writes(Verb::Stop(StopRamp::Quick, BridgeState::Driven), &[Write::code(Parameter::Custom(1), 4)]),
        CommandForm::writes(Verb::Stop(StopRamp::Quick, BridgeState::Shorted), &[Write::code(Parameter::Custom(1), 5)]),
        CommandForm::writes(
            Verb::Stop(StopRamp::Quick, BridgeState::HighImpedance),
            &[Write::code(Parameter::Custom(1), 6)],
        ),
        CommandForm::writes(Verb::Stop(StopRamp::None, BridgeState::Driven), &[Write::code(Parameter::Custom(1), 7)]),
        CommandForm::writes(Verb::Stop(StopRamp::None, BridgeState::Shorted), &[Write::code(Parameter::Custom(1), 8)]),
        CommandForm::writes(
            Verb::Stop(StopRamp::None, BridgeState::HighImpedance),
            &[Write::code(Parameter::Custom(1), 9)],
        ),
    ])
    .status(
        StatusLayout::new(
            24,
            &[
                StatusBit::live(Flag::Busy, 0),
                StatusBit::live(Flag::TargetReached, 1),
                StatusBit::live(Flag::BridgeOff, 2),
                StatusBit::latched(Flag::CommandRejected, 3),
                StatusBit::latched(Flag::CrcMismatch, 4),
                StatusBit::latched(Flag::ResetOccurred, 7),
                StatusBit::live(Flag::PositiveDirection, 8),
                StatusBit::latched(Flag::CommandUnknown, 9),
                StatusBit::live(Flag::HomeSwitch, 10),
                StatusBit::latched(Flag::SwitchEvent, 11),
                StatusBit::latched(Flag::StallA, 12),
                StatusBit::latched(Flag::StallB, 13),
                StatusBit::latched(Flag::Overcurrent, 14).cleared_by(Clearing::FaultReset),
                StatusBit::live(Flag::OvertemperatureWarning, 15),
                StatusBit::latched(Flag::Overtemperature, 16).cleared_by(Clearing::FaultReset),
                StatusBit::latched(Flag::Undervoltage, 17),
                StatusBit::live(Flag::Fault, 18),
            ],
        )
        .motion_states(&[MotionStateField::new(BitField::new(5, 2), [0, 1, 2, 3])]),
    )
    .position(PositionCounter::new(30, &[256, 128, 64, 32, 16, 8, 4, 2, 1]));
}

stepchain::check_map!(FixedWord);
