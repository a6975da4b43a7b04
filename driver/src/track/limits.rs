//! Software position limits: a command that would leave the allowed travel is refused before anything is sent.

use core::fmt;

use crate::command::Command;
use crate::units::{Distance, Velocity};

use super::place::Place;
use super::unwrapped::UnwrappedPosition;

/// The allowed travel of one axis, both ends included. With `min` above `max` no place is allowed.
///
/// They are no substitute for limit switches: they know of the rotor only what the position says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct PositionLimits {
    /// The lowest place.
    pub min: UnwrappedPosition,
    /// The highest place.
    pub max: UnwrappedPosition,
}

/// Why a command is refused by [`PositionLimits`]. Nothing was sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum LimitError {
    /// The move would end outside.
    EndsOutside {
        /// Where it would end.
        end: UnwrappedPosition,
        /// What is allowed.
        limits: PositionLimits,
    },
    /// A motor that turns on would leave the allowed travel: it is at the end already, or too near to it to stop.
    RunsOutside {
        /// Where the axis is.
        from: UnwrappedPosition,
        /// Where it would stand if it braked now.
        stand: UnwrappedPosition,
        /// The end that it runs towards.
        limit: UnwrappedPosition,
    },
    /// Nobody knows where the motion would end, so that it cannot be held against the limits.
    EndUnknown {
        /// Why not.
        cause: EndUnknown,
    },
}

/// Why nobody knows where a motion would end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum EndUnknown {
    /// A search goes as far as it has to.
    Search,
    /// Outside pulses go on as somebody else wants.
    PulseInput,
    /// The probed position has not been read since it was taken.
    ProbedPosition,
    /// The command waits for one whose end is not known.
    Buffered,
    /// The axis has moved to an unknown place since the position was read last: read it.
    Unread,
}

impl PositionLimits {
    /// The travel from `min` to `max`.
    #[must_use]
    pub const fn new(min: UnwrappedPosition, max: UnwrappedPosition) -> Self {
        Self { min, max }
    }

    /// Whether a place is allowed.
    #[must_use]
    pub const fn contains(&self, at: UnwrappedPosition) -> bool {
        let at = at.to_microsteps();
        self.min.to_microsteps() <= at && at <= self.max.to_microsteps()
    }

    /// Whether a command from this place keeps within the limits; `braking` is how far the axis goes on once it is told
    /// to stop ([`braking_distance`](crate::plan::braking_distance)), its sign of no account.
    ///
    /// A move is judged by where it ends, also one that comes from outside: it has to end inside. A velocity is judged
    /// as in [`check_run`](Self::check_run). Searches, outside pulses and a return to the probed position are refused, for
    /// these limits do not know where they end; a [`Guard`](super::Guard) may. A buffered command has to be judged from
    /// where the one before it ends: give that place. What is no motion passes.
    ///
    /// # Errors
    /// [`LimitError`] if the command has to be refused.
    pub const fn check(&self, command: &Command, from: &Place, braking: Distance) -> Result<(), LimitError> {
        let cause = match *command {
            Command::MoveVelocity { velocity } => return self.check_run(velocity, from.unwrapped(), braking),
            Command::SearchForSwitch { .. } | Command::SearchForZero { .. } => Some(EndUnknown::Search),
            Command::PulseInput { .. } => Some(EndUnknown::PulseInput),
            Command::ReturnToProbedPosition => Some(EndUnknown::ProbedPosition),
            _ => None,
        };
        if let Some(cause) = cause {
            return Err(LimitError::EndUnknown { cause });
        }
        match from.end_of(command) {
            Some(end) if !self.contains(end) => Err(LimitError::EndsOutside { end, limits: *self }),
            _ => Ok(()),
        }
    }

    /// Whether an axis at this place may turn, or turn on, in the direction of a velocity.
    ///
    /// It may not once the place, and the braking distance on from there, reaches the limit in that direction. Back
    /// from a limit, or from beyond it, an axis may always turn, and it may always be told to stand still. Asked again
    /// with each reading of the position, this says when to stop a motor that turns without a target.
    ///
    /// # Errors
    /// [`LimitError::RunsOutside`] if not.
    pub const fn check_run(
        &self,
        velocity: Velocity,
        from: UnwrappedPosition,
        braking: Distance,
    ) -> Result<(), LimitError> {
        let braking = braking.to_bits().unsigned_abs() as i64;
        let (stand, limit, is_reached) = if velocity.to_bits() > 0 {
            let stand = from.moved(braking);
            (stand, self.max, stand.to_microsteps() >= self.max.to_microsteps())
        } else {
            let stand = from.moved(-braking);
            (stand, self.min, stand.to_microsteps() <= self.min.to_microsteps())
        };
        if is_reached && velocity.to_bits() != 0 {
            return Err(LimitError::RunsOutside { from, stand, limit });
        }
        Ok(())
    }
}

impl fmt::Display for LimitError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::EndsOutside { end, limits: PositionLimits { min, max } } => {
                write!(f, "the move ends at {end}, outside {}..={max}", min.to_microsteps())
            }
            Self::RunsOutside { from, stand, limit } => {
                write!(f, "from {from} the axis could only stop at {stand}, and its travel ends at {limit}")
            }
            Self::EndUnknown { cause } => write!(f, "nobody knows where the motion ends: {cause}"),
        }
    }
}

impl fmt::Display for EndUnknown {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Search => "a search goes as far as it has to",
            Self::PulseInput => "outside pulses go on as somebody else wants",
            Self::ProbedPosition => "the probed position was not read since it was taken",
            Self::Buffered => "the command waits for one whose end is not known",
            Self::Unread => "the position was not read since the axis has moved to an unknown place",
        })
    }
}

impl core::error::Error for LimitError {}

#[cfg(test)]
mod tests {
    extern crate std;
    use std::string::ToString;

    use super::*;
    use crate::map::{Direction, EdgeAction, PositionCounter, Way};
    use crate::units::Position;

    fn at(microsteps: i64) -> UnwrappedPosition {
        UnwrappedPosition::from_microsteps(microsteps)
    }

    /// Every limit, place, target and way on a counter of eight bits, stepped one by one from well inside: a move is
    /// refused if and only if one of its steps leaves the limits.
    #[test]
    fn an_absolute_move_is_refused_if_and_only_if_a_step_of_it_leaves_the_limits() {
        let shape = PositionCounter::new(8, &[1]);
        let (mut refused, mut passed) = (0, 0);
        for (min, max) in [(-3, 60), (-200, -100), (100, 500), (0, 0), (-40, 300)] {
            let limits = PositionLimits::new(at(min), at(max));
            for start in (min..=max).step_by(7) {
                // The counter's zero lies 17 above the zero of the count.
                let place = Place::new(&shape, Position::from_microsteps((start + 17) as i8 as i32), at(start));
                for target in (i8::MIN..=i8::MAX).step_by(3) {
                    for (way, direction) in [(Way::Positive, 1), (Way::Negative, -1)] {
                        let (mut count, mut leaves) = (start, false);
                        while (count + 17) as i8 != target {
                            count += direction;
                            leaves |= count < min || count > max;
                        }
                        let command = Command::MoveAbsolute { target: Position::from_microsteps(target.into()), way };
                        let found = limits.check(&command, &place, Distance::ZERO);
                        assert_eq!(found.is_err(), leaves, "{start} to {target}, {way:?}, in {min}..={max}");
                        if leaves { refused += 1 } else { passed += 1 }
                    }
                }
            }
        }
        assert!(refused > 1000 && passed > 1000, "{refused} refused, {passed} passed");
    }

    #[test]
    fn a_relative_move_is_judged_by_its_end() {
        let limits = PositionLimits::new(at(-10), at(10));
        let place = Place::new(&PositionCounter::new(8, &[1]), Position::ZERO, at(4));
        let by = |distance| Command::MoveRelative { distance: Distance::from_microsteps(distance) };
        for (distance, fits) in [(6, true), (7, false), (-14, true), (-15, false), (i32::MIN, false)] {
            assert_eq!(limits.check(&by(distance), &place, Distance::ZERO).is_ok(), fits, "{distance}");
        }
        let error = limits.check(&by(7), &place, Distance::ZERO).unwrap_err();
        assert_eq!(error.to_string(), "the move ends at 11 microsteps, outside -10..=10 microsteps");
    }

    /// Brute force: from each place the axis goes one step on, then brakes step by step; at rest before that, it has
    /// nothing to lose by turning back.
    #[test]
    fn a_run_is_refused_from_where_it_could_no_longer_stop_inside() {
        let limits = PositionLimits::new(at(-10), at(10));
        for velocity in [-1, 0, 1] {
            for from in -30..=30 {
                for braking in 0..=25 {
                    let stand = from + velocity * (1 + braking);
                    let leaves = velocity > 0 && stand > 10 || velocity < 0 && stand < -10;
                    let signed = Distance::from_microsteps((velocity * braking) as i32);
                    let velocity = Velocity::from_steps_per_s(velocity as i32).unwrap();
                    let place = Place::new(&PositionCounter::new(8, &[1]), Position::ZERO, at(from));
                    let found = limits.check(&Command::MoveVelocity { velocity }, &place, signed);
                    assert_eq!(found.is_err(), leaves, "{velocity} from {from}, braking {braking}");
                }
            }
        }
        let error = limits.check_run(Velocity::from_steps_per_s(1).unwrap(), at(7), Distance::from_microsteps(5));
        assert_eq!(
            error.unwrap_err().to_string(),
            "from 7 microsteps the axis could only stop at 12 microsteps, and its travel ends at 10 microsteps"
        );
    }

    #[test]
    fn what_ends_where_nobody_knows_is_refused_with_the_cause() {
        let place = Place::new(&PositionCounter::new(8, &[1]), Position::ZERO, at(0));
        let (velocity, action) = (Velocity::ZERO, EdgeAction::Probe);
        for (command, cause) in [
            (Command::SearchForSwitch { velocity, action }, EndUnknown::Search),
            (Command::SearchForZero { velocity, action }, EndUnknown::Search),
            (Command::PulseInput { direction: Direction::Positive }, EndUnknown::PulseInput),
            (Command::PulseInput { direction: Direction::Negative }, EndUnknown::PulseInput),
            (Command::ReturnToProbedPosition, EndUnknown::ProbedPosition),
        ] {
            let found = PositionLimits::new(at(-10), at(10)).check(&command, &place, Distance::ZERO);
            assert_eq!(found, Err(LimitError::EndUnknown { cause }), "{command:?}");
        }
    }

    #[test]
    fn what_is_no_motion_passes_everywhere() {
        let nowhere = PositionLimits::new(at(1), at(0));
        let place = Place::new(&PositionCounter::new(8, &[1]), Position::ZERO, at(0));
        for command in [Command::Filler, Command::PeekStatus, Command::HomeOnCurrentPosition] {
            assert_eq!(nowhere.check(&command, &place, Distance::ZERO), Ok(()));
        }
        let stay = Command::MoveRelative { distance: Distance::ZERO };
        assert!(nowhere.check(&stay, &place, Distance::ZERO).is_err());
    }
}
