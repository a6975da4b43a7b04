//! The register can be set to 2 and 4 microsteps a step, of which the counter knows nothing.

use stepchain::map::{Encoding, Layout, Parameter, Piece, PositionCounter, Register, RegisterMap, Wire};

struct Device;

impl RegisterMap for Device {
    const LAYOUT: Layout = Layout::new("device", Wire::latched_units(16, &[Piece::fixed(16, 0)]))
        .registers(&[Register::new(Parameter::MicrostepResolution, 7, 2).encoding(Encoding::power_of_two(1))])
        .position(PositionCounter::new(24, &[8, 1]));
}

stepchain::check_map!(Device);

fn main() {}
