//! A guarded chain as firmware uses it: nothing leaves past the guards, and no axis ever leaves its limits.

use core::time::Duration;

use embassy_futures::block_on;
use stepchain::chain::{DeviceError, Procedure, Step, UntilStill};
use stepchain::homing::{AxisHoming, Homing, HomingVelocities, Method, SearchLimits};
use stepchain::map::{BridgeState, Flag, Parameter, RegisterMap, StopRamp, Way};
use stepchain::reference::{FixedWord, Latched};
use stepchain::settings::{Apply, Setting, Settings};
use stepchain::track::{
    Doubt, EndUnknown, Guard, GuardedChain, GuardedError, LimitError, PositionLimits, PositionUnknown, Refused,
    Tracker, Trust, UnwrappedPosition,
};
use stepchain::units::{Distance, MicrostepResolution, Position, Value, Velocity};
use stepchain::{AsyncChain, AxisCommand, Chain, Command, Error, Reply, ReplyError};
use stepchain_sim::chain::{VirtualChain, VirtualSpi};
use stepchain_sim::device::Switch;
use stepchain_tests::maps::{Mirrored, Prefixed, Twin};

const SECOND: u64 = 1_000_000_000;

type Guarded<M> = GuardedChain<Chain<M, VirtualSpi, 2>, 2>;
type AsyncGuarded<M> = GuardedChain<AsyncChain<M, VirtualSpi, 2>, 2>;

fn at(microsteps: i64) -> UnwrappedPosition {
    UnwrappedPosition::from_microsteps(microsteps)
}

fn by(microsteps: i32) -> Command {
    Command::MoveRelative { distance: Distance::from_microsteps(microsteps) }
}

fn tracker<M: RegisterMap>(bench: &VirtualChain) -> Tracker {
    let resolution = MicrostepResolution::from_microsteps_per_step(bench.microsteps_per_step(0, 0) as u16);
    Tracker::new(&M::LAYOUT.position, resolution, Velocity::steps_per_s::<40_000>())
}

/// Two devices with a switch at their negative ends, none of them homed; what goes on is between −5000 and 900.
fn bench<M: RegisterMap>() -> (VirtualChain, [Guard; 2]) {
    let bench = VirtualChain::new(Chain::<M, VirtualSpi, 2>::LAYOUT, 2).unwrap();
    for device in 0..2 {
        bench.set_switch(device, 0, Switch::ClosedBetween { from_steps: -1e6, to_steps: -20.0 });
    }
    let limits = PositionLimits::new(at(-10), at(900));
    let guards = [0, 1].map(|device| Guard::new(device, tracker::<M>(&bench)).within(limits, Distance::ZERO));
    (bench, guards)
}

fn homing<M: RegisterMap>() -> Homing<2, 2> {
    const SPEEDS: HomingVelocities = HomingVelocities {
        search_for_switch: Velocity::steps_per_s::<100>(),
        search_for_zero: Velocity::steps_per_s::<20>(),
    };
    const LIMITS: SearchLimits =
        SearchLimits { travel: Distance::from_microsteps(60_000), time: Duration::from_secs(60) };
    const AXIS: AxisHoming = AxisHoming::new(Method::NegativeLimitSwitch, SPEEDS, LIMITS);
    Homing::new(&M::LAYOUT, [AXIS, AXIS.device(1)])
}

fn motions() -> [Command; 4] {
    let velocity = Velocity::steps_per_s::<50>();
    [
        by(5),
        Command::MoveAbsolute { target: Position::ZERO, way: Way::Shortest },
        Command::MoveVelocity { velocity },
        Command::MoveVelocity { velocity: Velocity::steps_per_s::<-50>() },
    ]
}

fn is_unknown<E>(result: &Result<[Reply; 2], GuardedError<E>>) -> bool {
    matches!(
        result,
        Err(GuardedError::Refused { device: 1, reason: Refused::PositionUnknown(PositionUnknown { .. }), .. })
    )
}

fn motion_waits_for_homing_and_then_keeps_within_the_limits<M: RegisterMap>() {
    let (bench, guards) = bench::<M>();
    let mut chain: Guarded<M> = GuardedChain::new(Chain::new(bench.spi()), guards);
    for motion in motions() {
        assert!(is_unknown(&chain.send(&[Command::Filler, motion])), "{motion:?}");
        assert!(matches!(chain.send_all(motion), Err(GuardedError::Refused { device: 0, .. })));
        assert!(chain.send_one(1, motion).is_err());
    }
    assert_eq!(bench.frames(), 0, "nothing was sent");
    let mut procedure = homing::<M>();
    chain.home(&mut procedure, &mut bench.delay()).unwrap();
    assert!(procedure.results().iter().all(Result::is_ok), "{:?}", procedure.results());
    assert!(chain.guards().iter().all(|guard| guard.tracker.trust() == Trust::Homed));
    let frames = bench.frames();
    for beyond in [by(901), by(-11)] {
        let refused = chain.send_one(1, beyond).unwrap_err();
        assert!(
            matches!(
                refused,
                GuardedError::Refused { device: 1, reason: Refused::Limit(LimitError::EndsOutside { .. }), .. }
            ),
            "{refused}"
        );
    }
    assert_eq!(bench.frames(), frames, "nothing was sent");
    chain.send_all(by(900)).unwrap();
    chain.run(&mut UntilStill::new(M::LAYOUT.axes, Duration::from_millis(5), 10_000), &mut bench.delay()).unwrap();
    assert_eq!([0, 1].map(|device| bench.position(device, 0)), [900; 2]);
    assert!(chain.send_one(1, by(1)).is_err(), "unread, the axis is at 900 at most");
    chain.guard_mut(1, 0).unwrap().tracker.update(Position::from_microsteps(900), None).unwrap();
    chain.send_one(1, by(-910)).unwrap();
    assert!(bench.run_until_still(60 * SECOND));
    assert_eq!(bench.position(1, 0), -10);
    let (mut chain, guards) = chain.into_parts();
    assert_eq!(guards[1].tracker.position(), Ok(at(900)));
    chain.send_one(1, by(-1)).unwrap();
}

#[test]
fn motion_waits_for_homing_and_then_keeps_within_the_limits_on_both_maps() {
    motion_waits_for_homing_and_then_keeps_within_the_limits::<Latched>();
    motion_waits_for_homing_and_then_keeps_within_the_limits::<FixedWord>();
}

fn the_async_front_guards_alike<M: RegisterMap>() {
    let (bench, guards) = bench::<M>();
    let mut chain: AsyncGuarded<M> = GuardedChain::new(AsyncChain::new(bench.spi()), guards);
    for motion in motions() {
        assert!(is_unknown(&block_on(chain.send(&[Command::Filler, motion]))), "{motion:?}");
        assert!(block_on(chain.send_all(motion)).is_err() && block_on(chain.send_one(1, motion)).is_err());
    }
    assert_eq!(bench.frames(), 0, "nothing was sent");
    block_on(chain.home(&mut homing::<M>(), &mut bench.delay())).unwrap();
    assert!(block_on(chain.send_one(1, by(901))).is_err());
    block_on(chain.send_all(by(900))).unwrap();
    let mut still = UntilStill::new(M::LAYOUT.axes, Duration::from_millis(5), 10_000);
    block_on(chain.run(&mut still, &mut bench.delay())).unwrap();
    assert_eq!([0, 1].map(|device| bench.position(device, 0)), [900; 2]);
    // A future that is dropped before its first poll has sent nothing; the guard does not rely on it.
    drop(chain.send_one(1, by(-900)));
    assert!(block_on(chain.run(&mut Moving(Some(by(-911))), &mut bench.delay())).is_err());
    block_on(chain.run(&mut Moving(Some(by(-900))), &mut bench.delay())).unwrap_err();
    chain.guard_mut(0, 0).unwrap().tracker.update(Position::from_microsteps(900), None).unwrap();
    block_on(chain.run(&mut Moving(Some(by(-900))), &mut bench.delay())).unwrap();
    assert!(bench.run_until_still(60 * SECOND));
    assert_eq!(bench.position(0, 0), 0);
}

#[test]
fn the_async_front_guards_alike_on_both_maps() {
    the_async_front_guards_alike::<Latched>();
    the_async_front_guards_alike::<FixedWord>();
}

/// A procedure that sends one command to the first device.
struct Moving(Option<Command>);

impl Procedure<2> for Moving {
    fn next(&mut self, commands: &mut [AxisCommand; 2]) -> Step {
        match self.0 {
            Some(command) => {
                commands[0] = command.into();
                Step::Exchange
            }
            None => Step::Done,
        }
    }

    fn came_back(&mut self, _: &[Result<Reply, ReplyError>; 2]) {
        self.0 = None;
    }
}

#[test]
fn procedures_pass_the_guards_and_settings_are_no_motion() {
    let (bench, guards) = bench::<Latched>();
    let mut chain: Guarded<Latched> = GuardedChain::new(Chain::new(bench.spi()), guards);
    let refused = chain.run(&mut Moving(Some(by(1))), &mut bench.delay()).unwrap_err();
    assert!(matches!(refused, GuardedError::Refused { device: 0, axis: 0, .. }), "{refused}");
    assert_eq!(bench.frames(), 0);
    let speed = Value::Velocity(Velocity::steps_per_s::<640>());
    let settings = Settings::new([Setting::new(Parameter::ProfileVelocity, speed)]);
    let mut apply = Apply::to_all(&Latched::LAYOUT, &settings);
    chain.run(&mut apply, &mut bench.delay()).unwrap();
    assert_eq!(apply.results(), &[Ok(()); 2]);
}

/// A procedure looks for no refusals, so a move of it may have been refused: what waits for it may begin from before it.
#[test]
fn a_move_that_a_procedure_has_sent_may_not_have_been_obeyed() {
    let (bench, guards) = bench::<Latched>();
    let mut chain: Guarded<Latched> = GuardedChain::new(Chain::new(bench.spi()), guards);
    chain.send_one(0, Command::TakeStatus).unwrap();
    chain.guard_mut(0, 0).unwrap().tracker.assume(Position::ZERO, at(0));
    let mut sent: Guarded<Latched> = GuardedChain::new(Chain::new(bench.spi()), *chain.guards());
    let mut awaited: AsyncGuarded<Latched> = GuardedChain::new(AsyncChain::new(bench.spi()), *chain.guards());
    sent.send_one(0, by(5)).unwrap();
    assert_eq!(sent.guards()[0].check(by(1).buffered()), Ok(()));
    chain.run(&mut Moving(Some(by(5))), &mut bench.delay()).unwrap();
    let unknown = Refused::Limit(LimitError::EndUnknown { cause: EndUnknown::Buffered });
    assert_eq!(chain.guards()[0].check(by(1).buffered()), Err(unknown));
    block_on(awaited.run(&mut Moving(Some(by(5))), &mut bench.delay())).unwrap();
    assert_eq!(awaited.guards()[0].check(by(1).buffered()), Err(unknown));
}

/// By hand: of Latched a standstill is needed to make the present place zero, and device 0 turns.
#[test]
fn each_devices_reply_comes_back_although_another_has_refused() {
    fn judge<E: core::fmt::Debug>(results: Result<[Result<Reply, DeviceError>; 2], GuardedError<E>>) {
        let [turning, standing] = results.unwrap();
        assert!(matches!(turning, Err(DeviceError::Rejected { .. })), "{turning:?}");
        assert!(standing.unwrap().status.is_some());
    }
    let (bench, guards) = bench::<Latched>();
    let mut plain = Chain::<Latched, _, 2>::new(bench.spi());
    plain.send_one(0, Command::MoveVelocity { velocity: Velocity::steps_per_s::<50>() }).unwrap();
    bench.advance_ns(SECOND / 10);
    let home = [Command::HomeOnCurrentPosition; 2];
    let mut chain: Guarded<Latched> = GuardedChain::new(plain, guards);
    judge(chain.send_each(&home));
    let frames = bench.frames();
    assert!(matches!(chain.send_each(&[by(1); 2]), Err(GuardedError::Refused { device: 0, axis: 0, .. })));
    assert_eq!(bench.frames(), frames, "nothing was sent");
    let mut chain: AsyncGuarded<Latched> = GuardedChain::new(AsyncChain::new(bench.spi()), guards);
    judge(block_on(chain.send_each(&home)));
    assert!(block_on(chain.send_each(&[by(1); 2])).is_err());
}

#[test]
fn an_axis_that_nobody_watches_over_does_not_move() {
    let (bench, [first, _]) = bench::<Latched>();
    let mut chain = GuardedChain::new(Chain::<Latched, _, 2>::new(bench.spi()), [first]);
    let refused = chain.send_one(1, by(1)).unwrap_err();
    assert_eq!(refused, GuardedError::Refused { device: 1, axis: 0, reason: Refused::Unguarded });
    assert_eq!(bench.frames(), 0);
    chain.send_one(1, Command::Stop { ramp: StopRamp::Quick, bridge: BridgeState::Driven }).unwrap();
    assert!(matches!(chain.send_one(2, by(1)), Err(GuardedError::Chain(Error::Command { device: 2, .. }))));
}

/// Homing that fails leaves the position unknown, whatever it was before; axes that were homed before it are not touched.
#[test]
fn where_homing_fails_the_position_is_unknown() {
    let (bench, guards) = bench::<Latched>();
    let mut chain: Guarded<Latched> = GuardedChain::new(Chain::new(bench.spi()), guards);
    bench.set_switch(1, 0, Switch::Open);
    chain.guard_mut(1, 0).unwrap().tracker.assume(Position::ZERO, at(0));
    let mut procedure = homing::<Latched>();
    chain.home(&mut procedure, &mut bench.delay()).unwrap();
    assert!(procedure.results()[0].is_ok() && procedure.results()[1].is_err());
    let trust = |chain: &Guarded<Latched>| [0, 1].map(|device| chain.guards()[device].tracker.trust());
    assert_eq!(trust(&chain), [Trust::Homed, Trust::Unknown(Doubt::Withdrawn)]);
    chain.guard_mut(0, 0).unwrap().tracker.doubt(Doubt::Withdrawn);
    chain.home(&mut procedure, &mut bench.delay()).unwrap();
    assert_eq!(trust(&chain)[0], Trust::Unknown(Doubt::Withdrawn), "a procedure that is over has homed nothing");
}

/// The look after a command shows the guard that the device has started anew.
#[test]
fn a_reset_is_noticed_by_the_look_after_any_command() {
    let (bench, guards) = bench::<Latched>();
    let mut chain: Guarded<Latched> = GuardedChain::new(Chain::new(bench.spi()), guards);
    chain.home(&mut homing::<Latched>(), &mut bench.delay()).unwrap();
    bench.reset_node(1);
    chain.send_all(by(5)).unwrap();
    assert_eq!(chain.guards()[1].tracker.trust(), Trust::Unknown(Doubt::DeviceReset));
    assert_eq!(chain.guards()[0].tracker.trust(), Trust::Homed);
    assert!(is_unknown(&chain.send(&[Command::Filler, by(1)])));
}

/// Choices that follow from one number: a linear congruence with Knuth's MMIX constants (from memory), its high bits.
struct Choice(u64);

impl Choice {
    fn of<T: Copy>(&mut self, all: &[T]) -> T {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        all[(self.0 >> 33) as usize % all.len()]
    }
}

/// Both axes of a guarded chain are told anything, at any time, with faults between: they stay within their limits.
fn no_axis_ever_leaves_its_limits<M: RegisterMap>(axis: u8) {
    let (least, greatest) = (-300, 900);
    let stop = |bridge| Command::Stop { ramp: StopRamp::Quick, bridge };
    let (mut sent, mut refused, mut rejected, mut unread) = (0, 0, 0, 0);
    for seed in 0..6 {
        let bench = VirtualChain::new(Chain::<M, VirtualSpi, 2>::LAYOUT, 2).unwrap();
        let limits = PositionLimits::new(at(least), at(greatest));
        let guards = [0, 1].map(|device| {
            let mut guard = Guard::new(device, tracker::<M>(&bench)).axis(axis).within(limits, Distance::ZERO);
            guard.tracker.assume(Position::ZERO, at(0));
            guard
        });
        let mut chain: Guarded<M> = GuardedChain::new(Chain::new(bench.spi()), guards);
        chain.send_all(Command::TakeStatus).unwrap();
        let mut choice = Choice(seed);
        for _ in 0..400 {
            let device = choice.of(&[0, 1]);
            let target = Position::from_microsteps(choice.of(&[-400, -300, -20, 0, 400, 899, 901]));
            let way = choice.of(&[Way::Shortest, Way::Shortest, Way::Positive, Way::Negative]);
            let command = choice.of(&[
                by(-250),
                by(100),
                by(300),
                by(-7),
                Command::MoveAbsolute { target, way },
                Command::ReturnToZero,
                Command::PeekStatus,
                Command::TakeStatus,
                Command::read(Parameter::PositionDemandValue),
                stop(BridgeState::Driven),
                stop(BridgeState::HighImpedance),
            ]);
            let asked = command.on(axis);
            let asked = if choice.of(&[true, false, false]) { asked.buffered() } else { asked };
            match chain.send_one(device, asked) {
                Ok(reply) => {
                    sent += 1;
                    if let Some(Value::Position(position)) = reply.value {
                        chain.guard_mut(device, axis).unwrap().tracker.update(position, None).unwrap();
                    }
                }
                Err(GuardedError::Refused { reason: Refused::Limit(LimitError::EndUnknown { cause }), .. }) => {
                    assert!(matches!(cause, EndUnknown::Buffered | EndUnknown::Unread), "{cause:?}");
                    unread += 1;
                }
                Err(GuardedError::Refused { .. }) => refused += 1,
                Err(GuardedError::Chain(Error::Rejected { .. })) => rejected += 1,
                Err(GuardedError::Chain(Error::Command { .. })) => {}
                Err(error) => panic!("{error}"),
            }
            if choice.of(&[false, false, false, true]) {
                bench.set_condition(device, axis.into(), Flag::Overcurrent, true);
                bench.set_condition(device, axis.into(), Flag::Overcurrent, false);
            }
            for _ in 0..choice.of(&[0, 1, 4, 40]) {
                bench.advance_ns(10_000_000);
                for device in 0..2 {
                    let position = bench.position(device, axis.into());
                    assert!((least..=greatest).contains(&position), "device {device} is at {position}");
                }
            }
        }
    }
    assert!(sent > 200 && refused > 50, "{sent} sent, {refused} refused, {rejected} rejected, {unread} unread");
}

#[test]
fn no_axis_ever_leaves_its_limits_on_any_map() {
    no_axis_ever_leaves_its_limits::<Latched>(0);
    no_axis_ever_leaves_its_limits::<FixedWord>(0);
    no_axis_ever_leaves_its_limits::<Mirrored>(0);
    no_axis_ever_leaves_its_limits::<Prefixed>(0);
    no_axis_ever_leaves_its_limits::<Twin>(1);
}
