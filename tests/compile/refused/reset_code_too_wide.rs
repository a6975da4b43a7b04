//! The code after power-up has nine bits, the register eight.

use stepchain::map::{Layout, Parameter, Piece, Register, RegisterMap, Wire};

struct Device;

impl RegisterMap for Device {
    const LAYOUT: Layout = Layout::new("device", Wire::latched_units(16, &[Piece::fixed(16, 0)]))
        .registers(&[Register::new(Parameter::StallLimit, 7, 8).reset(0x100)]);
}

stepchain::check_map!(Device);

fn main() {}
