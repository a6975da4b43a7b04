//! What goes wrong: each ends in the right error, with the axis at a standstill and the others homed.

extern crate std;
use core::time::Duration;
use std::string::ToString;

use super::super::{
    AxisError, AxisHoming, Contact, Homing, HomingError, HomingVelocities, Lacking, Method, Phase, SearchLimits,
};
use super::model::{Machine, World};
use super::{LATCHED, LIMITS, TRAVEL, VELOCITIES, spec, watchers, without};
use crate::chain::{Procedure, Step};
use crate::command::{AxisCommand, Command, CommandError};
use crate::map::{
    BridgeState, CommandForm, Flag, Layout, Parameter, Piece, StatusBit, StatusLayout, StopRamp, Verb, Wire,
};
use crate::reply::ReplyError;
use crate::units::{Distance, Velocity};

const ABOVE_ZERO: core::ops::Range<f64> = 0.0..f64::INFINITY;
const INTO: Method = Method::IntoPositiveHomeSwitch;

fn failure<const N: usize>(world: &mut World<N>, homing: &mut Homing<1, N>) -> HomingError {
    world.home(homing);
    let [Phase::Failed { error, stands: true }] = homing.phases() else {
        panic!("{:?}", homing.phases());
    };
    assert!(world.machines[0].stands(), "{error}");
    error
}

#[test]
fn a_switch_that_is_nowhere_ends_at_the_travel_limit() {
    for (layout, _) in watchers() {
        for contact in [Contact::NormallyOpen, Contact::NormallyClosed] {
            let mut machine = Machine::at(0, 0.0..0.0);
            machine.normally_closed = contact == Contact::NormallyClosed;
            let mut world = World::new(layout, [machine]);
            let error = failure(&mut world, &mut Homing::new(layout, [spec(INTO).contact(contact)]));
            let HomingError::SwitchNotFound { travelled } = error else { panic!("{error}") };
            // By hand: at 6400 microsteps/s a round of a millisecond and two or three exchanges is 8.5 microsteps; the
            // axis brakes on 213.
            assert!((20_001..=20_012).contains(&travelled), "{travelled}");
            let overrun = world.machines[0].place - f64::from(TRAVEL);
            assert!((200.0..250.0).contains(&overrun), "{overrun}");
        }
    }
}

#[test]
fn a_switch_that_stays_pressed_ends_at_the_travel_limit() {
    for (layout, _) in watchers() {
        for method in [INTO, Method::OutOfNegativeHomeSwitch, Method::PositiveLimitSwitch] {
            let always = f64::NEG_INFINITY..f64::INFINITY;
            let mut world = World::new(layout, [Machine::at(0, always)]);
            let error = failure(&mut world, &mut Homing::new(layout, [spec(method)]));
            assert!(matches!(error, HomingError::SwitchStuck { travelled: 20_001..=20_012 }), "{error}");
        }
    }
}

/// By hand: the search goes 2500 microsteps and 213 to brake; the way back begins anew and is longer than those 213 by
/// no more than it takes to be seen.
#[test]
fn the_travel_limit_is_one_for_each_way() {
    let limits = SearchLimits { travel: Distance::from_microsteps(2600), ..LIMITS };
    for (layout, _) in watchers() {
        let mut world = World::new(layout, [Machine::at(-2500, ABOVE_ZERO)]);
        let mut homing = Homing::new(layout, [AxisHoming::new(INTO, VELOCITIES, limits)]);
        world.home(&mut homing);
        assert!(homing.results()[0].is_ok(), "{:?}", homing.results());
    }
}

/// A device that creeps until the switch opens, and its switch has jammed after the fast search.
#[test]
fn a_switch_that_jams_on_the_last_way_is_stuck() {
    let mut world = World::new(&LATCHED, [Machine::at(-500, ABOVE_ZERO)]);
    let limits = SearchLimits { travel: Distance::from_microsteps(1000), ..LIMITS };
    let mut homing = Homing::new(&LATCHED, [AxisHoming::new(Method::PositiveLimitSwitch, VELOCITIES, limits)]);
    while homing.phases() != [Phase::Creeping] {
        world.step(&mut homing);
    }
    world.machines[0].switch = f64::NEG_INFINITY..f64::INFINITY;
    let error = failure(&mut world, &mut homing);
    assert!(matches!(error, HomingError::SwitchStuck { travelled: 1001..=1003 }), "{error}");
}

#[test]
fn no_stop_within_the_travel_limit_is_told() {
    let mut world = World::new(&LATCHED, [Machine::at(0, 0.0..0.0)]);
    let error = failure(&mut world, &mut Homing::new(&LATCHED, [spec(Method::NegativeStop)]));
    assert!(matches!(error, HomingError::SwitchNotFound { .. }), "{error}");
}

#[test]
fn a_stop_that_is_met_while_a_switch_is_sought_is_a_fault() {
    let mut machine = Machine::at(-1000, ABOVE_ZERO);
    machine.stops = -2000.0..-100.0;
    let mut world = World::new(&LATCHED, [machine]);
    assert_eq!(failure(&mut world, &mut Homing::new(&LATCHED, [spec(INTO)])), HomingError::Fault(Flag::StallA));
}

#[test]
fn a_fault_that_stays_is_told_before_anything_moves() {
    let mut machine = Machine::at(-1000, ABOVE_ZERO);
    machine.raised.push(Flag::Overcurrent);
    let mut world = World::new(&LATCHED, [machine]);
    let fault = HomingError::Fault(Flag::Overcurrent);
    assert_eq!(failure(&mut world, &mut Homing::new(&LATCHED, [spec(INTO)])), fault);
    assert_eq!(world.machines[0].place, -1000.0);
    let mut homing = Homing::new(&LATCHED, [spec(INTO).failing_at(&[Flag::Undervoltage])]);
    world.home(&mut homing);
    assert!(homing.results()[0].is_ok(), "a flag that is not named does not count");
}

/// 60 s at 400 steps/s are more than the travel limit, so it is raised for this.
#[test]
fn a_time_out_stops_the_axis_by_the_waits_alone_and_by_a_clock() {
    let limits = SearchLimits { travel: Distance::from_microsteps(8_000_000), time: Duration::from_secs(2) };
    let spec = AxisHoming::new(INTO, VELOCITIES, limits);
    let far = || World::new(&LATCHED, [Machine::at(0, 0.0..0.0)]);

    let mut world = far();
    let error = failure(&mut world, &mut Homing::new(&LATCHED, [spec]));
    assert_eq!(error, HomingError::TimeOut { after: limits.time });
    // Each round is a wait of a millisecond and two exchanges of a tenth; the latter are not counted.
    assert!((2400..=2500).contains(&world.now.as_millis()), "{:?}", world.now);

    let (mut world, mut homing) = (far(), Homing::new(&LATCHED, [spec]));
    while world.step(&mut homing) != Step::Done {
        homing.time_is(world.now);
    }
    assert_eq!(homing.results(), [Err(error)]);
    assert!((2000..=2100).contains(&world.now.as_millis()), "{:?}", world.now);
}

#[test]
fn an_axis_that_cannot_be_stopped_is_given_up_and_said_to_move() {
    let limits = SearchLimits { time: Duration::from_secs(1), ..LIMITS };
    let mut machine = Machine::at(-100_000, 0.0..0.0);
    machine.lost_stops = usize::MAX;
    let mut world = World::new(&LATCHED, [machine]);
    let mut homing = Homing::new(&LATCHED, [AxisHoming::new(INTO, VELOCITIES, limits)]);
    world.home(&mut homing);
    let [Phase::Failed { error: HomingError::TimeOut { .. }, stands: false }] = homing.phases() else {
        panic!("{:?}", homing.phases());
    };
    let stop = Command::Stop { ramp: StopRamp::Profile, bridge: BridgeState::Driven };
    let stops = world.machines[0].commands.iter().filter(|command| **command == stop).count();
    assert!((900..=1001).contains(&stops), "said again each millisecond: {stops}");
}

#[test]
fn a_damaged_reply_is_asked_for_again_and_too_many_end_homing() {
    let clean = {
        let mut world = World::new(&LATCHED, [Machine::at(-1000, ABOVE_ZERO)]);
        world.home(&mut Homing::new(&LATCHED, [spec(INTO)]));
        (world.exchanges, world.machines[0].zero)
    };
    for at in (0..clean.0 - 5).step_by(7) {
        let mut world = World::new(&LATCHED, [Machine::at(-1000, ABOVE_ZERO)]);
        world.damaged = at..at + 2;
        let mut homing = Homing::new(&LATCHED, [spec(INTO)]);
        world.home(&mut homing);
        assert!(homing.results()[0].is_ok(), "two damaged from {at}: {:?}", homing.results());
        assert!((world.machines[0].zero - clean.1).abs() <= 1);

        let mut world = World::new(&LATCHED, [Machine::at(-1000, ABOVE_ZERO)]);
        world.damaged = at..at + 5;
        let error = failure(&mut world, &mut Homing::new(&LATCHED, [spec(INTO)]));
        assert_eq!(error, HomingError::Reply(ReplyError::Malformed), "five damaged from {at}");
    }
}

#[test]
fn an_exchange_that_fails_on_the_bus_is_asked_for_once_more() {
    for at in (0..200).step_by(3) {
        let mut world = World::new(&LATCHED, [Machine::at(-1000, ABOVE_ZERO)]);
        let mut homing = Homing::new(&LATCHED, [spec(INTO)]);
        while world.exchanges < at {
            world.step(&mut homing);
        }
        let (mut before, mut after) = ([AxisCommand::default()], [AxisCommand::default()]);
        let step = homing.next(&mut before);
        assert_eq!(homing.next(&mut after), Step::Exchange);
        if step == Step::Exchange {
            assert_eq!(before, after);
        }
        world.home(&mut homing);
        assert!(homing.results()[0].is_ok(), "{:?}", homing.results());
    }
}

#[test]
fn a_device_that_falls_silent_is_told_to_stop_and_given_up() {
    let mut world = World::new(&LATCHED, [Machine::at(-10_000, ABOVE_ZERO)]);
    world.damaged = 100..usize::MAX;
    let mut homing = Homing::new(&LATCHED, [spec(INTO)]);
    world.home(&mut homing);
    assert_eq!(homing.phases(), [Phase::Failed { error: HomingError::Reply(ReplyError::Malformed), stands: false }]);
    world.advance(Duration::from_secs(1));
    assert!(world.machines[0].stands(), "the stop is sent all the same");
}

#[test]
fn a_reset_at_any_time_is_told() {
    let mut clean = World::new(&LATCHED, [Machine::at(-1000, ABOVE_ZERO)]);
    clean.home(&mut Homing::new(&LATCHED, [spec(INTO)]));
    let last_ms = clean.now.as_millis() as u64 - 3;
    for at_ms in (1..last_ms).step_by(11).chain([last_ms]) {
        let mut world = World::new(&LATCHED, [Machine::at(-1000, ABOVE_ZERO)]);
        world.reset_at = Duration::from_millis(at_ms);
        let mut homing = Homing::new(&LATCHED, [spec(INTO)]);
        let error = failure(&mut world, &mut homing);
        assert_eq!(error, HomingError::Fault(Flag::ResetOccurred), "at {at_ms} ms");
    }
}

#[test]
fn commands_that_are_lost_are_told_and_refused_ones_too() {
    for (layout, _) in watchers() {
        let mut machine = Machine::at(-1000, ABOVE_ZERO);
        machine.is_deaf = true;
        let mut world = World::new(layout, [machine]);
        assert_eq!(failure(&mut world, &mut Homing::new(layout, [spec(INTO)])), HomingError::Interrupted);
        assert_eq!(world.machines[0].place, -1000.0);
    }
    let mut machine = Machine::at(-1000, ABOVE_ZERO);
    machine.is_deaf = true;
    let mut world = World::new(&LATCHED, [machine]);
    let error = failure(&mut world, &mut Homing::new(&LATCHED, [spec(Method::CurrentPosition)]));
    assert!(matches!(error, HomingError::ZeroNotSet { found } if found.to_microsteps() == -223), "{error}");

    let mut world = World::new(&LATCHED, [Machine::at(-1000, ABOVE_ZERO)]);
    let mut homing = Homing::new(&LATCHED, [spec(INTO)]);
    while homing.phases() != [Phase::Seeking] {
        world.step(&mut homing);
    }
    world.machines[0].raised.push(Flag::CommandRejected);
    let error = failure(&mut world, &mut homing);
    assert!(matches!(error, HomingError::Rejected { verb: Some(Verb::SearchForSwitch(_)) }), "{error}");
}

#[test]
fn somebody_elses_stop_is_an_interruption() {
    for (layout, _) in watchers() {
        let mut world = World::new(layout, [Machine::at(-8000, ABOVE_ZERO)]);
        let mut homing = Homing::new(layout, [spec(INTO)]);
        while homing.phases() != [Phase::Seeking] {
            world.step(&mut homing);
        }
        while world.machines[0].place < -6000.0 {
            world.step(&mut homing);
        }
        world.machines[0].turn(0.0);
        assert_eq!(failure(&mut world, &mut homing), HomingError::Interrupted);
    }
}

#[test]
fn a_stop_that_is_lost_is_sent_again() {
    let (watched, _) = watchers()[2];
    let mut machine = Machine::at(-1000, ABOVE_ZERO);
    machine.lost_stops = 2;
    let mut world = World::new(watched, [machine]);
    let mut homing = Homing::new(watched, [spec(INTO)]);
    world.home(&mut homing);
    assert!(homing.results()[0].is_ok(), "{:?}", homing.results());
}

#[test]
fn an_axis_that_seems_to_stand_for_one_round_is_believed_in_the_second() {
    for (layout, _) in watchers() {
        for (rounds, expected) in [([1, 1, 1], None), ([1, 1, 2], Some(HomingError::Interrupted))] {
            let mut world = World::new(layout, [Machine::at(-8000, ABOVE_ZERO)]);
            let mut homing = Homing::new(layout, [spec(INTO)]);
            while world.machines[0].place < -7900.0 {
                world.step(&mut homing);
            }
            for count in rounds {
                // Rounds are told apart by the waits between them.
                for (rounds, is_said_to_stand) in [(count, true), (3, false)] {
                    world.machines[0].is_said_to_stand = is_said_to_stand;
                    for _ in 0..rounds {
                        while !matches!(world.step(&mut homing), Step::Wait(_)) {
                            assert_eq!(homing.results(), [Err(HomingError::Unfinished)]);
                        }
                    }
                }
            }
            match expected {
                Some(error) => assert_eq!(failure(&mut world, &mut homing), error),
                None => {
                    world.home(&mut homing);
                    assert!(homing.results()[0].is_ok(), "{:?}", homing.results());
                }
            }
        }
    }
}

#[test]
fn a_caller_can_stop_it_at_any_time() {
    for steps in [0, 1, 2, 3, 50, 500, 1000, 1500] {
        let mut world = World::new(&LATCHED, [Machine::at(-1500, ABOVE_ZERO)]);
        let mut homing = Homing::new(&LATCHED, [spec(INTO)]);
        for _ in 0..steps {
            assert_ne!(world.step(&mut homing), Step::Done);
        }
        homing.stop();
        assert_eq!(failure(&mut world, &mut homing), HomingError::Stopped, "after {steps} steps");
    }
}

#[test]
fn one_axis_that_fails_does_not_keep_the_others_from_home() {
    let machines = [Machine::at(-500, 0.0..0.0), Machine::at(-500, ABOVE_ZERO), Machine::at(-500, ABOVE_ZERO)];
    let mut world = World::new(&LATCHED, machines);
    world.machines[2].raised.push(Flag::Overcurrent);
    let specs = [spec(INTO), spec(INTO).device(1), spec(INTO).device(2), spec(INTO).device(3), spec(INTO).device(1)];
    let mut homing = Homing::new(&LATCHED, specs);
    assert_eq!(homing.results()[0], Err(HomingError::Unfinished));
    world.home(&mut homing);
    let [missing, homed, faulted, beyond, twice] = homing.results();
    assert!(matches!(missing, Err(HomingError::SwitchNotFound { .. })));
    assert!(homed.is_ok());
    assert_eq!(faulted, Err(HomingError::Fault(Flag::Overcurrent)));
    assert_eq!(beyond, Err(HomingError::NoSuchDevice { devices: 3 }));
    assert_eq!(twice, Err(HomingError::Twice));
    assert!(world.machines.iter().all(Machine::stands));
    let failed: std::vec::Vec<_> = homing.failures().map(|failure| failure.device).collect();
    assert_eq!(failed, [0, 2, 3, 1]);
    let error = AxisError { device: 2, axis: 0, error: HomingError::Fault(Flag::Overcurrent) };
    assert!(homing.failures().any(|failure| failure == error));
    assert_eq!(error.to_string(), "device 2, axis 0: the device raised `overcurrent`");
}

/// Nothing is asked of an axis that the map cannot home.
fn refused(layout: &'static Layout, spec: AxisHoming) -> HomingError {
    let mut homing = Homing::<1, 1>::new(layout, [spec]);
    assert_eq!(homing.failures().count(), 1);
    let mut world = World::new(layout, [Machine::at(0, 0.0..0.0)]);
    assert_eq!(world.step(&mut homing), Step::Done);
    let [Err(error)] = homing.results() else { panic!() };
    error
}

#[test]
fn what_a_map_lacks_is_told_before_anything_is_sent() {
    let lacks = |lacking| HomingError::Unsupported(lacking);
    let command = |verb| lacks(Lacking::Command(verb));
    let stopless = without(|verb| matches!(verb, Verb::Stop(_, BridgeState::Driven)));
    let stop = Verb::Stop(StopRamp::Profile, BridgeState::Driven);
    assert_eq!(refused(stopless, spec(INTO)), command(stop));
    let blind = without(|verb| matches!(verb, Verb::PeekStatus | Verb::TakeStatus));
    assert_eq!(refused(blind, spec(INTO)), command(Verb::PeekStatus));
    let zeroless = without(|verb| verb == Verb::HomeOnCurrentPosition);
    assert_eq!(refused(zeroless, spec(Method::CurrentPosition)), command(Verb::HomeOnCurrentPosition));
    let turnless = without(|verb| verb == Verb::MoveVelocity);
    assert_eq!(refused(turnless, spec(INTO)), command(Verb::MoveVelocity));
    let moveless = without(|verb| matches!(verb, Verb::MoveAbsolute(_) | Verb::MoveRelative));
    assert_eq!(refused(moveless, spec(INTO)), command(Verb::MoveRelative));
    static UNPLACED: Layout = LATCHED.registers(&[]);
    assert_eq!(refused(&UNPLACED, spec(INTO)), lacks(Lacking::Parameter(Parameter::PositionDemandValue)));

    const BUSY: StatusBit = StatusBit::live(Flag::Busy, 0);
    static SWITCHLESS: Layout = LATCHED.status(StatusLayout::new(16, &[BUSY]));
    assert_eq!(refused(&SWITCHLESS, spec(INTO)), lacks(Lacking::Flag(Flag::HomeSwitch)));
    assert_eq!(refused(&SWITCHLESS, spec(Method::NegativeStop)), lacks(Lacking::Stall));
    static RESTLESS: Layout = LATCHED.status(StatusLayout::new(16, &[StatusBit::live(Flag::HomeSwitch, 1)]));
    assert_eq!(refused(&RESTLESS, spec(INTO)), lacks(Lacking::Standstill));
    // Bit 16 is not in a reply of sixteen bits.
    static UNTOLD: Layout = LATCHED.status(StatusLayout::new(17, &[BUSY, StatusBit::live(Flag::HomeSwitch, 16)]));
    assert_eq!(refused(&UNTOLD, spec(INTO)), lacks(Lacking::Flag(Flag::HomeSwitch)));
    static NOTHING: Layout = Layout::new("nothing", Wire::latched_units(8, &[Piece::fixed(8, 0)]));
    const NONE: &[CommandForm] = &[];
    assert_eq!(NOTHING.commands, NONE);
    assert_eq!(refused(&NOTHING, spec(INTO)), command(Verb::ReadParameter));
}

#[test]
fn what_cannot_be_said_is_told_before_anything_is_sent() {
    let zero = HomingVelocities { search_for_zero: Velocity::ZERO, ..VELOCITIES };
    let error = refused(&LATCHED, AxisHoming::new(INTO, zero, LIMITS));
    assert_eq!(error, HomingError::VelocityNotPositive(Velocity::ZERO));
    // The reference map's velocities have 24 bits of a fiftieth of a step/s each: 335 544.3 at most.
    let fast = HomingVelocities { search_for_switch: Velocity::steps_per_s::<335_545>(), ..VELOCITIES };
    let error = refused(&LATCHED, AxisHoming::new(INTO, fast, LIMITS));
    assert!(matches!(error, HomingError::Command(CommandError::OutOfRange { .. })), "{error}");
    let error = refused(&LATCHED, spec(INTO).axis(1));
    assert_eq!(error, HomingError::Command(CommandError::NoSuchAxis { axis: 1, axes: 1 }));
    // A counter of 24 bits: a quarter of its round is 2²² microsteps.
    let offset = |count| spec(INTO).home_offset(Distance::from_microsteps(count));
    assert!(matches!(refused(&LATCHED, offset(-4_194_304)), HomingError::OffsetTooGreat { .. }));
    assert_eq!(Homing::<1, 1>::new(&LATCHED, [offset(-4_194_303)]).failures().count(), 0);
}
