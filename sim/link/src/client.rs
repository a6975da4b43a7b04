//! The firmware's end: one exchange after another, each repeated until it is answered.
//!
//! Knows packets and requests, and nothing of SPI or pins: those are [`handles`](crate::handles) on it.

use core::fmt;

use crate::error::LinkError;
use crate::exchange::{Exchange, Want};
use crate::message::{Line, VERSION, kind};
use crate::packet::{Collector, MOST_BODY};

/// A serial line, or whatever else carries bytes in both directions.
///
/// ```
/// use stepchain_link::Transport;
///
/// /// A UART that is looked at until a byte is there or a timer has run out.
/// struct Uart;
/// # impl Uart {
/// #     fn send(&mut self, _: u8) {}
/// #     fn received(&mut self) -> Option<u8> { None }
/// #     fn start_timer(&mut self) {}
/// #     fn timer_ran_out(&self) -> bool { true }
/// # }
///
/// impl Transport for Uart {
///     type Error = core::convert::Infallible;
///
///     fn write(&mut self, bytes: &[u8]) -> Result<(), Self::Error> {
///         bytes.iter().for_each(|byte| self.send(*byte));
///         Ok(())
///     }
///
///     fn read(&mut self) -> Result<Option<u8>, Self::Error> {
///         self.start_timer(); // 100 ms, say
///         while !self.timer_ran_out() {
///             if let Some(byte) = self.received() {
///                 return Ok(Some(byte));
///             }
///         }
///         Ok(None)
///     }
/// }
/// # assert_eq!(Uart.read(), Ok(None));
/// ```
pub trait Transport {
    /// What can go wrong with it.
    type Error: fmt::Debug;

    /// Sends all of these bytes.
    ///
    /// # Errors
    /// The transport's own.
    fn write(&mut self, bytes: &[u8]) -> Result<(), Self::Error>;

    /// Gives the next byte, or nothing if none has come for a time. That time is the transport's to choose; it has to be
    /// longer than the other end takes to answer, as a rule: what comes later is asked for again.
    ///
    /// # Errors
    /// The transport's own.
    fn read(&mut self) -> Result<Option<u8>, Self::Error>;
}

impl<T: Transport> Transport for &mut T {
    type Error = T::Error;

    fn write(&mut self, bytes: &[u8]) -> Result<(), Self::Error> {
        T::write(self, bytes)
    }

    fn read(&mut self) -> Result<Option<u8>, Self::Error> {
        T::read(self)
    }
}

/// What the simulator says of itself at the beginning.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Greeting {
    /// How many devices its chain has.
    pub devices: u8,
    /// Its virtual time, in nanoseconds.
    pub now_ns: u64,
}

impl Greeting {
    pub(crate) fn read(body: &[u8]) -> Option<Self> {
        let (&[version, devices], now) = body.split_first_chunk()?;
        (version == VERSION).then_some(Self { devices, now_ns: instant(now)? })
    }
}

/// Reads the body of an answer that is an instant of virtual time.
pub(crate) fn instant(body: &[u8]) -> Option<u64> {
    Some(u64::from_le_bytes(body.try_into().ok()?))
}

/// Reads the body of an answer that says whether a line is active.
pub(crate) const fn level(body: &[u8]) -> Option<bool> {
    match body {
        [0] => Some(false),
        [1] => Some(true),
        _ => None,
    }
}

/// What comes of beginning a session: the link and what the other end says, or why not, with the transport.
pub type Begun<T> = Result<(Link<T>, Greeting), (LinkError<<T as Transport>::Error>, T)>;

/// The firmware's end of the link.
#[derive(Debug)]
pub struct Link<T> {
    pub(crate) transport: T,
    session: u16,
    sequence: u16,
    pub(crate) collector: Collector,
    pub(crate) repeated: u32,
    /// An exchange failed that could not tell so.
    is_lost: bool,
}

impl<T> Link<T> {
    /// A link on which nothing was said yet.
    pub(crate) const fn new(transport: T, session: u16) -> Self {
        Self { transport, session, sequence: 0, collector: Collector::new(), repeated: 0, is_lost: false }
    }

    /// The next request of the session.
    pub(crate) fn open<E>(&self, asked: u8, body: &[u8]) -> Result<Exchange, LinkError<E>> {
        if self.is_lost {
            return Err(LinkError::Lost);
        }
        let exchange = Exchange::new(self.session, self.sequence, asked, body);
        exchange.ok_or(LinkError::TooLong { bytes: body.len(), most: MOST_BODY })
    }

    /// The request was answered.
    pub(crate) const fn close(&mut self) {
        self.sequence = self.sequence.wrapping_add(1);
    }

    /// Notes that an exchange failed where nobody can be told.
    pub(crate) const fn lose(&mut self) {
        self.is_lost = true;
    }
}

impl<T: Transport> Link<T> {
    /// Begins a session with the simulator at the other end of the line.
    ///
    /// `session` is any number, best another one after each restart of the firmware (a counter in memory that survives
    /// it, the noise of a converter, a timer that runs freely): an answer that was under way when the firmware restarted
    /// is not taken for one to the new session then.
    ///
    /// # Errors
    /// [`LinkError`], with the transport.
    pub fn begin(transport: T, session: u16) -> Begun<T> {
        let mut link = Self::new(transport, session);
        match link.greet() {
            Ok(greeting) => Ok((link, greeting)),
            Err(error) => Err((error, link.transport)),
        }
    }

    /// Gives the transport back.
    pub fn release(self) -> T {
        self.transport
    }

    /// How many requests were sent again because no answer came.
    pub const fn repeated(&self) -> u32 {
        self.repeated
    }

    /// Tells the simulator that the firmware is done, and how: 0 if all went as it should.
    ///
    /// # Errors
    /// [`LinkError`].
    pub fn end(&mut self, status: u8) -> Result<(), LinkError<T::Error>> {
        self.ask(kind::END, &[status], |_| Some(()))
    }

    /// Says something that the simulator keeps: text, or frames of a logger, at most
    /// [`MOST_BODY`](crate::packet::MOST_BODY) bytes. Takes no virtual time.
    ///
    /// # Errors
    /// [`LinkError`].
    pub fn log(&mut self, bytes: &[u8]) -> Result<(), LinkError<T::Error>> {
        self.ask(kind::LOG, bytes, |_| Some(()))
    }

    /// Lets virtual time pass.
    ///
    /// # Errors
    /// [`LinkError`].
    pub fn delay(&mut self, ns: u64) -> Result<(), LinkError<T::Error>> {
        self.ask(kind::DELAY, &ns.to_le_bytes(), |_| Some(()))
    }

    /// Virtual time in nanoseconds.
    ///
    /// # Errors
    /// [`LinkError`].
    pub fn now_ns(&mut self) -> Result<u64, LinkError<T::Error>> {
        self.ask(kind::NOW, &[], instant)
    }

    /// Whether a line beside the bus is active.
    ///
    /// # Errors
    /// [`LinkError`].
    pub fn is_active(&mut self, line: Line) -> Result<bool, LinkError<T::Error>> {
        self.ask(kind::LINE, &line.to_bytes(), level)
    }

    /// One selection of the chain: a body of pieces out, the bytes that came in to `read`.
    pub(crate) fn transaction<R>(
        &mut self,
        body: &[u8],
        read: impl FnOnce(&[u8]) -> Option<R>,
    ) -> Result<R, LinkError<T::Error>> {
        self.ask(kind::TRANSACTION, body, read)
    }

    fn greet(&mut self) -> Result<Greeting, LinkError<T::Error>> {
        self.ask(kind::HELLO, &[VERSION], Greeting::read)
    }

    /// Sends a request until its answer comes, and reads that.
    fn ask<R>(
        &mut self,
        asked: u8,
        body: &[u8],
        read: impl FnOnce(&[u8]) -> Option<R>,
    ) -> Result<R, LinkError<T::Error>> {
        let mut exchange = self.open(asked, body)?;
        loop {
            match exchange.wants() {
                Want::Nothing => return Err(LinkError::Silent),
                Want::Send => {
                    self.transport.write(exchange.request()).map_err(LinkError::Transport)?;
                    self.repeated = self.repeated.saturating_add(u32::from(exchange.sent()));
                }
                Want::Byte => {
                    let byte = self.transport.read().map_err(LinkError::Transport)?;
                    if let Some(outcome) = exchange.came(byte, &mut self.collector) {
                        let read = outcome.map(read);
                        self.close();
                        return read.map_err(LinkError::Refused)?.ok_or(LinkError::Answer);
                    }
                }
            }
        }
    }
}
