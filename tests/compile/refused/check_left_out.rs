//! Every fixed word ends in a check, but for one.

use stepchain::map::{CommandForm, Crc8, Layout, Piece, RegisterMap, Verb, Wire};

struct Device;

impl RegisterMap for Device {
    const LAYOUT: Layout =
        Layout::new("device", Wire::fixed_word(16, &[Piece::fixed(8, 0), Piece::Crc]).crc(Crc8::new(0x2F)))
            .commands(&[CommandForm::word(Verb::HomeOnCurrentPosition, &[Piece::fixed(16, 0x5A5A)])]);
}

stepchain::check_map!(Device);

fn main() {}
