//! Measurements that cannot tell: each kind is refused, and the refusal says why.

use super::super::*;
use super::demo;

/// The points' own promises for the demo motor, without noise.
fn exact(points: &[(f64, f64, bool)]) -> Vec<Point> {
    let motor = demo().motor;
    let constants = [motor.resistance_ohm, motor.inductance_h, motor.back_emf_v_s_per_rad];
    let of = |(index, &(velocity, amplitude_v, rotor_blocked)): (usize, &(f64, f64, bool))| {
        let point = Point {
            line: index + 2,
            velocity,
            amplitude_v,
            current_a: 1.0,
            load_n_m: 0.0,
            winding_c: 20.0,
            microsteps_per_step: 16,
            rotor_blocked,
        };
        let promise = point.promise(&motor, constants);
        assert!(!promise.lost, "{point:?}");
        Point { current_a: promise.current_a, ..point }
    };
    points.iter().enumerate().map(of).collect()
}

fn fitted(points: Vec<Point>) -> Result<Fitted, String> {
    let mut motor = demo().motor;
    // The file is wrong by a quarter and more.
    motor.resistance_ohm *= 1.3;
    motor.inductance_h *= 0.7;
    motor.back_emf_v_s_per_rad *= 1.4;
    fit(&motor, &[Measurements::Steady { file: "m.csv".to_owned(), points }]).map_err(|problem| problem.to_string())
}

fn refused(points: &[(f64, f64, bool)], said: &[&str]) {
    let error = fitted(exact(points)).unwrap_err();
    assert!(error.starts_with("m.csv"), "{error}");
    for said in said {
        assert!(error.contains(said), "{error}\ndoes not say {said}");
    }
}

#[test]
fn points_without_noise_give_the_constants_back() {
    let points =
        [(0.0, 2.5, false), (100.0, 4.0, false), (300.0, 6.0, false), (600.0, 10.0, false), (900.0, 16.0, false)];
    let fitted = fitted(exact(&points)).unwrap();
    let truth = demo().motor;
    for (found, expected) in [
        (fitted.motor.resistance_ohm, truth.resistance_ohm),
        (fitted.motor.inductance_h, truth.inductance_h),
        (fitted.motor.back_emf_v_s_per_rad, truth.back_emf_v_s_per_rad),
    ] {
        assert!((found / expected - 1.0).abs() < 1e-7, "{found}, not {expected}");
    }
    assert_eq!(fitted.notes.len(), 3, "each constant is far from the file's: {:?}", fitted.notes);
}

#[test]
fn too_few_points_are_refused() {
    let points = [(0.0, 2.5, false), (300.0, 6.0, false), (900.0, 16.0, false)];
    refused(&points, &["found 3 points, expected at least 4"]);
}

#[test]
fn points_at_rest_tell_the_resistance_only() {
    refused(&[(0.0, 2.0, false); 5], &["points at rest only"]);
}

#[test]
fn a_blocked_rotor_tells_no_back_emf() {
    let points = [(0.0, 2.0, false), (100.0, 4.0, true), (300.0, 6.0, true), (600.0, 9.0, true), (900.0, 12.0, true)];
    refused(&points, &["a rotor that stands only", "a back-EMF recording"]);
}

#[test]
fn one_speed_and_one_amplitude_tell_nothing_apart() {
    refused(&[(300.0, 6.0, false); 8], &["8 points, all at 300 steps/s", "apart", "`resistance_ohm`"]);
}

/// Hardly above rest only R and the back-EMF could count, and both little.
#[test]
fn slow_points_without_load_cannot_tell_the_inductance() {
    let points: Vec<_> = (1..9).map(|index| (f64::from(index), 3.0, false)).collect();
    refused(
        &points,
        &["8 points that cannot tell `inductance_h` and `back_emf_v_s_per_rad` apart", "an error of 1 % in"],
    );
}

/// With noise that the conditioning alone would bear, an interval that reaches zero still says nothing.
#[test]
fn an_interval_that_reaches_zero_is_no_answer() {
    let mut points =
        exact(&[(0.0, 2.5, false), (100.0, 4.0, false), (200.0, 4.0, false), (300.0, 7.0, false), (400.0, 9.0, false)]);
    for (index, point) in points.iter_mut().enumerate() {
        point.current_a *= if index % 2 == 0 { 1.1 } else { 0.9 };
    }
    let error = fitted(points).unwrap_err();
    assert!(error.contains("cannot tell") && error.contains("comes out as"), "{error}");
}

/// 0.3 N·m at 4 V and 400 steps/s are beyond pull-out, K·V/Z ≈ 0.18 N·m, for the motor that the other points show.
#[test]
fn a_point_that_the_fitted_motor_could_not_carry_is_refused_by_its_line() {
    let at = |index: u32| (50.0 * f64::from(index), 3.0 + 0.8 * f64::from(index), false);
    let mut points = exact(&(0..16).map(at).collect::<Vec<_>>());
    points.push(Point { line: 99, velocity: 400.0, amplitude_v: 4.0, load_n_m: 0.3, current_a: 2.0, ..points[0] });
    let error = fitted(points).unwrap_err();
    assert!(error.starts_with("m.csv:99:1: found a point of 4 V at 400 steps/s, expected a voltage"), "{error}");
}

/// From three times and a third of each constant: the search from the file's own values alone would end elsewhere or nowhere.
#[test]
fn a_motor_file_that_is_far_off_does_not_lead_the_fit_astray() {
    let at = |index: u32| (60.0 * f64::from(index), 3.0 + 0.8 * f64::from(index), false);
    let points = exact(&(0..14).map(at).collect::<Vec<_>>());
    let truth = demo().motor;
    let far = MotorData {
        resistance_ohm: 4.0 * truth.resistance_ohm,
        inductance_h: 0.2 * truth.inductance_h,
        back_emf_v_s_per_rad: 3.0 * truth.back_emf_v_s_per_rad,
        ..truth
    };
    let fitted = fit(&far, &[Measurements::Steady { file: "m.csv".to_owned(), points }]).unwrap();
    assert!((fitted.motor.inductance_h / truth.inductance_h - 1.0).abs() < 1e-6, "{:?}", fitted.constants);
}

#[test]
fn two_files_of_one_kind_are_refused() {
    let motor = demo().motor;
    let steady = || Measurements::Steady { file: "s.csv".to_owned(), points: Vec::new() };
    let error = fit(&motor, &[steady(), steady()]).unwrap_err().to_string();
    assert_eq!(error, "s.csv: found a second file of steady points, expected one file of each kind");
}
