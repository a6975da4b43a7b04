//! The async twins of the handles: the same transactions and delays, ready at once, because virtual time waits for
//! nobody.

use embedded_hal::spi::Operation;
use embedded_hal_async::delay::DelayNs;
use embedded_hal_async::spi::SpiDevice;

use super::spi::{BusError, VirtualDelay, VirtualSpi};

impl SpiDevice<u8> for VirtualSpi {
    async fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), BusError> {
        embedded_hal::spi::SpiDevice::transaction(self, operations)
    }
}

impl DelayNs for VirtualDelay {
    async fn delay_ns(&mut self, ns: u32) {
        embedded_hal::delay::DelayNs::delay_ns(self, ns);
    }
}
