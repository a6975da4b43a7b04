//! The async front: the same chain behind an `SpiDevice` of embedded-hal-async, for executors.

use core::fmt;

use embedded_hal::digital::PinState;
use embedded_hal::spi::Mode;
use embedded_hal_async::delay::DelayNs;
use embedded_hal_async::digital::Wait;
use embedded_hal_async::spi::SpiDevice;

use crate::command::{AxisCommand, Command};
use crate::map::{ChainMap, Devices, Layout, RegisterMap};
use crate::reply::{Reply, ReplyError};
use crate::table::{Lane, Mapped, Tables};

use super::constant::{Constant, ConstantAnswers, ConstantLook};
use super::error::{DeviceError, Error};
use super::exchange::{Exchange, Frame, Frames, ask_each, only, waits};
use super::heed::{Heeded, Heeding};
use super::procedure::{Procedure, Step};
use super::still::UntilStill;
use super::talk::Pending;
use super::verified::{Attempt, Verifier, VerifyError};

/// A daisy chain of `N` devices of the kind `M`, behind the async SPI device `S`: as [`Chain`](super::Chain), which
/// puts the very same bytes on the wire.
///
/// # Futures that are dropped
///
/// A future that has not been polled has sent nothing. One that is dropped later has sent any number of its frames,
/// the one under way perhaps in part, and nothing is known of what came back:
///
/// * A command of one unit, and so one of fixed words, has been carried out or not.
/// * A command of several units may stand half in its device. The chain remembers that, and the next call (of whatever
///   kind) begins with as many idle frames as the longest command has units. The device drops what it holds, or takes
///   the filler for the rest: a velocity or a distance then has bits of the filler, and the device obeys it. Where that
///   matters, let a stop be the next call.
/// * Of a command that is a sequence of register writes the last ones may be missing; the last one sets the device
///   going, so it does not move by half a sequence.
/// * Commands for several devices that end on one edge have all had that edge, or none of them has.
/// * A procedure has not seen the replies of the exchange that was cut off. Run on, it asks for the same again; where
///   a command must not arrive twice, begin a new procedure.
///
/// Between two calls nothing is under way, so a future that waits for a pin or a delay may be dropped freely.
///
/// ```
/// # use embedded_hal::spi::{ErrorKind, ErrorType, Operation};
/// # use embedded_hal_async::spi::SpiDevice;
/// # struct Bus;
/// # impl ErrorType for Bus { type Error = ErrorKind; }
/// # impl SpiDevice for Bus {
/// #     async fn transaction(&mut self, _: &mut [Operation<'_, u8>]) -> Result<(), ErrorKind> { Ok(()) }
/// # }
/// use stepchain::reference::Latched;
/// use stepchain::units::Distance;
/// use stepchain::{AsyncChain, Command, Error};
///
/// async fn nudge<S: SpiDevice>(chain: &mut AsyncChain<Latched, S, 2>) -> Result<(), Error<S::Error>> {
///     chain.send_one(1, Command::MoveRelative { distance: Distance::from_microsteps(16) }).await?;
///     Ok(())
/// }
/// # let mut chain = AsyncChain::new(Bus);
/// # let mut future = core::pin::pin!(nudge(&mut chain));
/// # let mut context = core::task::Context::from_waker(core::task::Waker::noop());
/// # assert!(future.as_mut().poll(&mut context).is_ready());
/// ```
#[derive(Debug)]
pub struct AsyncChain<M, S, const N: usize> {
    spi: S,
    frames: Frames<M, N>,
}

/// Why waiting for standstill by a pin failed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum PinWaitError<E, P> {
    /// The pin could not be read.
    Pin(P),
    /// A call of the chain failed.
    Chain(Error<E>),
}

impl<E: embedded_hal::spi::Error, P: embedded_hal::digital::Error> fmt::Display for PinWaitError<E, P> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Pin(error) => write!(f, "the busy pin could not be waited for: {}", error.kind()),
            Self::Chain(error) => error.fmt(f),
        }
    }
}

impl<E: embedded_hal::spi::Error, P: embedded_hal::digital::Error> core::error::Error for PinWaitError<E, P> {
    fn source(&self) -> Option<&(dyn core::error::Error + 'static)> {
        match self {
            Self::Pin(_) => None,
            Self::Chain(error) => error.source(),
        }
    }
}

impl<M: RegisterMap, S: SpiDevice, const N: usize> AsyncChain<M, S, N> {
    /// What the devices of the chain are like, all of them.
    pub const LAYOUT: &'static Layout = &M::LAYOUT;
}

impl<M: ChainMap, S: SpiDevice, const N: usize> AsyncChain<M, S, N> {
    /// What each device of the chain is like.
    pub const DEVICES: Devices = M::DEVICES;
    /// The same by the tables that the compiler has made of it: see [`Chain::MAPPED`](super::Chain::MAPPED).
    pub const MAPPED: Mapped<M> = Mapped::NEW;

    /// The chain behind an SPI device: see [`Chain::new`](super::Chain::new).
    pub const fn new(spi: S) -> Self {
        Self { spi, frames: Frames::new() }
    }

    /// The SPI mode that the devices want, in embedded-hal's terms.
    #[must_use]
    pub const fn spi_mode() -> Mode {
        M::DEVICES.mode().to_hal()
    }

    /// Gives the SPI device back.
    pub fn release(self) -> S {
        self.spi
    }

    /// The SPI device, to look at.
    pub const fn spi(&self) -> &S {
        &self.spi
    }

    /// Whether no device can hold a part of a command, as far as the chain knows.
    ///
    /// Not so after a failed transfer or a dropped future, until the next call.
    #[must_use]
    pub const fn is_in_step(&self) -> bool {
        self.frames.is_in_step()
    }

    /// Lets the next call begin with idle frames: see [`Chain::doubt_step`](super::Chain::doubt_step).
    pub const fn doubt_step(&mut self) {
        self.frames.set_in_step(false);
    }

    /// Every device holds filler now.
    pub(crate) const fn trust_step(&mut self) {
        self.frames.set_in_step(true);
    }

    /// For what sends frames of its own making.
    pub(crate) const fn spi_mut(&mut self) -> &mut S {
        &mut self.spi
    }

    /// Sends one command to each device; all of them are complete on the same chip-select edge.
    ///
    /// # Errors
    /// As [`Chain::send`](super::Chain::send).
    pub async fn send<C>(&mut self, commands: &[C; N]) -> Result<[Reply; N], Error<S::Error>>
    where
        C: Copy + Into<AxisCommand>,
    {
        let mut heeding = Heeding::new(Mapped::<M>::NEW, commands.map(Into::into));
        self.heed(&mut heeding).await?;
        heeding.all()
    }

    /// As [`send`](Self::send), with each device's reply or what is wrong with it.
    ///
    /// # Errors
    /// As [`send`](Self::send), but for what is wrong with a single device once the commands were sent.
    pub async fn send_each<C>(&mut self, commands: &[C; N]) -> Result<[Result<Reply, DeviceError>; N], Error<S::Error>>
    where
        C: Copy + Into<AxisCommand>,
    {
        Ok(self.heeded(commands.map(Into::into)).await?.each())
    }

    pub(crate) async fn heeded(&mut self, commands: [AxisCommand; N]) -> Result<Heeded<N>, Error<S::Error>> {
        let mut heeding = Heeding::new(Mapped::<M>::NEW, commands);
        self.heed(&mut heeding).await?;
        heeding.finish()
    }

    async fn heed(&mut self, heeding: &mut Heeding<Mapped<M>, N>) -> Result<(), Error<S::Error>> {
        heeding.check()?;
        while self.poll(heeding).await? != Step::Done {}
        Ok(())
    }

    /// Sends one command to each device, as few bytes as that takes, and gives each device's reply or what is wrong with
    /// it: looks at nothing, so that a command which a device refuses goes unnoticed.
    ///
    /// For loops that look at the status themselves, and for what has to be quick.
    ///
    /// # Errors
    /// [`Error::Command`] before anything is sent; [`Error::Spi`].
    pub async fn exchange<C>(&mut self, commands: &[C; N]) -> Result<[Result<Reply, ReplyError>; N], Error<S::Error>>
    where
        C: Copy + Into<AxisCommand>,
    {
        let mut results = [Ok(Reply::default()); N];
        self.exchange_into(&commands.map(Into::into), &mut results).await?;
        Ok(results)
    }

    /// As [`exchange`](Self::exchange), with the replies in places that hold empty ones.
    async fn exchange_into(
        &mut self,
        commands: &[AxisCommand; N],
        results: &mut [Result<Reply, ReplyError>; N],
    ) -> Result<(), Error<S::Error>> {
        if const { Tables::<M>::ARE_WHOLE } {
            let next = |device| commands.get(device).copied().unwrap_or_default();
            let take = |device, found| {
                if let Some(place) = results.get_mut(device) {
                    *place = found;
                }
            };
            return self.exchange_by_tables::<false>(next, take).await;
        }
        let mut pending = [Pending::default(); N];
        let mut exchange = self.frames.begin(commands, &mut pending)?;
        transfer(&mut self.spi, &mut exchange).await?;
        exchange.finish(results);
        Ok(())
    }

    /// As [`Chain::exchange_each`](super::Chain::exchange_each).
    ///
    /// # Errors
    /// As there.
    #[inline(always)]
    pub async fn exchange_each<C: Into<AxisCommand>>(
        &mut self,
        mut command: impl FnMut(usize) -> C,
        mut reply: impl FnMut(usize, Result<Reply, ReplyError>),
    ) -> Result<(), Error<S::Error>> {
        if const { Tables::<M>::ARE_WHOLE } {
            return self.exchange_by_tables::<true>(|device| command(device).into(), reply).await;
        }
        let mut device = 0;
        let commands = [(); N].map(|()| {
            device += 1;
            command(device - 1).into()
        });
        self.exchange(&commands).await?.into_iter().enumerate().for_each(|(device, found)| reply(device, found));
        Ok(())
    }

    /// As [`exchange_each`](Self::exchange_each), by tables, which are compiled into the caller or not.
    #[inline(always)]
    async fn exchange_by_tables<const HERE: bool>(
        &mut self,
        command: impl FnMut(usize) -> AxisCommand,
        mut reply: impl FnMut(usize, Result<Reply, ReplyError>),
    ) -> Result<(), Error<S::Error>> {
        let mut lanes = [Lane::NOTHING; N];
        let lengths = ask_each::<M, _, N, HERE>(&mut lanes, command)?;
        if let Some(mut exchange) = self.frames.begin_in_step(&mut lanes, lengths) {
            transfer(&mut self.spi, &mut exchange).await?;
            exchange.is_over();
            lanes.iter().enumerate().for_each(|(device, lane)| reply(device, lane.reply::<M>(lengths.answers)));
            return Ok(());
        }
        let mut asked = lanes.each_ref().map(Lane::whole::<M>);
        let mut exchange = self.frames.begin_asked(&mut asked);
        transfer(&mut self.spi, &mut exchange).await?;
        exchange.is_over();
        asked.iter().enumerate().for_each(|(device, one)| reply(device, one.reply::<M>()));
        Ok(())
    }

    /// As [`Chain::exchange_constant`](super::Chain::exchange_constant).
    ///
    /// # Errors
    /// [`Error::Spi`].
    pub async fn exchange_constant<const B: usize, const F: usize>(
        &mut self,
        constant: &Constant<M, N, B, F>,
    ) -> Result<(), Error<S::Error>> {
        for _ in 0..self.frames.idle_frames() {
            if let Some(frame) = self.frames.set(constant.filler()) {
                self.spi.transfer_in_place(frame).await.map_err(Error::Spi)?;
            }
        }
        for next in constant.frames() {
            if let Some(frame) = self.frames.set(next) {
                self.spi.transfer_in_place(frame).await.map_err(Error::Spi)?;
            }
        }
        self.frames.set_in_step(true);
        Ok(())
    }

    /// As [`Chain::look_constant`](super::Chain::look_constant).
    ///
    /// # Errors
    /// [`Error::Spi`].
    pub async fn look_constant<const B: usize, const F: usize>(
        &mut self,
        look: &ConstantLook<M, N, B, F>,
    ) -> Result<ConstantAnswers<'_, M, N, B>, Error<S::Error>> {
        self.exchange_constant(look.constant()).await?;
        // The frame is as long as the chain's, or the constant would have been refused.
        Ok(ConstantAnswers::new(self.frames.last().unwrap_or(&[0; B])))
    }

    /// Sends one command to one device, and filler to the others.
    ///
    /// # Errors
    /// As [`Chain::send_one`](super::Chain::send_one).
    pub async fn send_one(&mut self, device: usize, command: impl Into<AxisCommand>) -> Result<Reply, Error<S::Error>> {
        let replies = self.send(&only(device, command.into())?).await?;
        Ok(replies.get(device).copied().unwrap_or_default())
    }

    /// Sends the same command to every device; all of them are complete on the same chip-select edge.
    ///
    /// # Errors
    /// As [`send`](Self::send).
    pub async fn send_all(&mut self, command: Command) -> Result<[Reply; N], Error<S::Error>> {
        self.send(&[command; N]).await
    }

    /// As [`Chain::send_verified`](super::Chain::send_verified).
    ///
    /// # Errors
    /// As there.
    pub async fn send_verified<C>(
        &mut self,
        commands: &[C; N],
        verifier: &mut Verifier,
    ) -> Result<[Reply; N], VerifyError<S::Error>>
    where
        C: Copy + Into<AxisCommand>,
    {
        let mut attempt = Attempt::new(M::DEVICES, commands.map(Into::into), verifier)?;
        loop {
            let step = self.poll(&mut attempt).await;
            if let Some(outcome) = attempt.after(step) {
                return outcome;
            }
        }
    }

    /// Runs a procedure to its end, with `delay` for the times that it waits.
    ///
    /// # Errors
    /// As [`Chain::run`](super::Chain::run).
    pub async fn run<P: Procedure<N>>(
        &mut self,
        procedure: &mut P,
        delay: &mut impl DelayNs,
    ) -> Result<(), Error<S::Error>> {
        loop {
            match self.poll(procedure).await? {
                Step::Done => return Ok(()),
                Step::Wait(time) => {
                    for time_us in waits(time) {
                        delay.delay_us(time_us).await;
                    }
                }
                Step::Exchange => {}
            }
        }
    }

    /// Takes one step of a procedure: exchanges what it asks for, or tells how long it waits, or that it is done.
    ///
    /// # Errors
    /// As [`Chain::run`](super::Chain::run).
    pub async fn poll<P: Procedure<N>>(&mut self, procedure: &mut P) -> Result<Step, Error<S::Error>> {
        let mut commands = [AxisCommand::default(); N];
        let step = procedure.next(&mut commands);
        if step == Step::Exchange {
            let mut replies = [Ok(Reply::default()); N];
            self.exchange_into(&commands, &mut replies).await?;
            procedure.came_back(&replies);
        }
        Ok(step)
    }

    /// Waits until a busy line is at its `idle` level, and then asks the devices' own status, by `still`, which polls on
    /// if the status says that something still moves.
    ///
    /// Nothing is sent while the line is waited for. There is no time limit to that: set one by dropping the future.
    ///
    /// # Errors
    /// [`PinWaitError::Pin`]; [`PinWaitError::Chain`] as [`run`](Self::run). What the status says is in
    /// [`still`](UntilStill::result).
    pub async fn wait_for_pin<W: Wait>(
        &mut self,
        busy: &mut W,
        idle: PinState,
        still: &mut UntilStill<N>,
        delay: &mut impl DelayNs,
    ) -> Result<(), PinWaitError<S::Error, W::Error>> {
        match idle {
            PinState::Low => busy.wait_for_low().await,
            PinState::High => busy.wait_for_high().await,
        }
        .map_err(PinWaitError::Pin)?;
        self.run(still, delay).await.map_err(PinWaitError::Chain)
    }
}

/// Exchanges the frames of one call.
#[inline(always)]
async fn transfer<S: SpiDevice, T: Frame>(spi: &mut S, exchange: &mut Exchange<'_, T>) -> Result<(), Error<S::Error>> {
    while let Some(frame) = exchange.next_frame() {
        spi.transfer_in_place(frame).await.map_err(Error::Spi)?;
        exchange.came_back();
    }
    Ok(())
}
