//! No other codes are noticeably better: all of them where they are few, many of them where not.
//!
//! The judge here is not that of the search: it asks the motor's steady state, by angle, for every current.

use stepchain::map::{Layout, MotionState, Parameter, Register, RegisterMap as _};
use stepchain::reference::Latched;

use super::super::{Options, TURNING, Tuning, tune};
use super::{big, demo, four_segments, maps, tuned, two_segments};
use crate::motor::{Curve, Segment, sampling_factor, steady};

/// More than this part of the wanted current nothing may be better.
const TOLERANCE: f64 = 0.01;

/// Codes of slope 0, from 1, slope 1, …, in the order of the curve.
type Curves = Vec<u32>;

/// Everything that the judge needs, taken from the registers anew.
struct Judge {
    tuning: Tuning,
    curve: Vec<&'static Register>,
    amplitudes: [&'static Register; 3],
    velocities: Vec<f64>,
}

impl Judge {
    fn new(layout: &'static Layout, tuning: Tuning, looks: u32) -> Self {
        let curve = layout
            .registers
            .iter()
            .filter(|register| matches!(register.parameter, Parameter::BackEmfFrom(_) | Parameter::BackEmfSlope(_)))
            .collect();
        let amplitude = |parameter| layout.register(parameter, 0).unwrap();
        let top = tuning.valid_to_velocity;
        Self {
            curve,
            amplitudes: [
                amplitude(Parameter::ConstantVelocityAmplitude),
                amplitude(Parameter::AcceleratingAmplitude),
                amplitude(Parameter::DeceleratingAmplitude),
            ],
            velocities: (0..=looks).map(|look| top * f64::from(look) / f64::from(looks)).collect(),
            tuning,
        }
    }

    fn value(register: &Register, code: u32) -> f64 {
        super::super::codes::number_of(register.value_of(code).unwrap())
    }

    fn curve(&self, codes: &Curves) -> Option<Curve> {
        let mut segments = vec![Segment::default()];
        for (register, &code) in self.curve.iter().zip(codes) {
            let value = Self::value(register, code);
            match register.parameter {
                Parameter::BackEmfFrom(_) if segments.last()?.from_velocity >= value => return None,
                Parameter::BackEmfFrom(_) => segments.push(Segment { from_velocity: value, slope: 0.0 }),
                _ => segments.last_mut()?.slope = value,
            }
        }
        Some(Curve::new(&segments))
    }

    /// Greatest error of one state's current, as a share of the wanted one; 2 where the load is lost.
    fn error(&self, state: MotionState, amplitude: f64, curve: &Curve) -> f64 {
        let tuning = &self.tuning;
        let (windings, wanted_a) = (tuning.windings(), tuning.motor.wanted.currents_a.of(state));
        let full_v = tuning.motor.supply.nominal_v * sampling_factor(tuning.microsteps_per_step);
        let at = |&velocity: &f64| {
            let volts = (amplitude + curve.at(velocity)).min(1.0) * full_v;
            steady(&windings, volts, tuning.torque_n_m(state, velocity), velocity)
                .map_or(2.0, |state| (state.current_a / wanted_a - 1.0).abs())
        };
        self.velocities.iter().map(at).fold(0.0, f64::max)
    }

    /// The least worst error that any amplitudes of all states make of a curve; stops at what is no better than `bound`.
    fn best_amplitudes(&self, curve: &Curve, bound: f64) -> f64 {
        let mut worst = 0.0_f64;
        for (state, register) in TURNING.into_iter().zip(self.amplitudes) {
            let codes = (0..=register.coding.mask()).map(|code| Self::value(register, code));
            // At rest the current is V/R whatever the curve: only amplitudes that are right there can be right at all.
            let full_v = self.tuning.motor.supply.nominal_v * sampling_factor(self.tuning.microsteps_per_step);
            let rest_a = |amplitude: f64| amplitude * full_v / self.tuning.windings().resistance_ohm;
            let wanted_a = self.tuning.motor.wanted.currents_a.of(state);
            let near = codes.filter(|&amplitude| (rest_a(amplitude) / wanted_a - 1.0).abs() < bound);
            worst = near.map(|amplitude| self.error(state, amplitude, curve)).fold(2.0, f64::min).max(worst);
            if worst >= bound {
                return worst;
            }
        }
        worst
    }

    /// The error of what was tuned, by this judge.
    fn of_tuned(&self) -> f64 {
        let of = |state| {
            let curve = &self.tuning.setting.curves[state as usize];
            self.error(state, self.tuning.setting.amplitudes.of(state), curve)
        };
        TURNING.into_iter().map(of).fold(0.0, f64::max)
    }

    fn codes_of_tuned(&self) -> Curves {
        let code = |register: &&Register| {
            self.tuning.settings.iter().find(|tuned| tuned.parameter == register.parameter).unwrap().code
        };
        self.curve.iter().map(code).collect()
    }
}

#[test]
fn no_code_of_a_map_with_few_codes_is_better() {
    let judge = Judge::new(maps::FEW_CODES, tuned(maps::FEW_CODES), 24);
    let found = judge.of_tuned();
    let mut best = 2.0_f64;
    let mut tried = 0;
    for first in 0..16 {
        for from in 0..8 {
            for second in 0..16 {
                if let Some(curve) = judge.curve(&vec![first, from, second]) {
                    tried += 1;
                    best = best.min(judge.best_amplitudes(&curve, best));
                }
            }
        }
    }
    assert_eq!(tried, 16 * 7 * 16);
    assert!(best < 0.2, "some codes serve: {best}");
    assert!(found - best < TOLERANCE, "tuned {found}, best {best}");
}

/// Random curves, each improved by random changes as long as that helps; another search than the one under test, and one
/// that also starts from its result.
fn random_search_finds_nothing_better(tuning: &Tuning) {
    let judge = Judge::new(tuning.layout, tuning.clone(), 24);
    let found = judge.of_tuned();
    let mut state = 0x5EED_u64;
    let mut below = |count: u32| {
        // Knuth's MMIX generator (from memory); its upper bits are the better ones.
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((state >> 33) % u64::from(count.max(1))) as u32
    };
    let mut best = found;
    let mut starts_that_serve = 0;
    for start in 0..40 {
        let random = |below: &mut dyn FnMut(u32) -> u32, register: &Register| match register.parameter {
            Parameter::BackEmfFrom(_) => below((judge.tuning.valid_to_velocity * 8.0) as u32),
            _ => below(200),
        };
        let mut codes: Curves = match start {
            0 => judge.codes_of_tuned(),
            _ => judge.curve.iter().map(|register| random(&mut below, register)).collect(),
        };
        let worth = |codes: &Curves| judge.curve(codes).map_or(3.0, |curve| judge.best_amplitudes(&curve, 0.3));
        let mut error = worth(&codes);
        for _ in 0..120 {
            let mut other = codes.clone();
            for _ in 0..=below(2) {
                let index = below(other.len() as u32) as usize;
                let span = if matches!(judge.curve[index].parameter, Parameter::BackEmfFrom(_)) { 800 } else { 16 };
                let reach = 1 + below(span);
                let code = other[index] + reach;
                other[index] = if below(2) == 0 { code } else { code.saturating_sub(2 * reach) };
                other[index] = other[index].min(judge.curve[index].coding.mask());
            }
            let tried = worth(&other);
            if tried <= error {
                (codes, error) = (other, tried);
            }
        }
        starts_that_serve += u32::from(error < 0.25);
        best = best.min(error);
    }
    assert!(starts_that_serve >= 3, "{starts_that_serve} starts came anywhere: the search is one that can find");
    assert!(found - best < TOLERANCE, "tuned {found}, best {best}");
}

#[test]
fn a_random_search_over_two_segments_finds_nothing_better() {
    random_search_finds_nothing_better(two_segments());
}

#[test]
fn a_random_search_over_four_segments_finds_nothing_better() {
    random_search_finds_nothing_better(four_segments());
}

#[test]
fn two_segments_keep_the_currents_within_ten_percent_and_four_within_five() {
    let (two, four) = (two_segments(), four_segments());
    assert_eq!((two.valid_to_velocity, four.valid_to_velocity), (1200.0, 1200.0));
    assert!(two.worst_current_error <= 0.10, "{:?}", two.errors);
    assert!(four.worst_current_error <= 0.05, "{:?}", four.errors);
    assert!(four.worst_current_error < two.worst_current_error);
}

/// Also a big motor, whose demand bends sharply at low speed, and where the worst is there.
#[test]
fn more_segments_are_no_worse_than_fewer() {
    let errors = [&Latched::LAYOUT, maps::FOUR_SEGMENTS].map(|layout| {
        let tuning = tune(&big(), layout, &Options::default()).unwrap();
        (tuning.worst_current_error, tuning.errors)
    });
    let [(two, _), (four, of_four)] = &errors;
    assert!(four <= two, "{errors:?}");
    // What another search (linear programming over slopes and amplitudes, rounded) reached with four segments.
    assert!(*four <= 0.092, "{of_four:?}");
}

/// For every pair of currents that share a register: no code of it is better.
#[test]
fn no_code_of_a_map_of_currents_is_better() {
    let register = maps::CURRENTS.register(Parameter::ConstantVelocityAmplitude, 0).unwrap();
    let mut above = 0;
    for step in 0..40 {
        let mut file = demo();
        file.wanted.currents_a.accelerating = 1.6 + 0.0137 * f64::from(step);
        file.wanted.currents_a.decelerating = 1.6;
        let wanted_a = file.wanted.currents_a;
        let tuning = tune(&file, maps::CURRENTS, &Options::default()).unwrap();
        let worst = |made_a: f64| {
            let deviation = |state| (made_a / wanted_a.of(state) - 1.0).abs();
            TURNING.into_iter().map(deviation).fold(0.0, f64::max)
        };
        let best = (0..=register.coding.mask()).map(|code| worst(Judge::value(register, code))).fold(2.0, f64::min);
        let found = worst(tuning.setting.amplitudes.constant_velocity);
        assert!((found - best).abs() < 1e-12, "{found}, best {best}, for {wanted_a:?}");
        above += u32::from(tuning.setting.amplitudes.constant_velocity > 1.6);
    }
    assert!(above > 30, "{above}");
}

/// A curve of its own fits each state better than one for all.
#[test]
fn curves_of_their_own_serve_each_state_better() {
    let (own, shared) = (tuned(maps::OWN_CURVES), two_segments());
    assert!(own.worst_current_error + 0.005 < shared.worst_current_error, "{:?}\n{:?}", own.errors, shared.errors);
    assert_ne!(own.setting.curves[1], own.setting.curves[2]);
}

#[test]
fn the_same_motor_and_map_give_the_same_codes() {
    assert_eq!(tuned(&Latched::LAYOUT).settings, two_segments().settings);
}
