//! Twenty bits in units of sixteen.

use stepchain::map::{Coding, CommandForm, Encoding, Layout, Piece, RegisterMap, Verb, Wire};

struct Device;

impl RegisterMap for Device {
    const LAYOUT: Layout =
        Layout::new("device", Wire::latched_units(16, &[Piece::fixed(16, 0)])).commands(&[CommandForm::word(
            Verb::MoveRelative,
            &[Piece::fixed(4, 0xA), Piece::distance(Coding::signed(16, Encoding::Raw))],
        )]);
}

stepchain::check_map!(Device);

fn main() {}
