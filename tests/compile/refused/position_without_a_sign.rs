//! The counter has a sign, its register has none.

use stepchain::map::{Layout, Parameter, Piece, PositionCounter, Register, RegisterMap, Wire};

struct Device;

impl RegisterMap for Device {
    const LAYOUT: Layout = Layout::new("device", Wire::latched_units(16, &[Piece::fixed(16, 0)]))
        .registers(&[Register::new(Parameter::PositionDemandValue, 7, 24)])
        .position(PositionCounter::new(24, &[1]));
}

stepchain::check_map!(Device);

fn main() {}
