//! The whole way on five maps and chains of 1 to 32 devices: typed commands in, frames, bits, motion, typed replies out.

use stepchain::chain::DeviceError;
use stepchain::map::{BridgeState, Flag, MotionState, Parameter, RegisterMap, StopRamp, Verb, Way};
use stepchain::reference::{FixedWord, Latched};
use stepchain::units::{Distance, Position, Value, Velocity};
use stepchain::{Chain, Command};
use stepchain_sim::chain::{VirtualChain, VirtualSpi};
use stepchain_sim::device::EventKind;
use stepchain_tests::maps::{Mirrored, Prefixed, Twin};

const SECOND: u64 = 1_000_000_000;
const MINUTE: u64 = 60 * SECOND;

/// A virtual chain, the driver in front of it, and how many microsteps make a step.
struct Rig<M, const N: usize> {
    bench: VirtualChain,
    chain: Chain<M, VirtualSpi, N>,
    microsteps: i32,
}

impl<M: RegisterMap, const N: usize> Rig<M, N> {
    fn new() -> Self {
        let bench = VirtualChain::new(Chain::<M, VirtualSpi, N>::LAYOUT, N).unwrap();
        let chain = Chain::new(bench.spi());
        let microsteps = bench.microsteps_per_step(0, 0) as i32;
        Self { bench, chain, microsteps }
    }

    /// A different number of whole steps for each device, to both sides.
    fn steps(device: usize) -> i32 {
        let steps = 20 + 3 * device as i32;
        if device.is_multiple_of(2) { steps } else { -steps }
    }

    fn counts(&self, steps: i32) -> i32 {
        steps * self.microsteps
    }

    fn arrive(&self) {
        assert!(self.bench.run_until_still(MINUTE), "the chain still moves after a minute");
    }

    fn status(&mut self, device: usize, flag: Flag) -> bool {
        let reply = self.chain.send_one(device, Command::PeekStatus).unwrap();
        reply.status.unwrap().flag(flag).unwrap()
    }

    /// What the devices say of themselves, read over the bus, is where the engine is.
    fn assert_positions(&mut self, expected: impl Fn(usize) -> i32) {
        let replies = self.chain.send_all(Command::read(Parameter::PositionDemandValue)).unwrap();
        for (device, reply) in replies.iter().enumerate() {
            let expected = expected(device);
            assert_eq!(reply.value, Some(Value::Position(Position::from_microsteps(expected))), "device {device}");
            assert_eq!(self.bench.position(device, 0), i64::from(expected), "device {device}");
        }
    }

    fn assert_no_violation(&self) {
        let violations: Vec<_> =
            self.bench.events().into_iter().filter(|event| matches!(event.kind, EventKind::Violation(_))).collect();
        assert!(violations.is_empty(), "{violations:?}");
    }
}

/// Power-up is told once, by every device, until the status is taken.
fn a_reset_is_told_until_it_is_taken<M: RegisterMap, const N: usize>() {
    let mut rig = Rig::<M, N>::new();
    for (command, raised) in [(Command::PeekStatus, true), (Command::TakeStatus, true), (Command::PeekStatus, false)] {
        for reply in rig.chain.send_all(command).unwrap() {
            assert_eq!(reply.status.unwrap().flag(Flag::ResetOccurred), Some(raised), "{command:?}");
        }
    }
    rig.assert_no_violation();
}

/// Each device gets a velocity of its own in the frames of one, and holds the value that its code really means.
fn a_setting_for_each_device_costs_the_frames_of_one<M: RegisterMap, const N: usize>() {
    let mut rig = Rig::<M, N>::new();
    let parameter = Parameter::ProfileVelocity;
    let velocity = |device: usize| Velocity::from_milli_steps_per_s(300_123 + 7_001 * device as i32).unwrap();
    rig.chain.send_one(0, Command::write(parameter, velocity(0))).unwrap();
    let frames_of_one = rig.bench.frames();
    rig.chain.send(&core::array::from_fn(|device| Command::write(parameter, velocity(device)))).unwrap();
    assert_eq!(rig.bench.frames(), 2 * frames_of_one);
    let register = M::LAYOUT.register(parameter, 0).unwrap();
    for (device, reply) in rig.chain.send_all(Command::read(parameter)).unwrap().iter().enumerate() {
        assert_eq!(reply.value, Some(register.quantised(velocity(device).into()).unwrap()), "device {device}");
    }
    rig.assert_no_violation();
}

/// Moves of unlike length, there and back, start at one instant, end where they should, and say so.
fn moves_start_together_and_arrive<M: RegisterMap, const N: usize>() {
    let mut rig = Rig::<M, N>::new();
    let distance = |device| Distance::from_microsteps(rig.microsteps * Rig::<M, N>::steps(device));
    rig.chain.send(&core::array::from_fn(|device| Command::MoveRelative { distance: distance(device) })).unwrap();
    let starts: Vec<_> = rig
        .bench
        .events()
        .into_iter()
        .filter(|event| matches!(event.kind, EventKind::CommandAccepted { verb: Verb::MoveRelative, .. }))
        .map(|event| event.time_ns)
        .collect();
    assert_eq!(starts.len(), N);
    assert!(starts.iter().all(|start| *start == starts[0]), "{starts:?}");
    rig.bench.advance_ns(SECOND / 20);
    for device in 0..N {
        assert!(rig.bench.is_moving(device, 0));
        assert!(rig.status(device, Flag::Busy));
        assert!(!rig.status(device, Flag::TargetReached));
    }
    rig.arrive();
    let microsteps = rig.microsteps;
    rig.assert_positions(|device| microsteps * Rig::<M, N>::steps(device));
    for device in 0..N {
        assert!(rig.status(device, Flag::TargetReached));
        assert!(!rig.status(device, Flag::Busy));
    }
    let target = Position::from_microsteps(-rig.counts(7));
    rig.chain.send_all(Command::MoveAbsolute { target, way: Way::Shortest }).unwrap();
    rig.arrive();
    rig.assert_positions(|_| target.to_microsteps());
    rig.chain.send_all(Command::HomeOnCurrentPosition).unwrap();
    rig.assert_positions(|_| 0);
    rig.assert_no_violation();
}

/// A velocity is reached, kept, changed and, by every kind of stop, left; then the bridge is in the state asked for.
fn a_run_keeps_its_velocity_until_each_kind_of_stop<M: RegisterMap, const N: usize>() {
    let mut rig = Rig::<M, N>::new();
    let device = N - 1;
    for ramp in [StopRamp::Profile, StopRamp::Quick, StopRamp::None] {
        for bridge in [BridgeState::Driven, BridgeState::Shorted, BridgeState::HighImpedance] {
            for steps_per_s in [200, 320, 100, -250] {
                let velocity = Velocity::from_steps_per_s(steps_per_s).unwrap();
                rig.chain.send_one(device, Command::MoveVelocity { velocity }).unwrap();
                rig.bench.advance_ns(3 * SECOND);
                let reached = rig.bench.velocity_steps_per_s(device, 0);
                assert!((reached - f64::from(steps_per_s)).abs() < 0.1, "{reached} instead of {steps_per_s} steps/s");
                assert_eq!(rig.bench.bridge_state(device, 0), BridgeState::Driven);
            }
            let before = rig.bench.now_ns();
            rig.chain.send_one(device, Command::Stop { ramp, bridge }).unwrap();
            rig.arrive();
            let took = rig.bench.now_ns() - before;
            assert_eq!(rig.bench.bridge_state(device, 0), bridge);
            assert_eq!(rig.status(device, Flag::BridgeOff), bridge == BridgeState::HighImpedance);
            match ramp {
                StopRamp::Profile => assert!(took > SECOND / 20, "{took} ns are no profile ramp"),
                StopRamp::Quick => assert!(took < SECOND / 2, "{took} ns are no quick ramp"),
                StopRamp::None => assert!(took < SECOND / 100, "{took} ns is not at once"),
            }
        }
    }
    for other in 0..device {
        assert_eq!(rig.bench.position(other, 0), 0, "only one device was told to move");
    }
    rig.assert_no_violation();
}

/// A move that comes while another runs is refused where the map says so, and told; elsewhere it takes over.
fn a_move_under_way_is_guarded_as_the_map_says<M: RegisterMap, const N: usize>() {
    let mut rig = Rig::<M, N>::new();
    let first = Distance::from_microsteps(rig.counts(100));
    rig.chain.send_all(Command::MoveRelative { distance: first }).unwrap();
    rig.bench.advance_ns(SECOND / 20);
    let target = Position::from_microsteps(rig.counts(-40));
    let verb = Verb::MoveAbsolute(Way::Negative);
    let results = rig.chain.send_each(&[Command::MoveAbsolute { target, way: Way::Negative }; N]).unwrap();
    let refuses = M::LAYOUT.form(verb).unwrap().refusal.while_moving;
    for (device, result) in results.into_iter().enumerate() {
        let refused = DeviceError::Rejected { verb, flag: Flag::CommandRejected };
        assert_eq!(result.err(), refuses.then_some(refused), "device {device}");
        assert_eq!(rig.status(device, Flag::CommandRejected), refuses, "device {device}");
    }
    rig.arrive();
    let expected = if refuses { first.to_microsteps() } else { target.to_microsteps() };
    rig.assert_positions(|_| expected);
}

/// Where the map tells the motion state, it goes through all four.
fn the_motion_state_is_told_in_turn<M: RegisterMap, const N: usize>() {
    if M::LAYOUT.status.motion_states.is_empty() {
        return;
    }
    let mut rig = Rig::<M, N>::new();
    let mut seen = vec![];
    let velocity = Velocity::from_steps_per_s(300).unwrap();
    let mut look = |rig: &mut Rig<M, N>| {
        let status = rig.chain.send_one(0, Command::PeekStatus).unwrap().status.unwrap();
        seen.push(status.motion_state().unwrap());
    };
    look(&mut rig);
    rig.chain.send_one(0, Command::MoveVelocity { velocity }).unwrap();
    look(&mut rig);
    rig.bench.advance_ns(5 * SECOND);
    look(&mut rig);
    let stop = Command::Stop { ramp: StopRamp::Profile, bridge: BridgeState::Driven };
    rig.chain.send_one(0, stop).unwrap();
    look(&mut rig);
    assert_eq!(
        seen,
        [MotionState::Standstill, MotionState::Accelerating, MotionState::ConstantVelocity, MotionState::Decelerating]
    );
}

macro_rules! on_chains_of {
    ($map:ident, $module:ident: $($length:literal)+) => {
        mod $module {
            use super::*;

            #[test]
            fn a_reset_is_told_until_it_is_taken() {
                $(super::a_reset_is_told_until_it_is_taken::<$map, $length>();)+
            }
            #[test]
            fn a_setting_for_each_device_costs_the_frames_of_one() {
                $(super::a_setting_for_each_device_costs_the_frames_of_one::<$map, $length>();)+
            }
            #[test]
            fn moves_start_together_and_arrive() {
                $(super::moves_start_together_and_arrive::<$map, $length>();)+
            }
            #[test]
            fn a_run_keeps_its_velocity_until_each_kind_of_stop() {
                $(super::a_run_keeps_its_velocity_until_each_kind_of_stop::<$map, $length>();)+
            }
            #[test]
            fn a_move_under_way_is_guarded_as_the_map_says() {
                $(super::a_move_under_way_is_guarded_as_the_map_says::<$map, $length>();)+
            }
            #[test]
            fn the_motion_state_is_told_in_turn() {
                $(super::the_motion_state_is_told_in_turn::<$map, $length>();)+
            }
        }
    };
}

on_chains_of!(Latched, latched: 1 2 3 8 32);
on_chains_of!(FixedWord, fixed_word: 1 2 3 8 32);
on_chains_of!(Mirrored, mirrored: 1 2 3 8 32);
on_chains_of!(Prefixed, prefixed: 1 2 3 8 32);
on_chains_of!(Twin, twin: 1 2 3 8 32);

/// Both axes of every device move on their own, from one chip select.
#[test]
fn two_axes_of_one_device_move_apart() {
    let mut rig = Rig::<Twin, 2>::new();
    let run = |steps_per_s| Command::MoveVelocity { velocity: Velocity::from_steps_per_s(steps_per_s).unwrap() };
    rig.chain.send(&[run(500).on(0), run(-400).on(1)]).unwrap();
    rig.chain.send(&[run(-250).on(1), run(800).on(0)]).unwrap();
    rig.bench.advance_ns(3 * SECOND);
    let velocities = |device| [0, 1].map(|axis| rig.bench.velocity_steps_per_s(device, axis).round());
    assert_eq!(velocities(0), [500.0, -250.0]);
    assert_eq!(velocities(1), [800.0, -400.0]);
    let status = rig.chain.send_one(1, Command::PeekStatus).unwrap().status.unwrap();
    assert_eq!(status.motion_state_of(1), Some(MotionState::ConstantVelocity));
}
