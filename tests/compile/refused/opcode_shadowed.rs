//! Both commands begin with the same eight bits, and the rest of one is ignored.

use stepchain::map::{CommandForm, Layout, Piece, RegisterMap, StatusLayout, Verb, Wire};

struct Device;

impl RegisterMap for Device {
    const LAYOUT: Layout = Layout::new("device", Wire::latched_units(16, &[Piece::fixed(16, 0)]))
        .commands(&[
            CommandForm::word(Verb::PeekStatus, &[Piece::fixed(8, 0x31), Piece::any(8)]).reply(&[Piece::status(16)]),
            CommandForm::word(Verb::HomeOnCurrentPosition, &[Piece::fixed(16, 0x3177)]),
        ])
        .status(StatusLayout::new(16, &[]));
}

stepchain::check_map!(Device);

fn main() {}
