//! The closed form of a move in floating point, in microsteps and seconds, from the other side: the peak is found by
//! bisection, and it is times of steps that are known here, not steps at times.

use super::Ramp;

#[derive(Debug)]
pub(super) struct Ideal {
    pub(super) length: f64,
    jump: f64,
    pub(super) peak: f64,
    acceleration: f64,
    deceleration: f64,
    pub(super) accelerate_s: f64,
    pub(super) cruise_s: f64,
    pub(super) decelerate_s: f64,
}

impl Ideal {
    pub(super) fn new(ramp: &Ramp, microsteps: u32) -> Self {
        let scale = f64::from(ramp.resolution.to_microsteps_per_step());
        let velocity = ramp.velocity.to_bits() as f64 / 4096.0 * scale;
        let acceleration = ramp.acceleration.to_bits() as f64 / 256.0 * scale;
        let deceleration = ramp.deceleration.to_bits() as f64 / 256.0 * scale;
        let jump = (ramp.start_stop_velocity.to_bits() as f64 / 4096.0 * scale).min(velocity);
        let length = f64::from(microsteps);
        // Mean speed times time, for each ramp; what is gained above the jump may be too little to see in the peak.
        let ramps = |gain: f64| (gain / acceleration + gain / deceleration) * (jump + gain / 2.0);
        let greatest = velocity - jump;
        let is_long = ramps(greatest) <= length;
        let gain = if is_long { greatest } else { greatest_below(greatest, |gain| ramps(gain) <= length) };
        let cruise_s = if is_long { (length - ramps(gain)) / velocity } else { 0.0 };
        let (accelerate_s, decelerate_s) = (gain / acceleration, gain / deceleration);
        Self { length, jump, peak: jump + gain, acceleration, deceleration, accelerate_s, cruise_s, decelerate_s }
    }

    pub(super) fn duration_s(&self) -> f64 {
        self.accelerate_s + self.cruise_s + self.decelerate_s
    }

    /// When the step to count n happens, 0 ≤ n ≤ length.
    pub(super) fn time_of(&self, n: f64) -> f64 {
        let rise = self.accelerate_s * (self.peak + self.jump) / 2.0;
        let fall = self.decelerate_s * (self.peak + self.jump) / 2.0;
        // √(j² + 2 a s) − j over a, without the difference.
        let ramp = |way: f64, slope: f64| 2.0 * way / ((self.jump * self.jump + 2.0 * slope * way).sqrt() + self.jump);
        if n <= 0.0 {
            0.0
        } else if n <= rise {
            ramp(n, self.acceleration)
        } else if self.length - n <= fall {
            let left = self.length - n;
            self.duration_s() - if left > 0.0 { ramp(left, self.deceleration) } else { 0.0 }
        } else {
            self.accelerate_s + (n - rise) / self.peak
        }
    }
}

/// The greatest number from 0 to `end` for which a condition holds that holds up to some place and not beyond.
fn greatest_below(end: f64, holds: impl Fn(f64) -> bool) -> f64 {
    let (mut low, mut high) = (0.0, end);
    loop {
        let middle = low + (high - low) / 2.0;
        if middle <= low || middle >= high {
            return low;
        }
        if holds(middle) {
            low = middle;
        } else {
            high = middle;
        }
    }
}
