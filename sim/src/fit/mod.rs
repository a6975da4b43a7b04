//! A motor's constants from measurements: winding resistance, inductance, back-EMF constant, each with its interval.
//!
//! ```text
//!   CSV  ->  read           steady points, or a back-EMF recording
//!        ->  point          the current that constants promise at a point
//!        ->  least_squares  the constants that come nearest, and how far the points settle them   (student: how surely)
//!        ->  recording      the back-EMF constant from half waves
//!        ->  Fitted         a motor for `tune`; or a refusal that says what the measurements cannot tell
//! ```
//!
//! **For which load.** A turning point's load is in the file, by default none, and the motor's own friction of the motor file
//! comes on top; at rest and with a blocked rotor there is none. **For which temperature.** Each point's windings are as warm as
//! the file says, by default as warm as where the motor file gives the resistance, and the fitted resistance holds there.
//! **What is taken for granted:** sine currents and a sine back-EMF, both phases alike, currents measured with the same error
//! each and amplitudes without one, steady states in which the rotor does not swing. Where a recording gives the back-EMF
//! constant, points settle only resistance and inductance.

mod least_squares;
mod plot;
mod point;
mod read;
mod recording;
mod student;
#[cfg(test)]
mod tests;

pub use plot::plots;
pub use point::Point;
pub use read::{Defaults, Measurements, load, parse};
pub use recording::HalfWave;

use crate::bench::Problem;
use crate::motor::MotorData;
use crate::report::number;
use least_squares::{Estimate, search};
use point::{COUNT, Currents};
use recording::Told;

/// Probability with which an interval is meant to hold the true constant.
pub const CONFIDENCE: f64 = 0.95;
/// Error of a constant per error of the currents, both as shares, from which points do not settle it.
const MAGNIFIED: f64 = 100.0;
/// Names of the constants, as in the motor file, and their units.
const NAMES: [(&str, &str); COUNT] =
    [("resistance_ohm", "ohm"), ("inductance_h", "H"), ("back_emf_v_s_per_rad", "V·s/rad")];

/// One fitted constant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Constant {
    /// Its name in the motor file.
    pub name: &'static str,
    /// Its unit.
    pub unit: &'static str,
    /// What the motor file says.
    pub file_value: f64,
    /// What the measurements say.
    pub value: f64,
    /// Lower end of the interval that holds the true value with a probability of [`CONFIDENCE`].
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// Steady points beside what the fitted constants promise.
#[derive(Clone, Debug, PartialEq)]
pub struct SteadyFit {
    /// The points.
    pub points: Vec<Point>,
    /// The promised current of each, in amperes.
    pub promised_a: Vec<f64>,
    /// Root mean square of the differences, in amperes.
    pub rms_a: f64,
}

/// What a back-EMF recording showed.
#[derive(Clone, Debug, PartialEq)]
pub struct RecordingFit {
    /// Its half waves.
    pub half_waves: Vec<HalfWave>,
    /// Constant voltage of the instrument, in volts.
    pub offset_v: f64,
    /// Root mean square deviation of the half waves' constants from the common one, in V·s/rad.
    pub rms_v_s_per_rad: f64,
}

/// A motor with fitted constants.
#[derive(Clone, Debug, PartialEq)]
pub struct Fitted {
    /// The motor of the file with the fitted constants in their places.
    pub motor: MotorData,
    /// The fitted constants.
    pub constants: Vec<Constant>,
    /// The steady points, if there were any.
    pub steady: Option<SteadyFit>,
    /// The recording, if there was one.
    pub recording: Option<RecordingFit>,
    /// In words, what to look at.
    pub notes: Vec<String>,
}

/// Fits the constants of a motor to steady points, a back-EMF recording, or one of each.
///
/// # Errors
/// [`Problem`] if there are two files of one kind, or the measurements cannot tell the constants, or not tell them apart.
pub fn fit(motor: &MotorData, measurements: &[Measurements]) -> Result<Fitted, Problem> {
    let mut fitted = Fitted { motor: *motor, constants: Vec::new(), steady: None, recording: None, notes: Vec::new() };
    let (mut steady, mut told) = (None, None);
    for each in measurements {
        match each {
            Measurements::Steady { file, points } => {
                if steady.replace((file, points)).is_some() {
                    return Err(Problem::of_file(file, "a second file of steady points", "one file of each kind"));
                }
            }
            Measurements::Recording { file, samples } => {
                let read = recording::read(samples, motor.teeth())
                    .map_err(|(found, expected)| Problem::of_file(file, found, expected))?;
                if told.replace(read).is_some() {
                    return Err(Problem::of_file(file, "a second back-EMF recording", "one file of each kind"));
                }
            }
        }
    }
    if let Some((file, points)) = steady {
        fitted.points(file, points, told.as_ref())?;
    }
    if let Some(told) = told {
        fitted.recording(told, motor.back_emf_v_s_per_rad);
    }
    fitted.compare();
    Ok(fitted)
}

impl Fitted {
    fn constant(&mut self, index: usize, file_value: f64, value: f64, reach: f64) {
        let (name, unit) = NAMES[index];
        self.constants.push(Constant { name, unit, file_value, value, low: value - reach, high: value + reach });
    }

    fn points(&mut self, file: &str, points: &[Point], told: Option<&Told>) -> Result<(), Problem> {
        let motor = self.motor;
        let curve =
            Currents { motor: &motor, points, back_emf_v_s_per_rad: told.map(|told| told.back_emf_v_s_per_rad) };
        let free = if told.is_some() { 2 } else { COUNT };
        structure(file, points, free)?;
        let from_file = [motor.resistance_ohm, motor.inductance_h, motor.back_emf_v_s_per_rad];
        let starts = starts(&from_file[..free]);
        let found = starts.iter().filter_map(|start| search(&curve, start));
        let best = found.min_by(|a, b| a.sum_of_squares().total_cmp(&b.sum_of_squares()));
        let Some(best) = &best else {
            return Err(Problem::of_file(file, "points that no constants come near", "currents of a stepping motor"));
        };
        settled(file, points, best)?;
        let promises = curve.promises(&best.constants);
        if let Some((point, _)) = points.iter().zip(&promises).find(|(_, promise)| promise.lost) {
            let found = format!("a point of {} V at {} steps/s", number(point.amplitude_v), number(point.velocity));
            let problem = Problem::of_file(file, found, "a voltage at which the motor that fits best carries its load");
            return Err(Problem { place: Some((point.line, 1)), ..problem });
        }
        for (index, &file_value) in from_file.iter().enumerate().take(free) {
            let mut reach = best.reach(index, CONFIDENCE);
            if let Some(told) = told {
                // What is not known of the back-EMF constant is not known of what rests on it.
                reach = libm::hypot(reach, by_back_emf(&curve, best, index) * told.reach());
            }
            self.constant(index, file_value, best.constants[index], reach);
        }
        let all = curve.all(&best.constants);
        [self.motor.resistance_ohm, self.motor.inductance_h, self.motor.back_emf_v_s_per_rad] = all;
        self.farthest(points, best);
        let promised_a = promises.iter().map(|promise| promise.current_a).collect();
        self.steady = Some(SteadyFit { points: points.to_vec(), promised_a, rms_a: best.rms() });
        Ok(())
    }

    fn recording(&mut self, told: Told, file_value: f64) {
        let value = told.back_emf_v_s_per_rad;
        self.constant(2, file_value, value, told.reach());
        self.motor.back_emf_v_s_per_rad = value;
        self.recording = Some(RecordingFit {
            half_waves: told.half_waves,
            offset_v: told.offset_v,
            rms_v_s_per_rad: told.rms_share * value,
        });
    }

    /// Speaks of points that do not look like the others.
    fn farthest(&mut self, points: &[Point], best: &Estimate) {
        const MEAN: f64 = 0.05;
        const SINGLE: f64 = 3.5;
        let mean_a = points.iter().map(|point| point.current_a).sum::<f64>() / points.len() as f64;
        if best.rms() > MEAN * mean_a {
            self.notes.push(format!(
                "the fitted motor is {:.1} % of the mean current off the points: look at units, loads and at points where the \
                 rotor swings",
                100.0 * best.rms() / mean_a
            ));
        }
        let deviation = libm::sqrt(best.variance());
        let far = points.iter().zip(&best.residuals).filter(|(_, rest)| rest.abs() > SINGLE * deviation);
        for (point, rest) in far {
            self.notes.push(format!(
                "line {}: {} A are {:.3} A {} than the fitted motor draws; the other points are {:.3} A off on average",
                point.line,
                number(point.current_a),
                rest.abs(),
                if *rest < 0.0 { "more" } else { "less" },
                best.rms()
            ));
        }
    }

    /// Speaks of constants that are far from the motor file's.
    fn compare(&mut self) {
        const FAR: f64 = 0.15;
        for constant in &self.constants {
            let share = constant.value / constant.file_value - 1.0;
            if share.abs() > FAR {
                self.notes.push(format!(
                    "`{}` is {:+.0} % off the motor file's {}",
                    constant.name,
                    100.0 * share,
                    number(constant.file_value)
                ));
            }
        }
    }
}

impl Told {
    fn reach(&self) -> f64 {
        student::quantile(CONFIDENCE, self.freedom) * self.standard_error
    }
}

/// Every constant as the motor file has it, a third, and three times as much.
fn starts(from_file: &[f64]) -> Vec<Vec<f64>> {
    let mut starts = vec![Vec::new()];
    for &value in from_file {
        let longer = |start: &Vec<f64>| {
            let start = start.clone();
            [1.0, 1.0 / 3.0, 3.0].map(|factor| start.iter().copied().chain([factor * value]).collect::<Vec<_>>())
        };
        starts = starts.iter().flat_map(longer).collect();
    }
    starts
}

/// Refuses points that by their kind cannot tell what is sought, whatever the numbers are.
fn structure(file: &str, points: &[Point], free: usize) -> Result<(), Problem> {
    if points.len() <= free {
        let found = format!("{} points", points.len());
        return Err(Problem::of_file(
            file,
            found,
            format!("at least {}, for {free} constants with their intervals", free + 1),
        ));
    }
    if points.iter().all(|point| point.velocity == 0.0) {
        let found = "points at rest only, where neither inductance nor back-EMF show";
        return Err(Problem::of_file(file, found, "points at several speeds"));
    }
    if free == COUNT && points.iter().all(|point| point.rotor_blocked || point.velocity == 0.0) {
        let found = "points with a rotor that stands only, where no back-EMF shows";
        return Err(Problem::of_file(
            file,
            found,
            "points with a turning rotor, too, or a back-EMF recording beside them",
        ));
    }
    Ok(())
}

/// Refuses an estimate whose constants the points do not settle.
fn settled(file: &str, points: &[Point], best: &Estimate) -> Result<(), Problem> {
    let rms_a =
        libm::sqrt(points.iter().map(|point| point.current_a * point.current_a).sum::<f64>() / points.len() as f64);
    let count = best.constants.len();
    let magnified = |index: usize| best.magnification(index, rms_a);
    let worst = (0..count).max_by(|&a, &b| magnified(a).total_cmp(&magnified(b))).unwrap_or(0);
    let unsettled = (0..count).find(|&index| best.reach(index, CONFIDENCE) >= best.constants[index]);
    let why = if magnified(worst) >= MAGNIFIED {
        match magnified(worst) {
            finite if finite.is_finite() => {
                format!("an error of 1 % in the currents moves `{}` by {finite:.0} %", NAMES[worst].0)
            }
            _ => format!("they would fit as well with any `{}`", NAMES[worst].0),
        }
    } else if let Some(index) = unsettled {
        format!(
            "`{}` comes out as {} ± {} {}",
            NAMES[index].0,
            number(best.constants[index]),
            number(best.reach(index, CONFIDENCE)),
            NAMES[index].1
        )
    } else {
        return Ok(());
    };
    // The constants that stand for one another in the direction that is settled least.
    let greatest = best.least_settled.iter().fold(0.0, |most: f64, part| most.max(part.abs()));
    let mixed: Vec<_> = best.least_settled.iter().zip(NAMES).filter(|(part, _)| part.abs() > 0.2 * greatest).collect();
    let mixed: Vec<_> = mixed.iter().map(|(_, (name, _))| format!("`{name}`")).collect();
    let velocity = points[0].velocity;
    let place = if points.iter().all(|point| point.velocity == velocity) {
        format!("{} points, all at {} steps/s,", points.len(), number(velocity))
    } else {
        format!("{} points", points.len())
    };
    let what = if mixed.len() > 1 {
        format!("tell {} apart", mixed.join(" and "))
    } else {
        format!("tell {}", mixed.join(""))
    };
    let found = format!("{place} that cannot {what}: {why}");
    let expected = "more points: at rest (for the resistance), and at several speeds up to where the current falls to half, \
                    each at several amplitudes; or a back-EMF recording beside them";
    Err(Problem::of_file(file, found, expected))
}

/// How a constant moves with the back-EMF constant that was taken as known: −(JᵀJ)⁻¹·Jᵀ·∂I/∂K.
fn by_back_emf(curve: &Currents<'_>, best: &Estimate, index: usize) -> f64 {
    let Some(spread) = &best.spread else { return f64::INFINITY };
    let promises = curve.promises(&best.constants);
    let rows = best.jacobian.row_iter().zip(&promises);
    let moved: f64 =
        rows.map(|(row, promise)| (spread.row(index) * row.transpose())[(0, 0)] * promise.by_constant[2]).sum();
    -moved
}
