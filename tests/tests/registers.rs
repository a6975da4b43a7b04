//! What is written over the bus is what a register then holds, its neighbours stay, and it is read back as its code
//! means: through driver and virtual chain, on the maps of these tests and on random ones.

use proptest::prelude::*;
use stepchain::map::{Access, Flag, Layout, Parameter, Register, RegisterMap, Request};
use stepchain::reference::{FixedWord, Latched};
use stepchain::units::Value;
use stepchain::{AxisCommand, Codec, Command, Pending, Reply};
use stepchain_sim::chain::{VirtualChain, VirtualSpi};
use stepchain_sim::device::EventKind;
use stepchain_sim::random_map;
use stepchain_tests::maps::{Mirrored, Prefixed, Twin};

use embedded_hal::spi::SpiDevice;

/// A register that can be written at any time and holds what is written, with no motion behind it.
fn is_plain(layout: &Layout, register: &Register) -> bool {
    let is_live = matches!(
        register.parameter,
        Parameter::PositionDemandValue
            | Parameter::PositionActualValue
            | Parameter::VelocityDemandValue
            | Parameter::ElectricalAngle
    );
    let sets_going = layout.commands.iter().any(|form| match form.request {
        Request::Writes(writes) => writes.iter().any(|write| write.parameter == register.parameter),
        Request::Word(_) => false,
    });
    register.access == Access::Always && !is_live && !sets_going
}

/// One call on the virtual bus.
fn call(codec: &Codec, spi: &mut VirtualSpi, commands: &[AxisCommand]) -> Vec<Reply> {
    let mut pending = vec![Pending::default(); commands.len()];
    let mut buffer = vec![0; codec.frame_bytes(commands.len())];
    let mut talk = codec.begin(commands, &mut pending, &mut buffer).unwrap();
    while let Some(frame) = talk.next_frame() {
        spi.transfer_in_place(frame).unwrap();
        talk.came_back();
    }
    (0..commands.len()).map(|device| talk.reply(device).unwrap().unwrap()).collect()
}

/// Each device gets a value in a register of its own choice, a few times over; `lots` chooses.
fn check(layout: &'static Layout, devices: usize, lots: &[(prop::sample::Index, i64)]) -> Result<(), TestCaseError> {
    let devices = (devices..).find(|&devices| layout.can_frame(devices)).unwrap();
    let plain: Vec<_> = layout.registers.iter().filter(|register| is_plain(layout, register)).collect();
    let chain = VirtualChain::new(layout, devices).unwrap();
    let (codec, mut spi) = (Codec::new(layout).unwrap(), chain.spi());
    let held = |device: usize, register: &Register| {
        chain.read_register(device, register.address) >> register.lsb & register.coding.mask()
    };
    for lots in lots.chunks_exact(devices) {
        let choose = |(index, lot): &(prop::sample::Index, i64)| {
            let register = *index.get(&plain);
            let (min, max) = register.coding.limits(register.unit);
            let bits = match lot % 4 {
                0 => min,
                1 => max,
                _ => min + (i128::from(*lot).rem_euclid(i128::from(max) - i128::from(min) + 1)) as i64,
            };
            (register, Value::from_bits(register.unit, bits).unwrap())
        };
        let chosen: Vec<_> = lots.iter().map(choose).collect();
        let mut expected: Vec<Vec<_>> = (0..devices)
            .map(|device| layout.registers.iter().map(|register| held(device, register)).collect())
            .collect();
        for (expected, (written, value)) in expected.iter_mut().zip(&chosen) {
            let place = layout.registers.iter().position(|register| register == *written).unwrap();
            expected[place] = written.code_of(*value).unwrap();
        }
        let before = chain.events().len();
        let write = |&(register, value): &(&Register, Value)| {
            Command::WriteParameter { parameter: register.parameter, value }.on(register.axis)
        };
        call(&codec, &mut spi, &chosen.iter().map(write).collect::<Vec<_>>());
        for (device, expected) in expected.iter().enumerate() {
            for (register, expected) in layout.registers.iter().zip(expected) {
                let asked = chosen[device];
                prop_assert_eq!(held(device, register), *expected, "{} after {:?}", register.name, asked);
            }
        }
        let read = |&(register, _): &(&Register, Value)| Command::read(register.parameter).on(register.axis);
        let replies = call(&codec, &mut spi, &chosen.iter().map(read).collect::<Vec<_>>());
        for ((register, value), reply) in chosen.iter().zip(replies) {
            prop_assert_eq!(reply.value, Some(register.quantised(*value).unwrap()), "{}", register.name);
        }
        for event in &chain.events()[before..] {
            // Some maps tell of the start until somebody talks to the device.
            let is_fine = matches!(
                event.kind,
                EventKind::RegisterRead { .. }
                    | EventKind::RegisterWritten { .. }
                    | EventKind::FlagChanged { flag: Flag::ResetOccurred, raised: false, .. }
            );
            prop_assert!(is_fine, "map {}: {event:?}", layout.name);
        }
    }
    Ok(())
}

fn lots() -> impl Strategy<Value = Vec<(prop::sample::Index, i64)>> {
    prop::collection::vec(any::<(prop::sample::Index, i64)>(), 24)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn what_is_written_on_a_map_of_ours_is_held_and_read_back(map in 0usize..5, devices in 1usize..6, lots in lots()) {
        const MAPS: [&Layout; 5] =
            [&Latched::LAYOUT, &FixedWord::LAYOUT, &Mirrored::LAYOUT, &Prefixed::LAYOUT, &Twin::LAYOUT];
        check(MAPS[map], devices, &lots)?;
    }

    #[test]
    fn what_is_written_on_a_random_map_is_held_and_read_back(seed in 0u64..1000, devices in 1usize..6, lots in lots()) {
        check(random_map::layout(seed), devices, &lots)?;
    }
}
