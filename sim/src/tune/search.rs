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

use std::collections::BTreeSet;

use super::codes::{Code, Grid};
use super::demand::{Demand, Point};
use crate::motor::{Curve, Segment};

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
/// Children per start and per number to settle.
const CHILDREN: u32 = 300;
/// Rounds of steps from code to code.
const ROUNDS: u32 = 60;

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

    /// The shapes that codes make.
    fn shapes(&self, curves: &Codes) -> Vec<Shape> {
        let of = |(grids, codes): (&Vec<SegmentGrids>, &Vec<(usize, usize)>)| {
            let segments: Vec<Segment> = grids.iter().zip(codes).map(segment).collect();
            let begins: Vec<f64> = segments.iter().map(|segment| segment.from_velocity).collect();
            let ends = begins.iter().skip(1).copied().chain([self.top_velocity]);
            let heights = segments.iter().zip(ends).scan(0.0, |height, (segment, end)| {
                *height += segment.slope * (end - segment.from_velocity).max(0.0);
                Some(*height)
            });
            Shape { heights: heights.collect(), begins }
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

    /// Codes for curves given as (places where segments begin, heights at their ends), each rounding made good by the
    /// next segment.
    fn coded(&self, shapes: &[Shape]) -> Codes {
        let of = |(segments, shape): (&Vec<SegmentGrids>, &Shape)| {
            let begins: Vec<(usize, f64)> = segments
                .iter()
                .zip(&shape.begins)
                .map(|(segment, &begin)| match &segment.from {
                    Some(grid) => {
                        let index = grid.nearest(begin);
                        (index, grid.at(index).value)
                    }
                    None => (0, 0.0),
                })
                .collect();
            let ends = begins.iter().skip(1).map(|begin| begin.1).chain([self.top_velocity]);
            let mut height = 0.0;
            let mut codes = Vec::new();
            for (((segment, &(index, begin)), end), &wanted) in
                segments.iter().zip(&begins).zip(ends).zip(&shape.heights)
            {
                let length = (end - begin).max(1e-9);
                let slope = segment.slope.nearest((wanted - height) / length);
                height += segment.slope.at(slope).value * length;
                codes.push((index, slope));
            }
            codes
        };
        self.curves.iter().zip(shapes).map(of).collect()
    }

    /// What the states that a curve serves want on average at a speed, as amplitude above that at rest.
    fn wanted_height(&self, curve: usize, velocity: f64) -> f64 {
        let share = self.full_v * self.factor;
        let (mut sum, mut count) = (0.0, 0.0);
        for member in self.members.iter().filter(|member| member.curve == Some(curve)) {
            let points = &member.demand.points;
            let after = points.partition_point(|point| point.velocity < velocity);
            if let (Some(first), Some(here)) = (points.first(), points.get(after).or(points.last())) {
                sum += (here.wanted_v - first.wanted_v) / share;
                count += 1.0;
            }
        }
        if count > 0.0 { sum / count } else { 0.0 }
    }

    /// Shapes that meet what is wanted where their segments end.
    fn spread(&self, start: usize) -> Vec<Shape> {
        // Segments of even length first, then ever shorter ones at low speed, where the demand bends.
        let power = 1.0 + 0.5 * (start % 8) as f64;
        let of = |(curve, segments): (usize, &Vec<SegmentGrids>)| {
            let count = segments.len() as f64;
            let place = |index: usize| self.top_velocity * libm::pow(index as f64 / count, power);
            let begins = (0..segments.len()).map(place).collect();
            let heights = (1..=segments.len()).map(|index| self.wanted_height(curve, place(index))).collect();
            Shape { begins, heights }
        };
        self.curves.iter().enumerate().map(of).collect()
    }

    /// The best descendant of shapes: each child takes its parent's place if it is no worse.
    fn evolved(&self, mut parent: Vec<Shape>, seed: u64, near: &[usize]) -> Choice {
        let mut chance = Chance { state: seed };
        let numbers: usize = self.curves.iter().map(|segments| 2 * segments.len()).sum();
        let tallest = parent.iter().flat_map(|shape| &shape.heights).fold(0.05, |most: f64, &each| most.max(each));
        let mut best = self.judged(self.coded(&parent), Some(near));
        let mut width = 0.1;
        for _ in 0..CHILDREN * numbers as u32 {
            let mut child = parent.clone();
            for shape in &mut child {
                for begin in &mut shape.begins {
                    *begin = (*begin + width * self.top_velocity * chance.deviate()).clamp(0.0, self.top_velocity);
                }
                for height in &mut shape.heights {
                    *height += width * tallest * chance.deviate();
                }
            }
            let found = self.judged(self.coded(&child), Some(&best.amplitudes));
            // One success in five keeps the width as it is.
            if found.error <= best.error {
                (parent, best) = (child, found);
                width = (width * 1.5).min(0.3);
            } else {
                width = (width * 0.903).max(1e-4);
            }
        }
        best
    }

    /// Steps of one or two registers at a time, as long as they make it better.
    fn stepped(&self, mut best: Choice) -> Choice {
        let steps = self.steps();
        for _ in 0..ROUNDS {
            let mut better: Option<Choice> = None;
            for (index, first) in steps.iter().enumerate() {
                let others = steps.iter().skip(index + 1).filter(|second| second.at != first.at);
                for second in [None].into_iter().chain(others.map(Some)) {
                    let mut curves = best.curves.clone();
                    if first.taken(self, &mut curves).is_none()
                        || second.is_some_and(|second| second.taken(self, &mut curves).is_none())
                    {
                        continue;
                    }
                    let found = self.judged(curves, Some(&best.amplitudes));
                    if found.error < better.as_ref().map_or(best.error, |better| better.error) {
                        better = Some(found);
                    }
                }
            }
            match better {
                Some(better) => best = better,
                None => break,
            }
        }
        best
    }

    fn steps(&self) -> Vec<Step> {
        let mut steps = Vec::new();
        for (curve, segments) in self.curves.iter().enumerate() {
            for (index, segment) in segments.iter().enumerate() {
                if segment.from.is_some() {
                    steps.extend([-64, -8, -1, 1, 8, 64].map(|by| Step { at: (curve, index, true), by }));
                }
                steps.extend([-1, 1].map(|by| Step { at: (curve, index, false), by }));
            }
        }
        steps
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

/// A curve before its codes.
#[derive(Clone, Debug)]
struct Shape {
    begins: Vec<f64>,
    heights: Vec<f64>,
}

/// A step of one register: curve, segment, whether it is where the segment begins.
#[derive(Clone, Copy, Debug)]
struct Step {
    at: (usize, usize, bool),
    by: isize,
}

impl Step {
    /// Takes the step; `None` if the register ends before.
    fn taken(&self, problem: &Problem, curves: &mut [Vec<(usize, usize)>]) -> Option<()> {
        let (curve, index, is_begin) = self.at;
        let grids = problem.curves.get(curve)?.get(index)?;
        let codes = curves.get_mut(curve)?.get_mut(index)?;
        let (code, length) = if is_begin {
            (&mut codes.0, grids.from.as_ref().map_or(0, Grid::len))
        } else {
            (&mut codes.1, grids.slope.len())
        };
        *code = code.checked_add_signed(self.by).filter(|&code| code < length)?;
        Some(())
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

/// Chance that repeats itself: SplitMix64 (Steele, Lea and Flood, OOPSLA 2014; the constants from memory).
#[derive(Debug)]
struct Chance {
    state: u64,
}

impl Chance {
    /// A number between −1 and 1, more often near 0: the mean of three even ones.
    fn deviate(&mut self) -> f64 {
        let mut even = || {
            self.state = self.state.wrapping_add(0x9E37_79B9_7F4A_7C15);
            let mixed = (self.state ^ self.state >> 30).wrapping_mul(0xBF58_476D_1CE4_E5B9);
            let mixed = (mixed ^ mixed >> 27).wrapping_mul(0x94D0_49BB_1331_11EB);
            ((mixed ^ mixed >> 31) >> 11) as f64 / (1u64 << 52) as f64 - 1.0
        };
        (even() + even() + even()) / 3.0
    }
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
