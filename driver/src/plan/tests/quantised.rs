//! What the codes of both reference maps, and of maps that lack registers, make of a ramp.

use std::string::ToString;

use proptest::prelude::*;

use crate::CommandError;
use crate::map::{Access, BufferMode, CommandForm, Encoding, Parameter, Piece, PositionCounter, Register, Verb, Wire};
use crate::units::Value;

use super::*;

fn milli(steps_per_s: i32) -> Velocity {
    Velocity::from_milli_steps_per_s(steps_per_s).unwrap()
}

/// By hand, `latched`: a velocity code is 0.02, so 100.031 becomes 5002 · 0.02; a slope code is 2, and the half of one
/// goes up; a start-stop code is 0.25; a resolution of 12 lies between 8 and 16, and ties go up.
#[test]
fn the_latched_map_means_multiples_of_its_steps() {
    let wanted = Ramp {
        velocity: milli(100_031),
        start_stop_velocity: milli(10_130),
        resolution: MicrostepResolution::from_microsteps_per_step(12),
        ..ramp(0, 501, 1000, 0, 1)
    };
    let means = wanted.quantised(&LATCHED, 0).unwrap();
    assert_eq!(means.velocity, milli(100_040));
    assert_eq!(means.acceleration, Acceleration::from_steps_per_s2(502).unwrap());
    assert_eq!(means.deceleration, Acceleration::from_steps_per_s2(1000).unwrap());
    assert_eq!(means.start_stop_velocity, milli(10_250));
    assert_eq!(means.resolution, MicrostepResolution::from_microsteps_per_step(16));
}

/// By hand, `fixed-word`: a velocity code is 0.003, so 100 becomes 33 333 · 0.003 = 99.999; 5001 is 625.125 · 2³, so 625;
/// a start-stop code is 1/16.
#[test]
fn the_fixed_word_map_means_mantissas_and_thousandths() {
    let wanted = Ramp { start_stop_velocity: milli(1030), ..ramp(100, 5001, 1000, 0, 256) };
    let means = wanted.quantised(&FIXED_WORD, 0).unwrap();
    assert_eq!(means.velocity, milli(99_999));
    assert_eq!(means.acceleration, Acceleration::from_steps_per_s2(5000).unwrap());
    assert_eq!(means.deceleration, Acceleration::from_steps_per_s2(1000).unwrap());
    assert_eq!(means.start_stop_velocity, Velocity::from_ratio(16, 16).unwrap());
    assert_eq!(means.resolution, wanted.resolution);
}

#[test]
fn what_no_code_means_is_refused_with_the_registers_name() {
    let error = ramp(1000, 200_000, 1, 0, 1).quantised(&LATCHED, 0).unwrap_err();
    assert_eq!(error.to_string(), "`profile acceleration`: 200000 steps/s² is outside 0..=131070 steps/s²");
    let error = ramp(1000, 1, 1, 0, 1).quantised(&LATCHED, 1).unwrap_err();
    assert_eq!(error, CommandError::NoSuchAxis { axis: 1, axes: 1 });
}

const WRITE: CommandForm =
    CommandForm::word(Verb::WriteParameter, &[Piece::fixed(2, 1), Piece::address(6), Piece::data(24)]);
static FEW: Layout = Layout::new("few", Wire::latched_units(32, &[Piece::fixed(32, 0)]))
    .registers(&[
        Register::new(Parameter::ProfileVelocity, 1, 16),
        Register::new(Parameter::ProfileAcceleration, 2, 16).encoding(Encoding::linear(10, 1)),
    ])
    .commands(&[WRITE])
    .position(PositionCounter::new(24, &[16]));

#[test]
fn a_map_without_a_register_has_what_is_left() {
    FEW.assert_valid();
    let means = ramp(100, 504, 100, 0, 16).quantised(&FEW, 0).unwrap();
    assert_eq!(means, ramp(100, 500, 500, 0, 16), "it slows down as it speeds up");
    let refused = |limits: Ramp| limits.quantised(&FEW, 0).unwrap_err();
    let missing = |parameter| CommandError::NoSuchParameter { parameter };
    assert_eq!(refused(ramp(100, 500, 500, 1, 16)), missing(Parameter::StartStopVelocity));
    assert_eq!(refused(ramp(100, 500, 500, 0, 8)), missing(Parameter::MicrostepResolution));
}

#[test]
fn a_register_that_cannot_be_written_or_counts_otherwise_is_refused() {
    static READ_ONLY: Layout =
        FEW.registers(&[Register::new(Parameter::ProfileVelocity, 1, 16).access(Access::ReadOnly)]);
    let error = ramp(1, 1, 1, 0, 16).quantised(&READ_ONLY, 0).unwrap_err();
    assert_eq!(error, CommandError::ReadOnly { register: "profile velocity" });
    static CODE: Layout =
        FEW.registers(&[Register::new(Parameter::ProfileVelocity, 1, 16).unit(crate::units::Unit::Code)]);
    assert!(matches!(ramp(1, 1, 1, 0, 16).quantised(&CODE, 0), Err(CommandError::WrongUnit { .. })));
    static MUTE: Layout = FEW.commands(&[]);
    let error = ramp(1, 1, 1, 0, 16).quantised(&MUTE, 0).unwrap_err();
    assert_eq!(error, CommandError::Unsupported { verb: Verb::WriteParameter, buffer_mode: BufferMode::Aborting });
}

proptest! {
    /// And what a code means, it means again.
    #[test]
    fn each_quantity_is_what_its_register_says(
        velocity in 0..300_000_000, slopes in (1..100_000, 1..100_000), start in 0..1_000_000, power in 0u32..7,
    ) {
        let wanted = Ramp {
            velocity: milli(velocity / 4),
            start_stop_velocity: milli(start),
            ..ramp(0, slopes.0, slopes.1, 0, 1 << power)
        };
        for layout in [&LATCHED, &FIXED_WORD] {
            let means = wanted.quantised(layout, 0).unwrap();
            prop_assert_eq!(means.quantised(layout, 0).unwrap(), means);
            for (parameter, from, to) in [
                (Parameter::ProfileVelocity, Value::from(wanted.velocity), Value::from(means.velocity)),
                (Parameter::ProfileAcceleration, wanted.acceleration.into(), means.acceleration.into()),
                (Parameter::ProfileDeceleration, wanted.deceleration.into(), means.deceleration.into()),
                (Parameter::StartStopVelocity, wanted.start_stop_velocity.into(), means.start_stop_velocity.into()),
                (Parameter::MicrostepResolution, wanted.resolution.into(), means.resolution.into()),
            ] {
                let register = layout.register(parameter, 0).unwrap();
                prop_assert_eq!(register.value_of(register.code_of(from).unwrap()).unwrap(), to);
            }
        }
    }
}
