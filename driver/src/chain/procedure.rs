//! A procedure: what takes several exchanges, each of which hangs on what came back in the one before.
//!
//! Two halves and no I/O: [`Procedure::next`] says what to exchange, or how long to wait, and
//! [`Procedure::came_back`] takes the replies. One loop in each front drives every procedure, so a new one adds no
//! code to either; tests drive them with no bus at all.

use core::time::Duration;

use crate::command::AxisCommand;
use crate::reply::{Reply, ReplyError};

/// What a procedure wants next.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Step {
    /// The commands that were filled in exchanged, and the replies given to [`Procedure::came_back`].
    Exchange,
    /// To be asked again after this time.
    Wait(Duration),
    /// Nothing: it is over.
    Done,
}

/// A talk of several exchanges with a chain of `N` devices.
pub trait Procedure<const N: usize> {
    /// Says what is wanted next; for an exchange, `commands` (filler when it is called) holds what to send.
    fn next(&mut self, commands: &mut [AxisCommand; N]) -> Step;

    /// Takes the replies of the exchange that [`next`](Self::next) asked for.
    fn came_back(&mut self, replies: &[Result<Reply, ReplyError>; N]);
}
