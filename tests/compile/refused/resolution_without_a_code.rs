//! The counter knows 256 microsteps a step, the register ends at 128.

use stepchain::map::{Encoding, Layout, Parameter, Piece, PositionCounter, Register, RegisterMap, Wire};

struct Device;

impl RegisterMap for Device {
    const LAYOUT: Layout = Layout::new("device", Wire::latched_units(16, &[Piece::fixed(16, 0)]))
        .registers(&[Register::new(Parameter::MicrostepResolution, 7, 3).encoding(Encoding::power_of_two(1))])
        .position(PositionCounter::new(24, &[256, 128, 1]));
}

stepchain::check_map!(Device);

fn main() {}
