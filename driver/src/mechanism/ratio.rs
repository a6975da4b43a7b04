//! What stands between the motor and the output, in exact ratios.

use crate::units::MicrostepResolution;

use super::scale::Scale;
use super::travel::{Degree, Metre, Turn};

/// An exact ratio above zero, in lowest terms.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Ratio {
    numerator: u32,
    denominator: u32,
}

impl Ratio {
    /// One to one.
    pub const ONE: Self = Self { numerator: 1, denominator: 1 };

    /// `numerator` to `denominator`; `None` if either is zero.
    #[must_use]
    pub const fn new(numerator: u32, denominator: u32) -> Option<Self> {
        Self::lowest(numerator as u64, denominator as u64)
    }

    /// `count` to one; `None` if it is zero.
    #[must_use]
    pub const fn whole(count: u32) -> Option<Self> {
        Self::new(count, 1)
    }

    /// Both ratios one behind the other, as with a belt behind a gear; `None` if the product's lowest terms need more
    /// than 32 bits.
    #[must_use]
    pub const fn times(self, other: Self) -> Option<Self> {
        Self::lowest(self.numerator as u64 * other.numerator as u64, self.denominator as u64 * other.denominator as u64)
    }

    /// The numerator in lowest terms.
    #[must_use]
    pub const fn numerator(self) -> u32 {
        self.numerator
    }

    /// The denominator in lowest terms.
    #[must_use]
    pub const fn denominator(self) -> u32 {
        self.denominator
    }

    const fn lowest(numerator: u64, denominator: u64) -> Option<Self> {
        match reduced(numerator as u128, denominator as u128) {
            Some((numerator, denominator)) if numerator <= u32::MAX as u128 && denominator <= u32::MAX as u128 => {
                Some(Self { numerator: numerator as u32, denominator: denominator as u32 })
            }
            _ => None,
        }
    }
}

/// How far a spindle, belt or rack goes in one turn of the output; above zero.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
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
        let steps = self.steps() as u128 * micrometres.denominator as u128;
        let nanometres = self.gear.denominator as u128 * micrometres.numerator as u128 * 1000;
        match reduced(steps, nanometres) {
            Some((steps, nanometres)) if steps >> 48 == 0 && nanometres >> 62 == 0 => {
                Some(Scale::new(steps as u64, nanometres as u64, self.resolution, self.inverted))
            }
            _ => None,
        }
    }

    /// Full steps in as many turns of the output as the gear's denominator says; at most 48 bits.
    const fn steps(&self) -> u64 {
        self.steps_per_turn as u64 * self.gear.numerator as u64
    }

    const fn scale<U: super::TravelUnit>(&self, per_turn: u32) -> Scale<U> {
        Scale::new(self.steps(), self.gear.denominator as u64 * per_turn as u64, self.resolution, self.inverted)
    }
}

/// Both divided by their greatest common divisor, by Euclid's algorithm; `None` if either is zero.
const fn reduced(numerator: u128, denominator: u128) -> Option<(u128, u128)> {
    if numerator == 0 || denominator == 0 {
        return None;
    }
    let (mut divisor, mut rest) = (numerator, denominator);
    while let Some(remainder) = divisor.checked_rem(rest) {
        (divisor, rest) = (rest, remainder);
    }
    match (numerator.checked_div(divisor), denominator.checked_div(divisor)) {
        (Some(numerator), Some(denominator)) => Some((numerator, denominator)),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_ratio_is_kept_in_lowest_terms_and_is_never_zero() {
        assert_eq!(Ratio::new(370, 100), Ratio::new(37, 10));
        assert_eq!(Ratio::new(0, 1), None);
        assert_eq!(Ratio::new(1, 0), None);
        let product = Ratio::new(37, 10).unwrap().times(Ratio::new(20, 37).unwrap()).unwrap();
        assert_eq!((product.numerator(), product.denominator()), (2, 1));
        let greatest = Ratio::whole(u32::MAX).unwrap();
        assert_eq!(greatest.times(greatest), None);
    }

    #[test]
    fn a_motor_without_steps_or_microsteps_does_not_exist() {
        let resolution = MicrostepResolution::from_microsteps_per_step(16);
        assert_eq!(Mechanism::new(0, resolution), None);
        assert_eq!(Mechanism::new(200, MicrostepResolution::from_microsteps_per_step(0)), None);
    }

    #[test]
    fn a_gear_and_a_lead_that_no_scale_can_hold_are_refused() {
        let motor = Mechanism::new(u16::MAX, MicrostepResolution::from_microsteps_per_step(1)).unwrap();
        let geared = motor.gear(Ratio::new(4_294_967_291, 4_294_967_279).unwrap());
        assert_eq!(geared.millimetres(Lead::from_micrometres(Ratio::new(4_294_967_231, 4_294_967_197).unwrap())), None);
        assert!(geared.millimetres(Lead::from_micrometres(Ratio::whole(5000).unwrap())).is_some());
    }
}
