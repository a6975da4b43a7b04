//! Every method from every side of its switch, and against a stop.

extern crate std;
use core::ops::Range;
use core::time::Duration;

use proptest::prelude::*;

use super::super::{AxisHoming, Contact, Homed, Homing, HomingError, Lacking, Method, Phase};
use super::model::{EXCHANGE, MICROSTEPS, Machine, World};
use super::{FAST, LATCHED, SLOW, spec, watchers, without};
use crate::chain::Step;
use crate::command::Command;
use crate::map::{BridgeState, EdgeAction, Flag, Layout, RegisterMap, StatusBit, StatusLayout, StopRamp, Verb};
use crate::reference::FixedWord;
use crate::track::UnwrappedPosition;
use crate::units::{Distance, Position};

const HOMED: Homed = Homed { counter: Position::ZERO, at: UnwrappedPosition::ZERO };

const EVERY: [Duration; 2] = [Duration::from_millis(1), Duration::from_millis(12)];

/// The methods that look for a switch; whether it is pressed above its edge, and whether the last way goes up.
const SWITCH_METHODS: [(Method, bool, bool); 6] = [
    (Method::NegativeLimitSwitch, false, true),
    (Method::PositiveLimitSwitch, true, false),
    (Method::OutOfPositiveHomeSwitch, true, false),
    (Method::IntoPositiveHomeSwitch, true, true),
    (Method::OutOfNegativeHomeSwitch, false, true),
    (Method::IntoNegativeHomeSwitch, false, false),
];

fn switch(edge: f64, is_above: bool) -> Range<f64> {
    if is_above { edge..f64::INFINITY } else { f64::NEG_INFINITY..edge }
}

/// The most by which a home position may be wrong, in microsteps: rounding, and what the axis goes between two polls.
fn tolerance(is_exact: bool, period: Duration) -> f64 {
    // A round has a position, a status and at most one command.
    let round = (period + 3 * EXCHANGE).as_secs_f64();
    if is_exact { 1.5 } else { 1.5 + round * f64::from(SLOW) * MICROSTEPS }
}

#[derive(Clone, Copy, Debug)]
struct Case {
    layout: &'static Layout,
    is_exact: bool,
    spec: AxisHoming,
    period: Duration,
    edge: f64,
    is_above: bool,
    goes_up: bool,
}

/// Homes one axis from a place, and looks at where its zero is and how it got there.
fn check(case: Case, start: i64, contact: Contact, offset: i32) {
    let Case { layout, is_exact, spec, period, edge, is_above, goes_up } = case;
    let mut machine = Machine::at(start, switch(edge, is_above));
    machine.normally_closed = contact == Contact::NormallyClosed;
    let mut world = World::new(layout, [machine]);
    let spec = spec.contact(contact).home_offset(Distance::from_microsteps(offset));
    let mut homing = Homing::new(layout, [spec]).every(period);
    // The last edge before the move to the zero position, which may cross it again.
    let mut last = None;
    while world.step(&mut homing) != Step::Done {
        if homing.phases() == [Phase::Creeping] {
            last = world.machines[0].crossings.last().copied();
        }
    }
    let [machine] = &world.machines;
    assert_eq!(homing.results(), [Ok(HOMED)], "{case:?} from {start}: {:?}", machine.commands);
    let home = machine.zero as f64 + f64::from(offset);
    let error = (home - edge).abs();
    assert!(error <= tolerance(is_exact, period), "{case:?} from {start}: home is {home}");
    assert_eq!(machine.place, machine.zero as f64, "it stands at its zero position");
    assert!(machine.stands());
    let last = last.unwrap();
    assert_eq!(last.into, goes_up == is_above, "{case:?} from {start}: {last:?}");
    assert_eq!(last.velocity > 0.0, goes_up, "{case:?} from {start}: {last:?}");
    assert!(last.velocity.abs() <= 1.02 * f64::from(SLOW), "{case:?} from {start}: {last:?}");
    let fastest = machine.crossings.iter().fold(0.0_f64, |most, crossing| most.max(crossing.velocity.abs()));
    assert!(fastest <= f64::from(FAST) * 1.3, "{fastest}");
}

#[test]
fn every_method_finds_its_edge_from_every_side_with_either_contact() {
    for (layout, is_exact) in watchers() {
        for (method, is_above, goes_up) in SWITCH_METHODS {
            for period in EVERY {
                let case = Case { layout, is_exact, spec: spec(method), period, edge: 250.5, is_above, goes_up };
                for contact in [Contact::NormallyOpen, Contact::NormallyClosed] {
                    for start in [-4000, 249, 250, 251, 252, 4000] {
                        check(case, start, contact, 0);
                    }
                    check(case, 0, contact, 1234);
                    check(case, 500, contact, -1234);
                }
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]
    #[test]
    fn from_any_start_to_any_switch_the_zero_is_at_the_edge_and_comes_from_the_same_side(
        start in -9000i64..9000, edge in -9000i64..9000, fraction in 0.0..1.0f64, which in 0usize..6,
        watcher in 0usize..3, period_us in 1u64..15_000, is_normally_closed: bool, offset in -3000i32..3000,
    ) {
        let (layout, is_exact) = watchers()[watcher];
        let (method, is_above, goes_up) = SWITCH_METHODS[which];
        let period = Duration::from_micros(period_us);
        let edge = edge as f64 + fraction;
        let contact = if is_normally_closed { Contact::NormallyClosed } else { Contact::NormallyOpen };
        check(Case { layout, is_exact, spec: spec(method), period, edge, is_above, goes_up }, start, contact, offset);
    }
}

/// By hand: at 400 steps/s and 6000 steps/s² the axis brakes on 400²/12000 = 13.3 steps, 213 microsteps; a switch of
/// 40 is run past.
#[test]
fn a_switch_shorter_than_the_braking_distance_is_found_again() {
    for (method, home) in [(Method::IntoPositiveHomeSwitch, 1000.0), (Method::OutOfPositiveHomeSwitch, 1000.0)] {
        for (layout, is_exact) in watchers() {
            let mut world = World::new(layout, [Machine::at(0, 1000.0..1040.0)]);
            let mut homing = Homing::new(layout, [spec(method)]);
            world.home(&mut homing);
            let [machine] = &world.machines;
            assert_eq!(homing.results(), [Ok(HOMED)], "{method:?} {:?}", machine.commands);
            let error = (machine.zero as f64 - home).abs();
            assert!(error <= tolerance(is_exact, Duration::from_millis(1)), "{method:?}: {}", machine.zero);
            let back = machine.crossings.iter().any(|crossing| crossing.into && crossing.velocity < 0.0);
            assert!(back, "it ran past the switch and came back: {:?}", machine.crossings);
        }
    }
}

#[test]
fn a_stop_is_found_as_a_stall_and_left_by_the_offset() {
    for (method, offset, home) in [(Method::NegativeStop, -320, -2000), (Method::PositiveStop, 480, 3000)] {
        let mut machine = Machine::at(100, 0.0..0.0);
        machine.stops = -2000.0..3000.0;
        let mut world = World::new(&LATCHED, [machine]);
        let offset = Distance::from_microsteps(offset);
        let mut homing = Homing::new(&LATCHED, [spec(method).home_offset(offset)]);
        world.home(&mut homing);
        assert_eq!(homing.results(), [Ok(HOMED)]);
        let [machine] = &world.machines;
        let rotor = machine.place + machine.slip;
        assert!((rotor - (home - offset.to_bits()) as f64).abs() < 0.5, "{rotor}");
        assert_eq!(machine.place, machine.zero as f64);
        // A round and the braking at the stop: the device goes on counting, the rotor does not follow.
        assert!((1.0..300.0).contains(&machine.slip.abs()), "{}", machine.slip);
        let at_once = Command::Stop { ramp: StopRamp::None, bridge: BridgeState::Driven };
        assert!(machine.commands.contains(&at_once), "a ramp would only grind on: {:?}", machine.commands);
        let takes = machine.commands.iter().filter(|command| **command == Command::TakeStatus).count();
        assert_eq!(takes, 2, "once before, once to acknowledge the stall");
    }
}

#[test]
fn on_the_spot_nothing_moves_and_the_place_is_the_home_offset() {
    let mut world = World::new(&LATCHED, [Machine::at(100, 0.0..0.0)]);
    let spec = spec(Method::CurrentPosition).home_offset(Distance::from_microsteps(50));
    let mut homing = Homing::new(&LATCHED, [spec]);
    world.home(&mut homing);
    let at = UnwrappedPosition::from_microsteps(50);
    assert_eq!(homing.results(), [Ok(Homed { counter: Position::ZERO, at })]);
    assert_eq!(world.machines[0].zero, 100);
    let moves = |command: &Command| command.verb().is_some_and(|verb| verb == Verb::MoveVelocity);
    assert!(!world.machines[0].commands.iter().any(moves));
}

#[test]
fn an_axis_that_moves_is_brought_to_a_standstill_first() {
    let mut machine = Machine::at(-3000, switch(0.0, true));
    machine.turn(300.0);
    let mut world = World::new(&LATCHED, [machine]);
    world.advance(Duration::from_millis(200));
    let mut homing = Homing::new(&LATCHED, [spec(Method::IntoPositiveHomeSwitch)]);
    world.home(&mut homing);
    assert_eq!(homing.results(), [Ok(HOMED)]);
}

#[test]
fn a_map_without_absolute_moves_goes_to_zero_by_a_relative_one() {
    let layout = without(|verb| matches!(verb, Verb::MoveAbsolute(_)));
    let mut world = World::new(layout, [Machine::at(0, switch(-500.0, false))]);
    let offset = Distance::from_microsteps(-200);
    let mut homing = Homing::new(layout, [spec(Method::NegativeLimitSwitch).home_offset(offset)]);
    world.home(&mut homing);
    assert_eq!(homing.results(), [Ok(HOMED)]);
    assert!((world.machines[0].zero - -300).abs() <= 1, "{}", world.machines[0].zero);
}

#[test]
fn many_axes_share_every_frame_and_cost_what_the_slowest_one_costs() {
    static LAYOUT: Layout = FixedWord::LAYOUT;
    let machines = |device: usize| {
        let start = [-3000, 2000, 10, 0][device];
        Machine::at(start, switch(0.5, device != 1))
    };
    let specs = [
        spec(Method::IntoPositiveHomeSwitch),
        spec(Method::NegativeLimitSwitch).device(1),
        spec(Method::OutOfPositiveHomeSwitch).device(2),
        spec(Method::CurrentPosition).device(3),
    ];
    let mut alone = [0; 4];
    for (device, exchanges) in alone.iter_mut().enumerate() {
        let mut world = World::<1>::new(&LAYOUT, [machines(device)]);
        world.home(&mut Homing::new(&LAYOUT, [specs[device].device(0)]));
        *exchanges = world.exchanges;
    }
    let mut world = World::new(&LAYOUT, [0, 1, 2, 3].map(machines));
    let mut homing = Homing::new(&LAYOUT, specs);
    world.home(&mut homing);
    assert_eq!(homing.results(), [Ok(HOMED); 4]);
    let slowest = *alone.iter().max().unwrap();
    // An axis that sends a command makes the round of all longer by one exchange: each sends some twenty.
    assert!(world.exchanges <= slowest + 80, "{} for all, alone {alone:?}", world.exchanges);
}

#[test]
fn the_axes_of_one_device_take_turns_and_heed_their_own_switches() {
    const FLAGS: &[StatusBit] = &[
        StatusBit::live(Flag::Busy, 0),
        StatusBit::live(Flag::HomeSwitch, 1),
        StatusBit::live(Flag::Busy, 2).axis(1),
        StatusBit::live(Flag::HomeSwitch, 3).axis(1),
        StatusBit::latched(Flag::CommandRejected, 4),
    ];
    // Registers and commands that need not say for which axis they are: no bit is made here.
    static PAIR: Layout = LATCHED.axes(2).status(StatusLayout::new(16, FLAGS));
    let axes = [
        spec(Method::IntoPositiveHomeSwitch),
        spec(Method::NegativeLimitSwitch).axis(1),
        spec(Method::OutOfPositiveHomeSwitch).device(1),
        spec(Method::PositiveStop).device(1).axis(1),
    ];
    let edges = [(100.0, true), (-100.0, false), (200.0, true), (0.0, true)];
    let [first, second, third, fourth] = edges.map(|(edge, is_above)| Machine::at(0, switch(edge, is_above)));
    let mut world = World::new(&PAIR, [first, third]);
    world.second = [second, fourth].to_vec();
    let mut homing = Homing::new(&PAIR, axes);
    world.home(&mut homing);
    let stall = HomingError::Unsupported(Lacking::Stall);
    assert_eq!(homing.results(), [Ok(HOMED), Ok(HOMED), Ok(HOMED), Err(stall)]);
    let homed = [&world.machines[0], &world.second[0], &world.machines[1]];
    for (machine, (edge, _)) in homed.into_iter().zip(edges) {
        assert!((machine.zero as f64 - edge).abs() <= 1.5, "{}", machine.zero);
    }
    assert!(world.second[1].commands.is_empty());
}

#[test]
fn the_phases_of_an_axis_can_be_watched() {
    let mut world = World::new(&LATCHED, [Machine::at(-1000, switch(0.0, true))]);
    let mut homing = Homing::new(&LATCHED, [spec(Method::IntoPositiveHomeSwitch)]);
    let mut seen = std::vec![homing.phases()[0]];
    while world.step(&mut homing) != Step::Done {
        let [phase] = homing.phases();
        if seen.last() != Some(&phase) {
            seen.push(phase);
        }
    }
    use Phase::{BackingOff, Creeping, Moving, Seeking, Settling};
    let actions: std::vec::Vec<_> = world.machines[0]
        .commands
        .iter()
        .filter_map(|command| match *command {
            Command::SearchForSwitch { action, .. } | Command::SearchForZero { action, .. } => Some(action),
            _ => None,
        })
        .collect();
    assert_eq!(actions, [EdgeAction::Probe, EdgeAction::Zero], "only the last way sets the counter");
    assert_eq!(seen, [Settling, Seeking, BackingOff, Creeping, Moving, Phase::Homed(HOMED)]);
}
