//! A verified call under way: which stage it is in, what is repeated, what is counted.
//!
//! Knows nothing of what a device is asked in a stage, or of what its answer means: that is `judge`'s.

use crate::command::{AxisCommand, Prepared};
use crate::map::Devices;
use crate::reply::{Reply, ReplyError};

use super::judge::Device;
use super::{Doubt, Verifier, VerifyError};
use crate::chain::error::Error;
use crate::chain::procedure::{Procedure, Step};

/// One verified call under way.
#[derive(Debug)]
pub(in crate::chain) struct Attempt<'a, const N: usize> {
    kinds: Devices,
    verifier: &'a mut Verifier,
    devices: [Device; N],
    stage: Stage,
    retries_left: u8,
}

/// The exchanges of a call, in this order.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Stage {
    Look,
    Base,
    Send,
    Judge,
    Compare,
    Last,
    Over,
}

impl<'a, const N: usize> Attempt<'a, N> {
    /// Sends nothing yet; refuses what cannot be encoded.
    pub(in crate::chain) fn new<E>(
        kinds: Devices,
        commands: [AxisCommand; N],
        verifier: &'a mut Verifier,
    ) -> Result<Self, VerifyError<E>> {
        for (device, &command) in commands.iter().enumerate() {
            let prepared = Prepared::new(kinds.layout(device), command);
            prepared.map_err(|error| VerifyError::Chain(Error::Command { device, error }))?;
        }
        let devices = commands.map(Device::new);
        verifier.counters.calls = verifier.counters.calls.saturating_add(1);
        let retries_left = verifier.retries.count;
        let mut attempt = Self { kinds, verifier, devices, stage: Stage::Look, retries_left };
        attempt.enter(Stage::Look);
        Ok(attempt)
    }

    /// What to make of a step: `None` to go on.
    pub(in crate::chain) fn after<E>(
        &mut self,
        step: Result<Step, Error<E>>,
    ) -> Option<Result<[Reply; N], VerifyError<E>>> {
        match step {
            Ok(Step::Done) => {}
            Ok(_) => return None,
            Err(error @ Error::Spi(_)) => {
                let counters = &mut self.verifier.counters;
                counters.exchanges = counters.exchanges.saturating_add(1);
                counters.spi_errors = counters.spi_errors.saturating_add(1);
                let harmless = self.stage != Stage::Send
                    || self.devices.iter().all(|device| !device.is_asked || device.may_repeat());
                if harmless && self.verifier.retries.spi_errors && self.spend_retry() {
                    return None;
                }
                return Some(Err(VerifyError::Chain(error)));
            }
            Err(error) => return Some(Err(VerifyError::Chain(error))),
        }
        let doubted = self.devices.iter().enumerate().find_map(|(device, state)| {
            let doubt = state.doubt?;
            Some(VerifyError::Device { device, verb: state.command.command.verb(), doubt })
        });
        Some(doubted.map_or_else(|| Ok(self.devices.map(|device| device.reply)), Err))
    }

    fn enter(&mut self, stage: Stage) {
        self.stage = stage;
        for (index, device) in self.devices.iter_mut().enumerate() {
            device.is_asked = device.question(self.kinds.layout(index), stage).is_some();
        }
    }

    fn spend_retry(&mut self) -> bool {
        let left = self.retries_left.checked_sub(1);
        if let Some(left) = left {
            self.retries_left = left;
            self.verifier.counters.retries = self.verifier.counters.retries.saturating_add(1);
        }
        left.is_some()
    }

    fn count(&mut self, doubt: &Doubt) {
        let counters = &mut self.verifier.counters;
        let count = match doubt {
            Doubt::Reply(ReplyError::Crc { .. }) => &mut counters.crc_errors,
            Doubt::Reply(_) => &mut counters.other_reply_errors,
            Doubt::Rejected => &mut counters.rejected,
            Doubt::NotUnderstood { .. } => &mut counters.not_understood,
            Doubt::Differs { .. } => &mut counters.differing,
            Doubt::Stale { .. } | Doubt::NotNow { .. } => return,
        };
        *count = count.saturating_add(1);
    }
}

impl<const N: usize> Procedure<N> for Attempt<'_, N> {
    fn next(&mut self, commands: &mut [AxisCommand; N]) -> Step {
        loop {
            if self.stage == Stage::Over {
                return Step::Done;
            }
            if self.devices.iter().any(|device| device.is_asked) {
                break;
            }
            self.enter(self.stage.next());
        }
        for (index, (place, device)) in commands.iter_mut().zip(&self.devices).enumerate() {
            let question = device.question(self.kinds.layout(index), self.stage);
            if let Some(question) = question.filter(|_| device.is_asked) {
                *place = question;
            }
        }
        Step::Exchange
    }

    fn came_back(&mut self, replies: &[Result<Reply, ReplyError>; N]) {
        self.verifier.counters.exchanges = self.verifier.counters.exchanges.saturating_add(1);
        let mut devices = self.devices;
        let mut again = false;
        for (index, (device, reply)) in devices.iter_mut().zip(replies).enumerate().filter(|(_, (it, _))| it.is_asked) {
            let layout = self.kinds.layout(index);
            let outcome = reply.map_err(Doubt::Reply).and_then(|reply| device.judge(layout, self.stage, &reply));
            let Err(doubt) = outcome else {
                device.is_asked = false;
                continue;
            };
            self.count(&doubt);
            let may_repeat = self.stage != Stage::Send || device.may_repeat();
            let repeats = matches!(doubt, Doubt::Reply(_)) && may_repeat && self.verifier.retries.reply_errors;
            // One repetition serves all devices whose replies are spoilt.
            if repeats && (again || self.spend_retry()) {
                again = true;
            } else {
                device.is_asked = false;
                device.doubt = Some(doubt);
            }
        }
        self.devices = devices;
        if !again {
            let is_doubted = self.devices.iter().any(|device| device.doubt.is_some());
            self.enter(if is_doubted { Stage::Over } else { self.stage.next() });
        }
    }
}

impl Stage {
    const fn next(self) -> Self {
        match self {
            Self::Look => Self::Base,
            Self::Base => Self::Send,
            Self::Send => Self::Judge,
            Self::Judge => Self::Compare,
            Self::Compare => Self::Last,
            Self::Last | Self::Over => Self::Over,
        }
    }
}
