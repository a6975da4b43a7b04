//! The currents that the budget of heat counts with are those of the setting.

use super::super::{Warmth, budget};
use super::{demo, two_segments};
use crate::motor::{DutyPhase, Work, steady_run};
use crate::tune::{Options, Tuning, tune};

fn currents(tuning: &Tuning, work: &[Work]) -> Vec<f64> {
    let mut tuning = tuning.clone();
    tuning.motor.duty = work.iter().map(|&work| DutyPhase { duration_s: 10.0, work }).collect();
    budget(&tuning).unwrap().phases.iter().map(|phase| phase.1).collect()
}

#[test]
fn a_running_phase_has_the_current_that_the_simulated_motor_draws() {
    let tuning = two_segments();
    for velocity in [120.0, 400.0, 700.0] {
        let (data, load) = (&tuning.motor.motor, &tuning.motor.load);
        let (supply_v, microsteps) = (tuning.motor.supply.nominal_v, tuning.microsteps_per_step);
        let run = steady_run(data, load, tuning.winding_c, supply_v, &tuning.setting, microsteps, velocity).unwrap();
        let found = currents(tuning, &[Work::Run { velocity }])[0];
        assert!((found / run.current_a - 1.0).abs() < 0.02, "{found}, not {run:?}, at {velocity}");
    }
}

/// At rest V/R; off nothing; a known current as it is; over a ramp the root of the mean square, between the least and the
/// greatest that the errors of the state allow, and not the same up and down.
#[test]
fn every_kind_of_phase_has_its_current() {
    let tuning = two_segments();
    let top = tuning.valid_to_velocity;
    let work = [
        Work::Off,
        Work::Hold,
        Work::Current { current_a: 0.7 },
        Work::Accelerate { to_velocity: top },
        Work::Decelerate { from_velocity: top },
    ];
    let found = currents(tuning, &work);
    let hold_a = 0.9 * (1.0 + tuning.errors[0].lowest);
    assert_eq!((found[0], found[2]), (0.0, 0.7));
    assert!((found[1] - hold_a).abs() < 1e-9, "{found:?}, {hold_a}");
    for (found_a, error) in [(found[3], tuning.errors[2]), (found[4], tuning.errors[3])] {
        let (least, greatest) = (error.wanted_a * (1.0 + error.lowest), error.wanted_a * (1.0 + error.highest));
        assert!(least < found_a && found_a < greatest, "{found_a} A, {error:?}");
    }
    assert!(found[3] > 1.02 * found[4], "1.9 A and 1.7 A are wanted: {found:?}");
}

/// More current than the motor bears in the end is told with the time, and the share brings it back.
#[test]
fn a_motor_that_works_too_hard_is_told_what_it_bears() {
    let mut motor = demo();
    motor.winding_limit_c = Some(55.0);
    motor.duty = vec![DutyPhase { duration_s: 20.0, work: Work::Run { velocity: 600.0 } }];
    let tuning = tune(&motor, two_segments().layout, &Options { winding_c: Some(60.0), ..Options::default() }).unwrap();
    let found = budget(&tuning).unwrap();
    let Warmth::Repeats(periodic) = found.warmth else { panic!("{:?}", found.warmth) };
    assert!(periodic.peak_winding_c > 55.0 && found.exceeds() && found.limit_after_s.unwrap() > 60.0, "{found:?}");
    let share = found.share.unwrap();
    assert!(share < 1.0, "{share}");
    let at_20 = found.derating.iter().find(|point| point.0 == 20.0).unwrap().1;
    assert!(at_20 > share, "in cooler air more: {at_20} and {share}");
    let mut eased = tuning.clone();
    eased.motor.duty =
        vec![DutyPhase { duration_s: 20.0, work: Work::Current { current_a: share * found.phases[0].1 } }];
    let eased = budget(&eased).unwrap();
    assert!(!eased.exceeds() && eased.limit_after_s.is_none(), "{eased:?}");
    let Warmth::Repeats(periodic) = eased.warmth else { panic!("{:?}", eased.warmth) };
    assert!((periodic.peak_winding_c - 55.0).abs() < 1e-6, "{periodic:?}");
}
