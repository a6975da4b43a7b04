//! A chain whose third device has units of another width.

use stepchain::map::{ChainMap, Devices, RegisterMap};
use stepchain::reference::{FixedWord, Latched};

struct Machine;

impl ChainMap for Machine {
    const DEVICES: Devices = Devices::unlike(&[&Latched::LAYOUT, &Latched::LAYOUT, &FixedWord::LAYOUT]);
}

const _: () = Machine::DEVICES.assert_valid_for(3);

fn main() {}
