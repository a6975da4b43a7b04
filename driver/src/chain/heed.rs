//! A call that heeds refusals: what a device does not do of what it is told does not go unnoticed where its map can tell.
//!
//! ```text
//!   before   peek the status of some     whose map has no flag for refusals, but says in which states it refuses
//!   send     the commands
//!   after    peek the status of some     whose own reply does not bring the flags that tell
//! ```
//!
//! Each line is one exchange for the whole chain, with filler for devices that have nothing to tell, and is left out where
//! no device has. Nothing is looked at for filler and for questions. It is a [`Procedure`], so both fronts run it alike.

use crate::command::{AxisCommand, Command};
use crate::map::{Kinds, Verb};
use crate::reply::{Reply, ReplyError};
use crate::table::Kind;

use super::error::{DeviceError, Error};
use super::procedure::{Procedure, Step};
use super::refusal::{Looks, Obstacle, raised};

/// One call that heeds refusals, under way.
#[derive(Debug)]
pub(super) struct Heeding<K, const N: usize> {
    kinds: K,
    commands: [AxisCommand; N],
    looks: [Looks; N],
    stage: Stage,
    heeded: Heeded<N>,
    /// The first device that would refuse its command, and why.
    hindered: Option<(usize, Verb, Obstacle)>,
}

/// What came of the commands of one call, once they were sent.
#[derive(Debug)]
pub(crate) struct Heeded<const N: usize> {
    /// The replies, with the status that was looked at afterwards.
    pub(crate) replies: [Reply; N],
    pub(crate) errors: [Option<DeviceError>; N],
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Stage {
    Before,
    Send,
    After,
    Over,
}

impl<K: Kinds, const N: usize> Heeding<K, N> {
    /// Sends nothing yet.
    pub(super) fn new(kinds: K, commands: [AxisCommand; N]) -> Self {
        let mut looks = [Looks::NOTHING; N];
        for (device, (looks, &command)) in looks.iter_mut().zip(&commands).enumerate() {
            *looks = kinds.kind(device).looks(command);
            looks.before &= K::Kind::LOOKS_BEFORE;
        }
        let heeded = Heeded { replies: [Reply::default(); N], errors: [None; N] };
        Self { kinds, commands, looks, stage: Stage::Before, heeded, hindered: None }
    }

    /// Refuses what cannot be encoded, if something goes out before the commands.
    pub(super) fn check<E>(&self) -> Result<(), Error<E>> {
        if K::Kind::LOOKS_BEFORE && self.looks.iter().any(|looks| looks.before) {
            for (device, &command) in self.commands.iter().enumerate() {
                self.kinds.kind(device).say(command).map_err(|error| Error::Command { device, error })?;
            }
        }
        Ok(())
    }

    /// The replies, unless something is wrong with one of them: then the first of that.
    pub(super) fn all<E>(&self) -> Result<[Reply; N], Error<E>> {
        if K::Kind::LOOKS_BEFORE
            && let Some((device, verb, obstacle)) = self.hindered
        {
            return Err(Error::NotNow { device, verb, obstacle });
        }
        self.heeded.all()
    }

    /// What came of it, once it is over.
    pub(super) fn finish<E>(self) -> Result<Heeded<N>, Error<E>> {
        match self.hindered {
            None => Ok(self.heeded),
            Some((device, verb, obstacle)) => Err(Error::NotNow { device, verb, obstacle }),
        }
    }
}

impl<const N: usize> Heeded<N> {
    /// The replies, unless something is wrong with one of them: then the first of that.
    pub(crate) fn all<E>(&self) -> Result<[Reply; N], Error<E>> {
        for (device, error) in self.errors.iter().enumerate() {
            if let Some(error) = error {
                return Err(error.of(device));
            }
        }
        Ok(self.replies)
    }

    /// Each device's reply, or what is wrong with it.
    pub(crate) fn each(self) -> [Result<Reply, DeviceError>; N] {
        let mut results = self.replies.map(Ok);
        for (result, error) in results.iter_mut().zip(self.errors) {
            if let Some(error) = error {
                *result = Err(error);
            }
        }
        results
    }
}

impl<K: Kinds, const N: usize> Procedure<N> for Heeding<K, N> {
    fn next(&mut self, commands: &mut [AxisCommand; N]) -> Step {
        if self.stage == Stage::Before && !self.looks.iter().any(|looks| looks.before) {
            self.stage = Stage::Send;
        }
        if self.stage == Stage::After && !self.looks.iter().any(|looks| looks.after) {
            self.stage = Stage::Over;
        }
        for ((place, command), looks) in commands.iter_mut().zip(&self.commands).zip(&self.looks) {
            match self.stage {
                Stage::Before if looks.before => *place = Command::PeekStatus.on(0),
                Stage::Send => *place = *command,
                Stage::After if looks.after => *place = Command::PeekStatus.on(0),
                _ => {}
            }
        }
        if self.stage == Stage::Over { Step::Done } else { Step::Exchange }
    }

    fn came_back(&mut self, results: &[Result<Reply, ReplyError>; N]) {
        let kinds = self.kinds;
        let Heeded { replies, errors } = &mut self.heeded;
        let devices = self.commands.iter().zip(&self.looks).zip(replies.iter_mut().zip(errors.iter_mut()));
        for (device, (((command, looks), (reply, error)), result)) in devices.zip(results).enumerate() {
            match (self.stage, result) {
                (Stage::Before, result) if K::Kind::LOOKS_BEFORE && looks.before && self.hindered.is_none() => {
                    let found = match result {
                        Ok(reply) => reply.status.and_then(|status| kinds.kind(device).obstacle(*command, &status)),
                        Err(error) => Some(Obstacle::Unseen(*error)),
                    };
                    self.hindered = found.zip(command.command.verb()).map(|(why, verb)| (device, verb, why));
                }
                (Stage::Send, Ok(found)) => {
                    *reply = *found;
                    *error = looks.own.then(|| rejected(*command, found)).flatten();
                }
                (Stage::After, Ok(found)) if looks.after => {
                    reply.status = found.status;
                    *error = error.or_else(|| rejected(*command, found));
                }
                (Stage::After, Err(found)) if looks.after => *error = error.or(Some(DeviceError::Reply(*found))),
                (Stage::Send, Err(found)) => *error = Some(DeviceError::Reply(*found)),
                _ => {}
            }
        }
        self.stage = match self.stage {
            Stage::Before if self.hindered.is_none() => Stage::Send,
            Stage::Send => Stage::After,
            _ => Stage::Over,
        };
    }
}

/// What a status says against a command, if anything.
fn rejected(asked: AxisCommand, reply: &Reply) -> Option<DeviceError> {
    let verb = asked.command.verb()?;
    // A word that no axis could be seen in is the first one's.
    let flag = raised(&reply.status?, |bit| bit.axis == asked.axis || bit.axis == 0)?;
    Some(DeviceError::Rejected { verb, flag })
}
