//! The async twins of link and handles: the task that waits for an answer sleeps until the line's interrupt wakes it.
//!
//! ```text
//!   AsyncLinkSpi    SpiDevice  of embedded-hal-async; one transaction is one request
//!   AsyncLinkDelay  DelayNs    of embedded-hal-async; passes in virtual time
//! ```
//!
//! Any number of tasks share an [`AsyncLink`]; each waits until the exchange before its own has ended. The requests are the
//! blocking front's, byte by byte.
//!
//! A future that is dropped amid its exchange leaves a request of which nobody knows whether it was carried out, so nobody
//! knows which number is the next. The exchange after it begins with a greeting, which bears any number; an answer that is
//! still on its way has the kind of another request, and then a number that has passed.

use core::fmt;
use core::future::poll_fn;
use core::task::Poll;

use embassy_sync::blocking_mutex::raw::NoopRawMutex;
use embassy_sync::mutex::Mutex;
use embedded_hal::spi::{self, Operation};
use embedded_hal_async::delay::DelayNs;
use embedded_hal_async::spi::SpiDevice;

use crate::client::{Greeting, Link, instant, level};
use crate::error::LinkError;
use crate::exchange::Want;
use crate::handles::{gather, scatter};
use crate::message::{Line, VERSION, kind};
use crate::packet::MOST_BODY;

/// A serial line whose bytes are awaited: as [`Transport`](crate::Transport).
#[allow(async_fn_in_trait, reason = "its futures stay in the task that owns the line")]
pub trait AsyncTransport {
    /// What can go wrong with it.
    type Error: fmt::Debug;

    /// Sends all of these bytes.
    ///
    /// # Errors
    /// The transport's own.
    async fn write(&mut self, bytes: &[u8]) -> Result<(), Self::Error>;

    /// Gives the next byte, or nothing if none has come for a time: see [`Transport::read`](crate::Transport::read). A
    /// future of it that is dropped has taken no byte.
    ///
    /// # Errors
    /// The transport's own.
    async fn read(&mut self) -> Result<Option<u8>, Self::Error>;
}

/// What comes of beginning a session: the link and what the other end says, or why not, with the transport.
pub type AsyncBegun<T> = Result<(AsyncLink<T>, Greeting), (LinkError<<T as AsyncTransport>::Error>, T)>;

/// The firmware's end of the link, for tasks of one executor.
#[derive(Debug)]
pub struct AsyncLink<T> {
    shared: Mutex<NoopRawMutex, Shared<T>>,
}

#[derive(Debug)]
struct Shared<T> {
    link: Link<T>,
    /// An exchange has begun and nobody has seen its end.
    is_under_way: bool,
}

impl<T: AsyncTransport> AsyncLink<T> {
    /// Begins a session with the simulator at the other end of the line: see [`Link::begin`].
    ///
    /// # Errors
    /// [`LinkError`], with the transport.
    pub async fn begin(transport: T, session: u16) -> AsyncBegun<T> {
        let mut shared = Shared { link: Link::new(transport, session), is_under_way: false };
        match shared.greet().await {
            Ok(greeting) => Ok((Self { shared: Mutex::new(shared) }, greeting)),
            Err(error) => Err((error, shared.link.transport)),
        }
    }

    /// Gives the transport back.
    pub fn release(self) -> T {
        self.shared.into_inner().link.transport
    }

    /// The chain at the other end as an SPI device, whose transactions are as long as [`LinkSpi`](crate::LinkSpi)'s may be.
    pub const fn spi(&self) -> AsyncLinkSpi<'_, T> {
        AsyncLinkSpi { link: self }
    }

    /// Time at the other end.
    pub const fn delay(&self) -> AsyncLinkDelay<'_, T> {
        AsyncLinkDelay { link: self }
    }

    /// How many requests were sent again because no answer came.
    pub async fn repeated(&self) -> u32 {
        self.shared.lock().await.link.repeated
    }

    /// Tells the simulator that the firmware is done, and how: 0 if all went as it should.
    ///
    /// # Errors
    /// [`LinkError`].
    pub async fn end(&self, status: u8) -> Result<(), LinkError<T::Error>> {
        self.ask(kind::END, &[status], |_| Some(())).await
    }

    /// Says something that the simulator keeps: see [`Link::log`].
    ///
    /// # Errors
    /// [`LinkError`].
    pub async fn log(&self, bytes: &[u8]) -> Result<(), LinkError<T::Error>> {
        self.ask(kind::LOG, bytes, |_| Some(())).await
    }

    /// Virtual time in nanoseconds.
    ///
    /// # Errors
    /// [`LinkError`].
    pub async fn now_ns(&self) -> Result<u64, LinkError<T::Error>> {
        self.ask(kind::NOW, &[], instant).await
    }

    /// Whether a line beside the bus is active.
    ///
    /// # Errors
    /// [`LinkError`].
    pub async fn is_active(&self, line: Line) -> Result<bool, LinkError<T::Error>> {
        self.ask(kind::LINE, &line.to_bytes(), level).await
    }

    async fn ask<R>(
        &self,
        asked: u8,
        body: &[u8],
        read: impl FnOnce(&[u8]) -> Option<R>,
    ) -> Result<R, LinkError<T::Error>> {
        // Whoever has just had its turn gives the others theirs.
        let mut has_yielded = false;
        poll_fn(|context| {
            if core::mem::replace(&mut has_yielded, true) {
                return Poll::Ready(());
            }
            context.waker().wake_by_ref();
            Poll::Pending
        })
        .await;
        let mut shared = self.shared.lock().await;
        if shared.is_under_way {
            shared.greet().await?;
        }
        shared.ask(asked, body, read).await
    }
}

impl<T: AsyncTransport> Shared<T> {
    async fn greet(&mut self) -> Result<Greeting, LinkError<T::Error>> {
        self.ask(kind::HELLO, &[VERSION], Greeting::read).await
    }

    /// Sends a request until its answer comes, and reads that.
    async fn ask<R>(
        &mut self,
        asked: u8,
        body: &[u8],
        read: impl FnOnce(&[u8]) -> Option<R>,
    ) -> Result<R, LinkError<T::Error>> {
        let Self { link, is_under_way } = self;
        let mut exchange = link.open(asked, body)?;
        *is_under_way = true;
        loop {
            match exchange.wants() {
                Want::Nothing => return Err(LinkError::Silent),
                Want::Send => {
                    link.transport.write(exchange.request()).await.map_err(LinkError::Transport)?;
                    link.repeated = link.repeated.saturating_add(u32::from(exchange.sent()));
                }
                Want::Byte => {
                    let byte = link.transport.read().await.map_err(LinkError::Transport)?;
                    if let Some(outcome) = exchange.came(byte, &mut link.collector) {
                        let read = outcome.map(read);
                        link.close();
                        *is_under_way = false;
                        return read.map_err(LinkError::Refused)?.ok_or(LinkError::Answer);
                    }
                }
            }
        }
    }
}

/// The virtual chain as an SPI device: see [`AsyncLink::spi`].
#[derive(Debug)]
pub struct AsyncLinkSpi<'a, T> {
    link: &'a AsyncLink<T>,
}

impl<T: AsyncTransport> spi::ErrorType for AsyncLinkSpi<'_, T> {
    type Error = LinkError<T::Error>;
}

impl<T: AsyncTransport> SpiDevice for AsyncLinkSpi<'_, T> {
    async fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), Self::Error> {
        let body = gather(operations);
        let bytes = body.bytes().ok_or(LinkError::TooLong { bytes: body.length(), most: MOST_BODY })?;
        self.link.ask(kind::TRANSACTION, bytes, |came| scatter(operations, came)).await
    }
}

/// Waits of the firmware, in virtual time: see [`AsyncLink::delay`].
///
/// A delay has no way to fail; if the link does, all that is asked of it afterwards is [`LinkError::Lost`].
#[derive(Debug)]
pub struct AsyncLinkDelay<'a, T> {
    link: &'a AsyncLink<T>,
}

impl<T: AsyncTransport> AsyncLinkDelay<'_, T> {
    async fn pass(&self, ns: u64) {
        if self.link.ask(kind::DELAY, &ns.to_le_bytes(), |_| Some(())).await.is_err() {
            self.link.shared.lock().await.link.lose();
        }
    }
}

impl<T: AsyncTransport> DelayNs for AsyncLinkDelay<'_, T> {
    async fn delay_ns(&mut self, ns: u32) {
        self.pass(ns.into()).await;
    }

    async fn delay_us(&mut self, us: u32) {
        self.pass(u64::from(us) * 1_000).await;
    }

    async fn delay_ms(&mut self, ms: u32) {
        self.pass(u64::from(ms) * 1_000_000).await;
    }
}
