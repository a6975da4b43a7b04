//! What a chain makes of a map's tables, and what the interpreter makes of its layout: the same bytes, errors and replies.
//!
//! The devices answer anything, on maps with a check mostly with a correct one.

use std::convert::Infallible;

use embedded_hal::spi::{ErrorType, Operation, SpiDevice};
use proptest::prelude::*;
use proptest::sample::select;
use stepchain::map::{BridgeState, Direction, EdgeAction, Layout, Parameter, RegisterMap, StopRamp, Way};
use stepchain::reference::{FixedWord, Latched};
use stepchain::units::{Distance, Position, Unit, Value, Velocity};
use stepchain::{AxisCommand, Chain, Codec, Command, Error, Pending, Reply, ReplyError};
use stepchain_tests::maps::{Mirrored, Prefixed, Sibling, Twin};

const DEVICES: usize = 4;

/// Devices whose answers follow from a seed, with all frames that they were sent.
struct Bus {
    layout: &'static Layout,
    state: u64,
    frames: Vec<Vec<u8>>,
}

impl Bus {
    fn new(layout: &'static Layout, seed: u64) -> Self {
        Self { layout, state: seed | 1, frames: Vec::new() }
    }

    fn next(&mut self) -> u8 {
        self.state ^= self.state << 13;
        self.state ^= self.state >> 7;
        self.state ^= self.state << 17;
        // Zeros often: what a map fixes may be so.
        if self.state & 0x300 == 0 { 0 } else { self.state as u8 & (self.state >> 24) as u8 }
    }

    fn exchange(&mut self, frame: &mut [u8]) {
        self.frames.push(frame.to_vec());
        frame.iter_mut().for_each(|byte| *byte = self.next());
        let unit = usize::from(self.layout.wire.unit_bits) / 8;
        let is_spoilt = self.next() & 7 == 7;
        if let (Some(crc), false) = (self.layout.wire.crc, is_spoilt) {
            for word in frame.chunks_exact_mut(unit) {
                let (check, bytes) = word.split_last_mut().unwrap();
                // A status word's middle is fixed to zero in some words.
                if bytes[0] & 1 == 0 {
                    bytes[1..3].fill(0);
                }
                let fed = bytes.iter().fold(crc.initial, |register, byte| {
                    (0..8).fold(register ^ byte, |r, _| if r & 0x80 == 0 { r << 1 } else { r << 1 ^ crc.polynomial })
                });
                *check = fed ^ crc.xor_out;
            }
        }
    }
}

impl ErrorType for Bus {
    type Error = Infallible;
}

impl SpiDevice for Bus {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), Infallible> {
        for operation in operations {
            if let Operation::TransferInPlace(frame) = operation {
                self.exchange(frame);
            }
        }
        Ok(())
    }
}

type Outcome = Result<Vec<Result<Reply, ReplyError>>, Error<Infallible>>;

/// By the interpreter, behind so many idle frames.
fn interpreted(bus: &mut Bus, commands: &[AxisCommand; DEVICES], is_in_doubt: bool) -> Outcome {
    let codec = Codec::new(bus.layout).unwrap();
    let mut pending = [Pending::default(); DEVICES];
    let mut buffer = [0; 8 * DEVICES];
    let talk = codec.begin(commands, &mut pending, &mut buffer).map_err(|error| match error {
        stepchain::BeginError::Command { device, error } => Error::Command { device, error },
        other => panic!("{other}"),
    })?;
    let mut talk = if is_in_doubt { talk.after_idle(codec.resync_frames()) } else { talk };
    while let Some(frame) = talk.next_frame() {
        bus.exchange(frame);
        talk.came_back();
    }
    Ok((0..DEVICES).map(|device| talk.reply(device).unwrap()).collect())
}

fn same<M: RegisterMap>(
    commands: &[AxisCommand; DEVICES],
    seed: u64,
    is_in_doubt: bool,
) -> Result<(), TestCaseError> {
    let layout = Chain::<M, Bus, DEVICES>::LAYOUT;
    let mut expected_bus = Bus::new(layout, seed);
    let expected = interpreted(&mut expected_bus, commands, is_in_doubt);
    let chain = || {
        let mut chain = Chain::<M, _, DEVICES>::new(Bus::new(layout, seed));
        if is_in_doubt {
            chain.doubt_step();
        }
        chain
    };
    let mut whole = chain();
    let found = whole.exchange(commands).map(Vec::from);
    prop_assert_eq!(&whole.release().frames, &expected_bus.frames);
    prop_assert_eq!(&found, &expected);

    let mut each = chain();
    let mut replies = Vec::new();
    let outcome = each.exchange_each(|device| commands[device], |device, reply| replies.push((device, reply)));
    prop_assert_eq!(&each.release().frames, &expected_bus.frames);
    let found = outcome.map(|()| {
        assert!(replies.iter().map(|(device, _)| *device).eq(0..DEVICES));
        replies.into_iter().map(|(_, reply)| reply).collect()
    });
    prop_assert_eq!(&found, &expected);
    Ok(())
}

fn velocity() -> impl Strategy<Value = Velocity> {
    prop_oneof![any::<i32>(), -4_000_000i32..4_000_000, Just(0)]
        .prop_map(|bits| Velocity::from_bits(bits.into()).unwrap())
}

fn microsteps() -> impl Strategy<Value = i32> {
    prop_oneof![any::<i32>(), -70_000..70_000, select(&[-(1 << 23), (1 << 23) - 1, 1 << 23, i32::MIN, i32::MAX][..])]
}

/// One of the map's own parameters, or any.
fn parameter(layout: &'static Layout) -> BoxedStrategy<Parameter> {
    let own: Vec<_> = layout.registers.iter().map(|register| register.parameter).collect();
    prop_oneof![9 => select(own), 1 => select(Parameter::PLAIN)].boxed()
}

/// A value of the unit of a parameter's register, or of any.
fn value(layout: &'static Layout, parameter: Parameter) -> impl Strategy<Value = Value> {
    let own = layout.register(parameter, 0).map_or(Unit::Code, |register| register.unit);
    let limits = layout.register(parameter, 0).map_or((0, 1), |register| register.coding.limits(own));
    (prop_oneof![9 => Just(own), 1 => select(Unit::ALL)], any::<u32>(), 0..5).prop_map(move |(unit, share, kind)| {
        let (min, max) = if kind == 0 { unit.range() } else { limits };
        let bits = match kind {
            1 => min,
            2 => max,
            3 => max + 1,
            _ => min + ((i128::from(max - min) * i128::from(share)) >> 32) as i64,
        };
        Value::from_bits(unit, bits).unwrap_or(Value::Code(share))
    })
}

fn command(layout: &'static Layout) -> BoxedStrategy<Command> {
    let way = select(&[Way::Shortest, Way::Positive, Way::Negative][..]);
    let ramp = select(&[StopRamp::Profile, StopRamp::Quick, StopRamp::None][..]);
    let bridge = select(&[BridgeState::Driven, BridgeState::Shorted, BridgeState::HighImpedance][..]);
    let action = select(&[EdgeAction::Probe, EdgeAction::Zero][..]);
    let plain = select(
        &[
            Command::Filler,
            Command::PeekStatus,
            Command::TakeStatus,
            Command::HomeOnCurrentPosition,
            Command::ReturnToZero,
            Command::ReturnToProbedPosition,
            Command::PulseInput { direction: Direction::Positive },
            Command::PulseInput { direction: Direction::Negative },
            Command::RestoreDefaults,
            Command::ResetNode,
            Command::FaultReset,
        ][..],
    );
    prop_oneof![
        2 => velocity().prop_map(|velocity| Command::MoveVelocity { velocity }),
        2 => microsteps().prop_map(|bits| Command::MoveRelative { distance: Distance::from_microsteps(bits) }),
        2 => (microsteps(), way).prop_map(|(bits, way)| {
            Command::MoveAbsolute { target: Position::from_microsteps(bits), way }
        }),
        1 => (ramp, bridge).prop_map(|(ramp, bridge)| Command::Stop { ramp, bridge }),
        1 => (velocity(), action.clone(), any::<bool>()).prop_map(|(velocity, action, is_switch)| {
            if is_switch {
                Command::SearchForSwitch { velocity, action }
            } else {
                Command::SearchForZero { velocity, action }
            }
        }),
        3 => parameter(layout).prop_map(Command::read),
        6 => parameter(layout).prop_flat_map(move |parameter| {
            value(layout, parameter).prop_map(move |value| Command::WriteParameter { parameter, value })
        }),
        1 => (parameter(layout), any::<u32>(), 0u32..32).prop_map(|(parameter, content, shift)| {
            Command::WriteContent { parameter, content: content >> shift }
        }),
        4 => plain,
    ]
    .boxed()
}

fn axis_command(layout: &'static Layout) -> BoxedStrategy<AxisCommand> {
    (command(layout), 0..20u8, 0..8u8).prop_map(|(command, axis, buffer_mode)| {
        // Nearly always an axis that exists, and seldom one that waits.
        let command = command.on(if axis >= 18 { axis - 17 } else { axis % 2 });
        if buffer_mode == 0 { command.buffered() } else { command }
    })
    .boxed()
}

fn commands(layout: &'static Layout) -> impl Strategy<Value = [AxisCommand; DEVICES]> {
    let all = [axis_command(layout), axis_command(layout), axis_command(layout), axis_command(layout)];
    // What one device cannot be asked, nobody is: so the others are simple then.
    (all, axis_command(layout), 0..4usize, 0..4).prop_map(|(mut all, single, place, kind)| {
        if kind > 0 {
            all = [Command::PeekStatus.on(0); DEVICES];
            all[place] = single;
        }
        all
    })
}

macro_rules! law {
    ($($name:ident for $map:ident;)*) => {
        proptest! {
            #![proptest_config(ProptestConfig::with_cases(3000))]
            $(
                #[test]
                fn $name(
                    commands in commands(Chain::<$map, Bus, DEVICES>::LAYOUT),
                    seed in any::<u64>(),
                    is_in_doubt in proptest::bool::weighted(0.2),
                ) {
                    same::<$map>(&commands, seed, is_in_doubt)?;
                }
            )*
        }
    };
}

law! {
    tables_say_what_the_layout_says_of_latched_units for Latched;
    tables_say_what_the_layout_says_of_fixed_words_with_a_check for FixedWord;
    tables_say_what_the_layout_says_of_two_axes for Twin;
    tables_say_what_the_layout_says_of_words_in_bytes for Prefixed;
    tables_say_what_the_layout_says_of_mirrored_words for Mirrored;
    tables_say_what_the_layout_says_of_a_sibling for Sibling;
}
