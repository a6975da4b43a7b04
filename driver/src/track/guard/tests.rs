//! Guards beside an axis that is nothing but a number, and by hand.

extern crate std;
use std::string::ToString;
use std::vec::Vec;

use proptest::prelude::*;

use super::*;
use crate::map::{BridgeState, Direction, PositionCounter, RegisterMap, StopRamp, Way};
use crate::reference::Latched;
use crate::reply::Status;
use crate::track::{Trust, UpdateError};
use crate::units::{MicrostepResolution, Position};

mod momentum;
mod writes;

const STOP: Command = Command::Stop { ramp: StopRamp::Quick, bridge: BridgeState::Driven };

fn at(microsteps: i64) -> UnwrappedPosition {
    UnwrappedPosition::from_microsteps(microsteps)
}

fn by(microsteps: i32) -> Command {
    Command::MoveRelative { distance: Distance::from_microsteps(microsteps) }
}

fn run(steps_per_s: i32) -> Command {
    Command::MoveVelocity { velocity: Velocity::from_steps_per_s(steps_per_s).unwrap() }
}

fn search(steps_per_s: i32, action: EdgeAction) -> Command {
    Command::SearchForSwitch { velocity: Velocity::from_steps_per_s(steps_per_s).unwrap(), action }
}

fn tracker(counter: &PositionCounter) -> Tracker {
    Tracker::new(counter, MicrostepResolution::from_microsteps_per_step(1), Velocity::steps_per_s::<1000>())
}

/// Homed at zero, allowed to go from `min` to `max`.
fn guard(min: i64, max: i64) -> Guard {
    let mut guard =
        Guard::new(0, tracker(&Latched::LAYOUT.position)).within(PositionLimits::new(at(min), at(max)), Distance::ZERO);
    guard.tracker.homed_at(Position::ZERO, at(0));
    guard
}

impl Guard {
    fn sends(&mut self, asked: impl Into<AxisCommand>) -> Result<(), Refused> {
        let asked = asked.into();
        self.check(asked)?;
        self.announce(&Latched::LAYOUT, asked);
        self.settle(Fate::Sent);
        Ok(())
    }

    fn reads(&mut self, microsteps: i32) -> Result<(), UpdateError> {
        self.tracker.update(Position::from_microsteps(microsteps), None)
    }
}

const fn unknown(cause: EndUnknown) -> Result<(), Refused> {
    Err(Refused::Limit(LimitError::EndUnknown { cause }))
}

#[test]
fn before_homing_every_motion_is_refused_and_what_has_no_end_may_be_permitted() {
    let with_end = [
        by(1),
        Command::MoveAbsolute { target: Position::ZERO, way: Way::Shortest },
        Command::ReturnToZero,
        Command::ReturnToProbedPosition,
    ];
    let pulses = Command::PulseInput { direction: Direction::Positive };
    let creep = Command::SearchForZero { velocity: Velocity::steps_per_s::<-5>(), action: EdgeAction::Probe };
    let open_ended = [run(5), search(5, EdgeAction::Zero), creep, pulses];
    let limits = PositionLimits::new(at(0), at(10));
    let bare = Guard::new(0, tracker(&Latched::LAYOUT.position));
    for guard in [bare, bare.within(limits, Distance::ZERO)] {
        for command in with_end.into_iter().chain(open_ended) {
            let error = guard.check(command).unwrap_err();
            assert_eq!(error, Refused::PositionUnknown(PositionUnknown { doubt: Doubt::PowerUp }), "{command:?}");
        }
        let permitting = guard.permitting_open_ends();
        assert!(open_ended.into_iter().all(|command| permitting.check(command).is_ok()));
        assert!(with_end.into_iter().all(|command| permitting.check(command).is_err()));
        for command in [Command::Filler, STOP, run(0), Command::HomeOnCurrentPosition, Command::PeekStatus] {
            assert!(guard.check(command).is_ok(), "{command:?}");
        }
    }
}

/// By hand: from 0 by 900 to 900. Unread, the axis may be anywhere between; so by 1 may end at 901, and by −1 at −1.
#[test]
fn a_move_before_the_next_reading_is_judged_from_wherever_the_axis_may_be() {
    let mut guard = guard(0, 900);
    guard.sends(by(900)).unwrap();
    for (distance, end) in [(1, 901), (-1, -1)] {
        let error = guard.check(by(distance)).unwrap_err();
        assert!(matches!(error, Refused::Limit(LimitError::EndsOutside { end: found, .. }) if found == at(end)));
    }
    assert!(guard.check(by(0)).is_ok());
    guard.reads(400).unwrap();
    assert!(guard.check(by(-400)).is_ok() && guard.check(by(-401)).is_err() && guard.check(by(1)).is_err());
    guard.reads(900).unwrap();
    assert!(guard.check(by(-900)).is_ok() && guard.check(by(1)).is_err());
}

/// By hand: 0, by 300 to 300, then by 300 to 600, then by 301 to 901.
#[test]
fn a_command_that_waits_is_judged_from_the_end_of_the_one_before_it() {
    let mut guard = guard(0, 900);
    guard.sends(by(300)).unwrap();
    guard.sends(by(300).buffered()).unwrap();
    assert!(guard.check(by(301).buffered()).is_err());
    assert!(guard.check(by(-600).buffered()).is_ok() && guard.check(by(-601).buffered()).is_err());
    guard.sends(STOP).unwrap();
    assert_eq!(guard.check(by(0).buffered()), unknown(EndUnknown::Buffered));
    let mut unsure = self::guard(0, 900);
    unsure.announce(&Latched::LAYOUT, by(300).into());
    assert_eq!(unsure.check(by(0).buffered()), unknown(EndUnknown::Buffered), "nobody says whether it has arrived");
    assert!(unsure.check(by(601)).is_err() && unsure.check(by(600)).is_ok());
    unsure.settle(Fate::Unsent);
    assert!(unsure.check(by(900)).is_ok());
}

/// By hand: to 300, then back by 290 to 10. Read at 200, the axis may still be on its way to 300; 601 from there is 901.
#[test]
fn what_an_axis_does_first_counts_until_it_was_seen_to_stand() {
    let mut guard = guard(0, 900);
    guard.sends(by(300)).unwrap();
    guard.sends(by(-290).buffered()).unwrap();
    guard.reads(200).unwrap();
    assert!(guard.check(by(600)).is_ok() && guard.check(by(601)).is_err());
    let status = Some(Status::new(0x8001, 0xFFFF, &Latched::LAYOUT.status));
    guard.observe(Command::PeekStatus.into(), &Reply { value: None, status });
    assert!(guard.check(by(601)).is_err(), "it was not read since");
    guard.reads(10).unwrap();
    assert!(guard.check(by(890)).is_ok() && guard.check(by(891)).is_err());
}

#[test]
fn after_a_motion_without_an_end_the_position_has_to_be_read() {
    let mut guard = guard(-900, 900).searching_within(Distance::from_microsteps(100));
    for command in [run(5), search(5, EdgeAction::Probe)] {
        guard.sends(command).unwrap();
        guard.sends(STOP).unwrap();
        for next in [by(1), run(-5), Command::ReturnToZero, search(5, EdgeAction::Probe)] {
            assert_eq!(guard.check(next), unknown(EndUnknown::Unread), "{next:?} after {command:?}");
        }
        assert!(guard.check(run(0)).is_ok() && guard.check(STOP).is_ok());
        guard.reads(50).unwrap();
        assert!(guard.check(by(850)).is_ok() && guard.check(by(851)).is_err());
    }
}

/// By hand: 300 of travel and 20 of braking from 0 end at 320 or −320.
#[test]
fn a_search_is_judged_by_its_stated_travel_and_by_nothing_else() {
    assert_eq!(guard(-320, 320).check(search(5, EdgeAction::Probe)), unknown(EndUnknown::Search));
    for (min, max, up, down) in [(-320, 320, true, true), (-319, 320, true, false), (-320, 319, false, true)] {
        let mut guard = guard(min, max).searching_within(Distance::from_microsteps(-300));
        guard.braking = Distance::from_microsteps(20);
        for action in [EdgeAction::Probe, EdgeAction::Zero] {
            assert_eq!(guard.check(search(5, action)).is_ok(), up);
            assert_eq!(guard.check(search(-5, action)).is_ok(), down);
            let creep = Command::SearchForZero { velocity: Velocity::steps_per_s::<-5>(), action };
            assert_eq!(guard.check(creep).is_ok(), down);
        }
    }
    assert!(guard(0, 0).permitting_open_ends().check(search(5, EdgeAction::Zero)).is_ok());
    let pulses = Command::PulseInput { direction: Direction::Negative };
    assert_eq!(guard(-9, 9).check(pulses), unknown(EndUnknown::PulseInput));
    assert!(guard(-9, 9).permitting_open_ends().check(pulses).is_ok());
    assert!(guard(0, 0).permitting_open_ends().check(run(5)).is_err(), "a velocity run can be judged");
    let text = guard(0, 0).check(pulses).unwrap_err().to_string();
    assert_eq!(text, "nobody knows where the motion ends: outside pulses go on as somebody else wants");
}

#[test]
fn a_return_to_the_probed_position_is_judged_by_it_once_it_was_read() {
    let back = Command::ReturnToProbedPosition;
    let read = Command::read(Parameter::ProbedPosition);
    let reply =
        |microsteps| Reply { value: Some(Value::Position(Position::from_microsteps(microsteps))), status: None };
    let mut guard = guard(-10, 10).searching_within(Distance::from_microsteps(5));
    assert_eq!(guard.check(back), unknown(EndUnknown::ProbedPosition));
    guard.observe(read.on(1), &reply(7));
    assert_eq!(guard.check(back), unknown(EndUnknown::ProbedPosition), "it is another axis's");
    guard.observe(read.into(), &reply(11));
    assert!(matches!(guard.check(back), Err(Refused::Limit(LimitError::EndsOutside { end, .. })) if end == at(11)));
    guard.observe(read.into(), &reply(-7));
    guard.sends(back).unwrap();
    guard.reads(-7).unwrap();
    assert!(guard.check(by(-4)).is_err() && guard.check(by(-3)).is_ok());
    guard.sends(search(5, EdgeAction::Probe)).unwrap();
    guard.reads(0).unwrap();
    assert_eq!(guard.check(back), unknown(EndUnknown::ProbedPosition), "there is a new one");
    guard.observe(read.into(), &reply(2));
    guard.tracker.homed_at(Position::ZERO, at(100));
    assert!(guard.check(back).is_err(), "places are counted from elsewhere now");
}

#[test]
fn what_makes_the_counter_mean_another_place_makes_the_position_unknown_until_somebody_says_where_it_is() {
    let resolution = Command::write(Parameter::MicrostepResolution, MicrostepResolution::from_microsteps_per_step(4));
    for command in [
        Command::HomeOnCurrentPosition,
        Command::RestoreDefaults,
        Command::ResetNode,
        resolution,
        Command::write(Parameter::PositionDemandValue, Position::ZERO),
        Command::WriteContent { parameter: Parameter::PositionDemandValue, content: 0 },
        search(5, EdgeAction::Zero),
    ] {
        let mut guard = guard(-900, 900).searching_within(Distance::from_microsteps(5));
        guard.sends(by(5)).unwrap();
        guard.reads(5).unwrap();
        guard.sends(command).unwrap();
        assert!(matches!(guard.tracker.trust(), Trust::Unknown(_)), "{command:?}");
        guard.tracker.homed_at(Position::ZERO, at(0));
        assert!(guard.check(by(900)).is_ok() && guard.check(by(901)).is_err(), "{command:?}");
    }
    let mut guard = guard(-900, 900);
    guard.sends(Command::write(Parameter::ProfileVelocity, Velocity::ZERO)).unwrap();
    guard.sends(Command::HomeOnCurrentPosition.on(1)).unwrap();
    assert_eq!(guard.tracker.trust(), Trust::Homed, "neither is of the counter of axis 0");
}

/// An axis that obeys or not, stops anywhere, and is read now and then.
#[derive(Clone, Debug)]
enum Act {
    Tell {
        command: Command,
        is_buffered: bool,
        is_obeyed: bool,
        is_sure: bool,
    },
    /// Goes so many steps on its way.
    Go(i64),
    Read,
    /// Is asked for its status.
    Look,
}

fn act() -> impl Strategy<Value = Act> {
    let way = prop_oneof![Just(Way::Shortest), Just(Way::Positive), Just(Way::Negative)];
    let command = prop_oneof![
        3 => (-70i32..70).prop_map(by),
        3 => (-128i32..128, way).prop_map(|(to, way)| Command::MoveAbsolute { target: Position::from_microsteps(to), way }),
        1 => Just(Command::ReturnToZero),
        1 => Just(STOP),
        1 => (-1i32..=1).prop_map(run),
    ];
    let tell = (command, any::<bool>(), 0..4u8, any::<bool>()).prop_map(|(command, is_buffered, obeys, is_sure)| {
        let is_obeyed = obeys > 0;
        // Who has not obeyed was not seen to have.
        Act::Tell { command, is_buffered, is_obeyed, is_sure: is_sure && is_obeyed }
    });
    prop_oneof![4 => tell, 3 => (0i64..100).prop_map(Act::Go), 2 => Just(Act::Read), 1 => Just(Act::Look)]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    /// However the axis is told, obeys, is stopped and is read: it never leaves the limits. The counter has eight bits, and
    /// its zero lies 17 above that of the count.
    #[test]
    fn an_axis_that_is_told_only_what_its_guard_lets_pass_never_leaves_its_limits(
        min in -60i64..=0, max in 0i64..60, acts in prop::collection::vec(act(), 0..40),
    ) {
        let shape = PositionCounter::new(8, &[1]);
        let limits = PositionLimits::new(at(min), at(max));
        let mut guard = Guard::new(0, tracker(&shape)).within(limits, Distance::ZERO);
        guard.tracker.homed_at(Position::from_microsteps(17), at(0));
        let place = |position: i64| Place::new(&shape, Position::from_microsteps((position + 17) as i8 as i32), at(position));
        let (mut position, mut target, mut waiting): (i64, i64, Option<Command>) = (0, 0, None);
        for act in acts {
            match act {
                Act::Tell { command, is_buffered, is_obeyed, is_sure } => {
                    let is_buffered = is_buffered && matches!(command, Command::MoveRelative { .. } | Command::MoveAbsolute { .. });
                    let asked = if is_buffered { command.buffered() } else { command.into() };
                    if guard.check(asked).is_err() {
                        continue;
                    }
                    let is_busy = position != target;
                    let has_no_room = is_buffered && waiting.is_some();
                    guard.announce(&Latched::LAYOUT, asked);
                    guard.settle(if is_sure && !has_no_room { Fate::Sent } else { Fate::Unsure });
                    if !is_obeyed || has_no_room {
                        continue;
                    }
                    if is_buffered && is_busy {
                        waiting = Some(command);
                        continue;
                    }
                    waiting = None;
                    match command {
                        // It goes one step before it is told to stop, which it does at once.
                        Command::MoveVelocity { velocity } => {
                            position += velocity.to_bits().signum();
                            target = position;
                        }
                        Command::Stop { .. } => target = position,
                        command => target = place(position).end_of(&command).unwrap().to_microsteps(),
                    }
                }
                Act::Go(steps) => {
                    position += (target - position).clamp(-steps, steps);
                    if position == target && let Some(command) = waiting.take() {
                        target = place(position).end_of(&command).unwrap().to_microsteps();
                    }
                }
                // Of Latched: no reset, and standstill or constant velocity.
                Act::Look => {
                    let word = if position == target { 0x8001 } else { 0x800C };
                    let status = Some(Status::new(word, 0xFFFF, &Latched::LAYOUT.status));
                    guard.observe(Command::PeekStatus.into(), &Reply { value: None, status });
                }
                Act::Read => guard.tracker.update(place(position).counter(), None).unwrap(),
            }
            prop_assert!((min..=max).contains(&position), "{} is outside", position);
            prop_assert!((min..=max).contains(&target), "{} would be outside", target);
        }
    }
}

/// The property above would hold of a guard that lets nothing pass.
#[test]
fn a_guard_lets_pass_what_stays_within_its_limits() {
    let mut guard = guard(-100, 100);
    let passed: Vec<_> = (-300..=300).filter(|&distance| guard.check(by(distance)).is_ok()).collect();
    assert_eq!((passed.first(), passed.last(), passed.len()), (Some(&-100), Some(&100), 201));
    for (distance, reading) in [(100, 100), (-200, -100), (150, 50), (-50, 0)] {
        guard.sends(by(distance)).unwrap();
        guard.reads(reading).unwrap();
    }
}
