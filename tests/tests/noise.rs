//! Every single bit of a verified call spoilt in turn, in either direction, on virtual chains.
//!
//! A spoilt bit is *noticed* if the call fails, or the next one does. It is *harmless* if the devices have obeyed the
//! same commands and hold the same as without it, and the call gives the same replies. What is neither must be in the
//! list that the driver's documentation gives.

use std::cell::Cell;
use std::collections::BTreeSet;
use std::rc::Rc;

use embedded_hal::spi::{ErrorType, Operation, SpiDevice};
use stepchain::chain::{Retries, Verifier, VerifyError};
use stepchain::map::{BridgeState, BufferMode, Direction, EdgeAction, Parameter, RegisterMap, StopRamp, Verb, Way};
use stepchain::reference::{FixedWord, Latched};
use stepchain::units::{Acceleration, Distance, Position, Velocity};
use stepchain::{AxisCommand, Chain, Command, Reply};
use stepchain_sim::chain::{BusError, VirtualChain, VirtualSpi};
use stepchain_sim::device::EventKind;

#[derive(Clone, Copy, Debug, PartialEq)]
enum Line {
    Mosi,
    Miso,
}

/// A bus that spoils one bit, counted from the first one since it was made.
#[derive(Clone)]
struct Noisy {
    spi: VirtualSpi,
    spoilt: Option<(Line, usize)>,
    bits: Rc<Cell<usize>>,
}

impl ErrorType for Noisy {
    type Error = BusError;
}

impl SpiDevice for Noisy {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), BusError> {
        let [Operation::TransferInPlace(bytes)] = operations else { panic!("not one transfer in place") };
        let begun = self.bits.get();
        self.bits.set(begun + 8 * bytes.len());
        let place = |line| self.spoilt.filter(|(spoilt, _)| *spoilt == line)?.1.checked_sub(begun);
        let spoil = |bytes: &mut [u8], place: Option<usize>| {
            if let Some(byte) = place.and_then(|place| bytes.get_mut(place / 8)) {
                *byte ^= 0x80 >> (place.unwrap() % 8);
            }
        };
        spoil(bytes, place(Line::Mosi));
        self.spi.transfer_in_place(bytes)?;
        spoil(bytes, place(Line::Miso));
        Ok(())
    }
}

/// What a call has come to.
#[derive(Clone, Debug, PartialEq)]
struct Outcome {
    result: Result<[Reply; 2], VerifyError<BusError>>,
    /// Whether a call after it, of nothing but questions, fails.
    shows_later: bool,
    /// What the devices have obeyed that changes anything.
    done: Vec<String>,
    bits: usize,
}

fn run<M: RegisterMap>(commands: [AxisCommand; 2], spoilt: Option<(Line, usize)>) -> Outcome {
    let bench = VirtualChain::new(Chain::<M, VirtualSpi, 2>::LAYOUT, 2).unwrap();
    let noisy = Noisy { spi: bench.spi(), spoilt, bits: Rc::default() };
    let mut chain = Chain::<M, _, 2>::new(noisy.clone());
    let mut verifier = Verifier::new(Retries::NONE);
    let result = chain.send_verified(&commands, &mut verifier);
    let bits = noisy.bits.get();
    let changes = |kind: &EventKind| match kind {
        EventKind::CommandAccepted { verb, .. } => *verb != Verb::PeekStatus,
        EventKind::RegisterWritten { .. } => true,
        _ => false,
    };
    let shows_later = chain.send_verified(&[Command::Filler; 2], &mut verifier).is_err();
    let events = bench.events().into_iter().filter(|event| changes(&event.kind));
    let done = events.map(|event| format!("{:?} {:?}", event.device, event.kind)).collect();
    Outcome { result, shows_later, done, bits }
}

/// Which lines have bits that go wrong without notice, and how many of how many.
fn missed<M: RegisterMap>(commands: [AxisCommand; 2]) -> (BTreeSet<&'static str>, usize, usize) {
    let clean = run::<M>(commands, None);
    assert!(clean.result.is_ok() && !clean.shows_later, "{clean:?}");
    let (mut kinds, mut count) = (BTreeSet::new(), 0);
    for line in [Line::Mosi, Line::Miso] {
        for bit in 0..clean.bits {
            let outcome = run::<M>(commands, Some((line, bit)));
            if outcome.result.is_err() || outcome.shows_later {
                continue;
            }
            let same_replies = outcome.result == clean.result;
            if outcome.done == clean.done && same_replies {
                continue;
            }
            count += 1;
            kinds.insert(match (line, outcome.done == clean.done) {
                (Line::Miso, _) => "a reply's bit",
                (Line::Mosi, true) => "another reply",
                (Line::Mosi, false) if outcome.done.iter().any(|done| done.contains("TakeStatus")) => {
                    "peek became take"
                }
                (Line::Mosi, false) => "another command",
            });
        }
    }
    (kinds, count, 2 * clean.bits)
}

fn velocity(steps_per_s: i32) -> Velocity {
    Velocity::from_steps_per_s(steps_per_s).unwrap()
}

/// Commands that the devices take in the state after power-up.
fn commands() -> Vec<AxisCommand> {
    let target = Position::from_microsteps(-1234);
    let mut commands = vec![
        Command::MoveVelocity { velocity: velocity(77) },
        Command::MoveRelative { distance: Distance::from_microsteps(777) },
        Command::write(Parameter::ProfileVelocity, velocity(444)),
        Command::write(Parameter::ProfileAcceleration, Acceleration::from_steps_per_s2(1200).unwrap()),
        Command::read(Parameter::ProfileVelocity),
        Command::HomeOnCurrentPosition,
        Command::SearchForSwitch { velocity: velocity(50), action: EdgeAction::Probe },
        Command::ReturnToZero,
        Command::ReturnToProbedPosition,
        Command::PulseInput { direction: Direction::Negative },
        Command::RestoreDefaults,
        Command::FaultReset,
        Command::ResetNode,
    ];
    commands.extend([EdgeAction::Probe, EdgeAction::Zero].map(|action| {
        let velocity = velocity(-5);
        Command::SearchForZero { velocity, action }
    }));
    commands.extend([Way::Shortest, Way::Positive, Way::Negative].map(|way| Command::MoveAbsolute { target, way }));
    for bridge in [BridgeState::Driven, BridgeState::Shorted, BridgeState::HighImpedance] {
        commands.push(Command::Stop { ramp: StopRamp::Quick, bridge });
    }
    let buffered = Command::MoveRelative { distance: Distance::from_microsteps(777) }.buffered();
    commands.into_iter().map(|command| command.on(0)).chain([buffered]).collect()
}

#[test]
fn with_a_check_on_the_wire_no_spoilt_bit_goes_unnoticed() {
    // Of commands that differ in one register's code alone, one will do: a run here is long.
    let is_twin = |command: Command| match command {
        Command::MoveAbsolute { way, .. } => way == Way::Negative,
        Command::Stop { bridge, .. } => bridge == BridgeState::Shorted,
        Command::SearchForZero { action, .. } => action == EdgeAction::Zero,
        _ => false,
    };
    let commands = commands().into_iter().filter(|command| !is_twin(command.command));
    for command in commands.chain([Command::TakeStatus.on(0)]) {
        let (kinds, count, of) = missed::<FixedWord>([command, Command::Filler.on(0)]);
        assert_eq!(count, 0, "{command:?}: {kinds:?}, {count} of {of}");
        assert!(of > 1000);
    }
}

/// By hand, from the drawing of Latched. Three peeks for each of two devices may become takes: six bits. Velocities have
/// 24 bits and a direction. Home is 01001 101, a bit from move relative, 01101 101; return to zero is 00101 000, a bit
/// from move relative and from 00101 001, return to probed position, which is itself a bit from move relative, 01101 001,
/// and from return to zero. A search for zero has a direction and no velocity, pulse input a direction. A buffered move
/// has a distance of 24 bits and a direction. A search for zero down that saves the position is 10100 001, a bit from
/// take, 11100 001. Take is a bit from it and from peek, and of its reply 14 bits are no telling flag. The bit that makes
/// a move wait changes nothing at standstill.
#[test]
fn without_a_check_what_goes_unnoticed_is_what_the_documentation_lists() {
    const PEEKS: usize = 6;
    for command in commands().into_iter().chain([Command::TakeStatus.on(0)]) {
        let (kinds, count, of) = missed::<Latched>([command, Command::Filler.on(0)]);
        let reply_bits = if command.command == Command::TakeStatus { 14 } else { 0 };
        let others = match command.command {
            Command::MoveVelocity { .. } | Command::SearchForSwitch { .. } => 25,
            Command::MoveRelative { .. } if command.buffer_mode == BufferMode::Buffered => 25,
            Command::TakeStatus | Command::SearchForZero { action: EdgeAction::Probe, .. } => 2,
            Command::HomeOnCurrentPosition | Command::SearchForZero { .. } | Command::PulseInput { .. } => 1,
            Command::ReturnToZero | Command::ReturnToProbedPosition => 2,
            _ => 0,
        };
        assert_eq!(count, PEEKS + others + reply_bits, "{command:?}: {kinds:?}, {count} of {of}");
        let mut expected = BTreeSet::from(["peek became take"]);
        expected.extend((others > 0).then_some("another command"));
        expected.extend((reply_bits > 0).then_some("a reply's bit"));
        assert_eq!(kinds, expected, "{command:?}");
    }
}
