//! Guards where a map makes commands of register writes: whoever writes the registers one by one gets past none of them; and
//! where an axis has momentum.

use embassy_futures::block_on;
use stepchain::map::{BridgeState, Parameter, RegisterMap, StopRamp};
use stepchain::reference::{FixedWord, Latched};
use stepchain::track::{
    Doubt, Guard, GuardedChain, GuardedError, PositionLimits, Refused, Tracker, Trust, UnwrappedPosition,
};
use stepchain::units::{Amplitude, Distance, MicrostepResolution, Position, Value, Velocity};
use stepchain::{AsyncChain, Chain, Command};
use stepchain_sim::chain::{VirtualChain, VirtualSpi};
use stepchain_tests::maps::Twin;

const MILLISECOND: u64 = 1_000_000;
const SECOND: u64 = 1000 * MILLISECOND;

fn at(microsteps: i64) -> UnwrappedPosition {
    UnwrappedPosition::from_microsteps(microsteps)
}

/// Two devices, of which the first is watched, told to be at zero, and may go from −`most` to `most`.
fn bench<M: RegisterMap>(most: i64, braking: i32) -> (VirtualChain, Guard) {
    let bench = VirtualChain::new(Chain::<M, VirtualSpi, 2>::LAYOUT, 2).unwrap();
    let resolution = MicrostepResolution::from_microsteps_per_step(bench.microsteps_per_step(0, 0) as u16);
    let tracker = Tracker::new(&M::LAYOUT.position, resolution, Velocity::steps_per_s::<40_000>());
    let limits = PositionLimits::new(at(-most), at(most));
    let mut guard = Guard::new(0, tracker).within(limits, Distance::from_microsteps(braking));
    guard.tracker.assume(Position::ZERO, at(0));
    (bench, guard)
}

fn register(name: &str) -> Parameter {
    FixedWord::LAYOUT.registers.iter().find(|register| register.name == name).unwrap().parameter
}

fn content(name: &str, content: u32) -> Command {
    Command::WriteContent { parameter: register(name), content }
}

/// Of the fixed-word map "motion kind" 2 sets a relative move going, and its target is in a register of its own.
#[test]
fn an_axis_is_not_moved_by_writing_the_registers_of_a_motion_one_by_one() {
    let (bench, guard) = bench::<FixedWord>(900, 0);
    let target = Value::Position(Position::from_microsteps(5000));
    let writes = [
        ("motion kind", content("motion kind", 2)),
        ("motion kind", Command::write(register("motion kind"), Value::Code(2))),
        ("target position", Command::write(Parameter::TargetPosition, target)),
        ("count sense", content("count sense", 1)),
    ];
    let mut chain = GuardedChain::new(Chain::<FixedWord, _, 2>::new(bench.spi()), [guard]);
    for device in [0, 1] {
        for (register, write) in writes {
            let error = chain.send_one(device, write).unwrap_err();
            assert_eq!(error, GuardedError::Refused { device, axis: 0, reason: Refused::BareWrite { register } });
            assert!(error.to_string().contains(register), "{error}");
        }
    }
    let mut chain = GuardedChain::new(AsyncChain::<FixedWord, _, 2>::new(bench.spi()), [guard]);
    assert!(writes.into_iter().all(|(_, write)| block_on(chain.send_one(1, write)).is_err()));
    assert_eq!(bench.frames(), 0, "nothing was sent");
    // Beside a chain that asks nobody else, only the watched device is of account.
    let mut chain = Chain::<FixedWord, _, 2>::new(bench.spi());
    assert!(chain.send_guarded(&[writes[0].1, Command::Filler], &mut [guard]).is_err());
    assert_eq!(bench.frames(), 0);
    chain.send_guarded(&[Command::Filler, writes[0].1], &mut [guard]).unwrap();
}

/// Of the map with two axes, a run is the direction and the period of its axis.
#[test]
fn no_axis_of_two_is_moved_by_bare_writes_and_each_is_named() {
    let (bench, guard) = bench::<Twin>(900, 0);
    let turns = |axis| Command::WriteContent { parameter: Parameter::Custom(7), content: 1 }.on(axis);
    let mut chain = GuardedChain::new(Chain::<Twin, _, 2>::new(bench.spi()), [guard, guard.axis(1)]);
    for (device, axis) in [(0, 0), (0, 1), (1, 0), (1, 1)] {
        let error = chain.send_one(device, turns(axis)).unwrap_err();
        assert_eq!(error, GuardedError::Refused { device, axis, reason: Refused::BareWrite { register: "direction" } });
    }
    assert_eq!(bench.frames(), 0, "nothing was sent");
    // Beside a chain that asks nobody else, only the watched axis is of account.
    let mut chain = Chain::<Twin, _, 2>::new(bench.spi());
    let beside = |axis| [turns(axis), Command::Filler.into()];
    assert!(chain.send_guarded(&beside(1), &mut [guard.axis(1)]).is_err());
    assert_eq!(bench.frames(), 0);
    chain.send_guarded(&beside(0), &mut [guard.axis(1)]).unwrap();
    let speed = Command::write(Parameter::ProfileVelocity, Velocity::steps_per_s::<100>());
    let mut chain = GuardedChain::new(chain, [guard]);
    chain.send_one(0, speed.on(1)).unwrap();
}

/// Of the fixed-word map the resolution shares its register with two amplitudes, and "service" restores the defaults.
#[test]
fn whoever_writes_what_the_count_hangs_on_by_another_name_loses_the_position() {
    let shared = Command::WriteContent { parameter: Parameter::StandstillAmplitude, content: 150 << 4 };
    let taken = || {
        let (bench, guard) = bench::<FixedWord>(900, 0);
        let mut chain = Chain::<FixedWord, _, 2>::new(bench.spi());
        chain.send_all(Command::TakeStatus).unwrap();
        GuardedChain::new(chain, [guard])
    };
    for (write, doubt) in [
        (shared, Doubt::Withdrawn),
        (content("service", 1), Doubt::Withdrawn),
        (content("service", 2), Doubt::DeviceReset),
    ] {
        let mut chain = taken();
        chain.send_one(1, write).unwrap();
        assert_eq!(chain.guards()[0].tracker.trust(), Trust::Told, "it is another device's");
        chain.send_one(0, write).unwrap();
        assert_eq!(chain.guards()[0].tracker.trust(), Trust::Unknown(doubt), "{write:?}");
    }
    let mut chain = taken();
    let amplitude = Amplitude::from_per_mille(200).unwrap();
    chain.send_one(0, Command::write(Parameter::StandstillAmplitude, amplitude)).unwrap();
    assert_eq!(chain.guards()[0].tracker.trust(), Trust::Told, "one field alone leaves the others as they are");
}

#[test]
fn an_axis_that_nobody_watches_over_may_be_told_to_stand_still() {
    let (bench, guard) = bench::<Latched>(900, 0);
    let mut chain = GuardedChain::new(Chain::<Latched, _, 2>::new(bench.spi()), [guard]);
    chain.send_one(1, Command::MoveVelocity { velocity: Velocity::ZERO }).unwrap();
    assert!(chain.send_one(1, Command::MoveVelocity { velocity: Velocity::steps_per_s::<1>() }).is_err());
}

/// Stopped from a run, read while it brakes, told to move to where the limit would be from the reading.
fn an_axis_that_brakes_is_not_led_beyond_its_limits<M: RegisterMap>() {
    let most = 100_000;
    let braking = 40_000;
    let (bench, guard) = bench::<M>(most, braking);
    let mut chain = GuardedChain::new(Chain::<M, _, 2>::new(bench.spi()), [guard]);
    chain.send_all(Command::TakeStatus).unwrap();
    chain.guard_mut(0, 0).unwrap().tracker.assume(Position::ZERO, at(0));
    chain.send_one(0, Command::MoveVelocity { velocity: Velocity::steps_per_s::<600>() }).unwrap();
    bench.advance_ns(2 * SECOND);
    chain.send_one(0, Command::Stop { ramp: StopRamp::Profile, bridge: BridgeState::Driven }).unwrap();
    bench.advance_ns(MILLISECOND);
    let reading = bench.position(0, 0);
    chain.guard_mut(0, 0).unwrap().tracker.update(Position::from_microsteps(reading as i32), None).unwrap();
    bench.advance_ns(50 * MILLISECOND);
    assert!(bench.position(0, 0) > reading, "it still brakes");
    let rest = |from: i64| Command::MoveRelative { distance: Distance::from_microsteps((most - from) as i32) };
    assert!(chain.send_one(0, rest(reading)).is_err());
    assert!(bench.run_until_still(60 * SECOND));
    let stands = bench.position(0, 0);
    assert!(stands - reading <= i64::from(braking), "{reading} to {stands}");
    chain.send_one(0, Command::PeekStatus).unwrap();
    chain.guard_mut(0, 0).unwrap().tracker.update(Position::from_microsteps(stands as i32), None).unwrap();
    chain.send_one(0, rest(stands)).unwrap();
    assert!(bench.run_until_still(60 * SECOND));
    assert_eq!(bench.position(0, 0), most);
}

#[test]
fn an_axis_that_brakes_is_not_led_beyond_its_limits_on_both_maps() {
    an_axis_that_brakes_is_not_led_beyond_its_limits::<Latched>();
    an_axis_that_brakes_is_not_led_beyond_its_limits::<FixedWord>();
}
