//! The future beneath every async handle: it waits for an instant or a line, and lets virtual time go on when all wait.

#[cfg(test)]
mod tests;

use std::future::Future;
use std::pin::Pin;
use std::task::{Context, Poll};

use super::VirtualChain;
use super::agenda::{Awaited, Outcome};

/// Waits; begins to with the first poll. Dropped, it waits no longer and nothing has happened.
#[derive(Debug)]
#[must_use = "a future that is not polled waits for nothing"]
pub(super) struct Waiting<'a> {
    chain: &'a VirtualChain,
    want: Want,
    ticket: Option<u64>,
}

#[derive(Clone, Copy, Debug)]
enum Want {
    /// So many nanoseconds from the first poll on.
    Duration(u64),
    Line(Awaited),
}

impl<'a> Waiting<'a> {
    /// Waits until exactly so much time has passed.
    pub(super) const fn lasting(chain: &'a VirtualChain, duration_ns: u64) -> Self {
        Self { chain, want: Want::Duration(duration_ns), ticket: None }
    }

    /// Waits for a line.
    pub(super) const fn for_line(chain: &'a VirtualChain, awaited: Awaited) -> Self {
        Self { chain, want: Want::Line(awaited), ticket: None }
    }
}

impl Future for Waiting<'_> {
    type Output = Outcome;

    fn poll(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<Outcome> {
        let mut world = self.chain.world();
        let now_ns = world.now_ns();
        let ticket = self.ticket.unwrap_or_else(|| {
            world.begin_wait(match self.want {
                Want::Duration(duration_ns) => Awaited::Instant(now_ns.saturating_add(duration_ns)),
                Want::Line(awaited) => awaited,
            })
        });
        let poll = world.poll_wait(ticket);
        drop(world);
        self.ticket = poll.is_pending().then_some(ticket);
        if poll.is_pending() {
            context.waker().wake_by_ref();
        }
        poll
    }
}

impl Drop for Waiting<'_> {
    fn drop(&mut self) {
        if let Some(ticket) = self.ticket {
            self.chain.world().agenda.remove(ticket);
        }
    }
}
