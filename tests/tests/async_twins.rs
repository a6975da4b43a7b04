//! Bringing up, posting, verifying and recording on virtual chains by the async front: the same results as by the
//! blocking one, and the same bytes both ways. And what a future that is dropped amid its frames leaves behind.

use std::future::{Future, poll_fn};
use std::pin::pin;
use std::task::{Context, Poll, Waker};

use embassy_futures::block_on;
use embedded_hal::spi::{ErrorType, Operation};
use embedded_hal_async::spi::SpiDevice;
use stepchain::chain::{Counters, Doubt, Retries, Verifier, VerifyError};
use stepchain::map::{BridgeState, Flag, Parameter, RegisterMap, StopRamp, Way};
use stepchain::reference::{FixedWord, Latched};
use stepchain::units::{Distance, Position, Value, Velocity};
use stepchain::wiring::{self, WiringError};
use stepchain::{AsyncChain, Chain, Command, Mailbox, Recorder};
use stepchain_sim::chain::{VirtualChain, VirtualSpi};
use stepchain_tests::maps::{Mirrored, Prefixed, Twin};

/// Room for every frame of a test.
type Recorded<S> = Recorder<S, 400, 128>;

const FORWARDS: Command = Command::MoveRelative { distance: Distance::from_microsteps(640) };
const RUN: Command = Command::MoveVelocity { velocity: Velocity::steps_per_s::<100>() };
const VELOCITY: Velocity = Velocity::steps_per_s::<240>();
const STOP: Command = Command::Stop { ramp: StopRamp::None, bridge: BridgeState::Driven };

fn bench<M: RegisterMap>(devices: usize) -> VirtualChain {
    VirtualChain::new(Chain::<M, VirtualSpi, 3>::LAYOUT, devices).unwrap()
}

/// Whether a device turns as [`RUN`] says; not every map has a code for just that.
fn runs(bench: &VirtualChain, device: usize) -> bool {
    (bench.velocity_steps_per_s(device, 0) - 100.0).abs() < 0.01
}

/// What was recorded, as text, once it is sure that the bus has seen as many bytes and that none was left out.
fn dump<S>(recorder: &Recorded<S>, bench: &VirtualChain) -> String {
    assert_eq!(u64::from(recorder.count()), bench.frames());
    assert_eq!(recorder.frames().map(|frame| frame.length() as u64).sum::<u64>(), bench.bytes_on_wire());
    assert!(recorder.frames().all(|frame| !frame.is_cut() && !frame.is_unfinished() && !frame.has_failed()));
    let mut text = String::new();
    recorder.dump(&mut text).unwrap();
    assert_eq!(text.lines().count() as u64, bench.frames() + 1, "the ring is too small for the test");
    text
}

/// Counts the devices by both fronts; the record of what went over the bus is the same.
fn discovered<M: RegisterMap>(devices: usize) -> Result<usize, WiringError> {
    let mut buffer = vec![0; wiring::buffer_bytes(bench::<M>(devices).layout(), 12)];
    let bench_one = bench::<M>(devices);
    let mut spi = Recorded::new(bench_one.spi());
    let blocking = wiring::discover::<M, _>(&mut spi, &mut buffer).unwrap();
    let record = dump(&spi, &bench_one);

    let bench_two = bench::<M>(devices);
    let mut spi = Recorded::new(bench_two.spi());
    let asynchronous = block_on(wiring::discover_async::<M, _>(&mut spi, &mut buffer)).unwrap();
    assert_eq!(asynchronous, blocking);
    assert_eq!(dump(&spi, &bench_two), record);
    asynchronous
}

#[test]
fn both_fronts_count_alike_on_every_map() {
    assert_eq!([discovered::<Latched>(1), discovered::<Latched>(11)], [Ok(1), Ok(11)]);
    assert_eq!([discovered::<FixedWord>(1), discovered::<FixedWord>(5)], [Ok(1), Ok(5)]);
    assert_eq!([discovered::<Mirrored>(3), discovered::<Twin>(4)], [Ok(3), Ok(4)]);
    assert_eq!(discovered::<Prefixed>(3), Err(WiringError::Unsupported));
}

/// Checks the wires of what should be three devices by both fronts.
fn checked<M: RegisterMap>(devices: usize) -> Result<wiring::Report, WiringError> {
    let mut buffer = vec![0; wiring::buffer_bytes(bench::<M>(devices).layout(), 8)];
    let bench_one = bench::<M>(devices);
    let mut chain = Chain::<M, _, 3>::new(Recorded::new(bench_one.spi()));
    let blocking = chain.check_wiring(&mut buffer).unwrap();
    assert!(chain.is_in_step());
    let record = dump(&chain.release(), &bench_one);

    let bench_two = bench::<M>(devices);
    let mut chain = AsyncChain::<M, _, 3>::new(Recorded::new(bench_two.spi()));
    let asynchronous = block_on(chain.check_wiring(&mut buffer)).unwrap();
    assert!(chain.is_in_step());
    assert_eq!(asynchronous, blocking);
    assert_eq!(dump(&chain.release(), &bench_two), record);
    asynchronous
}

#[test]
fn both_fronts_check_the_wires_alike_on_every_map() {
    let reports = [checked::<Latched>(3), checked::<FixedWord>(3), checked::<Mirrored>(3), checked::<Twin>(3)];
    for report in reports.map(Result::unwrap) {
        assert_eq!((report.devices, report.counted, report.replies_checked), (3, true, true));
    }
    let uncounted = checked::<Prefixed>(3).unwrap();
    assert_eq!((uncounted.devices, uncounted.counted, uncounted.replies_checked), (3, false, true));
    let wrong = Err(WiringError::WrongCount { expected: 3, found: 4 });
    assert_eq!([checked::<Latched>(4), checked::<FixedWord>(4)], [wrong, wrong]);
}

/// More than are needed.
const PUMPS: usize = 6;

/// Posts for all devices and pumps until nothing waits, by both fronts.
fn both_pumps_answer_alike<M: RegisterMap, const AXES: usize>() {
    let post = |mailbox: &Mailbox<3, 4, AXES>| {
        mailbox.post(0, Command::TakeStatus).unwrap();
        mailbox.post(0, FORWARDS).unwrap();
        mailbox.post(0, Command::read(Parameter::ProfileVelocity)).unwrap();
        mailbox.post(1, Command::write(Parameter::ProfileVelocity, Velocity::steps_per_s::<250>())).unwrap();
        mailbox.post(1, RUN).unwrap();
        // What cannot be encoded comes back, and holds nobody up.
        let target = Position::from_microsteps(i32::MAX);
        mailbox.post(2, Command::MoveAbsolute { target, way: Way::Shortest }).unwrap();
        mailbox.post(2, FORWARDS).unwrap();
    };
    let mailbox = Mailbox::<3, 4, AXES>::new();
    post(&mailbox);
    let bench_one = bench::<M>(3);
    let mut chain = Chain::<M, _, 3>::new(Recorded::new(bench_one.spi()));
    let mut blocking = Vec::new();
    for _ in 0..PUMPS {
        blocking.push(mailbox.pump(&mut chain));
    }
    let record = dump(&chain.release(), &bench_one);

    let mailbox = Mailbox::<3, 4, AXES>::new();
    post(&mailbox);
    let bench_two = bench::<M>(3);
    let mut chain = AsyncChain::<M, _, 3>::new(Recorded::new(bench_two.spi()));
    let mut asynchronous = Vec::new();
    for _ in 0..PUMPS {
        asynchronous.push(block_on(mailbox.pump_async(&mut chain)));
    }
    assert_eq!(asynchronous, blocking);
    assert_eq!(dump(&chain.release(), &bench_two), record);

    assert!(asynchronous[0].is_err(), "a target of 2³¹ − 1 fits no map");
    assert_eq!(asynchronous[PUMPS - 1], Ok([None; 3]), "nothing waits any more");
    let answers: Vec<_> = asynchronous.iter().flatten().flatten().flatten().collect();
    assert_eq!(answers.len(), 6);
    assert!(answers.iter().all(|answer| answer.result.is_ok()), "{answers:?}");
    assert!(answers.iter().any(|answer| answer.result.unwrap().value.is_some()), "one was a read");
    bench_two.advance_ns(60_000_000_000);
    assert_eq!([bench_two.position(0, 0), bench_two.position(2, 0)], [640, 640]);
    assert!(runs(&bench_two, 1));
}

#[test]
fn both_pumps_answer_alike_on_every_map() {
    both_pumps_answer_alike::<Latched, 1>();
    both_pumps_answer_alike::<FixedWord, 1>();
    both_pumps_answer_alike::<Mirrored, 1>();
    both_pumps_answer_alike::<Prefixed, 1>();
    both_pumps_answer_alike::<Twin, 2>();
}

/// Verified calls that succeed, that a device refuses, and that come too late, by both fronts.
fn both_fronts_verify_alike<M: RegisterMap>() -> Counters {
    let calls = [
        [Command::TakeStatus; 3],
        [Command::write(Parameter::ProfileVelocity, VELOCITY), RUN, FORWARDS],
        [Command::read(Parameter::ProfileVelocity), Command::PeekStatus, Command::PeekStatus],
        // Device 1 turns, and its position can be written at standstill only.
        [STOP, Command::write(Parameter::PositionDemandValue, Position::from_microsteps(5)), STOP],
        // The flag that the refusal has raised is still up.
        [STOP; 3],
    ];
    let bench_one = bench::<M>(3);
    let mut chain = Chain::<M, _, 3>::new(Recorded::new(bench_one.spi()));
    let mut verifier_one = Verifier::new(Retries::times(2));
    let blocking = calls.map(|commands| chain.send_verified(&commands, &mut verifier_one));
    let record = dump(&chain.release(), &bench_one);

    let bench_two = bench::<M>(3);
    let mut chain = AsyncChain::<M, _, 3>::new(Recorded::new(bench_two.spi()));
    let mut verifier = Verifier::new(Retries::times(2));
    let asynchronous = calls.map(|commands| block_on(chain.send_verified(&commands, &mut verifier)));
    assert_eq!(asynchronous, blocking);
    assert_eq!(verifier, verifier_one);
    assert_eq!(dump(&chain.release(), &bench_two), record);

    let [taken, told, read, refused, stale] = asynchronous;
    assert!(taken.is_ok() && told.is_ok(), "{taken:?}, {told:?}");
    let Some(Value::Velocity(read)) = read.unwrap()[0].value else { panic!("{read:?}") };
    assert_eq!(
        M::LAYOUT.register(Parameter::ProfileVelocity, 0).map(|register| register.quantised(VELOCITY.into())),
        Some(Ok(read.into()))
    );
    assert!(matches!(refused, Err(VerifyError::Device { device: 1, doubt: Doubt::Rejected, .. })), "{refused:?}");
    let flag = Flag::CommandRejected;
    assert!(
        matches!(stale, Err(VerifyError::Device { device: 1, doubt: Doubt::Stale { flag: up }, .. }) if up == flag)
    );
    *verifier.counters()
}

#[test]
fn both_fronts_verify_alike_on_every_map() {
    let counters = [
        both_fronts_verify_alike::<Latched>(),
        both_fronts_verify_alike::<FixedWord>(),
        both_fronts_verify_alike::<Mirrored>(),
        both_fronts_verify_alike::<Prefixed>(),
        both_fronts_verify_alike::<Twin>(),
    ];
    for counters in counters {
        assert_eq!((counters.calls, counters.rejected, counters.retries), (5, 1, 0), "{counters:?}");
    }
}

/// A bus that keeps a future waiting once in every transaction: before the bytes leave, or once they have.
struct Slow<S> {
    spi: S,
    waits_behind: bool,
}

impl<S: ErrorType> ErrorType for Slow<S> {
    type Error = S::Error;
}

impl<S: SpiDevice> SpiDevice for Slow<S> {
    async fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), S::Error> {
        if self.waits_behind {
            self.spi.transaction(operations).await?;
        }
        let mut has_waited = false;
        poll_fn(|_| if std::mem::replace(&mut has_waited, true) { Poll::Ready(()) } else { Poll::Pending }).await;
        if self.waits_behind { Ok(()) } else { self.spi.transaction(operations).await }
    }
}

/// Polls a future so often and drops it; whether it had come to its end.
fn dropped_after<F: Future>(polls: usize, future: F) -> bool {
    let mut future = pin!(future);
    let mut context = Context::from_waker(Waker::noop());
    (0..polls).any(|_| future.as_mut().poll(&mut context).is_ready())
}

/// Drops a call after every possible number of polls; gives how many there are.
fn a_dropped_call_is_recorded_and_made_good_for<M: RegisterMap>(waits_behind: bool) -> usize {
    for polls in 0.. {
        let bench = bench::<M>(3);
        let mut chain = AsyncChain::<M, _, 3>::new(Recorded::new(Slow { spi: bench.spi(), waits_behind }));
        let is_over = dropped_after(polls, chain.send_all(FORWARDS));
        assert_eq!(chain.is_in_step(), is_over || polls == 0, "{polls} polls");
        // By hand: each poll but the first ends a transaction, and each but the last begins one.
        let unfinished = chain.spi().frames().filter(|frame| frame.is_unfinished()).count();
        assert_eq!(unfinished, usize::from(polls > 0 && !is_over), "{polls} polls");
        let recorded = chain.spi().count() as usize;
        assert_eq!(recorded, if is_over { polls - 1 } else { polls }, "{polls} polls");
        let on_the_wire = if waits_behind { recorded } else { recorded - unfinished };
        assert_eq!(bench.frames() as usize, on_the_wire, "{polls} polls");

        // What was half sent and completed with filler may have raised a flag, which would speak against the next command.
        block_on(chain.send_all(Command::TakeStatus)).unwrap();
        block_on(chain.send_all(STOP)).unwrap();
        block_on(chain.send_all(RUN)).unwrap();
        bench.advance_ns(20_000_000_000);
        for device in 0..3 {
            assert!(runs(&bench, device), "device {device} after {polls} polls");
        }
        if is_over {
            return polls;
        }
    }
    0
}

#[test]
fn a_dropped_call_is_recorded_and_made_good_for_on_every_map() {
    for waits_behind in [false, true] {
        let polls = [
            a_dropped_call_is_recorded_and_made_good_for::<Latched>(waits_behind),
            a_dropped_call_is_recorded_and_made_good_for::<FixedWord>(waits_behind),
            a_dropped_call_is_recorded_and_made_good_for::<Mirrored>(waits_behind),
            a_dropped_call_is_recorded_and_made_good_for::<Prefixed>(waits_behind),
            a_dropped_call_is_recorded_and_made_good_for::<Twin>(waits_behind),
        ];
        // By hand: one to begin with, as many as the move has units or writes, and those of the look at the status: its
        // request's and its reply's.
        assert_eq!(polls, [1 + 2 + 2, 1 + 2 + 2, 1 + 1 + 2, 1 + 6 + 4, 1 + 2 + 2]);
    }
}
