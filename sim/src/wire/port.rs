//! Joins the controller's end of the bus to the devices' end: the three events, in whatever mode the controller is set.
//!
//! ```text
//!   event -> Port -> same mode at both ends: ShiftRegisters, by whole clocks
//!                 -> another mode:           EdgeRegisters, edge by edge, until chip select rises
//! ```
//!
//! Both ways give the same where the modes agree; a property test says so. Knows no time and no word.

use stepchain::map::{BitOrder, SpiMode, Wire};

use super::edges::{Driver, EdgeRegisters, Lines, shows_first_bit_at_once};
use super::{BusEvent, Latched, ShiftRegisters, bits_of, bytes_of};

/// A chain's shift registers behind a controller whose mode and bit order need not be theirs.
///
/// ```
/// use stepchain::map::{Piece, SpiMode, Wire};
/// use stepchain_sim::wire::{BusEvent, Port, bits_of, bytes_of};
///
/// const WIRE: Wire = Wire::latched_units(8, &[Piece::fixed(8, 0)]);
/// let mut port = Port::new(&WIRE, 1);
/// port.load_device(0, 0b1000_0011);
/// port.set_mode(SpiMode::Mode2);
/// let mut miso = Vec::new();
/// port.take(BusEvent::Select, &mut miso);
/// port.take(BusEvent::Bits(&bits_of(&[0x5A])), &mut miso);
/// let latched = port.take(BusEvent::Deselect, &mut miso).unwrap();
/// assert_eq!(bytes_of(&miso), [0b1100_0001], "the controller looks a clock too early");
/// assert_eq!(latched.units, [0x5A]);
/// ```
#[derive(Clone, Debug)]
pub struct Port {
    registers: ShiftRegisters,
    /// The mode of the devices.
    mode: SpiMode,
    driver: Driver,
    order: BitOrder,
    /// While chip select is low and whole clocks do not tell everything.
    edges: Option<EdgeRegisters>,
    open_line: bool,
    unheard: u64,
}

impl Port {
    /// The registers of this many devices with this wire, all zeros, not selected; the controller is set to the wire's
    /// mode and sends bytes most significant bit first, as the driver expects of it for either bit order of the map.
    #[must_use]
    pub fn new(wire: &Wire, devices: usize) -> Self {
        Self {
            registers: ShiftRegisters::new(wire, devices),
            mode: wire.mode,
            driver: Driver::new(wire.mode),
            order: BitOrder::MsbFirst,
            edges: None,
            open_line: true,
            unheard: 0,
        }
    }

    /// Sets the controller to a mode. While chip select is low, a clock that comes to rest elsewhere is an edge.
    pub fn set_mode(&mut self, mode: SpiMode) {
        if mode == self.driver.mode() {
            return;
        }
        if !self.is_selected() {
            self.driver.mode = mode;
            return;
        }
        let mut edges = match self.edges.take() {
            Some(edges) => edges,
            None => self.by_edges(),
        };
        self.driver.set_mode(mode, &mut edges);
        self.edges = Some(edges);
    }

    /// Sets which bit of a byte the controller sends, and takes, first.
    pub fn set_bit_order(&mut self, order: BitOrder) {
        self.order = order;
    }

    /// Sets the level that the controller reads while no device drives MISO; high at first, as by a pull-up.
    pub fn set_open_line(&mut self, high: bool) {
        self.open_line = high;
    }

    /// Clocks that came while chip select was high.
    #[must_use]
    pub const fn unheard(&self) -> u64 {
        self.unheard
    }

    /// The mode that the controller is set to.
    #[must_use]
    pub const fn controller_mode(&self) -> SpiMode {
        self.driver.mode()
    }

    /// The lines between two clocks, as the controller leaves them.
    #[must_use]
    pub fn controller_lines(&self) -> Lines {
        self.driver.at_rest(self.is_selected())
    }

    /// The level that the farthest device drives between two clocks; `None` while chip select is high.
    #[must_use]
    pub fn miso(&self) -> Option<bool> {
        match &self.edges {
            _ if !self.registers.selected => None,
            Some(edges) => edges.miso(),
            None => Some(self.registers.standing(shows_first_bit_at_once(self.mode))),
        }
    }

    /// Whether chip select is low.
    #[must_use]
    pub const fn is_selected(&self) -> bool {
        self.registers.selected
    }

    /// Bits that all devices together hold: the clocks that a frame needs.
    #[must_use]
    pub fn frame_bits(&self) -> u64 {
        self.registers.frame_bits()
    }

    /// Puts into one device the unit that it shifts out next; a device that is not there takes nothing.
    pub fn load_device(&mut self, device: usize, unit: u64) {
        if let Some(edges) = &mut self.edges {
            self.registers.bits = edges.bits().into();
        }
        self.registers.load_device(device, unit);
        if let Some(edges) = &mut self.edges {
            edges.load_device(device, self.registers.bits_in(device));
        }
    }

    /// The bits that the controller makes of bytes.
    #[must_use]
    pub fn bits_of(&self, bytes: &[u8]) -> Vec<bool> {
        match self.order {
            BitOrder::MsbFirst => bits_of(bytes),
            BitOrder::LsbFirst => bits_of(&bytes.iter().map(|byte| byte.reverse_bits()).collect::<Vec<_>>()),
        }
    }

    /// The bytes that the controller makes of bits.
    #[must_use]
    pub fn bytes_of(&self, bits: &[bool]) -> Vec<u8> {
        let mut bytes = bytes_of(bits);
        if self.order == BitOrder::LsbFirst {
            bytes.iter_mut().for_each(|byte| *byte = byte.reverse_bits());
        }
        bytes
    }

    /// Takes an event in and appends what the controller reads to `miso`; a release gives what is latched.
    ///
    /// A selection while chip select is low already, and a release while it is high, are no edges and change nothing.
    /// Bits without selection move nothing, and an open line is read.
    pub fn take(&mut self, event: BusEvent<'_>, miso: &mut Vec<bool>) -> Option<Latched> {
        match event {
            BusEvent::Select if self.is_selected() => None,
            BusEvent::Select => {
                self.registers.take(event, miso);
                self.edges = (self.driver.mode() != self.mode).then(|| self.by_edges());
                None
            }
            BusEvent::Bits(bits) => {
                self.bits(bits, miso);
                None
            }
            BusEvent::Deselect => {
                if let Some(edges) = self.edges.take() {
                    self.registers.bits = edges.bits().into();
                    self.registers.clocks = edges.clocks();
                }
                self.registers.take(event, miso)
            }
        }
    }

    /// One clock of the controller; gives what it reads.
    pub fn clock(&mut self, bit: bool) -> bool {
        let mut miso = Vec::new();
        self.bits(&[bit], &mut miso);
        miso.first().copied().unwrap_or(self.open_line)
    }

    /// One clock of the controller that gets lost on the way: MOSI takes the bit's level and no device moves. Gives what
    /// the controller reads: the level at which MISO was left.
    pub fn lose_clock(&mut self, bit: bool) -> bool {
        self.driver.mosi = bit;
        if let Some(edges) = &mut self.edges {
            edges.set(Lines { mosi: bit, ..edges.lines() });
        }
        self.miso().unwrap_or(self.open_line)
    }

    /// Puts another bit in the place of the one that a device, not the first one, has taken in with the last clock; gives
    /// what was there. A device that is not there has taken nothing.
    pub fn replace_arrival(&mut self, device: usize, bit: bool) -> Option<bool> {
        match &mut self.edges {
            Some(edges) => edges.replace_arrival(device, bit),
            None => self.registers.replace_arrival(device, bit),
        }
    }

    fn bits(&mut self, bits: &[bool], miso: &mut Vec<bool>) {
        if !self.is_selected() {
            self.unheard += bits.len() as u64;
            miso.extend(bits.iter().map(|_| self.open_line));
        } else if let Some(edges) = &mut self.edges {
            miso.extend(bits.iter().map(|&bit| self.driver.clock(bit, edges)));
        } else {
            self.registers.take(BusEvent::Bits(bits), miso);
        }
        self.driver.mosi = bits.last().copied().unwrap_or(self.driver.mosi);
    }

    /// The selection that is under way, as edges see it from here on.
    fn by_edges(&self) -> EdgeRegisters {
        let registers = &self.registers;
        let held = (0..registers.devices).map(|device| registers.bits_in(device).into());
        let mut edges = EdgeRegisters::new(self.mode, held);
        // What has left a device last is what its neighbour has taken last.
        let behind = (1..registers.devices).filter_map(|device| registers.bits_in(device).back().copied());
        let left_last: Vec<bool> = behind.chain([registers.left_last]).collect();
        edges.resume(self.driver.at_rest(false), registers.clocks, &left_last);
        edges
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use stepchain::map::Piece;

    use super::*;

    const FILLER: &[Piece] = &[Piece::fixed(8, 0)];
    const MODES: [SpiMode; 4] = [SpiMode::Mode0, SpiMode::Mode1, SpiMode::Mode2, SpiMode::Mode3];

    #[test]
    fn a_second_selection_is_none_and_the_clocks_go_on() {
        let mut port = Port::new(&Wire::latched_units(8, FILLER), 1);
        let mut miso = Vec::new();
        port.take(BusEvent::Deselect, &mut miso);
        port.take(BusEvent::Select, &mut miso);
        port.take(BusEvent::Bits(&[true; 5]), &mut miso);
        port.take(BusEvent::Select, &mut miso);
        port.take(BusEvent::Bits(&[false; 3]), &mut miso);
        let latched = port.take(BusEvent::Deselect, &mut miso);
        assert_eq!(latched, Some(Latched { units: vec![0b1111_1000], clocks: 8 }));
    }

    #[test]
    fn an_open_line_is_read_as_it_was_set() {
        let mut port = Port::new(&Wire::latched_units(8, FILLER), 1);
        let mut miso = Vec::new();
        port.take(BusEvent::Bits(&[false; 2]), &mut miso);
        port.set_open_line(false);
        port.take(BusEvent::Bits(&[true; 3]), &mut miso);
        assert_eq!((miso, port.unheard()), (vec![true, true, false, false, false], 5));
    }

    #[test]
    fn a_controller_that_sends_the_other_bit_first_turns_bytes_round_both_ways() {
        let mut port = Port::new(&Wire::latched_units(8, FILLER), 1);
        port.set_bit_order(BitOrder::LsbFirst);
        assert_eq!(port.bits_of(&[0x01, 0x80]), bits_of(&[0x80, 0x01]));
        assert_eq!(port.bytes_of(&bits_of(&[0x35])), [0xAC]);
    }

    #[test]
    fn a_unit_loaded_while_selected_in_a_wrong_mode_is_shifted_out() {
        let mut port = Port::new(&Wire::latched_units(4, FILLER), 2);
        port.set_mode(SpiMode::Mode3);
        let mut miso = Vec::new();
        port.take(BusEvent::Select, &mut miso);
        port.take(BusEvent::Bits(&[true; 2]), &mut miso);
        port.load_device(1, 0b1001);
        miso.clear();
        port.take(BusEvent::Bits(&[false; 4]), &mut miso);
        // Two ones have come into device 0, and two of its zeros had gone over before device 1 was loaded anew.
        assert_eq!(port.take(BusEvent::Deselect, &mut Vec::new()).map(|latched| latched.units), Some(vec![0, 0b0011]));
        assert_eq!(miso, [true, false, false, true]);
    }

    proptest! {
        /// The way by edges, forced on a controller in the right mode, against the way by whole clocks.
        #[test]
        fn edges_and_whole_clocks_agree_where_the_modes_do(
            mode in 0usize..4, unit_bits in 1u8..=64, devices in 1usize..5,
            loaded in prop::array::uniform4(any::<u64>()),
            cuts in prop::collection::vec(prop::collection::vec(any::<bool>(), 0..80), 0..5), from in 0usize..5,
            lost in any::<bool>(), arrival in any::<bool>(),
        ) {
            let wire = Wire::latched_units(unit_bits, FILLER).mode(MODES[mode]);
            let mut whole = Port::new(&wire, devices);
            (0..devices).for_each(|device| whole.load_device(device, loaded[device]));
            let mut edges = whole.clone();
            let (mut by_clocks, mut by_edges) = (Vec::new(), Vec::new());
            whole.take(BusEvent::Select, &mut by_clocks);
            edges.take(BusEvent::Select, &mut by_edges);
            for (number, bits) in cuts.iter().enumerate() {
                if number == from {
                    edges.edges = Some(edges.by_edges());
                }
                whole.take(BusEvent::Bits(bits), &mut by_clocks);
                edges.take(BusEvent::Bits(bits), &mut by_edges);
                prop_assert_eq!(whole.lose_clock(lost), edges.lose_clock(lost));
                // A bit that has come into a register of one bit is shown already.
                let device = number % devices;
                if device > 0 && unit_bits > 1 {
                    prop_assert_eq!(whole.replace_arrival(device, arrival), edges.replace_arrival(device, arrival));
                }
            }
            prop_assert_eq!(whole.replace_arrival(devices, arrival), edges.replace_arrival(devices, arrival));
            let (latched, latched_by_edges) =
                (whole.take(BusEvent::Deselect, &mut by_clocks), edges.take(BusEvent::Deselect, &mut by_edges));
            prop_assert_eq!(latched, latched_by_edges);
            prop_assert_eq!(by_clocks, by_edges);
        }
    }

    /// By hand: eight clocks in mode 0, then mode 1 by mistake. No edge comes of it; the ninth clock is heard as the
    /// eighth bit again, the tenth as the ninth bit.
    #[test]
    fn a_phase_that_changes_while_selected_takes_up_where_whole_clocks_left() {
        let mut port = Port::new(&Wire::latched_units(8, FILLER), 1);
        port.load_device(0, 0x0F);
        let mut miso = Vec::new();
        port.take(BusEvent::Select, &mut miso);
        port.take(BusEvent::Bits(&bits_of(&[0b0000_0001])), &mut miso);
        port.set_mode(SpiMode::Mode1);
        port.take(BusEvent::Bits(&[false, true]), &mut miso);
        let latched = port.take(BusEvent::Deselect, &mut miso);
        assert_eq!(latched, Some(Latched { units: vec![0b0000_0110], clocks: 10 }));
        assert_eq!(bytes_of(&miso), [0x0F, 0b0000_0000]);
        // Chip select is high: the next selection is in the wrong mode from its beginning.
        port.load_device(0, 0);
        port.take(BusEvent::Select, &mut miso);
        port.take(BusEvent::Bits(&[false; 8]), &mut miso);
        let latched = port.take(BusEvent::Deselect, &mut miso);
        assert_eq!(latched.map(|latched| latched.units), Some(vec![0x80]), "MOSI was left high");
    }

    /// By hand: the first bit shows before its clock in mode 0; in mode 3 the line is low until then, and keeps the bit.
    #[test]
    fn a_lost_clock_reads_what_the_line_was_left_at_and_moves_nothing() {
        let read = |mode, controller| {
            let mut port = Port::new(&Wire::latched_units(4, FILLER).mode(mode), 1);
            port.load_device(0, 0b1011);
            port.set_mode(controller);
            let mut miso = Vec::new();
            // A selection before it leaves nothing behind.
            port.take(BusEvent::Select, &mut miso);
            port.clock(false);
            port.take(BusEvent::Deselect, &mut miso);
            port.load_device(0, 0b1011);
            let outside = port.lose_clock(false);
            port.take(BusEvent::Select, &mut miso);
            let before = [port.lose_clock(true), port.clock(true), port.lose_clock(true)];
            let after = [port.clock(false), port.lose_clock(true)];
            let latched = port.take(BusEvent::Deselect, &mut miso);
            assert!(outside, "an open line");
            // The lost clock was the last one: where MOSI is heard late, its level is heard first.
            port.load_device(0, 0);
            port.take(BusEvent::Select, &mut miso);
            port.clock(false);
            let next = port.take(BusEvent::Deselect, &mut miso).map(|latched| latched.units[0]);
            assert_eq!(next, Some(u64::from(controller == SpiMode::Mode1)), "{controller:?}");
            ([before.as_slice(), &after].concat(), latched.map(|latched| (latched.units[0], latched.clocks)))
        };
        let came = |bits: [u8; 5], unit| (bits.map(|bit| bit == 1).to_vec(), Some((unit, 2)));
        assert_eq!(read(SpiMode::Mode0, SpiMode::Mode0), came([1, 1, 0, 0, 1], 0b1110));
        assert_eq!(read(SpiMode::Mode3, SpiMode::Mode3), came([0, 1, 1, 0, 0], 0b1110));
        assert_eq!(read(SpiMode::Mode3, SpiMode::Mode0), came([0, 0, 0, 0, 1], 0b1110), "first bit lost");
        assert_eq!(
            read(SpiMode::Mode0, SpiMode::Mode1),
            came([1, 1, 0, 0, 1], 0b1111),
            "MOSI as the lost clock left it"
        );
    }

    /// In mode 1 the output keeps the bit that has left last until the next first edge: one that looks then sees it again.
    #[test]
    fn devices_of_the_other_phase_still_drive_the_bit_that_left_last() {
        let mut port = Port::new(&Wire::latched_units(4, FILLER).mode(SpiMode::Mode1), 2);
        port.load_device(0, 0b0000);
        port.load_device(1, 0b1010);
        let mut miso = Vec::new();
        port.take(BusEvent::Select, &mut miso);
        port.take(BusEvent::Bits(&[true; 3]), &mut miso);
        port.set_mode(SpiMode::Mode0);
        port.take(BusEvent::Bits(&[true; 2]), &mut miso);
        assert_eq!(miso, [true, false, true, true, false]);
    }
}
