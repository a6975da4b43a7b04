//! Where the machine is and how it gets elsewhere: from places in millimetres to lines for both axes. No I/O.

use core::fmt;
use core::time::Duration;

use stepchain::homing::{AxisError, Homed, HomingError};
use stepchain::map::Layout;
use stepchain::mechanism::Length;
use stepchain::plan::{AxisGoal, CoordinateError, Coordinated};
use stepchain::track::UnwrappedPosition;

use crate::machine::{DEVICES, LIMITS, SCALES, TRAVEL};

/// A place of the rack.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Place {
    /// Along the line, from the loading place.
    pub along: Length,
    /// Downwards, from the top.
    pub down: Length,
}

impl Place {
    /// A place in whole millimetres.
    #[must_use]
    pub const fn millimetres(along: i32, down: i32) -> Self {
        Self { along: Length::from_millimetres(along), down: Length::from_millimetres(down) }
    }
}

/// One bath of the line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Bath {
    /// Where along the line it stands.
    pub along: Length,
    /// How deep the rack goes in.
    pub depth: Length,
    /// For how long the rack stays at that depth.
    pub time: Duration,
}

impl Bath {
    /// The places to go to, one after another: above it, and in it.
    #[must_use]
    pub const fn places(&self) -> [Place; 2] {
        let above = Place { along: self.along, down: Length::ZERO };
        [above, Place { down: self.depth, ..above }]
    }

    /// Where the rack drips off on its way to the next bath: half as deep, one millimetre on. The line there is
    /// slanted, so that the rack touches the rim.
    #[must_use]
    pub const fn rim(&self) -> Place {
        let on = Length::from_nanometres(self.along.to_nanometres().saturating_add(1_000_000));
        Place { along: on, down: Length::from_nanometres(self.depth.to_nanometres() / 2) }
    }
}

/// Why there is no line to a place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum CourseError {
    /// Nobody knows where the machine is: it has to be homed first.
    NotHomed,
    /// The place is beyond the machine's travel.
    Beyond {
        /// The place.
        place: Place,
    },
    /// The devices cannot go such a line.
    Line(CoordinateError),
}

impl fmt::Display for CourseError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotHomed => f.write_str("the machine has to be homed first"),
            Self::Beyond { place } => {
                let [along, down] = TRAVEL;
                write!(f, "{} along, {} down is beyond 0 to {along}, 0 to {down}", place.along, place.down)
            }
            Self::Line(error) => error.fmt(f),
        }
    }
}

impl core::error::Error for CourseError {
    fn source(&self) -> Option<&(dyn core::error::Error + 'static)> {
        match self {
            Self::Line(error) => Some(error),
            _ => None,
        }
    }
}

/// Where the machine is, as far as is known.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Course {
    homed: [Option<UnwrappedPosition>; DEVICES],
}

impl Course {
    /// An axis was homed, or was not.
    ///
    /// # Errors
    /// The homing's own.
    pub fn homed(&mut self, device: usize, result: Result<Homed, HomingError>) -> Result<(), AxisError> {
        let homed = result.map_err(|error| AxisError { device, axis: 0, error });
        if let Some(at) = self.homed.get_mut(device) {
            *at = homed.ok().map(|homed| homed.at);
        }
        homed.map(|_| ())
    }

    /// The machine may be anywhere.
    pub fn doubt(&mut self) {
        self.homed = [None; DEVICES];
    }

    /// Whether it is known where the machine is.
    #[must_use]
    pub fn is_homed(&self) -> bool {
        self.homed.iter().all(Option::is_some)
    }

    /// The straight line to a place, for a chain of devices with this layout.
    ///
    /// # Errors
    /// [`CourseError`]; the machine stays where it is.
    pub fn line_to(&self, layout: &'static Layout, place: Place) -> Result<Coordinated<DEVICES>, CourseError> {
        let targets = targets(place)?;
        let [Some(along), Some(down)] = self.homed else { return Err(CourseError::NotHomed) };
        let mut goals = LIMITS.map(|limits| AxisGoal { axis: 0, limits, distance: Default::default() });
        for (goal, (target, at)) in goals.iter_mut().zip(targets.into_iter().zip([along, down])) {
            goal.distance = target.distance_from(at).map_err(|_| CourseError::Beyond { place })?;
        }
        Coordinated::new(layout, &goals).map_err(CourseError::Line)
    }

    /// The machine has arrived at a place that there was a line to.
    pub fn arrived(&mut self, place: Place) {
        match targets(place) {
            Ok(targets) => self.homed = targets.map(Some),
            Err(_) => self.doubt(),
        }
    }
}

fn targets(place: Place) -> Result<[UnwrappedPosition; DEVICES], CourseError> {
    let mut targets = [UnwrappedPosition::ZERO; DEVICES];
    let wanted = [place.along, place.down].into_iter().zip(TRAVEL).zip(SCALES);
    for (target, ((way, travel), scale)) in targets.iter_mut().zip(wanted) {
        if way < Length::ZERO || way > travel {
            return Err(CourseError::Beyond { place });
        }
        *target = scale.position(way).map_err(|_| CourseError::Beyond { place })?;
    }
    Ok(targets)
}

#[cfg(test)]
mod tests {
    extern crate std;
    use std::string::ToString;

    use stepchain::map::RegisterMap;
    use stepchain::reference::Latched;
    use stepchain::units::Position;

    use super::*;

    const HOME: Result<Homed, HomingError> =
        Ok(Homed { counter: Position::from_microsteps(0), at: UnwrappedPosition::ZERO });

    /// By hand: 40 mm are 200 steps and 8 mm are 200 steps, of 32 microsteps each.
    #[test]
    fn a_line_goes_from_where_the_last_one_ended_once_both_axes_are_homed() {
        let layout = &Latched::LAYOUT;
        let mut course = Course::default();
        assert_eq!(course.line_to(layout, Place::millimetres(40, 8)), Err(CourseError::NotHomed));
        assert_eq!(course.homed(0, HOME), Ok(()));
        assert_eq!(course.line_to(layout, Place::millimetres(40, 8)), Err(CourseError::NotHomed));
        assert_eq!(course.homed(1, HOME), Ok(()));
        course.arrived(Place::millimetres(40, 8));
        assert_eq!(targets(Place::millimetres(40, 8)), Ok([6_400; 2].map(UnwrappedPosition::from_microsteps)));
        assert_eq!(course.line_to(layout, Place::millimetres(40, 8)).map(|line| line.duration()), Ok(Duration::ZERO));
        assert_eq!(course.homed(1, Err(HomingError::Stopped)).unwrap_err().to_string().find("device 1"), Some(0));
        assert!(!course.is_homed());
    }

    #[test]
    fn the_ends_of_the_travel_are_reached_and_a_nanometre_beyond_is_refused() {
        let beyond = |along, down| {
            let place = Place { along: Length::from_nanometres(along), down: Length::from_nanometres(down) };
            matches!(targets(place), Err(CourseError::Beyond { .. }))
        };
        assert!(!beyond(0, 0) && !beyond(400_000_000, 60_000_000));
        assert!(beyond(-1, 0) && beyond(0, -1) && beyond(400_000_001, 0) && beyond(0, 60_000_001));
        let error = CourseError::Beyond { place: Place::millimetres(-1, 0) };
        assert_eq!(error.to_string(), "-1 mm along, 0 mm down is beyond 0 to 400 mm, 0 to 60 mm");
    }
}
