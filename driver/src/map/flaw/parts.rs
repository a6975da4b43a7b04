//! The message of each flaw, in runs of text and numbers: nothing is put together before it is read.

use core::fmt;

use crate::units::Unit;

use super::Flaw;
use crate::map::coding::CodingFlaw;
use crate::map::message::Message;
use crate::map::parameter::Parameter;

/// A run of the message: fixed text, the map's text, or a number.
#[derive(Clone, Copy)]
pub(in crate::map) enum Part {
    Text(&'static str),
    Number(u32),
}

use Part::{Number, Text};

impl Part {
    pub(in crate::map) fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Text(text) => f.write_str(text),
            Number(number) => write!(f, "{number}"),
        }
    }
}

impl Message {
    pub(in crate::map) const fn push_parts(&mut self, parts: &[Part]) {
        let mut rest = parts;
        while let [part, tail @ ..] = rest {
            match part {
                Text(text) => self.push(text.as_bytes()),
                Number(number) => self.push_number(*number),
            }
            rest = tail;
        }
    }
}

impl Flaw {
    pub(in crate::map) const fn parts(self) -> Parts {
        match self {
            Self::UnitBits { found } => {
                padded(&[Text("the unit has "), Number(found as u32), Text(" bits; 1 to 64 are possible")])
            }
            Self::Axes { found } => {
                padded(&[Text("the device has "), Number(found as u32), Text(" axes; 1 to 16 are possible")])
            }
            Self::MaxClock => padded(&[Text("the fastest clock is 0 Hz")]),
            Self::Filler => padded(&[Text("the filler is not exactly one unit of fixed bits (and the check, if any)")]),
            Self::IdleReply => {
                padded(&[Text("the idle reply is not exactly one unit of fixed, status and check bits")])
            }
            Self::RepliesInSameSlots => padded(&[Text("a fixed word cannot carry its reply in the same slots")]),
            Self::RegisterWidth { register, lsb, width } => padded(&[
                Text("register `"),
                Text(register),
                Text("`: its field has "),
                Number(width as u32),
                Text(" bits from bit "),
                Number(lsb as u32),
                Text(" on, expected 1 to 32 bits that end at bit 31 or below"),
            ]),
            Self::RegisterAxis { register } => {
                padded(&[Text("register `"), Text(register), Text("`: the device has no such axis")])
            }
            Self::RegistersOverlap { first, second } => padded(&[
                Text("registers `"),
                Text(first),
                Text("` and `"),
                Text(second),
                Text("` share bits of one address"),
            ]),
            Self::ParameterTwice { register } => {
                padded(&[Text("register `"), Text(register), Text("`: its parameter has a register already")])
            }
            Self::CustomNameTwice { register } => {
                padded(&[Text("register `"), Text(register), Text("`: another register bears this name")])
            }
            Self::Coding { of, why } => coding(of, why),
            Self::NoValue { of, unit } => padded(&[
                Text("`"),
                Text(of),
                Text("`: no code means a value that the unit `"),
                unit_of(unit),
                Text("` holds"),
            ]),
            Self::ResetWidth { register, code, width } => padded(&[
                Text("register `"),
                Text(register),
                Text("`: its reset code "),
                Number(code),
                Text(" does not fit into its "),
                Number(width as u32),
                Text(" bits"),
            ]),
            Self::ResetMeaningless { register, code } => padded(&[
                Text("register `"),
                Text(register),
                Text("`: its reset code "),
                Number(code),
                Text(" means nothing in its encoding, expected a code that does"),
            ]),
            Self::AmplitudeUnit { register, found, expected } => padded(&[
                Text("register `"),
                Text(register),
                Text("`: its unit is `"),
                unit_of(found),
                Text("`, expected `"),
                unit_of(expected),
                Text(match expected {
                    Unit::Amperes => "`, as the drive is one of current: `.unit(Unit::Amperes)`",
                    _ => "`, as the drive is one of voltage: `.unit(Unit::ShareOfSupply)`",
                }),
            ]),
            Self::Curve { register } => padded(&[
                Text("register `"),
                Text(register),
                Text(
                    "`: the back-EMF curve has segments 0 to 7, counted from 0 without a gap, each with a slope, one curve or one a motion state",
                ),
            ]),
            Self::NotBuffered { command } => {
                padded(&[Text("command `"), Text(command), Text("` sets nothing going, so it cannot wait for another")])
            }
            Self::CommandTwice { command } => padded(&[Text("command `"), Text(command), Text("` has two forms")]),
            Self::NotWholeUnits { command, of, bits, unit_bits } => padded(&[
                Text("command `"),
                Text(command),
                Text("`: its "),
                Text(of),
                Text(" has "),
                Number(bits as u32),
                Text(" bits, expected a multiple of "),
                Number(unit_bits as u32),
            ]),
            Self::NotOneWord { command, of, bits, word_bits } => padded(&[
                Text("command `"),
                Text(command),
                Text("`: its "),
                Text(of),
                Text(" has "),
                Number(bits as u32),
                Text(" bits, expected "),
                Number(word_bits as u32),
                Text(", one fixed word"),
            ]),
            Self::TooManyUnits { command, of, units } => padded(&[
                Text("command `"),
                Text(command),
                Text("`: its "),
                Text(of),
                Text(" has "),
                Number(units as u32),
                Text(" units; up to 64 are possible"),
            ]),
            Self::RequestEmpty { command } => {
                padded(&[Text("command `"), Text(command), Text("`: its request is empty")])
            }
            Self::DataByRegister { command } => padded(&[
                Text("command `"),
                Text(command),
                Text(
                    "`: a fixed word has no place for data whose length hangs on the register; `Piece::data` has a width",
                ),
            ]),
            Self::WriteCount { command, found } => padded(&[
                Text("command `"),
                Text(command),
                Text("` is "),
                Number(found as u32),
                Text(" register writes; 1 to 8 are possible"),
            ]),
            Self::PieceWidth { command } => padded(&[
                Text("command `"),
                Text(command),
                Text("`: a piece has no bits or more than its kind can have"),
            ]),
            Self::FixedValue { command } => {
                padded(&[Text("command `"), Text(command), Text("`: a fixed value needs more bits than its piece has")])
            }
            Self::Parts { command } => padded(&[
                Text("command `"),
                Text(command),
                Text("`: the parts of one number leave bits out, send them twice, or differ in coding"),
            ]),
            Self::ArgumentMissing { command, argument } => {
                padded(&[Text("command `"), Text(command), Text("` lacks its "), Text(argument)])
            }
            Self::ArgumentForeign { command, argument } => {
                padded(&[Text("command `"), Text(command), Text("` must not have: "), Text(argument)])
            }
            Self::ArgumentTwice { command, argument } => {
                padded(&[Text("command `"), Text(command), Text("` has more than one "), Text(argument)])
            }
            Self::AddressWidth { command, register, found, expected } => padded(&[
                Text("command `"),
                Text(command),
                Text("`: its address has "),
                Number(found as u32),
                Text(" bits, expected "),
                Number(expected as u32),
                Text(" for register `"),
                Text(register),
                Text("`"),
            ]),
            Self::DataWidth { command, register, found, expected } => padded(&[
                Text("command `"),
                Text(command),
                Text("`: its data have "),
                Number(found as u32),
                Text(" bits, expected "),
                Number(expected as u32),
                Text(" for register `"),
                Text(register),
                Text("`"),
            ]),
            Self::CrcMissing { command } => {
                padded(&[Text("command `"), Text(command), Text("` has check bits, but the wire names no check")])
            }
            Self::CrcNotLast { command } => {
                padded(&[Text("command `"), Text(command), Text("`: its check bits are not its last")])
            }
            Self::CrcLeftOut { command } => padded(&[
                Text("command `"),
                Text(command),
                Text("` lacks check bits, but the wire names a check over every fixed word"),
            ]),
            Self::DataBeforeAddress { command } => padded(&[
                Text("command `"),
                Text(command),
                Text("`: data whose length hangs on the register stand in front of its address"),
            ]),
            Self::ReplyMissing { command } => padded(&[
                Text("command `"),
                Text(command),
                Text("` asks for something, or clears it, but its reply has no place for it"),
            ]),
            Self::OpcodeShadowed { first, second } => padded(&[
                Text("commands `"),
                Text(first),
                Text("` and `"),
                Text(second),
                Text("` cannot be told apart"),
            ]),
            Self::WriteUnknown { command, parameter } => {
                let (writes, text, end) = match parameter {
                    Parameter::Custom(number) => ("` writes custom parameter ", Number(number as u32), ""),
                    other => ("` writes `", Text(other.name()), "`"),
                };
                padded(&[
                    Text("command `"),
                    Text(command),
                    Text(writes),
                    text,
                    Text(end),
                    Text(", which has no register"),
                ])
            }
            Self::WriteReadOnly { command, register } => padded(&[
                Text("command `"),
                Text(command),
                Text("` writes `"),
                Text(register),
                Text("`, which is read only"),
            ]),
            Self::WriteShared { command, register } => padded(&[
                Text("command `"),
                Text(command),
                Text("` writes `"),
                Text(register),
                Text("`, which shares its register or cannot take the code"),
            ]),
            Self::WriteUnit { command, register } => padded(&[
                Text("command `"),
                Text(command),
                Text("` writes its argument to `"),
                Text(register),
                Text("`, which is of another unit"),
            ]),
            Self::NotByWrites { command } => padded(&[
                Text("command `"),
                Text(command),
                Text("` cannot be a sequence of register writes, or such a sequence has a reply of its own"),
            ]),
            Self::SetsGoingEarly { command } => padded(&[
                Text("command `"),
                Text(command),
                Text("`: the write that sets it going occurs before its last"),
            ]),
            Self::WriteNoForm { command } => padded(&[
                Text("command `"),
                Text(command),
                Text("` writes registers, but the map has no write command"),
            ]),
            Self::NoReadForm { register } => padded(&[
                Text("register `"),
                Text(register),
                Text("` shares its address and has to be read before it is written, but the map has no read command"),
            ]),
            Self::StatusBits { found } => {
                padded(&[Text("the status word has "), Number(found as u32), Text(" bits; 0 to 64 are possible")])
            }
            Self::StatusBit { flag } => padded(&[
                Text("flag `"),
                Text(flag),
                Text("`: its bit is outside of the status word or its axis of the device"),
            ]),
            Self::StatusOverlap { first, second } => {
                padded(&[Text("flags `"), Text(first), Text("` and `"), Text(second), Text("` stand at the same bit")])
            }
            Self::StatusTwice { flag } => padded(&[Text("flag `"), Text(flag), Text("` stands at two bits")]),
            Self::MotionStateField => padded(&[Text(
                "the motion state's field leaves the status word or the device's axes or meets another field, or two of its codes are alike or too wide",
            )]),
            Self::CounterBits { found } => {
                padded(&[Text("the position counter has "), Number(found as u32), Text(" bits; 8 to 32 are possible")])
            }
            Self::Resolution { found } => padded(&[
                Text("a microstep resolution of "),
                Number(found as u32),
                Text(" (or none at all) is impossible; powers of two from 1 to 32768 are possible"),
            ]),
            Self::PositionRange { of } => {
                padded(&[Text("`"), Text(of), Text("`: its codes do not reach as far as the signed position counter")])
            }
            Self::ResolutionCode { register, resolution } => padded(&[
                Text("register `"),
                Text(register),
                Text("` has no code for a resolution of "),
                Number(resolution as u32),
                Text(", which the position counter lists"),
            ]),
            Self::ResolutionUnlisted { register, code, resolution } => padded(&[
                Text("register `"),
                Text(register),
                Text("`: its code "),
                Number(code),
                Text(" means a resolution of "),
                Number(resolution as u32),
                Text(", which the position counter does not list"),
            ]),
            Self::NoDevices => padded(&[Text("the chain has no device")]),
            Self::FrameNotWhole { devices, unit_bits } => padded(&[
                Text("the frame of "),
                Number(devices as u32),
                Text(" devices of "),
                Number(unit_bits as u32),
                Text(" bits is not whole bytes, and the map tolerates no spare clocks"),
            ]),
        }
    }
}

/// The longest message has as many.
pub(in crate::map) type Parts = [Part; 9];

/// The parts, and nothing behind them.
pub(in crate::map) const fn padded(parts: &[Part]) -> Parts {
    let mut padded = [Text(""); 9];
    let mut slots: &mut [Part] = &mut padded;
    let mut rest = parts;
    while let ([part, tail @ ..], [slot, more @ ..]) = (rest, slots) {
        *slot = *part;
        (rest, slots) = (tail, more);
    }
    padded
}

/// A unit by its symbol; the two that have none by a word.
const fn unit_of(unit: Unit) -> Part {
    Text(match unit {
        Unit::Factor => "factor",
        Unit::Code => "code",
        unit => unit.symbol(),
    })
}

/// The message on an encoding that cannot be calculated with.
const fn coding(of: &'static str, why: CodingFlaw) -> Parts {
    match why {
        CodingFlaw::Width { found } => padded(&[
            Text("`"),
            Text(of),
            Text("`: its code has "),
            Number(found as u32),
            Text(" bits; 1 to 32 are possible"),
        ]),
        CodingFlaw::GreatestCode { found } => padded(&[
            Text("`"),
            Text(of),
            Text("`: its greatest code is "),
            Number(found),
            Text(", so that no code means anything; expected at least 1"),
        ]),
        CodingFlaw::Ratio { numerator, denominator } => padded(&[
            Text("`"),
            Text(of),
            Text("`: its encoding has the factor "),
            Number(numerator),
            Text("/"),
            Number(denominator),
            Text("; neither of the two may be 0"),
        ]),
        CodingFlaw::MantissaWidth { found, most } => padded(&[
            Text("`"),
            Text(of),
            Text("`: its mantissa has "),
            Number(found as u32),
            Text(" bits, expected 1 to "),
            Number(most as u32),
            Text(", so that a bit is left for the exponent"),
        ]),
        CodingFlaw::TableEmpty => padded(&[Text("`"), Text(of), Text("`: its table has no code")]),
        CodingFlaw::TableCode { code, greatest } => padded(&[
            Text("`"),
            Text(of),
            Text("`: its table has the code "),
            Number(code),
            Text(", the greatest possible is "),
            Number(greatest),
        ]),
        CodingFlaw::TableTwice { code } => {
            padded(&[Text("`"), Text(of), Text("`: its table has the code "), Number(code), Text(" twice")])
        }
        CodingFlaw::TableDenominator { code } => padded(&[
            Text("`"),
            Text(of),
            Text("`: its table gives the code "),
            Number(code),
            Text(" a denominator of zero"),
        ]),
        CodingFlaw::SignedZero => padded(&[
            Text("`"),
            Text(of),
            Text("`: its codes have a sign, but code 0 is not zero, and so has no negative"),
        ]),
    }
}
