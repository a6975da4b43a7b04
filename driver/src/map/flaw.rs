//! What can be wrong with a map, in words that name the culprit, at compile time as at run time.

use core::fmt;

/// Why a layout cannot be used.
///
/// Texts in it are the map's own names of registers, commands and flags.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
#[allow(missing_docs, reason = "each variant's message says what it means, see `parts`")]
pub enum Flaw {
    UnitBits { found: u8 },
    Axes { found: u8 },
    MaxClock,
    Filler,
    IdleReply,
    RepliesInSameSlots,
    RegisterWidth { register: &'static str },
    RegisterAxis { register: &'static str },
    RegistersOverlap { first: &'static str, second: &'static str },
    ParameterTwice { register: &'static str },
    CustomNameTwice { register: &'static str },
    Coding { of: &'static str },
    Reset { register: &'static str },
    AmplitudeUnit { register: &'static str },
    Curve { register: &'static str },
    CommandTwice { command: &'static str },
    WordLength { command: &'static str },
    PieceWidth { command: &'static str },
    FixedValue { command: &'static str },
    Parts { command: &'static str },
    ArgumentMissing { command: &'static str, argument: &'static str },
    ArgumentForeign { command: &'static str, argument: &'static str },
    ArgumentTwice { command: &'static str, argument: &'static str },
    AddressWidth { command: &'static str, register: &'static str },
    DataWidth { command: &'static str, register: &'static str },
    CrcMissing { command: &'static str },
    CrcNotLast { command: &'static str },
    ReplyMissing { command: &'static str },
    OpcodeShadowed { first: &'static str, second: &'static str },
    WriteUnknown { command: &'static str, parameter: &'static str },
    WriteReadOnly { command: &'static str, register: &'static str },
    WriteShared { command: &'static str, register: &'static str },
    WriteNoForm { command: &'static str },
    NoReadForm { register: &'static str },
    StatusBits { found: u8 },
    StatusBit { flag: &'static str },
    StatusOverlap { first: &'static str, second: &'static str },
    StatusTwice { flag: &'static str },
    MotionStateField,
    CounterBits { found: u8 },
    Resolution { found: u16 },
    FrameNotWhole { devices: u16, unit_bits: u8 },
}

/// A run of the message: fixed text, the map's text, or a number.
enum Part {
    Text(&'static str),
    Number(u16),
}

use Part::{Number, Text};

impl Flaw {
    const fn parts(self) -> [Part; 5] {
        const END: Part = Text("");
        match self {
            Self::UnitBits { found } => {
                [Text("the unit has "), Number(found as u16), Text(" bits; 1 to 64 are possible"), END, END]
            }
            Self::Axes { found } => {
                [Text("the device has "), Number(found as u16), Text(" axes; 1 to 16 are possible"), END, END]
            }
            Self::MaxClock => [Text("the fastest clock is 0 Hz"), END, END, END, END],
            Self::Filler => {
                [Text("the filler is not exactly one unit of fixed bits (and the check, if any)"), END, END, END, END]
            }
            Self::IdleReply => {
                [Text("the idle reply is not exactly one unit of fixed, status and check bits"), END, END, END, END]
            }
            Self::RepliesInSameSlots => {
                [Text("a fixed word cannot carry its reply in the same slots"), END, END, END, END]
            }
            Self::RegisterWidth { register } => {
                [Text("register `"), Text(register), Text("`: its field is empty or leaves bits 0..32"), END, END]
            }
            Self::RegisterAxis { register } => {
                [Text("register `"), Text(register), Text("`: the device has no such axis"), END, END]
            }
            Self::RegistersOverlap { first, second } => {
                [Text("registers `"), Text(first), Text("` and `"), Text(second), Text("` share bits of one address")]
            }
            Self::ParameterTwice { register } => {
                [Text("register `"), Text(register), Text("`: its parameter has a register already"), END, END]
            }
            Self::CustomNameTwice { register } => {
                [Text("register `"), Text(register), Text("`: another custom register bears this name"), END, END]
            }
            Self::Coding { of } => [
                Text("`"),
                Text(of),
                Text(
                    "`: its encoding has a zero numerator or denominator, an empty or unfit table, or a mantissa as wide as the code",
                ),
                END,
                END,
            ],
            Self::Reset { register } => {
                [Text("register `"), Text(register), Text("`: its reset code does not fit or means nothing"), END, END]
            }
            Self::AmplitudeUnit { register } => [
                Text("register `"),
                Text(register),
                Text("`: its unit is not the drive's (share of supply or current)"),
                END,
                END,
            ],
            Self::Curve { register } => [
                Text("register `"),
                Text(register),
                Text(
                    "`: the back-EMF curve has segments 0 to 7, counted from 0 without a gap, each with a slope, one curve or one a motion state",
                ),
                END,
                END,
            ],
            Self::CommandTwice { command } => [Text("command `"), Text(command), Text("` has two forms"), END, END],
            Self::WordLength { command } => [
                Text("command `"),
                Text(command),
                Text("`: its request or reply is not whole units (or, with fixed words, not one unit)"),
                END,
                END,
            ],
            Self::PieceWidth { command } => [
                Text("command `"),
                Text(command),
                Text("`: a piece has no bits or more than its kind can have"),
                END,
                END,
            ],
            Self::FixedValue { command } => [
                Text("command `"),
                Text(command),
                Text("`: a fixed value needs more bits than its piece has"),
                END,
                END,
            ],
            Self::Parts { command } => [
                Text("command `"),
                Text(command),
                Text("`: the parts of an argument leave bits of its code out or send them twice"),
                END,
                END,
            ],
            Self::ArgumentMissing { command, argument } => {
                [Text("command `"), Text(command), Text("` lacks its "), Text(argument), END]
            }
            Self::ArgumentForeign { command, argument } => {
                [Text("command `"), Text(command), Text("` has no use for a "), Text(argument), END]
            }
            Self::ArgumentTwice { command, argument } => {
                [Text("command `"), Text(command), Text("` has more than one "), Text(argument), END]
            }
            Self::AddressWidth { command, register } => [
                Text("command `"),
                Text(command),
                Text("`: its address has too few bits for register `"),
                Text(register),
                Text("`"),
            ],
            Self::DataWidth { command, register } => [
                Text("command `"),
                Text(command),
                Text("`: its data has too few bits for register `"),
                Text(register),
                Text("`"),
            ],
            Self::CrcMissing { command } => {
                [Text("command `"), Text(command), Text("` has check bits, but the wire names no check"), END, END]
            }
            Self::CrcNotLast { command } => {
                [Text("command `"), Text(command), Text("`: its check bits are not its last"), END, END]
            }
            Self::ReplyMissing { command } => [
                Text("command `"),
                Text(command),
                Text("` asks for something, but its reply has no place for it"),
                END,
                END,
            ],
            Self::OpcodeShadowed { first, second } => {
                [Text("commands `"), Text(first), Text("` and `"), Text(second), Text("` cannot be told apart")]
            }
            Self::WriteUnknown { command, parameter } => [
                Text("command `"),
                Text(command),
                Text("` writes `"),
                Text(parameter),
                Text("`, which has no register"),
            ],
            Self::WriteReadOnly { command, register } => {
                [Text("command `"), Text(command), Text("` writes `"), Text(register), Text("`, which is read only")]
            }
            Self::WriteShared { command, register } => [
                Text("command `"),
                Text(command),
                Text("` writes `"),
                Text(register),
                Text("`, which shares its register or cannot take the code"),
            ],
            Self::WriteNoForm { command } => [
                Text("command `"),
                Text(command),
                Text("` writes registers, but the map has no write command"),
                END,
                END,
            ],
            Self::NoReadForm { register } => [
                Text("register `"),
                Text(register),
                Text("` shares its address and has to be read before it is written, but the map has no read command"),
                END,
                END,
            ],
            Self::StatusBits { found } => {
                [Text("the status word has "), Number(found as u16), Text(" bits; 0 to 64 are possible"), END, END]
            }
            Self::StatusBit { flag } => [
                Text("flag `"),
                Text(flag),
                Text("`: its bit is outside of the status word or its axis of the device"),
                END,
                END,
            ],
            Self::StatusOverlap { first, second } => {
                [Text("flags `"), Text(first), Text("` and `"), Text(second), Text("` stand at the same bit")]
            }
            Self::StatusTwice { flag } => [Text("flag `"), Text(flag), Text("` stands at two bits"), END, END],
            Self::MotionStateField => [
                Text(
                    "the motion state's field leaves the status word or the device's axes, or two of its codes are alike or too wide",
                ),
                END,
                END,
                END,
                END,
            ],
            Self::CounterBits { found } => {
                [Text("the position counter has "), Number(found as u16), Text(" bits; 8 to 32 are possible"), END, END]
            }
            Self::Resolution { found } => [
                Text("a microstep resolution of "),
                Number(found),
                Text(" (or none at all) is impossible; powers of two from 1 to 32768 are possible"),
                END,
                END,
            ],
            Self::FrameNotWhole { devices, unit_bits } => [
                Text("the frame of "),
                Number(devices),
                Text(" devices of "),
                Number(unit_bits as u16),
                Text(" bits is not whole bytes, and the map tolerates no spare clocks"),
            ],
        }
    }

    /// The message as text, built without allocation and at compile time if need be.
    #[must_use]
    pub const fn message(self) -> Message {
        let mut message = Message { bytes: [0; MESSAGE_BYTES], length: 0 };
        let parts = self.parts();
        let mut rest: &[Part] = &parts;
        while let [part, tail @ ..] = rest {
            match part {
                Text(text) => message.push(text.as_bytes()),
                Number(number) => message.push_number(*number),
            }
            rest = tail;
        }
        message
    }
}

impl fmt::Display for Flaw {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.parts().iter().try_for_each(|part| match part {
            Text(text) => f.write_str(text),
            Number(number) => write!(f, "{number}"),
        })
    }
}

impl core::error::Error for Flaw {}

const MESSAGE_BYTES: usize = 256;

/// A message for `panic!("{}", message.as_str())` in a constant; cut at 256 bytes.
#[derive(Clone, Copy, Debug)]
pub struct Message {
    bytes: [u8; MESSAGE_BYTES],
    length: usize,
}

impl Message {
    /// The texts, one after another.
    pub(crate) const fn of(texts: &[&str]) -> Self {
        let mut message = Self { bytes: [0; MESSAGE_BYTES], length: 0 };
        let mut rest = texts;
        while let [text, tail @ ..] = rest {
            message.push(text.as_bytes());
            rest = tail;
        }
        message
    }

    /// The text.
    #[must_use]
    pub const fn as_str(&self) -> &str {
        let text = match self.bytes.split_at_checked(self.length) {
            Some((text, _)) => text,
            None => &[],
        };
        match core::str::from_utf8(text) {
            Ok(text) => text,
            // Only where the cut falls into a character of the map's own names.
            Err(_) => "the map is flawed",
        }
    }

    const fn push(&mut self, text: &[u8]) {
        let mut text = text;
        while let [byte, rest @ ..] = text {
            let Some((_, [slot, ..])) = self.bytes.split_at_mut_checked(self.length) else {
                return;
            };
            *slot = *byte;
            self.length += 1;
            text = rest;
        }
    }

    const fn push_number(&mut self, number: u16) {
        let mut divisor: u16 = 10_000;
        while divisor > 1 && number < divisor {
            divisor /= 10;
        }
        while divisor > 0 {
            self.push(&[b'0' + (number / divisor % 10) as u8]);
            divisor /= 10;
        }
    }
}
