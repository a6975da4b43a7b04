//! The position counter: how a count without end is shown in a few bits, and where moves on it lead.

use stepchain::map::{PositionCounter, Way, WrapAround};

use super::event::Rejection;

/// A signed counter of some bits.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Counter {
    bits: u32,
    wraps: bool,
}

impl Counter {
    /// The counter that the map describes.
    #[must_use]
    pub fn new(counter: &PositionCounter) -> Self {
        Self { bits: u32::from(counter.bits).clamp(1, 62), wraps: counter.wrap_around == WrapAround::Wraps }
    }

    /// Counts in one turn of the counter.
    const fn turn(self) -> i64 {
        1 << self.bits
    }

    /// What the counter shows for a count without end.
    #[must_use]
    pub const fn shown(self, count: i64) -> i64 {
        let unsigned = self.unsigned(count);
        if unsigned >= self.turn() / 2 { unsigned - self.turn() } else { unsigned }
    }

    /// What the counter shows where the register that tells it has no sign.
    #[must_use]
    pub const fn unsigned(self, count: i64) -> i64 {
        count.rem_euclid(self.turn())
    }

    /// Where an absolute move ends, as a count without end: `from` is the present one, `target` what the counter is
    /// to show. Of two shortest ways the positive one is gone. A place that is reached already needs no way round.
    ///
    /// # Errors
    /// [`Rejection::BeyondCounter`] on a counter that does not wrap, for a target outside of it or a way that does
    /// not lead there directly.
    pub fn absolute(self, from: i64, target: i64, way: Way) -> Result<i64, Rejection> {
        if !self.wraps {
            let leads_there = match way {
                Way::Shortest => true,
                Way::Positive => target >= from,
                Way::Negative => target <= from,
            };
            return if leads_there { self.within(target) } else { Err(Rejection::BeyondCounter) };
        }
        let up = self.unsigned(target.wrapping_sub(from));
        let down = self.unsigned(from.wrapping_sub(target));
        let distance = match way {
            Way::Shortest if down < up => -down,
            Way::Shortest | Way::Positive => up,
            Way::Negative => -down,
        };
        Ok(from.saturating_add(distance))
    }

    /// Where a move by a distance ends, as a count without end.
    ///
    /// # Errors
    /// [`Rejection::BeyondCounter`] on a counter that does not wrap, if that is outside of it.
    pub fn relative(self, from: i64, distance: i64) -> Result<i64, Rejection> {
        let target = from.saturating_add(distance);
        if self.wraps { Ok(target) } else { self.within(target) }
    }

    /// The end to which turning in a direction leads, where the counter does not wrap.
    #[must_use]
    pub const fn end(self, upwards: bool) -> Option<i64> {
        match (self.wraps, upwards) {
            (true, _) => None,
            (false, true) => Some(self.turn() / 2 - 1),
            (false, false) => Some(-self.turn() / 2),
        }
    }

    fn within(self, target: i64) -> Result<i64, Rejection> {
        if self.shown(target) == target { Ok(target) } else { Err(Rejection::BeyondCounter) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const WRAPS: PositionCounter = PositionCounter::new(22, &[128]);

    /// Common practice, no published source: 128 microsteps a step, 200 steps a turn of the shaft, a counter of 22
    /// bits, which is about 164 turns. From +5 turns (128 000) to 12 800 the shortest way is 115 200 back, and the
    /// positive way the rest of the counter's 4 194 304.
    #[test]
    fn the_shortest_way_is_the_shorter_one_and_the_others_are_what_they_say() {
        let counter = Counter::new(&WRAPS);
        let go = |way| counter.absolute(128_000, 12_800, way).unwrap() - 128_000;
        assert_eq!(go(Way::Shortest), -115_200);
        assert_eq!(go(Way::Negative), -115_200);
        assert_eq!(go(Way::Positive), 4_194_304 - 115_200);
    }

    /// From 80 turns up to 80 turns down it is 160 turns back, but less than 4 turns on over the end.
    #[test]
    fn the_shortest_way_may_lead_over_the_end_of_the_counter() {
        let counter = Counter::new(&WRAPS);
        let turns = |turns: i64| turns * 200 * 128;
        let end = counter.absolute(turns(80), turns(-80), Way::Shortest).unwrap();
        assert_eq!(end - turns(80), 4_194_304 - turns(160));
        assert_eq!(counter.shown(end), turns(-80));
    }

    #[test]
    fn of_two_shortest_ways_the_positive_one_is_gone() {
        let counter = Counter::new(&WRAPS);
        assert_eq!(counter.absolute(-7, 2_097_152 - 7, Way::Shortest), Ok(2_097_152 - 7));
        assert_eq!(counter.absolute(1, 1 - 2_097_152, Way::Shortest), Ok(2_097_152 + 1));
    }

    #[test]
    fn the_present_place_is_reached_without_a_motion_by_every_way() {
        let counter = Counter::new(&WRAPS);
        let far = 3 * 4_194_304 + 17;
        for way in [Way::Shortest, Way::Positive, Way::Negative] {
            assert_eq!(counter.absolute(far, 17, way), Ok(far));
        }
    }

    #[test]
    fn a_counter_that_does_not_wrap_refuses_what_would_pass_its_end() {
        let counter = Counter::new(&WRAPS.refuses_to_wrap());
        assert_eq!(counter.absolute(100, 50, Way::Shortest), Ok(50));
        assert_eq!(counter.absolute(100, 50, Way::Negative), Ok(50));
        assert_eq!(counter.absolute(100, 50, Way::Positive), Err(Rejection::BeyondCounter));
        assert_eq!(counter.absolute(100, 2_097_152, Way::Shortest), Err(Rejection::BeyondCounter));
        assert_eq!(counter.relative(2_097_000, 151), Ok(2_097_151));
        assert_eq!(counter.relative(2_097_000, 152), Err(Rejection::BeyondCounter));
        assert_eq!((counter.end(true), counter.end(false)), (Some(2_097_151), Some(-2_097_152)));
    }

    #[test]
    fn a_counter_shows_a_count_in_its_own_bits() {
        let counter = Counter::new(&PositionCounter::new(8, &[1]));
        assert_eq!([127, 128, 255, 256, -128, -129].map(|count| counter.shown(count)), [127, -128, -1, 0, -128, 127]);
        assert_eq!(counter.unsigned(-1), 255);
        assert_eq!(Counter::new(&WRAPS).end(true), None);
    }
}
