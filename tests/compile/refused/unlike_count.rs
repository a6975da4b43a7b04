//! A chain of unlike devices with one device more than layouts.

use stepchain::map::{ChainMap, Devices, RegisterMap};
use stepchain::reference::Latched;

struct Machine;

impl ChainMap for Machine {
    const DEVICES: Devices = Devices::unlike(&[&Latched::LAYOUT, &Latched::LAYOUT]);
}

const _: () = Machine::DEVICES.assert_valid_for(3);

fn main() {}
