//! The motion as numbers: one row for each breakpoint of any axis, and regular samples between them.

use super::{MotorKnot, Report};

/// At most so many regular samples; the interval is the least of 1, 2 and 5 times a power of ten seconds that does.
const SAMPLES: f64 = 2000.0;

/// The motion of all axes as CSV: `time_s`, then position and velocity of each axis, and where it has a motor, the place of
/// the rotor, the current and the temperature of the windings.
///
/// Where a velocity jumps, its row shows the value after the jump.
///
/// # Errors
/// What the CSV writer says of an axis name that it cannot write; none is known.
pub fn motion_csv(report: &Report) -> Result<String, csv::Error> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    let mut head = vec!["time_s".to_owned()];
    for track in &report.tracks {
        head.push(format!("{}_position_steps", track.name));
        head.push(format!("{}_velocity_steps_per_s", track.name));
        if track.motor.is_some() {
            head.extend(["rotor_steps", "current_a", "winding_c"].map(|of| format!("{}_{of}", track.name)));
        }
    }
    writer.write_record(head)?;
    for time_s in times(report) {
        let mut row = vec![fixed(time_s, 9)];
        for track in &report.tracks {
            let (position, velocity) = track.at(time_s);
            row.extend([fixed(position, 6), fixed(velocity, 6)]);
            if let Some(motor) = &track.motor {
                let MotorKnot { behind_steps, current_a, winding_c, .. } = motor.at(time_s);
                row.extend([fixed(position - behind_steps, 4), fixed(current_a, 4), fixed(winding_c, 3)]);
            }
        }
        writer.write_record(row)?;
    }
    let bytes = writer.into_inner().map_err(|error| csv::Error::from(error.into_error()))?;
    Ok(String::from_utf8_lossy(&bytes).into_owned())
}

fn times(report: &Report) -> Vec<f64> {
    let interval = interval(report.end_s);
    let regular = (0..).map(|index| f64::from(index) * interval).take_while(|&time_s| time_s < report.end_s);
    let knots = report.tracks.iter().flat_map(|track| &track.knots).map(|knot| knot.time_s);
    let shown = knots.filter(|&time_s| (0.0..=report.end_s).contains(&time_s));
    let mut times: Vec<f64> = regular.chain(shown).chain([report.end_s]).collect();
    times.sort_by(f64::total_cmp);
    // Nearer than half a nanosecond is the same row: times are written to nine places.
    times.dedup_by(|later, earlier| *later - *earlier < 0.5e-9);
    times
}

fn interval(end_s: f64) -> f64 {
    let powers = (-9..=9).map(|power| libm::exp10(f64::from(power)));
    let mut intervals = powers.flat_map(|power| [power, 2.0 * power, 5.0 * power]);
    intervals.find(|interval| end_s / interval <= SAMPLES).unwrap_or(end_s)
}

/// To so many places, without a sign before nothing.
fn fixed(value: f64, places: usize) -> String {
    let text = format!("{value:.places$}");
    match text.strip_prefix('-') {
        Some(rest) if rest.chars().all(|c| matches!(c, '0' | '.')) => rest.to_owned(),
        _ => text,
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Knot, Track};
    use super::*;

    fn report() -> Report {
        let knot = |time_s, position_steps, velocity_steps_per_s| Knot {
            time_s,
            position_steps,
            velocity_steps_per_s,
            acceleration_steps_per_s2: 0.0,
        };
        let knots = vec![knot(0.000_25, 0.0, 8.0), knot(1.000_25, 8.0, 0.0)];
        Report {
            tracks: vec![Track { name: "x, left".to_owned(), knots, motor: None }],
            end_s: 2.0,
            ..Report::default()
        }
    }

    #[test]
    fn every_breakpoint_has_a_row_of_its_own_and_names_are_quoted() {
        let csv = motion_csv(&report()).unwrap();
        assert!(csv.starts_with("time_s,\"x, left_position_steps\",\"x, left_velocity_steps_per_s\"\n"), "{csv}");
        assert!(csv.contains("\n0.000250000,0.000000,8.000000\n"), "{csv}");
        assert!(csv.contains("\n1.000250000,8.000000,0.000000\n"), "{csv}");
        assert!(csv.ends_with("\n2.000000000,8.000000,0.000000\n"), "{csv}");
    }

    /// By hand: 2 s in at most 2000 samples is 1 ms; 8.1 s wants more than 2 ms.
    #[test]
    fn samples_come_at_round_intervals() {
        assert!((interval(2.0) - 1e-3).abs() < 1e-12);
        assert!((interval(8.1) - 5e-3).abs() < 1e-12);
        assert_eq!(motion_csv(&report()).unwrap().lines().count(), 1 + 2000 + 2 + 1);
    }
}
