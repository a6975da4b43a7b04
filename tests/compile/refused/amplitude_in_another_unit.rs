//! A drive of current, and an amplitude that is left a share of the supply.

use stepchain::map::{Drive, Layout, Parameter, Piece, Register, RegisterMap, Wire};

struct Device;

impl RegisterMap for Device {
    const LAYOUT: Layout = Layout::new("device", Wire::latched_units(16, &[Piece::fixed(16, 0)]))
        .registers(&[Register::new(Parameter::StandstillAmplitude, 7, 1)])
        .drive(Drive::Current);
}

stepchain::check_map!(Device);

fn main() {}
