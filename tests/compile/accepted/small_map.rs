//! A map in which nothing is wrong, checked alone and for a chain of three.

use stepchain::map::{
    Coding, CommandForm, Encoding, Flag, Layout, Parameter, Piece, PositionCounter, Register, RegisterMap, Sign,
    StatusBit, StatusLayout, Verb, Way, Wire,
};

struct Device;

impl RegisterMap for Device {
    const LAYOUT: Layout = Layout::new("device", Wire::latched_units(16, &[Piece::fixed(16, 0)]))
        .registers(&[
            Register::new(Parameter::ProfileVelocity, 1, 16).encoding(Encoding::linear(1, 4)).reset(4000),
            Register::new(Parameter::PositionDemandValue, 2, 24).sign(Sign::TwosComplement),
        ])
        .commands(&[
            CommandForm::word(Verb::ReadParameter, &[Piece::fixed(8, 0x10), Piece::address(8)])
                .reply(&[Piece::DataByRegister]),
            CommandForm::word(Verb::WriteParameter, &[Piece::fixed(8, 0x20), Piece::address(8), Piece::DataByRegister]),
            CommandForm::word(
                Verb::MoveAbsolute(Way::Shortest),
                &[Piece::fixed(8, 0x30), Piece::position(Coding::signed(24, Encoding::Raw))],
            ),
            CommandForm::word(Verb::TakeStatus, &[Piece::fixed(16, 0x4000)]).reply(&[Piece::status(16)]),
        ])
        .status(StatusLayout::new(16, &[StatusBit::latched(Flag::ResetOccurred, 0)]))
        .position(PositionCounter::new(24, &[16]));
}

stepchain::check_map!(Device);
const _: () = Device::LAYOUT.assert_valid_for(3);

fn main() {}
