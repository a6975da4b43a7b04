//! Which codes of amplitudes and back-EMF curves keep the currents nearest to the wanted ones: the least worst deviation.
//!
//! ```text
//!   curve codes   evolution of one parent and one child, from several starts and from the best curve of one segment less,
//!      v          then steps from code to code, one and two registers at a time
//!   amplitudes    for each curve exactly: more amplitude is more current, so the best code is where the greatest
//!                 deviations to both sides meet
//! ```
//!
//! **At which speeds.** A search at all speeds of the demands would take too long. It looks at few, more of them at low speed,
//! where demands bend; what it finds is judged at all, and where that is worse, the worst speeds join the few and the search
//! goes on (an exchange, as in the fitting of curves by their worst deviations; textbook).
//!
//! **More segments are no worse than fewer** where their registers are alike: the best curve of one segment less is among the
//! starts, one of its segments cut in two.
//!
//! Deviations are looked at with the values that the codes mean, never with what was meant by them. Chance is seeded: the
//! same demands and registers give the same codes. Knows neither motor nor file: demands and grids come in.

mod descent;

use std::collections::BTreeSet;

use super::codes::{Code, Grid};
use super::demand::{Demand, Point};
use crate::motor::{Curve, Segment};
use descent::Shape;

/// One segment's registers; without the first the segment begins at rest.
#[derive(Clone, Debug)]
pub(super) struct SegmentGrids {
    pub(super) from: Option<Grid>,
    pub(super) slope: Grid,
}

/// The demands of one motion state, and which registers serve it.
#[derive(Clone, Debug)]
pub(super) struct Member {
    pub(super) demand: Demand,
    /// Index of its curve; `None` where the map has none for it.
    pub(super) curve: Option<usize>,
    /// Index of its amplitude register.
    pub(super) amplitude: usize,
}

/// Motion states that share registers, directly or through others: they can only be settled together.
#[derive(Clone, Debug)]
pub(super) struct Problem {
    pub(super) curves: Vec<Vec<SegmentGrids>>,
    pub(super) amplitudes: Vec<Grid>,
    pub(super) members: Vec<Member>,
    /// Volts, peak per phase, that the full amplitude makes.
    pub(super) full_v: f64,
    /// Multiplies amplitude and curve together, before the full amplitude limits them.
    pub(super) factor: f64,
    /// Where the range of speeds ends, in full steps/s.
    pub(super) top_velocity: f64,
}

/// Indices into the grids of curves, per curve and segment: (from, slope).
type Codes = Vec<Vec<(usize, usize)>>;

/// Codes by index into their grids.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Choice {
    pub(super) curves: Codes,
    pub(super) amplitudes: Vec<usize>,
    /// Greatest deviation of a current, as a share of the wanted one.
    pub(super) error: f64,
}

/// Starts of the evolution for one segment, beside those from a curve of one segment less; fewer for more segments, whose
/// evolution takes longer.
const STARTS: usize = 12;
/// Evolutions from the best of all that must lead to nothing better before it counts as the best.
const TRIES: u32 = 2;
/// What evolution leaves more than so much worse than the best is not worth steps.
const WORTH_STEPS: f64 = 1.1;

/// Speeds at which the search looks at first.
const FIRST_LOOKS: usize = 60;
/// Most searches with ever more of them.
const EXCHANGES: u32 = 6;
/// A deviation that is so much greater at all speeds than at those that were looked at is no greater.
const ENOUGH: f64 = 5e-4;

impl Problem {
    /// The best choice found.
    pub(super) fn solve(&self) -> Choice {
        let mut best = self.judged(self.nothing_added(), None);
        let mut looks: Vec<BTreeSet<usize>> =
            self.members.iter().map(|member| first_looks(member.demand.points.len())).collect();
        let most = self.curves.iter().map(Vec::len).max().unwrap_or(0);
        for count in 1..=most {
            let fewer = best.curves;
            let segments = self.with_segments(count);
            let starts: Vec<Choice> = (0..count.max(2) - 1)
                .map(|index| segments.judged(segments.cut(&fewer, index), Some(&best.amplitudes)))
                .collect();
            best = segments.judged(segments.nothing_added(), None);
            for start in &starts {
                if start.error < best.error {
                    best = start.clone();
                }
            }
            best = segments.exchanged(best, &starts, &mut looks);
        }
        best
    }

    /// The same with the first few segments of every curve only.
    fn with_segments(&self, count: usize) -> Self {
        let curves = self.curves.iter().map(|segments| segments.iter().take(count).cloned().collect()).collect();
        Self { curves, ..self.clone() }
    }

    /// The same with the demands at some speeds only.
    fn at(&self, looks: &[BTreeSet<usize>]) -> Self {
        let some = |(member, looks): (&Member, &BTreeSet<usize>)| {
            let points = looks.iter().filter_map(|&index| member.demand.points.get(index)).copied().collect();
            Member { demand: Demand { points, ..member.demand }, ..*member }
        };
        Self { members: self.members.iter().zip(looks).map(some).collect(), ..self.clone() }
    }

    /// Searches at few speeds, and at more of them until what is found is as good at all; gives what is best at all.
    fn exchanged(&self, mut best: Choice, starts: &[Choice], looks: &mut [BTreeSet<usize>]) -> Choice {
        for _ in 0..EXCHANGES {
            let found = self.at(looks).searched(&best, starts);
            let everywhere = self.judged(found.curves.clone(), Some(&found.amplitudes));
            let is_seen = everywhere.error <= found.error + ENOUGH;
            // With the amplitudes that were found, too: others may be better at all speeds.
            self.look_at_worst(&found, looks);
            self.look_at_worst(&Choice { error: found.error, ..everywhere.clone() }, looks);
            if everywhere.error < best.error {
                best = everywhere;
            }
            // What was found is hardly worse than the best could be.
            if is_seen || best.error <= found.error + ENOUGH {
                break;
            }
        }
        best
    }

    /// Adds the speeds at which a choice deviates most in their neighbourhood, and by more than it says.
    fn look_at_worst(&self, choice: &Choice, looks: &mut [BTreeSet<usize>]) {
        let curves: Vec<Option<Curve>> =
            choice.curves.iter().enumerate().map(|(index, codes)| self.curve(index, codes)).collect();
        for (member, looks) in self.members.iter().zip(looks) {
            let amplitude = self.amplitudes.get(member.amplitude).zip(choice.amplitudes.get(member.amplitude));
            let amplitude = amplitude.map_or(0.0, |(grid, &index)| grid.at(index).value);
            let curve = member.curve.and_then(|index| curves.get(index)?.as_ref());
            let deviation = |point: &Point| {
                let added = curve.map_or(0.0, |curve| curve.at(point.velocity));
                point.deviation(member.demand.wanted_a, self.volts(amplitude, added)).abs()
            };
            let deviations: Vec<f64> = member.demand.points.iter().map(deviation).collect();
            for (index, &here) in deviations.iter().enumerate() {
                let beside = [index.checked_sub(1), index.checked_add(1)];
                let mut beside = beside.into_iter().flatten().filter_map(|index| deviations.get(index));
                if here > choice.error && beside.all(|&other| other <= here) {
                    looks.insert(index);
                }
            }
        }
    }

    /// The best choice found from `best`, from other choices, and from starts of its own.
    fn searched(&self, best: &Choice, starts: &[Choice]) -> Choice {
        let mut best = self.judged(best.curves.clone(), Some(&best.amplitudes));
        let most = self.curves.iter().map(Vec::len).max().unwrap_or(1);
        let from = [best.clone()].into_iter().chain(starts.iter().cloned());
        let shapes: Vec<Vec<Shape>> = from
            .filter(|start| start.error.is_finite())
            .map(|start| self.shapes(&start.curves))
            .chain((0..STARTS.div_ceil(most.max(1))).map(|start| self.spread(start)))
            .collect();
        for (seed, shape) in (0..).zip(shapes) {
            let mut found = self.evolved(shape, seed, &best.amplitudes);
            if found.error < WORTH_STEPS * best.error {
                found = self.stepped(found);
            }
            if found.error < best.error {
                best = found;
            }
        }
        let mut tries = 0;
        for seed in 1000.. {
            let found = self.stepped(self.evolved(self.shapes(&best.curves), seed, &best.amplitudes));
            if found.error < best.error {
                (best, tries) = (found, 0);
            } else {
                tries += 1;
            }
            if tries == TRIES {
                break;
            }
        }
        best
    }

    /// The same curves where one segment less makes them, for one more: the segment at an index becomes two of its slope.
    fn cut(&self, curves: &Codes, index: usize) -> Codes {
        let of = |(grids, codes): (&Vec<SegmentGrids>, &Vec<(usize, usize)>)| {
            let mut segments: Vec<Segment> = grids.iter().zip(codes).map(segment).collect();
            if let Some(&whole) = segments.get(index).filter(|_| segments.len() < grids.len()) {
                let end = segments.get(index + 1).map_or(self.top_velocity, |next| next.from_velocity);
                let middle = 0.5 * (whole.from_velocity + end);
                segments.insert(index + 1, Segment { from_velocity: middle, ..whole });
            }
            let coded = |(grids, segment): (&SegmentGrids, Segment)| {
                let from = grids.from.as_ref().map_or(0, |from| from.nearest(segment.from_velocity));
                (from, grids.slope.nearest(segment.slope))
            };
            grids.iter().zip(segments).map(coded).collect()
        };
        self.curves.iter().zip(curves).map(of).collect()
    }

    /// Curves that come nearest to adding nothing.
    fn nothing_added(&self) -> Codes {
        let of = |segments: &Vec<SegmentGrids>| {
            let each = segments.iter().enumerate().map(|(index, segment)| {
                let end = segment.from.as_ref().map_or(0, |from| (from.len() - 1).min(index));
                (end, segment.slope.nearest(0.0))
            });
            each.collect()
        };
        self.curves.iter().map(of).collect()
    }

    /// A curve as its codes make it; `None` if its segments are out of order.
    pub(super) fn curve(&self, index: usize, codes: &[(usize, usize)]) -> Option<Curve> {
        let segments: Vec<Segment> = self.curves.get(index)?.iter().zip(codes).map(segment).collect();
        segments.is_sorted_by(|a, b| a.from_velocity < b.from_velocity).then(|| Curve::new(&segments))
    }

    /// The choice with these curves and the best amplitudes for them; `near` are amplitudes to begin with.
    pub(super) fn judged(&self, curves: Codes, near: Option<&[usize]>) -> Choice {
        let made: Option<Vec<Curve>> =
            curves.iter().enumerate().map(|(index, codes)| self.curve(index, codes)).collect();
        let Some(made) = made else {
            return Choice { curves, amplitudes: vec![0; self.amplitudes.len()], error: f64::INFINITY };
        };
        let added: Vec<Vec<f64>> = self
            .members
            .iter()
            .map(|member| {
                let curve = member.curve.and_then(|index| made.get(index));
                let at = |velocity| curve.map_or(0.0, |curve| curve.at(velocity));
                member.demand.points.iter().map(|point| at(point.velocity)).collect()
            })
            .collect();
        let mut error = 0.0_f64;
        let mut amplitudes = Vec::new();
        for (slot, grid) in self.amplitudes.iter().enumerate() {
            let near = near.and_then(|near| near.get(slot)).copied();
            let (index, worst) = balanced(grid.len(), near, |index| self.extremes(slot, grid.at(index), &added));
            amplitudes.push(index);
            error = error.max(worst);
        }
        Choice { curves, amplitudes, error }
    }

    /// Lowest and highest deviation in the states that an amplitude serves.
    fn extremes(&self, slot: usize, amplitude: Code, added: &[Vec<f64>]) -> (f64, f64) {
        let served = self.members.iter().zip(added).filter(|(member, _)| member.amplitude == slot);
        let each = served.map(|(member, added)| {
            member.demand.extremes(|index, _| {
                let added = added.get(index).copied().unwrap_or(0.0);
                self.volts(amplitude.value, added)
            })
        });
        each.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), each| (low.min(each.0), high.max(each.1)))
    }

    fn volts(&self, amplitude: f64, added: f64) -> f64 {
        ((amplitude + added) * self.factor).clamp(0.0, 1.0) * self.full_v
    }
}

/// Indices of the first speeds to look at among so many: the distances grow evenly from rest.
fn first_looks(points: usize) -> BTreeSet<usize> {
    let last = points.saturating_sub(1);
    let at = |look: usize| last as f64 * (look * look) as f64 / (FIRST_LOOKS * FIRST_LOOKS) as f64;
    (0..=FIRST_LOOKS).map(|look| libm::round(at(look)) as usize).collect()
}

fn segment((grids, &(from, slope)): (&SegmentGrids, &(usize, usize))) -> Segment {
    Segment {
        from_velocity: grids.from.as_ref().map_or(0.0, |grid| grid.at(from).value),
        slope: grids.slope.at(slope).value,
    }
}

/// The index below `count` at which the greater of both deviations is least, and that deviation, where both grow with it.
fn balanced(count: usize, near: Option<usize>, extremes: impl Fn(usize) -> (f64, f64)) -> (usize, f64) {
    let last = count.saturating_sub(1);
    let leans_high = |index: usize| {
        let (low, high) = extremes(index);
        low + high >= 0.0
    };
    // The least index that leans high lies in from..=to; `to` may be one beyond the last.
    let (mut from, mut to) = (0, count);
    if let Some(near) = near.map(|near| near.min(last)) {
        let mut reach = 1;
        if leans_high(near) {
            to = near;
            while to > 0 {
                let next = to.saturating_sub(reach);
                if !leans_high(next) {
                    from = next + 1;
                    break;
                }
                (to, reach) = (next, reach * 2);
            }
        } else {
            from = near + 1;
            while from < count {
                let next = (from + reach).min(last);
                if leans_high(next) {
                    to = next;
                    break;
                }
                (from, reach) = (next + 1, reach * 2);
            }
        }
    }
    while from < to {
        let middle = from + (to - from) / 2;
        if leans_high(middle) { to = middle } else { from = middle + 1 }
    }
    let worst = |index: usize| {
        let (low, high) = extremes(index);
        high.max(-low)
    };
    let (above, below) = (from.min(last), from.saturating_sub(1).min(last));
    let (error_above, error_below) = (worst(above), worst(below));
    if error_below < error_above { (below, error_below) } else { (above, error_above) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_balanced_index_is_found_from_any_hint() {
        for crossing in 0..=12_i32 {
            let extremes = |index: usize| {
                let lean = index as f64 - f64::from(crossing) + 0.4;
                (lean - 5.0, lean + 5.0)
            };
            let best = (0..10).min_by(|&a: &usize, &b: &usize| {
                let worst = |index| extremes(index).1.max(-extremes(index).0);
                worst(a).total_cmp(&worst(b))
            });
            for near in [None, Some(0), Some(3), Some(9), Some(50)] {
                assert_eq!(Some(balanced(10, near, extremes).0), best, "{crossing}, {near:?}");
            }
        }
    }
}
