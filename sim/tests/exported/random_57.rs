//! The register map of the device `random 57`.

use stepchain::map::{
    Access, BitField, BitOrder, BridgeState, Clearing, Coding, CommandForm, Crc8, CurveSegment, Drive, EdgeAction,
    Encoding, Flag, Layout, MotionState, MotionStateField, Parameter, Piece, PositionCounter, Refusal, Register,
    RegisterMap, ReplyTiming, Sign, SpiMode, StatusBit, StatusLayout, StopRamp, TableEntry, Verb, Way, Wire, Write,
};
use stepchain::units::Unit;

/// The device `random 57`.
#[derive(Clone, Copy, Debug)]
pub struct Random57;

impl RegisterMap for Random57 {
    const LAYOUT: Layout = Layout::new(
        "random 57",
        Wire::latched_units(32, &[Piece::fixed(7, 0b1011111), Piece::any(17), Piece::Crc])
            .mode(SpiMode::Mode2)
            .bit_order(BitOrder::LsbFirst)
            .reply_timing(ReplyTiming::NextFrame)
            .idle_reply(&[Piece::fixed(32, 0xD742E3D7)])
            .crc(Crc8::new(0x37).initial(0x1B).reflected().xor_out(0x5F))
            .timing(15_472_325, 620),
    )
    .drive(Drive::Current)
    .registers(&[
        Register::new(Parameter::SupplyVoltage, 0x1A, 19)
            .named("named otherwise")
            .encoding(Encoding::Table(&[TableEntry::new(1, 39)]))
            .access(Access::ReadOnly)
            .reset(1),
        Register::new(Parameter::BackEmfFrom(CurveSegment::of(MotionState::Decelerating, 1)), 0x10, 9)
            .at_bit(11)
            .encoding(Encoding::linear(26_601, 512))
            .reset(16),
        Register::new(Parameter::AcceleratingAmplitude, 0x08, 19)
            .encoding(Encoding::PowerOfTwo { numerator: 19, denominator: 32, falling: false })
            .up_to(5)
            .unit(Unit::Amperes)
            .access(Access::AtStandstill),
        Register::new(Parameter::Custom(5), 0x07, 20)
            .named("own")
            .encoding(Encoding::reciprocal_or_zero(93, 1))
            .unit(Unit::Volts)
            .reset(376_993),
        Register::new(Parameter::BackEmfSlope(CurveSegment::of(MotionState::ConstantVelocity, 0)), 0x13, 15)
            .encoding(Encoding::PowerOfTwo { numerator: 1, denominator: 4469, falling: true })
            .up_to(7),
        Register::new(Parameter::ProfileVelocity, 0x18, 20)
            .encoding(Encoding::linear(12_849, 1_048_576))
            .access(Access::AtStandstill)
            .reset(258_696),
        Register::new(Parameter::PositionDemandValue, 0x00, 13).sign(Sign::TwosComplement),
        Register::new(Parameter::BackEmfSlope(CurveSegment::of(MotionState::Standstill, 0)), 0x03, 17)
            .encoding(Encoding::mantissa_exponent(14, 1, 1_042_221_425))
            .reset(5127),
        Register::new(Parameter::StartStopVelocity, 0x04, 13)
            .encoding(Encoding::linear(29_963, 8192))
            .access(Access::BridgeOff)
            .reset(867),
        Register::new(Parameter::BackEmfSlope(CurveSegment::of(MotionState::Decelerating, 1)), 0x02, 8)
            .at_bit(1)
            .encoding(Encoding::linear(1, 510_208))
            .reset(207),
        Register::new(Parameter::BackEmfSlope(CurveSegment::of(MotionState::Accelerating, 0)), 0x1C, 6)
            .encoding(Encoding::Table(&[
                TableEntry::ratio(58, 1, 24_780),
                TableEntry::ratio(23, 2, 24_780),
                TableEntry::ratio(4, 3, 24_780),
                TableEntry::ratio(29, 4, 24_780),
                TableEntry::ratio(16, 5, 24_780),
                TableEntry::ratio(0, 6, 24_780),
            ]))
            .reset(29),
        Register::new(Parameter::ProfileDeceleration, 0x12, 15)
            .encoding(Encoding::linear(555_355, 32_768))
            .reset(31_349),
        Register::new(Parameter::ElectricalAngle, 0x0A, 19).access(Access::ReadOnly).reset(142_940),
        Register::new(Parameter::VelocityDemandValue, 0x10, 8)
            .encoding(Encoding::linear(42_193, 128))
            .sign(Sign::SignMagnitude)
            .access(Access::ReadOnly)
            .reset(60),
        Register::new(Parameter::BackEmfSlope(CurveSegment::of(MotionState::ConstantVelocity, 1)), 0x0D, 16)
            .encoding(Encoding::linear(1, 70_975_488))
            .reset(35_677),
        Register::new(Parameter::OvercurrentLimit, 0x0E, 10)
            .named("named otherwise")
            .encoding(Encoding::reciprocal(2, 1))
            .access(Access::BridgeOff)
            .reset(27),
        Register::new(Parameter::BackEmfSlope(CurveSegment::of(MotionState::Standstill, 1)), 0x14, 14)
            .encoding(Encoding::PowerOfTwo { numerator: 1, denominator: 448384, falling: false })
            .up_to(7),
        Register::new(Parameter::TargetPosition, 0x06, 13).sign(Sign::TwosComplement).access(Access::AtStandstill),
        Register::new(Parameter::BackEmfSlope(CurveSegment::of(MotionState::Accelerating, 1)), 0x16, 7)
            .encoding(Encoding::reciprocal_or_zero(1, 3062))
            .reset(26),
        Register::new(Parameter::ProfileAcceleration, 0x1D, 8)
            .at_bit(3)
            .encoding(Encoding::linear(1_671_137, 256))
            .reset(23),
        Register::new(Parameter::BackEmfFrom(CurveSegment::of(MotionState::ConstantVelocity, 1)), 0x09, 19)
            .encoding(Encoding::Table(&[
                TableEntry::ratio(37, 6671, 8),
                TableEntry::ratio(30, 13_342, 8),
                TableEntry::ratio(13, 20_013, 8),
                TableEntry::ratio(49, 26_684, 8),
                TableEntry::ratio(40, 33_355, 8),
                TableEntry::ratio(47, 40_026, 8),
                TableEntry::ratio(16, 46_697, 8),
                TableEntry::ratio(24, 53_368, 8),
            ]))
            .reset(37),
        Register::new(Parameter::StandstillAmplitude, 0x0F, 15)
            .encoding(Encoding::falling_power_of_two(11))
            .up_to(2)
            .unit(Unit::Amperes)
            .access(Access::BridgeOff),
        Register::new(Parameter::MaxProfileVelocity, 0x0B, 20)
            .encoding(Encoding::falling_power_of_two(39_237))
            .up_to(3)
            .access(Access::BridgeOff),
        Register::new(Parameter::BackEmfFrom(CurveSegment::of(MotionState::Standstill, 1)), 0x17, 15)
            .encoding(Encoding::linear(30_039, 32_768))
            .reset(18_376),
        Register::new(Parameter::BackEmfFrom(CurveSegment::of(MotionState::Accelerating, 1)), 0x02, 8)
            .at_bit(9)
            .encoding(Encoding::linear_from(4568, 256, -239_128))
            .reset(134),
        Register::new(Parameter::BackEmfSlope(CurveSegment::of(MotionState::Decelerating, 0)), 0x0C, 7)
            .encoding(Encoding::linear(1, 441_600))
            .reset(48),
    ])
    .commands(&[
        CommandForm::word(
            Verb::Stop(StopRamp::Profile, BridgeState::Shorted),
            &[
                Piece::fixed(7, 0b0001000),
                Piece::fixed(3, 0b101),
                Piece::fixed(3, 0b101),
                Piece::fixed(5, 0b00000),
                Piece::fixed(4, 0b1101),
                Piece::axis(2),
                Piece::Crc,
            ],
        ),
        CommandForm::word(
            Verb::MoveAbsolute(Way::Negative),
            &[
                Piece::fixed(7, 0b1001111),
                Piece::fixed(2, 0b00),
                Piece::fixed(1, 1),
                Piece::fixed(1, 1),
                Piece::position(Coding::new(13, Encoding::Raw).sign(Sign::SignMagnitude)),
                Piece::Crc,
            ],
        )
        .refused(Refusal::NEVER.while_bridge_off()),
        CommandForm::word(
            Verb::Stop(StopRamp::Quick, BridgeState::HighImpedance),
            &[
                Piece::fixed(7, 0b0001000),
                Piece::fixed(3, 0b010),
                Piece::fixed(3, 0b011),
                Piece::any(7),
                Piece::fixed(4, 0b0101),
                Piece::Crc,
            ],
        )
        .reply(&[Piece::axis(2), Piece::any(19), Piece::fixed(3, 0b010), Piece::Crc]),
        CommandForm::word(
            Verb::MoveVelocity,
            &[
                Piece::fixed(7, 0b0110100),
                Piece::direction(false),
                Piece::velocity(
                    Coding::new(10, Encoding::PowerOfTwo { numerator: 36455, denominator: 1024, falling: false })
                        .up_to(10),
                )
                .part(7, 3),
                Piece::fixed(14, 0x0000),
                Piece::velocity(
                    Coding::new(10, Encoding::PowerOfTwo { numerator: 36455, denominator: 1024, falling: false })
                        .up_to(10),
                )
                .part(0, 6),
                Piece::velocity(
                    Coding::new(10, Encoding::PowerOfTwo { numerator: 36455, denominator: 1024, falling: false })
                        .up_to(10),
                )
                .part(6, 1),
            ],
        ),
        CommandForm::word(
            Verb::Stop(StopRamp::Quick, BridgeState::Driven),
            &[
                Piece::fixed(7, 0b0001000),
                Piece::fixed(3, 0b010),
                Piece::fixed(3, 0b111),
                Piece::fixed(11, 0x000),
                Piece::Crc,
            ],
        ),
        CommandForm::word(
            Verb::SearchForSwitch(EdgeAction::Probe),
            &[
                Piece::fixed(7, 0b0000010),
                Piece::fixed(5, 0b00000),
                Piece::direction(true),
                Piece::velocity(
                    Coding::new(10, Encoding::PowerOfTwo { numerator: 8049, denominator: 2048, falling: false })
                        .up_to(11),
                )
                .part(0, 2),
                Piece::velocity(
                    Coding::new(10, Encoding::PowerOfTwo { numerator: 8049, denominator: 2048, falling: false })
                        .up_to(11),
                )
                .part(4, 6),
                Piece::velocity(
                    Coding::new(10, Encoding::PowerOfTwo { numerator: 8049, denominator: 2048, falling: false })
                        .up_to(11),
                )
                .part(2, 2),
                Piece::fixed(1, 0),
                Piece::Crc,
            ],
        )
        .refused(Refusal::NEVER.while_faulted()),
        CommandForm::word(
            Verb::PeekStatus,
            &[Piece::fixed(7, 0b1101111), Piece::fixed(1, 0), Piece::any(13), Piece::fixed(3, 0b000), Piece::Crc],
        )
        .reply(&[
            Piece::status(8),
            Piece::any(6),
            Piece::status(9).part(9, 9),
            Piece::status(1).part(8, 1),
            Piece::Crc,
        ]),
        CommandForm::word(Verb::ReturnToZero, &[Piece::fixed(7, 0b1111100), Piece::any(17), Piece::Crc])
            .refused(Refusal::NEVER.while_faulted()),
        CommandForm::word(
            Verb::Stop(StopRamp::None, BridgeState::Shorted),
            &[
                Piece::fixed(7, 0b0001000),
                Piece::fixed(3, 0b000),
                Piece::fixed(3, 0b101),
                Piece::fixed(11, 0x000),
                Piece::Crc,
            ],
        ),
        CommandForm::word(
            Verb::Stop(StopRamp::None, BridgeState::Driven),
            &[Piece::fixed(7, 0b0001000), Piece::fixed(3, 0b000), Piece::fixed(3, 0b111), Piece::any(11), Piece::Crc],
        ),
        CommandForm::word(
            Verb::WriteParameter,
            &[
                Piece::fixed(7, 0b1000011),
                Piece::any(1),
                Piece::address(6),
                Piece::DataByRegister,
                Piece::fixed(18, 0x341BF),
            ],
        ),
        CommandForm::word(
            Verb::PulseInput,
            &[Piece::fixed(7, 0b1001110), Piece::fixed(16, 0xA78E), Piece::direction(true), Piece::Crc],
        ),
        CommandForm::word(
            Verb::ReadParameter,
            &[Piece::fixed(7, 0b1100010), Piece::any(2), Piece::address(6), Piece::fixed(9, 0x000), Piece::Crc],
        )
        .reply(&[Piece::fixed(2, 0b00), Piece::data(3), Piece::any(2), Piece::data_part(3, 17), Piece::Crc]),
        CommandForm::word(
            Verb::Stop(StopRamp::Profile, BridgeState::Driven),
            &[
                Piece::fixed(7, 0b0001000),
                Piece::fixed(3, 0b101),
                Piece::fixed(3, 0b111),
                Piece::fixed(8, 0x00),
                Piece::any(3),
                Piece::Crc,
            ],
        ),
        CommandForm::writes(Verb::HomeOnCurrentPosition, &[Write::code(Parameter::PositionDemandValue, 0)])
            .refused(Refusal::NEVER.while_bridge_off()),
        CommandForm::word(
            Verb::SearchForZero(EdgeAction::Zero),
            &[
                Piece::fixed(7, 0b0011011),
                Piece::fixed(6, 0b000000),
                Piece::direction(true),
                Piece::velocity(Coding::new(10, Encoding::reciprocal(37_714, 1))),
                Piece::Crc,
            ],
        )
        .reply(&[Piece::fixed(2, 0b01), Piece::any(22), Piece::Crc])
        .refused(Refusal::NEVER.while_moving()),
        CommandForm::word(
            Verb::Stop(StopRamp::None, BridgeState::HighImpedance),
            &[
                Piece::fixed(7, 0b0001000),
                Piece::fixed(3, 0b000),
                Piece::fixed(3, 0b011),
                Piece::fixed(2, 0b00),
                Piece::fixed(9, 0x185),
                Piece::Crc,
            ],
        ),
        CommandForm::word(
            Verb::Stop(StopRamp::Profile, BridgeState::HighImpedance),
            &[
                Piece::fixed(7, 0b0001000),
                Piece::fixed(3, 0b101),
                Piece::fixed(3, 0b011),
                Piece::fixed(11, 0x000),
                Piece::Crc,
            ],
        ),
        CommandForm::word(
            Verb::MoveRelative,
            &[
                Piece::fixed(7, 0b1001010),
                Piece::direction(true),
                Piece::distance(Coding::new(13, Encoding::Raw)),
                Piece::axis(2),
                Piece::fixed(1, 0),
                Piece::Crc,
            ],
        )
        .reply(&[Piece::fixed(17, 0x041CB), Piece::axis(2), Piece::fixed(5, 0b11100), Piece::Crc]),
        CommandForm::word(
            Verb::TakeStatus,
            &[
                Piece::fixed(7, 0b1101111),
                Piece::fixed(1, 1),
                Piece::fixed(3, 0b000),
                Piece::fixed(13, 0x0000),
                Piece::Crc,
            ],
        )
        .reply(&[Piece::fixed(2, 0b10), Piece::status(18), Piece::fixed(4, 0b0000), Piece::Crc]),
        CommandForm::word(
            Verb::MoveAbsolute(Way::Positive),
            &[
                Piece::fixed(7, 0b1001111),
                Piece::fixed(2, 0b11),
                Piece::position(Coding::new(13, Encoding::Raw).sign(Sign::SignMagnitude)),
                Piece::any(1),
                Piece::fixed(1, 0),
                Piece::Crc,
            ],
        )
        .reply(&[Piece::fixed(6, 0b110101), Piece::fixed(3, 0b000), Piece::fixed(15, 0x59C0), Piece::Crc]),
        CommandForm::word(
            Verb::Stop(StopRamp::Quick, BridgeState::Shorted),
            &[Piece::fixed(7, 0b0001000), Piece::fixed(3, 0b010), Piece::fixed(3, 0b101), Piece::fixed(19, 0x6375F)],
        ),
        CommandForm::word(
            Verb::MoveAbsolute(Way::Shortest),
            &[
                Piece::fixed(7, 0b1001111),
                Piece::fixed(2, 0b01),
                Piece::any(2),
                Piece::position(Coding::new(13, Encoding::Raw).sign(Sign::SignMagnitude)),
                Piece::Crc,
            ],
        )
        .refused(Refusal::NEVER.while_bridge_off()),
    ])
    .status(
        StatusLayout::new(
            18,
            &[
                StatusBit::latched(Flag::TargetReached, 0).cleared_by(Clearing::FaultReset),
                StatusBit::latched(Flag::HomeSwitch, 2),
                StatusBit::live(Flag::StallA, 11),
                StatusBit::latched(Flag::StallB, 6).active_low(),
                StatusBit::live(Flag::Overtemperature, 5),
                StatusBit::latched(Flag::Fault, 14),
            ],
        )
        .motion_states(&[MotionStateField::new(BitField::new(8, 2), [1, 0, 3, 2])]),
    )
    .position(PositionCounter::new(13, &[2, 1, 8, 4]).refuses_to_wrap());
}

stepchain::check_map!(Random57);
