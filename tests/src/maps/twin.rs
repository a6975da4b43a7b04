//! A device with two axes in 24-bit latched units, whose velocities are periods.
//!
//! ```text
//!   | opcode 7 | axis 1 | option 16 | argument 24 |      motion, one or two units
//!   | opcode 8 | address 16 | content 24           |      registers; each axis has its own
//! ```
//! To keep turning is no command but two register writes: the direction, then the period.

use stepchain::map::{
    Access, BitField, BridgeState, Clearing, Coding, CommandForm, EdgeAction, Encoding, Flag, Layout, MotionStateField,
    Parameter, Piece, PositionCounter, Register, RegisterMap, ReplyTiming, Sign, StatusBit, StatusLayout, StopRamp,
    Verb, Way, Wire, Write,
};

/// A device with two axes and velocities that are periods.
#[derive(Clone, Copy, Debug)]
pub struct Twin;

/// The code counts half microseconds between full steps: 2 000 000 / code steps per second; 0 stands still.
const PERIOD: Encoding = Encoding::reciprocal_or_zero(2_000_000, 1);
const ACCELERATION: Encoding = Encoding::mantissa_exponent(8, 1, 1);
const PLACE: Coding = Coding::signed(24, Encoding::Raw);
const DIRECTION: Parameter = Parameter::Custom(7);

macro_rules! stop {
    ($ramp:ident, $bridge:ident = $code:literal) => {
        CommandForm::word(
            Verb::Stop(StopRamp::$ramp, BridgeState::$bridge),
            &[Piece::fixed(7, 0x15), Piece::axis(1), Piece::fixed(16, $code)],
        )
    };
}
macro_rules! to_a_place {
    ($verb:expr, $code:literal, $piece:expr) => {
        CommandForm::word($verb, &[Piece::fixed(7, 0x2A), Piece::axis(1), Piece::fixed(16, $code), $piece])
    };
}

macro_rules! search_for_switch {
    ($action:ident = $code:literal) => {
        CommandForm::word(
            Verb::SearchForSwitch(EdgeAction::$action),
            &[
                Piece::fixed(7, 0x1B),
                Piece::axis(1),
                Piece::fixed(16, $code),
                Piece::direction(false),
                Piece::any(7),
                Piece::velocity(Coding::new(16, PERIOD)),
            ],
        )
    };
}
/// Creeping at a speed of its own: the direction is the last bit.
macro_rules! search_for_zero {
    ($action:ident = $code:literal) => {
        CommandForm::word(
            Verb::SearchForZero(EdgeAction::$action),
            &[Piece::fixed(7, 0x1C), Piece::axis(1), Piece::fixed(15, $code), Piece::direction(false)],
        )
    };
}
macro_rules! of_one_axis {
    ($verb:expr, $code:literal) => {
        CommandForm::word($verb, &[Piece::fixed(7, 0x35), Piece::axis(1), Piece::fixed(16, $code)])
    };
}

const fn motion_registers(axis: u8) -> [Register; 10] {
    let base = 0x100 * (axis as u16 + 1);
    [
        Register::new(Parameter::ProfileVelocity, base, 16).encoding(PERIOD).reset(4_000).axis(axis),
        Register::new(Parameter::TargetVelocity, base + 1, 16).encoding(PERIOD).axis(axis),
        Register::new(DIRECTION, base + 2, 1).named("direction").axis(axis),
        Register::new(Parameter::ProfileAcceleration, base + 3, 12)
            .encoding(ACCELERATION)
            .reset(4 << 8 | 64)
            .axis(axis),
        Register::new(Parameter::ProfileDeceleration, base + 4, 12)
            .encoding(ACCELERATION)
            .reset(4 << 8 | 64)
            .axis(axis),
        Register::new(Parameter::QuickStopDeceleration, base + 5, 12)
            .encoding(ACCELERATION)
            .reset(7 << 8 | 200)
            .axis(axis),
        Register::new(Parameter::PositionDemandValue, base + 6, 24)
            .sign(Sign::TwosComplement)
            .access(Access::AtStandstill)
            .axis(axis),
        Register::new(Parameter::MicrostepResolution, base + 7, 8)
            .encoding(Encoding::Raw)
            .up_to(32)
            .reset(16)
            .axis(axis),
        Register::new(Parameter::ProbedPosition, base + 8, 24)
            .sign(Sign::TwosComplement)
            .access(Access::ReadOnly)
            .axis(axis),
        Register::new(Parameter::PositionActualValue, base + 9, 24)
            .sign(Sign::TwosComplement)
            .access(Access::ReadOnly)
            .axis(axis),
    ]
}

const FIRST: [Register; 10] = motion_registers(0);
const SECOND: [Register; 10] = motion_registers(1);

impl RegisterMap for Twin {
    const LAYOUT: Layout = Layout::new(
        "twin",
        Wire::latched_units(24, &[Piece::fixed(24, 0xFFFFFF)])
            .reply_timing(ReplyTiming::NextFrame)
            .timing(10_000_000, 100),
    )
    .axes(2)
    .registers(&[
        FIRST[0], FIRST[1], FIRST[2], FIRST[3], FIRST[4], FIRST[5], FIRST[6], FIRST[7], FIRST[8], FIRST[9], SECOND[0],
        SECOND[1], SECOND[2], SECOND[3], SECOND[4], SECOND[5], SECOND[6], SECOND[7], SECOND[8], SECOND[9],
    ])
    .commands(&[
        CommandForm::word(Verb::ReadParameter, &[Piece::fixed(8, 0x81), Piece::address(16)])
            .reply(&[Piece::DataByRegister]),
        CommandForm::word(Verb::WriteParameter, &[Piece::fixed(8, 0x82), Piece::address(16), Piece::data(24)]),
        CommandForm::word(Verb::PeekStatus, &[Piece::fixed(24, 0x84_00_00)]).reply(&[Piece::status(24)]),
        CommandForm::word(Verb::TakeStatus, &[Piece::fixed(24, 0x84_00_01)]).reply(&[Piece::status(24)]),
        CommandForm::writes(
            Verb::MoveVelocity,
            &[Write::direction(DIRECTION, 0, 1), Write::argument(Parameter::TargetVelocity)],
        ),
        to_a_place!(Verb::MoveRelative, 0x0001, Piece::distance(PLACE)),
        to_a_place!(Verb::MoveAbsolute(Way::Shortest), 0x0002, Piece::position(PLACE)),
        to_a_place!(Verb::MoveAbsolute(Way::Positive), 0x0004, Piece::position(PLACE)),
        to_a_place!(Verb::MoveAbsolute(Way::Negative), 0x0008, Piece::position(PLACE)),
        stop!(Profile, Driven = 0x11),
        stop!(Profile, Shorted = 0x12),
        stop!(Profile, HighImpedance = 0x14),
        stop!(Quick, Driven = 0x21),
        stop!(Quick, Shorted = 0x22),
        stop!(Quick, HighImpedance = 0x24),
        stop!(None, Driven = 0x41),
        stop!(None, Shorted = 0x42),
        stop!(None, HighImpedance = 0x44),
        CommandForm::word(
            Verb::HomeOnCurrentPosition,
            &[Piece::fixed(7, 0x33), Piece::axis(1), Piece::fixed(16, 0xC0DE)],
        ),
        search_for_switch!(Probe = 0x0100),
        search_for_switch!(Zero = 0x0200),
        search_for_zero!(Probe = 0x0100),
        search_for_zero!(Zero = 0x0200),
        of_one_axis!(Verb::ReturnToZero, 0x0001),
        of_one_axis!(Verb::ReturnToProbedPosition, 0x0002),
        CommandForm::word(
            Verb::PulseInput,
            &[Piece::fixed(7, 0x36), Piece::axis(1), Piece::direction(false), Piece::fixed(15, 0x1234)],
        ),
        to_a_place!(Verb::MoveRelative, 0x0101, Piece::distance(PLACE)).buffered(),
        to_a_place!(Verb::MoveAbsolute(Way::Shortest), 0x0102, Piece::position(PLACE)).buffered(),
        CommandForm::word(Verb::RestoreDefaults, &[Piece::fixed(24, 0x0A_00_01)]),
        CommandForm::word(Verb::ResetNode, &[Piece::fixed(24, 0x0A_00_02)]),
        CommandForm::word(Verb::FaultReset, &[Piece::fixed(24, 0x0A_00_04)]),
    ])
    .status(
        StatusLayout::new(
            24,
            &[
                StatusBit::live(Flag::Busy, 0),
                StatusBit::live(Flag::Busy, 8).axis(1),
                StatusBit::live(Flag::TargetReached, 1),
                StatusBit::live(Flag::TargetReached, 9).axis(1),
                StatusBit::live(Flag::BridgeOff, 4),
                StatusBit::live(Flag::BridgeOff, 12).axis(1),
                StatusBit::live(Flag::HomeSwitch, 5),
                StatusBit::live(Flag::HomeSwitch, 13).axis(1),
                StatusBit::latched(Flag::SwitchEvent, 6),
                StatusBit::latched(Flag::SwitchEvent, 14).axis(1),
                StatusBit::latched(Flag::StallA, 7),
                StatusBit::latched(Flag::StallA, 15).axis(1),
                StatusBit::latched(Flag::Overcurrent, 18).cleared_by(Clearing::FaultReset),
                StatusBit::latched(Flag::Overcurrent, 19).axis(1).cleared_by(Clearing::FaultReset),
                StatusBit::latched(Flag::CommandRejected, 16),
                StatusBit::latched(Flag::CommandUnknown, 17),
                StatusBit::latched(Flag::ResetOccurred, 23),
            ],
        )
        .motion_states(&[
            MotionStateField::new(BitField::new(2, 2), [0, 1, 2, 3]),
            MotionStateField::new(BitField::new(10, 2), [0, 1, 2, 3]).axis(1),
        ]),
    )
    .position(PositionCounter::new(24, &[32, 16, 8, 4, 2, 1]));
}

stepchain::check_map!(Twin);
