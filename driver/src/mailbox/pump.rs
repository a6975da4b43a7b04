//! The owner's side of the mailbox: what leaves next, what came of it, and the two thin fronts that join the two.

use core::fmt;

use embedded_hal::spi::SpiDevice;

#[cfg(feature = "async")]
use crate::chain::AsyncChain;
use crate::chain::{Chain, DeviceError, Error};
use crate::command::AxisCommand;
use crate::map::ChainMap;
use crate::reply::{Reply, ReplyError};

use super::post::Mailbox;
use super::queue::{Posted, Queues};

/// What leaves in the next exchange: made by [`Mailbox::take`], spent by [`Mailbox::done`].
#[derive(Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[must_use = "what was taken stays in front of its queue until `done` is told what was answered"]
pub struct Taken<const N: usize> {
    posted: [Option<Posted>; N],
}

impl<const N: usize> Taken<N> {
    /// The commands to exchange, filler for devices that have none.
    #[must_use]
    pub fn commands(&self) -> [AxisCommand; N] {
        self.posted.map(|posted| posted.map_or_else(AxisCommand::default, |posted| posted.command))
    }

    /// What was taken for each device.
    #[must_use]
    pub const fn posted(&self) -> &[Option<Posted>; N] {
        &self.posted
    }

    /// Whether there is nothing to exchange.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.posted.iter().all(Option::is_none)
    }
}

/// What one device answered to a posted command.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub struct Answer {
    /// The command, and the ticket by which its poster knows it.
    pub posted: Posted,
    /// The reply, or why it cannot be believed, or that the device has refused a command; the command was sent, and is not
    /// sent again.
    pub result: Result<Reply, DeviceError>,
}

/// Why a pump failed, and which commands the mailbox does not hold any more because of it.
///
/// All other commands that were taken are in front of their queues again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub struct PumpError<E, const N: usize> {
    /// What went wrong.
    pub error: PumpFault<E>,
    /// For each device a command that is not sent again: the one that could not be encoded or would be refused, or after a
    /// failed transfer
    /// or a dropped future those that may have arrived and must not arrive twice.
    pub given_back: [Option<Posted>; N],
}

/// What went wrong in a pump.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum PumpFault<E> {
    /// The exchange failed.
    Chain(Error<E>),
    /// What was taken before was not accounted for, as when the future of a pump is dropped amid its exchange. Nothing
    /// new was taken and nothing sent; pump again.
    Unaccounted,
}

impl<E: embedded_hal::spi::Error> fmt::Display for PumpFault<E> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Chain(error) => error.fmt(f),
            Self::Unaccounted => f.write_str("nobody saw what came of the pump before"),
        }
    }
}

impl<E: embedded_hal::spi::Error> core::error::Error for PumpFault<E> {
    fn source(&self) -> Option<&(dyn core::error::Error + 'static)> {
        match self {
            Self::Chain(error) => error.source(),
            Self::Unaccounted => None,
        }
    }
}

impl<E: embedded_hal::spi::Error, const N: usize> fmt::Display for PumpError<E, N> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let count = self.given_back.iter().flatten().count();
        write!(f, "{}; {count} of the posted commands will not be sent again", self.error)
    }
}

impl<E: embedded_hal::spi::Error, const N: usize> core::error::Error for PumpError<E, N> {
    fn source(&self) -> Option<&(dyn core::error::Error + 'static)> {
        self.error.source()
    }
}

impl<const N: usize, const DEPTH: usize, const AXES: usize> Mailbox<N, DEPTH, AXES> {
    /// Takes the next command of each device that has one.
    ///
    /// What was taken before and is not accounted for by [`done`](Self::done), [`failed`](Self::failed) or
    /// [`refused`](Self::refused) is taken again. For the one owner of the chain alone.
    pub fn take(&self) -> Taken<N> {
        let mut posted = [None; N];
        let _ = self.with(|state| {
            for (posted, queues) in posted.iter_mut().zip(&mut state.devices) {
                *posted = queues.take();
            }
        });
        Taken { posted }
    }

    /// Accounts for what was taken and exchanged, and joins each command to its answer.
    pub fn done(&self, taken: Taken<N>, results: [Result<Reply, ReplyError>; N]) -> [Option<Answer>; N] {
        self.hand_out(taken, results.map(|result| result.map_err(DeviceError::Reply)))
    }

    #[expect(clippy::needless_pass_by_value, reason = "what was taken is accounted for once")]
    fn hand_out(&self, taken: Taken<N>, results: [Result<Reply, DeviceError>; N]) -> [Option<Answer>; N] {
        let Taken { posted } = taken;
        let _ = self.with(|state| {
            for (queues, posted) in state.devices.iter_mut().zip(posted) {
                if let Some(posted) = posted {
                    queues.done(posted.ticket);
                }
            }
        });
        let mut answers = [None; N];
        for (answer, (posted, result)) in answers.iter_mut().zip(posted.into_iter().zip(results)) {
            *answer = posted.map(|posted| Answer { posted, result });
        }
        answers
    }

    /// Accounts for what was taken and may or may not have arrived: gives back what must not arrive twice, and leaves
    /// the rest in front of its queue.
    pub fn failed(&self) -> [Option<Posted>; N] {
        let mut given_back = [None; N];
        let _ = self.with(|state| {
            for (posted, queues) in given_back.iter_mut().zip(&mut state.devices) {
                *posted = queues.failed();
            }
        });
        given_back
    }

    /// Accounts for what was taken and not sent at all because the command of `device` cannot be encoded or would
    /// be refused: gives that one back, and leaves the others' in front of their queues.
    pub fn refused(&self, device: usize) -> Option<Posted> {
        self.with(|state| {
            state.devices.iter_mut().for_each(Queues::not_sent);
            state.devices.get_mut(device)?.refused()
        })
        .flatten()
    }

    /// Sends the next command of each device that has one, all complete on the same chip-select edge, and says what
    /// each device answered.
    ///
    /// Heeds refusals as [`Chain::send`] does: where the commands are others than questions, and their replies do not tell,
    /// a second exchange looks at the status of their devices within the same pump. An owner that has no time for it, or
    /// looks at the status anyway, uses [`take`](Self::take), [`Chain::exchange`] and [`done`](Self::done).
    ///
    /// Sends nothing if nothing waits. A mailbox with another number of axes than the map's (of unlike
    /// devices, than that of the one with most) does not compile:
    ///
    /// ```compile_fail,E0080
    /// # use embedded_hal_mock::eh1::spi::Mock;
    /// use stepchain::reference::Latched;
    /// use stepchain::{Chain, Mailbox};
    ///
    /// fn two_axes_in_each(mailbox: &Mailbox<3, 4, 2>, chain: &mut Chain<Latched, Mock<u8>, 3>) {
    ///     let _ = mailbox.pump(chain);
    /// }
    /// # two_axes_in_each(&Mailbox::new(), &mut Chain::new(Mock::new(&[])));
    /// ```
    ///
    /// # Errors
    /// [`PumpError`] if a command cannot be encoded or the map says that its device would refuse it now, in which case no
    /// command was sent, if a transfer failed (that of the look too: then the commands count as such that may have arrived),
    /// or if what was taken before was not accounted for; each says which commands the mailbox does not hold any more.
    pub fn pump<M: ChainMap, S: SpiDevice>(
        &self,
        chain: &mut Chain<M, S, N>,
    ) -> Result<[Option<Answer>; N], PumpError<S::Error, N>> {
        const { assert!(M::DEVICES.most_axes() as usize == AXES, "the mailbox has another number of axes than the map") };
        let taken = self.begin()?;
        if taken.is_empty() {
            return Ok([None; N]);
        }
        let outcome = chain.send_each(&taken.commands());
        self.account(taken, outcome)
    }

    /// As [`pump`](Self::pump), for an executor.
    ///
    /// If the future is dropped amid its exchange, nobody knows what has arrived. The next pump, of either kind, then
    /// gives back what must not arrive twice, in its error, and sends nothing; the pump after it goes on with the rest.
    ///
    /// # Errors
    /// As [`pump`](Self::pump).
    #[cfg(feature = "async")]
    pub async fn pump_async<M: ChainMap, S: embedded_hal_async::spi::SpiDevice>(
        &self,
        chain: &mut AsyncChain<M, S, N>,
    ) -> Result<[Option<Answer>; N], PumpError<S::Error, N>> {
        const { assert!(M::DEVICES.most_axes() as usize == AXES, "the mailbox has another number of axes than the map") };
        let taken = self.begin()?;
        if taken.is_empty() {
            return Ok([None; N]);
        }
        let outcome = chain.send_each(&taken.commands()).await;
        self.account(taken, outcome)
    }

    /// Takes what leaves next, once nothing is under way of which nobody knows whether it has arrived.
    fn begin<E>(&self) -> Result<Taken<N>, PumpError<E, N>> {
        let given_back = self.failed();
        if given_back.iter().any(Option::is_some) {
            return Err(PumpError { error: PumpFault::Unaccounted, given_back });
        }
        Ok(self.take())
    }

    /// Accounts for what was taken, however its exchange ended.
    fn account<E>(
        &self,
        taken: Taken<N>,
        outcome: Result<[Result<Reply, DeviceError>; N], Error<E>>,
    ) -> Result<[Option<Answer>; N], PumpError<E, N>> {
        match outcome {
            Ok(results) => Ok(self.hand_out(taken, results)),
            Err(error) => {
                let given_back = match error {
                    Error::Command { device, .. } | Error::NotNow { device, .. } => {
                        let mut given_back = [None; N];
                        if let Some(place) = given_back.get_mut(device) {
                            *place = self.refused(device);
                        }
                        given_back
                    }
                    Error::Spi(_) | Error::Reply { .. } | Error::Rejected { .. } => self.failed(),
                };
                Err(PumpError { error: PumpFault::Chain(error), given_back })
            }
        }
    }
}
