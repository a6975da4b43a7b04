//! What each axis of a straight line has to do of a common speed or slope, and the code nearest to it.
//!
//! On a straight line every axis goes the same share of its own way at the same time. So all speeds and slopes are in
//! proportion to the ways, and what one axis does says what all do: a [`Common`] quantity is one axis's value beside
//! its way. Values are bits of their types, ways full steps (microsteps over resolution).

use crate::command::CommandError;
use crate::map::{Layout, Parameter};
use crate::units::{Unit, Value};

use super::arithmetic::nearest;
use super::ramp::{AxisGoal, Ramp, quantised};

/// The quantities of a ramp that are shared out, in the order in which they are written.
pub(super) const QUANTITIES: [Parameter; 4] = [
    Parameter::ProfileVelocity,
    Parameter::ProfileAcceleration,
    Parameter::ProfileDeceleration,
    Parameter::StartStopVelocity,
];

/// One quantity of all axes: `bits` for an axis whose way is `microsteps` at `resolution`, in proportion for others.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Common {
    bits: u32,
    microsteps: u32,
    resolution: u16,
}

impl Common {
    /// What all axes do if the axis with this goal does `bits`; the goal's distance must not be zero.
    pub(super) const fn of(goal: &AxisGoal, bits: u32) -> Self {
        Self { bits, microsteps: length(goal), resolution: goal.limits.resolution.to_microsteps_per_step() }
    }

    /// Whether this is the slower of the two. 32 + 16 + 32 bits.
    pub(super) const fn is_below(&self, other: &Self) -> bool {
        let ahead = self.bits as u128 * self.resolution as u128 * other.microsteps as u128;
        let there = other.bits as u128 * other.resolution as u128 * self.microsteps as u128;
        ahead < there
    }

    /// The bits of another axis, to nearest. 32 + 16 + 32 bits.
    pub(super) const fn share(&self, goal: &AxisGoal) -> u32 {
        let resolution = goal.limits.resolution.to_microsteps_per_step() as u128;
        let product = self.bits as u128 * self.resolution as u128 * length(goal) as u128;
        let share = nearest(product, self.microsteps as u128 * resolution);
        if share > u32::MAX as u128 { u32::MAX } else { share as u32 }
    }
}

/// Microsteps of the goal's distance, without a sign.
pub(super) const fn length(goal: &AxisGoal) -> u32 {
    goal.distance.to_microsteps().unsigned_abs()
}

impl Ramp {
    /// One of the [`QUANTITIES`].
    pub(super) fn value(&self, quantity: Parameter) -> Value {
        match quantity {
            Parameter::ProfileAcceleration => self.acceleration.into(),
            Parameter::ProfileDeceleration => self.deceleration.into(),
            Parameter::StartStopVelocity => self.start_stop_velocity.into(),
            _ => self.velocity.into(),
        }
    }

    /// The bits of one of the [`QUANTITIES`].
    pub(super) fn quantity(&self, quantity: Parameter) -> u32 {
        bits_of(self.value(quantity))
    }

    /// The same with another value of the quantity that the value's unit and the name speak of.
    pub(super) fn with(mut self, quantity: Parameter, value: Value) -> Self {
        match (quantity, value) {
            (Parameter::ProfileVelocity, Value::Velocity(velocity)) => self.velocity = velocity,
            (Parameter::StartStopVelocity, Value::Velocity(velocity)) => self.start_stop_velocity = velocity,
            (Parameter::ProfileAcceleration, Value::Acceleration(slope)) => self.acceleration = slope,
            (Parameter::ProfileDeceleration, Value::Acceleration(slope)) => self.deceleration = slope,
            _ => {}
        }
        self
    }
}

/// The codes of one quantity in one axis's register.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Codes {
    layout: &'static Layout,
    axis: u8,
    quantity: Parameter,
}

impl Codes {
    pub(super) const fn of(layout: &'static Layout, axis: u8, quantity: Parameter) -> Self {
        Self { layout, axis, quantity }
    }

    /// The meaning of the code nearest to `share` that is not above `limit`, both in bits. Not zero for a share that is
    /// not, as long as a code means so little, unless zero is as good as any (a start-stop velocity).
    ///
    /// # Errors
    /// Those of the write.
    pub(super) fn fitted(&self, share: u32, limit: u32) -> Result<Value, CommandError> {
        // The code of a short way, rounded and then followed by a long one, may ask for more than the limit.
        let share = share.min(limit);
        let found = self.nearest(share)?;
        let bits = bits_of(found);
        if bits > limit {
            return Ok(self.below(bits).unwrap_or(found));
        }
        if bits > 0 || self.quantity == Parameter::StartStopVelocity {
            return Ok(found);
        }
        let mut ask = share.max(1);
        while ask <= limit {
            match self.nearest(ask) {
                Ok(least) if bits_of(least) > limit => break,
                Ok(least) if bits_of(least) > 0 => return Ok(least),
                _ => ask = ask.saturating_mul(2),
            }
        }
        Ok(found)
    }

    /// The meaning of the next code that means less than `bits`, itself what a code means; `None` if there is none.
    ///
    /// Asks further and further down, twice as far each time, so at most 32 times. Where the codes become denser on the
    /// way down, one or two of them may be missed.
    pub(super) fn below(&self, bits: u32) -> Option<Value> {
        let register = self.layout.register(self.quantity, self.axis)?;
        let (least, _) = register.coding.limits(register.unit);
        let least = u32::try_from(least).unwrap_or(0);
        let mut down = 1u32;
        loop {
            let ask = bits.saturating_sub(down).max(least);
            match self.nearest(ask) {
                Ok(found) if bits_of(found) < bits => return Some(found),
                _ if ask <= least => return None,
                _ => down = down.saturating_mul(2),
            }
        }
    }

    fn nearest(&self, bits: u32) -> Result<Value, CommandError> {
        let unit: Unit = self.quantity.unit();
        // A share is not above a limit of the same type.
        let value = Value::from_bits(unit, i64::from(bits)).unwrap_or(Value::Code(bits));
        quantised(self.layout, self.axis, self.quantity, value)
    }
}

/// The bits of a speed or slope; zero for a negative one, which no axis of a line has.
pub(super) fn bits_of(value: Value) -> u32 {
    u32::try_from(value.to_bits()).unwrap_or(0)
}
