//! The simulator's end of the link: packets in, packets out, and what was asked already is not done again.

use std::io::{self, ErrorKind, Read, Write};

use stepchain_link::Refusal;
use stepchain_link::message::kind;
use stepchain_link::packet::{Collector, MOST_BODY, MOST_ON_LINE, Packet};

use super::offer::Offer;
use super::pace::Wall;

/// How often a firmware that waits for the wall clock is told that it has to wait on, in nanoseconds.
const BEAT_NS: u64 = 20_000_000;
/// How often the answer to the end is sent.
const LAST_COPIES: u32 = 3;

/// How a talk came to its end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Left {
    /// The firmware has said that it is done.
    Ended,
    /// The line was closed before.
    Closed,
}

/// What is known of the firmware at the other end.
#[derive(Clone, Debug, Default)]
pub struct Talk {
    last: Option<Answered>,
    repeated: u64,
    broken: u64,
}

/// The last request, and its answer.
#[derive(Clone, Debug)]
struct Answered {
    session: u16,
    sequence: u16,
    asked: u8,
    kind: u8,
    body: Vec<u8>,
}

impl Answered {
    fn send(&self, line: &mut dyn Write) -> io::Result<()> {
        let Self { session, sequence, kind, ref body, .. } = *self;
        send(Packet { session, sequence, kind, body }, line)
    }
}

impl Talk {
    /// How many requests came once more and were answered from memory.
    #[must_use]
    pub const fn repeated(&self) -> u64 {
        self.repeated
    }

    /// How many runs of bytes were no packets.
    #[must_use]
    pub const fn broken(&self) -> u64 {
        self.broken
    }

    /// Answers what comes over a line, until the firmware is done or the line is closed. With a `wall`, virtual time keeps
    /// pace with it.
    ///
    /// # Errors
    /// What the line's own failures are; one that was cut by the other side counts as closed.
    pub fn hold(
        &mut self,
        offer: &mut Offer,
        input: &mut dyn Read,
        output: &mut dyn Write,
        mut wall: Option<&mut dyn Wall>,
    ) -> io::Result<Left> {
        let mut collector = Collector::new();
        let mut bytes = [0; 1024];
        let left = loop {
            let count = match input.read(&mut bytes) {
                Ok(count) => count,
                Err(error) if error.kind() == ErrorKind::Interrupted => continue,
                Err(error) if is_cut(&error) => 0,
                Err(error) => return Err(error),
            };
            if count == 0 {
                break Left::Closed;
            }
            for byte in bytes.iter().take(count) {
                let Some(packet) = collector.take(*byte) else { continue };
                match self.answer(offer, packet, output, &mut wall) {
                    Ok(()) => {}
                    Err(error) if is_cut(&error) => break,
                    Err(error) => return Err(error),
                }
            }
            if offer.end().is_some() {
                break Left::Ended;
            }
        };
        self.broken += u64::from(collector.broken());
        Ok(left)
    }

    fn answer(
        &mut self,
        offer: &mut Offer,
        packet: Packet<'_>,
        output: &mut dyn Write,
        wall: &mut Option<&mut dyn Wall>,
    ) -> io::Result<()> {
        let Packet { session, sequence, kind: asked, body } = packet;
        let last = self.last.as_ref().filter(|last| last.session == session);
        if let Some(last) = last.filter(|last| (last.sequence, last.asked) == (sequence, asked)) {
            self.repeated += 1;
            return last.send(output);
        }
        let is_next = last.is_some_and(|last| last.sequence.wrapping_add(1) == sequence);
        if !is_next && asked != kind::HELLO {
            // Not kept: it is no part of the session that is under way.
            return refuse(session, sequence, Refusal::OutOfStep, output);
        }
        if let Some(wall) = wall {
            offer.advance_to_ns(wall.now_ns());
        }
        let (kind, body) = match offer.answer(asked, body) {
            Ok(body) if body.len() <= MOST_BODY => (asked | kind::REPLY, body),
            Ok(_) => (kind::REFUSED, refusal(Refusal::Unreadable)),
            Err(reason) => (kind::REFUSED, refusal(reason)),
        };
        let answered = Answered { session, sequence, asked, kind, body };
        if let Some(wall) = wall {
            keep_pace(offer, *wall, &answered, output)?;
        }
        // Nobody is there to be asked again for the last answer of all. All copies leave in one piece: the line may be closed
        // when the first of them has come.
        let copies = if asked == kind::END { LAST_COPIES } else { 1 };
        let mut bytes = Vec::new();
        (0..copies).try_for_each(|_| answered.send(&mut bytes))?;
        output.write_all(&bytes)?;
        output.flush()?;
        self.last = Some(answered);
        Ok(())
    }
}

/// Waits until the wall clock is where virtual time is already.
fn keep_pace(offer: &Offer, wall: &mut dyn Wall, answered: &Answered, output: &mut dyn Write) -> io::Result<()> {
    loop {
        let ahead_ns = offer.chain().now_ns().saturating_sub(wall.now_ns());
        if ahead_ns == 0 {
            return Ok(());
        }
        wall.sleep_ns(ahead_ns.min(BEAT_NS));
        if ahead_ns > BEAT_NS {
            let Answered { session, sequence, .. } = *answered;
            send(Packet { session, sequence, kind: kind::NOT_YET, body: &[] }, output)?;
        }
    }
}

/// Tells somebody who has connected in vain why.
///
/// # Errors
/// The line's own.
pub fn turn_away(line: &mut dyn Write) -> io::Result<()> {
    refuse(0, 0, Refusal::Busy, line)
}

fn refuse(session: u16, sequence: u16, reason: Refusal, line: &mut dyn Write) -> io::Result<()> {
    send(Packet { session, sequence, kind: kind::REFUSED, body: &refusal(reason) }, line)
}

fn refusal(reason: Refusal) -> Vec<u8> {
    [&[reason.code()], reason.to_string().as_bytes()].concat()
}

fn send(packet: Packet<'_>, line: &mut dyn Write) -> io::Result<()> {
    let mut bytes = [0; MOST_ON_LINE];
    let count = packet.write(&mut bytes).ok_or_else(|| io::Error::other("an answer that is too long"))?;
    line.write_all(bytes.get(..count).unwrap_or_default())?;
    line.flush()
}

/// Whether the other side has closed the line.
fn is_cut(error: &io::Error) -> bool {
    matches!(error.kind(), ErrorKind::BrokenPipe | ErrorKind::ConnectionReset | ErrorKind::ConnectionAborted)
}
