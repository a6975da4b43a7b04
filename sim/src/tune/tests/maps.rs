//! Maps to tune for: they differ in nothing but the registers that make the amplitude. Invented.

use stepchain::map::{CurveSegment, Drive, Encoding, Layout, MotionState, Parameter, Register, RegisterMap as _};
use stepchain::reference::Latched;
use stepchain::units::Unit;

const SLOPE: Encoding = Encoding::linear(1, 1 << 18);
const VELOCITY: Encoding = Encoding::linear(1, 8);

const fn amplitude(parameter: Parameter, address: u16) -> Register {
    Register::new(parameter, address, 9).encoding(Encoding::linear(1, 512))
}

const fn slope(segment: CurveSegment, address: u16) -> Register {
    Register::new(Parameter::BackEmfSlope(segment), address, 10).encoding(SLOPE)
}

const fn from(segment: CurveSegment, address: u16) -> Register {
    Register::new(Parameter::BackEmfFrom(segment), address, 16).encoding(VELOCITY)
}

const STANDSTILL: Register = amplitude(Parameter::StandstillAmplitude, 0x20);
const CONSTANT: Register = amplitude(Parameter::ConstantVelocityAmplitude, 0x21);
const ACCELERATING: Register = amplitude(Parameter::AcceleratingAmplitude, 0x22);
const DECELERATING: Register = amplitude(Parameter::DeceleratingAmplitude, 0x23);
const ACCELERATION: Register = Register::new(Parameter::ProfileAcceleration, 0x11, 16).encoding(Encoding::linear(2, 1));

/// As the reference map, with four segments.
pub(super) const FOUR_SEGMENTS: &Layout = &Latched::LAYOUT.registers(&[
    STANDSTILL,
    CONSTANT,
    ACCELERATING,
    DECELERATING,
    ACCELERATION,
    slope(CurveSegment::new(0), 0x30),
    from(CurveSegment::new(1), 0x31),
    slope(CurveSegment::new(1), 0x32),
    from(CurveSegment::new(2), 0x33),
    slope(CurveSegment::new(2), 0x34),
    from(CurveSegment::new(3), 0x35),
    slope(CurveSegment::new(3), 0x36),
]);

macro_rules! own_curve {
    ($state:ident, $address:literal) => {
        [
            slope(CurveSegment::of(MotionState::$state, 0), $address),
            from(CurveSegment::of(MotionState::$state, 1), $address + 1),
            slope(CurveSegment::of(MotionState::$state, 1), $address + 2),
        ]
    };
}

const ACCELERATING_CURVE: [Register; 3] = own_curve!(Accelerating, 0x40);
const CONSTANT_CURVE: [Register; 3] = own_curve!(ConstantVelocity, 0x48);
const DECELERATING_CURVE: [Register; 3] = own_curve!(Decelerating, 0x50);

/// A curve of two segments for each motion state.
pub(super) const OWN_CURVES: &Layout = &Latched::LAYOUT.registers(&[
    STANDSTILL,
    CONSTANT,
    ACCELERATING,
    DECELERATING,
    ACCELERATION,
    ACCELERATING_CURVE[0],
    ACCELERATING_CURVE[1],
    ACCELERATING_CURVE[2],
    CONSTANT_CURVE[0],
    CONSTANT_CURVE[1],
    CONSTANT_CURVE[2],
    DECELERATING_CURVE[0],
    DECELERATING_CURVE[1],
    DECELERATING_CURVE[2],
]);

/// So few codes that all can be tried: 16 slopes, 8 speeds, 16 slopes, and 32 amplitudes for each state.
pub(super) const FEW_CODES: &Layout = &Latched::LAYOUT.registers(&[
    STANDSTILL,
    Register::new(Parameter::ConstantVelocityAmplitude, 0x21, 5).encoding(Encoding::linear(1, 96)),
    Register::new(Parameter::AcceleratingAmplitude, 0x22, 5).encoding(Encoding::linear(1, 96)),
    Register::new(Parameter::DeceleratingAmplitude, 0x23, 5).encoding(Encoding::linear(1, 96)),
    ACCELERATION,
    Register::new(Parameter::BackEmfSlope(CurveSegment::new(0)), 0x30, 4).encoding(Encoding::linear(1, 20_000)),
    Register::new(Parameter::BackEmfFrom(CurveSegment::new(1)), 0x31, 3).encoding(Encoding::linear(70, 1)),
    Register::new(Parameter::BackEmfSlope(CurveSegment::new(1)), 0x32, 4).encoding(Encoding::linear(1, 20_000)),
]);

/// Amplitudes are currents in steps of 50 mA.
pub(super) const CURRENTS: &Layout = &Latched::LAYOUT.drive(Drive::Current).registers(&[
    Register::new(Parameter::StandstillAmplitude, 0x20, 6).encoding(Encoding::linear(1, 20)).unit(Unit::Amperes),
    Register::new(Parameter::ConstantVelocityAmplitude, 0x21, 6).encoding(Encoding::linear(1, 20)).unit(Unit::Amperes),
    ACCELERATION,
]);

/// One amplitude for everything, also at rest.
pub(super) const ONE_AMPLITUDE: &Layout = &Latched::LAYOUT.registers(&[CONSTANT, slope(CurveSegment::new(0), 0x30)]);

/// Nothing that could be tuned.
pub(super) const BARE: &Layout = &Latched::LAYOUT.registers(&[]);
