//! Turns the three events of a bus (select, bits, deselect) into what N daisy-chained devices hold and shift out.
//!
//! ```text
//!             device 0          device 1               device N-1
//!   mosi -> [ U bits ] ------> [ U bits ] --- ... ---> [ U bits ] -> miso
//!             cs, sck: common to all
//! ```
//!
//! While chip select is low the chain is one shift register of N·U bits. Each clock takes one bit in at device 0 and
//! gives one out at device N−1: first the bits that device N−1 had loaded, first bit first, then those of device
//! N−2, and after N·U clocks the bits that came in. On release each device holds the last bits that reached it.
//!
//! A live bus and a capture give the same three events, so what a release means is written once, here. Knows bits
//! and their order; knows no command, no time, no level of a line. Levels are what [`EdgeRegisters`] know: a [`Port`] asks
//! them where the controller's SPI mode is not that of the devices.

mod edges;
mod port;
#[cfg(test)]
mod tests;

use std::collections::VecDeque;

use stepchain::map::{BitOrder, Wire};

pub use edges::{Driver, EdgeRegisters, Lines};
pub use port::Port;

/// What happens on the bus, as every device of the chain sees it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BusEvent<'a> {
    /// Chip select falls.
    Select,
    /// One clock for each bit, in the order of time.
    Bits(&'a [bool]),
    /// Chip select rises: all devices latch.
    Deselect,
}

/// What the devices hold when chip select rises.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Latched {
    /// One unit for each device, device 0 first.
    pub units: Vec<u64>,
    /// Clocks since chip select fell.
    pub clocks: u64,
}

/// The shift registers of a whole chain.
///
/// ```
/// use stepchain::map::{Piece, Wire};
/// use stepchain_sim::wire::{BusEvent, ShiftRegisters, bits_of};
///
/// const WIRE: Wire = Wire::latched_units(8, &[Piece::fixed(8, 0)]);
/// let mut chain = ShiftRegisters::new(&WIRE, 2);
/// chain.load(&[0x10, 0x20]);
/// let mut miso = Vec::new();
/// chain.take(BusEvent::Select, &mut miso);
/// chain.take(BusEvent::Bits(&bits_of(&[0xAB, 0xCD])), &mut miso);
/// let latched = chain.take(BusEvent::Deselect, &mut miso).unwrap();
/// assert_eq!(miso, bits_of(&[0x20, 0x10]), "the farthest device answers first");
/// assert_eq!(latched.units, [0xCD, 0xAB], "and is sent to first");
/// ```
#[derive(Clone, Debug)]
pub struct ShiftRegisters {
    unit_bits: usize,
    order: BitOrder,
    devices: usize,
    /// The bit that leaves next stands in front; the one that came last at the back.
    bits: VecDeque<bool>,
    clocks: u64,
    selected: bool,
    /// The bit that left at the far end last.
    left_last: bool,
}

impl ShiftRegisters {
    /// The registers of this many devices with this wire, all zeros, not selected.
    #[must_use]
    pub fn new(wire: &Wire, devices: usize) -> Self {
        let unit_bits = usize::from(wire.unit_bits);
        let bits = std::iter::repeat_n(false, devices * unit_bits).collect();
        Self { unit_bits, order: wire.bit_order, devices, bits, clocks: 0, selected: false, left_last: false }
    }

    /// Bits that all devices together hold: the clocks that a frame needs.
    #[must_use]
    pub fn frame_bits(&self) -> u64 {
        self.bits.len() as u64
    }

    /// Puts into each device the unit that it shifts out next; device 0 first, zeros where units are missing.
    pub fn load(&mut self, units: &[u64]) {
        for device in 0..self.devices {
            self.load_device(device, units.get(device).copied().unwrap_or(0));
        }
    }

    /// Puts into one device the unit that it shifts out next; a device that is not there takes nothing.
    pub fn load_device(&mut self, device: usize, unit: u64) {
        let Some(behind) = self.devices.checked_sub(device + 1) else { return };
        let first = behind * self.unit_bits;
        for (place, bit) in self.bits.iter_mut().skip(first).take(self.unit_bits).enumerate() {
            let weight = weight_of(place, self.unit_bits, self.order);
            *bit = unit >> weight & 1 == 1;
        }
    }

    /// The level at the far end between two clocks: the bit that leaves next where it is shown at once, else the one that
    /// has left last, low at first.
    fn standing(&self, at_once: bool) -> bool {
        if at_once { self.bits.front().copied().unwrap_or(false) } else { self.clocks > 0 && self.left_last }
    }

    /// Puts another bit in the place of the one that a device, not the first one, has taken in with the last clock; gives
    /// what was there. A device that is not there has taken nothing.
    fn replace_arrival(&mut self, device: usize, bit: bool) -> Option<bool> {
        let behind = self.devices.checked_sub(device + 1)?;
        let last = (behind + 1) * self.unit_bits - 1;
        self.bits.get_mut(last).map(|place| std::mem::replace(place, bit))
    }

    /// Takes an event in and appends the bits that leave at the far end to `miso`; a release gives what is latched.
    ///
    /// Bits without selection move nothing and bring nothing out; a release without selection latches nothing.
    pub fn take(&mut self, event: BusEvent<'_>, miso: &mut Vec<bool>) -> Option<Latched> {
        match event {
            BusEvent::Select => {
                self.selected = true;
                self.clocks = 0;
                None
            }
            BusEvent::Bits(bits) if self.selected => {
                miso.extend(bits.iter().map(|&bit| self.clock(bit)));
                None
            }
            BusEvent::Bits(_) => None,
            BusEvent::Deselect => {
                let selected = std::mem::replace(&mut self.selected, false);
                selected.then(|| Latched { units: self.units(), clocks: self.clocks })
            }
        }
    }

    fn clock(&mut self, bit: bool) -> bool {
        self.clocks += 1;
        self.bits.push_back(bit);
        self.left_last = self.bits.pop_front().unwrap_or(bit);
        self.left_last
    }

    /// The bits in one device, of which the first leaves first; none if there is no such device.
    fn bits_in(&self, device: usize) -> VecDeque<bool> {
        let Some(behind) = self.devices.checked_sub(device + 1) else { return VecDeque::new() };
        self.bits.iter().skip(behind * self.unit_bits).take(self.unit_bits).copied().collect()
    }

    /// What the devices hold now, device 0 first.
    fn units(&self) -> Vec<u64> {
        let unit_of = |device: usize| {
            // The farthest device holds the bits in front.
            let first = (self.devices - 1 - device) * self.unit_bits;
            let held = self.bits.iter().skip(first).take(self.unit_bits).enumerate();
            held.fold(0, |unit, (place, &bit)| unit | u64::from(bit) << weight_of(place, self.unit_bits, self.order))
        };
        (0..self.devices).map(unit_of).collect()
    }
}

/// The power of two in a unit that its `place`-th bit on the wire has.
const fn weight_of(place: usize, unit_bits: usize, order: BitOrder) -> usize {
    match order {
        BitOrder::MsbFirst => unit_bits - 1 - place,
        BitOrder::LsbFirst => place,
    }
}

/// The bits of bytes in the order of the wire: most significant first, as SPI peripherals shift them.
#[must_use]
pub fn bits_of(bytes: &[u8]) -> Vec<bool> {
    bytes.iter().flat_map(|byte| (0..8).rev().map(move |weight| byte >> weight & 1 == 1)).collect()
}

/// The bytes of bits in the order of the wire; a last byte that is cut is filled with zeros.
#[must_use]
pub fn bytes_of(bits: &[bool]) -> Vec<u8> {
    let byte =
        |chunk: &[bool]| chunk.iter().zip((0..8).rev()).fold(0, |byte, (&bit, weight)| byte | u8::from(bit) << weight);
    bits.chunks(8).map(byte).collect()
}
