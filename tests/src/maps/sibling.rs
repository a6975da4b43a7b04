//! A device with two axes on the wire form of `reference::Latched`, and nothing else in common with it.
//!
//! ```text
//!   | opcode 7 | axis 1 | option 8 |                     stops, homing            1 unit
//!   | opcode 7 | axis 1 | option 8 | argument 32 |       motion                   3 units
//!   | opcode 8 | address 8 | content, whole units        write                    2 or 3
//!   | opcode 8 | address 8 |                             read, peek, take         1, the reply in the next frames
//!   | 0000 0000 0000 0000 |                              filler
//! ```

use stepchain::map::{
    Access, BitField, BridgeState, Coding, CommandForm, Encoding, Flag, Layout, MotionStateField, Parameter, Piece,
    PositionCounter, Register, RegisterMap, ReplyTiming, Sign, SpiMode, StatusBit, StatusLayout, StopRamp, Verb, Way,
    Wire,
};

/// A device with two axes that can share a chain with `reference::Latched`.
#[derive(Clone, Copy, Debug)]
pub struct Sibling;

/// One code is 1/256 of a step per second.
const VELOCITY: Encoding = Encoding::linear(1, 256);
/// One code is five steps per second squared.
const ACCELERATION: Encoding = Encoding::linear(5, 1);
const PLACE: Coding = Coding::signed(32, Encoding::Raw);

macro_rules! stop {
    ($ramp:ident, $bridge:ident = $code:literal) => {
        CommandForm::word(
            Verb::Stop(StopRamp::$ramp, BridgeState::$bridge),
            &[Piece::fixed(7, 0x13), Piece::axis(1), Piece::fixed(8, $code)],
        )
    };
}

const fn registers(axis: u8) -> [Register; 6] {
    let base = 0x40 + 0x10 * axis as u16;
    [
        Register::new(Parameter::ProfileVelocity, base, 24).encoding(VELOCITY).reset(200 * 256).axis(axis),
        Register::new(Parameter::ProfileAcceleration, base + 1, 14).encoding(ACCELERATION).reset(100).axis(axis),
        Register::new(Parameter::ProfileDeceleration, base + 2, 14).encoding(ACCELERATION).reset(200).axis(axis),
        Register::new(Parameter::QuickStopDeceleration, base + 3, 14)
            .encoding(ACCELERATION)
            .access(Access::AtStandstill)
            .reset(2_000)
            .axis(axis),
        Register::new(Parameter::PositionDemandValue, base + 4, 32)
            .sign(Sign::TwosComplement)
            .access(Access::AtStandstill)
            .axis(axis),
        Register::new(Parameter::MicrostepResolution, base + 5, 3)
            .encoding(Encoding::power_of_two(1))
            .up_to(4)
            .access(Access::AtStandstill)
            .reset(4)
            .axis(axis),
    ]
}

const FIRST: [Register; 6] = registers(0);
const SECOND: [Register; 6] = registers(1);

impl RegisterMap for Sibling {
    const LAYOUT: Layout = Layout::new(
        "sibling",
        Wire::latched_units(16, &[Piece::fixed(16, 0)])
            .mode(SpiMode::Mode3)
            .reply_timing(ReplyTiming::NextFrame)
            .idle_reply(&[Piece::fixed(16, 0x5151)])
            .timing(2_000_000, 300),
    )
    .axes(2)
    .registers(&[
        FIRST[0], FIRST[1], FIRST[2], FIRST[3], FIRST[4], FIRST[5], SECOND[0], SECOND[1], SECOND[2], SECOND[3],
        SECOND[4], SECOND[5],
    ])
    .commands(&[
        CommandForm::word(Verb::ReadParameter, &[Piece::fixed(8, 0xA1), Piece::address(8)])
            .reply(&[Piece::DataByRegister]),
        CommandForm::word(Verb::WriteParameter, &[Piece::fixed(8, 0xA2), Piece::address(8), Piece::DataByRegister]),
        CommandForm::word(Verb::PeekStatus, &[Piece::fixed(16, 0xA4_00)]).reply(&[Piece::status(16)]),
        CommandForm::word(Verb::TakeStatus, &[Piece::fixed(16, 0xA4_01)]).reply(&[Piece::status(16)]),
        CommandForm::word(
            Verb::MoveVelocity,
            &[
                Piece::fixed(7, 0x10),
                Piece::axis(1),
                Piece::direction(true),
                Piece::fixed(7, 0),
                Piece::velocity(Coding::new(32, VELOCITY)),
            ],
        ),
        CommandForm::word(
            Verb::MoveRelative,
            &[Piece::fixed(7, 0x11), Piece::axis(1), Piece::fixed(8, 0), Piece::distance(PLACE)],
        ),
        CommandForm::word(
            Verb::MoveAbsolute(Way::Shortest),
            &[Piece::fixed(7, 0x12), Piece::axis(1), Piece::fixed(8, 0), Piece::position(PLACE)],
        ),
        stop!(Profile, Driven = 0x11),
        stop!(Profile, HighImpedance = 0x14),
        stop!(Quick, Driven = 0x21),
        stop!(Quick, HighImpedance = 0x24),
        stop!(None, Driven = 0x41),
        stop!(None, HighImpedance = 0x44),
        CommandForm::word(Verb::HomeOnCurrentPosition, &[Piece::fixed(7, 0x14), Piece::axis(1), Piece::fixed(8, 0x33)]),
    ])
    .status(
        StatusLayout::new(
            16,
            &[
                StatusBit::live(Flag::Busy, 0),
                StatusBit::live(Flag::Busy, 1).axis(1),
                StatusBit::live(Flag::TargetReached, 2),
                StatusBit::live(Flag::TargetReached, 3).axis(1),
                StatusBit::live(Flag::BridgeOff, 4),
                StatusBit::live(Flag::BridgeOff, 5).axis(1),
                StatusBit::latched(Flag::CommandRejected, 12),
                StatusBit::latched(Flag::CommandUnknown, 13),
                StatusBit::latched(Flag::ResetOccurred, 15),
            ],
        )
        .motion_states(&[
            MotionStateField::new(BitField::new(6, 2), [0, 1, 2, 3]),
            MotionStateField::new(BitField::new(8, 2), [0, 2, 1, 3]).axis(1),
        ]),
    )
    .position(PositionCounter::new(32, &[16, 8, 4, 2, 1]));
}

stepchain::check_map!(Sibling);
