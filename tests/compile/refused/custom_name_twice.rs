//! Two custom registers that nobody named.

use stepchain::map::{Layout, Parameter, Piece, Register, RegisterMap, Wire};

struct Device;

impl RegisterMap for Device {
    const LAYOUT: Layout = Layout::new("device", Wire::latched_units(16, &[Piece::fixed(16, 0)]))
        .registers(&[Register::new(Parameter::Custom(1), 7, 8), Register::new(Parameter::Custom(2), 8, 8)]);
}

stepchain::check_map!(Device);

fn main() {}
