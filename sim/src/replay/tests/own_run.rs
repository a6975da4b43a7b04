//! A chain's own run agrees with itself, whatever was said to it.

use stepchain::map::RegisterMap;
use stepchain::reference::{FixedWord, Latched};

use super::bench::{Bench, replayed, strict, told};
use crate::dice::Dice;
use crate::random_map;
use crate::replay::Options;

fn layouts() -> impl Iterator<Item = (u64, &'static stepchain::map::Layout)> {
    let random = (0..24).map(|seed| (seed, random_map::layout(seed)));
    let ours = [&Latched::LAYOUT, &FixedWord::LAYOUT].into_iter().cycle().take(8).zip(100..);
    ours.map(|(layout, seed)| (seed, layout)).chain(random)
}

#[test]
fn a_run_from_power_up_is_answered_bit_by_bit_as_it_was() {
    for (seed, layout) in layouts() {
        let mut bench = Bench::new(layout, 1 + (seed % 3) as usize);
        let mut dice = Dice::new(seed, 0);
        (0..60).for_each(|_| bench.chatter(&mut dice));
        let found = bench.replayed(&strict());
        assert!(found.is_empty(), "map {seed}:\n{}", told(&found));
    }
}

#[test]
fn what_was_before_the_recording_began_is_no_divergence() {
    for (seed, layout) in layouts() {
        let mut bench = Bench::new(layout, 1 + (seed % 3) as usize);
        let mut dice = Dice::new(seed, 1);
        (0..60).for_each(|_| bench.chatter(&mut dice));
        for cut in [1, 7, 40] {
            let rest = bench.frames.get(cut..).unwrap_or_default();
            let found = replayed(layout, bench.devices, rest, &Options::default());
            assert!(found.is_empty(), "map {seed}, cut at {cut}:\n{}", told(&found));
        }
    }
}
