//! A field of 8 bits from bit 28 on ends at bit 36.

use stepchain::map::{Layout, Parameter, Piece, Register, RegisterMap, Wire};

struct Device;

impl RegisterMap for Device {
    const LAYOUT: Layout = Layout::new("device", Wire::latched_units(16, &[Piece::fixed(16, 0)]))
        .registers(&[Register::new(Parameter::StallLimit, 7, 8).at_bit(28)]);
}

stepchain::check_map!(Device);

fn main() {}
