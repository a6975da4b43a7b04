//! A long chain of unlike devices with one wire form; that all are checked does not take the compiler too long.

use stepchain::map::{ChainMap, Devices, Layout, Piece, RegisterMap, SpiMode, Wire};
use stepchain::reference::Latched;

struct Other;

impl RegisterMap for Other {
    const LAYOUT: Layout = Layout::new("other", Wire::latched_units(16, &[Piece::fixed(16, 0)]).mode(SpiMode::Mode3));
}

struct Machine;

const FULL: &Layout = &Latched::LAYOUT;
const BARE: &Layout = &Other::LAYOUT;

impl ChainMap for Machine {
    const DEVICES: Devices = Devices::unlike(&[
        FULL, BARE, FULL, FULL, FULL, FULL, FULL, FULL, FULL, FULL, FULL, FULL, FULL, FULL, FULL, FULL, FULL, FULL,
        FULL, FULL, FULL, FULL, FULL, FULL, FULL, FULL, FULL, FULL, FULL, FULL, FULL, BARE,
    ]);
}

const _: () = Machine::DEVICES.assert_valid_for(32);

fn main() {}
