//! What leaves the far end of a chain is what its devices have to say, delayed by the chain: against a plain shift
//! register of N·W bits, on maps of every unit width, bit order and reply timing.

use std::collections::BTreeMap;
use std::sync::Arc;

use proptest::prelude::*;
use stepchain::map::{BitOrder, Framing, Layout, RegisterMap, ReplyTiming, SpareClocks};
use stepchain::reference::{FixedWord, Latched};
use stepchain_sim::chain::VirtualChain;
use stepchain_sim::decode::Dictionary;
use stepchain_sim::device::Device;
use stepchain_sim::random_map;
use stepchain_sim::wire::BusEvent;

use crate::traffic::{Choice, frames};

/// A chain as one row of bits: the next bit on the right end leaves, the others move up, a new one comes in at the left.
struct Naive {
    layout: &'static Layout,
    devices: Vec<Device>,
    row: Vec<bool>,
}

impl Naive {
    fn new(layout: &'static Layout, devices: usize) -> Self {
        let dictionary = Arc::new(Dictionary::new(layout));
        let devices: Vec<_> = (0..devices).map(|_| Device::new(Arc::clone(&dictionary), 0)).collect();
        let idle: Vec<u64> = devices.iter().map(|device| device.idle_unit(0)).collect();
        let mut naive = Self { layout, devices, row: Vec::new() };
        naive.load(&idle);
        naive
    }

    fn width(&self) -> usize {
        self.layout.wire.unit_bits.into()
    }

    fn load(&mut self, units: &[u64]) {
        self.row.clear();
        for unit in units {
            // From left to right: the bit that leaves last, to the bit that leaves first.
            let weights = 0..self.width();
            match self.layout.wire.bit_order {
                BitOrder::MsbFirst => self.row.extend(weights.map(|weight| unit >> weight & 1 == 1)),
                BitOrder::LsbFirst => self.row.extend(weights.rev().map(|weight| unit >> weight & 1 == 1)),
            }
        }
    }

    fn unit(&self, device: usize) -> u64 {
        let bits = &self.row[device * self.width()..][..self.width()];
        let place = |bit: bool, text: &mut String| text.push(if bit { '1' } else { '0' });
        let mut text = String::new();
        match self.layout.wire.bit_order {
            BitOrder::MsbFirst => bits.iter().rev().for_each(|&bit| place(bit, &mut text)),
            BitOrder::LsbFirst => bits.iter().for_each(|&bit| place(bit, &mut text)),
        }
        u64::from_str_radix(&text, 2).unwrap()
    }

    fn frame(&mut self, bits: &[bool], now_ns: u64) -> Vec<bool> {
        let mut miso = Vec::new();
        for &bit in bits {
            miso.push(self.row.pop().unwrap());
            self.row.insert(0, bit);
        }
        let units: Vec<u64> = (0..self.devices.len()).map(|device| self.unit(device)).collect();
        let counts = self.layout.wire.spare_clocks == SpareClocks::Refused && bits.len() != self.row.len();
        let latch = |(device, unit): (&mut Device, u64)| match counts {
            true => device.ignore(now_ns),
            false => device.latch(unit, now_ns),
        };
        let next: Vec<u64> = self.devices.iter_mut().zip(units).map(latch).collect();
        self.load(&next);
        miso
    }
}

fn leaves_as_from_a_plain_row(layout: &'static Layout, devices: usize, seed: u64) -> Result<usize, TestCaseError> {
    let mut choice = Choice(seed);
    let devices = (devices..).find(|&devices| layout.can_frame(devices)).unwrap();
    let chain = VirtualChain::new(layout, devices).unwrap();
    let mut naive = Naive::new(layout, devices);
    let mut told = 0;
    for _ in 0..4 {
        for frame in frames(layout, devices, &mut choice) {
            let mut bits: Vec<bool> =
                frame.iter().flat_map(|byte| (0..8).map(move |n| byte << n & 0x80 != 0)).collect();
            match choice.below(8) {
                0 => bits.truncate(choice.below(bits.len() + 1)),
                1 => bits.extend((0..choice.below(70)).map(|n| n % 3 == 0)),
                _ => {}
            }
            chain.advance_ns(10_000);
            chain.drive(BusEvent::Select);
            let miso = chain.drive(BusEvent::Bits(&bits));
            chain.drive(BusEvent::Deselect);
            told += miso.iter().filter(|&&bit| bit).count();
            prop_assert_eq!(miso, naive.frame(&bits, chain.now_ns()), "map {}, {} devices", layout.name, devices);
        }
    }
    Ok(told)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(128))]

    #[test]
    fn replies_are_delayed_by_exactly_the_chain_on_random_maps(
        map_seed in 0u64..400, devices in 1usize..6, seed: u64,
    ) {
        leaves_as_from_a_plain_row(random_map::layout(map_seed), devices, seed)?;
    }

    #[test]
    fn replies_are_delayed_by_exactly_the_chain_on_both_maps(which in 0usize..2, devices in 1usize..6, seed: u64) {
        leaves_as_from_a_plain_row([&Latched::LAYOUT, &FixedWord::LAYOUT][which], devices, seed)?;
    }
}

/// The first random map of latched units of each width, with either order and either timing. Fixed words have one timing
/// only.
#[test]
fn replies_are_delayed_by_exactly_the_chain_for_every_width_order_and_timing() {
    let mut by_width = BTreeMap::new();
    let is_latched = |layout: &&Layout| layout.wire.framing == Framing::LatchedUnits;
    for layout in (0..).map(random_map::layout).filter(is_latched) {
        by_width.entry(layout.wire.unit_bits).or_insert(layout);
        if by_width.len() == 64 {
            break;
        }
    }
    for (width, layout) in by_width {
        for bit_order in [BitOrder::MsbFirst, BitOrder::LsbFirst] {
            for reply_timing in [ReplyTiming::SameSlots, ReplyTiming::NextFrame] {
                let mut layout = *layout;
                (layout.wire.bit_order, layout.wire.reply_timing) = (bit_order, reply_timing);
                assert_eq!(layout.validate(), Ok(()), "{width} bits");
                let layout = Box::leak(Box::new(layout));
                let told: usize = (0..2)
                    .map(|seed| leaves_as_from_a_plain_row(layout, 3, seed).unwrap_or_else(|error| panic!("{error}")))
                    .sum();
                assert!(told > 0, "{width} bits, {bit_order:?}, {reply_timing:?}: zeros alone show nothing");
            }
        }
    }
}
