//! The register map of the device `latched`.

use stepchain::map::{
    Access, BitField, BridgeState, Clearing, Coding, CommandForm, CurveSegment, EdgeAction, Encoding, Flag, Layout,
    MotionStateField, Parameter, Piece, PositionCounter, Refusal, Register, RegisterMap, Sign, SpiMode, StatusBit,
    StatusLayout, StopRamp, Verb, Way, Wire,
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
        Register::new(Parameter::ProbedPosition, 0x05, 24).sign(Sign::TwosComplement).access(Access::ReadOnly),
        Register::new(Parameter::ElectricalAngle, 0x06, 8).access(Access::ReadOnly),
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
        Register::new(Parameter::FullStepThreshold, 0x16, 16).encoding(Encoding::linear(1, 4)).reset(65_535),
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
        Register::new(Parameter::OvercurrentLimit, 0x30, 6).encoding(Encoding::linear(1, 8)).reset(40),
        Register::new(Parameter::StallLimit, 0x31, 6).encoding(Encoding::linear(1, 8)).reset(30),
        Register::new(Parameter::SupplyCompensation, 0x32, 8).encoding(Encoding::linear(1, 128)).reset(128),
        Register::new(Parameter::ResistanceCompensation, 0x33, 8)
            .encoding(Encoding::linear(1, 128))
            .access(Access::BridgeOff)
            .reset(128),
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
        CommandForm::word(
            Verb::SearchForSwitch(EdgeAction::Probe),
            &[
                Piece::fixed(5, 0b10011),
                Piece::direction(true),
                Piece::fixed(2, 0b01),
                Piece::velocity(Coding::new(24, Encoding::linear(1, 50))),
            ],
        ),
        CommandForm::word(
            Verb::SearchForSwitch(EdgeAction::Zero),
            &[
                Piece::fixed(5, 0b10011),
                Piece::direction(true),
                Piece::fixed(2, 0b10),
                Piece::velocity(Coding::new(24, Encoding::linear(1, 50))),
            ],
        ),
        CommandForm::word(
            Verb::SearchForZero(EdgeAction::Probe),
            &[Piece::fixed(5, 0b10100), Piece::direction(true), Piece::fixed(2, 0b01), Piece::fixed(8, 0x00)],
        ),
        CommandForm::word(
            Verb::SearchForZero(EdgeAction::Zero),
            &[Piece::fixed(5, 0b10100), Piece::direction(true), Piece::fixed(2, 0b10), Piece::fixed(8, 0x00)],
        ),
        CommandForm::word(
            Verb::ReturnToZero,
            &[Piece::fixed(5, 0b00101), Piece::fixed(3, 0b000), Piece::fixed(8, 0x00)],
        )
        .refused(Refusal::NEVER.while_moving()),
        CommandForm::word(
            Verb::ReturnToProbedPosition,
            &[Piece::fixed(5, 0b00101), Piece::fixed(3, 0b001), Piece::fixed(8, 0x00)],
        )
        .refused(Refusal::NEVER.while_moving()),
        CommandForm::word(
            Verb::PulseInput,
            &[Piece::fixed(5, 0b00001), Piece::direction(true), Piece::fixed(2, 0b10), Piece::fixed(8, 0x66)],
        )
        .refused(Refusal::NEVER.while_moving()),
        CommandForm::word(
            Verb::RestoreDefaults,
            &[Piece::fixed(5, 0b00010), Piece::fixed(3, 0b011), Piece::fixed(8, 0x3C)],
        )
        .refused(Refusal::NEVER.while_moving()),
        CommandForm::word(Verb::ResetNode, &[Piece::fixed(5, 0b00010), Piece::fixed(3, 0b100), Piece::fixed(8, 0xC3)]),
        CommandForm::word(Verb::FaultReset, &[Piece::fixed(5, 0b00010), Piece::fixed(3, 0b111), Piece::fixed(8, 0x99)]),
        CommandForm::word(
            Verb::MoveRelative,
            &[
                Piece::fixed(5, 0b01101),
                Piece::direction(false),
                Piece::fixed(2, 0b01),
                Piece::distance(Coding::new(24, Encoding::Raw)),
            ],
        )
        .buffered(),
        CommandForm::word(
            Verb::MoveAbsolute(Way::Shortest),
            &[Piece::fixed(5, 0b11010), Piece::fixed(3, 0b110), Piece::position(Coding::signed(24, Encoding::Raw))],
        )
        .buffered(),
    ])
    .status(
        StatusLayout::new(
            16,
            &[
                StatusBit::live(Flag::Busy, 0).active_low(),
                StatusBit::live(Flag::TargetReached, 1),
                StatusBit::live(Flag::PositiveDirection, 4),
                StatusBit::live(Flag::BridgeOff, 5),
                StatusBit::live(Flag::HomeSwitch, 6),
                StatusBit::latched(Flag::StallA, 7),
                StatusBit::latched(Flag::CommandRejected, 8),
                StatusBit::latched(Flag::CommandUnknown, 9),
                StatusBit::latched(Flag::SwitchEvent, 10),
                StatusBit::latched(Flag::Overcurrent, 11).cleared_by(Clearing::FaultReset),
                StatusBit::latched(Flag::Undervoltage, 12),
                StatusBit::live(Flag::OvertemperatureWarning, 13),
                StatusBit::latched(Flag::Overtemperature, 14).cleared_by(Clearing::FaultReset),
                StatusBit::latched(Flag::ResetOccurred, 15).active_low(),
            ],
        )
        .motion_states(&[MotionStateField::new(BitField::new(2, 2), [0, 1, 3, 2])]),
    )
    .position(PositionCounter::new(24, &[64, 32, 16, 8, 4, 2, 1]));
}

stepchain::check_map!(Latched);
