//! The registers of a map that make the amplitude, and which motion states they serve together.

use stepchain::map::{CurveSegment, Layout, MotionState, Parameter, Register};
use stepchain::units::Value;

use super::TURNING;
use super::codes::{self, Code, Grid};
use super::demand::Demand;
use super::search::{Member, Problem, SegmentGrids};
use crate::motor::Amplitudes;

/// What a map offers to be set.
#[derive(Clone, Copy, Debug)]
pub(super) struct Registers {
    layout: &'static Layout,
}

/// The parameter of a state's own amplitude.
pub(super) const fn own_amplitude(state: MotionState) -> Parameter {
    match state {
        MotionState::Standstill => Parameter::StandstillAmplitude,
        MotionState::ConstantVelocity => Parameter::ConstantVelocityAmplitude,
        MotionState::Accelerating => Parameter::AcceleratingAmplitude,
        MotionState::Decelerating => Parameter::DeceleratingAmplitude,
    }
}

impl Registers {
    /// Those of a map; refused if it has no amplitude for turning.
    pub(super) fn of(layout: &'static Layout) -> Result<Self, String> {
        let registers = Self { layout };
        if MotionState::ALL.iter().any(|&state| registers.amplitude_register(state).is_none()) {
            return Err(format!(
                "map `{}`: found no register for `{}`, expected one: there is no amplitude to tune",
                layout.name,
                Parameter::ConstantVelocityAmplitude
            ));
        }
        Ok(registers)
    }

    pub(super) fn find(&self, parameter: Parameter) -> Option<&'static Register> {
        self.layout.register(parameter, 0)
    }

    /// The register that makes the amplitude of a state: its own, or that of constant velocity.
    fn amplitude_register(&self, state: MotionState) -> Option<&'static Register> {
        self.find(own_amplitude(state)).or_else(|| self.find(Parameter::ConstantVelocityAmplitude))
    }

    /// The register's parameter and the code nearest to an amplitude.
    pub(super) fn amplitude(&self, state: MotionState, value: f64) -> Result<(Parameter, Code), String> {
        let register = self.amplitude_register(state);
        register
            .and_then(|register| Some((register.parameter, codes::nearest(register, value)?)))
            .ok_or_else(|| format!("map `{}`: no code of `{}` means anything", self.layout.name, own_amplitude(state)))
    }

    /// The register that serves a turning state of a map of currents, the current for it, and the code.
    ///
    /// The current is the wanted one, or, where several states share the register, the one with the same deviation from the
    /// least and from the greatest of theirs; the code is the one with the least worst deviation.
    pub(super) fn shared_current(
        &self,
        state: MotionState,
        wanted_a: &Amplitudes,
    ) -> Result<(Parameter, f64, Code), String> {
        let place = |state| self.amplitude_register(state).map(|register| register.parameter);
        let served = TURNING.iter().filter(|&&other| place(other) == place(state)).map(|&other| wanted_a.of(other));
        let (least, greatest) = served.fold((f64::INFINITY, 0.0_f64), |(low, high), a| (low.min(a), high.max(a)));
        let value = 2.0 / (1.0 / least + 1.0 / greatest);
        let worst = |code: &Code| (code.value / least - 1.0).abs().max((code.value / greatest - 1.0).abs());
        let (parameter, nearest) = self.amplitude(state, value)?;
        let beside = self.find(parameter).into_iter().flat_map(|register| {
            [codes::at_most(register, value), codes::at_least(register, value)].into_iter().flatten()
        });
        let best = beside.fold(nearest, |best, code| if worst(&code) < worst(&best) { code } else { best });
        Ok((parameter, value, best))
    }

    pub(super) fn nearest(&self, parameter: Parameter, value: f64) -> Option<Code> {
        codes::nearest(self.find(parameter)?, value)
    }

    pub(super) fn at_most(&self, parameter: Parameter, value: f64) -> Option<Code> {
        codes::at_most(self.find(parameter)?, value)
    }

    /// Whether a code means the greatest value of its register.
    pub(super) fn is_last(&self, parameter: Parameter, code: Code) -> bool {
        self.find(parameter)
            .and_then(|register| codes::nearest(register, f64::MAX))
            .is_some_and(|last| last.value <= code.value)
    }

    /// Greatest current that an amplitude register of a current drive means, in amperes.
    pub(super) fn full_current_a(&self) -> f64 {
        let each =
            MotionState::ALL.iter().filter_map(|&state| codes::nearest(self.amplitude_register(state)?, f64::MAX));
        each.map(|code| code.value).fold(0.0, f64::max)
    }

    /// The resolution that holds after power-up.
    pub(super) fn microsteps_per_step(&self) -> u16 {
        let written = self
            .find(Parameter::MicrostepResolution)
            .and_then(|register| register.value_of(register.reset).ok())
            .and_then(|value| match value {
                Value::MicrostepResolution(resolution) => Some(resolution.to_microsteps_per_step()),
                _ => None,
            });
        written.or_else(|| self.layout.position.resolutions.first().copied()).unwrap_or(1)
    }

    /// The segments of the curve that serves a state, as (whether it is the state's own, registers).
    pub(super) fn segments(&self, state: MotionState) -> (bool, Vec<(Option<&'static Register>, &'static Register)>) {
        let of = |segment: fn(MotionState, u8) -> CurveSegment| -> Vec<_> {
            let each = (0..8).map_while(|index| {
                let segment = segment(state, index);
                let slope = self.find(Parameter::BackEmfSlope(segment))?;
                Some((self.find(Parameter::BackEmfFrom(segment)), slope))
            });
            each.collect()
        };
        let own = of(CurveSegment::of);
        if own.is_empty() { (false, of(|_, index| CurveSegment::new(index))) } else { (true, own) }
    }

    /// The search split into parts that share no register.
    pub(super) fn problems(&self, demands: &[Demand], full_v: f64, factor: f64, top_velocity: f64) -> Vec<Problem> {
        // What a state uses, as marks: its amplitude register's address and bit, and the state whose curve it uses.
        let amplitude_of = |state| self.amplitude_register(state).map(|register| (register.address, register.lsb));
        let curve_of = |state| {
            let (is_own, segments) = self.segments(state);
            (!segments.is_empty()).then_some(is_own.then_some(state))
        };
        let mut part_of: Vec<usize> = (0..TURNING.len()).collect();
        for (a, &first) in TURNING.iter().enumerate() {
            for (b, &second) in TURNING.iter().enumerate().skip(a + 1) {
                let share_curve = curve_of(first).is_some() && curve_of(first) == curve_of(second);
                if share_curve || amplitude_of(first) == amplitude_of(second) {
                    let (from, to) = (part_of.get(b).copied(), part_of.get(a).copied());
                    for part in part_of.iter_mut().filter(|part| Some(**part) == from) {
                        *part = to.unwrap_or(*part);
                    }
                }
            }
        }
        let slopes = demands.iter().flat_map(|demand| demand.points.windows(2)).filter_map(|pair| match pair {
            [a, b] => Some((b.wanted_v - a.wanted_v) / (b.velocity - a.velocity) / (full_v * factor)),
            _ => None,
        });
        // Twice as steep as the demand anywhere is steep enough. A slope has no sign: where a demand falls, none follows it.
        let steepest = slopes.fold(0.0, |most: f64, slope| most.max(2.0 * slope));
        let mut problems = Vec::new();
        for part in 0..TURNING.len() {
            let mut problem = Problem {
                curves: Vec::new(),
                amplitudes: Vec::new(),
                members: Vec::new(),
                full_v,
                factor,
                top_velocity,
            };
            let (mut curves, mut amplitudes) = (Vec::new(), Vec::new());
            for demand in demands
                .iter()
                .filter(|demand| TURNING.iter().zip(&part_of).any(|(state, &of)| *state == demand.state && of == part))
            {
                let Some(register) = self.amplitude_register(demand.state) else { continue };
                let amplitude = position_or_push(&mut amplitudes, (register.address, register.lsb), || {
                    problem.amplitudes.extend(Grid::of(register, 0.0, 1.0));
                });
                let curve = curve_of(demand.state).map(|mark| {
                    position_or_push(&mut curves, mark, || {
                        let segments = self.segments(demand.state).1;
                        let grids = segments.into_iter().filter_map(|(from, slope)| {
                            let from = from.and_then(|register| Grid::of(register, 0.0, top_velocity));
                            Some(SegmentGrids { from, slope: Grid::of(slope, 0.0, steepest)? })
                        });
                        problem.curves.push(grids.collect());
                    })
                });
                problem.members.push(Member { demand: demand.clone(), curve, amplitude });
            }
            if !problem.members.is_empty() {
                problems.push(problem);
            }
        }
        problems
    }
}

fn position_or_push<T: PartialEq>(marks: &mut Vec<T>, mark: T, new: impl FnOnce()) -> usize {
    match marks.iter().position(|other| *other == mark) {
        Some(index) => index,
        None => {
            new();
            marks.push(mark);
            marks.len() - 1
        }
    }
}
