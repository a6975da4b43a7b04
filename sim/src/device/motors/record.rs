//! What a motor has done over time, for a chart: samples that grow coarser as they grow many.

use crate::motor::Motor;

/// A motor at one instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MotorSample {
    /// In nanoseconds of virtual time.
    pub time_ns: u64,
    /// Where the rotor was, in full steps from where it was at power-up.
    pub rotor_steps: f64,
    /// How far that was behind the count, in full steps.
    pub following_error_steps: f64,
    /// Greatest length of the vector of both currents since the sample before, as the device looked, in amperes.
    pub current_a: f64,
    /// Temperature of the windings, in degrees Celsius.
    pub winding_c: f64,
    /// Temperature of the output stage, in degrees Celsius.
    pub stage_c: f64,
}

/// With so many samples every second one goes.
const MOST: usize = 1 << 16;

/// The samples of one motor.
#[derive(Clone, Debug)]
pub(super) struct Record {
    every_ns: u64,
    next_ns: u64,
    greatest_a: f64,
    samples: Vec<MotorSample>,
}

impl Record {
    pub(super) const fn new(every_ns: u64) -> Self {
        Self { every_ns, next_ns: 0, greatest_a: 0.0, samples: Vec::new() }
    }

    /// The device has looked at its motor; at the instants that are `due` in any case this makes a sample.
    pub(super) fn note(&mut self, motor: &Motor, commanded_steps: f64, stage_c: f64, is_due: bool) {
        let sample = sample(motor, commanded_steps, stage_c);
        self.greatest_a = self.greatest_a.max(sample.current_a);
        if !is_due && sample.time_ns < self.next_ns {
            return;
        }
        self.samples.push(MotorSample { current_a: self.greatest_a, ..sample });
        self.greatest_a = 0.0;
        self.next_ns = sample.time_ns.saturating_add(self.every_ns);
        if self.samples.len() >= MOST {
            self.thin();
        }
    }

    /// Of two neighbours the later one stays, with the greater current of both.
    fn thin(&mut self) {
        let greater = |pair: &[MotorSample]| {
            let current_a = pair.iter().map(|sample| sample.current_a).fold(0.0, f64::max);
            pair.last().map(|last| MotorSample { current_a, ..*last })
        };
        self.samples = self.samples.chunks(2).filter_map(greater).collect();
        self.every_ns = self.every_ns.saturating_mul(2);
    }

    /// All samples, the last one of the motor as it is now.
    pub(super) fn samples(&self, motor: &Motor, commanded_steps: f64, stage_c: f64) -> Vec<MotorSample> {
        self.samples.iter().copied().chain([sample(motor, commanded_steps, stage_c)]).collect()
    }
}

fn sample(motor: &Motor, commanded_steps: f64, stage_c: f64) -> MotorSample {
    MotorSample {
        time_ns: motor.now_ns(),
        rotor_steps: motor.position_steps(),
        following_error_steps: commanded_steps - motor.position_steps(),
        current_a: motor.current_amplitude_a(),
        winding_c: motor.heat().winding_c,
        stage_c,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::motor::{Applied, Load, Supply};

    /// By hand: 65 536 samples a millisecond apart become half as many, and then one comes every two.
    #[test]
    fn a_long_record_stays_short_and_keeps_the_greatest_currents() {
        let file = crate::motor::load("../examples/motors/demo.toml".as_ref()).unwrap();
        let mut motor = Motor::new(&file.motor, &Load::default(), &Supply::constant(24.0));
        let mut record = Record::new(1_000_000);
        for _ in 0..MOST {
            motor.rest(motor.now_ns() + 1_000_000, true);
            record.note(&motor, 0.0, 25.0, false);
        }
        assert_eq!((record.samples.len(), record.every_ns), (MOST / 2, 2_000_000));
        motor.advance(motor.now_ns() + 5_000_000, &Applied::held(0.0, 0.5));
        record.note(&motor, 0.0, 25.0, false);
        let strong_a = motor.current_amplitude_a();
        motor.advance(motor.now_ns() + 1_000_000, &Applied::RELEASED);
        record.note(&motor, 0.0, 25.0, false);
        motor.advance(motor.now_ns() + 1_000_000, &Applied::RELEASED);
        record.note(&motor, 0.0, 25.0, false);
        let last: Vec<_> = record.samples.iter().rev().take(2).map(|sample| sample.current_a).collect();
        assert_eq!(last[1], strong_a);
        record.thin();
        let samples = record.samples(&motor, 2.0, 30.0);
        assert_eq!(samples[samples.len() - 2].current_a, strong_a);
        assert_eq!(samples.last().map(|sample| (sample.time_ns, sample.stage_c)), Some((motor.now_ns(), 30.0)));
        assert_eq!(samples.last().map(|sample| sample.following_error_steps), Some(2.0 - motor.position_steps()));
        assert!(samples.windows(2).all(|pair| pair[0].time_ns <= pair[1].time_ns));
    }
}
