//! A scale of one over zero.

use stepchain::map::{Encoding, Layout, Parameter, Piece, Register, RegisterMap, Wire};

struct Device;

impl RegisterMap for Device {
    const LAYOUT: Layout = Layout::new("device", Wire::latched_units(16, &[Piece::fixed(16, 0)]))
        .registers(&[Register::new(Parameter::ProfileVelocity, 7, 8).encoding(Encoding::linear(1, 0))]);
}

stepchain::check_map!(Device);

fn main() {}
