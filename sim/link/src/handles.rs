//! What firmware holds in its hands: embedded-hal's SPI device, delay and pins, and a clock, all over one [`Link`].
//!
//! ```text
//!   LinkSpi    SpiDevice       one transaction is one request, whatever operations it is made of
//!   LinkDelay  DelayNs         passes in virtual time
//!   LinkInput  InputPin        busy line, fault line, home switch
//!   LinkClock                  virtual time since the simulator began
//! ```
//!
//! They share the link by a `RefCell`, so they are for one task; an interrupt has nothing to look for on the line.

use core::cell::RefCell;
use core::time::Duration;

use embedded_hal::delay::DelayNs;
use embedded_hal::digital::{self, InputPin, PinState};
use embedded_hal::spi::{self, Operation, SpiDevice};

use crate::client::{Link, Transport};
use crate::error::LinkError;
use crate::message::{Body, Line};
use crate::packet::MOST_BODY;

/// The virtual chain as an SPI device.
///
/// All bytes of a transaction have to fit one packet, each run of them with a byte of its own:
/// [`MOST_BODY`](crate::packet::MOST_BODY) in all. What a read clocks out are zeros.
#[derive(Debug)]
pub struct LinkSpi<'a, T> {
    link: &'a RefCell<Link<T>>,
}

impl<'a, T> LinkSpi<'a, T> {
    /// The chain at the other end of a link.
    pub const fn new(link: &'a RefCell<Link<T>>) -> Self {
        Self { link }
    }
}

impl<T: Transport> spi::ErrorType for LinkSpi<'_, T> {
    type Error = LinkError<T::Error>;
}

impl<T: Transport> SpiDevice for LinkSpi<'_, T> {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), Self::Error> {
        let body = gather(operations);
        let bytes = body.bytes().ok_or(LinkError::TooLong { bytes: body.length(), most: MOST_BODY })?;
        self.link.borrow_mut().transaction(bytes, |came| scatter(operations, came))
    }
}

/// The operations of a transaction as the body of a request.
pub(crate) fn gather(operations: &[Operation<'_, u8>]) -> Body<MOST_BODY> {
    let mut body = Body::new();
    for operation in operations {
        match operation {
            Operation::Read(into) => body.put_zeros(into.len()),
            Operation::Write(from) => body.put_shift(from),
            Operation::Transfer(into, from) => {
                body.put_shift(from);
                body.put_zeros(into.len().saturating_sub(from.len()));
            }
            Operation::TransferInPlace(bytes) => body.put_shift(bytes),
            Operation::DelayNs(ns) => body.put_pause(*ns),
        }
    }
    body
}

/// Gives each operation what came in for it; nothing if that is more or less than they have.
pub(crate) fn scatter(operations: &mut [Operation<'_, u8>], came: &[u8]) -> Option<()> {
    let mut rest = came;
    for operation in operations {
        let (into, length): (&mut [u8], usize) = match operation {
            Operation::Read(into) => {
                let length = into.len();
                (into, length)
            }
            Operation::Write(from) => (&mut [], from.len()),
            Operation::Transfer(into, from) => {
                let length = into.len().max(from.len());
                (into, length)
            }
            Operation::TransferInPlace(bytes) => {
                let length = bytes.len();
                (bytes, length)
            }
            Operation::DelayNs(_) => (&mut [], 0),
        };
        let (own, behind) = rest.split_at_checked(length)?;
        into.iter_mut().zip(own).for_each(|(place, byte)| *place = *byte);
        rest = behind;
    }
    rest.is_empty().then_some(())
}

/// Waits of the firmware, in virtual time.
///
/// A delay has no way to fail; if the link does, all that is asked of it afterwards is [`LinkError::Lost`].
#[derive(Debug)]
pub struct LinkDelay<'a, T> {
    link: &'a RefCell<Link<T>>,
}

impl<'a, T: Transport> LinkDelay<'a, T> {
    /// Time at the other end of a link.
    pub const fn new(link: &'a RefCell<Link<T>>) -> Self {
        Self { link }
    }

    fn pass(&self, ns: u64) {
        let mut link = self.link.borrow_mut();
        if link.delay(ns).is_err() {
            link.lose();
        }
    }
}

impl<T: Transport> DelayNs for LinkDelay<'_, T> {
    fn delay_ns(&mut self, ns: u32) {
        self.pass(ns.into());
    }

    fn delay_us(&mut self, us: u32) {
        self.pass(u64::from(us) * 1_000);
    }

    fn delay_ms(&mut self, ms: u32) {
        self.pass(u64::from(ms) * 1_000_000);
    }
}

/// A line beside the bus.
#[derive(Debug)]
pub struct LinkInput<'a, T> {
    link: &'a RefCell<Link<T>>,
    line: Line,
    active: PinState,
}

impl<'a, T> LinkInput<'a, T> {
    /// A line at the other end of a link, and its level while it is active.
    pub const fn new(link: &'a RefCell<Link<T>>, line: Line, active: PinState) -> Self {
        Self { link, line, active }
    }
}

impl<T: Transport> digital::ErrorType for LinkInput<'_, T> {
    type Error = LinkError<T::Error>;
}

impl<T: Transport> InputPin for LinkInput<'_, T> {
    fn is_high(&mut self) -> Result<bool, Self::Error> {
        let is_active = self.link.borrow_mut().is_active(self.line)?;
        Ok(is_active == (self.active == PinState::High))
    }

    fn is_low(&mut self) -> Result<bool, Self::Error> {
        self.is_high().map(|is| !is)
    }
}

/// A clock to look at.
///
/// If the link fails it stands still, and all that is asked of the link afterwards is [`LinkError::Lost`].
#[derive(Debug)]
pub struct LinkClock<'a, T> {
    link: &'a RefCell<Link<T>>,
    last_ns: u64,
}

impl<'a, T: Transport> LinkClock<'a, T> {
    /// The clock at the other end of a link.
    pub const fn new(link: &'a RefCell<Link<T>>) -> Self {
        Self { link, last_ns: 0 }
    }

    /// Virtual time since the simulator began.
    pub fn now(&mut self) -> Duration {
        let mut link = self.link.borrow_mut();
        match link.now_ns() {
            Ok(now_ns) => self.last_ns = now_ns,
            Err(_) => link.lose(),
        }
        Duration::from_nanos(self.last_ns)
    }
}
