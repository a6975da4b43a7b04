//! The mailbox beside a model that is nothing but lists, under posts and pumps in any order.

extern crate std;
use std::collections::VecDeque;
use std::vec::Vec;

use proptest::prelude::*;

use super::{STOP, at, by, velocity};
use crate::mailbox::{Mailbox, PostError, Posted, Ticket};
use crate::reply::Reply;
use crate::{AxisCommand, Command};

/// What the property below does to a mailbox.
#[derive(Clone, Debug)]
enum Act {
    Post(usize, AxisCommand),
    PostLatest(usize, u8, i32),
    PostTogether([AxisCommand; 2]),
    /// A pump that is interrupted between its halves by posts.
    Pump(Vec<Act>, End),
}

#[derive(Clone, Copy, Debug)]
enum End {
    Done,
    Failed,
    Refused(usize),
    Dropped,
}

fn command() -> impl Strategy<Value = AxisCommand> {
    let kind = prop_oneof![
        Just(STOP),
        Just(Command::PeekStatus),
        Just(Command::Filler),
        (0..1000i32).prop_map(by),
        (0..1000i32).prop_map(at)
    ];
    (kind, 0..2u8).prop_map(|(command, axis)| command.on(axis))
}

fn post() -> impl Strategy<Value = Act> {
    prop_oneof![
        (0..2usize, command()).prop_map(|(device, command)| Act::Post(device, command)),
        (0..2usize, 0..2u8, 0..1000i32).prop_map(|(device, axis, speed)| Act::PostLatest(device, axis, speed)),
        [command(), command()].prop_map(Act::PostTogether),
    ]
}

fn act() -> impl Strategy<Value = Act> {
    let end = prop_oneof![
        4 => Just(End::Done), 2 => Just(End::Failed), 1 => (0..2usize).prop_map(End::Refused), 1 => Just(End::Dropped)
    ];
    prop_oneof![3 => post(), 2 => (prop::collection::vec(post(), 0..4), end).prop_map(|(acts, end)| Act::Pump(acts, end))]
}

const DEPTH: usize = 3;

/// The mailbox as lists, one for each of two axes of two devices, and what is under way apart.
#[derive(Default)]
struct Model {
    waiting: [[VecDeque<(Ticket, AxisCommand)>; 2]; 2],
    under_way: [Option<(Ticket, AxisCommand)>; 2],
    posted: usize,
    replaced: usize,
    left: usize,
    given_back: usize,
    /// How often in a row an axis that had something to send was passed over.
    passed_over: [[usize; 2]; 2],
}

impl Model {
    fn post(&mut self, mailbox: &Mailbox<2, DEPTH, 2>, act: &Act) -> Result<(), TestCaseError> {
        match *act {
            Act::Post(device, command) => {
                let queue = &mut self.waiting[device][usize::from(command.axis)];
                let is_filler = command.command == Command::Filler;
                match mailbox.post(device, command) {
                    Ok(_) if is_filler => {}
                    Ok(ticket) => {
                        queue.push_back((ticket, command));
                        self.posted += 1;
                        prop_assert!(queue.len() <= DEPTH);
                    }
                    Err(error) => {
                        prop_assert_eq!(error, PostError::Full { device, command });
                        prop_assert_eq!(queue.len(), DEPTH);
                    }
                }
            }
            Act::PostLatest(device, axis, speed) => {
                let queue = &mut self.waiting[device][usize::from(axis)];
                let last = queue.iter().rposition(|(_, waiting)| waiting.command != Command::PeekStatus);
                let replaces = last.filter(|&index| matches!(queue[index].1.command, Command::MoveVelocity { .. }));
                match (mailbox.post_latest(device, axis, velocity(speed)), replaces) {
                    (Ok(ticket), Some(index)) => {
                        queue[index] = (ticket, at(speed).on(axis));
                        self.posted += 1;
                        self.replaced += 1;
                    }
                    (Ok(ticket), None) => {
                        queue.push_back((ticket, at(speed).on(axis)));
                        self.posted += 1;
                        prop_assert!(queue.len() <= DEPTH);
                    }
                    (Err(_), replaces) => prop_assert!(replaces.is_none() && queue.len() == DEPTH),
                }
            }
            Act::PostTogether(commands) => {
                let wanted = || commands.iter().enumerate().filter(|(_, command)| command.command != Command::Filler);
                let room =
                    wanted().all(|(device, command)| self.waiting[device][usize::from(command.axis)].len() < DEPTH);
                let posted = mailbox.post_together(&commands);
                prop_assert_eq!(posted.is_ok(), room);
                let Ok(tickets) = posted else { return Ok(()) };
                for (device, &command) in wanted() {
                    let ticket = tickets[device].unwrap();
                    self.waiting[device][usize::from(command.axis)].push_back((ticket, command));
                    self.posted += 1;
                }
            }
            Act::Pump(..) => unreachable!("only posts interrupt"),
        }
        Ok(())
    }

    fn take(&mut self, device: usize, posted: Option<Posted>) -> Result<(), TestCaseError> {
        let taken = posted.map(|posted| (posted.ticket, posted.command));
        if self.under_way[device].is_some() {
            prop_assert_eq!(taken, self.under_way[device], "what was not accounted for is taken again");
            return Ok(());
        }
        let Some((_, command)) = taken else {
            prop_assert!(self.waiting[device].iter().all(VecDeque::is_empty), "something waits, nothing was taken");
            return Ok(());
        };
        let axis = usize::from(command.axis);
        prop_assert_eq!(taken, self.waiting[device][axis].pop_front(), "not the front of its queue");
        let other = 1 - axis;
        self.passed_over[device][axis] = 0;
        self.passed_over[device][other] =
            if self.waiting[device][other].is_empty() { 0 } else { self.passed_over[device][other] + 1 };
        prop_assert!(self.passed_over[device][other] <= 1, "axis {} starves", other);
        self.under_way[device] = taken;
        Ok(())
    }

    fn pump(&mut self, mailbox: &Mailbox<2, DEPTH, 2>, between: &[Act], end: End) -> Result<(), TestCaseError> {
        let taken = mailbox.take();
        for (device, &posted) in taken.posted().iter().enumerate() {
            self.take(device, posted)?;
        }
        for act in between {
            self.post(mailbox, act)?;
        }
        match end {
            End::Done => {
                let answers = mailbox.done(taken, [Ok(Reply::default()); 2]);
                for (device, answer) in answers.into_iter().enumerate() {
                    let answered = answer.map(|answer| (answer.posted.ticket, answer.posted.command));
                    prop_assert_eq!(answered, self.under_way[device].take());
                    self.left += usize::from(answered.is_some());
                }
            }
            End::Failed => {
                for (device, back) in mailbox.failed().into_iter().enumerate() {
                    let goes = |&mut (_, posted): &mut (_, AxisCommand)| {
                        matches!(posted.command, Command::MoveRelative { .. })
                    };
                    let expected = self.under_way[device].take_if(goes);
                    prop_assert_eq!(back.map(|posted| (posted.ticket, posted.command)), expected);
                    self.given_back += usize::from(back.is_some());
                }
            }
            End::Refused(device) => {
                let back = mailbox.refused(device).map(|posted| (posted.ticket, posted.command));
                prop_assert_eq!(back, self.under_way[device].take());
                self.given_back += usize::from(back.is_some());
            }
            End::Dropped => drop(taken),
        }
        Ok(())
    }
}

proptest! {
    #[test]
    fn order_is_kept_and_nothing_is_lost_or_doubled_whatever_interrupts_what(
        acts in prop::collection::vec(act(), 0..80)
    ) {
        let mailbox = Mailbox::<2, DEPTH, 2>::new();
        let mut model = Model::default();
        for act in &acts {
            match act {
                Act::Pump(between, end) => model.pump(&mailbox, between, *end)?,
                post => model.post(&mailbox, post)?,
            }
        }
        // Two axes of DEPTH and one under way: more pumps than that leave nothing.
        for _ in 0..=2 * DEPTH + 1 {
            model.pump(&mailbox, &[], End::Done)?;
        }
        prop_assert!(mailbox.take().is_empty());
        prop_assert_eq!(model.left + model.given_back + model.replaced, model.posted);
    }
}
