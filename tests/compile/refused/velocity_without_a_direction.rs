//! An unsigned velocity needs a bit for its direction.

use stepchain::map::{Coding, CommandForm, Encoding, Layout, Piece, RegisterMap, Verb, Wire};

struct Device;

impl RegisterMap for Device {
    const LAYOUT: Layout =
        Layout::new("device", Wire::latched_units(16, &[Piece::fixed(16, 0)])).commands(&[CommandForm::word(
            Verb::MoveVelocity,
            &[Piece::fixed(8, 0x51), Piece::velocity(Coding::new(24, Encoding::Raw))],
        )]);
}

stepchain::check_map!(Device);

fn main() {}
