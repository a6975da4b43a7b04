//! The chain behind a bare bus and a chip-select pin, as a microcontroller has them, and how its controller is set.
//!
//! ```text
//!   write -> buffer of some bytes -> bits, one by one, as time passes -> wire
//!   flush: until the buffer is empty and the bus at rest
//! ```
//!
//! **Who keeps the times.** The bus puts no gap between two selections: that is the firmware's own business here, and
//! too short a one is a violation. The bits take their time at the set clock.
//!
//! **Buffering.** embedded-hal 1.0 (documentation of `spi`, "Flushing") lets a bus return before it is idle. This one
//! does: a write returns as soon as what is left fits the buffer, and the rest leaves while time passes. What has to be
//! read is waited for. Firmware that raises chip select without a flush cuts off the bits under way: they go out to
//! nobody, the devices latch what they have, and that is a violation. So does a real bus; but there it shows now and then.
//!
//! **Chip select high.** Bits do not reach the devices, the controller reads an [open line], and the clocks are
//! [counted]. That is no violation: on a shared bus others may be spoken to.
//!
//! [open line]: VirtualChain::set_open_line
//! [counted]: VirtualChain::unheard_clocks

use std::collections::VecDeque;
use std::convert::Infallible;

use embedded_hal::digital::{self, OutputPin, StatefulOutputPin};
use embedded_hal::spi::{ErrorType, SpiBus};
use stepchain::map::{BitOrder, SpiMode};

use super::VirtualChain;
use super::spi::BusError;
use super::world::World;
use crate::clock::bits_ns;
use crate::device::Violation;
use crate::wire::BusEvent;

#[cfg(test)]
mod tests;

/// Bytes that the buffer of a bus takes at first; hardware has one to four as a rule (embedded-hal 1.0, `spi`).
const BUFFER_BYTES: usize = 4;

/// The chain as a bare SPI bus; chip select is a pin of its own.
///
/// What a read clocks out are zeros. How bytes are cut into calls does not matter. Made by [`VirtualChain::bus`].
///
/// ```
/// use embedded_hal::digital::OutputPin;
/// use embedded_hal::spi::SpiBus;
/// use stepchain::{map::RegisterMap, reference::Latched};
/// use stepchain_sim::chain::VirtualChain;
///
/// let chain = VirtualChain::new(&Latched::LAYOUT, 1)?;
/// let (mut bus, mut chip_select) = chain.bus();
/// chip_select.set_low().unwrap();
/// bus.write(&[0x50]).unwrap(); // read the register at ...
/// bus.write(&[0x11]).unwrap(); // ... 0x11
/// bus.flush().unwrap();
/// chip_select.set_high().unwrap();
/// chain.advance_ns(800); // the shortest time that the map allows
/// let mut reply = [0; 2];
/// chip_select.set_low().unwrap();
/// bus.read(&mut reply).unwrap();
/// bus.flush().unwrap();
/// chip_select.set_high().unwrap();
/// assert_eq!(reply, [0x01, 0xF4]);
/// # Ok::<(), stepchain::map::Flaw>(())
/// ```
#[derive(Debug)]
pub struct VirtualBus {
    pub(super) chain: VirtualChain,
}

/// The chip-select pin of a chain: selected while low, and high at first.
///
/// A pin that is set to where it is already makes no edge. Made by [`VirtualChain::bus`].
///
/// ```
/// use embedded_hal::digital::OutputPin;
/// use embedded_hal::spi::SpiBus;
/// use stepchain::{map::RegisterMap, reference::Latched};
/// use stepchain_sim::{chain::VirtualChain, device::{EventKind, Violation}};
///
/// let chain = VirtualChain::new(&Latched::LAYOUT, 1)?;
/// let (mut bus, mut chip_select) = chain.bus();
/// chip_select.set_low().unwrap();
/// bus.write(&[0xB4, 0x00]).unwrap();
/// chip_select.set_high().unwrap(); // without a flush: the 16 bits are in the buffer still
/// let events = chain.events();
/// let cut_off = EventKind::Violation(Violation::ReleasedUnderWay { bits: 16 });
/// assert!(events.iter().any(|event| event.kind == cut_off));
/// # Ok::<(), stepchain::map::Flaw>(())
/// ```
#[derive(Debug)]
pub struct VirtualChipSelect {
    chain: VirtualChain,
}

/// The controller's end of the bus. Unlike an SPI device it can be set wrong, or be used wrong.
impl VirtualChain {
    /// The chain for firmware that has a bus and a chip-select pin.
    ///
    /// Like pins and peripherals, a second pair drives the same lines.
    #[must_use]
    pub fn bus(&self) -> (VirtualBus, VirtualChipSelect) {
        (VirtualBus { chain: self.clone() }, VirtualChipSelect { chain: self.clone() })
    }

    /// Sets how many bytes the bus takes before it has sent them; four at first. With none, a write returns when its
    /// last bit is on the wire.
    pub fn set_buffer_bytes(&self, bytes: usize) {
        self.world().bus.buffer_bits = bytes.saturating_mul(8);
    }

    /// Sets the SPI mode in which the firmware's controller drives the bus; at first that of the map.
    ///
    /// In another mode both ends sample at the wrong edge: [`EdgeRegisters`](crate::wire::EdgeRegisters) has a table.
    ///
    /// ```
    /// use embedded_hal::spi::SpiDevice;
    /// use stepchain::{map::{RegisterMap, SpiMode}, reference::Latched};
    /// use stepchain_sim::chain::VirtualChain;
    ///
    /// let chain = VirtualChain::new(&Latched::LAYOUT, 1)?;
    /// let mut reply = [0; 2];
    /// chain.spi().write(&[0x50, 0x11]).unwrap();
    /// chain.set_mode(SpiMode::Mode0); // the map says mode 3: the first bit comes too late for the controller
    /// chain.spi().read(&mut reply).unwrap();
    /// assert_eq!(reply, [0x01, 0xF4], "its first bit is low anyway");
    /// chain.spi().write(&[0x50, 0x11]).unwrap();
    /// chain.set_mode(SpiMode::Mode2);
    /// chain.spi().read(&mut reply).unwrap();
    /// assert_eq!(reply, [0x00, 0xFA], "0x01F4, a clock late");
    /// # Ok::<(), stepchain::map::Flaw>(())
    /// ```
    pub fn set_mode(&self, mode: SpiMode) {
        let mut world = self.world();
        world.settle_bus();
        world.registers.set_mode(mode);
        world.note_mode(mode);
    }

    /// Sets which bit of a byte the firmware's controller sends, and takes, first: at first the most significant, as the
    /// driver expects for maps of either bit order.
    pub fn set_bit_order(&self, order: BitOrder) {
        self.world().registers.set_bit_order(order);
    }

    /// Sets the level that the controller reads while chip select is high; at first high, as by a pull-up.
    pub fn set_open_line(&self, high: bool) {
        self.world().registers.set_open_line(high);
    }

    /// Clocks since power-up that no device has heard because chip select was high.
    #[must_use]
    pub fn unheard_clocks(&self) -> u64 {
        let mut world = self.world();
        world.settle_bus();
        world.registers.unheard()
    }

    /// Whether chip select is low, as the devices see it: a [stuck line](crate::inject::Line::Cs) is not where the pin is.
    #[must_use]
    pub fn is_selected(&self) -> bool {
        let mut world = self.world();
        world.catch_up();
        world.registers.is_selected()
    }
}

/// What the bus has taken and not sent, and the run of bits, one close behind another, whose time is rounded up once.
#[derive(Clone, Debug)]
pub(super) struct BusState {
    buffer_bits: usize,
    queue: VecDeque<bool>,
    run_began_ns: u64,
    run_bits: u64,
}

impl BusState {
    pub(super) const fn new() -> Self {
        Self { buffer_bits: 8 * BUFFER_BYTES, queue: VecDeque::new(), run_began_ns: 0, run_bits: 0 }
    }

    /// Whether it has taken bits that have not left.
    pub(super) fn has_bits_under_way(&self) -> bool {
        !self.queue.is_empty()
    }
}

impl World {
    /// Lets leave what has had its time by now.
    pub(super) fn settle_bus(&mut self) {
        let now_ns = self.now_ns();
        let elapsed_ns = u128::from(now_ns.saturating_sub(self.bus.run_began_ns));
        // At a clock of nothing, time is counted as at 1 Hz.
        let had_time = elapsed_ns * u128::from(self.clock_hz.max(1)) / 1_000_000_000;
        let due = had_time.saturating_sub(self.bus.run_bits.into());
        let leaving = self.bus.queue.len().min(usize::try_from(due).unwrap_or(usize::MAX));
        self.send_from_queue(leaving);
        if self.bus.queue.is_empty() && self.run_ends_ns() < now_ns {
            self.begin_run();
        }
    }

    /// Waits until everything has left and the bus is at rest.
    pub(super) fn flush_bus(&mut self) {
        self.settle_bus();
        self.wait_for_queue(0);
        self.begin_run();
    }

    /// Takes bytes, and waits until no more than so many bits are left. If none is to be left, gives the bits that came
    /// for these bytes.
    fn transmit(&mut self, bytes: &[u8], left_bits: usize) -> Vec<bool> {
        self.settle_bus();
        let before = self.bus.queue.len();
        self.bytes += bytes.len() as u64;
        let bits = self.registers.bits_of(bytes);
        self.bus.queue.extend(bits);
        let mut came = self.wait_for_queue(left_bits);
        came.drain(..before.min(came.len()));
        came
    }

    /// Lets time pass until no more than so many bits are left; gives what came meanwhile.
    fn wait_for_queue(&mut self, left_bits: usize) -> Vec<bool> {
        let leaving = self.bus.queue.len().saturating_sub(left_bits);
        let came = self.send_from_queue(leaving);
        let run_ends_ns = self.run_ends_ns();
        self.clock.advance_to_ns(run_ends_ns);
        came
    }

    fn send_from_queue(&mut self, count: usize) -> Vec<bool> {
        if count == 0 {
            return Vec::new();
        }
        let bits: Vec<bool> = self.bus.queue.drain(..count).collect();
        let (began_ns, run_bits) = (self.bus.run_began_ns, self.bus.run_bits);
        self.bus.run_bits += count as u64;
        if self.player.is_playing() {
            return self.clock_with_faults(&bits, began_ns, Some(run_bits));
        }
        let came = self.drive(BusEvent::Bits(&bits));
        self.note_bits(began_ns, run_bits, &bits, &came);
        came
    }

    /// Lets leave the bits whose clocks have begun before an instant at which a fault turns.
    pub(super) fn send_begun_before(&mut self, at_ns: u64) {
        while self.run_ends_ns() < at_ns
            && let Some(bit) = self.bus.queue.pop_front()
        {
            let (began_ns, run_bits) = (self.bus.run_began_ns, self.bus.run_bits);
            self.bus.run_bits += 1;
            let came = self.clock_one_with_faults(bit);
            self.note_bits(began_ns, run_bits, &[bit], &[came]);
        }
    }

    fn run_ends_ns(&self) -> u64 {
        self.bus.run_began_ns.saturating_add(bits_ns(self.bus.run_bits, self.clock_hz))
    }

    /// Bits that come from here on are counted from now.
    pub(super) fn begin_run(&mut self) {
        self.bus.run_began_ns = self.now_ns();
        self.bus.run_bits = 0;
    }

    fn lower_chip_select(&mut self) {
        if !self.controller_selects() {
            self.settle_bus();
            self.select();
        }
    }

    fn raise_chip_select(&mut self) {
        if self.controller_selects() {
            self.settle_bus();
            let bits = self.bus.queue.len() as u64;
            if bits > 0 {
                self.violation(Violation::ReleasedUnderWay { bits });
            }
            self.drive(BusEvent::Deselect);
        }
    }
}

impl ErrorType for VirtualBus {
    type Error = BusError;
}

impl SpiBus<u8> for VirtualBus {
    fn read(&mut self, words: &mut [u8]) -> Result<(), BusError> {
        words.fill(0);
        self.transfer_in_place(words)
    }

    fn write(&mut self, words: &[u8]) -> Result<(), BusError> {
        let mut world = self.chain.world();
        let buffer_bits = world.bus.buffer_bits;
        world.transmit(words, buffer_bits);
        Ok(())
    }

    fn transfer(&mut self, read: &mut [u8], write: &[u8]) -> Result<(), BusError> {
        if read.is_empty() {
            return self.write(write);
        }
        let mut words = write.to_vec();
        words.resize(read.len().max(write.len()), 0);
        self.transfer_in_place(&mut words)?;
        read.copy_from_slice(&words[..read.len()]);
        Ok(())
    }

    fn transfer_in_place(&mut self, words: &mut [u8]) -> Result<(), BusError> {
        let mut world = self.chain.world();
        let came = world.transmit(words, 0);
        words.copy_from_slice(&world.registers.bytes_of(&came));
        Ok(())
    }

    fn flush(&mut self) -> Result<(), BusError> {
        self.chain.world().flush_bus();
        Ok(())
    }
}

impl digital::ErrorType for VirtualChipSelect {
    type Error = Infallible;
}

impl OutputPin for VirtualChipSelect {
    fn set_low(&mut self) -> Result<(), Infallible> {
        self.chain.world().lower_chip_select();
        Ok(())
    }

    fn set_high(&mut self) -> Result<(), Infallible> {
        self.chain.world().raise_chip_select();
        Ok(())
    }
}

impl StatefulOutputPin for VirtualChipSelect {
    fn is_set_high(&mut self) -> Result<bool, Infallible> {
        Ok(!self.chain.world().controller_selects())
    }

    fn is_set_low(&mut self) -> Result<bool, Infallible> {
        Ok(self.chain.world().controller_selects())
    }
}
