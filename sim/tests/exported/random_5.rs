//! The register map of the device `random 5`.

use stepchain::map::{
    Access, BitField, BridgeState, Clearing, CommandForm, Drive, Encoding, Flag, Layout, MotionStateField, Parameter,
    Piece, PositionCounter, Refusal, Register, RegisterMap, Sign, StatusBit, StatusLayout, StopRamp, TableEntry, Verb,
    Way, Wire, Write,
};
use stepchain::units::Unit;

/// The device `random 5`.
#[derive(Clone, Copy, Debug)]
pub struct Random5;

impl RegisterMap for Random5 {
    const LAYOUT: Layout = Layout::new(
        "random 5",
        Wire::fixed_word(37, &[Piece::fixed(1, 0), Piece::fixed(8, 0xA9), Piece::any(28)])
            .no_spare_clocks()
            .idle_reply(&[Piece::fixed(37, 0x1119FEBE0C)])
            .timing(6_236_263, 245),
    )
    .axes(3)
    .drive(Drive::Current)
    .registers(&[
        Register::new(Parameter::MicrostepResolution, 0x16, 5)
            .axis(2)
            .encoding(Encoding::falling_power_of_two(1))
            .up_to(0),
        Register::new(Parameter::ProfileAcceleration, 0x21, 8)
            .axis(1)
            .at_bit(8)
            .encoding(Encoding::linear_from(1_125_618, 256, -20_229_868))
            .reset(155),
        Register::new(Parameter::Custom(3), 0x26, 19)
            .named("distance")
            .axis(1)
            .sign(Sign::SignMagnitude)
            .unit(Unit::Microsteps),
        Register::new(Parameter::StandstillAmplitude, 0x24, 26)
            .encoding(Encoding::linear(11, 67_108_864))
            .unit(Unit::Amperes)
            .access(Access::AtStandstill)
            .reset(26_567_947),
        Register::new(Parameter::Custom(1), 0x29, 6).named("stop kind").axis(1),
        Register::new(Parameter::Custom(1), 0x30, 6).named("stop kind").axis(2),
        Register::new(Parameter::ElectricalAngle, 0x0A, 21).axis(2).at_bit(3).access(Access::ReadOnly).reset(1_291_765),
        Register::new(Parameter::TargetVelocity, 0x2C, 27)
            .axis(2)
            .encoding(Encoding::linear(40_008, 134_217_728))
            .reset(128_525_213),
        Register::new(Parameter::SupplyCompensation, 0x08, 4)
            .at_bit(5)
            .encoding(Encoding::linear(6, 16))
            .access(Access::AtStandstill)
            .reset(10),
        Register::new(Parameter::MicrostepResolution, 0x17, 5).encoding(Encoding::falling_power_of_two(1)).up_to(0),
        Register::new(Parameter::ProfileVelocity, 0x05, 16).encoding(Encoding::linear(30_687, 65_536)).reset(27_374),
        Register::new(Parameter::ElectricalAngle, 0x1D, 22).axis(1).at_bit(3).access(Access::ReadOnly).reset(797_844),
        Register::new(Parameter::ResistanceCompensation, 0x11, 10)
            .axis(2)
            .at_bit(2)
            .encoding(Encoding::mantissa_exponent(6, 6, 2_064_385))
            .reset(844),
        Register::new(Parameter::ProfileVelocity, 0x06, 9)
            .axis(2)
            .at_bit(2)
            .encoding(Encoding::mantissa_exponent(7, 38_681, 1017))
            .reset(488),
        Register::new(Parameter::ProbedPosition, 0x12, 19).axis(2).sign(Sign::TwosComplement).access(Access::ReadOnly),
        Register::new(Parameter::FullStepThreshold, 0x0C, 14)
            .axis(1)
            .encoding(Encoding::mantissa_exponent(12, 7542, 32_761))
            .reset(5200),
        Register::new(Parameter::ProfileDeceleration, 0x08, 5)
            .axis(2)
            .encoding(Encoding::reciprocal_or_zero(611_840, 1))
            .reset(31),
        Register::new(Parameter::QuickStopDeceleration, 0x1C, 21)
            .axis(1)
            .encoding(Encoding::falling_power_of_two(1_353_095))
            .up_to(5),
        Register::new(Parameter::TargetVelocity, 0x22, 27)
            .axis(1)
            .encoding(Encoding::linear(40_008, 134_217_728))
            .reset(128_525_213),
        Register::new(Parameter::Custom(3), 0x04, 19)
            .named("distance")
            .sign(Sign::SignMagnitude)
            .unit(Unit::Microsteps),
        Register::new(Parameter::Custom(2), 0x2E, 6).named("direction").axis(2),
        Register::new(Parameter::ResistanceCompensation, 0x10, 7)
            .named("named otherwise")
            .encoding(Encoding::linear(6, 128))
            .reset(113),
        Register::new(Parameter::FullStepThreshold, 0x18, 6).encoding(Encoding::linear(38_844, 64)).reset(4),
        Register::new(Parameter::StandstillAmplitude, 0x23, 15)
            .axis(1)
            .encoding(Encoding::PowerOfTwo { numerator: 12, denominator: 8, falling: false })
            .up_to(3)
            .unit(Unit::Amperes)
            .access(Access::AtStandstill),
        Register::new(Parameter::Custom(3), 0x2D, 19)
            .named("distance")
            .axis(2)
            .sign(Sign::SignMagnitude)
            .unit(Unit::Microsteps),
        Register::new(Parameter::QuickStopDeceleration, 0x0F, 24)
            .at_bit(3)
            .encoding(Encoding::linear(611_066, 16_777_216))
            .reset(2_063_352),
        Register::new(Parameter::SupplyVoltage, 0x13, 8)
            .at_bit(7)
            .encoding(Encoding::falling_power_of_two(124))
            .up_to(8)
            .access(Access::ReadOnly)
            .reset(7),
        Register::new(Parameter::ProfileDeceleration, 0x1B, 14)
            .encoding(Encoding::linear_from(227_363, 16_384, 284_791_452))
            .access(Access::BridgeOff)
            .reset(12_460),
        Register::new(Parameter::MicrostepResolution, 0x13, 5)
            .axis(1)
            .at_bit(2)
            .encoding(Encoding::falling_power_of_two(1))
            .up_to(0)
            .access(Access::BridgeOff),
        Register::new(Parameter::ProfileDeceleration, 0x15, 14)
            .axis(1)
            .encoding(Encoding::linear(1_213_795, 16_384))
            .reset(15_202),
        Register::new(Parameter::ProbedPosition, 0x0D, 19).axis(1).sign(Sign::TwosComplement).access(Access::ReadOnly),
        Register::new(Parameter::TargetPosition, 0x1E, 19).axis(1).sign(Sign::TwosComplement),
        Register::new(Parameter::ElectricalAngle, 0x18, 5)
            .named("named otherwise")
            .at_bit(6)
            .encoding(Encoding::linear(2, 1))
            .access(Access::ReadOnly)
            .reset(18),
        Register::new(Parameter::Custom(0), 0x2F, 6).named("motion kind").axis(2),
        Register::new(Parameter::QuickStopDeceleration, 0x09, 24)
            .axis(2)
            .at_bit(2)
            .encoding(Encoding::linear(837_723, 16_777_216))
            .reset(11_857_874),
        Register::new(Parameter::Custom(1), 0x14, 6).named("stop kind"),
        Register::new(Parameter::ResistanceCompensation, 0x1B, 12)
            .named("named otherwise")
            .axis(1)
            .at_bit(14)
            .encoding(Encoding::linear(6, 4096))
            .reset(3524),
        Register::new(Parameter::ProbedPosition, 0x25, 19).sign(Sign::TwosComplement).access(Access::ReadOnly),
        Register::new(Parameter::ProfileAcceleration, 0x1A, 21)
            .named("named otherwise")
            .encoding(Encoding::linear_from(1_772_733, 2_097_152, -455_421_404))
            .access(Access::BridgeOff)
            .reset(617_227),
        Register::new(Parameter::ProfileVelocity, 0x07, 4)
            .axis(1)
            .encoding(Encoding::Table(&[TableEntry::ratio(11, 7412, 2), TableEntry::ratio(2, 14_824, 2)]))
            .access(Access::BridgeOff)
            .reset(2),
        Register::new(Parameter::StandstillAmplitude, 0x1F, 27)
            .axis(2)
            .encoding(Encoding::reciprocal_or_zero(5, 1))
            .unit(Unit::Amperes)
            .reset(70_286_552),
        Register::new(Parameter::Custom(0), 0x28, 6).named("motion kind").axis(1),
        Register::new(Parameter::StallLimit, 0x03, 24)
            .at_bit(2)
            .encoding(Encoding::linear(16, 16_777_216))
            .reset(3_586_988),
        Register::new(Parameter::FullStepThreshold, 0x21, 8)
            .axis(2)
            .encoding(Encoding::linear(42_975, 256))
            .up_to(73)
            .access(Access::AtStandstill)
            .reset(71),
        Register::new(Parameter::TargetPosition, 0x2B, 19).axis(2).sign(Sign::TwosComplement),
        Register::new(Parameter::Custom(4), 0x31, 6).named("stop ramp").axis(2),
        Register::new(Parameter::Custom(2), 0x0B, 6).named("direction"),
        Register::new(Parameter::Custom(2), 0x27, 6).named("direction").axis(1),
        Register::new(Parameter::Custom(4), 0x2A, 6).named("stop ramp").axis(1),
        Register::new(Parameter::Custom(4), 0x19, 6).named("stop ramp"),
        Register::new(Parameter::Custom(0), 0x0E, 6).named("motion kind"),
        Register::new(Parameter::ProfileAcceleration, 0x20, 5)
            .axis(2)
            .at_bit(1)
            .encoding(Encoding::linear_from(324_725, 32, 830_748))
            .access(Access::AtStandstill)
            .reset(14),
        Register::new(Parameter::TargetPosition, 0x01, 19).sign(Sign::TwosComplement),
        Register::new(Parameter::TargetVelocity, 0x02, 27)
            .encoding(Encoding::linear(40_008, 134_217_728))
            .reset(128_525_213),
    ])
    .commands(&[
        CommandForm::writes(
            Verb::Stop(StopRamp::None, BridgeState::Driven),
            &[Write::code(Parameter::Custom(4), 3), Write::code(Parameter::Custom(1), 22)],
        ),
        CommandForm::writes(
            Verb::MoveAbsolute(Way::Shortest),
            &[Write::argument(Parameter::TargetPosition), Write::code(Parameter::Custom(0), 3)],
        ),
        CommandForm::writes(
            Verb::Stop(StopRamp::Profile, BridgeState::HighImpedance),
            &[Write::code(Parameter::Custom(4), 1), Write::code(Parameter::Custom(1), 31)],
        ),
        CommandForm::writes(Verb::HomeOnCurrentPosition, &[Write::code(Parameter::Custom(0), 9)])
            .refused(Refusal::NEVER.while_moving()),
        CommandForm::writes(
            Verb::Stop(StopRamp::Quick, BridgeState::HighImpedance),
            &[Write::code(Parameter::Custom(4), 2), Write::code(Parameter::Custom(1), 14)],
        ),
        CommandForm::word(
            Verb::TakeStatus,
            &[Piece::fixed(1, 1), Piece::fixed(8, 0xF2), Piece::fixed(24, 0x000000), Piece::fixed(4, 0b0000)],
        )
        .reply(&[Piece::fixed(5, 0b11000), Piece::status(32)]),
        CommandForm::writes(
            Verb::MoveVelocity,
            &[Write::direction(Parameter::Custom(2), 3, 26), Write::argument(Parameter::TargetVelocity)],
        )
        .refused(Refusal::NEVER.while_bridge_off()),
        CommandForm::writes(
            Verb::Stop(StopRamp::Quick, BridgeState::Shorted),
            &[Write::code(Parameter::Custom(4), 2), Write::code(Parameter::Custom(1), 11)],
        ),
        CommandForm::writes(Verb::ReturnToProbedPosition, &[Write::code(Parameter::Custom(0), 10)])
            .refused(Refusal::NEVER.while_bridge_off()),
        CommandForm::word(
            Verb::PeekStatus,
            &[Piece::fixed(1, 0), Piece::fixed(8, 0x55), Piece::fixed(10, 0x110), Piece::any(18)],
        )
        .reply(&[Piece::status(32), Piece::fixed(5, 0b00000)]),
        CommandForm::writes(
            Verb::Stop(StopRamp::Profile, BridgeState::Driven),
            &[Write::code(Parameter::Custom(4), 1), Write::code(Parameter::Custom(1), 30)],
        ),
        CommandForm::word(
            Verb::ReadParameter,
            &[Piece::fixed(1, 0), Piece::address(8), Piece::fixed(12, 0x000), Piece::fixed(16, 0x0000)],
        )
        .reply(&[Piece::data(28), Piece::any(6), Piece::fixed(3, 0b110)]),
        CommandForm::writes(
            Verb::Stop(StopRamp::Profile, BridgeState::Shorted),
            &[Write::code(Parameter::Custom(4), 1), Write::code(Parameter::Custom(1), 26)],
        ),
        CommandForm::writes(
            Verb::Stop(StopRamp::None, BridgeState::Shorted),
            &[Write::code(Parameter::Custom(4), 3), Write::code(Parameter::Custom(1), 17)],
        ),
        CommandForm::writes(
            Verb::MoveRelative,
            &[Write::argument(Parameter::Custom(3)), Write::code(Parameter::Custom(0), 2)],
        )
        .refused(Refusal::NEVER.while_bridge_off().while_faulted()),
        CommandForm::word(Verb::WriteParameter, &[Piece::fixed(1, 1), Piece::address(8), Piece::data(28)]),
        CommandForm::writes(
            Verb::MoveAbsolute(Way::Positive),
            &[Write::argument(Parameter::TargetPosition), Write::code(Parameter::Custom(0), 4)],
        )
        .refused(Refusal::NEVER.while_moving().while_faulted()),
        CommandForm::writes(
            Verb::Stop(StopRamp::None, BridgeState::HighImpedance),
            &[Write::code(Parameter::Custom(4), 3), Write::code(Parameter::Custom(1), 0)],
        ),
        CommandForm::writes(
            Verb::Stop(StopRamp::Quick, BridgeState::Driven),
            &[Write::code(Parameter::Custom(4), 2), Write::code(Parameter::Custom(1), 16)],
        ),
    ])
    .status(
        StatusLayout::new(
            32,
            &[
                StatusBit::latched(Flag::OvertemperatureWarning, 21).axis(1),
                StatusBit::live(Flag::TargetReached, 29).axis(2).active_low(),
                StatusBit::live(Flag::HomeSwitch, 0).axis(2),
                StatusBit::live(Flag::PositiveDirection, 24),
                StatusBit::latched(Flag::ResetOccurred, 16).cleared_by(Clearing::FaultReset).axis(1),
                StatusBit::live(Flag::ResetOccurred, 12).axis(2),
                StatusBit::live(Flag::OvertemperatureWarning, 31),
                StatusBit::live(Flag::InternalLimitActive, 23).axis(2).active_low(),
                StatusBit::live(Flag::Overcurrent, 1).axis(2).active_low(),
                StatusBit::latched(Flag::StallB, 19).cleared_by(Clearing::FaultReset).axis(2),
                StatusBit::live(Flag::StallB, 17).active_low(),
                StatusBit::latched(Flag::BridgeOff, 18).cleared_by(Clearing::FaultReset).axis(1),
                StatusBit::live(Flag::Warning, 2),
                StatusBit::live(Flag::StallB, 15).axis(1),
                StatusBit::live(Flag::Overtemperature, 27).axis(1),
                StatusBit::latched(Flag::OvertemperatureWarning, 20).cleared_by(Clearing::FaultReset).axis(2),
                StatusBit::live(Flag::Undervoltage, 11).axis(2),
                StatusBit::live(Flag::HomeSwitch, 14).active_low(),
                StatusBit::latched(Flag::CrcMismatch, 28).axis(1),
                StatusBit::live(Flag::StallA, 22).axis(2).active_low(),
                StatusBit::latched(Flag::Undervoltage, 30),
                StatusBit::latched(Flag::SwitchEvent, 13).cleared_by(Clearing::FaultReset).axis(1),
            ],
        )
        .motion_states(&[
            MotionStateField::new(BitField::new(3, 8), [110, 226, 140, 228]),
            MotionStateField::new(BitField::new(25, 2), [1, 0, 2, 3]).axis(2),
        ]),
    )
    .position(PositionCounter::new(19, &[1]).refuses_to_wrap());
}

stepchain::check_map!(Random5);
