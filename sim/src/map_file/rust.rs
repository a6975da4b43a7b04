//! Writes a layout as Rust source: a [`RegisterMap`](stepchain::map::RegisterMap) by the const constructors, as one
//! would write it by hand.
//!
//! The layout becomes a tree of calls ([`Expression`]), and the tree is laid out by [`expression`](super::expression)
//! in lines of at most 120 columns.

use std::fmt::Write as _;

use stepchain::map::{
    Access, BitOrder, BufferMode, Clearing, Coding, CommandForm, Crc8, CurveSegment, Drive, Encoding, Framing, Holding,
    Layout, MotionStateField, Parameter, Piece, Polarity, PositionCounter, Refusal, Register, ReplyTiming, Request,
    SharedWrite, Sign, Source, SpareClocks, SpiMode, StatusBit, StatusLayout, TableEntry, Verb, Wire, WrapAround,
    Write,
};

use super::expression::{Expression, WIDTH, call, list, text};

/// What the source may have to import, in the order of imports.
const NAMES: [&str; 33] = [
    "Access",
    "BitField",
    "BitOrder",
    "BridgeState",
    "Clearing",
    "Coding",
    "CommandForm",
    "Crc8",
    "CurveSegment",
    "Drive",
    "EdgeAction",
    "Encoding",
    "Flag",
    "Layout",
    "MotionState",
    "MotionStateField",
    "Parameter",
    "Piece",
    "PositionCounter",
    "Refusal",
    "Register",
    "RegisterMap",
    "ReplyTiming",
    "Sign",
    "SpiMode",
    "StatusBit",
    "StatusLayout",
    "StopRamp",
    "TableEntry",
    "Verb",
    "Way",
    "Wire",
    "Write",
];

/// The layout as the source of a module with one type, `type_name`, whose `RegisterMap::LAYOUT` is this layout.
///
/// `type_name` has to be a Rust identifier; [`type_name`] makes one from any name.
#[must_use]
pub fn to_rust(layout: &Layout, type_name: &str) -> String {
    let mut implementation = String::new();
    let _ = writeln!(implementation, "impl RegisterMap for {type_name} {{");
    let constant = self::layout(layout).lines("const LAYOUT: Layout = ", 4, ";");
    let _ = writeln!(implementation, "    {constant}\n}}");
    let name = layout.name.escape_debug();
    let mut source = format!("//! The register map of the device `{name}`.\n\n{}", imports(&implementation));
    if is_used("Unit", &implementation) {
        source.push_str("use stepchain::units::Unit;\n");
    }
    let _ = write!(
        source,
        "\n/// The device `{name}`.\n#[derive(Clone, Copy, Debug)]\npub struct {type_name};\n\n{implementation}\n\
         stepchain::check_map!({type_name});\n"
    );
    source
}

/// A Rust type's name for a device: the letters and digits of its name, each word with a capital.
#[must_use]
pub fn type_name(device: &str) -> String {
    let mut name = String::new();
    let mut starts_word = true;
    for character in device.chars() {
        if !character.is_ascii_alphanumeric() {
            starts_word = true;
        } else if starts_word {
            name.push(character.to_ascii_uppercase());
            starts_word = false;
        } else {
            name.push(character);
        }
    }
    // `Self` is the one keyword that begins with a capital.
    let is_name = name.starts_with(|first: char| first.is_ascii_uppercase()) && name != "Self";
    if is_name { name } else { format!("Device{name}") }
}

fn imports(body: &str) -> String {
    let used: Vec<&str> = NAMES.into_iter().filter(|name| is_used(name, body)).collect();
    let line = format!("use stepchain::map::{{{}}};\n", used.join(", "));
    if line.len() <= WIDTH + 1 {
        return line;
    }
    let mut lines = String::from("use stepchain::map::{\n");
    let mut row = String::from("   ");
    for name in used {
        if row.len() + name.len() + 2 >= WIDTH {
            lines.push_str(&row);
            lines.push('\n');
            row = String::from("   ");
        }
        let _ = write!(row, " {name},");
    }
    lines + &row + "\n};\n"
}

/// Whether a path in the source begins with this name; the device's own texts stand in quotes and may say anything.
fn is_used(name: &str, source: &str) -> bool {
    source.match_indices(name).any(|(at, _)| {
        let before = source[..at].chars().next_back().unwrap_or(' ');
        let after = source[at + name.len()..].chars().next().unwrap_or(' ');
        !before.is_alphanumeric() && !after.is_alphanumeric() && before != '_' && before != ':'
    })
}

fn layout(layout: &Layout) -> Expression {
    let mut drawn = call("Layout::new", [quoted(layout.name), wire(&layout.wire)]);
    if layout.axes != 1 {
        drawn = drawn.then("axes", [number(layout.axes)]);
    }
    if layout.drive != Drive::Voltage {
        drawn = drawn.then("drive", [text(format!("Drive::{:?}", layout.drive))]);
    }
    if !layout.registers.is_empty() {
        drawn = drawn.then("registers", [list(layout.registers.iter().map(register))]);
    }
    if !layout.commands.is_empty() {
        drawn = drawn.then("commands", [list(layout.commands.iter().map(command))]);
    }
    if layout.status != StatusLayout::NONE {
        drawn = drawn.then("status", [status(&layout.status)]);
    }
    drawn.then("position", [position(&layout.position)])
}

fn wire(wire: &Wire) -> Expression {
    let (constructor, usual_reply) = match wire.framing {
        Framing::LatchedUnits => ("Wire::latched_units", ReplyTiming::SameSlots),
        Framing::FixedWord => ("Wire::fixed_word", ReplyTiming::NextFrame),
    };
    let mut drawn = call(constructor, [number(wire.unit_bits), pieces(wire.filler)]);
    if wire.mode != SpiMode::Mode0 {
        drawn = drawn.then("mode", [text(format!("SpiMode::{:?}", wire.mode))]);
    }
    if wire.bit_order != BitOrder::MsbFirst {
        drawn = drawn.then("bit_order", [text(format!("BitOrder::{:?}", wire.bit_order))]);
    }
    if wire.reply_timing != usual_reply {
        drawn = drawn.then("reply_timing", [text(format!("ReplyTiming::{:?}", wire.reply_timing))]);
    }
    if wire.spare_clocks == SpareClocks::Refused {
        drawn = drawn.then("no_spare_clocks", []);
    }
    if wire.shared_write != SharedWrite::ReadModifyWrite {
        drawn = drawn.then("shared_write", [text(format!("SharedWrite::{:?}", wire.shared_write))]);
    }
    if !wire.idle_reply.is_empty() {
        drawn = drawn.then("idle_reply", [pieces(wire.idle_reply)]);
    }
    if let Some(crc) = wire.crc {
        drawn = drawn.then("crc", [self::crc(crc)]);
    }
    drawn.then("timing", [number(wire.max_clock_hz), number(wire.min_deselect_ns)])
}

fn crc(crc: Crc8) -> Expression {
    let mut drawn = call("Crc8::new", [text(format!("0x{:02X}", crc.polynomial))]);
    if crc.initial != 0 {
        drawn = drawn.then("initial", [text(format!("0x{:02X}", crc.initial))]);
    }
    if crc.reflected {
        drawn = drawn.then("reflected", []);
    }
    if crc.xor_out != 0 {
        drawn = drawn.then("xor_out", [text(format!("0x{:02X}", crc.xor_out))]);
    }
    drawn
}

fn register(register: &Register) -> Expression {
    let place =
        [parameter(register.parameter), text(format!("0x{:02X}", register.address)), number(register.coding.width)];
    let mut drawn = call("Register::new", place);
    if register.name != register.parameter.name() {
        drawn = drawn.then("named", [quoted(register.name)]);
    }
    if register.axis != 0 {
        drawn = drawn.then("axis", [number(register.axis)]);
    }
    if register.lsb != 0 {
        drawn = drawn.then("at_bit", [number(register.lsb)]);
    }
    if register.coding.encoding != Encoding::Raw {
        drawn = drawn.then("encoding", [encoding(register.coding.encoding)]);
    }
    if register.coding.sign != Sign::Unsigned {
        drawn = drawn.then("sign", [text(format!("Sign::{:?}", register.coding.sign))]);
    }
    if register.coding.max_code != u32::MAX {
        drawn = drawn.then("up_to", [number(register.coding.max_code)]);
    }
    if register.unit != register.parameter.unit() {
        drawn = drawn.then("unit", [text(format!("Unit::{:?}", register.unit))]);
    }
    if register.access != Access::Always {
        drawn = drawn.then("access", [text(format!("Access::{:?}", register.access))]);
    }
    if register.reset != 0 {
        drawn = drawn.then("reset", [number(register.reset)]);
    }
    drawn
}

fn parameter(parameter: Parameter) -> Expression {
    text(match parameter {
        Parameter::BackEmfFrom(segment) => format!("Parameter::BackEmfFrom({})", self::segment(segment)),
        Parameter::BackEmfSlope(segment) => format!("Parameter::BackEmfSlope({})", self::segment(segment)),
        // Every other prints as it is written.
        other => format!("Parameter::{other:?}"),
    })
}

fn segment(segment: CurveSegment) -> String {
    match segment.state {
        None => format!("CurveSegment::new({})", segment.index),
        Some(state) => format!("CurveSegment::of(MotionState::{state:?}, {})", segment.index),
    }
}

fn coding(coding: &Coding) -> Expression {
    let (constructor, sign) = match coding.sign {
        Sign::Unsigned => ("Coding::new", None),
        Sign::TwosComplement => ("Coding::signed", None),
        Sign::SignMagnitude => ("Coding::new", Some("Sign::SignMagnitude")),
    };
    let mut drawn = call(constructor, [number(coding.width), encoding(coding.encoding)]);
    if let Some(sign) = sign {
        drawn = drawn.then("sign", [text(sign.to_owned())]);
    }
    if coding.max_code != u32::MAX {
        drawn = drawn.then("up_to", [number(coding.max_code)]);
    }
    drawn
}

fn encoding(encoding: Encoding) -> Expression {
    match encoding {
        Encoding::Raw => text("Encoding::Raw".to_owned()),
        Encoding::Linear { numerator, denominator, offset: 0 } => {
            call("Encoding::linear", [number(numerator), number(denominator)])
        }
        Encoding::Linear { numerator, denominator, offset } => {
            call("Encoding::linear_from", [number(numerator), number(denominator), number(offset)])
        }
        Encoding::Reciprocal { numerator, denominator, zero: false } => {
            call("Encoding::reciprocal", [number(numerator), number(denominator)])
        }
        Encoding::Reciprocal { numerator, denominator, zero: true } => {
            call("Encoding::reciprocal_or_zero", [number(numerator), number(denominator)])
        }
        Encoding::PowerOfTwo { numerator, denominator: 1, falling: false } => {
            call("Encoding::power_of_two", [number(numerator)])
        }
        Encoding::PowerOfTwo { numerator, denominator: 1, falling: true } => {
            call("Encoding::falling_power_of_two", [number(numerator)])
        }
        Encoding::PowerOfTwo { .. } => text(format!("Encoding::{encoding:?}")),
        Encoding::Table(entries) => call("Encoding::Table", [list(entries.iter().map(table_entry))]),
        Encoding::MantissaExponent { numerator, denominator, mantissa_bits } => {
            call("Encoding::mantissa_exponent", [number(mantissa_bits), number(numerator), number(denominator)])
        }
    }
}

fn table_entry(entry: &TableEntry) -> Expression {
    match entry.denominator {
        1 => call("TableEntry::new", [number(entry.code), number(entry.numerator)]),
        denominator => call("TableEntry::ratio", [number(entry.code), number(entry.numerator), number(denominator)]),
    }
}

fn command(form: &CommandForm) -> Expression {
    let verb = text(match form.verb {
        Verb::MoveAbsolute(way) => format!("Verb::MoveAbsolute(Way::{way:?})"),
        Verb::Stop(ramp, bridge) => format!("Verb::Stop(StopRamp::{ramp:?}, BridgeState::{bridge:?})"),
        Verb::SearchForSwitch(action) => format!("Verb::SearchForSwitch(EdgeAction::{action:?})"),
        Verb::SearchForZero(action) => format!("Verb::SearchForZero(EdgeAction::{action:?})"),
        // Every other prints as it is written.
        other => format!("Verb::{other:?}"),
    });
    let mut drawn = match form.request {
        Request::Word(list) => call("CommandForm::word", [verb, pieces(list)]),
        Request::Writes(writes) => call("CommandForm::writes", [verb, list(writes.iter().map(write))]),
    };
    if form.buffer_mode == BufferMode::Buffered {
        drawn = drawn.then("buffered", []);
    }
    if !form.reply.is_empty() {
        drawn = drawn.then("reply", [pieces(form.reply)]);
    }
    if form.refusal != Refusal::NEVER {
        let mut refusal = String::from("Refusal::NEVER");
        for (is_refused, state) in [
            (form.refusal.while_moving, ".while_moving()"),
            (form.refusal.while_bridge_off, ".while_bridge_off()"),
            (form.refusal.while_faulted, ".while_faulted()"),
        ] {
            refusal.push_str(if is_refused { state } else { "" });
        }
        drawn = drawn.then("refused", [text(refusal)]);
    }
    drawn
}

fn write(write: &Write) -> Expression {
    let parameter = parameter(write.parameter);
    match write.source {
        Source::Code(code) => call("Write::code", [parameter, number(code)]),
        Source::Argument => call("Write::argument", [parameter]),
        Source::Direction { positive, negative } => {
            call("Write::direction", [parameter, number(positive), number(negative)])
        }
    }
}

fn pieces(pieces: &[Piece]) -> Expression {
    list(pieces.iter().map(piece))
}

fn piece(piece: &Piece) -> Expression {
    let argument = |constructor, coding: &Coding, lsb: u8, width: u8| {
        let whole = call(constructor, [self::coding(coding)]);
        let is_whole = lsb == 0 && width == coding.width;
        if is_whole { whole } else { whole.then("part", [number(lsb), number(width)]) }
    };
    match *piece {
        Piece::Fixed { width, value } => call("Piece::fixed", [number(width), bits(width, value)]),
        Piece::Any { width } => call("Piece::any", [number(width)]),
        Piece::Axis { width } => call("Piece::axis", [number(width)]),
        Piece::Address { width } => call("Piece::address", [number(width)]),
        Piece::Data { lsb: 0, width } => call("Piece::data", [number(width)]),
        Piece::Data { lsb, width } => call("Piece::data_part", [number(lsb), number(width)]),
        Piece::Direction { positive } => call("Piece::direction", [text(positive.to_string())]),
        Piece::Velocity { coding, lsb, width } => argument("Piece::velocity", &coding, lsb, width),
        Piece::Distance { coding, lsb, width } => argument("Piece::distance", &coding, lsb, width),
        Piece::Position { coding, lsb, width } => argument("Piece::position", &coding, lsb, width),
        Piece::Status { lsb: 0, width } => call("Piece::status", [number(width)]),
        Piece::Status { lsb, width } => {
            call("Piece::status", [number(width)]).then("part", [number(lsb), number(width)])
        }
        // What is left prints as it is written.
        other => text(format!("Piece::{other:?}")),
    }
}

fn bits(width: u8, value: u64) -> Expression {
    text(match width {
        2..8 => format!("0b{value:0bits$b}", bits = usize::from(width)),
        8.. => format!("0x{value:0digits$X}", digits = usize::from(width.div_ceil(4))),
        _ => value.to_string(),
    })
}

fn status(status: &StatusLayout) -> Expression {
    let drawn = call("StatusLayout::new", [number(status.bits), list(status.flags.iter().map(flag))]);
    if status.motion_states.is_empty() {
        return drawn;
    }
    drawn.then("motion_states", [list(status.motion_states.iter().map(motion_state))])
}

fn flag(bit: &StatusBit) -> Expression {
    let (constructor, clearing) = match bit.holding {
        Holding::Live => ("StatusBit::live", None),
        Holding::LatchedUntil(Clearing::TakeStatus) => ("StatusBit::latched", None),
        Holding::LatchedUntil(Clearing::FaultReset) => ("StatusBit::latched", Some("Clearing::FaultReset")),
    };
    let mut drawn = call(constructor, [text(format!("Flag::{:?}", bit.flag)), number(bit.bit)]);
    if let Some(clearing) = clearing {
        drawn = drawn.then("cleared_by", [text(clearing.to_owned())]);
    }
    if bit.axis != 0 {
        drawn = drawn.then("axis", [number(bit.axis)]);
    }
    if bit.polarity == Polarity::ActiveLow {
        drawn = drawn.then("active_low", []);
    }
    drawn
}

fn motion_state(field: &MotionStateField) -> Expression {
    let bits = call("BitField::new", [number(field.field.lsb), number(field.field.width)]);
    let drawn = call("MotionStateField::new", [bits, text(format!("{:?}", field.codes))]);
    if field.axis == 0 { drawn } else { drawn.then("axis", [number(field.axis)]) }
}

fn position(position: &PositionCounter) -> Expression {
    let resolutions = list(position.resolutions.iter().copied().map(number));
    let drawn = call("PositionCounter::new", [number(position.bits), resolutions]);
    match position.wrap_around {
        WrapAround::Wraps => drawn,
        WrapAround::Refuses => drawn.then("refuses_to_wrap", []),
    }
}

/// A whole number, in groups of three digits from five digits on.
fn number(number: impl Into<i64>) -> Expression {
    let plain = number.into().to_string();
    let digits = plain.trim_start_matches('-');
    if digits.len() < 5 {
        return text(plain);
    }
    let mut grouped = plain[..plain.len() - digits.len()].to_owned();
    for (at, digit) in digits.chars().enumerate() {
        if at > 0 && (digits.len() - at).is_multiple_of(3) {
            grouped.push('_');
        }
        grouped.push(digit);
    }
    text(grouped)
}

/// A Rust string literal; what `Debug` prints of a text is one.
fn quoted(content: &str) -> Expression {
    text(format!("{content:?}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_types_name_is_made_from_any_name() {
        assert_eq!(type_name("fixed-word"), "FixedWord");
        assert_eq!(type_name("two axes, 24 V"), "TwoAxes24V");
        assert_eq!(type_name("24 V"), "Device24V");
        assert_eq!(type_name("self"), "DeviceSelf");
        assert_eq!(type_name("°"), "Device");
    }

    #[test]
    fn a_name_with_quotes_and_line_ends_stays_inside_its_literal() {
        const WIRE: Wire = Wire::latched_units(8, &[Piece::fixed(8, 0)]);
        let layout = Layout::new("\"\n*/ \\", WIRE);
        let source = to_rust(&layout, "Odd");
        assert!(source.contains(r#""\"\n*/ \\","#), "{source}");
        assert!(source.lines().all(|line| line.len() <= WIDTH), "{source}");
    }
}
