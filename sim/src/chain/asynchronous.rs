//! The async twins of the handles: the same transactions and delays, ready at once, because virtual time waits for
//! nobody.

use embedded_hal::spi::Operation;
use embedded_hal_async::delay::DelayNs;
use embedded_hal_async::spi::{SpiBus, SpiDevice};

use super::bus::VirtualBus;
use super::spi::{BusError, VirtualDelay, VirtualSpi};

impl SpiDevice<u8> for VirtualSpi {
    async fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), BusError> {
        embedded_hal::spi::SpiDevice::transaction(self, operations)
    }
}

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
        embedded_hal::delay::DelayNs::delay_ns(self, ns);
    }
}
