//! Taking the status clears a flag that the reply leaves out.

use stepchain::map::{CommandForm, Flag, Layout, Piece, RegisterMap, StatusBit, StatusLayout, Verb, Wire};

struct Device;

impl RegisterMap for Device {
    const LAYOUT: Layout = Layout::new("device", Wire::latched_units(16, &[Piece::fixed(16, 0)]))
        .commands(&[
            CommandForm::word(Verb::TakeStatus, &[Piece::fixed(16, 0x31)]).reply(&[Piece::any(8), Piece::status(8)])
        ])
        .status(StatusLayout::new(16, &[StatusBit::latched(Flag::ResetOccurred, 15)]));
}

stepchain::check_map!(Device);

fn main() {}
