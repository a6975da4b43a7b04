//! Any traffic through all fronts: the same replies, events, times and state of the chain in the end.

use proptest::prelude::*;
use stepchain::map::{BitOrder, BridgeState, Layout, Parameter, RegisterMap, SpiMode, StopRamp};
use stepchain::reference::{FixedWord, Latched};
use stepchain::units::{Distance, Velocity};
use stepchain::{AxisCommand, Codec, Command, Pending};
use stepchain_sim::device::EventKind;
use stepchain_sim::random_map;

use crate::fronts::{Front, Op, Rig};

/// Choices that follow from one number: SplitMix64 (from memory, Steele, Lea and Flood 2014), enough for a test.
pub(crate) struct Choice(pub(crate) u64);

impl Choice {
    pub(crate) fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    pub(crate) fn below(&mut self, count: usize) -> usize {
        (self.next() % count as u64) as usize
    }
}

/// A command that every map has a form for.
pub(crate) fn any_command(choice: &mut Choice) -> AxisCommand {
    let parameters = [Parameter::ProfileVelocity, Parameter::ProfileAcceleration, Parameter::PositionDemandValue];
    let parameter = parameters[choice.below(parameters.len())];
    let sign = choice.below(2) as i64 * 2 - 1;
    let command = match choice.below(9) {
        0 => Command::TakeStatus,
        1 => Command::PeekStatus,
        2 => Command::HomeOnCurrentPosition,
        3 => Command::Stop { ramp: StopRamp::Profile, bridge: BridgeState::Shorted },
        4 => Command::MoveRelative { distance: Distance::from_microsteps(sign as i32 * choice.below(500) as i32) },
        5 => Command::MoveVelocity { velocity: Velocity::from_bits(sign * (choice.below(1 << 22) as i64)).unwrap() },
        6 => Command::Filler,
        7 => {
            let velocity = Velocity::from_bits(choice.below(1 << 22) as i64).unwrap();
            Command::write(Parameter::ProfileVelocity, velocity)
        }
        _ => Command::read(parameter),
    };
    command.into()
}

/// The frames of a command for each device; none if a map cannot code what was drawn.
pub(crate) fn frames(layout: &'static Layout, devices: usize, choice: &mut Choice) -> Vec<Vec<u8>> {
    let codec = Codec::new(layout).unwrap();
    let commands: Vec<_> = (0..devices).map(|_| any_command(choice)).collect();
    let mut pending = vec![Pending::default(); devices];
    let mut buffer = vec![0; codec.frame_bytes(devices)];
    let Ok(mut talk) = codec.begin(&commands, &mut pending, &mut buffer) else {
        return Vec::new();
    };
    let mut frames = Vec::new();
    while let Some(frame) = talk.next_frame() {
        frames.push(frame.to_vec());
    }
    frames
}

/// Now and then a frame loses bytes, gets more of them, or has a bit spoilt.
fn spoil(frame: &mut Vec<u8>, choice: &mut Choice) {
    match choice.below(12) {
        0 => frame.truncate(choice.below(frame.len() + 1)),
        1 => {
            let more = choice.below(9);
            frame.splice(0..0, (0..more).map(|_| choice.next() as u8));
        }
        2 => {
            let bit = choice.below(8 * frame.len());
            frame[bit / 8] ^= 1 << (bit % 8);
        }
        _ => {}
    }
}

/// Cuts a frame into operations of every kind.
fn cut(mut frame: &[u8], choice: &mut Choice) -> Vec<Op> {
    let mut ops = Vec::new();
    while !frame.is_empty() || choice.below(6) == 0 {
        let (now, later) = frame.split_at(choice.below(frame.len() + 1));
        match choice.below(12) {
            0..6 => ops.push(Op::InPlace(now.to_vec())),
            6 | 7 => ops.push(Op::Write(now.to_vec())),
            8 => ops.push(Op::Transfer(choice.below(now.len() + 1), now.to_vec())),
            9 => ops.push(Op::Transfer(now.len(), now[..choice.below(now.len() + 1)].to_vec())),
            10 => ops.push(Op::Read(now.len())),
            _ => {
                // A delay of nothing still ends a run of bits, and rounds its time up.
                let limit = [1, 5_000][choice.below(2)];
                ops.push(Op::DelayNs(choice.below(limit) as u32));
                continue;
            }
        }
        frame = later;
    }
    ops
}

struct Script {
    clock_hz: u32,
    gap_ns: u64,
    buffer_bytes: usize,
    order: BitOrder,
    /// What happens before each selection, and what is sent in it.
    selections: Vec<(Before, Vec<Op>)>,
}

enum Before {
    Pause(u64),
    Mode(SpiMode),
}

fn script(layout: &'static Layout, devices: usize, choice: &mut Choice) -> Script {
    let mut selections = Vec::new();
    for _ in 0..8 {
        for mut frame in frames(layout, devices, choice) {
            spoil(&mut frame, choice);
            let before = match choice.below(16) {
                0 => Before::Mode([SpiMode::Mode0, SpiMode::Mode1, SpiMode::Mode2, SpiMode::Mode3][choice.below(4)]),
                1..6 => Before::Mode(layout.wire.mode),
                _ => Before::Pause(choice.next() % 10_u64.pow(choice.below(9) as u32)),
            };
            selections.push((before, cut(&frame, choice)));
        }
    }
    Script {
        // The back door tells of no clock, so none is too fast here.
        clock_hz: 1 + (choice.next() % u64::from(layout.wire.max_clock_hz)) as u32,
        gap_ns: if choice.below(4) == 0 { 0 } else { choice.next() } % (2 * u64::from(layout.wire.min_deselect_ns) + 1),
        buffer_bytes: choice.below(6),
        order: if choice.below(8) == 0 { BitOrder::LsbFirst } else { BitOrder::MsbFirst },
        selections,
    }
}

fn perform(script: &Script, rig: &mut Rig) -> Vec<Vec<u8>> {
    rig.set_clock_hz(script.clock_hz);
    rig.set_gap_ns(script.gap_ns);
    rig.set_bit_order(script.order);
    rig.chain.set_buffer_bytes(script.buffer_bytes);
    let mut replies = Vec::new();
    for (before, ops) in &script.selections {
        match before {
            Before::Pause(pause_ns) => rig.chain.advance_ns(*pause_ns),
            Before::Mode(mode) => rig.chain.set_mode(*mode),
        }
        replies.push(rig.select_once(ops));
    }
    replies
}

fn sounds_alike_on_all_fronts(layout: &'static Layout, devices: usize, seed: u64) -> Result<(), TestCaseError> {
    let devices = (devices..).find(|&devices| layout.can_frame(devices)).unwrap();
    let script = script(layout, devices, &mut Choice(seed));
    let mut first = Rig::new(Front::Device, layout, devices);
    let replies = perform(&script, &mut first);
    for front in Front::ALL {
        let mut rig = Rig::new(front, layout, devices);
        prop_assert_eq!(&perform(&script, &mut rig), &replies, "replies through {:?}, map {}", front, layout.name);
        prop_assert_eq!(rig.seen(), first.seen(), "through {:?}, map {}", front, layout.name);
        if front != Front::BackDoor {
            prop_assert_eq!(rig.chain.bytes_on_wire(), first.chain.bytes_on_wire(), "through {:?}", front);
        }
    }
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn the_same_traffic_gives_the_same_world_through_every_front_on_both_maps(
        which in 0usize..2, devices in 1usize..5, seed: u64,
    ) {
        sounds_alike_on_all_fronts([&Latched::LAYOUT, &FixedWord::LAYOUT][which], devices, seed)?;
    }

    #[test]
    fn the_same_traffic_gives_the_same_world_through_every_front_on_random_maps(
        map_seed in 0u64..400, devices in 1usize..5, seed: u64,
    ) {
        sounds_alike_on_all_fronts(random_map::layout(map_seed), devices, seed)?;
    }
}

/// In this traffic a motion ends on its own at the very instant of a latch: it stands first, whoever has looked before.
#[test]
fn what_happens_of_itself_at_the_instant_of_a_latch_stands_before_it_through_every_front() {
    sounds_alike_on_all_fronts(&FixedWord::LAYOUT, 3, 0x3C6E_F372_FE94_F82A).unwrap();
}

/// What a comparison of like with like shows is worth no more than what happened in it.
#[test]
fn the_traffic_of_these_tests_has_commands_refusals_and_spoilt_words_in_it() {
    let (mut accepted, mut unknown, mut mismatched, mut read, mut violations) = (0, 0, 0, 0, 0);
    for seed in 0..30 {
        for layout in [&Latched::LAYOUT, &FixedWord::LAYOUT, random_map::layout(seed)] {
            let devices = (2..).find(|&devices| layout.can_frame(devices)).unwrap();
            let mut rig = Rig::new(Front::Device, layout, devices);
            perform(&script(layout, devices, &mut Choice(seed)), &mut rig);
            for event in rig.seen().events {
                match event.kind {
                    EventKind::CommandAccepted { .. } => accepted += 1,
                    EventKind::CommandUnknown { .. } => unknown += 1,
                    EventKind::CrcMismatch { .. } => mismatched += 1,
                    EventKind::RegisterRead { .. } => read += 1,
                    EventKind::Violation(_) => violations += 1,
                    _ => {}
                }
            }
        }
    }
    let counts = [accepted, unknown, mismatched, read, violations];
    assert!(counts.iter().all(|&count| count > 100), "{counts:?}");
}
