//! Against `rsruckig`, an independent planner, with infinite jerk: second order like ours.
//!
//! Its acceleration limits go by the sign of the acceleration, so the two slopes change places for negative moves. What
//! it refuses is no check of ours; such cases must stay few.

use std::vec::Vec;

use proptest::prelude::*;
use rsruckig::prelude::*;

use super::line::FINE;
use super::*;

/// Ramps that take 1 ms to 3 s: the planner checks its ends to an absolute 10⁻⁸ and gives up on very long ways.
fn gentle_ramp() -> impl Strategy<Value = Ramp> {
    (100i32..100_000, 1i32..1000, 1..1000, prop_oneof![Just(1u16), Just(16), Just(256)]).prop_map(
        |(v, up, down, scale)| {
            let slope = |share: i32| (v / share * 10).max(1);
            ramp(v, slope(up), slope(down), 0, scale)
        },
    )
}

fn input<const N: usize>(goals: &[(Ramp, i32); N]) -> InputParameter<N> {
    let mut input = InputParameter::<N>::new(None);
    let mut falling_limits = [0.0; N];
    for (axis, (ramp, distance)) in goals.iter().enumerate() {
        let rising = ramp.acceleration.to_bits() as f64 / 256.0;
        let falling = ramp.deceleration.to_bits() as f64 / 256.0;
        let (rising, falling) = if *distance > 0 { (rising, falling) } else { (falling, rising) };
        input.target_position[axis] = f64::from(*distance) / f64::from(ramp.resolution.to_microsteps_per_step());
        input.max_velocity[axis] = ramp.velocity.to_bits() as f64 / 4096.0;
        input.max_acceleration[axis] = rising;
        falling_limits[axis] = -falling;
        input.max_jerk[axis] = f64::INFINITY;
    }
    input.min_acceleration = Some(DataArrayOrVec::Stack(falling_limits));
    input
}

fn duration_s<const N: usize>(goals: &[(Ramp, i32); N]) -> Option<f64> {
    let mut trajectory = Trajectory::new(None);
    let mut planner = Ruckig::<N, ThrowErrorHandler>::new(None, 0.001);
    planner.calculate(&input(goals), &mut trajectory).ok().map(|_| trajectory.get_duration())
}

fn config(cases: u32) -> ProptestConfig {
    ProptestConfig { max_global_rejects: cases / 10, ..ProptestConfig::with_cases(cases) }
}

proptest! {
    #![proptest_config(config(1000))]

    #[test]
    fn moves_take_as_long_as_an_independent_planner_says(limits in gentle_ramp(), length in 1i32..10_000_000, up in any::<bool>()) {
        let length = if up { length } else { -length };
        let expected = duration_s(&[(limits, length)]);
        prop_assume!(expected.is_some());
        let plan = Move::new(limits, microsteps(length)).unwrap();
        assert_near(plan.duration(), expected.unwrap(), &plan);
    }
}

proptest! {
    #![proptest_config(config(300))]

    /// Alike limits: the longest way is the one that decides, and the others follow it.
    #[test]
    fn axes_that_are_alike_take_as_long_as_an_independent_synchronised_plan(
        limits in gentle_ramp(), lengths in [10_000..1_000_000, 10_000..1_000_000, 10_000..1_000_000],
    ) {
        // It fails in some synchronised moves with unlike slopes.
        let slope = limits.acceleration.max(Acceleration::from_steps_per_s2(100).unwrap());
        let limits = Ramp { acceleration: slope, deceleration: slope, ..limits };
        let expected = duration_s(&lengths.map(|length| (limits, length)));
        prop_assume!(expected.is_some());
        let goals = lengths.map(|length| AxisGoal { axis: 0, limits, distance: microsteps(length) });
        let found = Coordinated::new(&FINE, &goals).unwrap().duration().as_secs_f64();
        // Codes of 1/256 step/s², for shares down to 1 step/s².
        prop_assert!((found / expected.unwrap() - 1.0).abs() < 0.002, "{found} s, independently {expected:?} s");
    }

    /// Unlike limits: no line is faster than the slowest axis alone.
    #[test]
    fn no_line_is_faster_than_its_slowest_axis_alone(
        limits in [gentle_ramp(), gentle_ramp()], lengths in [10_000..1_000_000, -1_000_000..-10_000],
    ) {
        let axes: Vec<_> = limits.into_iter().zip(lengths).collect();
        let alone: Vec<_> = axes.iter().filter_map(|axis| duration_s(&[*axis])).collect();
        prop_assume!(alone.len() == 2);
        let slowest = alone.into_iter().fold(0.0, f64::max);
        let goals = [0, 1].map(|i| AxisGoal { axis: 0, limits: limits[i], distance: microsteps(lengths[i]) });
        let found = Coordinated::new(&FINE, &goals).unwrap().duration().as_secs_f64();
        prop_assert!(found >= slowest * (1.0 - 1e-6), "{found} s, alone {slowest} s");
    }
}
