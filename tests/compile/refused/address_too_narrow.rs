//! Address 0x123 does not fit into eight bits.

use stepchain::map::{CommandForm, Layout, Parameter, Piece, Register, RegisterMap, Verb, Wire};

struct Device;

impl RegisterMap for Device {
    const LAYOUT: Layout = Layout::new("device", Wire::latched_units(16, &[Piece::fixed(16, 0)]))
        .registers(&[Register::new(Parameter::StallLimit, 0x123, 8)])
        .commands(&[CommandForm::word(Verb::ReadParameter, &[Piece::fixed(8, 0x10), Piece::address(8)])
            .reply(&[Piece::DataByRegister])]);
}

stepchain::check_map!(Device);

fn main() {}
