//! Coordinated moves: shares worked out by hand, limits kept, commands that can be sent, and the search for less skew.

use core::time::Duration;
use std::string::ToString;
use std::vec::Vec;

use proptest::prelude::*;
use proptest::strategy::ValueTree;
use proptest::test_runner::TestRunner;

use crate::map::{Coding, CommandForm, Encoding, Parameter, Piece, PositionCounter, Register, Verb, Wire};
use crate::units::Value;
use crate::{AxisCommand, Codec, Command, CommandError, Pending};

use super::super::share::Codes;
use super::*;

const COMMANDS: &[CommandForm] = &[
    CommandForm::word(Verb::WriteParameter, &[Piece::fixed(2, 1), Piece::address(6), Piece::data(32)]),
    CommandForm::word(
        Verb::MoveRelative,
        &[
            Piece::fixed(2, 2),
            Piece::direction(true),
            Piece::fixed(5, 0),
            Piece::distance(Coding::new(32, Encoding::Raw)),
        ],
    ),
];

/// A map whose codes are the bits of the types.
pub(super) static FINE: Layout = Layout::new("fine", Wire::latched_units(40, &[Piece::fixed(40, 0)]))
    .registers(&[
        Register::new(Parameter::ProfileVelocity, 1, 31).encoding(Encoding::linear(1, 4096)),
        Register::new(Parameter::ProfileAcceleration, 2, 32).encoding(Encoding::linear(1, 256)),
        Register::new(Parameter::ProfileDeceleration, 3, 32).encoding(Encoding::linear(1, 256)),
        Register::new(Parameter::StartStopVelocity, 4, 31).encoding(Encoding::linear(1, 4096)),
    ])
    .commands(COMMANDS)
    .position(PositionCounter::new(32, &[16]));

/// A map of whole steps/s and tens of steps/s², with one slope and no start-stop velocity.
static COARSE: Layout = Layout::new("coarse", Wire::latched_units(40, &[Piece::fixed(40, 0)]))
    .registers(&[
        Register::new(Parameter::ProfileVelocity, 1, 16),
        Register::new(Parameter::ProfileAcceleration, 2, 16).encoding(Encoding::linear(10, 1)),
    ])
    .commands(COMMANDS)
    .position(PositionCounter::new(32, &[16]));

fn goal(limits: Ramp, steps: i32) -> AxisGoal {
    let scale = i32::from(limits.resolution.to_microsteps_per_step());
    AxisGoal { axis: 0, limits, distance: microsteps(steps * scale) }
}

/// By hand: 3000 steps at 1000/s and 500/s² take 2 s + 1 s + 2 s; half the way at half the speed and slopes as well.
#[test]
fn axes_with_alike_limits_follow_the_longest_in_proportion() {
    for layout in [&LATCHED, &FIXED_WORD, &FINE] {
        let limits = ramp(1000, 500, 500, 0, 64);
        let goals = [goal(limits, 3000), goal(limits, -1500), goal(limits, 0)];
        let line = Coordinated::new(layout, &goals).unwrap();
        let mut expected = [limits, ramp(500, 250, 250, 0, 64)];
        for ramp in &mut expected {
            *ramp = Ramp { resolution: limits.resolution, ..quantised(*ramp, layout) };
        }
        assert_eq!(line.ramps()[..2], expected, "{}", layout.name);
        assert_eq!(line.moves()[2].duration(), Duration::ZERO, "{}", layout.name);
        assert!(line.duration() <= Duration::from_millis(5001), "{}: {:?}", layout.name, line.duration());
        assert!(line.skew() <= Duration::from_millis(1), "{}: {:?}", layout.name, line.skew());
    }
}

/// By hand, in ways (v, a, d over steps): axis 0 could do 10, 1, 0.5; axis 1, of 400 steps, 2.5, 5, 0.25; so 2.5, 1,
/// 0.25 for both, and of the start-stop velocities 0.1 and 0.05 the latter.
#[test]
fn each_quantity_is_set_by_the_axis_that_can_do_least_of_it() {
    let first = Ramp { start_stop_velocity: Velocity::from_steps_per_s(10).unwrap(), ..ramp(1000, 100, 50, 0, 8) };
    let second = Ramp { start_stop_velocity: Velocity::from_steps_per_s(20).unwrap(), ..ramp(1000, 2000, 100, 0, 16) };
    let line = Coordinated::new(&FINE, &[goal(first, 100), goal(second, 400)]).unwrap();
    assert_eq!(line.ramps(), &[ramp(250, 100, 25, 5, 8), ramp(1000, 400, 100, 20, 16)]);
    assert_eq!(line.skew(), Duration::ZERO);
}

#[test]
fn the_commands_say_the_ramps_and_then_the_distances() {
    let limits = ramp(1000, 500, 500, 20, 64);
    let line = Coordinated::new(&LATCHED, &[goal(limits, 3000), goal(limits, 0), goal(limits, -1500)]).unwrap();
    let speed = |steps_per_s| Value::Velocity(Velocity::from_steps_per_s(steps_per_s).unwrap());
    let slope = |steps_per_s2| Value::Acceleration(Acceleration::from_steps_per_s2(steps_per_s2).unwrap());
    let expected: Vec<[AxisCommand; 3]> = [
        (Parameter::ProfileVelocity, speed(1000), speed(500)),
        (Parameter::ProfileAcceleration, slope(500), slope(250)),
        (Parameter::ProfileDeceleration, slope(500), slope(250)),
        (Parameter::StartStopVelocity, speed(20), speed(10)),
    ]
    .map(|(parameter, first, last)| {
        [Command::write(parameter, first), Command::Filler, Command::write(parameter, last)].map(AxisCommand::from)
    })
    .into();
    assert_eq!(line.writes().collect::<Vec<_>>(), expected);
    let relative = |count| Command::MoveRelative { distance: microsteps(count) };
    assert_eq!(line.start(), [relative(192_000), Command::Filler, relative(-96_000)].map(AxisCommand::from));
}

/// By hand: a write of 16 to 24 bits is an opcode unit and one or two of content, a move two units.
#[test]
fn the_commands_of_all_axes_leave_in_the_frames_of_one() {
    let limits = ramp(1000, 500, 500, 0, 64);
    let line = Coordinated::new(&LATCHED, &[goal(limits, 3000), goal(limits, 700), goal(limits, -1500)]).unwrap();
    let codec = Codec::new(&LATCHED).unwrap();
    let frames = |commands: &[AxisCommand; 3]| {
        let (mut pending, mut buffer) = ([Pending::default(); 3], [0; 6]);
        let mut talk = codec.begin(commands, &mut pending, &mut buffer).unwrap();
        let mut count = 0;
        while talk.next_frame().is_some() {
            talk.came_back();
            count += 1;
        }
        count
    };
    assert_eq!(line.writes().map(|commands| frames(&commands)).collect::<Vec<_>>(), [3, 2, 2, 2]);
    assert_eq!(frames(&line.start()), 2);
}

#[test]
fn what_the_map_has_no_register_for_is_neither_wanted_nor_written() {
    let limits = ramp(1000, 500, 300, 50, 16);
    let line = Coordinated::new(&COARSE, &[goal(limits, 3000), goal(limits, 1000)]).unwrap();
    assert_eq!(line.ramps(), &[ramp(1000, 300, 300, 0, 16), ramp(333, 100, 100, 0, 16)]);
    let written: Vec<_> = line.writes().map(|commands| commands[1].command).collect();
    assert_eq!(
        written,
        [
            Command::write(Parameter::ProfileVelocity, Velocity::from_steps_per_s(333).unwrap()),
            Command::write(Parameter::ProfileAcceleration, Acceleration::from_steps_per_s2(100).unwrap()),
        ]
    );
}

/// By hand: the share of 1/400 of the way is 2.5/s and 1.25/s², which is nearest to no tens; of the tens the least.
#[test]
fn an_axis_that_goes_very_little_gets_the_least_codes_and_not_standstill() {
    let limits = ramp(1000, 500, 500, 0, 16);
    let line = Coordinated::new(&COARSE, &[goal(limits, 4000), goal(limits, 10)]).unwrap();
    assert_eq!(line.ramps()[1], ramp(3, 10, 10, 0, 16));
    let shy = ramp(1000, 5, 5, 0, 16);
    let error = Coordinated::new(&COARSE, &[goal(limits, 4000), goal(shy, 10)]).unwrap_err();
    let expected = PlanError::Standstill { parameter: Parameter::ProfileAcceleration };
    assert_eq!(error, CoordinateError::Plan { device: 1, error: expected }, "no code is within this axis's limit");
}

#[test]
fn a_device_that_cannot_is_named() {
    let limits = ramp(1000, 500, 500, 0, 64);
    let new = |goals: &[AxisGoal; 2]| Coordinated::new(&LATCHED, goals).unwrap_err();
    let far = AxisGoal { distance: microsteps(1 << 24), ..goal(limits, 1) };
    let error = new(&[goal(limits, 1), far]);
    assert_eq!(error.to_string(), "device 1: `move relative`: 16777216 microsteps is outside 0..=16777215 microsteps");
    let error = new(&[AxisGoal { axis: 1, ..goal(limits, 1) }, goal(limits, 1)]);
    assert_eq!(error, CoordinateError::Command { device: 0, error: CommandError::NoSuchAxis { axis: 1, axes: 1 } });
    let error = new(&[goal(ramp(1000, 0, 500, 0, 64), 1), goal(limits, 1)]);
    let expected = PlanError::Standstill { parameter: Parameter::ProfileAcceleration };
    assert_eq!(error, CoordinateError::Plan { device: 0, error: expected });
    // Nothing is asked of an axis that stands.
    assert!(Coordinated::new(&LATCHED, &[goal(limits, 1), goal(ramp(0, 0, 0, 0, 0), 0)]).is_ok());
    let none = Coordinated::new(&LATCHED, &[goal(limits, 0); 2]).unwrap();
    assert_eq!((none.duration(), none.skew(), none.writes().count()), (Duration::ZERO, Duration::ZERO, 0));
}

/// By hand: of multiples of 0.003/s that are not above 100.001/s, 99.999/s is the greatest. A bit is 2⁻¹²/s.
#[test]
fn a_share_is_cut_to_the_limit() {
    let codes = Codes::of(&FIXED_WORD, 0, Parameter::ProfileVelocity);
    let limit = Velocity::from_milli_steps_per_s(100_001).unwrap().to_bits() as u32;
    let expected = Value::Velocity(Velocity::from_milli_steps_per_s(99_999).unwrap());
    for share in [limit - 4, limit, limit + 1, limit + 100, u32::MAX] {
        assert_eq!(codes.fitted(share, limit), Ok(expected), "{share} of {limit}");
    }
}

fn quantised(ramp: Ramp, layout: &'static Layout) -> Ramp {
    let resolution = MicrostepResolution::from_microsteps_per_step(layout.position.resolutions[0]);
    Ramp { resolution, ..ramp }.quantised(layout, 0).unwrap()
}

fn limits() -> impl Strategy<Value = Ramp> {
    (200..5000, 400..60_000, 400..60_000, 0..200, prop_oneof![Just(1u16), Just(16), Just(64)])
        .prop_map(|(v, a, d, s, scale)| ramp(v, a, d, s, scale))
}

fn any_goal() -> impl Strategy<Value = AxisGoal> {
    let length = prop_oneof![100_000..4_000_000, -4_000_000..-100_000];
    (limits(), length).prop_map(|(limits, length)| AxisGoal { axis: 0, limits, distance: microsteps(length) })
}

fn three_goals() -> impl Strategy<Value = [AxisGoal; 3]> {
    [any_goal(), any_goal(), any_goal()]
}

proptest! {
    /// Every share is a meaning of a code, and no axis does more than it can.
    #[test]
    fn shares_are_codes_within_the_limits(goals in three_goals()) {
        for layout in [&LATCHED, &FIXED_WORD, &FINE] {
            let line = Coordinated::new(layout, &goals).unwrap();
            for ((ramp, planned), goal) in line.ramps().iter().zip(line.moves()).zip(&goals) {
                prop_assert!(ramp.velocity <= goal.limits.velocity);
                prop_assert!(ramp.acceleration <= goal.limits.acceleration);
                prop_assert!(ramp.deceleration <= goal.limits.deceleration);
                prop_assert!(ramp.start_stop_velocity <= goal.limits.start_stop_velocity);
                let means = quantised(*ramp, layout);
                prop_assert_eq!(Ramp { resolution: ramp.resolution, ..means }, *ramp);
                prop_assert_eq!(*planned, Move::new(*ramp, goal.distance).unwrap());
            }
        }
    }

    /// With codes as fine as the types, what one axis has gone says what all have, at any time.
    #[test]
    fn all_axes_stay_on_the_straight_line(goals in three_goals(), share in 0.0..1.0) {
        let line = Coordinated::new(&FINE, &goals).unwrap();
        let at = line.duration().mul_f64(share);
        let gone = [0, 1, 2].map(|axis| {
            f64::from(line.moves()[axis].position_at(at).to_microsteps()) / f64::from(goals[axis].distance.to_microsteps())
        });
        for axis in [1, 2] {
            let off = (gone[axis] - gone[0]).abs();
            prop_assert!(off < 0.002, "axes at {gone:?} of their ways after {at:?}");
        }
    }

    /// Whatever the search finds keeps the limits, too, and is not much slower.
    #[test]
    fn a_line_within_a_bound_is_within_it(goals in three_goals(), bound_us in 1u64..20_000) {
        let bound = Duration::from_micros(bound_us);
        for layout in [&LATCHED, &FIXED_WORD] {
            let line = Coordinated::new(layout, &goals).unwrap();
            match line.within(bound) {
                Ok(found) => {
                    prop_assert!(found.skew() <= bound);
                    prop_assert!(line.skew() > bound || found == line, "what was good enough is kept");
                    prop_assert!(found.duration() <= line.duration() * 3);
                    for (ramp, goal) in found.ramps().iter().zip(&goals) {
                        prop_assert!(ramp.velocity <= goal.limits.velocity);
                        prop_assert!(ramp.acceleration <= goal.limits.acceleration);
                        prop_assert!(ramp.deceleration <= goal.limits.deceleration);
                    }
                }
                Err(error) => {
                    let CoordinateError::SkewTooLarge { best, bound: asked } = error else { panic!("{error}") };
                    prop_assert!(asked == bound && best > bound && best <= line.skew());
                }
            }
        }
    }
}

/// By hand, whole steps/s and tens of steps/s²: over 3000 and 1000 steps at 1000/s and 500/s² the second axis's shares
/// are 333.3 and 166.7, so 333 and 170, and it arrives early. At 999 and 480 of the first they are 333 and 160: exact.
#[test]
fn a_slower_line_whose_codes_fit_is_found() {
    let limits = ramp(1000, 500, 500, 0, 16);
    let line = Coordinated::new(&COARSE, &[goal(limits, 3000), goal(limits, 1000)]).unwrap();
    assert_eq!(line.ramps()[1], ramp(333, 170, 170, 0, 16));
    let skew = line.skew();
    assert!(skew > Duration::from_millis(30), "{skew:?}");
    let found = line.within(Duration::from_millis(1)).unwrap();
    assert!(found.skew() <= Duration::from_millis(1));
    assert!(found.duration() < line.duration() + Duration::from_millis(200), "{:?}", found.duration());
    // Ways of 4001 and 13 have no common codes.
    let line = Coordinated::new(&COARSE, &[goal(limits, 4001), goal(limits, 13)]).unwrap();
    let error = line.within(Duration::from_micros(1)).unwrap_err();
    let CoordinateError::SkewTooLarge { best, bound } = error else { panic!("{error}") };
    assert!(best > bound && best <= line.skew(), "{best:?} of {:?}", line.skew());
}

/// The figures in the documentation of `within`: three axes, ways of 6000 to 250 000 full steps.
#[test]
fn most_lines_can_be_brought_within_a_millisecond() {
    for (layout, least) in [(&LATCHED, 75), (&FIXED_WORD, 95)] {
        let mut runner = TestRunner::deterministic();
        let (mut before, mut after, mut slower) = (0, 0, 0.0);
        for _ in 0..100 {
            let goals = three_goals().new_tree(&mut runner).unwrap().current();
            let resolution = MicrostepResolution::from_microsteps_per_step(16);
            let goals = goals.map(|goal| AxisGoal { limits: Ramp { resolution, ..goal.limits }, ..goal });
            let line = Coordinated::new(layout, &goals).unwrap();
            let bound = Duration::from_millis(1);
            before += u32::from(line.skew() <= bound);
            if let Ok(found) = line.within(bound) {
                after += 1;
                slower += found.duration().as_secs_f64() / line.duration().as_secs_f64() - 1.0;
            }
        }
        let slower = slower / f64::from(after);
        std::println!("{}: {before} within 1 ms, {after} after the search, {slower} longer", layout.name);
        assert!(after >= least && after > before && slower < 0.001, "{}: {before}, {after}, {slower}", layout.name);
    }
}
