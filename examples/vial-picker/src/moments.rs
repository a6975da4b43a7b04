//! Interrupts at known moments, so that two runs of the same application can be compared byte by byte.
//!
//! Interrupts come when they like, and a virtual chain's time stands still while a processor computes. Here they come *in*
//! the dealings of the application with the world, its SPI transactions and its waits, each of which has a number: in every
//! wait the look timer's, and in the dealings of a script a key's or the wheel's. What an interrupt is, is the caller's to
//! say: a call on the host, one that is pended on a controller.

use core::cell::Cell;

use embedded_hal::spi::{ErrorType, Operation};
use embedded_hal_async::delay::DelayNs;
use embedded_hal_async::spi::SpiDevice;

use crate::desk::Interrupt;

/// Counts the dealings, and raises interrupts in them by a function of the caller's.
#[derive(Debug)]
pub struct Moments<'s, F> {
    raise: F,
    /// In which dealing which interrupt comes, in the order of dealings.
    script: &'s [(u32, Interrupt)],
    dealings: Cell<u32>,
}

impl<'s, F: Fn(Interrupt)> Moments<'s, F> {
    /// None yet.
    pub const fn new(script: &'s [(u32, Interrupt)], raise: F) -> Self {
        Self { raise, script, dealings: Cell::new(0) }
    }

    /// How many there were.
    pub const fn dealings(&self) -> u32 {
        self.dealings.get()
    }

    /// An SPI device or a delay whose dealings count.
    pub const fn in_each<T>(&self, inner: T) -> InEach<'_, 's, F, T> {
        InEach { moments: self, inner }
    }

    fn next(&self) {
        let number = self.dealings.get().saturating_add(1);
        self.dealings.set(number);
        let due = self.script.iter().filter(|(at, _)| *at == number);
        due.for_each(|(_, interrupt)| (self.raise)(*interrupt));
    }
}

/// An SPI device or a delay in whose dealings interrupts come.
#[derive(Debug)]
pub struct InEach<'m, 's, F, T> {
    moments: &'m Moments<'s, F>,
    inner: T,
}

impl<F, T: ErrorType> ErrorType for InEach<'_, '_, F, T> {
    type Error = T::Error;
}

impl<F: Fn(Interrupt), T: SpiDevice> SpiDevice for InEach<'_, '_, F, T> {
    async fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), Self::Error> {
        self.moments.next();
        self.inner.transaction(operations).await
    }
}

impl<F: Fn(Interrupt), T> InEach<'_, '_, F, T> {
    fn wait(&self) {
        (self.moments.raise)(Interrupt::Look);
        self.moments.next();
    }
}

impl<F: Fn(Interrupt), T: DelayNs> DelayNs for InEach<'_, '_, F, T> {
    async fn delay_ns(&mut self, ns: u32) {
        self.wait();
        self.inner.delay_ns(ns).await;
    }

    async fn delay_us(&mut self, us: u32) {
        self.wait();
        self.inner.delay_us(us).await;
    }

    async fn delay_ms(&mut self, ms: u32) {
        self.wait();
        self.inner.delay_ms(ms).await;
    }
}
