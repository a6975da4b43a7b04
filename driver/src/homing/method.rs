//! Which homing methods there are, and what each asks of the machine.

use crate::map::Direction;

/// Where the home position is, and from which side it is approached.
///
/// The numbers are those of the open drive profile IEC 61800-7-201, object 6098h, from memory; negative ones are the
/// profile's range for methods of a manufacturer. No conformity is claimed.
///
/// | number | in the profile | here |
/// | --- | --- | --- |
/// | 1 to 14, 33, 34 | an index pulse is sought | none: the input is one switch |
/// | 17, 18 | limit switch | yes |
/// | 19 to 22 | home switch that stays pressed from its edge to the end of the travel | yes |
/// | 23 to 30 | home switch in mid-travel, and a limit switch to turn round at | none: that is a second input |
/// | 35, 37 | on the spot | yes; both numbers mean the same, 35 is the older one |
/// | −1, −2 | (free) | against a mechanical stop, seen as a stall |
///
/// A home switch in mid-travel will do for 19 to 22 if the axis is known to start on the side from which the search
/// goes; from the other side the search ends at the [travel limit](super::SearchLimits::travel).
///
/// "Into" means that the edge counts where the switch becomes pressed, "out of" where it is let go:
///
/// ```text
///   positive home switch                      negative home switch
///   ________|#########  pressed               #########|________
///        20 ->|  into, upwards                         |<- 22    into, downwards
///          |<- 19  out of, downwards                21 ->|       out of, upwards
/// ```
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[repr(i8)]
pub enum Method {
    /// Out of the limit switch at the negative end, counting up.
    NegativeLimitSwitch = 17,
    /// Out of the limit switch at the positive end, counting down.
    PositiveLimitSwitch = 18,
    /// Out of a home switch that is pressed from its edge upwards, counting down.
    OutOfPositiveHomeSwitch = 19,
    /// Into a home switch that is pressed from its edge upwards, counting up.
    IntoPositiveHomeSwitch = 20,
    /// Out of a home switch that is pressed from its edge downwards, counting up.
    OutOfNegativeHomeSwitch = 21,
    /// Into a home switch that is pressed from its edge downwards, counting down.
    IntoNegativeHomeSwitch = 22,
    /// The place where the axis stands; nothing moves.
    CurrentPosition = 37,
    /// Against the mechanical stop at the negative end, until the device says that the rotor no longer follows.
    NegativeStop = -1,
    /// Against the mechanical stop at the positive end, until the device says that the rotor no longer follows.
    PositiveStop = -2,
}

/// What a method looks for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) enum Goal {
    Nothing,
    /// A mechanical stop in this direction.
    Stop(Direction),
    /// The edge of a switch that is in this direction of where it is not pressed.
    Switch {
        toward: Direction,
        edge: Edge,
    },
}

/// Which edge of the switch is the home position.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) enum Edge {
    Into,
    OutOf,
}

impl Method {
    /// Every method.
    pub const ALL: &'static [Self] = &[
        Self::NegativeLimitSwitch,
        Self::PositiveLimitSwitch,
        Self::OutOfPositiveHomeSwitch,
        Self::IntoPositiveHomeSwitch,
        Self::OutOfNegativeHomeSwitch,
        Self::IntoNegativeHomeSwitch,
        Self::CurrentPosition,
        Self::NegativeStop,
        Self::PositiveStop,
    ];

    /// The profile's number.
    #[must_use]
    pub const fn number(self) -> i8 {
        self as i8
    }

    /// The method of a number; `None` for what is not offered here.
    #[must_use]
    pub fn from_number(number: i8) -> Option<Self> {
        match number {
            35 => Some(Self::CurrentPosition),
            _ => Self::ALL.iter().copied().find(|method| method.number() == number),
        }
    }

    /// The method's name.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::NegativeLimitSwitch => "negative limit switch",
            Self::PositiveLimitSwitch => "positive limit switch",
            Self::OutOfPositiveHomeSwitch => "out of positive home switch",
            Self::IntoPositiveHomeSwitch => "into positive home switch",
            Self::OutOfNegativeHomeSwitch => "out of negative home switch",
            Self::IntoNegativeHomeSwitch => "into negative home switch",
            Self::CurrentPosition => "current position",
            Self::NegativeStop => "negative stop",
            Self::PositiveStop => "positive stop",
        }
    }

    pub(super) const fn goal(self) -> Goal {
        use Direction::{Negative, Positive};
        match self {
            Self::CurrentPosition => Goal::Nothing,
            Self::NegativeStop => Goal::Stop(Negative),
            Self::PositiveStop => Goal::Stop(Positive),
            Self::NegativeLimitSwitch | Self::OutOfNegativeHomeSwitch => {
                Goal::Switch { toward: Negative, edge: Edge::OutOf }
            }
            Self::PositiveLimitSwitch | Self::OutOfPositiveHomeSwitch => {
                Goal::Switch { toward: Positive, edge: Edge::OutOf }
            }
            Self::IntoPositiveHomeSwitch => Goal::Switch { toward: Positive, edge: Edge::Into },
            Self::IntoNegativeHomeSwitch => Goal::Switch { toward: Negative, edge: Edge::Into },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_number_is_its_methods_and_no_other_ones() {
        for number in i8::MIN..=i8::MAX {
            let expected = match number {
                -2 | -1 | 17..=22 | 37 => Some(number),
                35 => Some(37),
                _ => None,
            };
            assert_eq!(Method::from_number(number).map(Method::number), expected, "{number}");
        }
    }
}
