//! The whole motion of an axis, asked behind: steps of any stretch of time, states at any instant, and what that costs.

use stepchain::map::{BridgeState, MotionState, StopRamp};

use super::*;
use crate::device::{Axis, Bounce, Switch};
use crate::motion::{Direction, Limits};

const LIMITS: Limits = Limits {
    velocity: 1000.0,
    acceleration: 500.0,
    deceleration: 2000.0,
    quick_deceleration: 8000.0,
    start_stop_velocity: 0.0,
};

/// 2.75 s to 2000, 2 s of rest, back to 1900, and at 10 s three outside pulses up, two of them at once.
fn travelled() -> Axis {
    let mut axis = Axis::new(0, 16);
    axis.move_to(0, 2_000, &LIMITS).unwrap();
    axis.move_to(5 * S, 1_900, &LIMITS).unwrap();
    axis.follow_pulses(9 * S, true);
    axis.pulse(10 * S, 2, |_| None);
    axis.pulse(11 * S, 1, |_| None);
    axis
}

#[test]
fn steps_of_the_whole_past_come_once_and_in_order() {
    let history = travelled().history();
    let steps: Vec<_> = history.steps(0, 20 * S).collect();
    assert!(steps.is_sorted_by_key(|step| step.at_ns()));
    let places: Vec<i64> = steps.iter().map(|step| step.position).collect();
    let wanted: Vec<i64> = (1..=2_000).chain((1_900..2_000).rev()).chain(1_901..=1_903).collect();
    assert_eq!(places, wanted);
    let last: Vec<_> = steps.iter().rev().take(3).map(|step| (step.at_ns(), step.direction)).collect();
    let up = Direction::Positive;
    assert_eq!(last, [(11 * S, up), (10 * S, up), (10 * S, up)]);
    assert_eq!(history.field_steps(0, 20 * S).count(), 2_103);
}

#[test]
fn a_window_has_the_steps_between_its_ends_and_no_others() {
    let history = travelled().history();
    let steps: Vec<_> = history.steps(0, 20 * S).collect();
    for (from_ns, to_ns) in [(0, 0), (S, 2 * S), (2 * S, 6 * S), (5 * S, 10 * S), (10 * S, 11 * S), (11 * S, 12 * S)] {
        let inside = steps.iter().filter(|step| step.at_ns() > from_ns && step.at_ns() <= to_ns);
        assert!(history.steps(from_ns, to_ns).eq(inside.copied()), "from {from_ns} to {to_ns}");
        let ways: i64 = history.steps(from_ns, to_ns).map(|step| step.direction.sign()).sum();
        assert_eq!(history.demand(from_ns).position + ways, history.demand(to_ns).position);
    }
}

/// By hand: at 1 s 500/s and 250; at 5.1 s 50/s back from 2000, 2.5 less; at 10 s two pulses behind 1900.
#[test]
fn the_state_at_any_past_instant_is_known() {
    let history = travelled().history();
    let told = [S, 5_100 * MS, 10 * S].map(|at_ns| {
        let demand = history.demand(at_ns);
        (demand.position, demand.velocity_steps_per_s, demand.electrical_angle, demand.state)
    });
    assert_eq!(
        told,
        [
            (250, 500.0 / 16.0, 250 % 64, MotionState::Accelerating),
            (1_998, -50.0 / 16.0, 1_998 % 64, MotionState::Accelerating),
            (1_902, 0.0, 1_902 % 64, MotionState::Standstill),
        ]
    );
}

/// 10⁹ full steps of 64 microsteps against 10: the same number of chapters and corners, and of events on the way.
#[test]
fn a_long_move_costs_what_a_short_one_does() {
    let cost = |microsteps| {
        let mut device = device(LATCHED);
        let limits = Limits { velocity: 32_000.0, acceleration: 1e5, deceleration: 2e5, ..LIMITS };
        device.axes[0].move_to(0, microsteps, &limits).unwrap();
        let mut events = 0;
        while let Some(next_ns) = device.next_event_ns() {
            device.advance(next_ns);
            events += 1;
        }
        let end_ns = device.axes()[0].engine().settles_at_ns().unwrap();
        assert_eq!(device.axes()[0].position(end_ns), microsteps);
        let last = device.axes()[0].history().steps(end_ns - 1, u64::MAX).collect::<Vec<_>>();
        assert_eq!(last.len(), 1);
        (events, device.axes()[0].trajectory(end_ns).len())
    };
    assert_eq!(cost(640), (1, 3), "10 steps are a triangle");
    assert_eq!(cost(10_000), (1, 4));
    assert_eq!(cost(64_000_000_000), (1, 4));
}

/// The threshold of the latched map counts quarters of a step/s: 250 steps/s are passed after 0.25 s of ramp at
/// 1000 steps/s² and 31.25 steps. A step has 64 microsteps: 2000 in the counter, 32 in the middle.
#[test]
fn the_full_step_threshold_acts_at_once_and_shows_in_the_angle() {
    let mut device = device(LATCHED);
    let threshold = LATCHED.registers.iter().find(|register| register.address == 0x16).unwrap();
    device.store(threshold, 1_000, 0);
    send(&mut device, 0, &[0x6800, 0x7D00]);
    let axis = &device.axes()[0];
    assert_eq!(
        (axis.electrical_angle(249 * MS), axis.electrical_angle(251 * MS)),
        (axis.position(249 * MS) as u32 % 256, 224)
    );
    assert!(axis.demand(251 * MS).full_steps);
    device.advance(S / 2);
    device.store(threshold, 0xFFFF, S / 2);
    let axis = &device.axes()[0];
    assert_eq!(axis.electrical_angle(S / 2), axis.position(S / 2) as u32 % 256);
    let steps: Vec<_> = axis.history().field_steps(0, 2 * S).collect();
    assert!(steps.iter().filter(|step| step.full_steps).all(|step| step.angle % 64 == 32));
    // 31.25 to 125 steps in full ones: 94 of them begin, and one more movement is the switch-over.
    assert_eq!(steps.iter().filter(|step| step.full_steps).count(), 95);
    assert!(steps.iter().any(|step| step.at_ns == S / 2 && !step.full_steps), "the field comes back to the counter");
}

/// Up to 60 steps/s at 50 steps/s² takes 36 steps. A bound of 20 steps/s is written at 1 s, at 50 steps/s.
#[test]
fn the_max_profile_velocity_written_under_way_slows_the_axis_down() {
    let mut device = super::maps::two_axes();
    send(&mut device, 0, &[0b1000_0100, 0x00, 60]);
    device.advance(S);
    send(&mut device, S, &[0xD1, 20]);
    let axis = &device.axes()[0];
    assert_eq!((axis.velocity_steps_per_s(S), axis.phase(S)), (50.0, MotionState::Decelerating));
    assert_eq!((axis.velocity_steps_per_s(2 * S), axis.is_busy(S)), (20.0, true));
    assert_eq!(device.status(S) & 0b100, 0b100, "a limit altered the command");
    send(&mut device, 2 * S, &[0xD1, 100]);
    assert_eq!(device.axes()[0].velocity_steps_per_s(9 * S), 0.0, "by the end of the counter it stops");
    assert_eq!(device.axes()[0].engine().peak_velocity(2 * S, 9 * S), 60.0 * 8.0);
}

/// The switch closes at 50 steps, after 0.55 s. The search takes the first edge; the bounces only show.
#[test]
fn a_search_takes_the_first_edge_of_a_switch_that_bounces() {
    const EVENT: u64 = 1 << 10;
    let run = |seed| {
        let mut device = device(LATCHED);
        device.set_switch(0, Switch::ClosedBetween { from_steps: 50.0, to_steps: 60.0 }, 0);
        device.set_bounce(0, Some(Bounce { duration_ns: 4 * MS, bounces: 3, seed }), 0);
        send(&mut device, 0, &[0x9D00, 0x1388]);
        let mut seen = Vec::new();
        while let Some(next_ns) = device.next_event_ns().filter(|&next_ns| next_ns < 640 * MS) {
            device.advance(next_ns);
            seen.push((next_ns, device.axes()[0].is_switch_closed(next_ns), device.status(next_ns) & EVENT != 0));
        }
        device.advance(S);
        assert_eq!((device.axes()[0].probed_position(), device.axes()[0].position(S)), (3_200, 3_520));
        seen
    };
    let seen = run(5);
    let levels: Vec<bool> = seen.iter().map(|&(_, closed, _)| closed).collect();
    assert_eq!(levels, [true, false, true, false, true, false, true]);
    assert!(seen.iter().all(|&(_, _, event)| event), "the event is latched at the first edge");
    assert!(seen[6].0 - seen[0].0 <= 4 * MS);
    assert_eq!(run(5), seen);
    assert_ne!(run(6), seen);
}

/// A search for zero that comes while the contact bounces finds the input open for a moment: that is what hardware does.
#[test]
fn a_bounce_ends_a_search_that_begins_within_it() {
    let mut device = device(LATCHED);
    device.set_bounce(0, Some(Bounce { duration_ns: 4 * MS, bounces: 1, seed: 1 }), 0);
    device.set_switch(0, Switch::Closed, S);
    let open_ns = device.next_event_ns().unwrap();
    device.advance(open_ns);
    assert!(!device.axes()[0].is_switch_closed(open_ns));
    let until = crate::device::axis::Edge { closed: false, action: stepchain::map::EdgeAction::Zero };
    device.axes[0].search(open_ns, 100.0, None, &LIMITS, until).unwrap();
    assert!(!device.axes()[0].is_moving(open_ns) && device.axes()[0].has_arrived(open_ns));
    device.set_bounce(0, None, open_ns);
    assert!(device.axes()[0].is_switch_closed(open_ns), "without bouncing the input is as the contact");
}

#[test]
fn a_stop_within_a_move_leaves_all_steps_before_it_in_the_history() {
    let mut axis = Axis::new(0, 16);
    axis.move_to(0, 2_000, &LIMITS).unwrap();
    axis.stop(S, StopRamp::None, BridgeState::Driven, &LIMITS).unwrap();
    axis.reset(3 * S, 8);
    assert_eq!(axis.history().steps(0, 9 * S).count(), 250);
    assert_eq!((axis.history().demand(2 * S).position, axis.history().demand(3 * S).position), (250, 0));
}
