//! One place by its two names: what the device's counter shows, and the count without end.

use crate::command::Command;
use crate::map::{PositionCounter, Way, WrapAround};
use crate::units::{OutOfRange, Position, Unit};

use super::unwrapped::UnwrappedPosition;

/// Where an axis is: what its counter shows there, and the count without end.
///
/// The two need not agree: what was zero to the counter may have been told to be something else. What holds is that
/// both change alike. So a place says where a command will end, and how a place far off is reached.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Place {
    shape: PositionCounter,
    counter: Position,
    at: UnwrappedPosition,
}

impl Place {
    /// The place `at` which a counter of this shape shows `counter`.
    ///
    /// What the counter cannot show is taken as what it would show instead.
    #[must_use]
    pub const fn new(shape: &PositionCounter, counter: Position, at: UnwrappedPosition) -> Self {
        let counter = UnwrappedPosition::from_microsteps(counter.to_bits()).wrapped(shape);
        Self { shape: *shape, counter, at }
    }

    /// What the counter shows.
    #[must_use]
    pub const fn counter(&self) -> Position {
        self.counter
    }

    /// The count without end.
    #[must_use]
    pub const fn unwrapped(&self) -> UnwrappedPosition {
        self.at
    }

    /// Another place of the same counter.
    #[must_use]
    pub(super) const fn elsewhere(&self, at: UnwrappedPosition) -> Self {
        Self { shape: self.shape, counter: self.counter_at(at), at }
    }

    /// The place that is nearest of those at which the counter shows `counter`.
    #[must_use]
    pub(super) const fn nearest(&self, counter: Position) -> UnwrappedPosition {
        self.at.moved(self.way_to(counter, Way::Shortest))
    }

    /// What the counter shows at another place.
    #[must_use]
    pub const fn counter_at(&self, at: UnwrappedPosition) -> Position {
        // Wrapping is what a counter does: the difference is right in its lower bits even where it overflows.
        let moved = at.to_microsteps().wrapping_sub(self.at.to_microsteps());
        UnwrappedPosition::from_microsteps(self.counter.to_bits().wrapping_add(moved)).wrapped(&self.shape)
    }

    /// Where a move ends that begins here; `None` for a command that is no move to an end.
    #[must_use]
    pub const fn end_of(&self, command: &Command) -> Option<UnwrappedPosition> {
        match *command {
            Command::MoveRelative { distance } => Some(self.at.saturating_add(distance)),
            Command::MoveAbsolute { target, way } => Some(self.at.moved(self.way_to(target, way))),
            Command::ReturnToZero => Some(self.at.moved(self.way_to(Position::from_microsteps(0), Way::Shortest))),
            _ => None,
        }
    }

    /// The absolute move from here to `target`, the way round told where it is not the shortest.
    ///
    /// The counter's direction round is chosen from here. If the motor moves on between the reading and the command,
    /// what it does meanwhile must not carry it past the target or make the way longer than a counter's round.
    ///
    /// # Errors
    /// [`OutOfRange`], with the distance and both limits, if the target is a whole round of the counter away or more,
    /// or beyond the end of a counter that does not wrap.
    pub const fn move_to(&self, target: UnwrappedPosition) -> Result<Command, OutOfRange> {
        let (min, max) = self.shape.range();
        let moved = target.to_microsteps().saturating_sub(self.at.to_microsteps());
        let (least, most) = match self.shape.wrap_around {
            WrapAround::Wraps => (-self.round() + 1, self.round() - 1),
            WrapAround::Refuses => (min - self.counter.to_bits(), max - self.counter.to_bits()),
        };
        if moved < least || moved > most {
            return Err(Unit::Microsteps.out_of_range(moved, least, most));
        }
        let is_shortest = matches!(self.shape.wrap_around, WrapAround::Refuses) || (moved > min && moved <= max);
        let way = match is_shortest {
            true => Way::Shortest,
            false if moved > 0 => Way::Positive,
            false => Way::Negative,
        };
        Ok(Command::MoveAbsolute { target: self.counter_at(target), way })
    }

    /// The signed way from here to where the counter shows `target`: none if it shows that already.
    ///
    /// A counter that does not wrap has only one way, and its device refuses the others.
    pub(super) const fn way_to(&self, target: Position, way: Way) -> i64 {
        let straight = target.to_bits() - self.counter.to_bits();
        if matches!(self.shape.wrap_around, WrapAround::Refuses) {
            return straight;
        }
        let (min, _) = self.shape.range();
        let near = self.shape.wrapped(straight);
        match way {
            // Just as far both ways, which means the positive one.
            Way::Shortest if near == min => -near,
            Way::Positive if near < 0 => near + self.round(),
            Way::Negative if near > 0 => near - self.round(),
            _ => near,
        }
    }

    /// Counts in one round of the counter.
    const fn round(&self) -> i64 {
        let (min, max) = self.shape.range();
        max.saturating_sub(min).saturating_add(1)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::units::Distance;

    const SMALL: PositionCounter = PositionCounter::new(8, &[1]);

    fn at(microsteps: i64) -> UnwrappedPosition {
        UnwrappedPosition::from_microsteps(microsteps)
    }

    /// Steps a counter of eight bits, an `i8` here, until it shows the target.
    fn walked(from: i8, target: i8, direction: i8) -> i64 {
        let (mut counter, mut steps) = (from, 0);
        while counter != target {
            counter = counter.wrapping_add(direction);
            steps += 1;
        }
        steps
    }

    #[test]
    fn an_absolute_move_ends_where_a_counter_that_is_stepped_there_ends() {
        for from in i8::MIN..=i8::MAX {
            let place = Place::new(&SMALL, Position::from_microsteps(from.into()), at(10_000));
            for target in i8::MIN..=i8::MAX {
                let (up, down) = (walked(from, target, 1), walked(from, target, -1));
                let shortest = if up <= down { up } else { -down };
                for (way, expected) in [(Way::Shortest, shortest), (Way::Positive, up), (Way::Negative, -down)] {
                    let command = Command::MoveAbsolute { target: Position::from_microsteps(target.into()), way };
                    assert_eq!(place.end_of(&command), Some(at(10_000 + expected)), "{from} to {target}, {way:?}");
                }
            }
        }
    }

    /// Common practice, no published source: 200 steps a turn. By hand: at 128 microsteps 128 000 are five turns. From
    /// there to 12 800 a counter of 22 bits goes 115 200 down, or 2²² − 115 200 = 4 079 104 up.
    #[test]
    fn from_five_turns_to_half_a_turn_the_shortest_way_is_back() {
        let counter = PositionCounter::new(22, &[128]);
        let place = Place::new(&counter, Position::from_microsteps(128_000), at(128_000));
        let target = Position::from_microsteps(12_800);
        let end = |way| place.end_of(&Command::MoveAbsolute { target, way });
        assert_eq!(end(Way::Shortest), Some(at(12_800)));
        assert_eq!(end(Way::Negative), Some(at(12_800)));
        assert_eq!(end(Way::Positive), Some(at(128_000 + 4_079_104)));
    }

    #[test]
    fn a_counter_that_does_not_wrap_has_one_way() {
        let counter = SMALL.refuses_to_wrap();
        let place = Place::new(&counter, Position::from_microsteps(100), at(0));
        for way in [Way::Shortest, Way::Positive, Way::Negative] {
            let command = Command::MoveAbsolute { target: Position::from_microsteps(-100), way };
            assert_eq!(place.end_of(&command), Some(at(-200)));
        }
        assert!(place.move_to(at(27)).is_ok());
        let error = place.move_to(at(28)).unwrap_err();
        assert_eq!((error.value().bits, error.min().bits, error.max().bits), (28, -228, 27));
    }

    #[test]
    fn a_move_to_any_place_less_than_a_round_away_ends_there() {
        let place = Place::new(&SMALL, Position::from_microsteps(3), at(-1000));
        for distance in -255..=255 {
            let command = place.move_to(at(distance - 1000)).unwrap();
            assert_eq!(place.end_of(&command), Some(at(distance - 1000)), "{distance}: {command:?}");
        }
    }

    #[test]
    fn a_target_a_whole_round_away_is_refused() {
        let place = Place::new(&SMALL, Position::from_microsteps(3), at(0));
        for target in [256, -256, i64::MAX, i64::MIN] {
            let error = place.move_to(at(target)).unwrap_err();
            assert_eq!((error.value().bits, error.min().bits, error.max().bits), (target, -255, 255));
        }
        let far = Place::new(&SMALL, Position::ZERO, at(i64::MIN));
        assert!(far.move_to(at(i64::MAX)).is_err());
    }

    proptest! {
        #[test]
        fn a_move_to_a_place_ends_there(
            bits in 8u8..=32, counter: i32, from in -1i64 << 50..1 << 50, share in -1.0..1.0f64,
        ) {
            let shape = PositionCounter::new(bits, &[1]);
            let place = Place::new(&shape, Position::from_microsteps(counter), at(from));
            let target = at(from + (share * (1u64 << bits) as f64) as i64);
            let command = place.move_to(target).unwrap();
            prop_assert_eq!(place.end_of(&command), Some(target));
            let Command::MoveAbsolute { target: shown, .. } = command else { unreachable!() };
            prop_assert_eq!(shape.wrapped(shown.to_bits()), shown.to_bits(), "the counter can show it");
            prop_assert_eq!(place.counter_at(target), shown);
        }

        #[test]
        fn a_relative_move_ends_its_distance_away(counter: i32, from in -1i64 << 50..1 << 50, distance: i32) {
            let place = Place::new(&SMALL, Position::from_microsteps(counter), at(from));
            let command = Command::MoveRelative { distance: Distance::from_microsteps(distance) };
            prop_assert_eq!(place.end_of(&command), Some(at(from + i64::from(distance))));
        }
    }
}
