//! The async twins of the handles. A transaction is ready at once and has taken its time; a delay waits, so that the
//! tasks beside it have their turn at their own instants.

use embedded_hal::spi::Operation;
use embedded_hal_async::delay::DelayNs;
use embedded_hal_async::spi::{SpiBus, SpiDevice};

use super::VirtualChain;
use super::bus::VirtualBus;
use super::spi::{BusError, VirtualDelay, VirtualSpi};
use super::waits::Waiting;

impl SpiDevice<u8> for VirtualSpi {
    async fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), BusError> {
        embedded_hal::spi::SpiDevice::transaction(self, operations)
    }
}

/// The time runs from the first poll; a future that is dropped has let none pass.
impl SpiBus<u8> for VirtualBus {
    async fn read(&mut self, words: &mut [u8]) -> Result<(), BusError> {
        embedded_hal::spi::SpiBus::read(self, words)
    }

    async fn write(&mut self, words: &[u8]) -> Result<(), BusError> {
        embedded_hal::spi::SpiBus::write(self, words)
    }

    async fn transfer(&mut self, read: &mut [u8], write: &[u8]) -> Result<(), BusError> {
        embedded_hal::spi::SpiBus::transfer(self, read, write)
    }

    async fn transfer_in_place(&mut self, words: &mut [u8]) -> Result<(), BusError> {
        embedded_hal::spi::SpiBus::transfer_in_place(self, words)
    }

    async fn flush(&mut self) -> Result<(), BusError> {
        embedded_hal::spi::SpiBus::flush(self)
    }
}

impl DelayNs for VirtualDelay {
    async fn delay_ns(&mut self, ns: u32) {
        pass(&self.chain, u64::from(ns)).await;
    }

    async fn delay_us(&mut self, us: u32) {
        pass(&self.chain, u64::from(us) * 1_000).await;
    }

    async fn delay_ms(&mut self, ms: u32) {
        pass(&self.chain, u64::from(ms) * 1_000_000).await;
    }
}

/// An instant always comes, so how the wait has ended says nothing.
async fn pass(chain: &VirtualChain, duration_ns: u64) {
    let _ = Waiting::lasting(chain, duration_ns).await;
}
