//! The blocking front: a chain of N devices behind one `SpiDevice`.

use embedded_hal::delay::DelayNs;
use embedded_hal::spi::{Mode, SpiDevice};

use crate::command::{AxisCommand, Command};
use crate::map::{ChainMap, Devices, Layout, RegisterMap};
use crate::reply::{Reply, ReplyError};
use crate::table::{Lane, Mapped, Tables};

use super::constant::{Constant, ConstantAnswers, ConstantLook};
use super::error::{DeviceError, Error};
use super::exchange::{Exchange, Frame, Frames, ask_each, only, waits};
use super::heed::{Heeded, Heeding};
use super::procedure::{Procedure, Step};
use super::talk::Pending;
use super::verified::{Attempt, Verifier, VerifyError};

/// A daisy chain of `N` devices of the kind `M`, behind the SPI device `S`; or of the `N` unlike devices that `M` lists, if
/// it is a [`ChainMap`] of its own.
///
/// Owns nothing but the SPI device and a frame buffer of 8·N bytes. Each frame is one transaction with one transfer
/// in place. After a failed transfer the next call begins with idle frames, as many as the longest command has units,
/// which complete what was half sent (with filler in place of what it lacked) or let the devices drop it. What was completed
/// so may have raised a flag that speaks against a command; until the status is taken, [`send`](Self::send) reports it.
///
/// ```
/// # use embedded_hal_mock::eh1::spi::{Mock, Transaction};
/// use stepchain::map::{BridgeState, StopRamp};
/// use stepchain::reference::Latched;
/// use stepchain::{Chain, Command};
///
/// # let frame = |mosi: [u8; 4], miso: [u8; 4]| [
/// #     Transaction::transaction_start(),
/// #     Transaction::transfer_in_place(mosi.to_vec(), miso.to_vec()),
/// #     Transaction::transaction_end(),
/// # ];
/// # let look = [frame([0xE0, 0, 0xE0, 0], [0; 4]), frame([0x7E; 4], [0x80, 0x01, 0x80, 0x01])].concat();
/// # let spi = Mock::new(&[&frame([0x3A, 0x18, 0x3A, 0x18], [0; 4])[..], &look].concat());
/// let mut chain = Chain::<Latched, _, 2>::new(spi);
/// chain.send_all(Command::Stop { ramp: StopRamp::Quick, bridge: BridgeState::Driven })?;
/// # chain.release().done();
/// # Ok::<(), stepchain::Error<embedded_hal::spi::ErrorKind>>(())
/// ```
#[derive(Debug)]
pub struct Chain<M, S, const N: usize> {
    spi: S,
    frames: Frames<M, N>,
}

impl<M: RegisterMap, S: SpiDevice, const N: usize> Chain<M, S, N> {
    /// What the devices of the chain are like, all of them.
    pub const LAYOUT: &'static Layout = &M::LAYOUT;
}

impl<M: ChainMap, S: SpiDevice, const N: usize> Chain<M, S, N> {
    /// What each device of the chain is like.
    pub const DEVICES: Devices = M::DEVICES;
    /// The same by the tables that the compiler has made of it: for procedures, which take less flash with it.
    pub const MAPPED: Mapped<M> = Mapped::NEW;

    /// The chain behind an SPI device, which must be set to the map's [mode](Self::spi_mode) and to a clock that is
    /// not above the map's [greatest](Devices::max_clock_hz).
    ///
    /// A flawed map, maps of unlike wire form, or a number of devices that cannot be framed do not compile. Nothing is sent.
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
    /// Not so after a failed transfer, until the next call.
    #[must_use]
    pub const fn is_in_step(&self) -> bool {
        self.frames.is_in_step()
    }

    /// Lets the next call begin with idle frames, as after a failed transfer: for a processor that has started anew
    /// while its devices have not, or when somebody else has used the bus.
    ///
    /// ```
    /// # use embedded_hal_mock::eh1::spi::{Mock, Transaction};
    /// # use stepchain::{Chain, Command, reference::Latched};
    /// # let frame = |mosi: [u8; 2], miso: [u8; 2]| [
    /// #     Transaction::transaction_start(),
    /// #     Transaction::transfer_in_place(mosi.to_vec(), miso.to_vec()),
    /// #     Transaction::transaction_end(),
    /// # ];
    /// # let idle = [frame([0x7E; 2], [0; 2]), frame([0x7E; 2], [0; 2]), frame([0x7E; 2], [0; 2])].concat();
    /// # let look = [frame([0xE0, 0], [0; 2]), frame([0x7E, 0x7E], [0x80, 0x01])].concat();
    /// # let spi = Mock::new(&[idle, frame([0x4D, 0x5A], [0; 2]).to_vec(), look].concat());
    /// let mut chain = Chain::<Latched, _, 1>::new(spi);
    /// chain.doubt_step();
    /// chain.send_all(Command::HomeOnCurrentPosition)?;
    /// assert!(chain.is_in_step());
    /// # chain.release().done();
    /// # Ok::<(), stepchain::Error<embedded_hal::spi::ErrorKind>>(())
    /// ```
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
    /// A device may refuse what it is told. What this costs beside the command, [`RefusalNotice`](super::RefusalNotice)
    /// says for a map: nothing, if the command's own reply tells; else one more exchange, in which the devices peek at the
    /// status that got a command and the others get filler. That comes afterwards where the map has flags that tell, and
    /// its status is then in the reply; else beforehand, where the status tells a state in which the map says that the
    /// command is refused. Reading, peeking, taking and filler are sent as they are. [`exchange`](Self::exchange) looks at
    /// nothing.
    ///
    /// A device that takes its time to start anew may answer anything meanwhile: send
    /// [`Command::ResetNode`] to such a one by [`exchange`](Self::exchange).
    ///
    /// # Errors
    /// [`Error::Command`] and [`Error::NotNow`] before any command is sent; [`Error::Spi`]; [`Error::Reply`] or
    /// [`Error::Rejected`] for the first device whose reply cannot be believed or whose status speaks against its command
    /// ([`send_each`](Self::send_each) gives the others' too).
    pub fn send<C>(&mut self, commands: &[C; N]) -> Result<[Reply; N], Error<S::Error>>
    where
        C: Copy + Into<AxisCommand>,
    {
        let mut heeding = Heeding::new(Mapped::<M>::NEW, commands.map(Into::into));
        self.heed(&mut heeding)?;
        heeding.all()
    }

    /// As [`send`](Self::send), with each device's reply or what is wrong with it.
    ///
    /// # Errors
    /// As [`send`](Self::send), but for what is wrong with a single device once the commands were sent.
    pub fn send_each<C>(&mut self, commands: &[C; N]) -> Result<[Result<Reply, DeviceError>; N], Error<S::Error>>
    where
        C: Copy + Into<AxisCommand>,
    {
        Ok(self.heeded(commands.map(Into::into))?.each())
    }

    pub(crate) fn heeded(&mut self, commands: [AxisCommand; N]) -> Result<Heeded<N>, Error<S::Error>> {
        let mut heeding = Heeding::new(Mapped::<M>::NEW, commands);
        self.heed(&mut heeding)?;
        heeding.finish()
    }

    fn heed(&mut self, heeding: &mut Heeding<Mapped<M>, N>) -> Result<(), Error<S::Error>> {
        heeding.check()?;
        while self.poll(heeding)? != Step::Done {}
        Ok(())
    }

    /// Sends one command to each device, as few bytes as that takes, and gives each device's reply or what is wrong with
    /// it: looks at nothing, so that a command which a device refuses goes unnoticed.
    ///
    /// For loops that look at the status themselves, and for what has to be quick.
    ///
    /// # Errors
    /// [`Error::Command`] before anything is sent; [`Error::Spi`].
    pub fn exchange<C>(&mut self, commands: &[C; N]) -> Result<[Result<Reply, ReplyError>; N], Error<S::Error>>
    where
        C: Copy + Into<AxisCommand>,
    {
        let mut results = [Ok(Reply::default()); N];
        self.exchange_into(&commands.map(Into::into), &mut results)?;
        Ok(results)
    }

    /// As [`exchange`](Self::exchange), with the replies in places that hold empty ones.
    fn exchange_into(
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
            return self.exchange_by_tables::<false>(next, take);
        }
        let mut pending = [Pending::default(); N];
        let mut exchange = self.frames.begin(commands, &mut pending)?;
        transfer(&mut self.spi, &mut exchange)?;
        exchange.finish(results);
        Ok(())
    }

    /// As [`exchange`](Self::exchange), for what has to be quickest: `command` gives each device's command, and `reply` takes
    /// what it has answered, device by device.
    ///
    /// It is compiled into its caller. Where that says which command it is, and only values are known at run time, nothing is
    /// looked up; and no array of replies is made. Each call has its own copy of that in the image.
    ///
    /// ```
    /// # use embedded_hal_mock::eh1::spi::{Mock, Transaction};
    /// # let frame = |mosi: [u8; 4]| [
    /// #     Transaction::transaction_start(),
    /// #     Transaction::transfer_in_place(mosi.to_vec(), vec![0; 4]),
    /// #     Transaction::transaction_end(),
    /// # ];
    /// # let spi = Mock::new(&[frame([0xB4, 0x00, 0xB4, 0x00]), frame([0x27, 0x10, 0x13, 0x88])].concat());
    /// use stepchain::reference::Latched;
    /// use stepchain::units::Velocity;
    /// use stepchain::{Chain, Command};
    ///
    /// let velocities = [Velocity::from_steps_per_s(100)?, Velocity::from_steps_per_s(200)?];
    /// let mut chain = Chain::<Latched, _, 2>::new(spi);
    /// let mut are_well = true;
    /// chain.exchange_each(
    ///     |device| Command::MoveVelocity { velocity: velocities[device] },
    ///     |_, reply| are_well &= reply.is_ok(),
    /// )?;
    /// assert!(are_well);
    /// # chain.release().done();
    /// # Ok::<(), Box<dyn std::error::Error>>(())
    /// ```
    ///
    /// # Errors
    /// As [`exchange`](Self::exchange).
    #[inline(always)]
    pub fn exchange_each<C: Into<AxisCommand>>(
        &mut self,
        mut command: impl FnMut(usize) -> C,
        mut reply: impl FnMut(usize, Result<Reply, ReplyError>),
    ) -> Result<(), Error<S::Error>> {
        if const { Tables::<M>::ARE_WHOLE } {
            return self.exchange_by_tables::<true>(|device| command(device).into(), reply);
        }
        let mut device = 0;
        let commands = [(); N].map(|()| {
            device += 1;
            command(device - 1).into()
        });
        self.exchange(&commands)?.into_iter().enumerate().for_each(|(device, found)| reply(device, found));
        Ok(())
    }

    /// As [`exchange_each`](Self::exchange_each), by tables, which are compiled into the caller or not.
    #[inline(always)]
    fn exchange_by_tables<const HERE: bool>(
        &mut self,
        command: impl FnMut(usize) -> AxisCommand,
        mut reply: impl FnMut(usize, Result<Reply, ReplyError>),
    ) -> Result<(), Error<S::Error>> {
        let mut lanes = [Lane::NOTHING; N];
        let lengths = ask_each::<M, _, N, HERE>(&mut lanes, command)?;
        if let Some(mut exchange) = self.frames.begin_in_step(&mut lanes, lengths) {
            transfer(&mut self.spi, &mut exchange)?;
            exchange.is_over();
            lanes.iter().enumerate().for_each(|(device, lane)| reply(device, lane.reply::<M>(lengths.answers)));
            return Ok(());
        }
        let mut asked = lanes.each_ref().map(Lane::whole::<M>);
        let mut exchange = self.frames.begin_asked(&mut asked);
        transfer(&mut self.spi, &mut exchange)?;
        exchange.is_over();
        asked.iter().enumerate().for_each(|(device, one)| reply(device, one.reply::<M>()));
        Ok(())
    }

    /// Sends commands that are known when the firmware is compiled; looks at nothing that is answered, so that a command which a
    /// device refuses goes unnoticed. Costs no more than the copying of the frames.
    ///
    /// # Errors
    /// [`Error::Spi`].
    pub fn exchange_constant<const B: usize, const F: usize>(
        &mut self,
        constant: &Constant<M, N, B, F>,
    ) -> Result<(), Error<S::Error>> {
        for _ in 0..self.frames.idle_frames() {
            if let Some(frame) = self.frames.set(constant.filler()) {
                self.spi.transfer_in_place(frame).map_err(Error::Spi)?;
            }
        }
        for next in constant.frames() {
            if let Some(frame) = self.frames.set(next) {
                self.spi.transfer_in_place(frame).map_err(Error::Spi)?;
            }
        }
        self.frames.set_in_step(true);
        Ok(())
    }

    /// Asks every device for its status by frames that are made when the firmware is compiled.
    ///
    /// # Errors
    /// [`Error::Spi`].
    pub fn look_constant<const B: usize, const F: usize>(
        &mut self,
        look: &ConstantLook<M, N, B, F>,
    ) -> Result<ConstantAnswers<'_, M, N, B>, Error<S::Error>> {
        self.exchange_constant(look.constant())?;
        // The frame is as long as the chain's, or the constant would have been refused.
        Ok(ConstantAnswers::new(self.frames.last().unwrap_or(&[0; B])))
    }

    /// Sends one command to one device, and filler to the others.
    ///
    /// # Errors
    /// As [`send`](Self::send); [`CommandError::NoSuchDevice`](crate::CommandError::NoSuchDevice) if the chain is shorter.
    pub fn send_one(&mut self, device: usize, command: impl Into<AxisCommand>) -> Result<Reply, Error<S::Error>> {
        let replies = self.send(&only(device, command.into())?)?;
        Ok(replies.get(device).copied().unwrap_or_default())
    }

    /// Sends the same command to every device; all of them are complete on the same chip-select edge.
    ///
    /// # Errors
    /// As [`send`](Self::send).
    pub fn send_all(&mut self, command: Command) -> Result<[Reply; N], Error<S::Error>> {
        self.send(&[command; N])
    }

    /// Sends one command to each device, and makes sure that they were understood, as far as the map lets one: flags are
    /// looked at before and afterwards, and what can be read back is compared.
    ///
    /// Takes up to six exchanges, and repeats what the verifier's policy says and the commands allow. What it notices and
    /// what it cannot is in [`verified`](super::verified).
    ///
    /// ```
    /// # use embedded_hal_mock::eh1::spi::{Mock, Transaction};
    /// use stepchain::chain::{Retries, Verifier};
    /// use stepchain::map::{BridgeState, StopRamp};
    /// use stepchain::reference::Latched;
    /// use stepchain::{Chain, Command};
    ///
    /// # let frame = |mosi: [u8; 2], miso: [u8; 2]| [
    /// #     Transaction::transaction_start(),
    /// #     Transaction::transfer_in_place(mosi.to_vec(), miso.to_vec()),
    /// #     Transaction::transaction_end(),
    /// # ];
    /// # let peek = [frame([0xE0, 0], [0; 2]), frame([0x7E, 0x7E], [0x80, 0x01])].concat();
    /// # let stop = frame([0x3A, 0x18], [0; 2]).to_vec();
    /// # let spi = Mock::new(&[peek.clone(), stop, peek.clone(), peek].concat());
    /// let mut chain = Chain::<Latched, _, 1>::new(spi);
    /// let mut verifier = Verifier::new(Retries::times(2));
    /// let stop = Command::Stop { ramp: StopRamp::Quick, bridge: BridgeState::Driven };
    /// chain.send_verified(&[stop], &mut verifier)?;
    /// assert_eq!(verifier.counters().retries, 0);
    /// # chain.release().done();
    /// # Ok::<(), Box<dyn std::error::Error>>(())
    /// ```
    ///
    /// # Errors
    /// [`VerifyError`]; nothing was sent if a command cannot be encoded, or on [`Doubt::Stale`](super::Doubt::Stale).
    pub fn send_verified<C>(
        &mut self,
        commands: &[C; N],
        verifier: &mut Verifier,
    ) -> Result<[Reply; N], VerifyError<S::Error>>
    where
        C: Copy + Into<AxisCommand>,
    {
        let mut attempt = Attempt::new(M::DEVICES, commands.map(Into::into), verifier)?;
        loop {
            let step = self.poll(&mut attempt);
            if let Some(outcome) = attempt.after(step) {
                return outcome;
            }
        }
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
                Step::Wait(time) => waits(time).for_each(|time_us| delay.delay_us(time_us)),
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
            let mut replies = [Ok(Reply::default()); N];
            self.exchange_into(&commands, &mut replies)?;
            procedure.came_back(&replies);
        }
        Ok(step)
    }
}

/// Exchanges the frames of one call.
#[inline(always)]
fn transfer<S: SpiDevice, T: Frame>(spi: &mut S, exchange: &mut Exchange<'_, T>) -> Result<(), Error<S::Error>> {
    while let Some(frame) = exchange.next_frame() {
        spi.transfer_in_place(frame).map_err(Error::Spi)?;
        exchange.came_back();
    }
    Ok(())
}
