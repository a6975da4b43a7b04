//! A device with 16-bit latched units: commands with arguments, replies in the same slots, no check.
//!
//! ```text
//!   first bit on the wire at the left                                          units
//!   move velocity   1 0 1 1 0 |dir| 0 0 | velocity, 24 bits                    2
//!   move relative   0 1 1 0 1 |dir| 0 0 | distance, 24 bits                    2
//!   move absolute   1 1 0 1 0 | way 3   | target position, 24 bits             2
//!   stop            0 0 1 1 1 | ramp 3  | bridge 8                             1
//!   write           1 0 0 0 1 | 0 0 0   | address 8 | content, whole units     2 or 3
//!   read            0 1 0 1 0 | 0 0 0   | address 8                            1, then the content
//!   peek, take      1 1 1 0 0 | 0 0 0/1 | 0 0 0 0 0 0 0 0                      1, then the status
//!   home            0 1 0 0 1 | 1 0 1   | 0 1 0 1 1 0 1 0                      1
//!   search, switch  1 0 0 1 1 |dir| edge 2 | velocity, 24 bits                 2
//!   search, zero    1 0 1 0 0 |dir| edge 2 | 0 0 0 0 0 0 0 0                   1, at the start-stop velocity
//!   return          0 0 1 0 1 | 0 0 to  | 0 0 0 0 0 0 0 0                      1
//!   pulse input     0 0 0 0 1 |dir| 1 0 | 0 1 1 0 0 1 1 0                      1
//!   defaults        0 0 0 1 0 | 0 1 1   | 0 0 1 1 1 1 0 0                      1
//!   reset           0 0 0 1 0 | 1 0 0   | 1 1 0 0 0 0 1 1                      1
//!   fault reset     0 0 0 1 0 | 1 1 1   | 1 0 0 1 1 0 0 1                      1
//!   filler          0 1 1 1 1   1 1 0     0 1 1 1 1 1 1 0                      1
//! ```

use crate::map::{
    Access, BitField, BridgeState, Clearing, Coding, CommandForm, CurveSegment, EdgeAction, Encoding, Flag, Layout,
    MotionStateField, Parameter, Piece, PositionCounter, Refusal, Register, RegisterMap, Sign, SpiMode, StatusBit,
    StatusLayout, StopRamp, Verb, Way, Wire,
};

/// A voltage-driven device of one axis, commanded by opcodes in 16-bit latched units. Of the project's invention.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Latched;

/// One code is a fiftieth of a step per second.
const VELOCITY: Encoding = Encoding::linear(1, 50);
/// One code is two steps per second squared.
const ACCELERATION: Encoding = Encoding::linear(2, 1);
/// One code is a 512th of the supply.
const AMPLITUDE: Encoding = Encoding::linear(1, 512);

const PLACE: Coding = Coding::signed(24, Encoding::Raw);

macro_rules! stop {
    ($ramp:ident = $ramp_code:literal, $bridge:ident = $bridge_code:literal) => {
        CommandForm::word(
            Verb::Stop(StopRamp::$ramp, BridgeState::$bridge),
            &[Piece::fixed(5, 0b00111), Piece::fixed(3, $ramp_code), Piece::fixed(8, $bridge_code)],
        )
    };
}

macro_rules! search {
    ($verb:ident($action:ident) = $opcode:literal, $edge:literal, $rest:expr) => {
        CommandForm::word(
            Verb::$verb(EdgeAction::$action),
            &[Piece::fixed(5, $opcode), Piece::direction(true), Piece::fixed(2, $edge), $rest],
        )
    };
}

macro_rules! plain {
    ($verb:expr => $opcode:literal, $option:literal, $rest:literal) => {
        CommandForm::word($verb, &[Piece::fixed(5, $opcode), Piece::fixed(3, $option), Piece::fixed(8, $rest)])
    };
}

macro_rules! move_absolute {
    ($way:ident = $code:literal) => {
        CommandForm::word(
            Verb::MoveAbsolute(Way::$way),
            &[Piece::fixed(5, 0b11010), Piece::fixed(3, $code), Piece::position(PLACE)],
        )
        .refused(Refusal::NEVER.while_moving())
    };
}

impl RegisterMap for Latched {
    const LAYOUT: Layout = Layout::new(
        "latched",
        Wire::latched_units(16, &[Piece::fixed(16, 0x7E7E)]).mode(SpiMode::Mode3).timing(5_000_000, 800),
    )
    .registers(&[
        Register::new(Parameter::PositionDemandValue, 0x02, 24).sign(Sign::TwosComplement).access(Access::AtStandstill),
        Register::new(Parameter::VelocityDemandValue, 0x03, 25)
            .encoding(VELOCITY)
            .sign(Sign::SignMagnitude)
            .access(Access::ReadOnly),
        Register::new(Parameter::TargetPosition, 0x04, 24).sign(Sign::TwosComplement).access(Access::ReadOnly),
        Register::new(Parameter::ProbedPosition, 0x05, 24).sign(Sign::TwosComplement).access(Access::ReadOnly),
        // Within the cycle of four full steps, at the finest resolution.
        Register::new(Parameter::ElectricalAngle, 0x06, 8).access(Access::ReadOnly),
        Register::new(Parameter::ProfileVelocity, 0x10, 24).encoding(VELOCITY).reset(25_000),
        Register::new(Parameter::ProfileAcceleration, 0x11, 16)
            .encoding(ACCELERATION)
            .access(Access::AtStandstill)
            .reset(500),
        Register::new(Parameter::ProfileDeceleration, 0x12, 16)
            .encoding(ACCELERATION)
            .access(Access::AtStandstill)
            .reset(500),
        Register::new(Parameter::QuickStopDeceleration, 0x13, 16)
            .encoding(ACCELERATION)
            .access(Access::AtStandstill)
            .reset(4_000),
        Register::new(Parameter::StartStopVelocity, 0x14, 12)
            .encoding(Encoding::linear(1, 4))
            .access(Access::AtStandstill),
        Register::new(Parameter::MicrostepResolution, 0x15, 3)
            .encoding(Encoding::power_of_two(1))
            .up_to(6)
            .access(Access::AtStandstill)
            .reset(6),
        Register::new(Parameter::FullStepThreshold, 0x16, 16).encoding(Encoding::linear(1, 4)).reset(0xFFFF),
        Register::new(Parameter::StandstillAmplitude, 0x20, 9).encoding(AMPLITUDE).reset(64),
        Register::new(Parameter::ConstantVelocityAmplitude, 0x21, 9).encoding(AMPLITUDE).reset(128),
        // Two fields in one register: to write one of them the driver reads the other first.
        Register::new(Parameter::AcceleratingAmplitude, 0x22, 9).encoding(AMPLITUDE).reset(160),
        Register::new(Parameter::DeceleratingAmplitude, 0x22, 9).at_bit(9).encoding(AMPLITUDE).reset(160),
        Register::new(Parameter::BackEmfSlope(CurveSegment::new(0)), 0x28, 10).encoding(Encoding::linear(1, 1 << 18)),
        Register::new(Parameter::BackEmfFrom(CurveSegment::new(1)), 0x29, 16).encoding(Encoding::linear(1, 8)),
        Register::new(Parameter::BackEmfSlope(CurveSegment::new(1)), 0x2A, 10).encoding(Encoding::linear(1, 1 << 18)),
        Register::new(Parameter::OvercurrentLimit, 0x30, 6).encoding(Encoding::linear(1, 8)).reset(40),
        Register::new(Parameter::StallLimit, 0x31, 6).encoding(Encoding::linear(1, 8)).reset(30),
        Register::new(Parameter::SupplyCompensation, 0x32, 8).encoding(Encoding::linear(1, 128)).reset(128),
        // Takes hold of the bridges' timing: only while they drive nothing.
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
                Piece::fixed(2, 0),
                Piece::velocity(Coding::new(24, VELOCITY)),
            ],
        ),
        CommandForm::word(
            Verb::MoveRelative,
            &[
                Piece::fixed(5, 0b01101),
                Piece::direction(false),
                Piece::fixed(2, 0),
                Piece::distance(Coding::new(24, Encoding::Raw)),
            ],
        )
        .refused(Refusal::NEVER.while_moving()),
        move_absolute!(Shortest = 0b000),
        move_absolute!(Positive = 0b011),
        move_absolute!(Negative = 0b101),
        stop!(Profile = 0b001, Driven = 0x18),
        stop!(Profile = 0b001, Shorted = 0x24),
        stop!(Profile = 0b001, HighImpedance = 0x42),
        stop!(Quick = 0b010, Driven = 0x18),
        stop!(Quick = 0b010, Shorted = 0x24),
        stop!(Quick = 0b010, HighImpedance = 0x42),
        stop!(None = 0b100, Driven = 0x18),
        stop!(None = 0b100, Shorted = 0x24),
        stop!(None = 0b100, HighImpedance = 0x42),
        CommandForm::word(Verb::ReadParameter, &[Piece::fixed(5, 0b01010), Piece::fixed(3, 0), Piece::address(8)])
            .reply(&[Piece::DataByRegister]),
        CommandForm::word(
            Verb::WriteParameter,
            &[Piece::fixed(5, 0b10001), Piece::fixed(3, 0), Piece::address(8), Piece::DataByRegister],
        ),
        CommandForm::word(Verb::PeekStatus, &[Piece::fixed(5, 0b11100), Piece::fixed(3, 0), Piece::fixed(8, 0)])
            .reply(&[Piece::status(16)]),
        CommandForm::word(Verb::TakeStatus, &[Piece::fixed(5, 0b11100), Piece::fixed(3, 1), Piece::fixed(8, 0)])
            .reply(&[Piece::status(16)]),
        CommandForm::word(
            Verb::HomeOnCurrentPosition,
            &[Piece::fixed(5, 0b01001), Piece::fixed(3, 0b101), Piece::fixed(8, 0x5A)],
        )
        .refused(Refusal::NEVER.while_moving()),
        search!(SearchForSwitch(Probe) = 0b10011, 0b01, Piece::velocity(Coding::new(24, VELOCITY))),
        search!(SearchForSwitch(Zero) = 0b10011, 0b10, Piece::velocity(Coding::new(24, VELOCITY))),
        search!(SearchForZero(Probe) = 0b10100, 0b01, Piece::fixed(8, 0)),
        search!(SearchForZero(Zero) = 0b10100, 0b10, Piece::fixed(8, 0)),
        plain!(Verb::ReturnToZero => 0b00101, 0b000, 0x00).refused(Refusal::NEVER.while_moving()),
        plain!(Verb::ReturnToProbedPosition => 0b00101, 0b001, 0x00).refused(Refusal::NEVER.while_moving()),
        CommandForm::word(
            Verb::PulseInput,
            &[Piece::fixed(5, 0b00001), Piece::direction(true), Piece::fixed(2, 0b10), Piece::fixed(8, 0x66)],
        )
        .refused(Refusal::NEVER.while_moving()),
        plain!(Verb::RestoreDefaults => 0b00010, 0b011, 0x3C).refused(Refusal::NEVER.while_moving()),
        plain!(Verb::ResetNode => 0b00010, 0b100, 0xC3),
        plain!(Verb::FaultReset => 0b00010, 0b111, 0x99),
        // Two moves may wait for the one that is under way.
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
            &[Piece::fixed(5, 0b11010), Piece::fixed(3, 0b110), Piece::position(PLACE)],
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
        .motion_states(&[MotionStateField::new(BitField::new(2, 2), [0b00, 0b01, 0b11, 0b10])]),
    )
    .position(PositionCounter::new(24, &[64, 32, 16, 8, 4, 2, 1]));
}

crate::check_map!(Latched);
