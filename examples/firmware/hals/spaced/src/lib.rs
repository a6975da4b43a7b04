//! An SPI device that leaves chip select high for as long as a chain wants it.
//!
//! The devices act when chip select rises and need a time before it falls again, which the map states. A processor of a
//! hundred megahertz is faster than that. The wait stands *between* transactions, never inside one.
#![no_std]

use embedded_hal::delay::DelayNs;
use embedded_hal::spi::{ErrorType, Operation, SpiDevice};

/// An SPI device, and a wait behind each of its transactions.
#[derive(Debug)]
pub struct Spaced<S, D> {
    spi: S,
    delay: D,
    deselect_ns: u32,
}

impl<S, D> Spaced<S, D> {
    /// A device that is selected again after so many nanoseconds at the soonest.
    pub const fn new(spi: S, delay: D, deselect_ns: u32) -> Self {
        Self { spi, delay, deselect_ns }
    }
}

impl<S: ErrorType, D> ErrorType for Spaced<S, D> {
    type Error = S::Error;
}

impl<S: SpiDevice, D: DelayNs> SpiDevice for Spaced<S, D> {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), S::Error> {
        let done = self.spi.transaction(operations);
        self.delay.delay_ns(self.deselect_ns);
        done
    }
}

/// Waits without giving the processor away: to sleep and to wake would take longer.
impl<S: embedded_hal_async::spi::SpiDevice, D: DelayNs> embedded_hal_async::spi::SpiDevice for Spaced<S, D> {
    async fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), S::Error> {
        let done = self.spi.transaction(operations).await;
        self.delay.delay_ns(self.deselect_ns);
        done
    }
}
