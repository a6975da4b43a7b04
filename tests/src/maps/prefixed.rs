//! 8-bit latched units, commands that begin with their own length, numbers with the low byte first.
//!
//! ```text
//!   | length 8 | opcode 8 | ... |     the length counts the bytes that follow it; a length of 0 is filler
//! ```

use stepchain::map::BitField;
use stepchain::map::{
    Access, BridgeState, Coding, CommandForm, Encoding, Flag, Layout, MotionStateField, Parameter, Piece,
    PositionCounter, Register, RegisterMap, Sign, SpiMode, StatusBit, StatusLayout, StopRamp, Verb, Way, Wire,
};

/// A device with length-prefixed commands in 8-bit latched units.
#[derive(Clone, Copy, Debug)]
pub struct Prefixed;

/// One code is 1/256 of a step per second.
const VELOCITY: Encoding = Encoding::linear(1, 256);
/// The steps that a table of slopes allows.
const SLOPES: Encoding = Encoding::Table(&[
    stepchain::map::TableEntry::new(0, 100),
    stepchain::map::TableEntry::new(1, 250),
    stepchain::map::TableEntry::new(2, 500),
    stepchain::map::TableEntry::new(3, 1_000),
    stepchain::map::TableEntry::new(5, 2_500),
    stepchain::map::TableEntry::new(6, 10_000),
]);
const PLACE: Coding = Coding::signed(28, Encoding::Raw);
const WIDE: Coding = Coding::signed(32, Encoding::Raw);
const SPEED: Coding = Coding::signed(24, VELOCITY);

macro_rules! low_byte_first {
    ($piece:expr, 24) => {
        [$piece.part(0, 8), $piece.part(8, 8), $piece.part(16, 8)]
    };
}

const DATA: [Piece; 4] =
    [Piece::data_part(0, 8), Piece::data_part(8, 8), Piece::data_part(16, 8), Piece::data_part(24, 8)];
const SPEED_BYTES: [Piece; 3] = low_byte_first!(Piece::velocity(SPEED), 24);

macro_rules! stop {
    ($ramp:ident, $bridge:ident = $code:literal) => {
        CommandForm::word(
            Verb::Stop(StopRamp::$ramp, BridgeState::$bridge),
            &[Piece::fixed(8, 2), Piece::fixed(8, 0x77), Piece::fixed(8, $code)],
        )
    };
}
macro_rules! move_absolute {
    ($way:ident = $opcode:literal) => {
        CommandForm::word(
            Verb::MoveAbsolute(Way::$way),
            &[
                Piece::fixed(8, 5),
                Piece::fixed(8, $opcode),
                Piece::position(PLACE).part(0, 8),
                Piece::position(PLACE).part(8, 8),
                Piece::position(PLACE).part(16, 8),
                Piece::any(4),
                Piece::position(PLACE).part(24, 4),
            ],
        )
    };
}

impl RegisterMap for Prefixed {
    const LAYOUT: Layout = Layout::new(
        "prefixed",
        Wire::latched_units(8, &[Piece::fixed(8, 0)])
            .mode(SpiMode::Mode2)
            .idle_reply(&[Piece::fixed(8, 0xEE)])
            .timing(4_000_000, 300)
            .no_spare_clocks(),
    )
    .registers(&[
        Register::new(Parameter::ProfileVelocity, 0x40, 24).encoding(VELOCITY).reset(128_000),
        Register::new(Parameter::StartStopVelocity, 0x41, 20).encoding(VELOCITY).reset(0),
        Register::new(Parameter::ProfileAcceleration, 0x42, 3).encoding(SLOPES).reset(3),
        Register::new(Parameter::ProfileDeceleration, 0x43, 3).encoding(SLOPES).reset(2),
        Register::new(Parameter::QuickStopDeceleration, 0x44, 3).encoding(SLOPES).reset(6),
        Register::new(Parameter::MicrostepResolution, 0x45, 4)
            .encoding(Encoding::falling_power_of_two(128))
            .up_to(7)
            .access(Access::AtStandstill),
        Register::new(Parameter::PositionDemandValue, 0x50, 28).sign(Sign::TwosComplement).access(Access::AtStandstill),
        Register::new(Parameter::VelocityDemandValue, 0x51, 24)
            .encoding(VELOCITY)
            .sign(Sign::TwosComplement)
            .access(Access::ReadOnly),
    ])
    .commands(&[
        CommandForm::word(
            Verb::WriteParameter,
            &[Piece::fixed(8, 6), Piece::fixed(8, 0x57), Piece::address(8), DATA[0], DATA[1], DATA[2], DATA[3]],
        ),
        CommandForm::word(Verb::ReadParameter, &[Piece::fixed(8, 2), Piece::fixed(8, 0x52), Piece::address(8)])
            .reply(&DATA),
        CommandForm::word(Verb::PeekStatus, &[Piece::fixed(8, 1), Piece::fixed(8, 0x3F)])
            .reply(&[Piece::Status { lsb: 0, width: 8 }, Piece::Status { lsb: 8, width: 8 }]),
        CommandForm::word(Verb::TakeStatus, &[Piece::fixed(8, 1), Piece::fixed(8, 0x21)])
            .reply(&[Piece::Status { lsb: 0, width: 8 }, Piece::Status { lsb: 8, width: 8 }]),
        CommandForm::word(
            Verb::MoveVelocity,
            &[Piece::fixed(8, 4), Piece::fixed(8, 0x76), SPEED_BYTES[0], SPEED_BYTES[1], SPEED_BYTES[2]],
        ),
        CommandForm::word(
            Verb::MoveRelative,
            &[
                Piece::fixed(8, 5),
                Piece::fixed(8, 0x72),
                Piece::distance(WIDE).part(0, 8),
                Piece::distance(WIDE).part(8, 8),
                Piece::distance(WIDE).part(16, 8),
                Piece::distance(WIDE).part(24, 8),
            ],
        ),
        move_absolute!(Shortest = 0x61),
        move_absolute!(Positive = 0x62),
        move_absolute!(Negative = 0x63),
        stop!(Profile, Driven = 0x00),
        stop!(Profile, Shorted = 0x01),
        stop!(Profile, HighImpedance = 0x02),
        stop!(Quick, Driven = 0x10),
        stop!(Quick, Shorted = 0x11),
        stop!(Quick, HighImpedance = 0x12),
        stop!(None, Driven = 0x20),
        stop!(None, Shorted = 0x21),
        stop!(None, HighImpedance = 0x22),
        CommandForm::word(Verb::HomeOnCurrentPosition, &[Piece::fixed(8, 1), Piece::fixed(8, 0x5A)]),
    ])
    .status(
        StatusLayout::new(
            16,
            &[
                StatusBit::live(Flag::Busy, 0),
                StatusBit::live(Flag::TargetReached, 1).active_low(),
                StatusBit::live(Flag::BridgeOff, 2),
                StatusBit::live(Flag::PositiveDirection, 3),
                StatusBit::latched(Flag::CommandRejected, 12),
                StatusBit::latched(Flag::CommandUnknown, 13),
                StatusBit::latched(Flag::ResetOccurred, 14),
            ],
        )
        .motion_states(&[MotionStateField::new(BitField::new(5, 3), [0, 1, 2, 4])]),
    )
    .position(PositionCounter::new(28, &[128, 64, 32, 16, 8, 4, 2, 1]));
}

stepchain::check_map!(Prefixed);
