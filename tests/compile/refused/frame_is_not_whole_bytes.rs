//! Three devices of 12 bits, none of which bears spare clocks.

use stepchain::map::{Layout, Piece, RegisterMap, Wire};

struct Device;

impl RegisterMap for Device {
    const LAYOUT: Layout = Layout::new("device", Wire::latched_units(12, &[Piece::fixed(12, 0)]).no_spare_clocks());
}

const _: () = Device::LAYOUT.assert_valid_for(3);

fn main() {}
