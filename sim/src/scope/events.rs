//! Finds the instants of a motion at which one looks at the currents: start, speed reached, stop.

use stepchain::map::MotionState;

/// What happens at an instant of a motion.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Moment {
    /// A motor that stands begins to turn.
    Start,
    /// It does not speed up any more: the cruising speed, or the peak of a move that is too short for one.
    SpeedReached,
    /// It stands again.
    Stop,
}

impl Moment {
    /// In words.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Start => "start",
            Self::SpeedReached => "speed reached",
            Self::Stop => "stop",
        }
    }
}

/// A moment of a motion.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Event {
    /// What.
    pub moment: Moment,
    /// When, in nanoseconds.
    pub time_ns: u64,
}

/// The moments of a motion that is told by its states, each from its instant on, in the order of time; what was before
/// the first of them is standstill.
pub fn events(states: impl IntoIterator<Item = (u64, MotionState)>) -> impl Iterator<Item = Event> {
    let mut was = MotionState::Standstill;
    states.into_iter().flat_map(move |(time_ns, is)| {
        use MotionState::{Accelerating, Standstill};
        let before = std::mem::replace(&mut was, is);
        let moment = |holds: bool, moment| holds.then_some(Event { moment, time_ns });
        [
            moment(before == Standstill && is != Standstill, Moment::Start),
            // A start without a ramp is at its speed at once.
            moment(
                matches!(before, Accelerating | Standstill) && !matches!(is, Accelerating | Standstill),
                Moment::SpeedReached,
            ),
            moment(before != Standstill && is == Standstill, Moment::Stop),
        ]
        .into_iter()
        .flatten()
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use MotionState::{Accelerating, ConstantVelocity, Decelerating, Standstill};

    fn found(states: &[(u64, MotionState)]) -> Vec<(Moment, u64)> {
        events(states.iter().copied()).map(|event| (event.moment, event.time_ns)).collect()
    }

    #[test]
    fn a_move_starts_reaches_its_speed_and_stops() {
        let long = [(5, Accelerating), (20, ConstantVelocity), (60, Decelerating), (80, Standstill)];
        assert_eq!(found(&long), [(Moment::Start, 5), (Moment::SpeedReached, 20), (Moment::Stop, 80)]);
        let short = [(0, Standstill), (5, Accelerating), (20, Decelerating), (40, Standstill)];
        assert_eq!(found(&short), [(Moment::Start, 5), (Moment::SpeedReached, 20), (Moment::Stop, 40)]);
    }

    #[test]
    fn a_start_without_a_ramp_is_at_its_speed_at_once_and_a_faster_speed_is_reached_again() {
        let states = [(5, ConstantVelocity), (9, Accelerating), (15, ConstantVelocity), (30, Standstill)];
        let expected = [(Moment::Start, 5), (Moment::SpeedReached, 5), (Moment::SpeedReached, 15), (Moment::Stop, 30)];
        assert_eq!(found(&states), expected);
    }
}
