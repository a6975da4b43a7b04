//! A chain whose second device wants another clock polarity.

use stepchain::map::{ChainMap, Devices, Layout, Piece, RegisterMap, SpiMode, Wire};

struct Plain;

impl RegisterMap for Plain {
    const LAYOUT: Layout = Layout::new("plain", Wire::latched_units(16, &[Piece::fixed(16, 0)]));
}

struct Contrary;

impl RegisterMap for Contrary {
    const LAYOUT: Layout =
        Layout::new("contrary", Wire::latched_units(16, &[Piece::fixed(16, 0)]).mode(SpiMode::Mode3));
}

struct Machine;

impl ChainMap for Machine {
    const DEVICES: Devices = Devices::unlike(&[&Plain::LAYOUT, &Contrary::LAYOUT]);
}

const _: () = Machine::DEVICES.assert_valid_for(2);

fn main() {}
