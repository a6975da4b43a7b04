//! The mailbox by itself and among threads; beside a model and on a bus in the modules below.

extern crate std;
use std::string::ToString;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::thread;
use std::vec;
use std::vec::Vec;

use super::{FaultLatch, Mailbox, PostError, Posted};
use crate::chain::DeviceError;
use crate::map::{BridgeState, Parameter, StopRamp, Way};
use crate::reply::Reply;
use crate::units::{Distance, Position, Value, Velocity};
use crate::{AxisCommand, Command, ReplyError};

const STOP: Command = Command::Stop { ramp: StopRamp::Quick, bridge: BridgeState::Driven };

fn velocity(steps_per_s: i32) -> Velocity {
    Velocity::from_steps_per_s(steps_per_s).unwrap()
}

fn at(steps_per_s: i32) -> Command {
    Command::MoveVelocity { velocity: velocity(steps_per_s) }
}

fn by(microsteps: i32) -> Command {
    Command::MoveRelative { distance: Distance::from_microsteps(microsteps) }
}

/// One pump without a chain: what left.
fn pumped<const N: usize, const DEPTH: usize, const AXES: usize>(
    mailbox: &Mailbox<N, DEPTH, AXES>,
) -> [Option<AxisCommand>; N] {
    let answers = mailbox.done(mailbox.take(), [Ok(Reply::default()); N]);
    answers.map(|answer| answer.map(|answer| answer.posted.command))
}

/// All that waits for device 0, in the order in which it leaves.
fn emptied<const N: usize, const DEPTH: usize, const AXES: usize>(
    mailbox: &Mailbox<N, DEPTH, AXES>,
) -> Vec<AxisCommand> {
    // No test here posts as many: a mailbox that never empties must fail, not hang.
    std::iter::from_fn(|| pumped(mailbox)[0]).take(64).collect()
}

#[test]
fn what_was_posted_for_different_devices_leaves_together_and_for_one_in_order() {
    let mailbox = Mailbox::<3, 4>::new();
    mailbox.post(0, by(1)).unwrap();
    mailbox.post(0, by(2)).unwrap();
    mailbox.post(2, STOP).unwrap();
    assert_eq!(pumped(&mailbox), [Some(by(1).on(0)), None, Some(STOP.on(0))]);
    assert_eq!(pumped(&mailbox), [Some(by(2).on(0)), None, None]);
    assert!(mailbox.take().is_empty());
}

#[test]
fn a_full_queue_gives_the_command_back_and_loses_none_that_waits() {
    let mailbox = Mailbox::<2, 2>::new();
    mailbox.post(1, by(1)).unwrap();
    mailbox.post(1, by(2)).unwrap();
    let error = mailbox.post(1, by(3)).unwrap_err();
    assert_eq!(error, PostError::Full { device: 1, command: by(3).on(0) });
    assert_eq!(error.command(), by(3).on(0));
    assert_eq!(error.to_string(), "device 1, axis 0: the mailbox holds no more commands");
    assert_eq!(pumped(&mailbox), [None, Some(by(1).on(0))]);
    mailbox.post(1, by(3)).unwrap();
    assert_eq!(pumped(&mailbox), [None, Some(by(2).on(0))]);
    assert_eq!(pumped(&mailbox), [None, Some(by(3).on(0))]);
}

#[test]
fn a_device_or_an_axis_that_there_is_not_is_refused_with_how_many_there_are() {
    let mailbox = Mailbox::<2, 1, 2>::new();
    let error = mailbox.post(2, STOP).unwrap_err();
    assert_eq!(error, PostError::NoSuchDevice { device: 2, devices: 2, command: STOP.on(0) });
    let error = mailbox.post(0, STOP.on(2)).unwrap_err();
    assert_eq!(error, PostError::NoSuchAxis { device: 0, axes: 2, command: STOP.on(2) });
    assert_eq!(error.to_string(), "device 0: the mailbox has no axis 2, only 2, counted from 0");
    mailbox.post(1, STOP.on(1)).unwrap();
}

#[test]
fn filler_takes_no_place() {
    let mailbox = Mailbox::<1, 1>::new();
    mailbox.post(0, Command::Filler).unwrap();
    mailbox.post(0, STOP).unwrap();
    assert_eq!(emptied(&mailbox), [STOP.on(0)]);
}

#[test]
fn the_axes_of_a_device_take_turns_and_one_that_is_full_leaves_the_others_their_room() {
    let mailbox = Mailbox::<1, 3, 3>::new();
    for distance in 0..3 {
        mailbox.post(0, by(distance).on(0)).unwrap();
    }
    assert!(mailbox.post(0, by(3).on(0)).is_err());
    mailbox.post(0, by(10).on(2)).unwrap();
    mailbox.post(0, by(11).on(2)).unwrap();
    let left = emptied(&mailbox);
    assert_eq!(left, [by(0).on(0), by(10).on(2), by(1).on(0), by(11).on(2), by(2).on(0)]);
}

#[test]
fn the_latest_velocity_takes_the_place_of_one_that_waits() {
    let mailbox = Mailbox::<1, 2>::new();
    let replaced = mailbox.post_latest(0, 0, velocity(1)).unwrap();
    mailbox.post(0, Command::PeekStatus).unwrap();
    let ticket = mailbox.post_latest(0, 0, velocity(2)).unwrap();
    assert_ne!(ticket, replaced);
    let taken = mailbox.take();
    assert_eq!(taken.posted()[0].unwrap().ticket, ticket);
    // The one under way is not replaced any more: the next finds a place behind the question.
    mailbox.post_latest(0, 0, velocity(3)).unwrap();
    mailbox.post_latest(0, 0, velocity(4)).unwrap();
    mailbox.done(taken, [Ok(Reply::default())]);
    assert_eq!(emptied(&mailbox), [Command::PeekStatus, at(4)].map(|command| command.on(0)));
}

#[test]
fn the_latest_velocity_overtakes_no_other_command_and_touches_no_other_axis() {
    let custom = Command::read(Parameter::Custom(1));
    for between in [STOP, by(5), custom, Command::write(Parameter::ProfileAcceleration, Value::Code(1))] {
        let mailbox = Mailbox::<1, 3>::new();
        mailbox.post_latest(0, 0, velocity(1)).unwrap();
        mailbox.post(0, between).unwrap();
        mailbox.post_latest(0, 0, velocity(2)).unwrap();
        assert_eq!(emptied(&mailbox), [at(1), between, at(2)].map(|command| command.on(0)));
    }
    let mailbox = Mailbox::<2, 1, 2>::new();
    mailbox.post_latest(0, 0, velocity(1)).unwrap();
    mailbox.post_latest(0, 1, velocity(2)).unwrap();
    mailbox.post_latest(1, 0, velocity(3)).unwrap();
    assert_eq!(pumped(&mailbox), [Some(at(1).on(0)), Some(at(3).on(0))]);
    assert_eq!(pumped(&mailbox), [Some(at(2).on(1)), None]);
}

#[test]
fn a_full_queue_without_a_velocity_to_replace_refuses_the_latest_one_too() {
    let mailbox = Mailbox::<1, 1>::new();
    mailbox.post(0, STOP).unwrap();
    let error = mailbox.post_latest(0, 0, velocity(1)).unwrap_err();
    assert_eq!(error, PostError::Full { device: 0, command: at(1).on(0) });
}

#[test]
fn commands_posted_together_are_all_posted_or_none() {
    let mailbox = Mailbox::<3, 1>::new();
    mailbox.post(2, STOP).unwrap();
    let error = mailbox.post_together(&[by(1), Command::Filler, by(3)]).unwrap_err();
    assert_eq!(error, PostError::Full { device: 2, command: by(3).on(0) });
    assert_eq!(pumped(&mailbox), [None, None, Some(STOP.on(0))]);
    let tickets = mailbox.post_together(&[by(1), Command::Filler, by(3)]).unwrap();
    assert_eq!(tickets.map(|ticket| ticket.is_some()), [true, false, true]);
    assert_eq!(pumped(&mailbox), [Some(by(1).on(0)), None, Some(by(3).on(0))]);
    let error = mailbox.post_together(&[STOP.on(0), STOP.on(1), STOP.on(0)]).unwrap_err();
    assert_eq!(error, PostError::NoSuchAxis { device: 1, axes: 1, command: STOP.on(1) });
    assert!(mailbox.take().is_empty());
}

#[test]
fn an_answer_names_the_command_and_the_ticket_of_its_poster() {
    let mailbox = Mailbox::<2, 1>::new();
    mailbox.post(0, STOP).unwrap();
    let ticket = mailbox.post(1, Command::PeekStatus).unwrap();
    let taken = mailbox.take();
    assert_eq!(taken.commands(), [STOP.on(0), Command::PeekStatus.on(0)]);
    let [first, second] = mailbox.done(taken, [Ok(Reply::default()), Err(ReplyError::Malformed)]);
    assert_eq!(first.unwrap().posted.command, STOP.on(0));
    let second = second.unwrap();
    assert_eq!((second.posted.ticket, second.posted.command), (ticket, Command::PeekStatus.on(0)));
    assert_eq!(second.result, Err(DeviceError::Reply(ReplyError::Malformed)));
    assert!(mailbox.take().is_empty(), "a command whose reply is not believed is not sent again");
}

#[test]
fn what_was_taken_and_not_accounted_for_is_taken_again_before_anything_later() {
    let mailbox = Mailbox::<1, 2, 2>::new();
    let ticket = mailbox.post(0, by(1).on(1)).unwrap();
    let first = mailbox.take();
    mailbox.post(0, by(2).on(1)).unwrap();
    mailbox.post(0, by(3).on(1)).unwrap();
    mailbox.post(0, by(4).on(0)).unwrap();
    let again = mailbox.take();
    assert_eq!(again.posted(), first.posted());
    assert_eq!(again.posted()[0].unwrap().ticket, ticket);
    mailbox.done(again, [Ok(Reply::default())]);
    assert_eq!(emptied(&mailbox), [by(4).on(0), by(2).on(1), by(3).on(1)]);
}

#[test]
fn after_a_failed_transfer_what_may_arrive_twice_stays_in_front_and_the_rest_is_given_back() {
    let to = |way| Command::MoveAbsolute { target: Position::from_microsteps(7), way };
    let custom = Parameter::Custom(3);
    let stays = [
        at(1),
        STOP,
        to(Way::Shortest),
        Command::PeekStatus,
        Command::HomeOnCurrentPosition,
        Command::read(Parameter::PositionDemandValue),
        Command::write(Parameter::ProfileVelocity, velocity(1)),
    ];
    let goes = [
        by(1),
        to(Way::Positive),
        to(Way::Negative),
        Command::TakeStatus,
        Command::read(custom),
        Command::write(custom, Value::Code(1)),
    ];
    for (command, comes_back) in stays.map(|c| (c, false)).into_iter().chain(goes.map(|c| (c, true))) {
        let mailbox = Mailbox::<1, 2>::new();
        let ticket = mailbox.post(0, command).unwrap();
        mailbox.post(0, by(99)).unwrap();
        let _ = mailbox.take();
        let posted = Posted { ticket, command: command.on(0) };
        assert_eq!(mailbox.failed(), [comes_back.then_some(posted)]);
        let rest = if comes_back { vec![by(99).on(0)] } else { vec![command.on(0), by(99).on(0)] };
        assert_eq!(emptied(&mailbox), rest);
    }
}

#[test]
fn a_latch_counts_until_it_is_taken_also_among_threads() {
    static FAULT: FaultLatch = FaultLatch::new();
    assert!(!FAULT.is_set());
    thread::scope(|scope| {
        for _ in 0..4 {
            scope.spawn(|| (0..100).for_each(|_| FAULT.set()));
        }
    });
    assert!(FAULT.is_set());
    assert_eq!(FAULT.take(), 400);
    assert!(!FAULT.is_set());
    assert_eq!(FAULT.take(), 0);
}

/// The docs tell how much memory a mailbox takes.
#[test]
fn a_posted_command_takes_20_bytes() {
    assert_eq!(size_of::<Option<Posted>>(), 20);
}

/// Four threads post 500 numbered moves each, two of them for the same axis, into queues of three; one thread owns.
/// The number is the distance: its thousands tell the thread.
#[test]
fn among_threads_every_command_leaves_once_and_each_threads_in_order() {
    static MAILBOX: Mailbox<2, 3, 2> = Mailbox::new();
    const EACH: i32 = 500;
    let posting = AtomicUsize::new(4);
    let too_many = AtomicBool::new(false);
    let mut left = Vec::new();
    thread::scope(|scope| {
        for (thread, (device, axis)) in [(0, 0), (0, 1), (1, 0), (1, 0)].into_iter().enumerate() {
            let (posting, too_many) = (&posting, &too_many);
            scope.spawn(move || {
                for number in 0..EACH {
                    let mut command = by(thread as i32 * 1000 + number).on(axis);
                    while let Err(PostError::Full { command: back, .. }) = MAILBOX.post(device, command) {
                        if too_many.load(Ordering::SeqCst) {
                            return;
                        }
                        command = back;
                        thread::yield_now();
                    }
                }
                posting.fetch_sub(1, Ordering::SeqCst);
            });
        }
        loop {
            let over = posting.load(Ordering::SeqCst) == 0;
            let pumped = pumped(&MAILBOX);
            too_many.store(left.len() > 4 * EACH as usize, Ordering::SeqCst);
            if over && pumped == [None; 2] || too_many.load(Ordering::SeqCst) {
                break;
            }
            left.extend(pumped.into_iter().enumerate().filter_map(|(device, command)| Some((device, command?))));
        }
    });
    for (thread, place) in [(0, 0), (0, 1), (1, 0), (1, 0)].into_iter().enumerate() {
        let numbers: Vec<_> = left
            .iter()
            .filter_map(|&(device, AxisCommand { axis, command, .. })| match command {
                Command::MoveRelative { distance } => Some((distance.to_microsteps(), (device, axis))),
                _ => None,
            })
            .filter(|(number, _)| number / 1000 == thread as i32)
            .collect();
        let expected: Vec<_> = (0..EACH).map(|number| (thread as i32 * 1000 + number, place)).collect();
        assert_eq!(numbers, expected);
    }
    assert_eq!(left.len(), 4 * EACH as usize);
}

mod model;
#[cfg(feature = "reference-maps")]
mod on_a_bus;
