//! A velocity written to a register of positions.

use stepchain::map::{CommandForm, Layout, Parameter, Piece, Register, RegisterMap, Sign, Verb, Wire, Write};

struct Device;

impl RegisterMap for Device {
    const LAYOUT: Layout = Layout::new("device", Wire::latched_units(16, &[Piece::fixed(16, 0)]))
        .registers(&[Register::new(Parameter::TargetPosition, 7, 24).sign(Sign::TwosComplement)])
        .commands(&[
            CommandForm::word(Verb::WriteParameter, &[Piece::fixed(8, 0x20), Piece::address(8), Piece::DataByRegister]),
            CommandForm::writes(Verb::MoveVelocity, &[Write::argument(Parameter::TargetPosition)]),
        ]);
}

stepchain::check_map!(Device);

fn main() {}
