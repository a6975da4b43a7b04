//! The command cannot be told from the unit that means nothing.

use stepchain::map::{CommandForm, Layout, Piece, RegisterMap, Verb, Wire};

struct Device;

impl RegisterMap for Device {
    const LAYOUT: Layout = Layout::new("device", Wire::latched_units(16, &[Piece::fixed(16, 0)]))
        .commands(&[CommandForm::word(Verb::HomeOnCurrentPosition, &[Piece::fixed(16, 0)])]);
}

stepchain::check_map!(Device);

fn main() {}
