//! The blocking front: a chain of N devices behind one `SpiDevice`.

use core::fmt;
use core::marker::PhantomData;

use embedded_hal::delay::DelayNs;
use embedded_hal::spi::{Mode, SpiDevice};

use crate::command::{AxisCommand, Command, CommandError};
use crate::map::{Layout, RegisterMap};
use crate::reply::{Reply, ReplyError};

use super::codec::Codec;
use super::procedure::{Procedure, Step};
use super::talk::Pending;

/// A daisy chain of `N` devices of the kind `M`, behind the SPI device `S`.
///
/// Owns nothing but the SPI device and a frame buffer of 8·N bytes. Each frame is one transaction with one transfer
/// in place.
///
/// ```
/// # use embedded_hal_mock::eh1::spi::{Mock, Transaction};
/// use stepchain::map::{BridgeState, StopRamp};
/// use stepchain::reference::Latched;
/// use stepchain::{Chain, Command};
///
/// # let spi = Mock::new(&[
/// #     Transaction::transaction_start(),
/// #     Transaction::transfer_in_place(vec![0x3A, 0x18, 0x3A, 0x18], vec![0; 4]),
/// #     Transaction::transaction_end(),
/// # ]);
/// let mut chain = Chain::<Latched, _, 2>::new(spi);
/// chain.send_all(Command::Stop { ramp: StopRamp::Quick, bridge: BridgeState::Driven })?;
/// # chain.release().done();
/// # Ok::<(), stepchain::Error<embedded_hal::spi::ErrorKind>>(())
/// ```
#[derive(Debug)]
pub struct Chain<M, S, const N: usize> {
    spi: S,
    /// A frame needs at most eight bytes for each device; stable Rust cannot say how many exactly.
    buffer: [[u8; 8]; N],
    map: PhantomData<M>,
}

/// Why a call failed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Error<E> {
    /// The SPI transfer failed. What was sent before it may have taken effect.
    Spi(E),
    /// A command cannot be put into words. Nothing was sent.
    Command {
        /// The device that it was for.
        device: usize,
        /// Why not.
        error: CommandError,
    },
    /// A reply cannot be believed. The commands were sent.
    Reply {
        /// The device that answered.
        device: usize,
        /// Why not.
        error: ReplyError,
    },
}

impl<E: embedded_hal::spi::Error> fmt::Display for Error<E> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Spi(error) => write!(f, "the SPI transfer failed: {}", error.kind()),
            Self::Command { device, error } => write!(f, "device {device}: {error}"),
            Self::Reply { device, error } => write!(f, "device {device}: {error}"),
        }
    }
}

impl<E: embedded_hal::spi::Error> core::error::Error for Error<E> {
    fn source(&self) -> Option<&(dyn core::error::Error + 'static)> {
        match self {
            Self::Spi(_) => None,
            Self::Command { error, .. } => Some(error),
            Self::Reply { error, .. } => Some(error),
        }
    }
}

impl<M: RegisterMap, S: SpiDevice, const N: usize> Chain<M, S, N> {
    /// What the devices of the chain are like.
    pub const LAYOUT: &'static Layout = &M::LAYOUT;

    const CODEC: Codec = {
        M::LAYOUT.assert_valid_for(N);
        Codec::of_checked(&M::LAYOUT)
    };

    /// The chain behind an SPI device, which must be set to the map's [mode](Self::spi_mode) and to a clock that is
    /// not above the map's greatest.
    ///
    /// A flawed map, or a number of devices that it cannot frame, does not compile. Nothing is sent.
    pub const fn new(spi: S) -> Self {
        let _ = Self::CODEC;
        Self { spi, buffer: [[0; 8]; N], map: PhantomData }
    }

    /// The SPI mode that the devices want, in embedded-hal's terms.
    #[must_use]
    pub const fn spi_mode() -> Mode {
        M::LAYOUT.wire.mode.to_hal()
    }

    /// Gives the SPI device back.
    pub fn release(self) -> S {
        self.spi
    }

    /// Sends one command to each device; all of them are complete on the same chip-select edge.
    ///
    /// # Errors
    /// [`Error::Command`] before anything is sent; [`Error::Spi`]; [`Error::Reply`] for the first device whose reply
    /// cannot be believed ([`exchange`](Self::exchange) gives the others' too).
    pub fn send<C>(&mut self, commands: &[C; N]) -> Result<[Reply; N], Error<S::Error>>
    where
        C: Copy + Into<AxisCommand>,
    {
        let mut replies = [Reply::default(); N];
        let results = self.exchange(commands)?;
        for (device, (reply, result)) in replies.iter_mut().zip(results).enumerate() {
            *reply = result.map_err(|error| Error::Reply { device, error })?;
        }
        Ok(replies)
    }

    /// As [`send`](Self::send), with each device's reply or what is wrong with it.
    ///
    /// # Errors
    /// [`Error::Command`] before anything is sent; [`Error::Spi`].
    pub fn exchange<C>(&mut self, commands: &[C; N]) -> Result<[Result<Reply, ReplyError>; N], Error<S::Error>>
    where
        C: Copy + Into<AxisCommand>,
    {
        let mut pending = [Pending::default(); N];
        let mut results = [Ok(Reply::default()); N];
        let frame = self.buffer.as_flattened_mut().get_mut(..const { M::LAYOUT.frame_bytes(N) }).unwrap_or_default();
        let mut talk = Self::CODEC
            .talk(commands, &mut pending, frame)
            .map_err(|(device, error)| Error::Command { device, error })?;
        while let Some(frame) = talk.next_frame() {
            self.spi.transfer_in_place(frame).map_err(Error::Spi)?;
            talk.came_back();
        }
        for (device, result) in results.iter_mut().enumerate() {
            if let Some(reply) = talk.reply(device) {
                *result = reply;
            }
        }
        Ok(results)
    }

    /// Sends one command to one device, and filler to the others.
    ///
    /// # Errors
    /// As [`send`](Self::send); [`CommandError::NoSuchDevice`] if the chain is shorter.
    pub fn send_one(&mut self, device: usize, command: impl Into<AxisCommand>) -> Result<Reply, Error<S::Error>> {
        let mut commands = [AxisCommand::default(); N];
        let Some(place) = commands.get_mut(device) else {
            return Err(Error::Command { device, error: CommandError::NoSuchDevice { devices: N } });
        };
        *place = command.into();
        let replies = self.send(&commands)?;
        Ok(replies.get(device).copied().unwrap_or_default())
    }

    /// Sends the same command to every device; all of them are complete on the same chip-select edge.
    ///
    /// # Errors
    /// As [`send`](Self::send).
    pub fn send_all(&mut self, command: Command) -> Result<[Reply; N], Error<S::Error>> {
        self.send(&[command; N])
    }

    /// Runs a procedure to its end, with `delay` for the times that it waits.
    ///
    /// # Errors
    /// [`Error::Spi`], or [`Error::Command`] if the procedure asks for what the map does not have. Replies that cannot
    /// be believed are the procedure's business.
    pub fn run<P: Procedure<N>>(&mut self, procedure: &mut P, delay: &mut impl DelayNs) -> Result<(), Error<S::Error>> {
        loop {
            match self.poll(procedure)? {
                Step::Done => return Ok(()),
                Step::Wait(time) => delay.delay_us(u32::try_from(time.as_micros()).unwrap_or(u32::MAX)),
                Step::Exchange => {}
            }
        }
    }

    /// Takes one step of a procedure: exchanges what it asks for, or tells how long it waits, or that it is done.
    ///
    /// # Errors
    /// As [`run`](Self::run).
    pub fn poll<P: Procedure<N>>(&mut self, procedure: &mut P) -> Result<Step, Error<S::Error>> {
        let mut commands = [AxisCommand::default(); N];
        let step = procedure.next(&mut commands);
        if step == Step::Exchange {
            let replies = self.exchange(&commands)?;
            procedure.came_back(&replies);
        }
        Ok(step)
    }
}
