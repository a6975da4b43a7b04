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

/// Of any map: one bit of one answer is turned over. It is told once and in its own frame; or not at all, where the answer
/// was broken off by the next question, so that nobody can say what it was.
#[test]
fn a_flipped_bit_of_any_map_is_told_once_and_in_its_own_frame() {
    let (mut told_once, mut all) = (0, 0);
    for seed in 0..16 {
        let layout = random_map::layout(seed);
        let mut bench = Bench::new(layout, 1 + (seed % 3) as usize);
        let mut dice = Dice::new(seed, 2);
        (0..30).for_each(|_| bench.chatter(&mut dice));
        let number = 4 + dice.below(bench.frames.len() as u64 / 2) as usize;
        let miso = bench.frames[number].miso.as_mut().unwrap();
        let bit = dice.below(miso.len() as u64) as usize;
        miso[bit] = !miso[bit];
        let found = bench.replayed(&strict());
        assert!(found.len() <= 1, "map {seed}, frame {number}, bit {bit}:\n{}", told(&found));
        assert!(found.iter().all(|one| one.frame == number as u64), "map {seed}, frame {number}:\n{}", told(&found));
        all += 1;
        told_once += found.len();
    }
    assert!(told_once * 10 >= all * 8, "only {told_once} of {all} were seen");
}
