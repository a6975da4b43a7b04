//! What waits for one device: a queue for each axis, whose turn it is, and what is under way.
//!
//! Knows of no critical section and of no other device.

use heapless::Deque;

use crate::command::{AxisCommand, Command};
use crate::map::Parameter;

/// The number of a posted command, by which its poster knows the answer again; unique among 2³² posts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Ticket(u32);

impl Ticket {
    pub(super) const FIRST: Self = Self(0);

    pub(super) const fn next(self) -> Self {
        Self(self.0.wrapping_add(1))
    }
}

/// A command as it was posted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub struct Posted {
    /// The number that its poster was given.
    pub ticket: Ticket,
    /// The command and its axis.
    pub command: AxisCommand,
}

/// The queues of one device.
#[derive(Debug)]
pub(super) struct Queues<const DEPTH: usize, const AXES: usize> {
    axes: [Deque<Posted, DEPTH>; AXES],
    /// Taken, and not accounted for yet: first of all to be taken again.
    under_way: Option<Posted>,
    /// Whether that may have been sent.
    may_be_sent: bool,
    /// The axis that is looked at first.
    turn: usize,
}

impl<const DEPTH: usize, const AXES: usize> Queues<DEPTH, AXES> {
    pub(super) const EMPTY: Self =
        Self { axes: [const { Deque::new() }; AXES], under_way: None, may_be_sent: false, turn: 0 };

    /// The queue of an axis; `None` if there is no such axis.
    pub(super) fn axis(&mut self, axis: u8) -> Option<&mut Deque<Posted, DEPTH>> {
        self.axes.get_mut(usize::from(axis))
    }

    /// Takes the next command, the same as before if that was not accounted for.
    pub(super) fn take(&mut self) -> Option<Posted> {
        if self.under_way.is_none() {
            let in_turn = (self.turn..AXES).chain(0..self.turn.min(AXES));
            for axis in in_turn {
                if let Some(posted) = self.axes.get_mut(axis).and_then(Deque::pop_front) {
                    self.under_way = Some(posted);
                    self.turn = axis + 1;
                    break;
                }
            }
        }
        self.may_be_sent = true;
        self.under_way
    }

    /// What is under way was answered.
    pub(super) fn done(&mut self, ticket: Ticket) {
        self.under_way.take_if(|posted| posted.ticket == ticket);
    }

    /// What is under way was not sent after all, and is taken again.
    pub(super) const fn not_sent(&mut self) {
        self.may_be_sent = false;
    }

    /// What is under way was not sent, and cannot be.
    pub(super) fn refused(&mut self) -> Option<Posted> {
        self.under_way.take()
    }

    /// What is under way may or may not have arrived; gives back what must not arrive twice.
    pub(super) fn failed(&mut self) -> Option<Posted> {
        self.under_way.take_if(|posted| self.may_be_sent && !posted.command.command.may_arrive_twice())
    }
}

/// Puts a velocity where an older one waits that nothing but questions follows, and behind everything else.
///
/// A velocity must not overtake a stop, a move or a setting that was posted between the two. The error is `posted`,
/// which found no place.
pub(super) fn push_latest<const DEPTH: usize>(queue: &mut Deque<Posted, DEPTH>, posted: Posted) -> Result<(), Posted> {
    let older = queue
        .iter_mut()
        .rev()
        .find(|waiting| !is_question(waiting.command.command))
        .filter(|waiting| matches!(waiting.command.command, Command::MoveVelocity { .. }));
    match older {
        Some(older) => {
            *older = posted;
            Ok(())
        }
        None => queue.push_back(posted),
    }
}

/// Whether the command changes nothing that a velocity depends on.
const fn is_question(command: Command) -> bool {
    match command {
        Command::PeekStatus | Command::TakeStatus => true,
        Command::ReadParameter { parameter } => !matches!(parameter, Parameter::Custom(_)),
        _ => false,
    }
}
