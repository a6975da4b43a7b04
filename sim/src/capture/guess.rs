//! Guesses the SPI mode from where the clock rests and on which edges data change.
//!
//! A controller puts out its next bit on the edge on which nobody reads. So the edge *after* which data change more
//! often is the one that shifts, and the other one reads; and the level that the clock has when chip select falls and
//! rises is the one at rest. Both are counted, so that whoever reads the guess can see how good it is.

use stepchain::map::SpiMode;

use super::levels::{Instant, Line};
use super::spi::CsActive;

/// A mode, and what speaks for it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Guess {
    /// The mode.
    pub mode: SpiMode,
    /// Begins and ends of selections (rests of the clock, without chip select) with the clock low.
    pub rests_low: u64,
    /// The same with the clock high.
    pub rests_high: u64,
    /// Changes of data after a rising edge, or in the same instant.
    pub after_rising: u64,
    /// Changes of data after a falling edge, or in the same instant.
    pub after_falling: u64,
}

/// The mode of these instants; `None` if there is nothing to tell it by.
pub(super) fn guess(instants: &[Instant], cs_active: CsActive, has_cs: bool, idle_gap_ns: i64) -> Option<Guess> {
    let mut counts = [0u64; 4];
    let [rests_low, rests_high, after_rising, after_falling] = &mut counts;
    let mut edge: Option<bool> = None;
    let mut last_edge_ns: Option<i64> = None;
    for pair in instants.windows(2) {
        let [before, now] = pair else { continue };
        let (was, is) = (before.level(Line::Sck).bit(), now.level(Line::Sck).bit());
        let moved = was.zip(is).is_some_and(|(was, is)| was != is);
        let rest = |level: Option<bool>| level.map(|high| if high { 1 } else { 0 });
        let mut rested = None;
        if has_cs {
            let selected = [before, now].map(|instant| cs_active.selects(instant.level(Line::Cs)));
            match selected {
                [Some(false), Some(true)] => {
                    rested = rest(is);
                    edge = None;
                }
                // A last edge that comes with the release leads back to the rest.
                [Some(true), Some(false)] => rested = rest(is),
                [Some(true), Some(true)] => {}
                _ => edge = None,
            }
            if selected != [Some(true); 2] {
                count(rested, rests_low, rests_high);
                continue;
            }
        } else if moved {
            if last_edge_ns.is_some_and(|last| now.time_ns - last > idle_gap_ns) {
                rested = rest(was);
                edge = None;
            }
            last_edge_ns = Some(now.time_ns);
        }
        count(rested, rests_low, rests_high);
        if moved {
            edge = is;
        }
        let changed = [Line::Mosi, Line::Miso].into_iter().filter(|&line| {
            let levels = (before.level(line).bit(), now.level(line).bit());
            matches!(levels, (Some(was), Some(is)) if was != is)
        });
        match edge {
            Some(true) => *after_rising += changed.count() as u64,
            Some(false) => *after_falling += changed.count() as u64,
            None => {}
        }
    }
    let [rests_low, rests_high, after_rising, after_falling] = counts;
    if rests_low == rests_high || after_rising == after_falling {
        return None;
    }
    let mode = match (rests_high > rests_low, after_falling > after_rising) {
        (false, true) => SpiMode::Mode0,
        (false, false) => SpiMode::Mode1,
        (true, false) => SpiMode::Mode2,
        (true, true) => SpiMode::Mode3,
    };
    Some(Guess { mode, rests_low, rests_high, after_rising, after_falling })
}

fn count(rested: Option<usize>, low: &mut u64, high: &mut u64) {
    match rested {
        Some(0) => *low += 1,
        Some(_) => *high += 1,
        None => {}
    }
}
