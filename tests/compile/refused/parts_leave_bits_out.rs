//! Of a position of 24 bits, the middle byte is sent nowhere.

use stepchain::map::{Coding, CommandForm, Encoding, Layout, Piece, RegisterMap, Verb, Way, Wire};

struct Device;

impl RegisterMap for Device {
    const LAYOUT: Layout =
        Layout::new("device", Wire::latched_units(16, &[Piece::fixed(16, 0)])).commands(&[CommandForm::word(
            Verb::MoveAbsolute(Way::Shortest),
            &[
                Piece::fixed(16, 0x5100),
                Piece::position(Coding::signed(24, Encoding::Raw)).part(0, 8),
                Piece::position(Coding::signed(24, Encoding::Raw)).part(16, 8),
            ],
        )]);
}

stepchain::check_map!(Device);

fn main() {}
