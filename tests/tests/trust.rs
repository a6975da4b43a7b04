//! Position, faults and silence as firmware meets them: on the virtual chain, on both reference maps.

use core::time::Duration;

use embassy_futures::block_on;

use stepchain::fault::{self, FaultKind, Severity};
use stepchain::map::{Clearing, Flag, Holding, Parameter, RegisterMap, Way};
use stepchain::reference::{FixedWord, Latched};
use stepchain::track::{
    Doubt, Guard, GuardedError, Miss, PositionLimits, Reaction, Refused, ResetNotice, Tracker, Trust,
    UnwrappedPosition, Watch,
};
use stepchain::units::{Distance, MicrostepResolution, Position, Value, Velocity};
use stepchain::{AsyncChain, Chain, Command};
use stepchain_sim::chain::{VirtualChain, VirtualSpi};

const SECOND: u64 = 1_000_000_000;

struct Rig<M> {
    bench: VirtualChain,
    chain: Chain<M, VirtualSpi, 2>,
    tracker: Tracker,
}

impl<M: RegisterMap> Rig<M> {
    /// Two devices; the second one is followed, and was homed where it stands.
    fn new() -> Self {
        let layout = Chain::<M, VirtualSpi, 2>::LAYOUT;
        let bench = VirtualChain::new(layout, 2).unwrap();
        let mut chain = Chain::<M, _, 2>::new(bench.spi());
        let resolution = MicrostepResolution::from_microsteps_per_step(bench.microsteps_per_step(1, 0) as u16);
        let mut tracker = Tracker::new(&layout.position, resolution, Velocity::steps_per_s::<40_000>());
        // The reset of power-up is told until the status is taken.
        chain.send_all(Command::TakeStatus).unwrap();
        chain.send_one(1, Command::HomeOnCurrentPosition).unwrap();
        tracker.homed_at(Position::ZERO, UnwrappedPosition::ZERO);
        Self { bench, chain, tracker }
    }

    fn read(&mut self) -> Position {
        let reply = self.chain.send_one(1, Command::read(Parameter::PositionDemandValue)).unwrap();
        match reply.value {
            Some(Value::Position(position)) => position,
            other => panic!("{other:?}"),
        }
    }

    fn status(&mut self) -> stepchain::Status {
        self.chain.send_one(1, Command::PeekStatus).unwrap().status.unwrap()
    }
}

/// Read every few seconds, the count of a motor that turns for ten minutes is right, however often its counter wraps.
fn a_counter_is_unwrapped_across_many_wraps<M: RegisterMap>(begins_at: i32, least_wraps: i64) {
    let mut rig = Rig::<M>::new();
    // Where the counter begins is told to the device and to the tracker alike.
    let begin = Position::from_microsteps(begins_at);
    rig.chain.send_one(1, Command::write(Parameter::PositionDemandValue, begin)).unwrap();
    rig.tracker.assume(begin, UnwrappedPosition::from_microsteps(begins_at.into()));
    let half_range = 1i64 << (M::LAYOUT.position.bits - 1);
    rig.chain.send_one(1, Command::MoveVelocity { velocity: Velocity::steps_per_s::<-39_000>() }).unwrap();
    let longest = rig.tracker.longest_gap().unwrap();
    let gap = longest.min(Duration::from_secs(600)).as_nanos() as u64 / 2;
    while rig.bench.now_ns() < 1_200 * SECOND {
        rig.bench.advance_ns(gap);
        let counter = rig.read();
        rig.tracker.update(counter, Some(Duration::from_nanos(gap + 1_000_000))).unwrap();
    }
    let truth = rig.bench.position(1, 0);
    let microsteps_since_the_reading = 39_000 * i64::from(rig.bench.microsteps_per_step(1, 0)) / 1_000;
    let found = rig.tracker.position().unwrap().to_microsteps();
    assert!((truth - found).abs() <= microsteps_since_the_reading, "{found} instead of {truth}");
    let wraps = (truth.abs() + half_range) >> M::LAYOUT.position.bits;
    assert!(wraps >= least_wraps, "{wraps} wraps are too few to show anything");
}

#[test]
fn a_counter_is_unwrapped_across_many_wraps_on_both_maps() {
    a_counter_is_unwrapped_across_many_wraps::<Latched>(0, 100);
    // 30 bits of sixteenths of a step last for longer than the test: it begins near the end that it turns to.
    a_counter_is_unwrapped_across_many_wraps::<FixedWord>(-(1 << 29) + 1_000_000, 1);
}

/// A device that has reset itself is noticed at the next status, and moves are refused until it is homed.
fn a_reset_is_noticed_and_moves_are_refused<M: RegisterMap>() {
    let mut rig = Rig::<M>::new();
    let there = Command::MoveRelative { distance: Distance::from_microsteps(100) };
    assert!(rig.tracker.allow(&there).is_ok());
    rig.bench.reset_node(1);
    let status = rig.status();
    assert!(rig.tracker.observe(&status).is_some());
    assert!(matches!(rig.tracker.trust(), Trust::Unknown(Doubt::DeviceReset)), "{:?}", rig.tracker.trust());
    let refused = rig.tracker.allow(&there).unwrap_err();
    assert!(refused.to_string().contains("unknown"), "{refused}");
    rig.chain.send_one(1, Command::TakeStatus).unwrap();
    rig.chain.send_one(1, Command::HomeOnCurrentPosition).unwrap();
    rig.tracker.homed_at(Position::ZERO, UnwrappedPosition::ZERO);
    assert!(rig.tracker.allow(&there).is_ok());
    let status = rig.status();
    assert_eq!(rig.tracker.observe(&status), None);
}

#[test]
fn a_reset_is_noticed_and_moves_are_refused_on_both_maps() {
    a_reset_is_noticed_and_moves_are_refused::<Latched>();
    a_reset_is_noticed_and_moves_are_refused::<FixedWord>();
    assert_eq!(ResetNotice::of(&Latched::LAYOUT), ResetNotice::StatusCommandsOnly);
    assert_eq!(ResetNotice::of(&FixedWord::LAYOUT), ResetNotice::EveryReply);
}

/// A target beyond the limits is refused before anything is sent, whichever way round leads there.
#[test]
fn what_leaves_the_limits_is_not_sent() {
    let mut rig = Rig::<Latched>::new();
    let limits = PositionLimits::new(UnwrappedPosition::from_microsteps(-10), UnwrappedPosition::from_microsteps(900));
    let place = rig.tracker.place().unwrap();
    let frames = rig.bench.frames();
    let refused = |command| limits.check(&command, &place, Distance::ZERO).is_err();
    assert!(refused(Command::MoveRelative { distance: Distance::from_microsteps(901) }));
    assert!(!refused(Command::MoveRelative { distance: Distance::from_microsteps(900) }));
    assert!(refused(Command::MoveAbsolute { target: Position::from_microsteps(5), way: Way::Negative }));
    assert_eq!(rig.bench.frames(), frames);
    let inside = Command::MoveAbsolute { target: Position::from_microsteps(900), way: Way::Shortest };
    limits.check(&inside, &place, Distance::ZERO).unwrap();
    rig.chain.send_one(1, inside).unwrap();
    assert!(rig.bench.run_until_still(60 * SECOND));
    let counter = rig.read();
    rig.tracker.update(counter, None).unwrap();
    assert_eq!(rig.tracker.position().unwrap(), UnwrappedPosition::from_microsteps(900));
}

/// A guarded chain sends nothing that leaves the limits, and after a restart nothing that needs a position.
fn a_guard_refuses_before_anything_is_sent<M: RegisterMap>() {
    let Rig { bench, mut chain, tracker } = Rig::<M>::new();
    let limits = PositionLimits::new(UnwrappedPosition::from_microsteps(-10), UnwrappedPosition::from_microsteps(900));
    let mut guards = [Guard::new(1, tracker).within(limits, Distance::ZERO)];
    let by = |microsteps| [Command::Filler, Command::MoveRelative { distance: Distance::from_microsteps(microsteps) }];
    let frames = bench.frames();
    let refused = chain.send_guarded(&by(901), &mut guards).unwrap_err();
    assert!(matches!(refused, GuardedError::Refused { device: 1, reason: Refused::Limit(_), .. }), "{refused}");
    assert_eq!(bench.frames(), frames, "nothing was sent");
    chain.send_guarded(&by(900), &mut guards).unwrap();
    assert!(bench.run_until_still(60 * SECOND));
    assert_eq!(bench.position(1, 0), 900);
    bench.reset_node(1);
    chain.send_guarded(&[Command::PeekStatus; 2], &mut guards).unwrap();
    let frames = bench.frames();
    let refused = chain.send_guarded(&by(-1), &mut guards).unwrap_err();
    assert!(matches!(refused, GuardedError::Refused { reason: Refused::PositionUnknown(_), .. }), "{refused}");
    assert_eq!(bench.frames(), frames, "nothing was sent");
    chain.send_guarded(&[Command::TakeStatus; 2], &mut guards).unwrap();
    chain.send_guarded(&[Command::Filler, Command::HomeOnCurrentPosition], &mut guards).unwrap();
    guards[0].tracker.homed_at(Position::ZERO, UnwrappedPosition::ZERO);
    chain.send_guarded(&by(-1), &mut guards).unwrap();
    assert!(bench.run_until_still(60 * SECOND));
    assert_eq!(bench.position(1, 0), -1);
}

#[test]
fn a_guard_refuses_before_anything_is_sent_on_both_maps() {
    a_guard_refuses_before_anything_is_sent::<Latched>();
    a_guard_refuses_before_anything_is_sent::<FixedWord>();
}

/// The async front asks the same guards and shows them the same replies.
fn the_async_front_is_guarded_alike<M: RegisterMap>() {
    let Rig { bench, tracker, .. } = Rig::<M>::new();
    let mut chain = AsyncChain::<M, _, 2>::new(bench.spi());
    let limits = PositionLimits::new(UnwrappedPosition::ZERO, UnwrappedPosition::from_microsteps(900));
    let mut guards = [Guard::new(1, tracker).within(limits, Distance::ZERO)];
    let by = |microsteps| [Command::Filler, Command::MoveRelative { distance: Distance::from_microsteps(microsteps) }];
    let frames = bench.frames();
    let refused = block_on(chain.send_guarded(&by(901), &mut guards)).unwrap_err();
    assert!(matches!(refused, GuardedError::Refused { reason: Refused::Limit(_), .. }), "{refused}");
    assert_eq!(bench.frames(), frames, "nothing was sent");
    bench.reset_node(1);
    block_on(chain.send_guarded(&[Command::PeekStatus; 2], &mut guards)).unwrap();
    let refused = block_on(chain.send_guarded(&by(1), &mut guards)).unwrap_err();
    assert!(matches!(refused, GuardedError::Refused { reason: Refused::PositionUnknown(_), .. }), "{refused}");
}

#[test]
fn the_async_front_is_guarded_alike_on_both_maps() {
    the_async_front_is_guarded_alike::<Latched>();
    the_async_front_is_guarded_alike::<FixedWord>();
}

/// Each condition of the device becomes a typed fault, live or latched as the map has it, and goes as the map says.
fn conditions_become_faults<M: RegisterMap>(conditions: &[(Flag, FaultKind, Severity)]) {
    for &(flag, kind, severity) in conditions {
        let mut rig = Rig::<M>::new();
        assert_eq!(fault::faults(&rig.status()).next(), None);
        rig.bench.set_condition(1, 0, flag, true);
        let found: Vec<_> = fault::faults(&rig.status()).filter(|fault| fault.kind == kind).collect();
        assert_eq!(found.len(), 1, "{kind:?}");
        assert_eq!(kind.severity(), severity);
        rig.bench.set_condition(1, 0, flag, false);
        let remains = fault::faults(&rig.status()).any(|fault| fault.kind == kind);
        assert_eq!(remains, found[0].holding != Holding::Live, "{kind:?} after its cause has gone");
        match found[0].holding {
            Holding::Live => continue,
            Holding::LatchedUntil(Clearing::TakeStatus) => rig.chain.send_one(1, Command::TakeStatus).unwrap(),
            Holding::LatchedUntil(Clearing::FaultReset) => {
                rig.chain.send_one(1, Command::TakeStatus).unwrap();
                assert!(fault::faults(&rig.status()).any(|fault| fault.kind == kind), "taking clears no {kind:?}");
                rig.chain.send_one(1, Command::FaultReset).unwrap()
            }
        };
        assert!(!fault::faults(&rig.status()).any(|fault| fault.kind == kind), "{kind:?} after it was cleared");
    }
}

#[test]
fn conditions_become_faults_on_both_maps() {
    let common = [
        (Flag::OvertemperatureWarning, FaultKind::OvertemperatureWarning, Severity::Warning),
        (Flag::StallA, FaultKind::StallA, Severity::Fault),
        (Flag::Undervoltage, FaultKind::Undervoltage, Severity::Fault),
        (Flag::Overcurrent, FaultKind::Overcurrent, Severity::Fault),
        (Flag::Overtemperature, FaultKind::Overtemperature, Severity::Fault),
    ];
    conditions_become_faults::<Latched>(&common);
    conditions_become_faults::<FixedWord>(&common);
    conditions_become_faults::<FixedWord>(&[(Flag::StallB, FaultKind::StallB, Severity::Fault)]);
}

/// A bus that goes dead on the way back: from then on the controller reads the level of a resistor.
struct Failing {
    spi: VirtualSpi,
    rests_at: std::rc::Rc<std::cell::Cell<Option<u8>>>,
}

impl embedded_hal::spi::ErrorType for Failing {
    type Error = stepchain_sim::chain::BusError;
}

impl embedded_hal::spi::SpiDevice for Failing {
    fn transaction(&mut self, operations: &mut [embedded_hal::spi::Operation<'_, u8>]) -> Result<(), Self::Error> {
        self.spi.transaction(operations)?;
        for operation in operations {
            if let (embedded_hal::spi::Operation::TransferInPlace(words), Some(level)) =
                (operation, self.rests_at.get())
            {
                words.fill(level);
            }
        }
        Ok(())
    }
}

/// A controller whose line back has died hears so after the tolerated misses, once, whichever level the line rests at.
fn silence_is_noticed_after_the_tolerated_misses<M: RegisterMap>(level: u8) {
    let bench = VirtualChain::new(Chain::<M, VirtualSpi, 2>::LAYOUT, 2).unwrap();
    let rests_at = std::rc::Rc::new(std::cell::Cell::new(None));
    let mut chain = Chain::<M, _, 2>::new(Failing { spi: bench.spi(), rests_at: rests_at.clone() });
    let now = || Duration::from_nanos(bench.now_ns());
    let period = Duration::from_millis(20);
    let mut watch = Watch::new(period, 2, Reaction::MarkUnknown).beginning_at(now());
    let mut events = vec![];
    for round in 0..8 {
        bench.advance_ns(period.as_nanos() as u64);
        assert!(watch.due(now()));
        if round == 4 {
            rests_at.set(Some(level));
        }
        let event = match chain.exchange(&[Command::PeekStatus; 2]).unwrap()[1] {
            Ok(reply) if reply.status.unwrap().is_all_alike() => watch.missed(now(), Miss::Implausible),
            Ok(_) => watch.answered(now()),
            Err(error) => watch.missed(now(), Miss::Reply(error)),
        };
        events.extend(event.map(|event| (round, event)));
    }
    assert_eq!(events.len(), 1, "{events:?}");
    assert_eq!(events[0].0, 6, "the third miss in a row");
}

#[test]
fn silence_is_noticed_after_the_tolerated_misses_on_both_maps() {
    for level in [0x00, 0xFF] {
        silence_is_noticed_after_the_tolerated_misses::<Latched>(level);
        silence_is_noticed_after_the_tolerated_misses::<FixedWord>(level);
    }
}
