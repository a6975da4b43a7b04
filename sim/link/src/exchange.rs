//! One request until its answer, without a line: what to send, which byte ends the waiting, when to give up.
//!
//! Both fronts, the blocking and the async one, drive this with the same loop.

use crate::error::Refusal;
use crate::message::kind;
use crate::packet::{Collector, MOST_ON_LINE, Packet};

/// How often a request is sent before the link counts as lost.
const ATTEMPTS: u32 = 64;
/// Bytes that make no answer, after which a line counts as silent although it babbles.
const MOST_BABBLE: u32 = 4_096;

/// What an exchange wants next.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Want {
    /// The request has to be sent, for the first time or once more.
    Send,
    /// A byte has to come, or none for a time.
    Byte,
    /// There was no answer, however often it was asked.
    Nothing,
}

/// A request that waits for its answer.
#[derive(Clone, Debug)]
pub(crate) struct Exchange {
    session: u16,
    sequence: u16,
    asked: u8,
    line: [u8; MOST_ON_LINE],
    count: usize,
    attempts: u32,
    /// How many bytes have come since the request was sent; none if it is to be sent.
    babble: Option<u32>,
}

impl Exchange {
    /// The exchange of a request; nothing if its body does not fit a packet.
    pub(crate) fn new(session: u16, sequence: u16, asked: u8, body: &[u8]) -> Option<Self> {
        let mut line = [0; MOST_ON_LINE];
        let count = Packet { session, sequence, kind: asked, body }.write(&mut line)?;
        Some(Self { session, sequence, asked, line, count, attempts: 0, babble: None })
    }

    /// What to do next.
    pub(crate) fn wants(&mut self) -> Want {
        match self.babble {
            Some(count) if count < MOST_BABBLE => Want::Byte,
            _ if self.attempts >= ATTEMPTS => Want::Nothing,
            _ => Want::Send,
        }
    }

    /// The request as it goes over the line.
    pub(crate) fn request(&self) -> &[u8] {
        self.line.get(..self.count).unwrap_or_default()
    }

    /// The request was sent; says whether that was once more.
    pub(crate) fn sent(&mut self) -> bool {
        let is_repeated = self.attempts > 0;
        self.attempts += 1;
        self.babble = Some(0);
        is_repeated
    }

    /// A byte has come, or none for a time: gives the body of the answer, or why the request was refused, if that ends the
    /// exchange.
    pub(crate) fn came<'c>(
        &mut self,
        byte: Option<u8>,
        collector: &'c mut Collector,
    ) -> Option<Result<&'c [u8], Refusal>> {
        let Some(byte) = byte else {
            self.babble = None;
            return None;
        };
        self.babble = self.babble.map(|count| count.saturating_add(1));
        let packet = collector.take(byte)?;
        let is_ours = (packet.session, packet.sequence) == (self.session, self.sequence);
        match packet.kind {
            // Nobody has listened to a session yet, so this refusal belongs to none.
            kind::REFUSED if is_ours || packet.body.first() == Some(&Refusal::Busy.code()) => {
                let code = packet.body.first().copied().unwrap_or_default();
                Some(Err(Refusal::from_code(code)))
            }
            kind::NOT_YET if is_ours => {
                (self.attempts, self.babble) = (1, Some(0));
                None
            }
            found if is_ours && found == self.asked | kind::REPLY => Some(Ok(packet.body)),
            // An answer to what was asked before, which came late and was asked for again.
            _ => None,
        }
    }
}
