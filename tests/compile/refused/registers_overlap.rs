//! Bits 8 to 16 of address 7 belong to two registers.

use stepchain::map::{Layout, Parameter, Piece, Register, RegisterMap, Wire};

struct Device;

impl RegisterMap for Device {
    const LAYOUT: Layout = Layout::new("device", Wire::latched_units(16, &[Piece::fixed(16, 0)])).registers(&[
        Register::new(Parameter::StallLimit, 7, 16),
        Register::new(Parameter::OvercurrentLimit, 7, 8).at_bit(8),
    ]);
}

stepchain::check_map!(Device);

fn main() {}
