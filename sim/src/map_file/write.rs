//! Writes a layout as a map file: what [`parse`](super::parse) reads back to the same layout.
//!
//! The wire is written in full, since those are the facts to check first; elsewhere what a constructor would give
//! anyhow is left out. Keys stand in the order in which a datasheet tells them.

use std::fmt::Write as _;

use stepchain::map::{
    Access, BufferMode, Clearing, Coding, CommandForm, Drive, Encoding, Holding, Layout, MotionState, MotionStateField,
    Parameter, Piece, Polarity, PositionCounter, Refusal, Register, Request, Sign, Source, StatusBit, StatusLayout,
    TableEntry, Wire, WrapAround, Write,
};

use super::read::key_of;
use super::words::{self, Word};

/// A list longer than this gets a line for each of its entries.
const LINE: usize = 110;

/// The layout as a map file.
#[must_use]
pub fn to_toml(layout: &Layout) -> String {
    let mut head = Keys::default();
    head.put("name", &quoted(layout.name));
    head.put_unless("axes", &layout.axes, &1);
    head.put_unless("drive", &word(layout.drive), &word(Drive::Voltage));
    let mut blocks = vec![head.block(None), wire(&layout.wire).block(Some("[wire]"))];
    blocks.extend(layout.registers.iter().map(|entry| register(entry).block(Some("[[register]]"))));
    blocks.extend(layout.commands.iter().map(|form| command(layout, form).block(Some("[[command]]"))));
    if layout.status != StatusLayout::NONE {
        blocks.push(status(&layout.status).block(Some("[status]")));
    }
    blocks.push(position(&layout.position).block(Some("[position]")));
    blocks.join("\n")
}

/// The keys of a table, in the order of writing.
#[derive(Debug, Default)]
struct Keys(Vec<(&'static str, String)>);

impl Keys {
    fn put(&mut self, key: &'static str, value: &impl ToString) {
        self.0.push((key, value.to_string()));
    }

    fn put_unless<T: PartialEq + ToString>(&mut self, key: &'static str, value: &T, default: &T) {
        if value != default {
            self.put(key, value);
        }
    }

    /// A list; one line for each entry if it is long, but never inside an inline table.
    fn put_list(&mut self, key: &'static str, entries: &[String]) {
        let line = format!("[{}]", entries.join(", "));
        if key.len() + line.len() < LINE {
            self.put(key, &line);
        } else {
            self.put_rows(key, entries);
        }
    }

    fn put_rows(&mut self, key: &'static str, entries: &[String]) {
        let rows: String = entries.iter().fold(String::new(), |rows, entry| rows + "    " + entry + ",\n");
        self.put(key, &format!("[\n{rows}]"));
    }

    fn block(self, header: Option<&str>) -> String {
        let mut block = header.map_or_else(String::new, |header| format!("{header}\n"));
        for (key, value) in self.0 {
            let _ = writeln!(block, "{key} = {value}");
        }
        block
    }

    fn inline(self) -> String {
        let keys: Vec<String> = self.0.into_iter().map(|(key, value)| format!("{key} = {value}")).collect();
        format!("{{ {} }}", keys.join(", "))
    }
}

fn wire(wire: &Wire) -> Keys {
    let mut keys = Keys::default();
    keys.put("framing", &word(wire.framing));
    keys.put("unit_bits", &wire.unit_bits);
    keys.put_list("filler", &pieces(wire.filler));
    keys.put("mode", &wire.mode.word());
    keys.put("bit_order", &word(wire.bit_order));
    keys.put("reply", &word(wire.reply_timing));
    keys.put("spare_clocks", &word(wire.spare_clocks));
    keys.put("shared_write", &word(wire.shared_write));
    if !wire.idle_reply.is_empty() {
        keys.put_list("idle_reply", &pieces(wire.idle_reply));
    }
    if let Some(crc) = wire.crc {
        let mut inner = Keys::default();
        inner.put("polynomial", &byte(crc.polynomial));
        inner.put("initial", &byte(crc.initial));
        inner.put("reflected", &crc.reflected);
        inner.put("xor_out", &byte(crc.xor_out));
        keys.put("crc", &inner.inline());
    }
    keys.put("max_clock_hz", &wire.max_clock_hz);
    keys.put("min_deselect_ns", &wire.min_deselect_ns);
    keys
}

fn register(register: &Register) -> Keys {
    let mut keys = Keys::default();
    keys.put("parameter", &quoted(&register.parameter.to_string()));
    keys.put_unless("name", &quoted(register.name), &quoted(register.parameter.name()));
    keys.put_unless("axis", &register.axis, &0);
    keys.put("address", &format!("0x{:02X}", register.address));
    keys.put_unless("lsb", &register.lsb, &0);
    coding(&mut keys, &register.coding);
    keys.put_unless("unit", &word(register.unit), &word(register.parameter.unit()));
    keys.put_unless("access", &word(register.access), &word(Access::Always));
    keys.put_unless("reset", &register.reset, &0);
    keys
}

/// Adds a coding's keys to those of its register or argument.
fn coding(keys: &mut Keys, coding: &Coding) {
    keys.put("bits", &coding.width);
    keys.put_unless("sign", &word(coding.sign), &word(Sign::Unsigned));
    match coding.encoding {
        Encoding::Raw => {}
        Encoding::Linear { numerator, denominator, offset: 0 } => keys.put("linear", &ratio(numerator, denominator)),
        Encoding::Linear { numerator, denominator, offset } => {
            keys.put("linear", &format!("[{numerator}, {denominator}, {offset}]"));
        }
        Encoding::Reciprocal { numerator, denominator, zero: false } => {
            keys.put("reciprocal", &ratio(numerator, denominator));
        }
        Encoding::Reciprocal { numerator, denominator, zero: true } => {
            keys.put("reciprocal_or_zero", &ratio(numerator, denominator));
        }
        Encoding::PowerOfTwo { numerator, denominator, falling: false } => {
            keys.put("power_of_two", &ratio(numerator, denominator));
        }
        Encoding::PowerOfTwo { numerator, denominator, falling: true } => {
            keys.put("falling_power_of_two", &ratio(numerator, denominator));
        }
        Encoding::Table(entries) => {
            let entries: Vec<String> = entries.iter().map(table_entry).collect();
            keys.put("table", &format!("[{}]", entries.join(", ")));
        }
        Encoding::MantissaExponent { numerator, denominator, mantissa_bits } => {
            let scale = ratio(numerator, denominator);
            keys.put("mantissa_exponent", &format!("{{ mantissa_bits = {mantissa_bits}, scale = {scale} }}"));
        }
    }
    keys.put_unless("max_code", &coding.max_code, &u32::MAX);
}

fn ratio(numerator: u32, denominator: u32) -> String {
    format!("[{numerator}, {denominator}]")
}

fn table_entry(entry: &TableEntry) -> String {
    match entry.denominator {
        1 => format!("[{}, {}]", entry.code, entry.numerator),
        denominator => format!("[{}, {}, {denominator}]", entry.code, entry.numerator),
    }
}

fn command(layout: &Layout, form: &CommandForm) -> Keys {
    let mut keys = Keys::default();
    keys.put("verb", &word(form.verb));
    if form.buffer_mode == BufferMode::Buffered {
        keys.put("buffered", &true);
    }
    match form.request {
        Request::Word(list) => keys.put_list("request", &pieces(list)),
        Request::Writes(writes) => {
            let writes: Vec<String> = writes.iter().map(|step| write(layout, step)).collect();
            keys.put_list("writes", &writes);
        }
    }
    if !form.reply.is_empty() {
        keys.put_list("reply", &pieces(form.reply));
    }
    if form.refusal != Refusal::NEVER {
        let refused = [
            (form.refusal.while_moving, "while moving"),
            (form.refusal.while_bridge_off, "while bridge off"),
            (form.refusal.while_faulted, "while faulted"),
        ];
        let refused: Vec<String> = refused.into_iter().filter(|(is, _)| *is).map(|(_, state)| quoted(state)).collect();
        keys.put_list("refused", &refused);
    }
    keys
}

fn write(layout: &Layout, step: &Write) -> String {
    let source = match step.source {
        Source::Code(code) => code.to_string(),
        Source::Argument => quoted("argument"),
        Source::Direction { positive, negative } => format!("{{ positive = {positive}, negative = {negative} }}"),
    };
    format!("{{ {} = {source} }}", quoted(&target(layout, step.parameter)))
}

/// A custom parameter by its register's name, if that leads back to it; any other by its own.
fn target(layout: &Layout, parameter: Parameter) -> String {
    let own = parameter.to_string();
    if !matches!(parameter, Parameter::Custom(_)) {
        return own;
    }
    let named = layout.registers.iter().find(|register| register.parameter == parameter).map(|found| found.name);
    match named {
        Some(name) if words::parameter(name).is_none() && layout.parameter(name) == Some(parameter) => name.to_owned(),
        _ => own,
    }
}

fn pieces(pieces: &[Piece]) -> Vec<String> {
    pieces.iter().map(piece).collect()
}

fn piece(piece: &Piece) -> String {
    match *piece {
        Piece::Fixed { width, value } => fixed(width, value),
        Piece::Crc | Piece::DataByRegister => quoted(piece.name()),
        Piece::Any { width } | Piece::Axis { width } | Piece::Address { width } => {
            format!("{{ {} = {width} }}", piece.name())
        }
        Piece::Data { lsb: 0, width } | Piece::Status { lsb: 0, width } => format!("{{ {} = {width} }}", piece.name()),
        Piece::Data { lsb, width } | Piece::Status { lsb, width } => {
            format!("{{ {} = {width}, lsb = {lsb} }}", piece.name())
        }
        Piece::Direction { positive } => format!("{{ direction = {{ positive = {} }} }}", u8::from(positive)),
        Piece::Velocity { coding: inner, lsb, width }
        | Piece::Distance { coding: inner, lsb, width }
        | Piece::Position { coding: inner, lsb, width } => {
            let mut argument = Keys::default();
            coding(&mut argument, &inner);
            let mut keys = Keys::default();
            keys.put(piece.name(), &argument.inline());
            keys.put_unless("lsb", &lsb, &0);
            keys.put_unless("bits", &width, &inner.width);
            keys.inline()
        }
        // Non-exhaustive for others; a test walks `Piece::ONE_OF_EACH` through here.
        _ => unreachable!("the map file has no form for the piece {piece:?}"),
    }
}

/// Short fixed bits as drawn, long ones in hexadecimal.
fn fixed(width: u8, value: u64) -> String {
    let fits = value.checked_shr(u32::from(width)).unwrap_or(0) == 0;
    match width {
        1..8 if fits => format!("\"{value:0bits$b}\"", bits = usize::from(width)),
        _ if i64::try_from(value).is_ok() => format!("{{ fixed = {}, bits = {width} }}", hex(value, width)),
        _ => format!("{{ fixed = \"{}\", bits = {width} }}", hex(value, width)),
    }
}

fn hex(value: u64, width: u8) -> String {
    format!("0x{value:0digits$X}", digits = usize::from(width.div_ceil(4)))
}

fn byte(value: u8) -> String {
    hex(u64::from(value), 8)
}

fn status(status: &StatusLayout) -> Keys {
    let mut keys = Keys::default();
    keys.put("bits", &status.bits);
    if !status.flags.is_empty() {
        keys.put_rows("flags", &status.flags.iter().map(flag).collect::<Vec<_>>());
    }
    if !status.motion_states.is_empty() {
        keys.put_rows("motion_states", &status.motion_states.iter().map(motion_state).collect::<Vec<_>>());
    }
    keys
}

fn flag(bit: &StatusBit) -> String {
    let mut keys = Keys::default();
    keys.put("bit", &bit.bit);
    keys.put("flag", &word(bit.flag));
    keys.put_unless("axis", &bit.axis, &0);
    keys.put_unless("active", &word(bit.polarity), &word(Polarity::ActiveHigh));
    match bit.holding {
        Holding::Live => {}
        Holding::LatchedUntil(clearing) => keys.put("latched_until", &word::<Clearing>(clearing)),
    }
    keys.inline()
}

fn motion_state(field: &MotionStateField) -> String {
    let mut keys = Keys::default();
    keys.put("lsb", &field.field.lsb);
    keys.put("bits", &field.field.width);
    keys.put_unless("axis", &field.axis, &0);
    for (code, state) in field.codes.into_iter().zip(MotionState::ALL) {
        keys.put(key_of(state), &code);
    }
    keys.inline()
}

fn position(position: &PositionCounter) -> Keys {
    let mut keys = Keys::default();
    keys.put("bits", &position.bits);
    keys.put_unless("wrap_around", &word(position.wrap_around), &word(WrapAround::Wraps));
    keys.put_list("resolutions", &position.resolutions.iter().map(u16::to_string).collect::<Vec<_>>());
    keys
}

fn word<W: Word>(choice: W) -> String {
    quoted(choice.word())
}

/// A TOML basic string.
fn quoted(text: &str) -> String {
    let mut quoted = String::from('"');
    for character in text.chars() {
        match character {
            '"' | '\\' => quoted.extend(['\\', character]),
            '\n' => quoted.push_str("\\n"),
            '\t' => quoted.push_str("\\t"),
            control if control.is_control() => {
                let _ = write!(quoted, "\\u{:04X}", u32::from(control));
            }
            other => quoted.push(other),
        }
    }
    quoted.push('"');
    quoted
}
