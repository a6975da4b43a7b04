//! The handles that firmware drives: an SPI device and a delay, both of embedded-hal.

use std::fmt;

use embedded_hal::delay::DelayNs;
use embedded_hal::spi::{self, ErrorType, Operation, SpiDevice};

use super::VirtualChain;

/// The chain as an SPI device: one transaction is one selection.
///
/// How a transaction is cut into operations does not matter; the bits between the two edges of chip select do. What a
/// read clocks out are zeros. Each transaction begins after the [gap](VirtualChain::set_gap_ns) and takes the time of
/// its bits and of its delays.
///
/// Made by [`VirtualChain::spi`]; clones drive the same chain.
#[derive(Clone, Debug)]
pub struct VirtualSpi {
    pub(super) chain: VirtualChain,
}

/// What can go wrong on a virtual bus: nothing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum BusError {}

impl fmt::Display for BusError {
    fn fmt(&self, _: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {}
    }
}

impl std::error::Error for BusError {}

impl spi::Error for BusError {
    fn kind(&self) -> spi::ErrorKind {
        match *self {}
    }
}

impl ErrorType for VirtualSpi {
    type Error = BusError;
}

impl SpiDevice<u8> for VirtualSpi {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), BusError> {
        let mut world = self.chain.world();
        world.begin();
        for operation in operations {
            match operation {
                Operation::Read(read) => {
                    let zeros = vec![0; read.len()];
                    read.copy_from_slice(&world.shift(&zeros));
                }
                Operation::Write(write) => {
                    world.shift(write);
                }
                Operation::Transfer(read, write) => {
                    // The shorter of the two is made as long as the other: with zeros, or by not looking.
                    let mut sent = write.to_vec();
                    sent.resize(read.len().max(write.len()), 0);
                    let came = world.shift(&sent);
                    read.copy_from_slice(&came[..read.len()]);
                }
                Operation::TransferInPlace(words) => {
                    let came = world.shift(words);
                    words.copy_from_slice(&came);
                }
                Operation::DelayNs(duration_ns) => world.wait(u64::from(*duration_ns)),
            }
        }
        world.end();
        Ok(())
    }
}

/// The firmware's delay: it lets virtual time pass, and no more than asked.
///
/// Made by [`VirtualChain::delay`]; clones advance the same time.
#[derive(Clone, Debug)]
pub struct VirtualDelay {
    pub(super) chain: VirtualChain,
}

impl DelayNs for VirtualDelay {
    fn delay_ns(&mut self, ns: u32) {
        self.chain.advance_ns(u64::from(ns));
    }

    fn delay_us(&mut self, us: u32) {
        self.chain.advance_ns(u64::from(us) * 1_000);
    }

    fn delay_ms(&mut self, ms: u32) {
        self.chain.advance_ns(u64::from(ms) * 1_000_000);
    }
}
