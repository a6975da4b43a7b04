//! 28-bit fixed words, least significant bit first: frames that are not whole bytes, and a counter of 20 bits.
//!
//! ```text
//!   drawn with the most significant bit at the left; on the wire the right end leaves first
//!   request   | opcode 4 | 24 bits of argument, or address 4 and content 20 |
//!   reply     | status 8 | content 20                                       |
//! ```

use stepchain::map::{
    Access, BitOrder, BridgeState, Coding, CommandForm, EdgeAction, Encoding, Flag, Layout, Parameter, Piece,
    PositionCounter, Refusal, Register, RegisterMap, Sign, SpiMode, StatusBit, StatusLayout, StopRamp, Verb, Way, Wire,
};

/// A device with 28-bit fixed words sent LSB first.
#[derive(Clone, Copy, Debug)]
pub struct Mirrored;

/// One code is an eighth of a step per second.
const VELOCITY: Encoding = Encoding::linear(1, 8);
const ACCELERATION: Encoding = Encoding::linear(5, 1);
const REPLY: &[Piece] = &[Piece::Status { lsb: 0, width: 8 }, Piece::data(20)];

macro_rules! word {
    ($verb:expr, $opcode:literal, $($piece:expr),+) => {
        CommandForm::word($verb, &[Piece::fixed(4, $opcode), $($piece),+]).reply(REPLY_STATUS)
    };
}
macro_rules! stop {
    ($ramp:ident = $ramp_code:literal, $bridge:ident = $bridge_code:literal) => {
        word!(
            Verb::Stop(StopRamp::$ramp, BridgeState::$bridge),
            0x7,
            Piece::fixed(2, $ramp_code),
            Piece::fixed(2, $bridge_code),
            Piece::any(20)
        )
    };
}
macro_rules! move_absolute {
    ($way:ident = $code:literal) => {
        word!(
            Verb::MoveAbsolute(Way::$way),
            0x6,
            Piece::fixed(4, $code),
            Piece::position(Coding::signed(20, Encoding::Raw))
        )
        .refused(Refusal::NEVER.while_moving())
    };
}
macro_rules! search {
    ($verb:ident($action:ident), $opcode:literal, $code:literal) => {
        word!(
            Verb::$verb(EdgeAction::$action),
            $opcode,
            Piece::fixed(4, $code),
            Piece::velocity(Coding::signed(20, VELOCITY).sign(Sign::SignMagnitude))
        )
    };
}
const REPLY_STATUS: &[Piece] = &[Piece::Status { lsb: 0, width: 8 }, Piece::any(20)];

impl RegisterMap for Mirrored {
    const LAYOUT: Layout = Layout::new(
        "mirrored",
        Wire::fixed_word(28, &[Piece::fixed(4, 0xF), Piece::fixed(24, 0x5A5A5A)])
            .bit_order(BitOrder::LsbFirst)
            .mode(SpiMode::Mode1)
            .idle_reply(REPLY_STATUS)
            .timing(2_000_000, 2_000),
    )
    .registers(&[
        Register::new(Parameter::ProfileVelocity, 1, 20).encoding(VELOCITY).reset(4_000),
        Register::new(Parameter::ProfileAcceleration, 2, 12).encoding(ACCELERATION).reset(200),
        Register::new(Parameter::QuickStopDeceleration, 3, 12).encoding(ACCELERATION).reset(2_000),
        Register::new(Parameter::MicrostepResolution, 4, 2).encoding(Encoding::power_of_two(1)).reset(3),
        Register::new(Parameter::PositionDemandValue, 5, 20).sign(Sign::TwosComplement).access(Access::AtStandstill),
        Register::new(Parameter::ProbedPosition, 7, 20).sign(Sign::TwosComplement).access(Access::ReadOnly),
        Register::new(Parameter::VelocityDemandValue, 6, 20)
            .encoding(VELOCITY)
            .sign(Sign::TwosComplement)
            .access(Access::ReadOnly),
    ])
    .commands(&[
        CommandForm::word(Verb::WriteParameter, &[Piece::fixed(4, 0x1), Piece::address(4), Piece::data(20)])
            .reply(REPLY),
        CommandForm::word(Verb::ReadParameter, &[Piece::fixed(4, 0x2), Piece::address(4), Piece::any(20)]).reply(REPLY),
        word!(Verb::PeekStatus, 0x3, Piece::fixed(24, 0)),
        word!(Verb::TakeStatus, 0x3, Piece::fixed(24, 1)),
        word!(Verb::MoveVelocity, 0x4, Piece::velocity(Coding::signed(24, VELOCITY).sign(Sign::SignMagnitude))),
        word!(Verb::MoveRelative, 0x5, Piece::distance(Coding::signed(24, Encoding::Raw)))
            .refused(Refusal::NEVER.while_moving()),
        move_absolute!(Shortest = 1),
        move_absolute!(Positive = 2),
        move_absolute!(Negative = 4),
        stop!(Profile = 0, Driven = 0),
        stop!(Profile = 0, Shorted = 1),
        stop!(Profile = 0, HighImpedance = 2),
        stop!(Quick = 1, Driven = 0),
        stop!(Quick = 1, Shorted = 1),
        stop!(Quick = 1, HighImpedance = 2),
        stop!(None = 2, Driven = 0),
        stop!(None = 2, Shorted = 1),
        stop!(None = 2, HighImpedance = 2),
        word!(Verb::HomeOnCurrentPosition, 0x8, Piece::fixed(24, 0xAAAAAA)),
        search!(SearchForSwitch(Probe), 0x9, 0x1),
        search!(SearchForSwitch(Zero), 0x9, 0x2),
        search!(SearchForZero(Probe), 0xA, 0x1),
        search!(SearchForZero(Zero), 0xA, 0x2),
        word!(Verb::ReturnToZero, 0xB, Piece::fixed(24, 0)).refused(Refusal::NEVER.while_moving()),
        word!(Verb::ReturnToProbedPosition, 0xB, Piece::fixed(24, 1)).refused(Refusal::NEVER.while_moving()),
        word!(Verb::RestoreDefaults, 0xC, Piece::fixed(24, 0x3C3C3C)).refused(Refusal::NEVER.while_moving()),
        word!(Verb::ResetNode, 0xC, Piece::fixed(24, 0xC3C3C3)),
        word!(Verb::PulseInput, 0xD, Piece::direction(true), Piece::any(23)),
        word!(Verb::MoveRelative, 0xE, Piece::distance(Coding::signed(24, Encoding::Raw))).buffered(),
    ])
    .status(StatusLayout::new(
        8,
        &[
            StatusBit::live(Flag::Busy, 7),
            StatusBit::live(Flag::TargetReached, 6),
            StatusBit::live(Flag::BridgeOff, 5).active_low(),
            StatusBit::latched(Flag::SwitchEvent, 4),
            StatusBit::live(Flag::HomeSwitch, 3),
            StatusBit::latched(Flag::ResetOccurred, 1),
            StatusBit::latched(Flag::CommandRejected, 2),
            StatusBit::latched(Flag::CommandUnknown, 0),
        ],
    ))
    .position(PositionCounter::new(20, &[8, 4, 2, 1]));
}

stepchain::check_map!(Mirrored);
