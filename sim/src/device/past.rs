//! The chapters of an axis' motion that have ended: copies of a chain share them, so that one costs little however long
//! the past is, and any instant of it is found without reading all of it.

use std::sync::Arc;

use super::history::Chapter;

/// Chapters in a volume.
const VOLUME: usize = 64;

/// Chapters in the order of time, each from where the one before it ends.
#[derive(Clone, Debug, Default)]
pub(super) struct Past {
    /// What no copy changes any more.
    volumes: Vec<Arc<[Chapter]>>,
    /// What has ended since, less than a volume.
    latest: Vec<Chapter>,
}

impl Past {
    pub(super) fn push(&mut self, chapter: Chapter) {
        self.latest.push(chapter);
        if self.latest.len() == VOLUME {
            self.volumes.push(std::mem::take(&mut self.latest).into());
        }
    }

    pub(super) fn iter(&self) -> impl Iterator<Item = &Chapter> {
        self.volumes_from(0)
    }

    pub(super) fn first(&self) -> Option<&Chapter> {
        self.iter().next()
    }

    /// The last chapter that does not begin after an instant.
    pub(super) fn at(&self, at_ns: u64) -> Option<&Chapter> {
        let has_begun = |chapter: &Chapter| chapter.since_ns <= at_ns;
        let in_time = |chapters: &'_ [Chapter]| chapters.partition_point(has_begun).checked_sub(1);
        if let Some(index) = in_time(&self.latest) {
            return self.latest.get(index);
        }
        let begun = self.volumes.partition_point(|volume| volume.first().is_some_and(has_begun));
        let volume = self.volumes.get(begun.checked_sub(1)?)?;
        volume.get(in_time(volume)?)
    }

    /// The chapters from the first one on that ends after an instant.
    pub(super) fn ending_after(&self, from_ns: u64) -> impl Iterator<Item = &Chapter> {
        let has_ended = |chapter: &Chapter| chapter.until_ns <= from_ns;
        let ended = self.volumes.partition_point(|volume| volume.last().is_some_and(has_ended));
        self.volumes_from(ended).skip_while(move |chapter| chapter.until_ns <= from_ns)
    }

    fn volumes_from(&self, number: usize) -> impl Iterator<Item = &Chapter> {
        let volumes = self.volumes.get(number..).unwrap_or_default();
        volumes.iter().flat_map(|volume| volume.iter()).chain(&self.latest)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::motion::{Engine, Field};

    /// Chapters that end where the next one begins; every fifth begins and ends at one instant.
    fn past(chapters: u64) -> (Past, Vec<(u64, u64)>) {
        let mut past = Past::default();
        let mut spans = Vec::new();
        let mut since_ns = 10;
        for number in 0..chapters {
            let until_ns = since_ns + if number % 5 == 4 { 0 } else { 3 };
            let field = Field { microsteps_per_step: 16, cycle_origin: 0, full_step_threshold: f64::INFINITY };
            past.push(Chapter { since_ns, until_ns, engine: Engine::new(), field, pulses: number as i64 });
            spans.push((since_ns, until_ns));
            since_ns = until_ns;
        }
        (past, spans)
    }

    #[test]
    fn what_is_found_in_volumes_is_what_reading_all_of_them_finds() {
        for chapters in [0, 1, 63, 64, 65, 127, 128, 200] {
            let (past, spans) = past(chapters);
            let numbers =
                |found: &mut dyn Iterator<Item = &Chapter>| found.map(|chapter| chapter.pulses).collect::<Vec<_>>();
            assert_eq!(numbers(&mut past.iter()), (0..chapters as i64).collect::<Vec<_>>());
            for at_ns in 0..700 {
                let begun = spans.iter().filter(|(since_ns, _)| *since_ns <= at_ns).count();
                assert_eq!(
                    past.at(at_ns).map(|chapter| chapter.pulses + 1).unwrap_or(0),
                    begun as i64,
                    "{chapters}, {at_ns}"
                );
                let ended = spans.iter().filter(|(_, until_ns)| *until_ns <= at_ns).count() as i64;
                assert_eq!(numbers(&mut past.ending_after(at_ns)), (ended..chapters as i64).collect::<Vec<_>>());
            }
        }
    }

    #[test]
    fn a_copy_shares_the_volumes_and_goes_on_by_itself() {
        let (mut past, _) = past(130);
        let copy = past.clone();
        past.push(copy.first().unwrap().clone());
        assert_eq!((past.iter().count(), copy.iter().count()), (131, 130));
        assert!(Arc::ptr_eq(past.volumes.first().unwrap(), copy.volumes.first().unwrap()));
    }
}
