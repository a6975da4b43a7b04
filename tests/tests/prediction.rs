//! What the driver predicts in integers, the virtual chain does: for the codes that the device really has.

use core::time::Duration;

use proptest::prelude::*;
use stepchain::map::{Parameter, RegisterMap};
use stepchain::plan::{AxisGoal, Coordinated, Move, Ramp, VelocityChange};
use stepchain::reference::{FixedWord, Latched};
use stepchain::units::{Acceleration, Distance, MicrostepResolution, Velocity};
use stepchain::{Chain, Command};
use stepchain_sim::chain::{VirtualChain, VirtualSpi};

fn ramp(velocity: i32, acceleration: i32, deceleration: i32, jump: i32, resolution: u16) -> Ramp {
    Ramp {
        velocity: Velocity::from_milli_steps_per_s(velocity).unwrap(),
        acceleration: Acceleration::from_milli_steps_per_s2(acceleration).unwrap(),
        deceleration: Acceleration::from_milli_steps_per_s2(deceleration).unwrap(),
        start_stop_velocity: Velocity::from_steps_per_s(jump).unwrap(),
        resolution: MicrostepResolution::from_microsteps_per_step(resolution),
    }
}

/// A chain of one device that is set to the ramp.
fn device<M: RegisterMap>(ramp: &Ramp) -> (VirtualChain, Chain<M, VirtualSpi, 1>) {
    let bench = VirtualChain::new(Chain::<M, VirtualSpi, 1>::LAYOUT, 1).unwrap();
    let mut chain = Chain::<M, _, 1>::new(bench.spi());
    let writes = [
        Command::write(Parameter::ProfileVelocity, ramp.velocity),
        Command::write(Parameter::ProfileAcceleration, ramp.acceleration),
        Command::write(Parameter::ProfileDeceleration, ramp.deceleration),
        Command::write(Parameter::StartStopVelocity, ramp.start_stop_velocity),
    ];
    for write in writes {
        chain.send(&[write]).unwrap();
    }
    (bench, chain)
}

fn a_move_goes_as_predicted<M: RegisterMap>(asked: Ramp, microsteps: i32) -> Result<(), TestCaseError> {
    let really = asked.quantised(Chain::<M, VirtualSpi, 1>::LAYOUT, 0).unwrap();
    let distance = Distance::from_microsteps(microsteps);
    let predicted = Move::new(really, distance).unwrap();
    let (bench, mut chain) = device::<M>(&asked);
    assert!(chain.exchange(&[Command::MoveRelative { distance }]).unwrap().iter().all(Result::is_ok));
    let start = bench.now_ns();
    for share in 1..=7 {
        let at = predicted.duration().mul_f64(f64::from(share) / 8.0);
        bench.advance_ns(start + at.as_nanos() as u64 - bench.now_ns());
        let (found, expected) = (bench.position(0, 0), i64::from(predicted.position_at(at).to_microsteps()));
        prop_assert!((found - expected).abs() <= 1, "after {at:?}: at {found}, predicted {expected}");
        let found = bench.velocity_steps_per_s(0, 0);
        let expected = predicted.velocity_at(at).to_bits() as f64 / 4096.0;
        // What the fixed point of both velocities rounds off, and a nanosecond of a ramp.
        prop_assert!(
            (found - expected).abs() < 0.001 + found.abs() * 1e-5,
            "after {at:?}: {found}, predicted {expected}"
        );
    }
    let end = predicted.duration().as_nanos() as u64;
    // A code's value is rounded to the fixed point of its unit, half a bit at most; that stretches or shortens the move.
    let half_bit = |bits: i64| 0.5 / bits as f64;
    let rounded = half_bit(really.velocity.to_bits()) + half_bit(really.acceleration.to_bits());
    let margin = 2_000 + (end as f64 * (1e-6 + rounded + half_bit(really.deceleration.to_bits()))) as u64;
    bench.advance_ns(start + end - margin.min(end) - bench.now_ns().min(start + end - margin.min(end)));
    bench.advance_ns(start + end + margin - bench.now_ns());
    prop_assert!(!bench.is_moving(0, 0), "it still moves after the predicted {:?}", predicted.duration());
    prop_assert_eq!(bench.position(0, 0), i64::from(microsteps));
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn moves_go_as_predicted(
        velocity in 20_000i32..2_000_000, acceleration in 200_000i32..9_000_000, deceleration in 200_000i32..9_000_000,
        jump in 0i32..60, microsteps in prop_oneof![-2_000i32..2_000, -400_000i32..400_000], on_latched: bool,
    ) {
        prop_assume!(microsteps != 0);
        if on_latched {
            a_move_goes_as_predicted::<Latched>(ramp(velocity, acceleration, deceleration, jump, 64), microsteps)?;
        } else {
            a_move_goes_as_predicted::<FixedWord>(ramp(velocity, acceleration, deceleration, jump, 16), microsteps)?;
        }
    }

    /// From one velocity to another, through standstill where the sign changes: the same time and the same way.
    #[test]
    fn changes_of_velocity_go_as_predicted(
        from in -900i32..900, to in -900i32..900, acceleration in 200_000i32..9_000_000, deceleration in 200_000i32..9_000_000,
        jump in 0i32..60,
    ) {
        let asked = ramp(1_000_000, acceleration, deceleration, jump, 64);
        let really = asked.quantised(&Latched::LAYOUT, 0).unwrap();
        let [from, to] = [from, to].map(|steps_per_s| Velocity::from_steps_per_s(steps_per_s).unwrap());
        let (bench, mut chain) = device::<Latched>(&asked);
        assert!(chain.exchange(&[Command::MoveVelocity { velocity: from }]).unwrap().iter().all(Result::is_ok));
        bench.advance_ns(20_000_000_000);
        let reached = bench.velocity_steps_per_s(0, 0);
        prop_assert!((reached - from.to_bits() as f64 / 4096.0).abs() < 0.011);
        assert!(chain.exchange(&[Command::MoveVelocity { velocity: to }]).unwrap().iter().all(Result::is_ok));
        let (start, before) = (bench.now_ns(), bench.position(0, 0));
        let predicted = VelocityChange::new(from, to, really).unwrap();
        let end = predicted.duration().as_nanos() as u64;
        bench.advance_ns(start + end - bench.now_ns());
        let gone = bench.position(0, 0) - before;
        let expected = i64::from(predicted.distance().to_microsteps());
        // Velocities at this surface are codes of a fiftieth of a step/s, and the way begins within a microstep.
        let slack = 3 + (end as f64 / 1e9 * 0.02 * 64.0) as i64;
        prop_assert!((gone - expected).abs() <= slack, "went {gone}, predicted {expected}, slack {slack}");
        let reached = bench.velocity_steps_per_s(0, 0);
        prop_assert!((reached - to.to_bits() as f64 / 4096.0).abs() < 0.05 + end as f64 * 1e-12, "{reached}");
    }
}

/// Three axes arrive within the skew that was promised, and on the way keep to the line.
fn a_straight_line_is_kept_to_the_promised_skew<M: RegisterMap>(resolution: u16) {
    let layout = Chain::<M, VirtualSpi, 3>::LAYOUT;
    let microsteps = [10_000, -3_137, 251].map(|steps| steps * i32::from(resolution));
    let goals = [0, 1, 2].map(|axis: usize| AxisGoal {
        axis: 0,
        limits: ramp([800_000, 1_500_000, 300_000][axis], 2_500_000, 1_500_000, 0, resolution),
        distance: Distance::from_microsteps(microsteps[axis]),
    });
    let line = Coordinated::new(layout, &goals).unwrap().within(Duration::from_millis(2)).unwrap();
    let bench = VirtualChain::new(layout, 3).unwrap();
    let mut chain = Chain::<M, _, 3>::new(bench.spi());
    for commands in line.writes() {
        chain.send(&commands).unwrap();
    }
    assert!(chain.exchange(&line.start()).unwrap().iter().all(Result::is_ok));
    let start = bench.now_ns();
    let total = line.duration().as_nanos() as u64;
    for share in 1..20 {
        bench.advance_ns(start + total * share / 20 - bench.now_ns());
        let shares: Vec<_> =
            (0..3).map(|device| bench.position(device, 0) as f64 / f64::from(microsteps[device])).collect();
        let spread = shares.iter().fold(0f64, |spread, share| spread.max((share - shares[0]).abs()));
        assert!(spread < 0.003, "at {share}/20 the axes are {spread} apart: {shares:?}");
    }
    bench.advance_ns(start + total - line.skew().as_nanos() as u64 - 10_000 - bench.now_ns());
    assert!((0..3).all(|device| bench.is_moving(device, 0)), "none is there before its time");
    bench.advance_ns(line.skew().as_nanos() as u64 + 20_000);
    assert!((0..3).all(|device| !bench.is_moving(device, 0)), "all are there in time");
    for (device, target) in microsteps.into_iter().enumerate() {
        assert_eq!(bench.position(device, 0), i64::from(target));
    }
}

#[test]
fn a_straight_line_is_kept_to_the_promised_skew_on_both_maps() {
    a_straight_line_is_kept_to_the_promised_skew::<Latched>(64);
    a_straight_line_is_kept_to_the_promised_skew::<FixedWord>(16);
}
