//! The words of a map file: each choice that a layout offers, and the text that stands for it.
//!
//! Verbs, flags, motion states and parameters bear the names that the driver's vocabulary gives them; the other
//! words are the format's own. Texts stand here once, for reading and writing alike.

use stepchain::map::{
    Access, BitOrder, Clearing, CurveSegment, Drive, Flag, Framing, MotionState, Parameter, Polarity, ReplyTiming,
    SharedWrite, Sign, SpareClocks, SpiMode, Verb, WrapAround,
};
use stepchain::units::Unit;

/// A choice that a word of text stands for.
pub(super) trait Word: Copy + PartialEq + 'static {
    /// Every choice.
    const ALL: &'static [Self];

    /// The text that stands for it.
    fn word(self) -> &'static str;
}

/// The choices by the format's own words. The `match` makes a new variant fail to compile until it has a word.
macro_rules! words {
    ($($type:ident { $($variant:ident = $text:literal),* })*) => {
        $(impl Word for $type {
            const ALL: &'static [Self] = &[$(Self::$variant),*];

            fn word(self) -> &'static str {
                match self {
                    $(Self::$variant => $text,)*
                }
            }
        })*
    };
}

words! {
    Framing { LatchedUnits = "latched-units", FixedWord = "fixed-word" }
    BitOrder { MsbFirst = "msb-first", LsbFirst = "lsb-first" }
    ReplyTiming { SameSlots = "same-slots", NextFrame = "next-frame" }
    SharedWrite { ReadModifyWrite = "read-modify-write", Shadow = "shadow" }
    SpareClocks { Tolerated = "tolerated", Refused = "refused" }
    Sign { Unsigned = "unsigned", TwosComplement = "twos-complement", SignMagnitude = "sign-magnitude" }
    Access { ReadOnly = "read-only", Always = "always", AtStandstill = "at-standstill", BridgeOff = "bridge-off" }
    Polarity { ActiveHigh = "high", ActiveLow = "low" }
    Clearing { TakeStatus = "take-status", FaultReset = "fault-reset" }
    Drive { Voltage = "voltage", Current = "current" }
    WrapAround { Wraps = "wraps", Refuses = "refuses" }
    SpiMode { Mode0 = "0", Mode1 = "1", Mode2 = "2", Mode3 = "3" }
}

impl Word for Verb {
    const ALL: &'static [Self] = Verb::ALL;

    fn word(self) -> &'static str {
        self.name()
    }
}

impl Word for Flag {
    const ALL: &'static [Self] = Flag::ALL;

    fn word(self) -> &'static str {
        self.name()
    }
}

impl Word for MotionState {
    const ALL: &'static [Self] = &MotionState::ALL;

    fn word(self) -> &'static str {
        self.name()
    }
}

impl Word for Unit {
    const ALL: &'static [Self] = Unit::ALL;

    fn word(self) -> &'static str {
        match self {
            // These two are not printed as a word of their own.
            Self::Factor => "factor",
            Self::Code => "code",
            other => other.symbol(),
        }
    }
}

/// The choice that a text stands for.
pub(super) fn of<W: Word>(text: &str) -> Option<W> {
    W::ALL.iter().copied().find(|choice| choice.word() == text)
}

/// The unit that a text stands for; a keyboard without ° and ² has `degC` and `^2` for them.
pub(super) fn unit(text: &str) -> Option<Unit> {
    of(&text.replace("^2", "²").replace("degC", "°C"))
}

/// Every word of a kind, for an error that says what was expected.
pub(super) fn list<W: Word>() -> String {
    one_of(W::ALL.iter().map(|choice| format!("`{}`", choice.word())))
}

/// `a`, `b` or `c`.
pub(super) fn one_of(texts: impl IntoIterator<Item = String>) -> String {
    let mut texts: Vec<String> = texts.into_iter().collect();
    match (texts.pop(), texts.is_empty()) {
        (Some(last), true) => last,
        (Some(last), false) => format!("{} or {last}", texts.join(", ")),
        (None, _) => "nothing".to_owned(),
    }
}

/// The parameter that a text stands for, written as [`Parameter`] prints: `profile velocity`, `back-EMF slope 1`,
/// `back-EMF slope 1 (accelerating)`, `custom 3`.
pub(super) fn parameter(text: &str) -> Option<Parameter> {
    if let Some(plain) = Parameter::PLAIN.iter().find(|parameter| parameter.name() == text) {
        return Some(*plain);
    }
    let behind = |parameter: Parameter| text.strip_prefix(parameter.name())?.strip_prefix(' ');
    let first = CurveSegment::new(0);
    if let Some(number) = behind(Parameter::Custom(0)) {
        return Some(Parameter::Custom(digits(number)?));
    }
    if let Some(index) = behind(Parameter::BackEmfFrom(first)) {
        return Some(Parameter::BackEmfFrom(segment(index)?));
    }
    Some(Parameter::BackEmfSlope(segment(behind(Parameter::BackEmfSlope(first))?)?))
}

fn segment(text: &str) -> Option<CurveSegment> {
    match text.split_once(' ') {
        None => Some(CurveSegment::new(digits(text)?)),
        Some((index, state)) => {
            let state = of(state.strip_prefix('(')?.strip_suffix(')')?)?;
            Some(CurveSegment::of(state, digits(index)?))
        }
    }
}

/// A number as it is printed: `FromStr` alone would take `+1` and `007`, which are other texts.
fn digits(text: &str) -> Option<u8> {
    text.parse().ok().filter(|number: &u8| number.to_string() == text)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_parameter_is_found_by_what_it_prints() {
        let segments = (0..=255u8).flat_map(|index| {
            let of_states = MotionState::ALL.map(|state| CurveSegment::of(state, index));
            of_states.into_iter().chain([CurveSegment::new(index)])
        });
        let indexed = segments.flat_map(|s| [Parameter::BackEmfFrom(s), Parameter::BackEmfSlope(s)]);
        let custom = (0..=255).map(Parameter::Custom);
        for any in Parameter::PLAIN.iter().copied().chain(indexed).chain(custom) {
            assert_eq!(parameter(&any.to_string()), Some(any));
        }
    }

    #[test]
    fn what_is_nearly_a_parameter_is_none() {
        let texts = ["", "custom", "custom 256", "custom +1", "back-EMF slope", "back-EMF slope 1 (idle)", "velocity"];
        for text in texts {
            assert_eq!(parameter(text), None, "{text}");
        }
    }

    #[test]
    fn a_unit_may_be_typed_without_special_characters() {
        assert_eq!(unit("steps/s^2"), Some(Unit::StepsPerSecondSquared));
        assert_eq!(unit("degC"), Some(Unit::DegreesCelsius));
        for choice in Unit::ALL {
            assert_eq!(unit(choice.word()), Some(*choice));
        }
    }
}
