//! What the registers make of the amplitude: by motion state, plus the back-EMF curve, times both compensations.
//!
//! Physical numbers only: which codes mean them is the map's business.

use stepchain::map::{Drive, MotionState};

use core::f64::consts::PI;

/// Strength of the drive in each motion state: a share of the supply, or amperes where the map's amplitude is a current.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Amplitudes {
    /// While the motor stands.
    pub standstill: f64,
    /// At constant velocity.
    pub constant_velocity: f64,
    /// While the speed grows.
    pub accelerating: f64,
    /// While the speed falls.
    pub decelerating: f64,
}

impl Amplitudes {
    /// The same in every state.
    #[must_use]
    pub const fn all(amplitude: f64) -> Self {
        Self { standstill: amplitude, constant_velocity: amplitude, accelerating: amplitude, decelerating: amplitude }
    }

    /// The one of a motion state.
    #[must_use]
    pub const fn of(&self, state: MotionState) -> f64 {
        match state {
            MotionState::Standstill => self.standstill,
            MotionState::ConstantVelocity => self.constant_velocity,
            MotionState::Accelerating => self.accelerating,
            MotionState::Decelerating => self.decelerating,
        }
    }
}

/// One segment of a back-EMF curve: from a speed on, the amplitude grows by so much per full step/s.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Segment {
    /// Where the segment begins, in full steps/s; it ends where the next one begins.
    pub from_velocity: f64,
    /// Amplitude added per full step/s.
    pub slope: f64,
}

/// Amplitude added over speed, piecewise linear and without jumps.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Curve {
    segments: Vec<Segment>,
}

impl Curve {
    /// From segments in any order; nothing is added below the first.
    #[must_use]
    pub fn new(segments: &[Segment]) -> Self {
        let mut segments = segments.to_vec();
        segments.sort_by(|a, b| a.from_velocity.total_cmp(&b.from_velocity));
        Self { segments }
    }

    /// The segments, slowest first.
    #[must_use]
    pub fn segments(&self) -> &[Segment] {
        &self.segments
    }

    /// What the curve adds at a speed in full steps/s; the sign of the speed has no say.
    #[must_use]
    pub fn at(&self, velocity: f64) -> f64 {
        let speed = velocity.abs();
        let ends = self.segments.iter().skip(1).map(|segment| segment.from_velocity).chain([f64::INFINITY]);
        let part = |(segment, end): (&Segment, f64)| (speed.min(end) - segment.from_velocity).max(0.0) * segment.slope;
        self.segments.iter().zip(ends).map(part).sum()
    }
}

/// How the amplitude follows the measured supply.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum SupplyCompensation {
    /// Always this factor, as firmware wrote it.
    Factor(f64),
    /// Nominal over measured supply: the nominal one, in volts.
    Nominal(f64),
}

/// Everything that makes the amplitude.
#[derive(Clone, Debug, PartialEq)]
pub struct Setting {
    /// Whether amplitudes are shares of the supply or currents.
    pub drive: Drive,
    /// Before any compensation.
    pub amplitudes: Amplitudes,
    /// Added over speed; one curve for each motion state, in the order of [`MotionState::ALL`].
    pub curves: [Curve; 4],
    /// Multiplies the sum of both. A current needs none.
    pub supply_compensation: SupplyCompensation,
    /// Multiplies it too, for the risen resistance of a warm winding.
    pub resistance_compensation: f64,
    /// Equal parts into which the chip divides the full amplitude; `None` if it has no such grid.
    pub amplitude_levels: Option<u32>,
    /// What the full amplitude is: 1 for a share of the supply, the greatest current in amperes for a current.
    pub full_amplitude: f64,
}

impl Setting {
    /// Shares of the supply that are the same at every speed, without compensation.
    #[must_use]
    pub fn uncompensated(amplitudes: Amplitudes) -> Self {
        Self {
            drive: Drive::Voltage,
            amplitudes,
            curves: core::array::from_fn(|_| Curve::default()),
            supply_compensation: SupplyCompensation::Factor(1.0),
            resistance_compensation: 1.0,
            amplitude_levels: None,
            full_amplitude: 1.0,
        }
    }

    /// Currents in amperes, up to a greatest one.
    #[must_use]
    pub fn current(amplitudes: Amplitudes, greatest_a: f64) -> Self {
        Self { drive: Drive::Current, full_amplitude: greatest_a, ..Self::uncompensated(amplitudes) }
    }

    /// The same with one back-EMF curve for all motion states.
    #[must_use]
    pub fn with_curve(mut self, curve: &Curve) -> Self {
        self.curves = core::array::from_fn(|_| curve.clone());
        self
    }

    /// The amplitude before it meets its ends and its grid: more than the full amplitude where it saturates.
    #[must_use]
    pub fn asked_amplitude(&self, state: MotionState, velocity: f64, supply_v: f64) -> f64 {
        let curve = MotionState::ALL.iter().zip(&self.curves).find(|&(&of, _)| of == state);
        let added = curve.map_or(0.0, |(_, curve)| curve.at(velocity));
        let supply = match self.supply_compensation {
            SupplyCompensation::Factor(factor) => factor,
            // Without a supply the chip can ask no more than everything.
            SupplyCompensation::Nominal(nominal_v) if supply_v > 0.0 => nominal_v / supply_v,
            SupplyCompensation::Nominal(_) => f64::MAX,
        };
        (self.amplitudes.of(state) + added).max(0.0) * supply * self.resistance_compensation
    }

    /// The amplitude that the bridge is told, at a speed in full steps/s and a measured supply in volts: within zero
    /// and the full amplitude, on the chip's grid.
    #[must_use]
    pub fn amplitude(&self, state: MotionState, velocity: f64, supply_v: f64) -> f64 {
        let amplitude = self.asked_amplitude(state, velocity, supply_v).clamp(0.0, self.full_amplitude);
        match self.amplitude_levels {
            Some(levels) if levels > 0 => {
                let level = self.full_amplitude / f64::from(levels);
                libm::round(amplitude / level) * level
            }
            _ => amplitude,
        }
    }
}

/// Share of the amplitude that the fundamental wave keeps when the angle is held between microstep edges: the sine of
/// half a microstep's angle over that angle (any text on sampling). 0.900 for full steps, 0.9996 for 1/16.
#[must_use]
pub fn sampling_factor(microsteps_per_step: u16) -> f64 {
    let half = PI / (4.0 * f64::from(microsteps_per_step.max(1)));
    libm::sin(half) / half
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: 0.2, up to 100 steps/s flat, then 1e-4 up to 1100 (adds 0.1), then 2e-4.
    #[test]
    fn a_curve_adds_each_segment_up_to_the_next() {
        let curve = Curve::new(&[
            Segment { from_velocity: 1100.0, slope: 2e-4 },
            Segment { from_velocity: 100.0, slope: 1e-4 },
        ]);
        let setting = Setting::uncompensated(Amplitudes::all(0.2)).with_curve(&curve);
        let at = |velocity| setting.amplitude(MotionState::ConstantVelocity, velocity, 24.0);
        for (velocity, expected) in [(0.0, 0.2), (100.0, 0.2), (600.0, 0.25), (1100.0, 0.3), (-2100.0, 0.5), (1e9, 1.0)]
        {
            assert!((at(velocity) - expected).abs() < 1e-12, "{} at {velocity}", at(velocity));
        }
    }

    #[test]
    fn each_motion_state_has_its_amplitude_and_its_curve() {
        let mut setting = Setting::uncompensated(Amplitudes {
            standstill: 0.1,
            constant_velocity: 0.2,
            accelerating: 0.3,
            decelerating: 0.4,
        });
        setting.curves[3] = Curve::new(&[Segment { from_velocity: 0.0, slope: 1e-3 }]);
        let read = MotionState::ALL.map(|state| setting.amplitude(state, 100.0, 24.0));
        // In the order of the vocabulary: standstill, accelerating, constant velocity, decelerating.
        assert_eq!(read, [0.1, 0.3, 0.2, 0.5]);
    }

    /// By hand: (0.2 + 0) · 24/12 · 1.25 = 0.5; at 4.8 V it would be 1.25 and saturates.
    #[test]
    fn both_compensations_multiply_and_the_supply_saturates() {
        let setting = Setting {
            supply_compensation: SupplyCompensation::Nominal(24.0),
            resistance_compensation: 1.25,
            ..Setting::uncompensated(Amplitudes::all(0.2))
        };
        let at = |supply_v| setting.amplitude(MotionState::Standstill, 0.0, supply_v);
        assert!((at(12.0) - 0.5).abs() < 1e-12 && (at(24.0) - 0.25).abs() < 1e-12);
        assert_eq!((at(4.8), at(0.0)), (1.0, 1.0));
        assert!((setting.asked_amplitude(MotionState::Standstill, 0.0, 4.8) - 1.25).abs() < 1e-12);
    }

    #[test]
    fn the_amplitude_falls_on_the_grid_of_the_chip() {
        let mut setting = Setting::uncompensated(Amplitudes::all(0.3));
        setting.amplitude_levels = Some(16);
        assert_eq!(setting.amplitude(MotionState::Standstill, 0.0, 24.0), 5.0 / 16.0);
        let setting = Setting { amplitude_levels: Some(8), ..Setting::current(Amplitudes::all(0.7), 2.0) };
        assert_eq!(setting.amplitude(MotionState::Standstill, 0.0, 24.0), 0.75);
    }

    /// The values of any text on zero-order hold, as the project's list of outside checks has them.
    #[test]
    fn holding_the_angle_costs_the_fundamental_its_sinc() {
        for (microsteps, expected) in [(1, 0.900), (2, 0.974), (4, 0.9936), (16, 0.9996)] {
            assert!((sampling_factor(microsteps) - expected).abs() < 5.1e-4, "{}", sampling_factor(microsteps));
        }
    }
}
