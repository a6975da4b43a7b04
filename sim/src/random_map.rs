//! Register maps drawn by lot: valid layouts of every shape that a map can have, for tests of whatever reads a map.
//!
//! A seed gives one layout, the same on every machine. Drawn are the framing, the unit's width, opcodes and options,
//! arguments whole or in parts, addresses, shared registers, codings, replies, the status word, the check, the
//! number of axes; two maps have hardly anything in common. Every map has a form for reading and writing a parameter,
//! peeking and taking the status, moving by velocity, by distance and to a position the shortest way, all nine stops
//! and homing on the current position, each as one word or as register writes; and registers for profile velocity,
//! acceleration and deceleration. Searches, returns, pulse input, resets and moves that wait are there now and then.
//!
//! ```text
//!   seed --[dice]--> style --> registers --> commands, status --> words padded to units --> Layout, if valid
//! ```
//!
//! Knows the rules of a valid layout well enough to keep them mostly; [`Layout::validate`] has the last word.

mod coding;
mod commands;
mod registers;
mod status;
mod words;

use stepchain::map::{BitOrder, Crc8, Drive, Framing, Layout, PositionCounter, ReplyTiming, SpiMode, Wire, WrapAround};

use crate::dice::Dice;

/// The layout that belongs to a seed; always valid.
///
/// The layout is leaked, some kilobytes with each call. Where a map tolerates no spare clocks, not every number of
/// devices can be framed: ask [`Layout::can_frame`].
#[must_use]
pub fn layout(seed: u64) -> &'static Layout {
    let mut attempt = 0;
    loop {
        if let Some(layout) = draw(seed, attempt).filter(|layout| layout.validate().is_ok()) {
            return Box::leak(Box::new(layout));
        }
        attempt += 1;
    }
}

/// A layout that belongs to a seed and can stand in one chain with devices of the given wire: units of the same width,
/// mode, bit order and framing; all else is drawn as for [`layout`].
///
/// `None` if none was found in some hundred draws, as for words of a few bits. Leaked likewise.
#[must_use]
pub fn layout_on(seed: u64, wire: &Wire) -> Option<&'static Layout> {
    let drawn = (0..400).find_map(|attempt| draw_on(seed, attempt, Some(wire)).filter(|it| it.validate().is_ok()))?;
    Some(Box::leak(Box::new(drawn)))
}

/// What the parts of a map have to agree on before any of them is drawn.
#[derive(Clone, Copy, Debug)]
struct Style {
    framing: Framing,
    /// Bits in a unit of latched units; the most that a fixed word may have.
    unit_bits: u8,
    axes: u8,
    drive: Drive,
    crc: Option<Crc8>,
    counter_bits: u8,
    /// No code and no register's content is wider.
    code_bits: u8,
    status_bits: u8,
    /// Reading and writing differ in a bit, the rest in their address, and every command is made of writes.
    told_by_address: bool,
    motion_by_writes: bool,
    stops_by_writes: bool,
    home: Home,
}

/// How the present place is made zero.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Home {
    Word,
    /// By a write of the motion kind.
    Kind,
    /// By writing zero to the counter itself.
    Counter,
}

impl Style {
    fn draw(dice: &mut Dice, form: Option<&Wire>) -> Self {
        let drawn = dice.pick(&[Framing::LatchedUnits, Framing::FixedWord]);
        let framing = form.map_or(drawn, |form| form.framing);
        let fixed = framing == Framing::FixedWord;
        let told_by_address = dice.chance(if fixed { 2 } else { 8 });
        // Half of the fixed words are kept short.
        let widest = if fixed && dice.chance(2) { 14 } else { 32 };
        let code_bits = dice.between(10, widest) as u8;
        let unit_bits = match dice.below(4) {
            _ if fixed => 64,
            0 => dice.pick(&[8, 16, 24, 32]),
            1 => dice.between(1, 7) as u8,
            _ => dice.between(1, 64) as u8,
        };
        let unit_bits = form.map_or(unit_bits, |form| form.unit_bits);
        Self {
            framing,
            unit_bits,
            axes: dice.pick(&[1, 1, 2, 3]),
            drive: dice.pick(&[Drive::Voltage, Drive::Current]),
            crc: dice.chance(2).then(|| crc(dice)),
            counter_bits: dice.between(8, u64::from(code_bits)) as u8,
            code_bits,
            status_bits: dice.between(4, if fixed { 40 } else { 64 }) as u8,
            told_by_address,
            motion_by_writes: told_by_address || dice.chance(4),
            stops_by_writes: told_by_address || dice.chance(4),
            home: match dice.below(4) {
                0 => Home::Counter,
                1 => Home::Kind,
                _ if told_by_address => Home::Kind,
                _ => Home::Word,
            },
        }
    }
}

fn crc(dice: &mut Dice) -> Crc8 {
    // A polynomial without its lowest bit checks less than eight bits.
    let mut crc = Crc8::new(dice.below(256) as u8 | 1).initial(dice.below(256) as u8).xor_out(dice.below(256) as u8);
    crc.reflected = dice.chance(2);
    crc
}

/// One draw, which may break a rule.
fn draw(seed: u64, attempt: u64) -> Option<Layout> {
    draw_on(seed, attempt, None)
}

/// As [`draw`], on a given form of wire; `None` if the words are too wide for it.
fn draw_on(seed: u64, attempt: u64, form: Option<&Wire>) -> Option<Layout> {
    let mut dice = Dice::new(seed, attempt);
    let style = Style::draw(&mut dice, form);
    let (registers, resolutions) = registers::draw(&mut dice, &style);
    let status = status::draw(&mut dice, &style);
    let plan = commands::draw(&mut dice, &style, &registers);
    let unit_bits = match style.framing {
        Framing::LatchedUnits => style.unit_bits,
        Framing::FixedWord if plan.most_bits() > style.unit_bits => return None,
        Framing::FixedWord if form.is_some() => style.unit_bits,
        Framing::FixedWord if dice.chance(2) => plan.most_bits(),
        Framing::FixedWord => dice.between(u64::from(plan.most_bits()), 64) as u8,
    };
    let (filler, commands) = plan.commands(&mut dice, unit_bits);
    let mut wire = match style.framing {
        Framing::LatchedUnits => Wire::latched_units(unit_bits, filler),
        Framing::FixedWord => Wire::fixed_word(unit_bits, filler),
    };
    wire.idle_reply = words::idle_reply(&mut dice, &style, unit_bits);
    wire.crc = style.crc;
    wire.mode = dice.pick(&[SpiMode::Mode0, SpiMode::Mode1, SpiMode::Mode2, SpiMode::Mode3]);
    wire.bit_order = dice.pick(&[BitOrder::MsbFirst, BitOrder::LsbFirst]);
    if let Some(form) = form {
        (wire.mode, wire.bit_order) = (form.mode, form.bit_order);
    }
    if style.framing == Framing::LatchedUnits {
        wire.reply_timing = dice.pick(&[ReplyTiming::SameSlots, ReplyTiming::NextFrame]);
    }
    if dice.chance(4) {
        wire = wire.no_spare_clocks();
    }
    wire = wire.timing(dice.between(100_000, 20_000_000) as u32, dice.below(5_000) as u32);
    let mut position = PositionCounter::new(style.counter_bits, resolutions);
    position.wrap_around = dice.pick(&[WrapAround::Wraps, WrapAround::Refuses]);
    let name = format!("random {seed}");
    let layout = Layout::new(name.leak(), wire).axes(style.axes).drive(style.drive);
    Some(layout.registers(registers.leak()).commands(commands).status(status).position(position))
}

#[cfg(test)]
mod tests;
