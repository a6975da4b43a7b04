//! What the caller says about one axis: where its switch is, how fast it may seek, how far and how long.

use core::time::Duration;

use crate::map::Flag;
use crate::units::{Distance, Velocity};

use super::method::Method;

/// The two speeds of homing (the profile's object 6099h), both positive: the method gives the directions.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct HomingVelocities {
    /// The speed, in full steps/s, at which the switch or the stop is sought.
    pub search_for_switch: Velocity,
    /// The speed, in full steps/s, at which the edge is approached that becomes the home position; slower.
    ///
    /// A device that searches for zero at a speed of its own takes that one.
    pub search_for_zero: Velocity,
}

/// How far and how long an axis may search.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct SearchLimits {
    /// The greatest way of one search, in microsteps, from where that search begins; positive.
    ///
    /// It is seen at the next poll, and then the axis brakes: it goes beyond by what it travels in a poll's time and
    /// by its braking distance.
    pub travel: Distance,
    /// The longest time that homing the axis may take; for a failed one, the longest time that it may take to stop.
    pub time: Duration,
}

/// How the switch is wired.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Contact {
    /// The input is closed while the switch is pressed: [`Flag::HomeSwitch`] raised means pressed.
    #[default]
    NormallyOpen,
    /// The input is open while the switch is pressed, so that a broken wire stops the search:
    /// [`Flag::HomeSwitch`] raised means not pressed.
    NormallyClosed,
}

impl Contact {
    /// Whether the input is closed when the switch is as given; and, as it is the same, the other way round.
    pub(super) const fn input_closed(self, pressed: bool) -> bool {
        match self {
            Self::NormallyOpen => pressed,
            Self::NormallyClosed => !pressed,
        }
    }
}

/// How one axis of one device is homed.
///
/// ```
/// use core::time::Duration;
/// use stepchain::homing::{AxisHoming, HomingVelocities, Method, SearchLimits};
/// use stepchain::units::{Distance, Velocity};
///
/// const LIMITS: SearchLimits =
///     SearchLimits { travel: Distance::from_microsteps(200_000), time: Duration::from_secs(20) };
/// const SPEEDS: HomingVelocities = HomingVelocities {
///     search_for_switch: Velocity::steps_per_s::<400>(),
///     search_for_zero: Velocity::steps_per_s::<20>(),
/// };
/// const LIFT: AxisHoming = AxisHoming::new(Method::NegativeLimitSwitch, SPEEDS, LIMITS)
///     .device(2)
///     .home_offset(Distance::from_microsteps(-640));
/// ```
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct AxisHoming {
    pub(super) device: usize,
    pub(super) axis: u8,
    pub(super) method: Method,
    pub(super) velocities: HomingVelocities,
    pub(super) limits: SearchLimits,
    pub(super) contact: Contact,
    pub(super) home_offset: Distance,
    pub(super) failing_at: &'static [Flag],
    pub(super) retries: u8,
}

impl AxisHoming {
    /// Flags that end the homing of an axis unless [`failing_at`](Self::failing_at) names others.
    pub const FAULTS: &'static [Flag] =
        &[Flag::Fault, Flag::Overcurrent, Flag::Undervoltage, Flag::Overtemperature, Flag::StallA, Flag::StallB];

    /// Homes axis 0 of device 0, its switch closing when pressed, its zero position at the home position.
    #[must_use]
    pub const fn new(method: Method, velocities: HomingVelocities, limits: SearchLimits) -> Self {
        Self {
            device: 0,
            axis: 0,
            method,
            velocities,
            limits,
            contact: Contact::NormallyOpen,
            home_offset: Distance::ZERO,
            failing_at: Self::FAULTS,
            retries: 2,
        }
    }

    /// The same for another device of the chain, counted from 0.
    #[must_use]
    pub const fn device(mut self, device: usize) -> Self {
        self.device = device;
        self
    }

    /// The same for another axis of the device, counted from 0.
    #[must_use]
    pub const fn axis(mut self, axis: u8) -> Self {
        self.axis = axis;
        self
    }

    /// The same with a switch that is wired so.
    #[must_use]
    pub const fn contact(mut self, contact: Contact) -> Self {
        self.contact = contact;
        self
    }

    /// The same with this home offset: the home position minus the zero position, in microsteps.
    ///
    /// At the end the axis moves to the zero position, at the profile velocity that the device is set to. So a negative
    /// offset moves it upwards from home. A stop needs one that leads away from it.
    #[must_use]
    pub const fn home_offset(mut self, offset: Distance) -> Self {
        self.home_offset = offset;
        self
    }

    /// The same, ended by these flags of the axis and of the device, in place of [`FAULTS`](Self::FAULTS).
    ///
    /// [`Flag::ResetOccurred`] always ends it, and so does a command that was refused. The stall flags do not count
    /// while a stop is sought.
    #[must_use]
    pub const fn failing_at(mut self, flags: &'static [Flag]) -> Self {
        self.failing_at = flags;
        self
    }

    /// The same with this many questions in a row asked again where the reply cannot be believed; 2 unless said.
    ///
    /// Meanwhile the axis runs on unseen, for as long as the exchanges take.
    #[must_use]
    pub const fn retries(mut self, count: u8) -> Self {
        self.retries = count;
        self
    }

    /// The device and the axis, for messages.
    #[must_use]
    pub const fn place(&self) -> (usize, u8) {
        (self.device, self.axis)
    }
}
