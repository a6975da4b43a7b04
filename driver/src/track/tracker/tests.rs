//! Random walks with wraps against the 64-bit truth, and every way in which a position becomes unknown.

extern crate std;
use std::string::ToString;

use proptest::prelude::*;

use super::*;
use crate::map::{Clearing, StatusBit, StatusLayout};
use crate::units::Distance;

const RESOLUTION: MicrostepResolution = MicrostepResolution::from_microsteps_per_step(16);
const SMALL: PositionCounter = PositionCounter::new(8, &[16]);

fn at(microsteps: i64) -> UnwrappedPosition {
    UnwrappedPosition::from_microsteps(microsteps)
}

fn shown(microsteps: i32) -> Position {
    Position::from_microsteps(microsteps)
}

/// At 10 steps/s, 160 microsteps/s.
fn tracker() -> Tracker {
    Tracker::new(&SMALL, RESOLUTION, Velocity::from_steps_per_s(10).unwrap())
}

fn homed() -> Tracker {
    let mut tracker = tracker();
    tracker.homed_at(Position::ZERO, UnwrappedPosition::ZERO);
    tracker
}

fn by(distance: i32) -> Command {
    Command::MoveRelative { distance: Distance::from_microsteps(distance) }
}

proptest! {
    /// The counter's truth is kept in 64 bits and cut down to the counter's width by remainders.
    #[test]
    fn a_walk_of_less_than_half_a_round_a_read_is_unwrapped_exactly(
        bits in 8u8..=32,
        start: i32,
        zero in -1i64 << 40..1 << 40,
        shares in proptest::collection::vec(-1.0..=1.0f64, 1..300),
    ) {
        let shape = PositionCounter::new(bits, &[1]);
        let round = 1i64 << bits;
        let counter_of = |truth: i64| shown(((truth + round / 2).rem_euclid(round) - round / 2) as i32);
        let mut truth = i64::from(start);
        let mut tracker = Tracker::new(&shape, RESOLUTION, Velocity::from_steps_per_s(1).unwrap());
        tracker.homed_at(counter_of(truth), at(zero + truth));
        for share in shares {
            truth += (share * (round / 2 - 1) as f64) as i64;
            tracker.update(counter_of(truth), None).unwrap();
            prop_assert_eq!(tracker.position(), Ok(at(zero + truth)));
            prop_assert_eq!(tracker.place().unwrap().counter(), counter_of(truth));
        }
    }

    /// The motor goes at speeds up to the bound for times of any length. Its place is a real number; the counter shows
    /// the whole microsteps below. What is accepted has to be true, and what could be told has to be accepted.
    #[test]
    fn with_times_given_what_is_accepted_is_true_and_what_is_in_time_is_accepted(
        legs in proptest::collection::vec((-1.0..=1.0f64, 0u64..1_200_000_000), 1..100),
    ) {
        let mut tracker = homed();
        let longest = tracker.longest_gap().unwrap();
        let mut place = 0.0f64;
        for (share, nanoseconds) in legs {
            // A hair slower than the bound, for the rounding of the floats here.
            place += share * 160.0 * (1.0 - 1e-9) * nanoseconds as f64 / 1e9;
            let truth = place.floor() as i64;
            let elapsed = Duration::from_nanos(nanoseconds);
            match tracker.update(shown(truth as i8 as i32), Some(elapsed)) {
                Ok(()) => {
                    prop_assert!(elapsed <= longest);
                    prop_assert_eq!(tracker.position(), Ok(at(truth)));
                }
                Err(error) => {
                    prop_assert_eq!(error, UpdateError::Ambiguous { elapsed, longest });
                    prop_assert!(elapsed > longest);
                    prop_assert_eq!(tracker.trust(), Trust::Unknown(Doubt::ReadTooLate));
                    tracker.homed_at(shown(truth as i8 as i32), at(truth));
                }
            }
        }
    }
}

/// By hand: 127 of the 256 counts at 160 microsteps/s take 0.793 75 s.
#[test]
fn a_reading_that_comes_too_late_makes_the_position_unknown() {
    let longest = Duration::from_nanos(793_750_000);
    assert_eq!(homed().longest_gap(), Some(longest));
    let mut tracker = homed();
    assert_eq!(tracker.update(shown(127), Some(longest)), Ok(()));
    assert_eq!(tracker.position(), Ok(at(127)));
    let elapsed = longest + Duration::from_nanos(1);
    let error = tracker.update(shown(-128), Some(elapsed)).unwrap_err();
    assert_eq!(error, UpdateError::Ambiguous { elapsed, longest });
    assert_eq!(
        error.to_string(),
        "the counter went unread for 793.750001ms and may have gone round, 793.75ms is the longest"
    );
    assert_eq!(tracker.position(), Err(PositionUnknown { doubt: Doubt::ReadTooLate }));
    assert_eq!(tracker.count(), at(128), "the count goes on, for differences");
    assert!(tracker.place().is_err());
}

/// By hand: in 0.1 s at 160 microsteps/s the motor makes 16.
#[test]
fn a_counter_that_jumps_farther_than_the_motor_can_turn_makes_the_position_unknown() {
    let mut tracker = homed();
    let tenth = Some(Duration::from_millis(100));
    assert_eq!(tracker.update(shown(-16), tenth), Ok(()));
    assert_eq!(tracker.update(shown(1), tenth), Err(UpdateError::ImpossibleMotion { moved: 17, farthest: 16 }));
    assert_eq!(tracker.trust(), Trust::Unknown(Doubt::ImpossibleMotion));
}

#[test]
fn a_counter_that_does_not_wrap_may_be_read_as_late_as_one_likes() {
    let mut tracker = Tracker::new(&SMALL.refuses_to_wrap(), RESOLUTION, Velocity::from_steps_per_s(10).unwrap());
    tracker.homed_at(shown(100), at(0));
    assert_eq!(tracker.longest_gap(), None);
    assert_eq!(tracker.update(shown(-100), Some(Duration::MAX)), Ok(()));
    assert_eq!(tracker.position(), Ok(at(-200)));
}

#[test]
fn a_reading_that_the_counter_cannot_show_is_not_taken_in() {
    let mut tracker = homed();
    let error = tracker.update(shown(128), None).unwrap_err();
    assert_eq!(error.to_string(), "the counter cannot show this: 128 microsteps is outside -128..=127 microsteps");
    assert_eq!(tracker.position(), Ok(at(0)));
}

#[test]
fn until_homed_moves_to_a_place_or_by_a_distance_are_refused_and_all_else_is_allowed() {
    let velocity = Velocity::from_steps_per_s(5).unwrap();
    let moves = [by(1), Command::MoveAbsolute { target: shown(0), way: Way::Shortest }];
    let mut tracker = tracker();
    for command in moves {
        let error = tracker.allow(&command).unwrap_err();
        assert_eq!(
            error.to_string(),
            "the position is unknown until the axis is homed: the axis has not been homed since power-up"
        );
    }
    let others = [
        Command::MoveVelocity { velocity },
        Command::HomeOnCurrentPosition,
        Command::PeekStatus,
        Command::Stop { ramp: crate::map::StopRamp::Quick, bridge: crate::map::BridgeState::Driven },
    ];
    assert!(others.iter().all(|command| tracker.allow(command).is_ok()));
    tracker.assume(shown(5), at(1005));
    assert_eq!(tracker.trust(), Trust::Told);
    assert!(moves.iter().all(|command| tracker.allow(command).is_ok()));
}

const STATUS: StatusLayout = StatusLayout::new(
    8,
    &[
        StatusBit::latched(Flag::ResetOccurred, 0).cleared_by(Clearing::TakeStatus),
        StatusBit::latched(Flag::StallA, 1),
        StatusBit::latched(Flag::StallA, 2).axis(1),
        StatusBit::live(Flag::Busy, 3),
    ],
);

fn status(word: u64) -> Status {
    Status::new(word, 0xFF, &STATUS)
}

#[test]
fn a_reset_that_is_seen_on_any_axis_makes_the_position_unknown_and_the_next_reading_a_new_start() {
    let mut tracker = homed().of_axis(1);
    tracker.update(shown(100), None).unwrap();
    assert_eq!(tracker.observe(&status(0b1000)), None, "busy is no doubt");
    assert_eq!(tracker.observe(&status(0b0001)), Some(Doubt::DeviceReset));
    assert_eq!(tracker.allow(&by(1)), Err(PositionUnknown { doubt: Doubt::DeviceReset }));
    assert_eq!(tracker.update(shown(0), Some(Duration::ZERO)), Ok(()), "no jump: the device has started anew");
    assert_eq!(tracker.count(), at(0));
    tracker.homed_at(shown(0), at(0));
    assert_eq!(tracker.observe(&status(0)), None);
    assert_eq!(tracker.trust(), Trust::Homed);
}

#[test]
fn a_flag_that_the_reply_did_not_carry_is_no_news() {
    let mut tracker = homed();
    assert_eq!(tracker.observe(&Status::new(0b0001, 0b1000, &STATUS)), None);
    assert_eq!(tracker.trust(), Trust::Homed);
}

#[test]
fn other_flags_are_doubts_only_where_named_and_of_the_axis() {
    assert_eq!(homed().observe(&status(0b0010)), None);
    let mut tracker = homed().doubted_by(&[Flag::StallA, Flag::StallB]);
    assert_eq!(tracker.observe(&status(0b0100)), None, "the other axis");
    assert_eq!(tracker.observe(&status(0b0010)), Some(Doubt::Raised(Flag::StallA)));
    let error = tracker.position().unwrap_err();
    assert_eq!(
        error.to_string(),
        "the position is unknown until the axis is homed: the device has raised `stall on winding A`"
    );
}

#[test]
fn the_first_doubt_is_kept_but_a_reset_explains_it() {
    let mut tracker = homed();
    for (doubt, kept) in [
        (Doubt::RepliesStopped, Doubt::RepliesStopped),
        (Doubt::ReadTooLate, Doubt::RepliesStopped),
        (Doubt::DeviceReset, Doubt::DeviceReset),
        (Doubt::Withdrawn, Doubt::DeviceReset),
    ] {
        tracker.doubt(doubt);
        assert_eq!(tracker.trust(), Trust::Unknown(kept));
    }
}

#[test]
fn a_probed_place_may_be_told_after_the_axis_has_gone_on() {
    let mut tracker = tracker();
    for counter in [0, 100, -56] {
        tracker.update(shown(counter), None).unwrap();
    }
    assert_eq!(tracker.count(), at(200));
    tracker.homed_at(shown(120), at(0));
    tracker.update(shown(-56), None).unwrap();
    assert_eq!(tracker.position(), Ok(at(80)));
    assert_eq!(tracker.place().unwrap().counter_at(at(0)), shown(120));
}
