//! The back-EMF constant from a recording of one open winding while the shaft is turned by hand.
//!
//! The winding's flux linkage swings between +ψ and −ψ whatever the speed does, with ψ = K/N_r: so the area under each half
//! wave of the voltage is 2·ψ, at a constant speed as well as at a changing one. (At a constant speed the area is that of
//! half a sine, 2·V_peak/ω_e, so that K = N_r·V_peak/ω_e: peak over frequency, as any text has it.) An offset of the
//! instrument adds to the positive areas and takes from the negative ones. Both come out by least squares:
//! area = ±2·ψ + offset·duration. Noise moves the crossings of zero, and with them the areas a little upwards: by 0.02 % at
//! noise of 2 % of the peak and 25 samples in a half wave.

use nalgebra::{Matrix2, Vector2};

/// One half wave of the voltage.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HalfWave {
    /// Its middle, in seconds of the recording.
    pub at_s: f64,
    /// How long it lasted, in seconds.
    pub duration_s: f64,
    /// The back-EMF constant that it gives by itself, in V·s/rad.
    pub back_emf_v_s_per_rad: f64,
}

/// What a recording tells.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Told {
    pub(super) back_emf_v_s_per_rad: f64,
    pub(super) standard_error: f64,
    pub(super) freedom: usize,
    pub(super) offset_v: f64,
    pub(super) half_waves: Vec<HalfWave>,
    /// Root mean square deviation of the single constants from the common one, as a share of it.
    pub(super) rms_share: f64,
}

/// Half waves below this share of the greatest peak are left out: there the rotor hardly turns.
const SMALL: f64 = 0.25;
/// A sign counts as changed when the voltage is beyond this share of the greatest peak on the other side.
const SURE: f64 = 0.1;
/// A step of time beyond so many usual ones is a gap: what a half wave was in there nobody knows.
const GAP: f64 = 3.0;
/// A peak of equal values over more than this share of a half wave is none: the instrument has cut it off. Cut off at 95 % of
/// its height a sine is flat for this long, and has lost 1 % of its area; one of whole levels is as flat where 16 of them
/// are its height.
const FLAT: f64 = 0.2;
/// Fewest half waves, and fewest samples in each of them.
pub(super) const LEAST_WAVES: usize = 6;
pub(super) const LEAST_SAMPLES: usize = 10;

struct Piece {
    from_s: f64,
    to_s: f64,
    area: f64,
    peak: f64,
    samples: usize,
    /// Samples that are just as high as the peak.
    level: usize,
    /// Longest step from one sample to the next, in seconds.
    longest_s: f64,
}

impl Piece {
    fn is_flat(&self) -> bool {
        self.level as f64 > FLAT * self.samples as f64
    }
}

/// Reads the constant from samples (seconds, volts).
///
/// # Errors
/// What was found and what was expected, if the samples show too little.
pub(super) fn read(samples: &[(f64, f64)], teeth: f64) -> Result<Told, (String, String)> {
    let mut offset_v = 0.0;
    let mut told = None;
    let gap_s = GAP * usual_step_s(samples);
    // The offset moves the crossings a little, and so the areas: three rounds leave nothing of that.
    for _ in 0..3 {
        let pieces = pieces(samples, offset_v);
        let peak = pieces.iter().map(|piece| piece.peak.abs()).fold(0.0, f64::max);
        let is_kept = |piece: &Piece| piece.peak.abs() >= SMALL * peak && piece.longest_s <= gap_s;
        let kept: Vec<_> = pieces.into_iter().filter(is_kept).collect();
        if kept.len() < LEAST_WAVES {
            return Err((
                format!("{} whole half waves of the voltage", kept.len()),
                format!("at least {LEAST_WAVES} above a quarter of the greatest peak: turn the shaft further"),
            ));
        }
        let fewest = kept.iter().map(|piece| piece.samples).min().unwrap_or(0);
        if fewest < LEAST_SAMPLES {
            return Err((
                format!("half waves of {fewest} samples"),
                format!("at least {LEAST_SAMPLES} in each: sample more often or turn more slowly"),
            ));
        }
        let flat = kept.iter().filter(|piece| piece.is_flat()).count();
        if 4 * flat > kept.len() {
            return Err((
                format!("{flat} of {} half waves with a flat top", kept.len()),
                "whole peaks: the instrument cuts them off; give it a greater range".to_owned(),
            ));
        }
        let solved = solve(&kept, teeth);
        offset_v += solved.offset_v;
        told = Some(Told { offset_v, ..solved });
    }
    told.filter(|told| told.back_emf_v_s_per_rad > 0.0)
        .ok_or_else(|| ("no voltage".to_owned(), "a back-EMF".to_owned()))
}

/// The whole half waves, from one crossing of zero to the next.
fn pieces(samples: &[(f64, f64)], offset_v: f64) -> Vec<Piece> {
    let sure_v = SURE * samples.iter().map(|&(_, volts)| (volts - offset_v).abs()).fold(0.0, f64::max);
    let mut crossings: Vec<f64> = Vec::new();
    // Where the sign last was sure, and the first and last crossing of zero since.
    let mut sign = 0.0;
    let mut between: Option<(f64, f64)> = None;
    for pair in samples.windows(2) {
        let [(from_s, from_v), (to_s, to_v)] = [pair[0], pair[1]].map(|(at_s, volts)| (at_s, volts - offset_v));
        if from_v * to_v <= 0.0 && from_v != to_v {
            let crossing = from_s + (to_s - from_s) * from_v / (from_v - to_v);
            between = Some((between.map_or(crossing, |(first, _)| first), crossing));
        }
        if to_v.abs() < sure_v || to_v == 0.0 {
            continue;
        }
        if let Some((first, last)) = between.filter(|_| sign * to_v < 0.0) {
            crossings.push(0.5 * (first + last));
        }
        sign = to_v.signum();
        between = None;
    }
    crossings.windows(2).map(|ends| piece(samples, offset_v, ends[0], ends[1])).collect()
}

/// The step of time between two samples that half of all steps do not exceed.
fn usual_step_s(samples: &[(f64, f64)]) -> f64 {
    let mut steps: Vec<f64> = samples.windows(2).map(|pair| pair[1].0 - pair[0].0).collect();
    steps.sort_by(f64::total_cmp);
    steps.get(steps.len() / 2).copied().unwrap_or(0.0)
}

/// The area between two crossings by the trapezoidal rule, made good for what its chords cut off a half sine.
fn piece(samples: &[(f64, f64)], offset_v: f64, from_s: f64, to_s: f64) -> Piece {
    let first = samples.partition_point(|sample| sample.0 <= from_s);
    let end = samples.partition_point(|sample| sample.0 < to_s);
    let inside = samples.get(first..end).unwrap_or_default().iter().map(|&(at_s, volts)| (at_s, volts - offset_v));
    let (mut area, mut peak, mut before) = (0.0, 0.0_f64, (from_s, 0.0));
    let (mut level, mut longest_s) = (0, 0.0_f64);
    for sample in inside.chain([(to_s, 0.0)]) {
        longest_s = longest_s.max(sample.0 - before.0);
        level = match () {
            () if sample.1 == peak => level + 1,
            () if sample.1.abs() > peak.abs() => 1,
            () => level,
        };
        area += 0.5 * (sample.1 + before.1) * (sample.0 - before.0);
        peak = if sample.1.abs() > peak.abs() { sample.1 } else { peak };
        before = sample;
    }
    let samples = end.saturating_sub(first);
    // Of a half sine in n parts the chords enclose 1 − (π/n)²/12 (Euler and Maclaurin).
    let part = core::f64::consts::PI / samples.max(1) as f64;
    Piece { from_s, to_s, area: area * (1.0 + part * part / 12.0), peak, samples, level, longest_s }
}

/// The least squares of area = sign·2·ψ + offset·duration.
fn solve(pieces: &[Piece], teeth: f64) -> Told {
    let rows = || pieces.iter().map(|piece| (Vector2::new(piece.peak.signum(), piece.to_s - piece.from_s), piece.area));
    let normal: Matrix2<f64> = rows().map(|(row, _)| row * row.transpose()).sum();
    let right: Vector2<f64> = rows().map(|(row, area)| row * area).sum();
    // Signs alternate, so that the columns are nearly at right angles.
    let inverse = normal.try_inverse().unwrap_or_else(Matrix2::zeros);
    let solution = inverse * right;
    let freedom = pieces.len().saturating_sub(2);
    let squares: f64 = rows().map(|(row, area)| area - row.dot(&solution)).map(|rest| rest * rest).sum();
    let half = 0.5 * teeth;
    let back_emf_v_s_per_rad = half * solution[0];
    let half_waves: Vec<_> = pieces
        .iter()
        .map(|piece| {
            let duration_s = piece.to_s - piece.from_s;
            HalfWave {
                at_s: 0.5 * (piece.from_s + piece.to_s),
                duration_s,
                back_emf_v_s_per_rad: half * piece.peak.signum() * (piece.area - solution[1] * duration_s),
            }
        })
        .collect();
    Told {
        back_emf_v_s_per_rad,
        standard_error: half * libm::sqrt(squares / freedom.max(1) as f64 * inverse[(0, 0)]),
        freedom,
        offset_v: solution[1],
        rms_share: half * libm::sqrt(squares / pieces.len() as f64) / back_emf_v_s_per_rad,
        half_waves,
    }
}

#[cfg(test)]
mod tests {
    use core::f64::consts::PI;

    use super::*;

    /// A shaft that is turned up and coasts down: electrical angle and its rate.
    fn spin(at_s: f64) -> (f64, f64) {
        let angle = 60.0 * PI * (at_s * at_s - at_s * at_s * at_s / 3.0);
        (angle, 60.0 * PI * (2.0 * at_s - at_s * at_s))
    }

    fn recording(samples: u32, offset_v: f64) -> Vec<(f64, f64)> {
        let at = |index: u32| {
            let at_s = 2.0 * f64::from(index) / f64::from(samples);
            let (angle, rate) = spin(at_s);
            (at_s, offset_v - 0.28 / 50.0 * rate * libm::sin(angle + 0.4))
        };
        (0..=samples).map(at).collect()
    }

    /// K = N_r·V_peak/ω_e of the textbook, at a constant speed: 3 V at 40 Hz and 50 teeth.
    #[test]
    fn at_a_constant_speed_it_is_peak_over_frequency() {
        let omega = 2.0 * PI * 40.0;
        let samples: Vec<_> =
            (0..2000).map(|index| f64::from(index) * 1e-4).map(|at_s| (at_s, 3.0 * libm::sin(omega * at_s))).collect();
        let told = read(&samples, 50.0).unwrap();
        let expected = 50.0 * 3.0 / omega;
        assert!((told.back_emf_v_s_per_rad / expected - 1.0).abs() < 1e-5, "{told:?}");
        assert!(told.offset_v.abs() < 1e-5 && told.half_waves.len() >= 14, "{told:?}");
    }

    #[test]
    fn a_speed_that_changes_and_an_offset_of_the_instrument_do_not_matter() {
        for offset_v in [0.0, 0.06, -0.1] {
            let told = read(&recording(4000, offset_v), 50.0).unwrap();
            assert!((told.back_emf_v_s_per_rad / 0.28 - 1.0).abs() < 2e-4, "{told:?}");
            assert!((told.offset_v - offset_v).abs() < 2e-3, "{} for {offset_v}", told.offset_v);
            assert!(told.half_waves.len() > 50, "{}", told.half_waves.len());
        }
    }

    fn sine(volts: impl Fn(f64) -> f64) -> Vec<(f64, f64)> {
        let at = (0..4000).map(|index| f64::from(index) * 1e-4);
        at.map(|at_s| (at_s, volts(libm::sin(2.0 * PI * 40.0 * at_s)))).collect()
    }

    /// By hand: cut off at a third of its height a sine has less than half of its area; at 90 % it has lost 3 %.
    #[test]
    fn peaks_that_the_instrument_has_cut_off_are_refused() {
        for cut_v in [1.0, 2.7] {
            let (found, expected) = read(&sine(|sine| (3.0 * sine).clamp(-cut_v, cut_v)), 50.0).unwrap_err();
            assert!(found.contains("flat top") && expected.contains("greater range"), "{found}, {expected}");
        }
        // One side alone, as an instrument with a wrong zero does it.
        assert!(read(&sine(|sine| (3.0 * sine).min(1.5)), 50.0).is_err());
        // 32 levels to the peak are coarse, but nothing is lost.
        let levels = read(&sine(|sine| libm::round(32.0 * sine) / 32.0 * 3.0), 50.0).unwrap();
        assert!((levels.back_emf_v_s_per_rad / (50.0 * 3.0 / (80.0 * PI)) - 1.0).abs() < 2e-3, "{levels:?}");
    }

    #[test]
    fn a_gap_in_the_recording_costs_the_half_waves_around_it_and_no_more() {
        let mut samples = sine(|sine| 3.0 * sine);
        samples.drain(1001..1400);
        let told = read(&samples, 50.0).unwrap();
        assert!((told.back_emf_v_s_per_rad / (50.0 * 3.0 / (80.0 * PI)) - 1.0).abs() < 1e-5, "{told:?}");
        assert!(told.half_waves.len() >= 24, "{}", told.half_waves.len());
    }

    #[test]
    fn too_few_half_waves_or_samples_are_refused() {
        let samples = recording(4000, 0.0);
        let (found, expected) = read(&samples[..400], 50.0).unwrap_err();
        assert!(found.contains("half waves") && expected.contains("turn the shaft further"), "{found}, {expected}");
        let (found, expected) = read(&recording(600, 0.0), 50.0).unwrap_err();
        assert!(found.contains("samples") && expected.contains("sample more often"), "{found}, {expected}");
        assert!(read(&[], 50.0).is_err() && read(&[(0.0, 0.0), (1.0, 0.0)], 50.0).is_err());
    }
}
