//! Plans one straight line through the space of several axes: all start together, end together, and stay in
//! proportion all the way.
//!
//! The line is one trapezoid in the share 0..1 of the way. Each limit of the share is the least, over the axes that
//! move, of the axis's limit divided by its distance: no axis exceeds its own, and at least one uses it fully.

use super::profile::{Profile, Ramp, to_target};
use super::terms::{GREATEST_DISTANCE, OutOfRange, within};

/// What one axis has to do on a line, and what it can do.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AxisMove {
    /// Signed, in the axis's own unit of length; zero for an axis that stands still.
    pub distance: f64,
    /// Limits of this axis, in its own unit of length.
    pub ramp: Ramp,
}

/// What one axis does on a line.
#[derive(Clone, Debug, PartialEq)]
pub struct AxisPlan {
    /// The ramp that makes the axis follow the line when it is given to it for a move of its own; `None` for an
    /// axis that stands still.
    pub ramp: Option<Ramp>,
    /// The motion itself; empty for an axis that stands still.
    pub profile: Profile,
}

/// A coordinated motion from rest to rest.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    /// Common duration in seconds.
    pub duration_s: f64,
    /// One plan for each axis, in the order of the request.
    pub axes: Vec<AxisPlan>,
}

/// Plans the line on which all `axes` go their distances from rest to rest.
///
/// The start velocity of the line is likewise the least of the axes', so one axis that needs a ramp from zero
/// makes all ramp from zero.
///
/// # Errors
/// [`OutOfRange`] for a distance of 2⁵³ or more, or a ramp that [`Ramp::check`] refuses: as given, or as slowed down for
/// the line when distances differ so much that the shorter axis would have to creep below the range.
pub fn straight_line(axes: &[AxisMove]) -> Result<Line, OutOfRange> {
    for axis in axes {
        axis.ramp.check()?;
        within("distance", axis.distance, -GREATEST_DISTANCE..=GREATEST_DISTANCE)?;
    }
    let least = |limit: fn(&Ramp) -> f64| {
        let moving = axes.iter().filter(|axis| axis.distance != 0.0);
        moving.map(|axis| limit(&axis.ramp) / axis.distance.abs()).fold(f64::INFINITY, f64::min)
    };
    let share = Ramp {
        velocity: least(|ramp| ramp.velocity),
        acceleration: least(|ramp| ramp.acceleration),
        deceleration: least(|ramp| ramp.deceleration),
        start_velocity: least(|ramp| ramp.start_velocity),
    };
    let plans: Result<Vec<_>, _> = axes.iter().map(|axis| follow(axis, &share)).collect();
    let axes = plans?;
    let duration_s = axes.iter().map(|axis| axis.profile.duration_s()).fold(0.0, f64::max);
    Ok(Line { duration_s, axes })
}

/// The share's ramp stretched to the length of one axis, and kept within the axis's own where rounding would exceed it.
fn follow(axis: &AxisMove, share: &Ramp) -> Result<AxisPlan, OutOfRange> {
    let way = axis.distance.abs();
    if way == 0.0 {
        return Ok(AxisPlan { ramp: None, profile: Profile::default() });
    }
    let ramp = Ramp {
        velocity: (share.velocity * way).min(axis.ramp.velocity),
        acceleration: (share.acceleration * way).min(axis.ramp.acceleration),
        deceleration: (share.deceleration * way).min(axis.ramp.deceleration),
        start_velocity: (share.start_velocity * way).min(axis.ramp.start_velocity),
    };
    Ok(AxisPlan { ramp: Some(ramp), profile: to_target(0.0, axis.distance, &ramp)? })
}
