//! The cases: what is wrong, and the layout in which nothing else is.

use std::vec::Vec;

use super::*;

/// Cases, each layout built as a constant, as a map is.
macro_rules! cases {
    ($name:ident: $($flaw:expr => $layout:expr;)*) => {
        pub(super) fn $name() -> Vec<(Flaw, Layout)> {
            Vec::from([$(($flaw, {
                const LAYOUT: Layout = $layout;
                LAYOUT
            })),*])
        }
    };
}

/// A latched device with one more command.
macro_rules! also {
    ($form:expr) => {
        LATCHED.commands(&[READ, WRITE, PEEK, TAKE, TURN, TO, HOME, $form])
    };
}
/// A latched device with only these commands.
macro_rules! only {
    ($($form:expr),*) => {
        LATCHED.commands(&[$($form),*])
    };
}
/// A latched device with one more register.
macro_rules! beside {
    ($($register:expr),*) => {
        LATCHED.registers(&[SPEED, PLACE, $($register),*])
    };
}
/// A fixed-word device with this command beside reading and writing.
macro_rules! by_writes {
    ($verb:expr, $($write:expr),*) => {
        FIXED.commands(&[FIXED_READ, FIXED_WRITE, CommandForm::writes($verb, &[$($write),*])])
    };
}

const STOP: Verb = Verb::Stop(StopRamp::None, BridgeState::HighImpedance);
const RELATIVE: Verb = Verb::MoveRelative;
const fn stop(pieces: &'static [Piece]) -> CommandForm {
    CommandForm::word(STOP, pieces)
}
const RELEASE: &str = "stop, no ramp, high impedance";

mod commands;

pub(super) fn all() -> Vec<(Flaw, Layout)> {
    [wire(), registers(), meaning(), commands::all(), axes(), status()].concat()
}

cases! { wire:
    Flaw::UnitBits { found: 0 } => Layout::new("no bits", Wire::latched_units(0, &[]));
    Flaw::UnitBits { found: 65 } => Layout::new("wide", Wire::latched_units(65, &[Piece::fixed(64, 0)]));
    Flaw::Axes { found: 0 } => LATCHED.axes(0);
    Flaw::Axes { found: 17 } => LATCHED.axes(17);
    Flaw::MaxClock => Layout::new("stopped", WIRE.timing(0, 1000));
    Flaw::Filler => Layout::new("none", Wire::latched_units(16, &[]));
    Flaw::Filler => Layout::new("short", Wire::latched_units(16, &[Piece::fixed(15, 0)]));
    Flaw::Filler => Layout::new("two units", Wire::latched_units(16, &[Piece::fixed(32, 0)]));
    Flaw::Filler => Layout::new("asks", Wire::latched_units(16, &[Piece::fixed(8, 0), Piece::address(8)]));
    Flaw::FixedValue { command: "filler" } => Layout::new("filler", Wire::latched_units(8, &[Piece::fixed(8, 256)]));
    Flaw::IdleReply => Layout::new("short", WIRE.idle_reply(&[Piece::fixed(15, 0)]));
    Flaw::IdleReply => Layout::new("answers", WIRE.idle_reply(&[Piece::data(16)]));
    Flaw::PieceWidth { command: "idle reply" } => Layout::new("no status", WIRE.idle_reply(&[Piece::status(16)]));
    Flaw::RepliesInSameSlots => Layout::new("fixed", CHECKED.reply_timing(ReplyTiming::SameSlots));
    Flaw::CrcMissing { command: "filler" } => Layout::new("unchecked", Wire::latched_units(8, &[Piece::Crc]));
    Flaw::CrcLeftOut { command: "filler" } =>
        Layout::new("half checked", Wire::fixed_word(16, &[Piece::fixed(16, 0)]).crc(Crc8::new(7)));
    Flaw::CounterBits { found: 7 } => LATCHED.position(PositionCounter::new(7, &[1]));
    Flaw::CounterBits { found: 33 } => LATCHED.position(PositionCounter::new(33, &[1]));
    Flaw::Resolution { found: 0 } => LATCHED.position(PositionCounter::new(24, &[]));
    Flaw::Resolution { found: 10 } => LATCHED.position(PositionCounter::new(24, &[8, 10]));
}

cases! { registers:
    Flaw::RegisterWidth { register: "supply voltage", lsb: 0, width: 0 } =>
        beside!(Register::new(Parameter::SupplyVoltage, 9, 0));
    Flaw::RegisterWidth { register: "supply voltage", lsb: 17, width: 16 } =>
        beside!(Register::new(Parameter::SupplyVoltage, 9, 16).at_bit(17));
    Flaw::RegisterWidth { register: "supply voltage", lsb: 255, width: 255 } =>
        beside!(Register::new(Parameter::SupplyVoltage, 9, 255).at_bit(255));
    Flaw::RegisterAxis { register: "stall limit" } => beside!(Register::new(Parameter::StallLimit, 9, 8).axis(1));
    Flaw::RegistersOverlap { first: "profile velocity", second: "stall limit" } =>
        beside!(Register::new(Parameter::StallLimit, 1, 8).at_bit(15));
    Flaw::ParameterTwice { register: "cruise" } =>
        beside!(Register::new(Parameter::ProfileVelocity, 9, 8).named("cruise"));
    Flaw::CustomNameTwice { register: "gain" } => beside!(
        Register::new(Parameter::Custom(0), 8, 8).named("gain"),
        Register::new(Parameter::Custom(1), 9, 8).named("gain")
    );
    // A custom register must not hide a standard parameter either.
    Flaw::CustomNameTwice { register: "profile velocity" } =>
        beside!(Register::new(Parameter::Custom(0), 8, 8).named("profile velocity"));
    // Without a name of its own it is called `custom`, as the other.
    Flaw::CustomNameTwice { register: "custom" } =>
        beside!(Register::new(Parameter::Custom(0), 8, 8), Register::new(Parameter::Custom(1), 9, 8));
    Flaw::NoReadForm { register: "profile velocity" } => LATCHED
        .registers(&[SPEED, Register::new(Parameter::StallLimit, 1, 8).at_bit(16)])
        .commands(&[WRITE, PEEK, TAKE]);
}

cases! { meaning:
    Flaw::Coding { of: "stall limit", why: CodingFlaw::Ratio { numerator: 1, denominator: 0 } } =>
        beside!(Register::new(Parameter::StallLimit, 9, 8).encoding(Encoding::linear(1, 0)));
    Flaw::Coding { of: "stall limit", why: CodingFlaw::MantissaWidth { found: 8, most: 7 } } =>
        beside!(Register::new(Parameter::StallLimit, 9, 8).encoding(Encoding::mantissa_exponent(8, 1, 1)));
    Flaw::Coding { of: "stall limit", why: CodingFlaw::TableEmpty } =>
        beside!(Register::new(Parameter::StallLimit, 9, 8).encoding(Encoding::Table(&[])));
    // Five bits hold it, but four are left to the register.
    Flaw::Coding { of: "stall limit", why: CodingFlaw::TableCode { code: 20, greatest: 15 } } =>
        beside!(Register::new(Parameter::StallLimit, 9, 4).encoding(Encoding::Table(&[TableEntry::new(20, 1)])));
    Flaw::Coding { of: "stall limit", why: CodingFlaw::TableTwice { code: 2 } } => beside!(
        Register::new(Parameter::StallLimit, 9, 4)
            .encoding(Encoding::Table(&[TableEntry::new(2, 1), TableEntry::new(0, 0), TableEntry::new(2, 3)]))
    );
    Flaw::Coding { of: "stall limit", why: CodingFlaw::TableDenominator { code: 3 } } =>
        beside!(Register::new(Parameter::StallLimit, 9, 4).encoding(Encoding::Table(&[TableEntry::ratio(3, 1, 0)])));
    // Code 0 is no period, and no other is left.
    Flaw::Coding { of: "stall limit", why: CodingFlaw::GreatestCode { found: 0 } } =>
        beside!(Register::new(Parameter::StallLimit, 9, 4).encoding(Encoding::reciprocal(1, 1)).up_to(0));
    Flaw::Coding { of: "move relative", why: CodingFlaw::Width { found: 33 } } => also!(CommandForm::word(
        RELATIVE,
        &[Piece::fixed(15, 0x3800), Piece::distance(Coding::signed(33, Encoding::Raw))]
    ));
    // −0 is +1 as well: the sign would be lost.
    Flaw::Coding { of: "stall limit", why: CodingFlaw::SignedZero } => beside!(
        Register::new(Parameter::StallLimit, 9, 8).encoding(Encoding::power_of_two(1)).sign(Sign::SignMagnitude)
    );
    Flaw::Coding { of: "move relative", why: CodingFlaw::Ratio { numerator: 0, denominator: 1 } } => also!(CommandForm::word(
        RELATIVE,
        &[Piece::fixed(8, 0x70), Piece::distance(Coding::signed(8, Encoding::linear(0, 1)))]
    ));
    // No code means less than 2³¹ steps/s.
    Flaw::NoValue { of: "move velocity", unit: Unit::StepsPerSecond } => only!(CommandForm::word(
        Verb::MoveVelocity,
        &[
            Piece::fixed(7, 0x20),
            Piece::direction(true),
            Piece::velocity(Coding::new(8, Encoding::linear_from(1, 1, i32::MAX)))
        ]
    ));
    Flaw::ResetWidth { register: "stall limit", code: 256, width: 8 } =>
        beside!(Register::new(Parameter::StallLimit, 9, 8).reset(256));
    Flaw::ResetMeaningless { register: "stall limit", code: 201 } =>
        beside!(Register::new(Parameter::StallLimit, 9, 8).up_to(200).reset(201));
    Flaw::ResetMeaningless { register: "stall limit", code: 0 } =>
        beside!(Register::new(Parameter::StallLimit, 9, 8).encoding(Encoding::reciprocal(1, 1)));
    Flaw::AmplitudeUnit {
        register: "standstill amplitude", found: Unit::Amperes, expected: Unit::ShareOfSupply
    } => beside!(Register::new(Parameter::StandstillAmplitude, 9, 8).unit(Unit::Amperes));
    Flaw::AmplitudeUnit {
        register: "standstill amplitude", found: Unit::ShareOfSupply, expected: Unit::Amperes
    } => beside!(Register::new(Parameter::StandstillAmplitude, 9, 1)).drive(Drive::Current);
    Flaw::Curve { register: "back-EMF slope" } =>
        beside!(Register::new(Parameter::BackEmfSlope(CurveSegment::new(8)), 9, 1));
    Flaw::Curve { register: "back-EMF from velocity" } =>
        beside!(Register::new(Parameter::BackEmfFrom(CurveSegment::new(0)), 9, 8));
    // Segment 1 begins nowhere.
    Flaw::Curve { register: "back-EMF slope" } => beside!(
        Register::new(Parameter::BackEmfSlope(CurveSegment::new(0)), 8, 1),
        Register::new(Parameter::BackEmfSlope(CurveSegment::new(1)), 9, 1)
    );
    // One curve for all motion states, and one for accelerating.
    Flaw::Curve { register: "back-EMF slope" } => beside!(
        Register::new(Parameter::BackEmfSlope(CurveSegment::new(0)), 8, 1),
        Register::new(Parameter::BackEmfSlope(CurveSegment::of(MotionState::Accelerating, 0)), 9, 1)
    );
    // −1 would be read as 16 777 215, and −2²³ not at all.
    Flaw::PositionRange { of: "position demand value" } =>
        LATCHED.registers(&[SPEED, Register::new(Parameter::PositionDemandValue, 2, 24)]);
    Flaw::PositionRange { of: "position demand value" } => LATCHED
        .registers(&[SPEED, Register::new(Parameter::PositionDemandValue, 2, 23).sign(Sign::TwosComplement)]);
    Flaw::PositionRange { of: "move absolute, positive way" } => also!(CommandForm::word(
        Verb::MoveAbsolute(Way::Positive),
        &[Piece::fixed(8, 0x70), Piece::position(Coding::new(24, Encoding::Raw))]
    ));
    Flaw::PositionRange { of: "target position" } =>
        FIXED.registers(&[KINDS, Register::new(Parameter::TargetPosition, 6, 24), RATE]);
    // 1, 2, 4, 8: no code for 16.
    Flaw::ResolutionCode { register: "microstep resolution", resolution: 16 } =>
        beside!(Register::new(Parameter::MicrostepResolution, 9, 2).encoding(Encoding::power_of_two(1)));
    // Powers up with 4, of which the counter knows nothing.
    Flaw::ResolutionUnlisted { register: "microstep resolution", code: 2, resolution: 4 } =>
        beside!(Register::new(Parameter::MicrostepResolution, 9, 3).encoding(Encoding::power_of_two(1)).reset(2));
    // Once set to 2 or 4, its positions would count what nobody can calculate with.
    Flaw::ResolutionUnlisted { register: "microstep resolution", code: 1, resolution: 2 } =>
        beside!(Register::new(Parameter::MicrostepResolution, 9, 3).encoding(Encoding::power_of_two(1)).reset(3));
}

cases! { axes:
    Flaw::ArgumentMissing { command: "move velocity", argument: "axis" } => LATCHED.axes(2);
    Flaw::ArgumentTwice { command: RELEASE, argument: "axis" } =>
        also!(stop(&[Piece::fixed(14, 0x1C00), Piece::axis(1), Piece::axis(1)]));
    // One bit counts two axes.
    Flaw::PieceWidth { command: RELEASE } => LATCHED
        .axes(3)
        .commands(&[stop(&[Piece::fixed(15, 0x3800), Piece::axis(1)])]);
    // The one register that the device has would set both axes going.
    Flaw::ArgumentMissing { command: RELEASE, argument: "axis" } =>
        by_writes!(STOP, Write::code(KIND, 1)).axes(2);
    // Axis 1 is there, axis 2 is not.
    Flaw::WriteUnknown { command: RELEASE, parameter: KIND } => by_writes!(STOP, Write::code(KIND, 1))
        .axes(3)
        .registers(&[KINDS, Register::new(KIND, 9, 4).named("motion kind").axis(1)]);
    // The second axis differs in what its register can take.
    Flaw::WriteShared { command: RELEASE, register: "short" } => by_writes!(STOP, Write::code(KIND, 9))
        .axes(2)
        .registers(&[KINDS, Register::new(KIND, 9, 3).named("short").axis(1)]);
}

cases! { status:
    Flaw::StatusBits { found: 65 } => LATCHED.status(StatusLayout::new(65, &[]));
    Flaw::StatusBit { flag: "busy" } => LATCHED.status(StatusLayout::new(8, &[StatusBit::live(Flag::Busy, 8)]));
    Flaw::StatusBit { flag: "busy" } => LATCHED.status(StatusLayout::new(8, &[BUSY.axis(1)]));
    Flaw::StatusOverlap { first: "busy", second: "fault" } =>
        LATCHED.status(StatusLayout::new(8, &[BUSY, StatusBit::live(Flag::Fault, 0)]));
    Flaw::StatusOverlap { first: "busy", second: "motion state" } =>
        LATCHED.status(StatusLayout::new(8, &[StatusBit::live(Flag::Busy, 3)]).motion_states(&[STATE]));
    Flaw::StatusTwice { flag: "busy" } =>
        LATCHED.status(StatusLayout::new(8, &[BUSY, StatusBit::live(Flag::Busy, 5)]));
    Flaw::MotionStateField => LATCHED.status(
        StatusLayout::new(8, &[]).motion_states(&[MotionStateField::new(BitField::new(7, 2), [0, 1, 2, 3])])
    );
    Flaw::MotionStateField => LATCHED.status(
        StatusLayout::new(8, &[]).motion_states(&[MotionStateField::new(BitField::new(0, 2), [0, 1, 2, 2])])
    );
    Flaw::MotionStateField => LATCHED.status(
        StatusLayout::new(8, &[]).motion_states(&[MotionStateField::new(BitField::new(0, 2), [0, 1, 2, 4])])
    );
    Flaw::MotionStateField => LATCHED.status(
        StatusLayout::new(8, &[]).motion_states(&[STATE, MotionStateField::new(BitField::new(5, 2), [0, 1, 2, 3])])
    );
    Flaw::MotionStateField => LATCHED.axes(2).status(
        StatusLayout::new(8, &[])
            .motion_states(&[STATE, MotionStateField::new(BitField::new(3, 2), [0, 1, 2, 3]).axis(1)])
    );
    Flaw::MotionStateField => LATCHED.axes(2).status(
        StatusLayout::new(8, &[])
            .motion_states(&[STATE, MotionStateField::new(BitField::new(255, 255), [0, 1, 2, 3]).axis(1)])
    );
}
