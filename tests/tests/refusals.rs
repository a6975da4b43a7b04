//! No refusal is silent: whatever devices are told, in whatever state, a call that says "done" was obeyed.
//!
//! Devices get commands, faults and time by lot; what the virtual device notes down in its log is held against what the
//! driver says. Beside the maps with a flag for refusals there is one without, which states only when it refuses.

use std::collections::BTreeMap;

use embassy_futures::block_on;
use stepchain::chain::RefusalNotice;
use stepchain::map::{
    BridgeState, Direction, EdgeAction, Flag, Layout, Parameter, RegisterMap, StatusBit, StatusLayout, StopRamp, Way,
};
use stepchain::reference::{FixedWord, Latched};
use stepchain::units::{Distance, Position, Value, Velocity};
use stepchain::{AsyncChain, AxisCommand, Chain, Command, Error};
use stepchain_sim::chain::{VirtualChain, VirtualSpi};
use stepchain_sim::device::{EventKind, Rejection};
use stepchain_tests::maps::{Mirrored, Prefixed, Twin};

/// Choices that follow from one number: a linear congruence with Knuth's MMIX constants (from memory), its high bits.
struct Choice(u64);

impl Choice {
    fn below(&mut self, count: usize) -> usize {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((self.0 >> 33) % count as u64) as usize
    }

    fn of<T: Copy>(&mut self, all: &[T]) -> T {
        all[self.below(all.len())]
    }

    fn command(&mut self, layout: &Layout) -> AxisCommand {
        let velocity = Velocity::from_steps_per_s(self.of(&[-150, -20, 20, 150])).unwrap();
        let distance = Distance::from_microsteps(self.of(&[-700, -1, 1, 900]));
        let target = Position::from_microsteps(self.of(&[-800, 0, 3, 1000]));
        let way = self.of(&[Way::Shortest, Way::Positive, Way::Negative]);
        let action = self.of(&[EdgeAction::Probe, EdgeAction::Zero]);
        let ramp = self.of(&[StopRamp::Profile, StopRamp::Quick, StopRamp::None]);
        let bridge = self.of(&[BridgeState::Driven, BridgeState::Shorted, BridgeState::HighImpedance]);
        let register = &layout.registers[self.below(layout.registers.len())];
        let written = register.value_of(register.reset).unwrap();
        // Custom registers set devices going in ways of their own.
        let is_custom = matches!(register.parameter, Parameter::Custom(_));
        let write = if is_custom { Command::PeekStatus } else { Command::write(register.parameter, written) };
        let command = self.of(&[
            Command::MoveVelocity { velocity },
            Command::MoveRelative { distance },
            Command::MoveRelative { distance },
            Command::MoveRelative { distance },
            Command::MoveAbsolute { target, way },
            Command::Stop { ramp, bridge },
            Command::Stop { ramp, bridge },
            write,
            write,
            write,
            Command::read(register.parameter),
            Command::PeekStatus,
            Command::HomeOnCurrentPosition,
            Command::ReturnToZero,
            Command::ReturnToProbedPosition,
            Command::SearchForSwitch { velocity, action },
            Command::SearchForZero { velocity, action },
            Command::PulseInput { direction: Direction::Positive },
            Command::RestoreDefaults,
            Command::FaultReset,
            Command::ResetNode,
            Command::Filler,
        ]);
        let asked = command.on(self.below(layout.axes.into()) as u8);
        if self.below(3) == 0 { asked.buffered() } else { asked }
    }
}

/// Why the devices have rejected words since the log was that long, with how many there are now.
fn rejections(bench: &VirtualChain, from: usize) -> (Vec<(usize, Rejection)>, usize) {
    let events = bench.events();
    let rejected = events[from..].iter().filter_map(|event| match event.kind {
        EventKind::CommandRejected { reason, .. } => Some((event.device.unwrap(), reason)),
        _ => None,
    });
    (rejected.collect(), events.len())
}

type Tally = BTreeMap<&'static str, usize>;

fn note(tally: &mut Tally, reason: Rejection) {
    let name = match reason {
        Rejection::WhileMoving => "while moving",
        Rejection::NotAtStandstill { .. } => "not at standstill",
        Rejection::BridgeNotOff { .. } => "bridge not off",
        Rejection::ShutOff => "shut off",
        Rejection::PlaceTaken => "place taken",
        _ => "other",
    };
    *tally.entry(name).or_default() += 1;
}

const FAULTS: [Flag; 3] = [Flag::Overcurrent, Flag::Undervoltage, Flag::Overtemperature];
const N: usize = 2;

/// The state of the machine by lot: time, and now and then a fault that comes or goes.
fn happen(bench: &VirtualChain, choice: &mut Choice) {
    bench.advance_ns(choice.of(&[0, 1_000_000, 40_000_000, 900_000_000]));
    if choice.below(12) == 0 {
        let (device, flag) = (choice.below(N), choice.of(&FAULTS));
        bench.set_condition(device, 0, flag, true);
    } else if choice.below(3) == 0 {
        for (device, flag) in (0..N).flat_map(|device| FAULTS.map(|flag| (device, flag))) {
            bench.set_condition(device, 0, flag, false);
        }
    }
}

/// An error of one device if and only if that device has rejected something since its status was taken.
fn what_is_rejected_is_told_and_nothing_else<M: RegisterMap>(seed: u64, by_async: bool) -> Tally {
    let layout = Chain::<M, VirtualSpi, N>::LAYOUT;
    assert_eq!(RefusalNotice::of(layout), RefusalNotice::ByLookAfter);
    let bench = VirtualChain::new(layout, N).unwrap();
    let (mut chain, mut awaited) = (Chain::<M, _, N>::new(bench.spi()), AsyncChain::<M, _, N>::new(bench.spi()));
    let (mut choice, mut tally, mut seen) = (Choice(seed), Tally::new(), bench.events().len());
    for _ in 0..600 {
        happen(&bench, &mut choice);
        let commands = [choice.command(layout), choice.command(layout)];
        let result = if by_async { block_on(awaited.send_each(&commands)) } else { chain.send_each(&commands) };
        let results = match result {
            Ok(results) => results,
            Err(Error::Command { .. }) => continue,
            Err(error) => panic!("{error}"),
        };
        let (rejected, _) = rejections(&bench, seen);
        for (device, (result, asked)) in results.into_iter().zip(commands).enumerate() {
            let reasons: Vec<_> = rejected.iter().filter(|(of, _)| *of == device).map(|(_, reason)| *reason).collect();
            let is_question =
                matches!(asked.command, Command::Filler | Command::PeekStatus | Command::ReadParameter { .. });
            // It forgets what a command that waited before it was refused.
            let is_reset = asked.command == Command::ResetNode && result.is_ok();
            assert!(
                is_question || is_reset || result.is_err() != reasons.is_empty(),
                "{asked:?}: {result:?}, {reasons:?}"
            );
            assert!(!is_question || result.is_ok(), "{asked:?}: {result:?}");
            reasons.into_iter().filter(|_| result.is_err()).for_each(|reason| note(&mut tally, reason));
        }
        assert!(chain.exchange(&[Command::TakeStatus; N]).unwrap().iter().all(Result::is_ok));
        seen = rejections(&bench, seen).1;
    }
    tally
}

fn on_both_fronts<M: RegisterMap>(kinds: &[&'static str]) {
    let mut tally = Tally::new();
    for seed in 0..10 {
        for (kind, count) in what_is_rejected_is_told_and_nothing_else::<M>(seed, seed % 2 == 1) {
            *tally.entry(kind).or_default() += count;
        }
    }
    for kind in kinds {
        assert!(tally.get(kind).is_some_and(|count| *count >= 5), "too few were refused `{kind}`: {tally:?}");
    }
}

#[test]
fn what_latched_rejects_is_told_and_nothing_else() {
    on_both_fronts::<Latched>(&["while moving", "not at standstill", "bridge not off", "shut off", "place taken"]);
}

#[test]
fn what_fixed_word_rejects_is_told_and_nothing_else() {
    on_both_fronts::<FixedWord>(&["not at standstill", "shut off", "place taken"]);
}

#[test]
fn what_the_maps_of_the_tests_reject_is_told_and_nothing_else() {
    on_both_fronts::<Mirrored>(&["while moving", "not at standstill", "shut off", "place taken"]);
    on_both_fronts::<Prefixed>(&["not at standstill", "shut off"]);
    on_both_fronts::<Twin>(&["shut off", "place taken"]);
}

/// Latched without a flag that tells a refusal. Its bridge tells a fault too: a fault shuts it off.
struct Mute;

impl RegisterMap for Mute {
    const LAYOUT: Layout = Latched::LAYOUT.status(
        StatusLayout::new(16, &[StatusBit::live(Flag::Busy, 0).active_low(), StatusBit::live(Flag::BridgeOff, 5)])
            .motion_states(Latched::LAYOUT.status.motion_states),
    );
}

/// Where the map states the refusal, the device never gets a command that it would reject; and what the driver holds
/// back, the device would have rejected.
#[test]
fn without_a_flag_what_the_map_says_is_refused_is_held_back_and_nothing_else() {
    const _: () = assert!(matches!(RefusalNotice::of(&Mute::LAYOUT), RefusalNotice::ByLookBefore));
    let is_stated = |reason: &Rejection| {
        matches!(reason, Rejection::WhileMoving | Rejection::NotAtStandstill { .. } | Rejection::BridgeNotOff { .. })
    };
    let (mut held_back, mut obeyed, mut just_over) = (0, 0, 0);
    for seed in 0..12 {
        let bench = VirtualChain::new(Chain::<Mute, VirtualSpi, N>::LAYOUT, N).unwrap();
        let (mut chain, mut choice) = (Chain::<Mute, _, N>::new(bench.spi()), Choice(seed));
        for _ in 0..600 {
            bench.advance_ns(choice.of(&[0, 1_000_000, 40_000_000, 900_000_000]));
            let commands = [choice.command(&Mute::LAYOUT), choice.command(&Mute::LAYOUT)];
            let before = bench.events().len();
            let result = if seed % 2 == 0 {
                chain.send(&commands)
            } else {
                block_on(AsyncChain::<Mute, _, N>::new(bench.spi()).send(&commands))
            };
            let (rejected, _) = rejections(&bench, before);
            assert!(!rejected.iter().any(|(_, reason)| is_stated(reason)), "{commands:?}: {rejected:?}");
            match result {
                Err(Error::NotNow { device, .. }) => {
                    held_back += 1;
                    let before = bench.events().len();
                    let mut alone = [AxisCommand::default(); N];
                    alone[device] = commands[device];
                    assert!(chain.exchange(&alone).unwrap()[device].is_ok());
                    let (rejected, _) = rejections(&bench, before);
                    just_over += usize::from(!rejected.iter().any(|(_, reason)| is_stated(reason)));
                }
                Ok(_) => obeyed += 1,
                Err(Error::Command { .. }) => {}
                Err(error) => panic!("{error}"),
            }
        }
    }
    assert!(held_back > 300 && obeyed > 300, "{held_back} held back, {obeyed} obeyed");
    // The motion may end between the look and the second time that the command is sent.
    assert!(just_over * 100 < held_back, "{just_over} of {held_back}");
}

/// A write that needs a standstill costs its own frames and those of one look, on a chain of any length.
#[test]
fn a_look_costs_the_frames_of_one_peek() {
    let bench = VirtualChain::new(Chain::<Latched, VirtualSpi, N>::LAYOUT, N).unwrap();
    let mut chain = Chain::<Latched, _, N>::new(bench.spi());
    let frames = |act: &mut dyn FnMut()| {
        let before = bench.frames();
        act();
        bench.frames() - before
    };
    let write = [Command::write(Parameter::ProfileVelocity, Value::Velocity(Velocity::steps_per_s::<300>())); N];
    let raw = frames(&mut || assert!(chain.exchange(&write).unwrap().iter().all(Result::is_ok)));
    let peek = frames(&mut || assert!(chain.exchange(&[Command::PeekStatus; N]).unwrap().iter().all(Result::is_ok)));
    let heeded = frames(&mut || assert!(chain.send(&write).is_ok()));
    assert_eq!((raw, peek, heeded), (3, 2, 5));
}
