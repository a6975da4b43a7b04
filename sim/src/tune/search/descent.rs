//! From curves to better ones: by chance, then from code to code.
//!
//! A curve before its codes is a [`Shape`]. One parent has one child at a time, which takes its place if it is no worse, and
//! strays as far as one success in five allows (Rechenberg's rule, from memory). Steps of one or two registers end it.

use super::{Choice, Codes, Problem, SegmentGrids, segment};
use crate::motor::Segment;
use crate::tune::codes::Grid;

/// Children per start and per number to settle.
const CHILDREN: u32 = 300;
/// Rounds of steps from code to code.
const ROUNDS: u32 = 60;

impl Problem {
    /// The shapes that codes make.
    pub(super) fn shapes(&self, curves: &Codes) -> Vec<Shape> {
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
    pub(super) fn spread(&self, start: usize) -> Vec<Shape> {
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
    pub(super) fn evolved(&self, mut parent: Vec<Shape>, seed: u64, near: &[usize]) -> Choice {
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
    pub(super) fn stepped(&self, mut best: Choice) -> Choice {
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

/// A curve before its codes.
#[derive(Clone, Debug)]
pub(super) struct Shape {
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
