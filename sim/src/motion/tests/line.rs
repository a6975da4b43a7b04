//! Coordinated motion: straightness, limits, and the duration of an independent planner.

use rsruckig::prelude::*;

use super::{LIMITS, Random, assert_near};
use crate::motion::line::{AxisMove, straight_line};
use crate::motion::profile::Ramp;
use crate::motion::{Engine, Limits};

const CASES: usize = 500;

fn random_axes(random: &mut Random, start_velocity: bool) -> [AxisMove; 3] {
    [(); 3].map(|()| AxisMove {
        distance: random.sign() * random.magnitude(100.0, 5000.0).round(),
        ramp: Ramp {
            velocity: random.magnitude(100.0, 1e4),
            acceleration: random.magnitude(100.0, 1e5),
            deceleration: random.magnitude(100.0, 1e5),
            start_velocity: if start_velocity { random.magnitude(1.0, 1000.0) } else { 0.0 },
        },
    })
}

/// Shortest common duration that `rsruckig` finds with time synchronisation, where every axis may take its own shape.
fn synchronised_s(axes: &[AxisMove; 3]) -> Option<f64> {
    let mut input = InputParameter::<3>::new(None);
    let mut falling = [0.0; 3];
    for (i, AxisMove { distance, ramp }) in axes.iter().enumerate() {
        let forwards = *distance > 0.0;
        input.target_position[i] = *distance;
        input.max_velocity[i] = ramp.velocity;
        input.max_acceleration[i] = if forwards { ramp.acceleration } else { ramp.deceleration };
        falling[i] = if forwards { -ramp.deceleration } else { -ramp.acceleration };
        input.max_jerk[i] = f64::INFINITY;
    }
    input.min_acceleration = Some(DataArrayOrVec::Stack(falling));
    let mut planner = Ruckig::<3, ThrowErrorHandler>::new(None, 0.001);
    let mut trajectory = Trajectory::new(None);
    planner.calculate(&input, &mut trajectory).ok().map(|_| trajectory.get_duration())
}

/// When one axis is the slowest in every respect, the line takes just as long as it does: no longer than with any
/// other synchronisation.
#[test]
fn a_line_governed_by_one_axis_is_as_fast_as_the_independent_planner_allows() {
    let mut random = Random(4);
    let mut skipped = 0;
    for _ in 0..CASES {
        let mut axes = random_axes(&mut random, false);
        let ramp = axes[0].ramp;
        axes.iter_mut().for_each(|axis| axis.ramp = ramp);
        let Some(expected_s) = synchronised_s(&axes) else {
            skipped += 1;
            continue;
        };
        assert_near(straight_line(&axes).unwrap().duration_s, expected_s, 1e-9);
    }
    assert!(skipped * 100 <= CASES, "no oracle in {skipped} of {CASES} cases");
}

#[test]
fn a_line_is_never_faster_than_the_independent_planner() {
    let mut random = Random(5);
    let (mut skipped, mut slower) = (0, 0);
    for _ in 0..CASES {
        let axes = random_axes(&mut random, false);
        let Some(least_s) = synchronised_s(&axes) else {
            skipped += 1;
            continue;
        };
        let found_s = straight_line(&axes).unwrap().duration_s;
        assert!(found_s >= least_s * (1.0 - 1e-9), "{found_s} s, at least {least_s} s for {axes:?}");
        slower += usize::from(found_s > least_s * (1.0 + 1e-9));
    }
    assert!(skipped * 100 <= CASES, "no oracle in {skipped} of {CASES} cases");
    assert!(slower > CASES / 4, "being straight costs time in only {slower} cases");
}

#[test]
fn axes_of_a_line_stay_in_proportion_and_within_their_limits() {
    let mut random = Random(6);
    for case in 0..CASES {
        let mut axes = random_axes(&mut random, case % 2 == 0);
        if case % 5 == 0 {
            axes[1].distance = 0.0;
        }
        let line = straight_line(&axes).unwrap();
        let lead = axes[0].distance;
        let mut used_fully = 0;
        for (axis, plan) in axes.iter().zip(&line.axes) {
            if axis.distance == 0.0 {
                assert_eq!((plan.ramp, plan.profile.duration_s()), (None, 0.0));
                continue;
            }
            assert_near(plan.profile.duration_s(), line.duration_s, 1e-12);
            for _ in 0..8 {
                let at_s = random.share() * line.duration_s;
                let share = plan.profile.position_at(at_s) / axis.distance;
                let lead_share = line.axes[0].profile.position_at(at_s) / lead;
                assert!((share - lead_share).abs() <= 1e-12, "{share} and {lead_share} of {axes:?} at {at_s} s");
            }
            let ramp = plan.ramp.unwrap();
            assert!(ramp.velocity <= axis.ramp.velocity && ramp.acceleration <= axis.ramp.acceleration);
            assert!(ramp.deceleration <= axis.ramp.deceleration);
            assert!(ramp.start_velocity <= axis.ramp.start_velocity);
            used_fully += usize::from(ramp.acceleration >= axis.ramp.acceleration * (1.0 - 1e-12));
        }
        assert!(used_fully >= 1, "no axis uses its acceleration in {axes:?}");
    }
}

#[test]
fn engines_given_the_ramps_of_a_line_arrive_together() {
    let mut random = Random(7);
    for _ in 0..50 {
        let axes = random_axes(&mut random, true);
        let line = straight_line(&axes).unwrap();
        for (axis, plan) in axes.iter().zip(&line.axes) {
            let ramp = plan.ramp.unwrap();
            let limits = Limits {
                velocity: ramp.velocity,
                acceleration: ramp.acceleration,
                deceleration: ramp.deceleration,
                start_stop_velocity: ramp.start_velocity,
                ..LIMITS
            };
            let mut engine = Engine::new();
            engine.move_to(0, axis.distance as i64, &limits).unwrap();
            let end_ns = engine.settles_at_ns().unwrap() as f64;
            assert!((end_ns - line.duration_s * 1e9).abs() < 1.5, "{end_ns} ns in a line of {} s", line.duration_s);
        }
    }
}

#[test]
fn a_line_without_moving_axes_takes_no_time() {
    assert_eq!(straight_line(&[]).unwrap().duration_s, 0.0);
    let resting = AxisMove { distance: 0.0, ramp: LIMITS.ramp() };
    assert_eq!(straight_line(&[resting]).unwrap().duration_s, 0.0);
    let bad = AxisMove { distance: f64::NAN, ..resting };
    assert_eq!(straight_line(&[bad]).unwrap_err().what, "distance");
}
