//! A layout in plain words and tables, for a person who looks for a mistake: wire, commands, registers, status.
//!
//! Commands are drawn as datasheets draw them, the first unit's most significant bit at the left. Values are given
//! in physical units, as the codings mean them.

use std::fmt::{Display, Write as _};

use comfy_table::Table;
use comfy_table::presets::ASCII_MARKDOWN;

use stepchain::map::{
    Access, BitField, BitOrder, BufferMode, Clearing, Coding, CommandForm, Crc8, Encoding, Framing, Holding, Layout,
    MotionState, Piece, Polarity, PositionCounter, Register, ReplyTiming, Request, SharedWrite, Sign, Source,
    SpareClocks, SpiMode, StatusLayout, Wire, WrapAround, Write,
};
use stepchain::units::Unit;

use super::words::Word;

/// The layout in plain words and tables, in lines that end with a line feed.
#[must_use]
pub fn show(layout: &Layout) -> String {
    let mut page = String::new();
    let axes = if layout.axes == 1 { "one axis".to_owned() } else { format!("{} axes", layout.axes) };
    line(&mut page, format_args!("{}: {axes}, windings driven by {}", layout.name, layout.drive.word()));
    line(&mut page, format_args!("\nWIRE"));
    wire(&mut page, &layout.wire);
    if !layout.commands.is_empty() {
        line(&mut page, format_args!("\nCOMMANDS (> request, < reply; below each piece its bits)"));
        for form in layout.commands {
            command(&mut page, layout, form);
        }
    }
    if !layout.registers.is_empty() {
        line(&mut page, format_args!("\nREGISTERS"));
        table(&mut page, &registers(layout));
    }
    if layout.status.bits > 0 {
        line(&mut page, format_args!("\nSTATUS WORD, {} bits", layout.status.bits));
        table(&mut page, &status(layout));
    }
    line(&mut page, format_args!("\nPOSITION"));
    position(&mut page, &layout.position);
    page
}

fn line(page: &mut String, text: impl Display) {
    let _ = writeln!(page, "{text}");
}

fn table(page: &mut String, table: &Table) {
    for row in table.trim_fmt().lines() {
        line(page, format_args!("  {row}"));
    }
}

fn wire(page: &mut String, wire: &Wire) {
    let bits = wire.unit_bits;
    match wire.framing {
        Framing::LatchedUnits => {
            line(
                page,
                format_args!("  units of {bits} bits, each latched by a chip-select release; a command is one or more"),
            );
        }
        Framing::FixedWord => {
            line(page, format_args!("  words of {bits} bits, one a chip-select release, one a command"));
        }
    }
    let first = match wire.bit_order {
        BitOrder::MsbFirst => "most significant bit first",
        BitOrder::LsbFirst => "LEAST significant bit first (of the drawings below, each unit's right end)",
    };
    line(page, format_args!("  SPI mode {}: {}; {first}", wire.mode.word(), in_words(wire.mode)));
    let clock = wire.max_clock_hz;
    line(
        page,
        format_args!(
            "  clock at most {} kHz, chip select released for at least {} ns",
            kilo(clock),
            wire.min_deselect_ns
        ),
    );
    line(
        page,
        match wire.reply_timing {
            ReplyTiming::SameSlots => "  a reply comes in the slots after its command, in which filler is sent",
            ReplyTiming::NextFrame => "  a reply comes in the next frame, while the next command is sent",
        },
    );
    line(
        page,
        match wire.spare_clocks {
            SpareClocks::Tolerated => "  spare clocks in front of a frame do no harm",
            SpareClocks::Refused => "  the device counts its clocks: a frame has to be whole bytes",
        },
    );
    line(
        page,
        match wire.shared_write {
            SharedWrite::ReadModifyWrite => "  a register with several fields is read before one of them is written",
            SharedWrite::Shadow => "  a register with several fields is written whole, from a copy of what it holds",
        },
    );
    line(page, wire.crc.map_or_else(|| "  no check".to_owned(), check));
    drawing(page, "  filler      ", wire.filler);
    if wire.idle_reply.is_empty() {
        line(page, "  idle reply  zeros");
    } else {
        drawing(page, "  idle reply  ", wire.idle_reply);
    }
}

fn in_words(mode: SpiMode) -> &'static str {
    match mode {
        SpiMode::Mode0 => "clock idles low, data taken on the first, rising edge",
        SpiMode::Mode1 => "clock idles low, data taken on the second, falling edge",
        SpiMode::Mode2 => "clock idles high, data taken on the first, falling edge",
        SpiMode::Mode3 => "clock idles high, data taken on the second, rising edge",
    }
}

fn kilo(hertz: u32) -> String {
    let text = format!("{}.{:03}", hertz / 1000, hertz % 1000);
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

fn check(crc: Crc8) -> String {
    let Crc8 { polynomial, initial, reflected, xor_out } = crc;
    let order = if reflected { "reflected" } else { "not reflected" };
    format!("  check: CRC-8, polynomial 0x{polynomial:02X}, from 0x{initial:02X}, {order}, result ^ 0x{xor_out:02X}")
}

fn command(page: &mut String, layout: &Layout, form: &CommandForm) {
    let mut title = format!("  {}", form.verb.name());
    if form.buffer_mode == BufferMode::Buffered {
        title.push_str(", buffered");
    }
    let refusals = [
        (form.refusal.while_moving, "moving"),
        (form.refusal.while_bridge_off, "bridge off"),
        (form.refusal.while_faulted, "faulted"),
    ];
    let refusals: Vec<&str> = refusals.into_iter().filter(|(is, _)| *is).map(|(_, state)| state).collect();
    if !refusals.is_empty() {
        let _ = write!(title, " (refused while {})", refusals.join(", "));
    }
    line(page, title);
    match form.request {
        Request::Word(pieces) => drawing(page, "    > ", pieces),
        Request::Writes(writes) => {
            for write in writes {
                line(page, format_args!("    > {}", self::write(layout, write)));
            }
        }
    }
    if !form.reply.is_empty() {
        drawing(page, "    < ", form.reply);
    }
    if let Request::Word(pieces) = form.request {
        arguments(page, pieces);
    }
}

fn write(layout: &Layout, write: &Write) -> String {
    let name = layout.register(write.parameter, 0).map_or(write.parameter.to_string(), |found| found.name.to_owned());
    match write.source {
        Source::Code(code) => format!("write `{name}` = {code}"),
        Source::Argument => format!("write `{name}` = the argument"),
        Source::Direction { positive, negative } => {
            format!("write `{name}` = {positive} for the positive direction, {negative} for the negative")
        }
    }
}

/// Two lines: the pieces in a row, and the bits of each below it.
fn drawing(page: &mut String, before: &str, pieces: &[Piece]) {
    let (mut drawn, mut widths) = (format!("{before}|"), " ".repeat(before.len() + 1));
    for piece in pieces {
        let (cell, bits) = (cell(piece), width(piece));
        let columns = cell.chars().count().max(bits.len());
        let _ = write!(drawn, "{cell:^columns$}|");
        let _ = write!(widths, "{bits:^columns$} ");
    }
    line(page, drawn);
    line(page, widths.trim_end());
}

fn cell(piece: &Piece) -> String {
    let span = |name: &str, lsb: u8, width: u8| format!("{name}[{}]", bits(BitField::new(lsb, width)));
    match *piece {
        Piece::Fixed { width, value } if width < 8 => format!("{value:0bits$b}", bits = usize::from(width)),
        Piece::Fixed { width, value } => format!("0x{value:0digits$X}", digits = usize::from(width.div_ceil(4))),
        Piece::Any { .. } => "-".to_owned(),
        Piece::Direction { positive } => format!("{}=+", u8::from(positive)),
        Piece::Data { lsb, width }
        | Piece::Status { lsb, width }
        | Piece::Velocity { lsb, width, .. }
        | Piece::Distance { lsb, width, .. }
        | Piece::Position { lsb, width, .. } => span(piece.name(), lsb, width),
        ref other => other.name().to_owned(),
    }
}

fn width(piece: &Piece) -> String {
    match piece {
        Piece::DataByRegister => "units".to_owned(),
        other => other.width(0).to_string(),
    }
}

/// What the codes of a word's arguments mean, once for all parts of each.
fn arguments(page: &mut String, pieces: &[Piece]) {
    let mut told: Vec<&str> = Vec::new();
    for piece in pieces {
        let (coding, unit) = match *piece {
            Piece::Velocity { coding, .. } => (coding, Unit::StepsPerSecond),
            Piece::Distance { coding, .. } | Piece::Position { coding, .. } => (coding, Unit::Microsteps),
            _ => continue,
        };
        if told.contains(&piece.name()) {
            continue;
        }
        told.push(piece.name());
        let (min, max) = coding.limits(unit);
        let (min, max) = (unit.number(min), unit.number(max));
        let (name, unit, sign) = (piece.name(), unit.word(), sign(coding.sign));
        line(page, format_args!("      {name}: {min} to {max}, step {} {unit}, {sign}", step(&coding)));
    }
}

fn sign(sign: Sign) -> &'static str {
    match sign {
        Sign::Unsigned => "unsigned",
        Sign::TwosComplement => "two's complement",
        Sign::SignMagnitude => "sign and magnitude",
    }
}

fn bits(field: BitField) -> String {
    let BitField { lsb, width } = field;
    match width {
        0 => "none".to_owned(),
        1 => lsb.to_string(),
        _ => format!("{}:{lsb}", u16::from(lsb) + u16::from(width) - 1),
    }
}

/// What one step of the code is worth, or how the codes go on.
fn step(coding: &Coding) -> String {
    let ratio = |numerator: u32, denominator: u32| match denominator {
        1 => numerator.to_string(),
        _ => format!("{numerator}/{denominator}"),
    };
    match coding.encoding {
        Encoding::Raw => "1".to_owned(),
        Encoding::Linear { numerator, denominator, .. } => ratio(numerator, denominator),
        Encoding::Reciprocal { numerator, denominator, .. } => format!("{}/code", ratio(numerator, denominator)),
        Encoding::PowerOfTwo { numerator, denominator, falling: false } => {
            format!("{} * 2^code", ratio(numerator, denominator))
        }
        Encoding::PowerOfTwo { numerator, denominator, falling: true } => {
            format!("{} / 2^code", ratio(numerator, denominator))
        }
        Encoding::Table(entries) => format!("{} values,", entries.len()),
        Encoding::MantissaExponent { numerator, denominator, mantissa_bits } => {
            format!("{} * m{mantissa_bits} * 2^e", ratio(numerator, denominator))
        }
    }
}

/// In the order of their addresses, as one looks for them.
fn registers(layout: &Layout) -> Table {
    let axis = (layout.axes > 1).then_some("axis");
    let header = ["bits", "register"].into_iter().chain(axis);
    let header = header.chain(["written", "smallest", "greatest", "step and unit", "after reset"]);
    let mut table = Table::new();
    table.load_style(ASCII_MARKDOWN).set_header(header);
    let mut registers: Vec<&Register> = layout.registers.iter().collect();
    registers.sort_by_key(|register| (register.address, register.lsb));
    for register in registers {
        let (min, max) = register.coding.limits(register.unit);
        let reset = register.value_of(register.reset).map_or("-".to_owned(), |value| value.number().to_string());
        let place = [place(register), name(register)].into_iter().chain(axis.map(|_| register.axis.to_string()));
        table.add_row(place.chain([
            access(register.access).to_owned(),
            register.unit.number(min).to_string(),
            register.unit.number(max).to_string(),
            format!("{} {}", step(&register.coding), register.unit.word()),
            format!("{reset} (0x{:X})", register.reset),
        ]));
    }
    table
}

/// Address and bits; of signed codes the rarer kind is told, too.
fn place(register: &Register) -> String {
    let sign = if register.coding.sign == Sign::SignMagnitude { " sign+mag" } else { "" };
    format!("0x{:02X}[{}]{sign}", register.address, bits(register.field()))
}

fn name(register: &Register) -> String {
    let parameter = register.parameter.to_string();
    if register.name == register.parameter.name() { parameter } else { format!("{} ({parameter})", register.name) }
}

fn access(access: Access) -> &'static str {
    match access {
        Access::ReadOnly => "never",
        Access::Always => "always",
        Access::AtStandstill => "standstill",
        Access::BridgeOff => "bridge off",
    }
}

/// From the highest bit down, flags and motion states together.
fn status(layout: &Layout) -> Table {
    let StatusLayout { flags, motion_states, .. } = layout.status;
    let mut rows: Vec<(u8, [String; 4])> = Vec::new();
    for bit in flags {
        let raised = match bit.polarity {
            Polarity::ActiveHigh => "when 1",
            Polarity::ActiveLow => "when 0",
        };
        let holding = match bit.holding {
            Holding::Live => "as it is now",
            Holding::LatchedUntil(Clearing::TakeStatus) => "until the status is taken",
            Holding::LatchedUntil(Clearing::FaultReset) => "until a fault reset",
        };
        let flag = of_axis(layout, bit.flag.name(), bit.axis);
        rows.push((bit.bit, [bit.bit.to_string(), flag, raised.to_owned(), holding.to_owned()]));
    }
    for field in motion_states {
        let digits = usize::from(field.field.width);
        let codes = MotionState::ALL.map(|state| format!("{:0digits$b} {}", field.code_of(state), state.name()));
        let name = of_axis(layout, "motion state", field.axis);
        rows.push((field.field.lsb, [bits(field.field), name, codes.join(", "), "as it is now".to_owned()]));
    }
    rows.sort_by_key(|(bit, _)| std::cmp::Reverse(*bit));
    let mut table = Table::new();
    table.load_style(ASCII_MARKDOWN).set_header(["bit", "flag", "raised", "holds"]);
    table.add_rows(rows.into_iter().map(|(_, row)| row));
    table
}

fn of_axis(layout: &Layout, name: &str, axis: u8) -> String {
    if layout.axes > 1 { format!("{name}, axis {axis}") } else { name.to_owned() }
}

fn position(page: &mut String, position: &PositionCounter) {
    let (min, max) = position.range();
    let ends = match position.wrap_around {
        WrapAround::Wraps => "goes on at the other end",
        WrapAround::Refuses => "refuses to pass its ends",
    };
    line(page, format_args!("  {} bits, {min} to {max} microsteps, {ends}", position.bits));
    let resolutions: Vec<String> = position.resolutions.iter().map(u16::to_string).collect();
    line(page, format_args!("  microsteps in a full step: {}", resolutions.join(", ")));
    if let Some(finest) = position.resolutions.iter().max().filter(|finest| **finest > 0) {
        // The counter's ends are powers of two and so are the resolutions: the quotient is exact or below one.
        let span = (max - min + 1) as f64 / f64::from(*finest);
        line(
            page,
            format_args!("  at the finest it spans {span} full steps, {} turns of a motor of 200 steps", span / 200.0),
        );
    }
}

#[cfg(test)]
mod tests {
    use stepchain::map::RegisterMap;
    use stepchain::reference::{FixedWord, Latched};

    use super::*;
    use crate::random_map;

    #[test]
    fn a_command_is_drawn_with_its_bits_below_and_its_argument_in_units() {
        let page = show(&Latched::LAYOUT);
        let drawn = "
  move relative (refused while moving)
    > |01101|0=+|00|distance[23:0]|
         5    1  2        24
      distance: 0 to 16777215, step 1 microsteps, unsigned
";
        assert!(page.contains(drawn), "{page}");
        let page = show(&FixedWord::LAYOUT);
        let drawn = "
  take status
    > |0|0000010|0x00000000|crc|
       1    7        32      8
    < |status[7:0]|0x0000|status[23:8]|crc|
            8        16        16       8
  move velocity
    > write `target velocity` = the argument
    > write `motion kind` = 1
";
        assert!(page.contains(drawn), "{page}");
    }

    /// By hand: 25 000 codes of 1/50 are 500; 2²⁴ microsteps of 1/64 are 262 144 steps, 1310.72 turns of 200.
    #[test]
    fn registers_status_and_counter_are_told_in_units() {
        let page = show(&Latched::LAYOUT);
        let has = |words: &[&str]| page.lines().any(|line| words.iter().all(|word| line.contains(word)));
        assert!(has(&["0x10[23:0]", "profile velocity", "always", "335544.3", "1/50 steps/s", "500 (0x61A8)"]));
        assert!(has(&["0x22[17:9]", "decelerating amplitude", "0.998046875", "1/512 of supply", "0.3125 (0xA0)"]));
        assert!(has(&["0x03[24:0] sign+mag", "velocity demand value", "never"]));
        assert!(has(&[" 15 ", "reset occurred", "when 0", "until the status is taken"]));
        assert!(has(&[" 3:2 ", "motion state", "00 standstill, 01 accelerating, 11 constant velocity"]));
        assert!(has(&["262144 full steps, 1310.72 turns"]));
        assert!(has(&["mode 3", "second, rising edge", "most significant bit first"]));
    }

    #[test]
    fn nothing_of_a_random_map_is_left_out() {
        for seed in 0..60 {
            let layout = random_map::layout(seed);
            let page = show(layout);
            for form in layout.commands {
                assert!(page.contains(&format!("\n  {}", form.verb.name())), "{}", form.verb.name());
            }
            for register in layout.registers {
                assert!(page.contains(&format!("| {}", place(register))) && page.contains(&name(register)), "{page}");
            }
            for bit in layout.status.flags {
                assert!(page.contains(&format!("| {}", of_axis(layout, bit.flag.name(), bit.axis))), "{page}");
            }
            let words = layout.commands.iter().filter(|form| matches!(form.request, Request::Word(_))).count();
            assert_eq!(page.matches("    > |").count(), words);
            assert!(page.lines().all(|line| line.trim_end() == line), "{page}");
        }
    }
}
