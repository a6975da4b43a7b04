//! Drive settings of `Demo motor` on the map `latched`, as `stepchain tune` computed them.
//!
//! For a load of 0.0455 N·m up to 1200 steps/s on 24 V, windings at 72 °C; the greatest error of a current
//! is 6.2 % of the wanted one. Each value is what its code means.

use stepchain::map::{CurveSegment, Parameter, RegisterMap};
use stepchain::reference::Latched;
use stepchain::settings::{Setting, Settings};
use stepchain::units::{Unit, Value};

/// What to write to each device.
pub const TUNED: Settings<16> = Settings::new([
    // 0.076171875 of supply, code 0x27.
    tuned(Parameter::StandstillAmplitude, Unit::ShareOfSupply, 163_577_856),
    // 0.13281 of supply, code 0x44.
    tuned(Parameter::ConstantVelocityAmplitude, Unit::ShareOfSupply, 285_212_672),
    // 0.16406 of supply, code 0x54.
    tuned(Parameter::AcceleratingAmplitude, Unit::ShareOfSupply, 352_321_536),
    // 0.13672 of supply, code 0x46.
    tuned(Parameter::DeceleratingAmplitude, Unit::ShareOfSupply, 293_601_280),
    // 0.000240326 of supply per step/s, code 0x3f.
    tuned(Parameter::BackEmfSlope(CurveSegment::new(0)), Unit::SharePerStepPerSecond, 1_032_192),
    // 277.75 steps/s, code 0x8ae.
    tuned(Parameter::BackEmfFrom(CurveSegment::new(1)), Unit::StepsPerSecond, 1_137_664),
    // 0.000514984 of supply per step/s, code 0x87.
    tuned(Parameter::BackEmfSlope(CurveSegment::new(1)), Unit::SharePerStepPerSecond, 2_211_840),
    // 1, code 0x80.
    tuned(Parameter::SupplyCompensation, Unit::Factor, 65536),
    // 1, code 0x80; written with the bridge off.
    tuned(Parameter::ResistanceCompensation, Unit::Factor, 65536),
    // 131070 steps/s², code 0xffff; written at standstill.
    tuned(Parameter::ProfileAcceleration, Unit::StepsPerSecondSquared, 33_553_920),
    // 131070 steps/s², code 0xffff; written at standstill.
    tuned(Parameter::ProfileDeceleration, Unit::StepsPerSecondSquared, 33_553_920),
    // 131070 steps/s², code 0xffff; written at standstill.
    tuned(Parameter::QuickStopDeceleration, Unit::StepsPerSecondSquared, 33_553_920),
    // 845.25 steps/s, code 0xd35; written at standstill.
    tuned(Parameter::StartStopVelocity, Unit::StepsPerSecond, 3_462_144),
    // 1200 steps/s, code 0xea60.
    tuned(Parameter::ProfileVelocity, Unit::StepsPerSecond, 4_915_200),
    // 4.125 A, code 0x21.
    tuned(Parameter::OvercurrentLimit, Unit::Amperes, 270_336),
    // 2.75 A, code 0x16.
    tuned(Parameter::StallLimit, Unit::Amperes, 180_224),
]);
const _: () = TUNED.assert_fits(&Latched::LAYOUT);

/// A setting from the fixed-point bits of its value.
const fn tuned(parameter: Parameter, unit: Unit, bits: i64) -> Setting {
    match Value::from_bits(unit, bits) {
        Ok(value) => Setting::new(parameter, value),
        Err(_) => panic!("the unit does not hold these bits"),
    }
}
