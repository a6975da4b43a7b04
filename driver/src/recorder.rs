//! Keeps the last transactions of a bus: an `SpiDevice` around an `SpiDevice`, and a ring of bytes.
//!
//! Stands between a front ([`Chain`](crate::Chain), or whatever speaks to the bus) and the firmware's own SPI device,
//! and passes every operation on as it came. With the feature `async` it is an `SpiDevice` of embedded-hal-async too,
//! around one. Knows no map: what the bytes mean is seen later, where there is room for
//! it, from the lines that [`Recorder::dump`] writes.
//!
//! One transaction is one frame, whatever operations it is made of; their bytes follow one another:
//!
//! ```text
//!   operation    Write [A5 5A]   Read (2 bytes)   DelayNs   TransferInPlace [7E]
//!   MOSI          A5 5A           00 00            -         7E
//!   MISO          00 00           as it came       -         as it came
//! ```
//!
//! The zeros stand for what is not known here: during a read the HAL sends a filler of its own, and what comes in
//! during a write it throws away. If nothing came in during a whole transaction, or if it failed, there is no MISO.
//!
//! A frame enters the ring before its first bit leaves, with what is to be sent, and is completed when the bus is done.
//! So a future that is dropped amid its transaction leaves a frame without MISO, which says so
//! ([`Frame::is_unfinished`]); one that was never polled leaves none.

use core::fmt;

use embedded_hal::spi::{ErrorType, Operation, SpiDevice};

/// An SPI device that keeps the last `FRAMES` transactions, up to `BYTES` bytes of each in either direction.
///
/// Takes about 2·`BYTES` + 40 bytes for each frame. Give a front a `&mut Recorder` to have the recorder at hand again
/// once the front is gone.
///
/// ```
/// # use embedded_hal_mock::eh1::spi::{Mock, Transaction};
/// use embedded_hal::spi::SpiDevice;
/// use stepchain::Recorder;
///
/// # let spi = Mock::new(&[
/// #     Transaction::transaction_start(),
/// #     Transaction::transfer_in_place(vec![0xE0, 0x00], vec![0x81, 0x0D]),
/// #     Transaction::transaction_end(),
/// # ]);
/// let mut spi = Recorder::<_, 8, 16>::new(spi);
/// spi.transfer_in_place(&mut [0xE0, 0x00])?;
/// assert_eq!(spi.csv().to_string(), "time_s,frame,mosi,miso\n0,0,e000,810d\n");
/// # spi.release().done();
/// # Ok::<(), embedded_hal::spi::ErrorKind>(())
/// ```
#[derive(Clone, Debug)]
pub struct Recorder<S, const FRAMES: usize, const BYTES: usize> {
    spi: S,
    clock: Option<fn() -> u64>,
    frames: [Option<Frame<BYTES>>; FRAMES],
    /// The place that the next frame takes, which is the oldest frame's once all are taken.
    next: usize,
    /// The next frame's number.
    number: u32,
}

/// One transaction, as it was recorded.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Frame<const BYTES: usize> {
    number: u32,
    time_ns: Option<u64>,
    mosi: [u8; BYTES],
    miso: [u8; BYTES],
    /// Bytes of the whole transaction, more than `BYTES` if it was cut.
    length: usize,
    has_miso: bool,
    end: End,
}

/// How a transaction ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
enum End {
    /// Not yet, or never.
    Open,
    Done,
    Failed,
}

impl<S, const FRAMES: usize, const BYTES: usize> Recorder<S, FRAMES, BYTES> {
    /// A recorder of transactions with this SPI device, with nothing recorded yet.
    ///
    /// A recorder without room for a frame, or for a byte in it, does not compile:
    ///
    /// ```compile_fail,E0080
    /// let recorder = stepchain::Recorder::<_, 0, 16>::new(());
    /// ```
    pub const fn new(spi: S) -> Self {
        const {
            assert!(FRAMES > 0, "a recorder needs room for at least one frame");
            assert!(BYTES > 0, "a recorder needs room for at least one byte of a frame");
        }
        Self { spi, clock: None, frames: [None; FRAMES], next: 0, number: 0 }
    }

    /// The same with a clock, which is asked for nanoseconds, since whenever it likes, just before each transaction.
    #[must_use]
    pub fn with_clock(mut self, clock: fn() -> u64) -> Self {
        self.clock = Some(clock);
        self
    }

    /// Gives the SPI device back; what was recorded is gone.
    pub fn release(self) -> S {
        self.spi
    }

    /// How many transactions there have been, those that have dropped out of the ring too; wraps after 2³².
    #[must_use]
    pub const fn count(&self) -> u32 {
        self.number
    }

    /// The frames that are kept, the oldest first.
    pub fn frames(&self) -> impl Iterator<Item = &Frame<BYTES>> {
        let (newer, older) = self.frames.split_at_checked(self.next).unwrap_or_default();
        older.iter().chain(newer).flatten()
    }

    /// Writes the frames that are kept as CSV, the oldest first: a header, then a line for each.
    ///
    /// The columns are `time_s,frame,mosi,miso`: seconds; the frame's number; the bytes in hex, the first on the wire
    /// first. Without a [clock](Self::with_clock) the frame's number stands for the time too, so that lines keep their
    /// order and no two have the same time. A frame that was cut has only its first `BYTES` bytes, and one that failed or
    /// was not finished has no MISO; [`Frame::is_cut`], [`Frame::has_failed`] and [`Frame::is_unfinished`] tell which
    /// they are.
    ///
    /// # Errors
    /// That of `out`.
    pub fn dump(&self, out: &mut impl fmt::Write) -> fmt::Result {
        out.write_str("time_s,frame,mosi,miso\n")?;
        for frame in self.frames() {
            match frame.time_ns {
                Some(ns) => write!(out, "{}.{:09}", ns / 1_000_000_000, ns % 1_000_000_000)?,
                None => write!(out, "{}", frame.number)?,
            }
            writeln!(out, ",{},{},{}", frame.number, Hex(frame.mosi()), Hex(frame.miso()))?;
        }
        Ok(())
    }

    /// The same lines as something to print: on a host, `std::fs::write(path, recorder.csv().to_string())` makes a file that
    /// the program `stepchain` decodes.
    pub fn csv(&self) -> impl fmt::Display + '_ {
        Csv(self)
    }

    /// Enters a frame with what is to be sent; gives its place in the ring.
    fn enter(&mut self, operations: &[Operation<'_, u8>]) -> usize {
        let mut frame = Frame::new(self.number, self.clock.map(|clock| clock()));
        frame.take_mosi(operations);
        let place = self.next;
        if let Some(slot) = self.frames.get_mut(place) {
            *slot = Some(frame);
        }
        self.number = self.number.wrapping_add(1);
        self.next += 1;
        if self.next >= FRAMES {
            self.next = 0;
        }
        place
    }

    /// Completes the frame that entered last with what came in.
    fn complete(&mut self, place: usize, operations: &[Operation<'_, u8>], is_ok: bool) {
        if let Some(Some(frame)) = self.frames.get_mut(place) {
            if is_ok {
                frame.take_miso(operations);
            }
            frame.end = if is_ok { End::Done } else { End::Failed };
        }
    }
}

impl<S: ErrorType, const FRAMES: usize, const BYTES: usize> ErrorType for Recorder<S, FRAMES, BYTES> {
    type Error = S::Error;
}

impl<S: SpiDevice, const FRAMES: usize, const BYTES: usize> SpiDevice for Recorder<S, FRAMES, BYTES> {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), Self::Error> {
        let place = self.enter(operations);
        let result = self.spi.transaction(operations);
        self.complete(place, operations, result.is_ok());
        result
    }
}

#[cfg(feature = "async")]
impl<S, const FRAMES: usize, const BYTES: usize> embedded_hal_async::spi::SpiDevice for Recorder<S, FRAMES, BYTES>
where
    S: embedded_hal_async::spi::SpiDevice,
{
    async fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), Self::Error> {
        let place = self.enter(operations);
        let result = self.spi.transaction(operations).await;
        self.complete(place, operations, result.is_ok());
        result
    }
}

impl<const BYTES: usize> Frame<BYTES> {
    const fn new(number: u32, time_ns: Option<u64>) -> Self {
        Self { number, time_ns, mosi: [0; BYTES], miso: [0; BYTES], length: 0, has_miso: false, end: End::Open }
    }

    /// The frame's number, counted from 0 for the first that the recorder saw.
    #[must_use]
    pub const fn number(&self) -> u32 {
        self.number
    }

    /// When the transaction began, in nanoseconds of the recorder's clock; `None` if it has none.
    #[must_use]
    pub const fn time_ns(&self) -> Option<u64> {
        self.time_ns
    }

    /// The bytes that went out; zeros where the HAL sent a filler of its own.
    #[must_use]
    pub fn mosi(&self) -> &[u8] {
        self.mosi.get(..self.length).unwrap_or(&self.mosi)
    }

    /// The bytes that came in, beside those of [`mosi`](Self::mosi): zeros where the HAL threw them away; empty if it
    /// threw all away, or the transaction failed or was not finished.
    #[must_use]
    pub fn miso(&self) -> &[u8] {
        if !self.has_miso {
            return &[];
        }
        self.miso.get(..self.length).unwrap_or(&self.miso)
    }

    /// How many bytes the whole transaction had, the ones not kept too.
    #[must_use]
    pub const fn length(&self) -> usize {
        self.length
    }

    /// Whether the transaction had more bytes than a frame has room for; the first ones are kept.
    #[must_use]
    pub const fn is_cut(&self) -> bool {
        self.length > BYTES
    }

    /// Whether the bus reported an error; then nobody knows how many of the bytes went out.
    #[must_use]
    pub const fn has_failed(&self) -> bool {
        matches!(self.end, End::Failed)
    }

    /// Whether nobody saw the transaction's end, because its future was dropped; then nobody knows how many of the
    /// bytes went out.
    #[must_use]
    pub const fn is_unfinished(&self) -> bool {
        matches!(self.end, End::Open)
    }

    fn take_mosi(&mut self, operations: &[Operation<'_, u8>]) {
        for operation in operations {
            let (sent, length): (&[u8], usize) = match operation {
                Operation::Read(into) => (&[], into.len()),
                Operation::Write(from) => (from, from.len()),
                Operation::Transfer(into, from) => (from, into.len().max(from.len())),
                Operation::TransferInPlace(bytes) => (bytes, bytes.len()),
                Operation::DelayNs(_) => (&[], 0),
            };
            put(&mut self.mosi, self.length, sent);
            self.length = self.length.saturating_add(length);
        }
    }

    fn take_miso(&mut self, operations: &[Operation<'_, u8>]) {
        let mut at: usize = 0;
        for operation in operations {
            let (received, length): (&[u8], usize) = match operation {
                Operation::Read(into) => (into, into.len()),
                Operation::Write(from) => (&[], from.len()),
                Operation::Transfer(into, from) => (into, into.len().max(from.len())),
                Operation::TransferInPlace(bytes) => (bytes, bytes.len()),
                Operation::DelayNs(_) => (&[], 0),
            };
            self.has_miso |= !received.is_empty();
            put(&mut self.miso, at, received);
            at = at.saturating_add(length);
        }
    }
}

/// What a recorder dumps.
struct Csv<'a, S, const FRAMES: usize, const BYTES: usize>(&'a Recorder<S, FRAMES, BYTES>);

impl<S, const FRAMES: usize, const BYTES: usize> fmt::Display for Csv<'_, S, FRAMES, BYTES> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.dump(f)
    }
}

/// Copies `bytes` to `row` from `at` on; what does not fit is dropped.
fn put(row: &mut [u8], at: usize, bytes: &[u8]) {
    for (place, byte) in row.iter_mut().skip(at).zip(bytes) {
        *place = *byte;
    }
}

/// Bytes as two hex digits each.
struct Hex<'a>(&'a [u8]);

impl fmt::Display for Hex<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}

#[cfg(test)]
mod tests;
