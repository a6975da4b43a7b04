//! Both fronts put the same bytes on the wire, and both come back into step after an exchange that was cut off.

extern crate std;
use core::future::Future;
use core::pin::pin;
use core::task::{Context, Poll, Waker};
use core::time::Duration;
use std::vec;
use std::vec::Vec;

use embedded_hal::digital::{ErrorType as PinErrorType, PinState};
use embedded_hal::spi::{ErrorKind, ErrorType, Operation, SpiDevice};
use embedded_hal_async::delay::DelayNs;
use embedded_hal_async::digital::Wait;

use crate::chain::{PinWaitError, Procedure, StillError, UntilStill};
use crate::map::{BridgeState, Direction, EdgeAction, Parameter, RegisterMap, StopRamp, Way};
use crate::reference::{FixedWord, Latched};
use crate::units::{Amplitude, Distance, Position, Velocity};
use crate::{AsyncChain, AxisCommand, Chain, Command, Error};

/// A bus that answers with what a rule makes of the frame's number, and records what was sent. As a blocking device and
/// as an async one, which says "not yet" once before each transfer that it makes.
#[derive(Debug)]
pub(super) struct Bus {
    pub(super) sent: Vec<Vec<u8>>,
    pub(super) answer: fn(usize, &mut [u8]),
    /// Transfers with these numbers fail, with the bytes on the wire.
    pub(super) failing: Vec<usize>,
}

impl Bus {
    pub(super) fn new(answer: fn(usize, &mut [u8])) -> Self {
        Self { sent: vec![], answer, failing: vec![] }
    }

    fn shift(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), ErrorKind> {
        let [Operation::TransferInPlace(bytes)] = operations else { panic!("not one transfer in place") };
        let number = self.sent.len();
        self.sent.push(bytes.to_vec());
        (self.answer)(number, bytes);
        if self.failing.contains(&number) { Err(ErrorKind::Other) } else { Ok(()) }
    }
}

impl ErrorType for Bus {
    type Error = ErrorKind;
}

impl SpiDevice for Bus {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), ErrorKind> {
        self.shift(operations)
    }
}

impl embedded_hal_async::spi::SpiDevice for Bus {
    async fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), ErrorKind> {
        NotYet(false).await;
        self.shift(operations)
    }
}

/// A future that is ready when it is polled for the second time.
struct NotYet(bool);

impl Future for NotYet {
    type Output = ();

    fn poll(mut self: core::pin::Pin<&mut Self>, _: &mut Context<'_>) -> Poll<()> {
        if self.0 {
            return Poll::Ready(());
        }
        self.0 = true;
        Poll::Pending
    }
}

pub(super) fn block_on<F: Future>(future: F) -> F::Output {
    poll_times(future, 10_000).expect("the future never ends")
}

/// Polls so many times, then drops the future.
fn poll_times<F: Future>(future: F, times: usize) -> Option<F::Output> {
    let mut future = pin!(future);
    let mut context = Context::from_waker(Waker::noop());
    (0..times).find_map(|_| match future.as_mut().poll(&mut context) {
        Poll::Ready(output) => Some(output),
        Poll::Pending => None,
    })
}

/// Any bits, unlike from frame to frame.
fn noise(number: usize, bytes: &mut [u8]) {
    for (index, byte) in bytes.iter_mut().enumerate() {
        *byte = (number as u8 + 1).wrapping_mul(0x9D) ^ (index as u8).wrapping_mul(0x3B);
    }
}

fn every_command() -> Vec<AxisCommand> {
    let velocity = Velocity::from_steps_per_s(-321).unwrap();
    let distance = Distance::from_microsteps(-77);
    let target = Position::from_microsteps(12_345);
    let mut commands: Vec<AxisCommand> = vec![
        Command::Filler.on(0),
        Command::MoveVelocity { velocity }.on(0),
        Command::MoveRelative { distance }.on(0),
        Command::MoveRelative { distance }.buffered(),
        Command::MoveAbsolute { target, way: Way::Shortest }.buffered(),
        Command::PeekStatus.on(0),
        Command::TakeStatus.on(0),
        Command::HomeOnCurrentPosition.on(0),
        Command::ReturnToZero.on(0),
        Command::ReturnToProbedPosition.on(0),
        Command::RestoreDefaults.on(0),
        Command::ResetNode.on(0),
        Command::FaultReset.on(0),
        Command::read(Parameter::PositionDemandValue).on(0),
        Command::write(Parameter::ProfileVelocity, Velocity::from_steps_per_s(55).unwrap()).on(0),
        // In a register that it shares, so that it is read first.
        Command::write(Parameter::ConstantVelocityAmplitude, Amplitude::from_per_mille(111).unwrap()).on(0),
        Command::write(Parameter::SupplyCompensation, velocity).on(0),
        Command::PeekStatus.on(7),
    ];
    for way in [Way::Shortest, Way::Positive, Way::Negative] {
        commands.push(Command::MoveAbsolute { target, way }.on(0));
    }
    for direction in [Direction::Positive, Direction::Negative] {
        commands.push(Command::PulseInput { direction }.on(0));
    }
    for action in [EdgeAction::Probe, EdgeAction::Zero] {
        commands.push(Command::SearchForSwitch { velocity, action }.on(0));
        commands.push(Command::SearchForZero { velocity, action }.on(0));
    }
    for ramp in [StopRamp::Profile, StopRamp::Quick, StopRamp::None] {
        for bridge in [BridgeState::Driven, BridgeState::Shorted, BridgeState::HighImpedance] {
            commands.push(Command::Stop { ramp, bridge }.on(0));
        }
    }
    commands
}

fn the_same_bytes_for_every_command_of<M: RegisterMap>() {
    let mut frames = 0;
    for failing in [vec![], vec![0], vec![1]] {
        for command in every_command() {
            let commands = [Command::PeekStatus.on(0), command, Command::Filler.on(0)];
            let bus = || Bus { failing: failing.clone(), ..Bus::new(noise) };
            let (mut blocking, mut awaited) = (Chain::<M, _, 3>::new(bus()), AsyncChain::<M, _, 3>::new(bus()));
            // Twice, so that coming back into step after a failed transfer is compared too.
            for _ in 0..2 {
                assert_eq!(blocking.exchange(&commands), block_on(awaited.exchange(&commands)), "{command:?}");
                assert_eq!(blocking.is_in_step(), awaited.is_in_step());
            }
            assert_eq!(blocking.send_one(2, command), block_on(awaited.send_one(2, command)));
            assert_eq!(blocking.send_all(command.command), block_on(awaited.send_all(command.command)));
            assert_eq!(blocking.send_one(3, command), block_on(awaited.send_one(3, command)));
            let sent = blocking.release().sent;
            assert_eq!(sent, awaited.release().sent, "{command:?}");
            frames += sent.len();
        }
    }
    assert!(frames > 300, "most commands were sent: {frames}");
}

#[test]
fn both_fronts_send_the_same_bytes_for_every_command_and_read_the_same_replies() {
    the_same_bytes_for_every_command_of::<Latched>();
    the_same_bytes_for_every_command_of::<FixedWord>();
}

/// Delays that note down how long they were asked for, in nanoseconds.
#[derive(Default)]
struct Waited(Vec<u64>);

impl embedded_hal::delay::DelayNs for Waited {
    fn delay_ns(&mut self, ns: u32) {
        self.0.push(ns.into());
    }
}

impl DelayNs for Waited {
    async fn delay_ns(&mut self, ns: u32) {
        NotYet(false).await;
        self.0.push(ns.into());
    }
}

/// Of Latched, bit 0 is "busy", active low, and bits 3..2 the motion state; the status comes in the second of two
/// frames. Device 0 moves at constant velocity (11) for four polls, then stands.
fn comes_to_rest(number: usize, bytes: &mut [u8]) {
    bytes.fill(0);
    bytes[3] = if number < 8 { 0b1100 } else { 0b0001 };
}

#[test]
fn both_fronts_run_a_procedure_by_the_same_bytes_and_waits() {
    let period = Duration::from_micros(1500);
    let (mut a, mut b) = (UntilStill::<2>::new(1, period, 9), UntilStill::<2>::new(1, period, 9));
    let (mut blocking_delay, mut async_delay) = (Waited::default(), Waited::default());
    let mut blocking = Chain::<Latched, _, 2>::new(Bus::new(comes_to_rest));
    let mut awaited = AsyncChain::<Latched, _, 2>::new(Bus::new(comes_to_rest));
    blocking.run(&mut a, &mut blocking_delay).unwrap();
    block_on(awaited.run(&mut b, &mut async_delay)).unwrap();
    assert_eq!((a.result(), b.result()), (Ok(()), Ok(())));
    assert_eq!(blocking_delay.0, [1_500_000; 4]);
    assert_eq!(async_delay.0, blocking_delay.0);
    let sent = blocking.release().sent;
    assert_eq!(sent.len(), 10);
    assert_eq!(sent, awaited.release().sent);
}

#[test]
fn what_still_moves_after_the_last_poll_is_named() {
    let mut chain = Chain::<Latched, _, 2>::new(Bus::new(comes_to_rest));
    let mut still = UntilStill::new(1, Duration::ZERO, 4);
    chain.run(&mut still, &mut Waited::default()).unwrap();
    assert_eq!(still.result(), Err(StillError::Moving { device: 0, axis: 0 }));
    let mut never_asked = UntilStill::<2>::new(1, Duration::ZERO, 0);
    assert_eq!(never_asked.next(&mut [AxisCommand::default(); 2]), crate::chain::Step::Done);
    assert!(never_asked.result().is_err());
}

/// By hand: the longest commands of Latched are a write of two units' content, and a read with a reply of two: three
/// units. A move by 1 is 0x6800, 0x0001.
#[test]
fn wherever_a_future_is_dropped_the_next_call_begins_with_idle_frames() {
    let by_one = Command::MoveRelative { distance: Distance::from_microsteps(1) };
    // Not polled at all: nothing was sent, and nothing is doubted.
    let mut chain = AsyncChain::<Latched, _, 1>::new(Bus::new(noise));
    drop(chain.exchange(&[by_one]));
    assert!(chain.is_in_step());
    for polls in 1..=2 {
        let mut chain = AsyncChain::<Latched, _, 1>::new(Bus::new(noise));
        assert!(poll_times(chain.exchange(&[by_one]), polls).is_none());
        assert!(!chain.is_in_step());
        assert!(block_on(chain.exchange(&[Command::HomeOnCurrentPosition])).unwrap().iter().all(Result::is_ok));
        assert!(chain.is_in_step());
        assert!(block_on(chain.exchange(&[Command::HomeOnCurrentPosition])).unwrap().iter().all(Result::is_ok));
        let sent = chain.release().sent;
        assert_eq!(sent[..polls - 1], [[0x68, 0x00]][..polls - 1]);
        assert_eq!(sent[polls - 1..], [[0x7E, 0x7E], [0x7E, 0x7E], [0x7E, 0x7E], [0x4D, 0x5A], [0x4D, 0x5A]]);
    }
    let mut chain = AsyncChain::<Latched, _, 1>::new(Bus::new(noise));
    assert!(poll_times(chain.exchange(&[by_one]), 3).is_some(), "two transfers end with the third poll");
    assert!(chain.is_in_step());
}

/// Also filler alone, asked for to come into step, is sent then.
#[test]
fn a_failed_transfer_is_followed_by_idle_frames_and_a_second_failure_by_all_of_them_again() {
    let mut chain = Chain::<FixedWord, _, 1>::new(Bus { failing: vec![0, 1], ..Bus::new(noise) });
    let home = [Command::HomeOnCurrentPosition];
    assert_eq!(chain.exchange(&home), Err(Error::Spi(ErrorKind::Other)));
    assert_eq!(chain.exchange(&home), Err(Error::Spi(ErrorKind::Other)));
    assert!(chain.exchange(&[Command::Filler]).unwrap().iter().all(Result::is_ok));
    assert!(chain.exchange(&home).unwrap().iter().all(Result::is_ok));
    let sent = chain.release().sent;
    // Filler is a read of address 0: all zeros but the check. Home writes 9 to 0x12.
    let kinds: Vec<_> = sent.iter().map(|frame| (frame[0], frame[4])).collect();
    assert_eq!(kinds, [(0x92, 9), (0, 0), (0, 0), (0x92, 9)]);
}

#[test]
fn a_command_that_cannot_be_encoded_leaves_the_chain_in_step() {
    let mut chain = Chain::<Latched, _, 1>::new(Bus::new(noise));
    assert!(chain.send_all(Command::read(Parameter::SupplyVoltage)).is_err());
    assert!(chain.is_in_step());
    chain.doubt_step();
    assert!(chain.send_all(Command::read(Parameter::SupplyVoltage)).is_err());
    assert!(!chain.is_in_step(), "nothing was sent that could have brought it into step");
}

/// A line that reaches its level when it is asked for the second time.
struct BusyLine {
    reached: Option<PinState>,
}

impl PinErrorType for BusyLine {
    type Error = core::convert::Infallible;
}

impl Wait for BusyLine {
    async fn wait_for_high(&mut self) -> Result<(), Self::Error> {
        NotYet(false).await;
        self.reached = Some(PinState::High);
        Ok(())
    }

    async fn wait_for_low(&mut self) -> Result<(), Self::Error> {
        NotYet(false).await;
        self.reached = Some(PinState::Low);
        Ok(())
    }

    async fn wait_for_rising_edge(&mut self) -> Result<(), Self::Error> {
        unreachable!("an edge may have been before")
    }

    async fn wait_for_falling_edge(&mut self) -> Result<(), Self::Error> {
        unreachable!("an edge may have been before")
    }

    async fn wait_for_any_edge(&mut self) -> Result<(), Self::Error> {
        unreachable!("an edge may have been before")
    }
}

#[test]
fn a_busy_pin_is_waited_for_before_anything_is_sent_and_the_status_has_the_last_word() {
    for idle in [PinState::Low, PinState::High] {
        let mut chain = AsyncChain::<Latched, _, 2>::new(Bus::new(comes_to_rest));
        let (mut line, mut delay) = (BusyLine { reached: None }, Waited::default());
        let mut still = UntilStill::new(1, Duration::from_millis(1), 9);
        assert!(poll_times(chain.wait_for_pin(&mut line, idle, &mut still, &mut delay), 1).is_none());
        assert!(chain.spi().sent.is_empty() && chain.is_in_step());
        let waited: Result<(), PinWaitError<_, _>> =
            block_on(chain.wait_for_pin(&mut line, idle, &mut still, &mut delay));
        assert_eq!(waited, Ok(()));
        assert_eq!((line.reached, still.result()), (Some(idle), Ok(())));
        assert_eq!(delay.0.len(), 4, "the line said idle too early");
    }
}

#[cfg(feature = "mailbox")]
mod mailbox {
    use super::*;
    use crate::Mailbox;
    use crate::mailbox::PumpFault;

    /// By hand: 100 steps/s is 0xB400, 0x1388; a move by 3 is 0x6800, 0x0003; peek is 0xE000, and its status comes while
    /// filler, 0x7E7E, is sent.
    #[test]
    fn both_pumps_send_the_same_and_a_dropped_one_gives_back_what_must_not_arrive_twice() {
        let steps = Velocity::from_steps_per_s(100).unwrap();
        let mailbox = Mailbox::<2, 2>::new();
        let post = || {
            mailbox.post(0, Command::MoveVelocity { velocity: steps }).unwrap();
            mailbox.post(1, Command::MoveRelative { distance: Distance::from_microsteps(3) }).unwrap()
        };
        let mut chain = AsyncChain::<Latched, _, 2>::new(Bus::new(noise));
        let mut blocking = Chain::<Latched, _, 2>::new(Bus::new(noise));
        post();
        let [first, second] = block_on(mailbox.pump_async(&mut chain)).unwrap();
        assert!(first.is_some() && second.is_some());
        post();
        mailbox.pump(&mut blocking).unwrap();
        assert_eq!(chain.spi().sent, blocking.release().sent);

        let ticket = post();
        assert!(poll_times(mailbox.pump_async(&mut chain), 2).is_none());
        let error = block_on(mailbox.pump_async(&mut chain)).unwrap_err();
        assert_eq!(error.error, PumpFault::Unaccounted);
        assert_eq!(error.given_back.map(|posted| posted.map(|posted| posted.ticket)), [None, Some(ticket)]);
        let [first, second] = block_on(mailbox.pump_async(&mut chain)).unwrap();
        assert_eq!(
            (first.map(|answer| answer.posted.command.command), second),
            (Some(Command::MoveVelocity { velocity: steps }), None)
        );
        let sent = chain.release().sent;
        assert_eq!(sent[2..4], [[0xE0, 0x00, 0xE0, 0x00], [0x7E; 4]], "the first pump's look");
        assert_eq!(sent[4], [0x68, 0x00, 0xB4, 0x00], "the pump that was dropped");
        assert_eq!(sent[5..8], [[0x7E; 4]; 3]);
        assert_eq!(sent[8..10], [[0x7E, 0x7E, 0xB4, 0x00], [0x7E, 0x7E, 0x13, 0x88]]);
        assert_eq!(sent[10..], [[0x7E, 0x7E, 0xE0, 0x00], [0x7E; 4]], "nothing is asked of the other device");
    }
}
