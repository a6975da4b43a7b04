//! What stands between the motor and the output, in exact ratios.

use crate::units::MicrostepResolution;

use super::ratio::{Ratio, reduced};
use super::scale::Scale;
use super::travel::{Degree, Metre, TravelUnit, Turn};

/// How far a spindle, belt or rack goes in one turn of the output; above zero.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Lead {
    micrometres: Ratio,
}

impl Lead {
    /// The lead from micrometres a turn: 5000 for a spindle of 5 mm, 25 400 / 12 for one of twelve threads to the inch.
    #[must_use]
    pub const fn from_micrometres(micrometres: Ratio) -> Self {
        Self { micrometres }
    }
}

/// A motor, its gear, and which way it turns the output.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Mechanism {
    steps_per_turn: u16,
    resolution: MicrostepResolution,
    gear: Ratio,
    inverted: bool,
}

impl Mechanism {
    /// A motor of so many full steps in a turn, without a gear, whose count goes up as the output turns forwards.
    ///
    /// `None` if either number is zero. The resolution has to be the one that the device is set to.
    #[must_use]
    pub const fn new(full_steps_per_turn: u16, resolution: MicrostepResolution) -> Option<Self> {
        if full_steps_per_turn == 0 || resolution.to_microsteps_per_step() == 0 {
            return None;
        }
        Some(Self { steps_per_turn: full_steps_per_turn, resolution, gear: Ratio::ONE, inverted: false })
    }

    /// The same behind a gear: the motor's turns for one of the output, above one for a gear that slows.
    #[must_use]
    pub const fn gear(mut self, motor_turns_per_output_turn: Ratio) -> Self {
        self.gear = motor_turns_per_output_turn;
        self
    }

    /// The same with the motor's count going down as the output moves forwards.
    #[must_use]
    pub const fn inverted(mut self) -> Self {
        self.inverted = !self.inverted;
        self
    }

    /// The scale between turns of the output and steps.
    #[must_use]
    pub const fn turns(&self) -> Scale<Turn> {
        self.scale(1_000_000_000)
    }

    /// The scale between degrees of the output and steps.
    #[must_use]
    pub const fn degrees(&self) -> Scale<Degree> {
        self.scale(360_000_000)
    }

    /// The scale between millimetres and steps, for an output that goes by `lead` in a turn.
    ///
    /// `None` if gear and lead together make a ratio whose lowest terms are beyond 48 bits (steps) and 62 bits
    /// (nanometres); then a ratio of smaller numbers is near enough.
    #[must_use]
    pub const fn millimetres(&self, lead: Lead) -> Option<Scale<Metre>> {
        let Lead { micrometres } = lead;
        let steps = self.steps() as u128 * micrometres.denominator() as u128;
        let nanometres = self.gear.denominator() as u128 * micrometres.numerator() as u128 * 1000;
        match reduced(steps, nanometres) {
            Some((steps, nanometres)) if steps >> 48 == 0 && nanometres >> 62 == 0 => {
                Some(Scale::new(steps as u64, nanometres as u64, self.resolution, self.inverted))
            }
            _ => None,
        }
    }

    /// Full steps in as many turns of the output as the gear's denominator says; at most 48 bits.
    const fn steps(&self) -> u64 {
        self.steps_per_turn as u64 * self.gear.numerator() as u64
    }

    const fn scale<U: TravelUnit>(&self, per_turn: u32) -> Scale<U> {
        Scale::new(self.steps(), self.gear.denominator() as u64 * per_turn as u64, self.resolution, self.inverted)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_motor_without_steps_or_microsteps_does_not_exist() {
        let resolution = MicrostepResolution::from_microsteps_per_step(16);
        assert_eq!(Mechanism::new(0, resolution), None);
        assert_eq!(Mechanism::new(200, MicrostepResolution::from_microsteps_per_step(0)), None);
    }

    /// 4 294 967 291 is a prime, so that nothing cancels. By hand: times 1000 it goes 1 073 741.8 times into 2⁶²; times
    /// 65 535 it goes once into 2⁴⁸, and so it does times 3/5, but not times 7/5 (5 cancels against the 1000).
    #[test]
    fn a_gear_and_a_lead_that_no_scale_can_hold_are_refused() {
        let resolution = MicrostepResolution::from_microsteps_per_step(1);
        let is_held = |steps, gear, numerator, denominator| {
            let lead = Lead::from_micrometres(Ratio::new(numerator, denominator).unwrap());
            Mechanism::new(steps, resolution).unwrap().gear(gear).millimetres(lead).is_some()
        };
        let slow = Ratio::new(1, 4_294_967_291).unwrap();
        assert!(is_held(1, slow, 1_073_741, 1));
        assert!(!is_held(1, slow, 1_073_742, 1));
        let fast = Ratio::whole(4_294_967_291).unwrap();
        assert!(is_held(65_535, fast, 1, 1));
        assert!(is_held(65_535, fast, 1, 3));
        assert!(!is_held(65_535, fast, 1, 7));
    }
}
