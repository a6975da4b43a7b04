//! A device with 48-bit fixed words: everything is a register, motion is set going by writes, replies come in the
//! next frame, and both directions carry a check.
//!
//! ```text
//!   first bit on the wire at the left
//!   request   |w| address 7 | content 32                          | check 8 |     w: 1 writes, 0 reads
//!   reply     | status 0..8 | content 32                          | check 8 |
//!   peek      |0| 0x01      | 0                                   | check 8 |
//!   take      |0| 0x02      | 0                                   | check 8 |
//!   status    | status 0..8 | 0, 16 bits  | status 8..24          | check 8 |     answers peek and take
//!   filler    |0| 0x00      | 0                                   | check 8 |
//! ```

use crate::map::{
    Access, BitField, BridgeState, Clearing, CommandForm, Crc8, EdgeAction, Encoding, Flag, Layout, MotionStateField,
    Parameter, Piece, PositionCounter, Register, RegisterMap, Sign, StatusBit, StatusLayout, StopRamp, Verb, Way, Wire,
    Write,
};

/// A device of one axis that is a set of registers behind 48-bit words with a check. Of the project's invention.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct FixedWord;

/// The register that sets motion going, as the kind of motion is written to it.
const MOTION: Parameter = Parameter::Custom(0);
/// The register that says in which sense outside pulses count.
const COUNT_SENSE: Parameter = Parameter::Custom(2);
/// The register that takes requests to the device as a whole.
const SERVICE: Parameter = Parameter::Custom(3);
/// The register that ends motion, as the kind of stop is written to it.
const STOP: Parameter = Parameter::Custom(1);

/// One code is three thousandths of a step per second.
const VELOCITY: Encoding = Encoding::linear(3, 1000);
/// Ten bits of mantissa, four of exponent, from a quarter of a step per second squared.
const ACCELERATION: Encoding = Encoding::mantissa_exponent(10, 1, 4);

const REPLY: &[Piece] = &[Piece::Status { lsb: 0, width: 8 }, Piece::data(32), Piece::Crc];
const STATUS_REPLY: &[Piece] =
    &[Piece::Status { lsb: 0, width: 8 }, Piece::fixed(16, 0), Piece::Status { lsb: 8, width: 16 }, Piece::Crc];

macro_rules! stop {
    ($ramp:ident, $bridge:ident = $code:literal) => {
        CommandForm::writes(Verb::Stop(StopRamp::$ramp, BridgeState::$bridge), &[Write::code(STOP, $code)])
    };
}

macro_rules! motion {
    ($verb:expr, $parameter:ident, $code:literal) => {
        CommandForm::writes($verb, &[Write::argument(Parameter::$parameter), Write::code(MOTION, $code)])
    };
}

impl RegisterMap for FixedWord {
    const LAYOUT: Layout = Layout::new(
        "fixed-word",
        Wire::fixed_word(48, &[Piece::fixed(1, 0), Piece::fixed(7, 0), Piece::fixed(32, 0), Piece::Crc])
            .idle_reply(&[Piece::Status { lsb: 0, width: 8 }, Piece::fixed(32, 0), Piece::Crc])
            .crc(Crc8::new(0x2F).initial(0xFF).xor_out(0xFF))
            .timing(8_000_000, 500),
    )
    .registers(&[
        Register::new(Parameter::TargetPosition, 0x10, 30).sign(Sign::TwosComplement),
        Register::new(Parameter::TargetVelocity, 0x11, 26).encoding(VELOCITY).sign(Sign::TwosComplement),
        Register::new(MOTION, 0x12, 4).named("motion kind"),
        Register::new(STOP, 0x13, 4).named("stop kind"),
        Register::new(COUNT_SENSE, 0x14, 1).named("count sense"),
        Register::new(SERVICE, 0x15, 2).named("service"),
        Register::new(Parameter::ProfileVelocity, 0x20, 25).encoding(VELOCITY).reset(200_000),
        Register::new(Parameter::ProfileAcceleration, 0x21, 14).encoding(ACCELERATION).reset(2 << 10 | 800),
        Register::new(Parameter::ProfileDeceleration, 0x22, 14).encoding(ACCELERATION).reset(2 << 10 | 800),
        Register::new(Parameter::QuickStopDeceleration, 0x23, 14).encoding(ACCELERATION).reset(5 << 10 | 800),
        Register::new(Parameter::StartStopVelocity, 0x24, 16).encoding(Encoding::linear(1, 16)),
        // Resolution and the two amplitudes share one register.
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
            .encoding(VELOCITY)
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
            &[Piece::fixed(1, 0), Piece::address(7), Piece::fixed(32, 0), Piece::Crc],
        )
        .reply(REPLY),
        CommandForm::word(Verb::WriteParameter, &[Piece::fixed(1, 1), Piece::address(7), Piece::data(32), Piece::Crc])
            .reply(REPLY),
        CommandForm::word(
            Verb::PeekStatus,
            &[Piece::fixed(1, 0), Piece::fixed(7, 0x01), Piece::fixed(32, 0), Piece::Crc],
        )
        .reply(STATUS_REPLY),
        CommandForm::word(
            Verb::TakeStatus,
            &[Piece::fixed(1, 0), Piece::fixed(7, 0x02), Piece::fixed(32, 0), Piece::Crc],
        )
        .reply(STATUS_REPLY),
        motion!(Verb::MoveVelocity, TargetVelocity, 1),
        motion!(Verb::MoveRelative, TargetPosition, 2),
        motion!(Verb::MoveAbsolute(Way::Shortest), TargetPosition, 3),
        motion!(Verb::MoveAbsolute(Way::Positive), TargetPosition, 4),
        motion!(Verb::MoveAbsolute(Way::Negative), TargetPosition, 5),
        CommandForm::writes(Verb::HomeOnCurrentPosition, &[Write::code(MOTION, 9)]),
        CommandForm::writes(Verb::ReturnToZero, &[Write::code(MOTION, 6)]),
        CommandForm::writes(Verb::ReturnToProbedPosition, &[Write::code(MOTION, 7)]),
        CommandForm::writes(Verb::PulseInput, &[Write::direction(COUNT_SENSE, 1, 0), Write::code(MOTION, 8)]),
        motion!(Verb::SearchForSwitch(EdgeAction::Probe), TargetVelocity, 10),
        motion!(Verb::SearchForSwitch(EdgeAction::Zero), TargetVelocity, 11),
        motion!(Verb::SearchForZero(EdgeAction::Probe), TargetVelocity, 12),
        motion!(Verb::SearchForZero(EdgeAction::Zero), TargetVelocity, 13),
        motion!(Verb::MoveRelative, TargetPosition, 14).buffered(),
        motion!(Verb::MoveAbsolute(Way::Shortest), TargetPosition, 15).buffered(),
        CommandForm::writes(Verb::RestoreDefaults, &[Write::code(SERVICE, 1)]),
        CommandForm::writes(Verb::ResetNode, &[Write::code(SERVICE, 2)]),
        CommandForm::writes(Verb::FaultReset, &[Write::code(SERVICE, 3)]),
        stop!(Profile, Driven = 1),
        stop!(Profile, Shorted = 2),
        stop!(Profile, HighImpedance = 3),
        stop!(Quick, Driven = 4),
        stop!(Quick, Shorted = 5),
        stop!(Quick, HighImpedance = 6),
        stop!(None, Driven = 7),
        stop!(None, Shorted = 8),
        stop!(None, HighImpedance = 9),
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

crate::check_map!(FixedWord);
