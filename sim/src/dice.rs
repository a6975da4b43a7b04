//! Chance that repeats itself: SplitMix64 (Steele, Lea and Flood, "Fast splittable pseudorandom number generators",
//! OOPSLA 2014; the constants from memory), on whole numbers alone.

/// A sequence of draws that its two seeds settle.
#[derive(Clone, Debug)]
pub(crate) struct Dice {
    state: u64,
}

impl Dice {
    pub(crate) fn new(seed: u64, attempt: u64) -> Self {
        let mut dice = Self { state: seed };
        dice.state = dice.next() ^ attempt;
        dice
    }

    fn next(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mixed = (self.state ^ self.state >> 30).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let mixed = (mixed ^ mixed >> 27).wrapping_mul(0x94D0_49BB_1331_11EB);
        mixed ^ mixed >> 31
    }

    /// A number below `count`, or 0 if that is 0.
    pub(crate) fn below(&mut self, count: u64) -> u64 {
        // The bias of the product's upper half is below one in 2³² for the small counts here.
        ((u128::from(self.next()) * u128::from(count)) >> 64) as u64
    }

    /// A number between two, both included.
    pub(crate) fn between(&mut self, least: u64, greatest: u64) -> u64 {
        least + self.below(greatest.saturating_sub(least) + 1)
    }

    /// A number of this many bits.
    pub(crate) fn bits(&mut self, width: u8) -> u64 {
        match width {
            0 => 0,
            width => self.next() >> (64 - width.min(64)),
        }
    }

    /// True once in `times`.
    pub(crate) fn chance(&mut self, times: u64) -> bool {
        self.below(times) == 0
    }

    /// A share of one, 0 included and 1 not.
    pub(crate) fn share(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// `count` different numbers below `end`, in their order; all of them if there are no more.
    pub(crate) fn places(&mut self, count: u64, end: u64) -> Vec<u64> {
        let mut places = std::collections::BTreeSet::new();
        while (places.len() as u64) < count.min(end) {
            places.insert(self.below(end));
        }
        places.into_iter().collect()
    }

    pub(crate) fn pick<T: Copy>(&mut self, choices: &[T]) -> T {
        choices[self.below(choices.len() as u64) as usize]
    }

    pub(crate) fn shuffle<T>(&mut self, entries: &mut [T]) {
        for end in (1..entries.len()).rev() {
            entries.swap(end, self.below(end as u64 + 1) as usize);
        }
    }

    /// `count` different numbers of `width` bits, in any order.
    pub(crate) fn distinct(&mut self, count: usize, width: u8) -> Vec<u64> {
        let mut numbers = Vec::new();
        while numbers.len() < count {
            let number = self.bits(width);
            if !numbers.contains(&number) {
                numbers.push(number);
            }
        }
        numbers
    }
}
