//! Guards put in front of a chain: what they refuse is not sent, and what comes back is shown to them.
//!
//! Two ways: [`Chain::send_guarded`] asks guards that the caller keeps, beside calls that ask nobody; a [`GuardedChain`]
//! owns chain and guards, and nothing leaves past them. Reading the position often enough
//! ([`Tracker::longest_gap`](super::Tracker::longest_gap)) stays the caller's business.

use core::fmt;

use embedded_hal::delay::DelayNs;
use embedded_hal::spi::SpiDevice;

#[cfg(feature = "async")]
use crate::chain::AsyncChain;
use crate::chain::{Chain, DeviceError, Error, Heeded, Procedure, RefusalNotice, Step, only, waits};
use crate::command::{AxisCommand, Command};
use crate::map::{ChainMap, Devices, Layout};
use crate::reply::{Reply, ReplyError};

use super::guard::{Fate, Guard, Refused, moves};
use super::raw::Touch;

/// Why a guarded call failed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum GuardedError<E> {
    /// A guard refused a command. Nothing was sent.
    Refused {
        /// The device that it was for.
        device: usize,
        /// Its axis.
        axis: u8,
        /// Why.
        reason: Refused,
    },
    /// As without guards.
    Chain(Error<E>),
}

/// A chain and the guards of its axes, in one: every command passes the guards, and an axis without a guard does not move.
///
/// `C` is a [`Chain`] or an `AsyncChain`. What the guards know is theirs to be told through
/// [`guard_mut`](Self::guard_mut); the chain itself comes out again only by [`into_parts`](Self::into_parts).
///
/// ```no_run
/// # use embedded_hal::delay::DelayNs;
/// # use embedded_hal::spi::SpiDevice;
/// # use core::time::Duration;
/// # fn go<S: SpiDevice>(spi: S, delay: &mut impl DelayNs) -> Result<(), Box<dyn std::error::Error>>
/// # where S::Error: 'static {
/// use stepchain::homing::{AxisHoming, Homing, HomingVelocities, Method, SearchLimits};
/// use stepchain::map::RegisterMap;
/// use stepchain::reference::Latched;
/// use stepchain::track::{Guard, GuardedChain, PositionLimits, Tracker, UnwrappedPosition};
/// use stepchain::units::{Distance, MicrostepResolution, Velocity};
/// use stepchain::{Chain, Command};
///
/// # const SPEEDS: HomingVelocities = HomingVelocities {
/// #     search_for_switch: Velocity::steps_per_s::<400>(),
/// #     search_for_zero: Velocity::steps_per_s::<20>(),
/// # };
/// # const SEARCH: SearchLimits =
/// #     SearchLimits { travel: Distance::from_microsteps(200_000), time: Duration::from_secs(20) };
/// let resolution = MicrostepResolution::from_microsteps_per_step(64);
/// let tracker = Tracker::new(&Latched::LAYOUT.position, resolution, Velocity::steps_per_s::<2000>());
/// let limits = PositionLimits::new(UnwrappedPosition::ZERO, UnwrappedPosition::from_microsteps(90_000));
/// let guard = Guard::new(0, tracker).within(limits, Distance::from_microsteps(640));
/// let mut chain = GuardedChain::new(Chain::<Latched, _, 1>::new(spi), [guard]);
///
/// let there = Command::MoveRelative { distance: Distance::from_microsteps(100) };
/// assert!(chain.send_one(0, there).is_err(), "not homed yet: nothing is sent");
/// let axis = AxisHoming::new(Method::NegativeLimitSwitch, SPEEDS, SEARCH);
/// chain.home(&mut Homing::new(&Latched::LAYOUT, [axis]), delay)?;
/// chain.send_one(0, there)?;
/// # Ok(())
/// # }
/// ```
///
/// # What it does not do
///
/// It refuses commands, and sends none of its own: **a velocity run goes on until somebody stops it**, beyond the limits
/// too. Its owner asks the guard at each reading whether the axis may turn on, and stops it if not:
///
/// ```no_run
/// # use embedded_hal::spi::SpiDevice;
/// use core::time::Duration;
/// use stepchain::map::{BridgeState, Parameter, StopRamp};
/// use stepchain::reference::Latched;
/// use stepchain::track::GuardedChain;
/// use stepchain::units::{Value, Velocity};
/// use stepchain::{Chain, Command};
///
/// # fn keep_in<S: SpiDevice>(
/// #     mut chain: GuardedChain<Chain<Latched, S, 1>, 1>,
/// #     wait: impl Fn(Duration),
/// # ) -> Result<(), Box<dyn std::error::Error>>
/// # where S::Error: 'static {
/// let run = Command::MoveVelocity { velocity: Velocity::steps_per_s::<300>() };
/// let period = Duration::from_millis(5);
/// chain.send_one(0, run)?;
/// loop {
///     wait(period);
///     let reply = chain.send_one(0, Command::read(Parameter::PositionDemandValue))?;
///     let Some(Value::Position(counter)) = reply.value else { continue };
///     let guard = chain.guard_mut(0, 0).ok_or("no such guard")?;
///     let is_known = guard.tracker.update(counter, Some(period)).is_ok();
///     if !is_known || guard.check(run).is_err() {
///         chain.send_one(0, Command::Stop { ramp: StopRamp::Profile, bridge: BridgeState::Driven })?;
///         break;
///     }
/// }
/// # Ok(())
/// # }
/// ```
///
/// Each reading is late by a period and its own frames: [`braking`](Guard::braking) has to hold the way that the axis goes
/// in that time, beside the way in which it stops. A call that fails ends this loop too, and stops nothing.
///
/// [`Tracker::assume`](super::Tracker::assume) and [`homed_at`](super::Tracker::homed_at) say where the axis **rests**: the
/// guard forgets what it was told before, and judges the next command from there alone. Of an axis that moves, that lets
/// moves pass which end beyond the limits: stop it first, and look that it stands. And where it has gone on from the named
/// place, as from a probed position, read it before the next command.
#[derive(Debug)]
pub struct GuardedChain<C, const G: usize> {
    chain: C,
    guards: [Guard; G],
}

impl<C, const G: usize> GuardedChain<C, G> {
    /// Puts guards in front of a chain.
    pub const fn new(chain: C, guards: [Guard; G]) -> Self {
        Self { chain, guards }
    }

    /// The chain, to look at.
    pub const fn chain(&self) -> &C {
        &self.chain
    }

    /// The guards.
    pub const fn guards(&self) -> &[Guard; G] {
        &self.guards
    }

    /// The guard of an axis, to tell its tracker of a reading or of where the axis is, or to give it other limits.
    pub fn guard_mut(&mut self, device: usize, axis: u8) -> Option<&mut Guard> {
        self.guards.iter_mut().find(|guard| guard.watches(device, axis))
    }

    /// Takes both apart again.
    pub fn into_parts(self) -> (C, [Guard; G]) {
        (self.chain, self.guards)
    }

    /// For what moves axes on its own account, and tells the guards of it.
    pub(crate) const fn parts_mut(&mut self) -> (&mut C, &mut [Guard; G]) {
        (&mut self.chain, &mut self.guards)
    }
}

impl<M: ChainMap, S: SpiDevice, const N: usize> Chain<M, S, N> {
    /// As [`send`](Self::send), unless a guard refuses one of the commands; the guards see what comes back.
    ///
    /// # Errors
    /// [`GuardedError`]; nothing was sent where a guard refused.
    pub fn send_guarded<C>(
        &mut self,
        commands: &[C; N],
        guards: &mut [Guard],
    ) -> Result<[Reply; N], GuardedError<S::Error>>
    where
        C: Copy + Into<AxisCommand>,
    {
        let commands = commands.map(Into::into);
        announce(guards, M::DEVICES, &commands, false)?;
        let outcome = self.heeded(commands);
        settle(guards, M::DEVICES, &commands, outcome)?.all().map_err(GuardedError::Chain)
    }
}

impl<M: ChainMap, S: SpiDevice, const N: usize, const G: usize> GuardedChain<Chain<M, S, N>, G> {
    /// As [`Chain::send`], unless a guard refuses one of the commands, or one would move an axis without a guard.
    ///
    /// # Errors
    /// [`GuardedError`]; nothing was sent where a guard refused.
    pub fn send<C>(&mut self, commands: &[C; N]) -> Result<[Reply; N], GuardedError<S::Error>>
    where
        C: Copy + Into<AxisCommand>,
    {
        self.heeded(commands.map(Into::into))?.all().map_err(GuardedError::Chain)
    }

    /// As [`send`](Self::send), with each device's reply or what is wrong with it.
    ///
    /// # Errors
    /// As [`send`](Self::send), but for what is wrong with a single device once the commands were sent.
    pub fn send_each<C>(&mut self, commands: &[C; N]) -> Result<[Result<Reply, DeviceError>; N], GuardedError<S::Error>>
    where
        C: Copy + Into<AxisCommand>,
    {
        Ok(self.heeded(commands.map(Into::into))?.each())
    }

    fn heeded(&mut self, commands: [AxisCommand; N]) -> Result<Heeded<N>, GuardedError<S::Error>> {
        announce(&mut self.guards, M::DEVICES, &commands, true)?;
        let outcome = self.chain.heeded(commands);
        settle(&mut self.guards, M::DEVICES, &commands, outcome)
    }

    /// As [`send`](Self::send), for one device.
    ///
    /// # Errors
    /// As [`send`](Self::send); [`CommandError::NoSuchDevice`](crate::CommandError::NoSuchDevice) if the chain is shorter.
    pub fn send_one(
        &mut self,
        device: usize,
        command: impl Into<AxisCommand>,
    ) -> Result<Reply, GuardedError<S::Error>> {
        let replies = self.send(&only(device, command.into()).map_err(GuardedError::Chain)?)?;
        Ok(replies.get(device).copied().unwrap_or_default())
    }

    /// As [`send`](Self::send), the same for every device.
    ///
    /// # Errors
    /// As [`send`](Self::send).
    pub fn send_all(&mut self, command: Command) -> Result<[Reply; N], GuardedError<S::Error>> {
        self.send(&[command; N])
    }

    /// As [`Chain::run`]: every command of the procedure passes the guards. Homing asks no guard: it
    /// has a call of its own, `home`.
    ///
    /// # Errors
    /// [`GuardedError`]; where a guard refuses, the procedure is left where it is.
    pub fn run<P: Procedure<N>>(
        &mut self,
        procedure: &mut P,
        delay: &mut impl DelayNs,
    ) -> Result<(), GuardedError<S::Error>> {
        loop {
            let mut commands = [AxisCommand::default(); N];
            match procedure.next(&mut commands) {
                Step::Done => return Ok(()),
                Step::Wait(time) => waits(time).for_each(|time_us| delay.delay_us(time_us)),
                Step::Exchange => {
                    announce(&mut self.guards, M::DEVICES, &commands, true)?;
                    let outcome = self.chain.exchange(&commands);
                    procedure.came_back(&settle_raw(&mut self.guards, &commands, outcome)?);
                }
            }
        }
    }
}

#[cfg(feature = "async")]
impl<M: ChainMap, S: embedded_hal_async::spi::SpiDevice, const N: usize> AsyncChain<M, S, N> {
    /// As [`Chain::send_guarded`]. If the future is dropped, the guards take the commands for such that may have arrived.
    ///
    /// # Errors
    /// As [`Chain::send_guarded`].
    pub async fn send_guarded<C>(
        &mut self,
        commands: &[C; N],
        guards: &mut [Guard],
    ) -> Result<[Reply; N], GuardedError<S::Error>>
    where
        C: Copy + Into<AxisCommand>,
    {
        let commands = commands.map(Into::into);
        announce(guards, M::DEVICES, &commands, false)?;
        let outcome = self.heeded(commands).await;
        settle(guards, M::DEVICES, &commands, outcome)?.all().map_err(GuardedError::Chain)
    }
}

#[cfg(feature = "async")]
impl<M: ChainMap, S: embedded_hal_async::spi::SpiDevice, const N: usize, const G: usize>
    GuardedChain<AsyncChain<M, S, N>, G>
{
    /// As that of a blocking chain. If the future is dropped, the guards take the commands for such that may have arrived.
    ///
    /// # Errors
    /// As there.
    pub async fn send<C>(&mut self, commands: &[C; N]) -> Result<[Reply; N], GuardedError<S::Error>>
    where
        C: Copy + Into<AxisCommand>,
    {
        self.heeded(commands.map(Into::into)).await?.all().map_err(GuardedError::Chain)
    }

    /// As [`send`](Self::send), with each device's reply or what is wrong with it.
    ///
    /// # Errors
    /// As [`send`](Self::send), but for what is wrong with a single device once the commands were sent.
    pub async fn send_each<C>(
        &mut self,
        commands: &[C; N],
    ) -> Result<[Result<Reply, DeviceError>; N], GuardedError<S::Error>>
    where
        C: Copy + Into<AxisCommand>,
    {
        Ok(self.heeded(commands.map(Into::into)).await?.each())
    }

    async fn heeded(&mut self, commands: [AxisCommand; N]) -> Result<Heeded<N>, GuardedError<S::Error>> {
        announce(&mut self.guards, M::DEVICES, &commands, true)?;
        let outcome = self.chain.heeded(commands).await;
        settle(&mut self.guards, M::DEVICES, &commands, outcome)
    }

    /// As [`send`](Self::send), for one device.
    ///
    /// # Errors
    /// As [`send`](Self::send); [`CommandError::NoSuchDevice`](crate::CommandError::NoSuchDevice) if the chain is shorter.
    pub async fn send_one(
        &mut self,
        device: usize,
        command: impl Into<AxisCommand>,
    ) -> Result<Reply, GuardedError<S::Error>> {
        let replies = self.send(&only(device, command.into()).map_err(GuardedError::Chain)?).await?;
        Ok(replies.get(device).copied().unwrap_or_default())
    }

    /// As [`send`](Self::send), the same for every device.
    ///
    /// # Errors
    /// As [`send`](Self::send).
    pub async fn send_all(&mut self, command: Command) -> Result<[Reply; N], GuardedError<S::Error>> {
        self.send(&[command; N]).await
    }

    /// As that of a blocking chain: every command of the procedure passes the guards.
    ///
    /// # Errors
    /// As there.
    pub async fn run<P: Procedure<N>>(
        &mut self,
        procedure: &mut P,
        delay: &mut impl embedded_hal_async::delay::DelayNs,
    ) -> Result<(), GuardedError<S::Error>> {
        loop {
            let mut commands = [AxisCommand::default(); N];
            match procedure.next(&mut commands) {
                Step::Done => return Ok(()),
                Step::Wait(time) => {
                    for time_us in waits(time) {
                        delay.delay_us(time_us).await;
                    }
                }
                Step::Exchange => {
                    announce(&mut self.guards, M::DEVICES, &commands, true)?;
                    let outcome = self.chain.exchange(&commands).await;
                    procedure.came_back(&settle_raw(&mut self.guards, &commands, outcome)?);
                }
            }
        }
    }
}

/// Asks the guards about every command, and if none refuses, tells them of what is sent next. The first refusal, with its
/// device and axis.
fn announce<E>(
    guards: &mut [Guard],
    devices: Devices,
    commands: &[AxisCommand],
    is_each_guarded: bool,
) -> Result<(), GuardedError<E>> {
    for (device, &asked) in commands.iter().enumerate() {
        let axis = asked.axis;
        let mut is_guarded = false;
        for guard in guards.iter().filter(|guard| guard.watches(device, axis)) {
            is_guarded = true;
            guard.check(asked).map_err(|reason| GuardedError::Refused { device, axis, reason })?;
        }
        if moves(asked.command) && is_each_guarded && !is_guarded {
            return Err(GuardedError::Refused { device, axis, reason: Refused::Unguarded });
        }
        let layout = devices.layout(device);
        for axis in 0..layout.axes {
            if let Touch::Motion(register) = Touch::of(layout, asked, axis)
                && (is_each_guarded || guards.iter().any(|guard| guard.watches(device, axis)))
            {
                return Err(GuardedError::Refused { device, axis, reason: Refused::BareWrite { register } });
            }
        }
    }
    for guard in guards {
        if let Some(&asked) = commands.get(guard.device) {
            guard.announce(devices.layout(guard.device), asked);
        }
    }
    Ok(())
}

/// Shows the guards what came of a call that heeds refusals.
fn settle<E, const N: usize>(
    guards: &mut [Guard],
    devices: Devices,
    commands: &[AxisCommand; N],
    outcome: Result<Heeded<N>, Error<E>>,
) -> Result<Heeded<N>, GuardedError<E>> {
    let outcome = outcome.inspect_err(|error| fail(guards, error)).map_err(GuardedError::Chain)?;
    for guard in guards {
        let answers = outcome.replies.iter().zip(&outcome.errors).zip(commands);
        if let Some(((reply, error), asked)) = answers.into_iter().nth(guard.device) {
            let is_sure = error.is_none() && !is_silent(devices.layout(guard.device), *asked);
            guard.settle(if is_sure { Fate::Sent } else { Fate::Unsure });
            guard.observe(*asked, reply);
        }
    }
    Ok(outcome)
}

/// Shows the guards what came of an exchange in which nobody has looked for refusals.
fn settle_raw<E, const N: usize>(
    guards: &mut [Guard],
    commands: &[AxisCommand; N],
    outcome: Result<[Result<Reply, ReplyError>; N], Error<E>>,
) -> Result<[Result<Reply, ReplyError>; N], GuardedError<E>> {
    let replies = outcome.inspect_err(|error| fail(guards, error)).map_err(GuardedError::Chain)?;
    for guard in guards {
        guard.settle(Fate::Unsure);
        if let Some((Ok(reply), asked)) = replies.iter().zip(commands).nth(guard.device) {
            guard.observe(*asked, reply);
        }
    }
    Ok(replies)
}

/// Whether a device may refuse a command by what its map states, and nothing would tell.
fn is_silent(layout: &Layout, asked: AxisCommand) -> bool {
    let notice = asked.command.verb().and_then(|verb| RefusalNotice::of_verb(layout, verb));
    notice == Some(RefusalNotice::Never)
}

fn fail<E>(guards: &mut [Guard], error: &Error<E>) {
    let is_unsent = matches!(error, Error::Command { .. } | Error::NotNow { .. });
    guards.iter_mut().for_each(|guard| guard.settle(if is_unsent { Fate::Unsent } else { Fate::Unsure }));
}

impl<E: embedded_hal::spi::Error> fmt::Display for GuardedError<E> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Refused { device, axis, reason } => write!(f, "device {device}, axis {axis}: {reason}"),
            Self::Chain(error) => write!(f, "{error}"),
        }
    }
}

impl<E: embedded_hal::spi::Error> core::error::Error for GuardedError<E> {}
