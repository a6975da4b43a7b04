//! What is said: warnings where they belong, refusals with their reason, Rust source and pictures.

use stepchain::map::{Layout, MotionState, Parameter, RegisterMap as _};
use stepchain::reference::{FixedWord, Latched};

use super::super::{Options, plots, snippet, tune};
use super::{big, demo, maps, tuned, two_segments};
use crate::motor::MotorFile;

fn said(file: &MotorFile, layout: &'static Layout, words: &str) -> bool {
    let tuning = tune(file, layout, &Options::default()).unwrap();
    tuning.warnings.iter().any(|warning| warning.contains(words))
}

#[test]
fn a_supply_that_is_too_low_is_told_with_the_speed() {
    let mut file = demo();
    file.wanted.top_velocity = 3000.0;
    let tuning = tune(&file, &Latched::LAYOUT, &Options::default()).unwrap();
    assert!(tuning.valid_to_velocity > 1500.0 && tuning.valid_to_velocity < 1800.0, "{}", tuning.valid_to_velocity);
    let expected = format!("the supply of 24 V is too low above {:.0} steps/s", tuning.valid_to_velocity);
    assert!(tuning.warnings.iter().any(|warning| warning.starts_with(&expected)), "{:?}", tuning.warnings);
    // Where the supply suffices, the fit does not suffer from where it does not.
    assert!(tuning.worst_current_error < 0.1, "{:?}", tuning.errors);
    assert!(!said(&demo(), &Latched::LAYOUT, "too low"));
}

#[test]
fn an_amplitude_that_saturates_at_the_least_supply_is_told() {
    let mut file = demo();
    file.supply.least_v = 14.0;
    assert!(said(&file, &Latched::LAYOUT, "at 14 V and a supply compensation of"));
    assert!(!said(&demo(), &Latched::LAYOUT, "saturates"));
}

#[test]
fn resonance_and_the_unstable_band_are_told_with_frequency_and_growth() {
    let tuning = two_segments();
    let with = |words: &str| tuning.warnings.iter().find(|warning| warning.contains(words));
    assert!(with("resonance inside the range").is_some_and(|warning| warning.contains("Hz")), "{:?}", tuning.warnings);
    assert!(with("unstable from").is_some_and(|warning| warning.contains("per second")), "{:?}", tuning.warnings);
    let mut slow = demo();
    slow.wanted.top_velocity = 150.0;
    assert!(!said(&slow, &Latched::LAYOUT, "unstable") && !said(&slow, &Latched::LAYOUT, "resonance"));
}

/// A limit of 7.875 A, the register's last, on a motor that draws 8 A as it should.
#[test]
fn limits_of_current_that_the_register_cannot_hold_are_told() {
    assert!(said(&big(), &Latched::LAYOUT, "`overcurrent limit` ends at 7.875 A, below the"));
    assert!(said(&big(), &Latched::LAYOUT, "so that it will tell a fault that is none"));
    assert!(!said(&demo(), &Latched::LAYOUT, "limit` ends at"));
}

/// By hand: 0.05 A of 0.42/(1.5·√2) N·m/A hold 0.0099 N·m, and dry friction takes 0.008 more.
#[test]
fn a_load_that_turns_the_motor_at_rest_is_told() {
    for (torque_n_m, told) in [(0.03, true), (-0.03, true), (0.017, false)] {
        let mut file = demo();
        (file.load.torque_n_m, file.wanted.currents_a.standstill) = (torque_n_m, 0.05);
        assert_eq!(said(&file, &Latched::LAYOUT, "at rest, the wanted 0.05 A hold 0.0099 N·m"), told, "{torque_n_m}");
    }
}

/// By hand: with 9 K/W and 2.3 A, T = 25 + 9·2.3²·1.7·(235 + T)/255, so T = 146 °C.
#[test]
fn windings_that_become_too_warm_are_told() {
    let mut file = demo();
    file.wanted.currents_a.constant_velocity = 2.3;
    assert!(said(&file, &Latched::LAYOUT, "brings the windings to 146 °C"));
    assert!(!said(&demo(), &Latched::LAYOUT, "brings the windings"));
}

#[test]
fn an_amplitude_of_which_no_code_but_zero_is_near_is_told_as_coarse() {
    let mut file = demo();
    file.wanted.currents_a.standstill = 0.01;
    file.load.torque_n_m = 0.0;
    assert!(said(&file, &Latched::LAYOUT, "at rest, the current at 0 steps/s is 100.0 % less than the wanted 0.01 A"));
    assert!(said(&file, &Latched::LAYOUT, "one code of `standstill amplitude` is coarse"));
    assert!(!said(&file, &Latched::LAYOUT, "lose step"));
}

/// The register knows steps of 2 steps/s².
#[test]
fn a_slope_below_the_first_of_the_register_is_told() {
    let mut file = demo();
    file.load.inertia_kg_m2 = 5.0;
    assert!(said(&file, &Latched::LAYOUT, "no code of `profile acceleration` but 0 is within the"));
}

#[test]
fn codes_that_are_coarse_are_told_by_name() {
    assert!(said(&demo(), maps::FEW_CODES, "one code of `constant-velocity amplitude` is coarse"));
    assert!(said(&demo(), maps::FEW_CODES, "one code of `back-EMF slope 1` is coarse"));
    assert!(!said(&demo(), &Latched::LAYOUT, "one code of `constant-velocity amplitude` is coarse"));
    // By hand: 50 mA are 5.6 % of 0.9 A.
    assert!(said(
        &demo(),
        maps::CURRENTS,
        "one code of `standstill amplitude` is coarse: it changes the current by 5.6 %"
    ));
}

#[test]
fn what_the_map_lacks_is_told() {
    let tuning = tuned(&FixedWord::LAYOUT);
    for words in [
        "the map has no `accelerating amplitude`: `constant-velocity amplitude` serves",
        "the map has no back-EMF curve",
        "the map has no `supply compensation`",
        "the map has no `resistance compensation`",
        "at 20 V the currents at rest are 83 %",
    ] {
        assert!(tuning.warnings.iter().any(|warning| warning.contains(words)), "{words}: {:?}", tuning.warnings);
    }
    // Rather too much current at rest than a motor that loses its load at speed.
    assert!(tuning.errors.iter().all(|error| error.lowest > -1.0), "{:?}", tuning.errors);
    assert!(tuning.worst_current_error > 1.0, "and that is told, too: {:?}", tuning.errors);
}

#[test]
fn windings_that_heat_without_end_are_told() {
    let mut file = demo();
    file.wanted.currents_a.constant_velocity = 4.2;
    file.wanted.top_velocity = 200.0;
    assert!(said(&file, &Latched::LAYOUT, "heats the windings without end"));
}

/// By hand: T = 25 + 9·1.6²·1.7·(235 + T)/255, so T = 72.2 °C.
#[test]
fn the_setting_is_for_windings_as_warm_as_they_get() {
    assert!((two_segments().winding_c - 72.2).abs() < 0.05);
    let options = Options { winding_c: Some(20.0), ..Options::default() };
    let cold = tune(&demo(), &Latched::LAYOUT, &options).unwrap();
    assert_eq!(cold.winding_c, 20.0);
    // By hand: 1.7 Ω · 0.9 A of 24 V, all of them, since at rest microsteps take nothing.
    assert!((cold.settings[0].value - 1.7 * 0.9 / 24.0).abs() < 1e-9, "{:?}", cold.settings[0]);
}

#[test]
fn a_map_of_currents_takes_the_currents_themselves() {
    let tuning = tuned(maps::CURRENTS);
    let of = |parameter| tuning.settings.iter().find(|tuned| tuned.parameter == parameter).map(|tuned| tuned.code);
    // By hand, in steps of 50 mA: 0.9 A, and for 1.6 A and 1.9 A together 2/(1/1.6 + 1/1.9) = 1.737 A, so 1.75 A.
    assert_eq!(of(Parameter::StandstillAmplitude), Some(18));
    assert_eq!(of(Parameter::ConstantVelocityAmplitude), Some(35));
    assert!((tuning.worst_current_error - 0.15 / 1.6).abs() < 1e-5, "{:?}", tuning.errors);
    assert!(plots(&tuning).unwrap().is_empty());
}

/// What is listed is what the currents were computed with, also where one register serves several states.
#[test]
fn every_state_has_the_amplitude_of_the_register_that_serves_it() {
    for layout in [&Latched::LAYOUT, &FixedWord::LAYOUT, maps::CURRENTS, maps::ONE_AMPLITUDE] {
        let tuning = tuned(layout);
        for (state, parameter) in [
            (MotionState::Standstill, Parameter::StandstillAmplitude),
            (MotionState::ConstantVelocity, Parameter::ConstantVelocityAmplitude),
            (MotionState::Accelerating, Parameter::AcceleratingAmplitude),
            (MotionState::Decelerating, Parameter::DeceleratingAmplitude),
        ] {
            let listed = |parameter| tuning.settings.iter().find(|tuned| tuned.parameter == parameter);
            let serves = listed(parameter).or_else(|| listed(Parameter::ConstantVelocityAmplitude)).unwrap();
            assert_eq!(tuning.setting.amplitudes.of(state), serves.quantised, "{parameter} of {}", layout.name);
        }
    }
}

#[test]
fn what_cannot_be_tuned_is_refused_with_the_reason() {
    let refused = |file: &MotorFile, layout| tune(file, layout, &Options::default()).unwrap_err();
    let message = refused(&demo(), maps::BARE);
    assert!(message.contains("no register for `constant-velocity amplitude`"), "{message}");
    let mut weak = demo();
    weak.wanted.currents_a.decelerating = 0.1;
    let message = refused(&weak, &Latched::LAYOUT);
    assert!(message.contains("found 0.1 A for `decelerating`"), "{message}");
    let mut flat = demo();
    flat.supply.nominal_v = 2.0;
    let message = refused(&flat, &Latched::LAYOUT);
    assert!(message.contains("cannot make the wanted currents even at rest"), "{message}");
}

#[test]
fn numbers_beyond_all_reckoning_are_refused() {
    let mut file = demo();
    file.motor.resistance_ohm = 1e308;
    let message = tune(&file, &Latched::LAYOUT, &Options::default()).unwrap_err();
    assert!(message.contains("no current can be computed"), "{message}");
}

/// The examples package compiles the very text, and so holds it against the map.
#[test]
fn the_snippet_is_the_one_that_the_examples_compile() {
    let printed = snippet(two_segments());
    assert_eq!(printed, include_str!("../../../../examples/src/tuned.rs"));
}

#[test]
fn the_snippet_for_a_map_file_takes_its_type_from_the_module_above() {
    let own = snippet(&tuned(maps::OWN_CURVES));
    assert!(own.contains("Parameter::BackEmfSlope(CurveSegment::of(MotionState::Accelerating, 1))"), "{own}");
    const RENAMED: &Layout = &{
        let mut layout = *maps::FOUR_SEGMENTS;
        layout.name = "my-chip";
        layout
    };
    let source = snippet(&tuned(RENAMED));
    assert!(source.contains("use super::MyChip;") && source.contains("&MyChip::LAYOUT"), "{source}");
}

#[test]
fn the_pictures_show_every_line_by_name() {
    let plots = plots(two_segments()).unwrap();
    let names: Vec<_> = plots.iter().map(|(name, _)| *name).collect();
    assert_eq!(names, ["current.svg", "voltage.svg", "torque.svg"]);
    for (index, words) in [
        (0, "without compensation (ends where step is lost)"),
        (0, "slopes half as steep again"),
        (0, "wanted"),
        (1, "needed under the stated load"),
        (1, "made by the registers"),
        (2, "pull-out at constant velocity"),
        (2, "needed while accelerating"),
    ] {
        assert!(plots[index].1.contains(words), "{words}");
    }
}
