//! The status word ends at bit 7.

use stepchain::map::{Flag, Layout, Piece, RegisterMap, StatusBit, StatusLayout, Wire};

struct Device;

impl RegisterMap for Device {
    const LAYOUT: Layout = Layout::new("device", Wire::latched_units(16, &[Piece::fixed(16, 0)]))
        .status(StatusLayout::new(8, &[StatusBit::latched(Flag::ResetOccurred, 8)]));
}

stepchain::check_map!(Device);

fn main() {}
