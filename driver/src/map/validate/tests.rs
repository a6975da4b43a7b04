//! Small valid layouts, each spoiled in one thing, for every flaw that there is.
//!
//! A flaw that no case provokes fails a test; so does a variant of [`Flaw`] that is not listed here.

extern crate std;

mod cases;
mod hostile;
mod large;

use std::collections::BTreeSet;
use std::format;
use std::string::{String, ToString};
use std::vec::Vec;

use super::super::*;
use crate::units::Unit;

const WIRE: Wire = Wire::latched_units(16, &[Piece::fixed(16, 0)]);
const SPEED: Register = Register::new(Parameter::ProfileVelocity, 1, 16);
const PLACE: Register = Register::new(Parameter::PositionDemandValue, 2, 24).sign(Sign::TwosComplement);

const READ: CommandForm =
    CommandForm::word(Verb::ReadParameter, &[Piece::fixed(8, 0x10), Piece::address(8)]).reply(&[Piece::DataByRegister]);
const WRITE: CommandForm =
    CommandForm::word(Verb::WriteParameter, &[Piece::fixed(8, 0x20), Piece::address(8), Piece::DataByRegister]);
const PEEK: CommandForm = CommandForm::word(Verb::PeekStatus, &[Piece::fixed(16, 0x3000)]).reply(&[Piece::status(16)]);
const TAKE: CommandForm = CommandForm::word(Verb::TakeStatus, &[Piece::fixed(16, 0x3001)]).reply(&[Piece::status(16)]);
const TURN: CommandForm = CommandForm::word(
    Verb::MoveVelocity,
    &[Piece::fixed(7, 0x20), Piece::direction(true), Piece::velocity(Coding::new(24, Encoding::Raw))],
);
const TO: CommandForm = CommandForm::word(
    Verb::MoveAbsolute(Way::Shortest),
    &[Piece::fixed(8, 0x50), Piece::position(Coding::signed(24, Encoding::Raw))],
);
const HOME: CommandForm = CommandForm::word(Verb::HomeOnCurrentPosition, &[Piece::fixed(16, 0x6000)]);

const BUSY: StatusBit = StatusBit::live(Flag::Busy, 0);
const RESET: StatusBit = StatusBit::latched(Flag::ResetOccurred, 1);
const STATE: MotionStateField = MotionStateField::new(BitField::new(2, 2), [0, 1, 2, 3]);
const STATUS: StatusLayout = StatusLayout::new(16, &[BUSY, RESET]).motion_states(&[STATE]);

/// A device of one axis in latched units.
const LATCHED: Layout = Layout::new("latched", WIRE)
    .registers(&[SPEED, PLACE])
    .commands(&[READ, WRITE, PEEK, TAKE, TURN, TO, HOME])
    .status(STATUS)
    .position(PositionCounter::new(24, &[16, 8, 1]));

const CHECKED: Wire =
    Wire::fixed_word(48, &[Piece::fixed(40, 0), Piece::Crc]).crc(Crc8 { polynomial: 7, ..Crc8::new(7) });
const KIND: Parameter = Parameter::Custom(3);
const KINDS: Register = Register::new(KIND, 5, 4).named("motion kind").up_to(9);
const TARGET: Register = Register::new(Parameter::TargetPosition, 6, 24).sign(Sign::TwosComplement);
const RATE: Register = Register::new(Parameter::TargetVelocity, 7, 24).sign(Sign::TwosComplement);
const FIXED_READ: CommandForm =
    CommandForm::word(Verb::ReadParameter, &[Piece::fixed(1, 0), Piece::address(7), Piece::fixed(32, 0), Piece::Crc])
        .reply(&[Piece::any(8), Piece::data(32), Piece::Crc]);
const FIXED_WRITE: CommandForm =
    CommandForm::word(Verb::WriteParameter, &[Piece::fixed(1, 1), Piece::address(7), Piece::data(32), Piece::Crc]);
const MOVE: CommandForm = CommandForm::writes(
    Verb::MoveAbsolute(Way::Shortest),
    &[Write::argument(Parameter::TargetPosition), Write::code(KIND, 3)],
);
const RUN: CommandForm =
    CommandForm::writes(Verb::MoveVelocity, &[Write::argument(Parameter::TargetVelocity), Write::code(KIND, 1)]);

/// A device of one axis in fixed words with a check, set going by writes.
const FIXED: Layout = Layout::new("fixed", CHECKED)
    .registers(&[KINDS, TARGET, RATE])
    .commands(&[FIXED_READ, FIXED_WRITE, MOVE, RUN])
    .position(PositionCounter::new(24, &[1]));

macro_rules! variants {
    ($($name:ident)*) => {
        /// The name of every variant.
        const VARIANTS: &[&str] = &[$(stringify!($name)),*];

        /// Without a catch-all: a variant that is missing here does not compile.
        const fn variant(flaw: &Flaw) -> &'static str {
            match flaw {
                $(Flaw::$name { .. } => stringify!($name),)*
            }
        }
    };
}

variants! {
    UnitBits Axes MaxClock Filler IdleReply RepliesInSameSlots RegisterWidth RegisterAxis RegistersOverlap
    ParameterTwice CustomNameTwice Coding NoValue ResetWidth ResetMeaningless AmplitudeUnit Curve CommandTwice NotBuffered NotWholeUnits
    NotOneWord TooManyUnits RequestEmpty DataByRegister WriteCount PieceWidth FixedValue Parts
    ArgumentMissing ArgumentForeign ArgumentTwice AddressWidth DataWidth CrcMissing CrcNotLast CrcLeftOut
    DataBeforeAddress ReplyMissing OpcodeShadowed WriteUnknown WriteReadOnly WriteShared WriteUnit WriteNoForm
    NoReadForm NotByWrites SetsGoingEarly StatusBits StatusBit StatusOverlap StatusTwice MotionStateField CounterBits Resolution
    PositionRange ResolutionCode ResolutionUnlisted NoDevices FrameNotWhole
}

macro_rules! coding_flaws {
    ($($name:ident)*) => {
        /// The name of every way in which a coding can be flawed.
        const CODING_FLAWS: &[&str] = &[$(stringify!($name)),*];

        const fn coding_flaw(flaw: &CodingFlaw) -> &'static str {
            match flaw {
                $(CodingFlaw::$name { .. } => stringify!($name),)*
            }
        }
    };
}

coding_flaws! {
    Width GreatestCode Ratio MantissaWidth TableEmpty TableCode TableTwice TableDenominator SignedZero
}

/// What the flaw says is at fault: the texts and numbers in its fields.
fn culprits(flaw: &Flaw) -> Vec<String> {
    let debug = format!("{flaw:?}");
    let texts = debug.split('"').skip(1).step_by(2).map(ToString::to_string);
    let outside: String = debug.split('"').step_by(2).collect();
    let numbers = outside.split(|c: char| !c.is_ascii_digit()).filter(|number| !number.is_empty());
    texts.chain(numbers.map(ToString::to_string)).collect()
}

#[test]
fn the_layouts_that_cases_start_from_are_valid() {
    assert_eq!(LATCHED.validate(), Ok(()));
    assert_eq!(FIXED.validate(), Ok(()));
}

#[cfg(feature = "reference-maps")]
#[test]
fn both_reference_maps_are_valid() {
    assert_eq!(crate::reference::Latched::LAYOUT.validate(), Ok(()));
    assert_eq!(crate::reference::FixedWord::LAYOUT.validate(), Ok(()));
}

#[test]
fn every_spoiled_layout_is_refused_for_what_was_spoiled() {
    for (number, (flaw, layout)) in cases::all().into_iter().enumerate() {
        assert_eq!(layout.validate(), Err(flaw), "case {number}");
    }
}

#[test]
fn every_flaw_there_is_has_a_case() {
    let provoked: BTreeSet<_> =
        cases::all().iter().map(|(flaw, _)| variant(flaw)).chain(["FrameNotWhole", "NoDevices"]).collect();
    let listed: BTreeSet<_> = VARIANTS.iter().copied().collect();
    assert_eq!(provoked, listed);
    let codings = cases::all().into_iter().filter_map(|(flaw, _)| match flaw {
        Flaw::Coding { why, .. } => Some(coding_flaw(&why)),
        _ => None,
    });
    assert_eq!(codings.collect::<BTreeSet<_>>(), CODING_FLAWS.iter().copied().collect());
}

/// By hand, from the cases: 15 + 8 bits on a unit of 12, and so on.
#[test]
fn a_message_tells_what_was_found_and_what_was_expected() {
    let why = CodingFlaw::TableCode { code: u32::MAX, greatest: 7 };
    for (flaw, text) in [
        (
            Flaw::NotWholeUnits { command: "stop", of: "request", bits: 23, unit_bits: 12 },
            "command `stop`: its request has 23 bits, expected a multiple of 12",
        ),
        (
            Flaw::NotOneWord { command: "stop", of: "reply", bits: 40, word_bits: 48 },
            "command `stop`: its reply has 40 bits, expected 48, one fixed word",
        ),
        (
            Flaw::AmplitudeUnit { register: "a", found: Unit::ShareOfSupply, expected: Unit::Amperes },
            "register `a`: its unit is `of supply`, expected `A`, as the drive is one of current: \
             `.unit(Unit::Amperes)`",
        ),
        (
            Flaw::RegisterWidth { register: "a", lsb: 17, width: 16 },
            "register `a`: its field has 16 bits from bit 17 on, expected 1 to 32 bits that end at bit 31 or below",
        ),
        (Flaw::Coding { of: "a", why }, "`a`: its table has the code 4294967295, the greatest possible is 7"),
        (Flaw::NoValue { of: "a", unit: Unit::Code }, "`a`: no code means a value that the unit `code` holds"),
    ] {
        assert_eq!(flaw.to_string(), text);
        assert_eq!(flaw.message().as_str(), text);
    }
}

#[test]
fn every_message_names_the_culprit_and_is_the_same_at_compile_time() {
    let frame = Flaw::FrameNotWhole { devices: 3, unit_bits: 12 };
    for flaw in cases::all().into_iter().map(|(flaw, _)| flaw).chain([frame]) {
        let text = flaw.to_string();
        assert_eq!(text, flaw.message().as_str());
        for culprit in culprits(&flaw) {
            assert!(text.contains(&culprit), "{culprit} is not in: {text}");
        }
        assert!(!text.contains("  ") && !text.ends_with('.'), "{text}");
    }
}

/// By hand: 3 devices of 12 bits are 36 bits; 2 are 24, three bytes.
#[test]
fn a_chain_that_is_not_whole_bytes_needs_spare_clocks() {
    const STRICT: Layout = Layout::new("strict", Wire::latched_units(12, &[Piece::fixed(12, 0)]).no_spare_clocks());
    assert_eq!(STRICT.validate(), Ok(()));
    assert_eq!(STRICT.validate_for(2), Ok(()));
    assert_eq!(STRICT.validate_for(0), Err(Flaw::NoDevices));
    let flaw = Flaw::FrameNotWhole { devices: 3, unit_bits: 12 };
    assert_eq!(STRICT.validate_for(3), Err(flaw));
    assert_eq!(
        flaw.to_string(),
        "the frame of 3 devices of 12 bits is not whole bytes, and the map tolerates no spare clocks"
    );
    // More than a message can count to.
    assert_eq!(STRICT.validate_for(70_001), Err(Flaw::FrameNotWhole { devices: u16::MAX, unit_bits: 12 }));
    const TOLERANT: Layout = Layout::new("tolerant", Wire::latched_units(12, &[Piece::fixed(12, 0)]));
    assert_eq!(TOLERANT.validate_for(3), Ok(()));
}

/// The cut at 256 bytes may fall into a letter of two bytes.
#[test]
fn a_message_that_is_cut_keeps_every_whole_letter() {
    let even: &'static str = "ö".repeat(300).leak();
    let odd: &'static str = (String::from("o") + even).leak();
    for name in [even, odd] {
        let flaw = Flaw::Coding { of: name, why: CodingFlaw::TableEmpty };
        let (text, message) = (flaw.to_string(), flaw.message());
        assert!(message.as_str().len() >= 255 && text.starts_with(message.as_str()), "{}", message.as_str());
    }
}
