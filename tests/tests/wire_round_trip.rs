//! What the driver encodes, shifted bit by bit through N devices and decoded by code of its own, is what was asked:
//! on the reference maps, the maps of these tests, random ones, and random mixtures on one wire form.

use embedded_hal::spi::SpiDevice;
use proptest::prelude::*;
use stepchain::map::{
    Access, Coding, CommandForm, Devices, Direction, Layout, Parameter, Piece, Register, RegisterMap, Request, Source,
    Verb,
};
use stepchain::reference::{FixedWord, Latched};
use stepchain::units::{Distance, Position, Unit, Value, Velocity};
use stepchain::{AxisCommand, Codec, Command, Pending, ReplyError};
use stepchain_sim::chain::VirtualChain;
use stepchain_sim::decode::{Argument, Assembler, Decoded, Dictionary, nearest_code, value_of};
use stepchain_sim::random_map;
use stepchain_sim::wire::{BusEvent, ShiftRegisters, bits_of};
use stepchain_tests::maps::{Mirrored, Prefixed, Twin};

/// Choices that follow from one number: SplitMix64 (from memory, Steele, Lea and Flood 2014), enough for a test.
struct Choice(u64);

impl Choice {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    fn below(&mut self, count: usize) -> usize {
        (self.next() % count as u64) as usize
    }

    /// A number in the range, its edges more often than others.
    fn within(&mut self, (min, max): (i64, i64)) -> i64 {
        match self.below(8) {
            0 => min,
            1 => max,
            _ => min + (u128::from(self.next()) % ((max - min) as u128 + 1)) as i64,
        }
    }
}

/// How a form codes its argument, if it has one, and whether the sign is sent apart.
fn argument_of(layout: &Layout, form: &CommandForm, axis: u8) -> (Option<Coding>, bool) {
    match form.request {
        Request::Word(pieces) => {
            let coding = pieces.iter().find_map(|piece| match *piece {
                Piece::Velocity { coding, .. } | Piece::Distance { coding, .. } | Piece::Position { coding, .. } => {
                    Some(coding)
                }
                _ => None,
            });
            (coding, pieces.iter().any(|piece| matches!(piece, Piece::Direction { .. })))
        }
        Request::Writes(writes) => {
            let write = writes.iter().find(|write| write.source == Source::Argument);
            let apart = writes.iter().any(|write| matches!(write.source, Source::Direction { .. }));
            (write.map(|write| layout.register(write.parameter, axis).unwrap().coding), apart)
        }
    }
}

/// A command that the layout can express, with any argument that its codes can mean.
fn any_command(layout: &Layout, choice: &mut Choice) -> AxisCommand {
    let axis = choice.below(layout.axes.into()) as u8;
    let form = &layout.commands[choice.below(layout.commands.len())];
    let verb = form.verb;
    let mut argument = |unit: Unit, counter: (i64, i64)| {
        let (coding, apart) = argument_of(layout, form, axis);
        // What only has a direction takes any magnitude.
        let (min, max) = coding.map_or((0, 1 << 20), |coding| coding.limits(unit));
        let bits = choice.within((min.max(counter.0), max.min(counter.1)));
        if apart && choice.below(2) == 1 { -bits } else { bits }
    };
    let command = match verb {
        Verb::MoveVelocity => {
            let bits = argument(Unit::StepsPerSecond, (i64::MIN, i64::MAX));
            Command::MoveVelocity { velocity: Velocity::from_bits(bits).unwrap() }
        }
        Verb::SearchForSwitch(action) => {
            let bits = argument(Unit::StepsPerSecond, (i64::MIN, i64::MAX));
            Command::SearchForSwitch { velocity: Velocity::from_bits(bits).unwrap(), action }
        }
        Verb::SearchForZero(action) => {
            let bits = argument(Unit::StepsPerSecond, (i64::MIN, i64::MAX));
            Command::SearchForZero { velocity: Velocity::from_bits(bits).unwrap(), action }
        }
        Verb::PulseInput => {
            let direction = if choice.below(2) == 0 { Direction::Positive } else { Direction::Negative };
            Command::PulseInput { direction }
        }
        Verb::ReturnToZero => Command::ReturnToZero,
        Verb::ReturnToProbedPosition => Command::ReturnToProbedPosition,
        Verb::RestoreDefaults => Command::RestoreDefaults,
        Verb::ResetNode => Command::ResetNode,
        Verb::FaultReset => Command::FaultReset,
        Verb::MoveRelative => {
            let bits = argument(Unit::Microsteps, (i64::MIN, i64::MAX));
            Command::MoveRelative { distance: Distance::from_bits(bits).unwrap() }
        }
        Verb::MoveAbsolute(way) => {
            let bits = argument(Unit::Microsteps, layout.position.range());
            Command::MoveAbsolute { target: Position::from_bits(bits).unwrap(), way }
        }
        Verb::Stop(ramp, bridge) => Command::Stop { ramp, bridge },
        Verb::PeekStatus => Command::PeekStatus,
        Verb::TakeStatus => Command::TakeStatus,
        Verb::HomeOnCurrentPosition => Command::HomeOnCurrentPosition,
        Verb::ReadParameter => {
            let register = pick(layout, axis, choice, |_| true);
            register.map_or(Command::Filler, |parameter| Command::ReadParameter { parameter })
        }
        Verb::WriteParameter => {
            // One of several fields is written after a read; what that needs is tried end to end.
            let writable =
                |register: &Register| register.access != Access::ReadOnly && !layout.is_shared(register.address);
            pick(layout, axis, choice, writable).map_or(Command::Filler, |parameter| {
                let register = layout.register(parameter, axis).unwrap();
                let bits = choice.within(register.coding.limits(register.unit));
                Command::WriteParameter { parameter, value: Value::from_bits(register.unit, bits).unwrap() }
            })
        }
        other => panic!("this test does not know `{}`", other.name()),
    };
    AxisCommand { buffer_mode: form.buffer_mode, ..command.on(axis) }
}

fn pick(layout: &Layout, axis: u8, choice: &mut Choice, wanted: impl Fn(&Register) -> bool) -> Option<Parameter> {
    let found: Vec<_> = layout.registers.iter().filter(|register| wanted(register)).collect();
    let parameter = found.get(choice.below(found.len().max(1)))?.parameter;
    layout.register(parameter, axis).filter(|register| wanted(register)).map(|register| register.parameter)
}

/// What a device decoded, and in which frame.
type Heard = Vec<(usize, Decoded)>;

/// Encodes the commands, clocks every frame through the devices' registers, and decodes what each latched.
fn carried(devices: Devices, commands: &[AxisCommand]) -> Vec<Heard> {
    let codec = Codec::for_devices(devices).unwrap();
    let mut pending = vec![Pending::default(); commands.len()];
    let mut buffer = vec![0; codec.frame_bytes(commands.len())];
    let mut talk = codec.begin(commands, &mut pending, &mut buffer).unwrap();
    let mut registers = ShiftRegisters::new(&devices.layout(0).wire, commands.len());
    let dictionaries: Vec<_> = (0..commands.len()).map(|device| Dictionary::new(devices.layout(device))).collect();
    let mut assemblers = vec![Assembler::new(); commands.len()];
    let mut heard = vec![Heard::new(); commands.len()];
    let mut frames = 0;
    while let Some(frame) = talk.next_frame() {
        let mut miso = Vec::new();
        registers.take(BusEvent::Select, &mut miso);
        registers.take(BusEvent::Bits(&bits_of(frame)), &mut miso);
        let latched = registers.take(BusEvent::Deselect, &mut miso).unwrap();
        let units = latched.units.into_iter().zip(&dictionaries);
        for (((unit, dictionary), assembler), heard) in units.zip(&mut assemblers).zip(&mut heard) {
            match assembler.push(unit, dictionary) {
                Decoded::Filler | Decoded::PartOf { .. } => {}
                decoded => heard.push((frames, decoded)),
            }
        }
        frames += 1;
    }
    heard
}

/// Whether the code means the value as nearly as any code can, by the simulator's own arithmetic. The driver compares
/// codes by what they read in the unit's fixed point, each half a bit off at most: of two codes whose distances differ by
/// less than a bit, either will do.
fn is_nearest(code: u32, coding: &Coding, wanted: f64, unit: Unit) -> bool {
    let error = |code| value_of(code, coding).map(|value| (value - wanted).abs());
    let (Some(found), Some(best)) = (error(code), error(nearest_code(wanted, coding))) else {
        return false;
    };
    found <= best + wanted.abs() * 1e-12 + 2f64.powi(-i32::from(unit.fraction_bits()))
}

fn physical(bits: i64, unit: Unit) -> f64 {
    bits as f64 / 2f64.powi(unit.fraction_bits().into())
}

/// Whether `heard` is the command that was asked, and nothing else.
fn is_as_asked(layout: &Layout, asked: AxisCommand, heard: &[(usize, Decoded)]) -> bool {
    let AxisCommand { axis, command, buffer_mode } = asked;
    let Some(verb) = command.verb() else {
        return heard.is_empty();
    };
    let wanted = match command {
        Command::MoveVelocity { velocity }
        | Command::SearchForSwitch { velocity, .. }
        | Command::SearchForZero { velocity, .. } => Some(physical(velocity.to_bits(), Unit::StepsPerSecond)),
        Command::PulseInput { direction } => Some(if direction == Direction::Positive { 1.0 } else { -1.0 }),
        Command::MoveRelative { distance } => Some(physical(distance.to_bits(), Unit::Microsteps)),
        Command::MoveAbsolute { target, .. } => Some(physical(target.to_bits(), Unit::Microsteps)),
        _ => None,
    };
    let address_of = |parameter| layout.register(parameter, axis).unwrap().address;
    let form = layout.form_in(verb, buffer_mode).unwrap();
    let (coding, apart) = argument_of(layout, form, axis);
    match (command, form.request) {
        (Command::ReadParameter { parameter }, _) => {
            matches!(heard, [(_, Decoded::Read { address })] if *address == address_of(parameter))
        }
        (Command::WriteParameter { parameter, value }, _) => {
            let register = layout.register(parameter, axis).unwrap();
            let wanted = physical(value.to_bits(), register.unit);
            matches!(heard, [(_, Decoded::Write { address, content })]
                if *address == register.address
                    && is_nearest(content >> register.lsb, &register.coding, wanted, register.unit)
                    && content & ((1 << register.lsb) - 1) == 0)
        }
        (_, Request::Writes(writes)) => {
            heard.len() == writes.len()
                && heard.iter().zip(writes).all(|((_, decoded), write)| {
                    let register = layout.register(write.parameter, axis).unwrap();
                    let Decoded::Write { address, content } = *decoded else {
                        return false;
                    };
                    address == register.address
                        && match (write.source, wanted) {
                            (Source::Code(code), _) => content == code,
                            (Source::Direction { positive, .. }, Some(wanted)) if wanted >= 0.0 => content == positive,
                            (Source::Direction { negative, .. }, _) => content == negative,
                            (Source::Argument, Some(wanted)) => {
                                let wanted = if apart { wanted.abs() } else { wanted };
                                is_nearest(content, &register.coding, wanted, register.unit)
                            }
                            (Source::Argument, None) => false,
                        }
                })
        }
        (_, Request::Word(pieces)) => {
            let [(_, Decoded::Command { verb: found, buffer_mode: mode, axis: on, argument })] = heard else {
                return false;
            };
            let names_axis = pieces.iter().any(|piece| matches!(piece, Piece::Axis { .. }));
            let argument_is_right = match (argument, wanted) {
                (Argument::None, None) => true,
                (Argument::Direction(quantity), Some(wanted)) => {
                    coding.is_none() && quantity.value == Some(if wanted >= 0.0 { 1.0 } else { -1.0 })
                }
                (
                    Argument::Velocity(quantity) | Argument::Distance(quantity) | Argument::Position(quantity),
                    Some(wanted),
                ) => {
                    let (unit, wanted_code) = (verb.argument().unwrap(), if apart { wanted.abs() } else { wanted });
                    let code_is_right = is_nearest(quantity.code, &coding.unwrap(), wanted_code, unit);
                    // A magnitude may be rounded to zero, which has no sign; a signed code has been compared with it.
                    let sign_is_right = !apart || quantity.value.is_some_and(|value| value * wanted >= 0.0);
                    code_is_right && sign_is_right
                }
                _ => false,
            };
            *found == verb && *mode == buffer_mode && *on == if names_axis { axis } else { 0 } && argument_is_right
        }
    }
}

fn check(layout: &'static Layout, count: usize, seed: u64) -> Result<(), TestCaseError> {
    let count = (count..).find(|&count| layout.can_frame(count)).unwrap();
    check_all(layout.into(), count, seed)
}

fn check_all(devices: Devices, count: usize, seed: u64) -> Result<(), TestCaseError> {
    let mut choice = Choice(seed);
    let commands: Vec<_> = (0..count).map(|device| any_command(devices.layout(device), &mut choice)).collect();
    let heard = carried(devices, &commands);
    for (device, (&asked, heard)) in commands.iter().zip(&heard).enumerate() {
        let layout = devices.layout(device);
        prop_assert!(
            is_as_asked(layout, asked, heard),
            "map {}, device {device} of {count}: asked {asked:?}, heard {heard:?}",
            layout.name
        );
    }
    let mut edges = heard.iter().filter_map(|heard| heard.last().map(|(frame, _)| *frame));
    let first = edges.next();
    prop_assert!(edges.all(|edge| Some(edge) == first), "not all complete on one edge: {heard:?}");
    Ok(())
}

/// A chain of two random maps on one wire form, in any order; `None` if there is no such chain.
fn mixture(first: u64, second: u64, order: &[bool]) -> Option<Devices> {
    let one = random_map::layout(first);
    let other = random_map::layout_on(second, &one.wire)?;
    let layouts: Vec<_> = order.iter().map(|&is_other| if is_other { other } else { one }).collect();
    let devices = Devices::unlike(layouts.leak());
    assert_eq!(devices.validate(), Ok(()));
    devices.validate_count(order.len()).ok()?;
    Some(devices)
}

/// What every device answers to a read or a peek, on a virtual chain of its like, is what it holds.
fn check_replies(devices: Devices, count: usize, seed: u64) -> Result<(), TestCaseError> {
    let mut choice = Choice(seed);
    let layouts: Vec<_> = (0..count).map(|device| devices.layout(device)).collect();
    let bench = VirtualChain::unlike(layouts.clone().leak()).unwrap();
    let commands: Vec<_> = layouts
        .iter()
        .map(|layout| {
            let axis = choice.below(layout.axes.into()) as u8;
            match pick(layout, axis, &mut choice, |_| true) {
                Some(parameter) if choice.below(3) > 0 => Command::read(parameter).on(axis),
                _ => Command::PeekStatus.on(0),
            }
        })
        .collect();
    let codec = Codec::for_devices(devices).unwrap();
    let mut pending = vec![Pending::default(); count];
    let mut buffer = vec![0; codec.frame_bytes(count)];
    let mut talk = codec.begin(&commands, &mut pending, &mut buffer).unwrap();
    let mut spi = bench.spi();
    while let Some(frame) = talk.next_frame() {
        spi.transfer_in_place(frame).unwrap();
        talk.came_back();
    }
    for (device, (command, layout)) in commands.iter().zip(layouts).enumerate() {
        let reply = talk.reply(device).unwrap();
        match command.command {
            Command::ReadParameter { parameter } => {
                let register = layout.register(parameter, command.axis).unwrap();
                let code = (bench.read_register(device, register.address) & register.mask()) >> register.lsb;
                match register.value_of(code) {
                    Ok(value) => prop_assert_eq!(reply.unwrap().value, Some(value), "{}", layout.name),
                    Err(_) => {
                        let is_told = matches!(reply, Err(ReplyError::Meaningless { .. }));
                        prop_assert!(is_told, "{}: {reply:?}", layout.name);
                    }
                }
            }
            _ => {
                let told = layout.form(Verb::PeekStatus).unwrap().reply.iter().fold(0, |told, piece| match *piece {
                    Piece::Status { lsb, width } => told | (((1u128 << width) - 1) << lsb) as u64,
                    _ => told,
                });
                let status = reply.unwrap().status.unwrap();
                prop_assert_eq!(status.word() & told, bench.status(device) & told, "{}", layout.name);
            }
        }
    }
    Ok(())
}

fn chain_length() -> impl Strategy<Value = usize> {
    prop_oneof![Just(1), Just(2), Just(3), Just(8), Just(32)]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    #[test]
    fn any_command_arrives_on_every_map_of_ours(map in 0usize..5, devices in chain_length(), seed: u64) {
        const MAPS: [&Layout; 5] =
            [&Latched::LAYOUT, &FixedWord::LAYOUT, &Mirrored::LAYOUT, &Prefixed::LAYOUT, &Twin::LAYOUT];
        check(MAPS[map], devices, seed)?;
    }

    #[test]
    fn any_command_arrives_on_random_maps(map_seed in 0u64..400, devices in 1usize..6, seed: u64) {
        check(random_map::layout(map_seed), devices, seed)?;
    }

    #[test]
    fn any_command_arrives_on_random_mixtures(
        first in 0u64..400, second in 0u64..400, order in prop::collection::vec(any::<bool>(), 1..7), seed: u64,
    ) {
        if let Some(devices) = mixture(first, second, &order) {
            check_all(devices, order.len(), seed)?;
        }
    }

    #[test]
    fn every_device_of_a_random_mixture_answers_by_its_own_map(
        first in 0u64..400, second in 0u64..400, order in prop::collection::vec(any::<bool>(), 1..7), seed: u64,
    ) {
        if let Some(devices) = mixture(first, second, &order) {
            check_replies(devices, order.len(), seed)?;
        }
    }
}

/// Else the properties of mixtures would say little.
#[test]
fn most_random_maps_find_another_for_their_wire_form() {
    let found = (0..60).filter(|&seed| mixture(seed, seed + 1_000, &[false, true]).is_some()).count();
    assert!(found >= 30, "{found} of 60");
}
