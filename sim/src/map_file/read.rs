//! From the tables of a map file to a layout, and where in the file each part of it stands.
//!
//! What is left out has the value that the driver's constructors give it. Everything read is leaked, since a
//! layout borrows for `'static`.

mod coding;
mod command;
mod piece;

use std::collections::BTreeMap;

use stepchain::map::{
    BitField, BitOrder, Crc8, Drive, Framing, Holding, Layout, MotionState, MotionStateField, Polarity,
    PositionCounter, SharedWrite, SpareClocks, SpiMode, StatusBit, StatusLayout, Wire, WrapAround,
};

pub(super) use coding::ENCODINGS;

use super::section::{At, Result, Section};
use super::words::{self, Word};

/// Where the parts of a layout stand in the file, as bytes of the text.
#[derive(Debug, Default)]
pub(super) struct Places {
    /// Sections by their name, and keys by the name of their section, a dot and their own.
    pub(super) keys: BTreeMap<&'static str, usize>,
    pub(super) registers: Vec<Entry>,
    pub(super) commands: Vec<Entry>,
    pub(super) flags: Vec<usize>,
    pub(super) motion_states: Vec<usize>,
}

/// A table of a list, and the values in it.
#[derive(Debug)]
pub(super) struct Entry {
    /// Where the table begins.
    pub(super) start: usize,
    values: BTreeMap<String, usize>,
}

impl Entry {
    fn of(table: At<'_>, section: &Section<'_>) -> Self {
        let values = section.entries().into_iter().map(|(key, value)| (key.text.to_owned(), value.offset()));
        Self { start: table.offset(), values: values.collect() }
    }

    /// Where the value of the first of these keys stands that the table has; without any, where the table begins.
    pub(super) fn value(&self, keys: &[&str]) -> usize {
        keys.iter().find_map(|key| self.values.get(*key)).copied().unwrap_or(self.start)
    }
}

impl Places {
    /// Notes where a value stands, and passes it on.
    fn note<'t>(&mut self, key: &'static str, value: At<'t>) -> At<'t> {
        self.keys.insert(key, value.offset());
        value
    }
}

pub(super) fn layout(mut file: Section<'_>) -> Result<(Layout, Places)> {
    let mut places = Places::default();
    let name = leaked(file.need("name")?.text()?);
    let axes = match file.optional("axes") {
        Some(value) => places.note("axes", value).number()?,
        None => 1,
    };
    let drive = file.word_or("drive", Drive::Voltage)?;
    let wire = wire(file.need("wire")?.section("the wire")?, &mut places)?;

    let mut registers = Vec::new();
    for entry in each(file.optional("register"), "registers")? {
        let section = entry.section("a register")?;
        places.registers.push(Entry::of(entry, &section));
        registers.push(coding::register(section)?);
    }
    let mut commands = Vec::new();
    for entry in each(file.optional("command"), "commands")? {
        let section = entry.section("a command")?;
        places.commands.push(Entry::of(entry, &section));
        commands.push(command::form(section, &registers)?);
    }
    let status = match file.optional("status") {
        Some(value) => status(value.section("the status word")?, &mut places)?,
        None => StatusLayout::NONE,
    };
    let mut layout = Layout::new(name, wire)
        .axes(axes)
        .drive(drive)
        .registers(registers.leak())
        .commands(commands.leak())
        .status(status);
    let counter = file.optional("position");
    if let Some(value) = counter {
        layout.position = position(value.section("the position counter")?, &mut places)?;
    }
    let moves = layout.commands.iter().zip(&places.commands).find(|(form, _)| form.verb.is_motion());
    if let (None, Some((form, entry))) = (counter, moves) {
        let found = format!("the motion command `{}` in a map without `[position]`", form.verb.name());
        return Err(file.unexpected(entry.start, found, "`[position]` with `bits` and `resolutions`"));
    }
    file.finish()?;
    Ok((layout, places))
}

fn wire(mut section: Section<'_>, places: &mut Places) -> Result<Wire> {
    places.keys.insert("wire", section.offset());
    let framing: Framing = section.need("framing")?.word()?;
    let unit_bits = places.note("wire.unit_bits", section.need("unit_bits")?).number()?;
    let filler = piece::list(places.note("wire.filler", section.need("filler")?))?;
    let mut wire = match framing {
        Framing::LatchedUnits => Wire::latched_units(unit_bits, filler),
        Framing::FixedWord => Wire::fixed_word(unit_bits, filler),
    };
    if let Some(value) = section.optional("mode") {
        wire.mode = mode(value)?;
    }
    wire.bit_order = section.word_or("bit_order", BitOrder::MsbFirst)?;
    if let Some(value) = section.optional("reply") {
        wire.reply_timing = places.note("wire.reply", value).word()?;
    }
    wire.spare_clocks = section.word_or("spare_clocks", SpareClocks::Tolerated)?;
    wire.shared_write = section.word_or("shared_write", SharedWrite::ReadModifyWrite)?;
    if let Some(value) = section.optional("idle_reply") {
        wire.idle_reply = piece::list(places.note("wire.idle_reply", value))?;
    }
    if let Some(value) = section.optional("crc") {
        wire.crc = Some(crc(value.section("a check")?)?);
    }
    if let Some(value) = section.optional("max_clock_hz") {
        wire.max_clock_hz = places.note("wire.max_clock_hz", value).number()?;
    }
    wire.min_deselect_ns = section.number_or("min_deselect_ns", wire.min_deselect_ns)?;
    section.finish()?;
    Ok(wire)
}

/// The mode is a word like the others, but everybody writes it as a number.
fn mode(value: At<'_>) -> Result<SpiMode> {
    let number = value.number::<u8>().ok().map(|number| number.to_string());
    number.and_then(|text| words::of(&text)).ok_or_else(|| value.instead_of(words::list::<SpiMode>()))
}

fn crc(mut section: Section<'_>) -> Result<Crc8> {
    let mut crc = Crc8::new(section.need("polynomial")?.number()?);
    crc.initial = section.number_or("initial", crc.initial)?;
    if let Some(value) = section.optional("reflected") {
        crc.reflected = value.boolean()?;
    }
    crc.xor_out = section.number_or("xor_out", crc.xor_out)?;
    section.finish()?;
    Ok(crc)
}

fn status(mut section: Section<'_>, places: &mut Places) -> Result<StatusLayout> {
    places.keys.insert("status", section.offset());
    let bits = places.note("status.bits", section.need("bits")?).number()?;
    let mut flags = Vec::new();
    for entry in each(section.optional("flags"), "flags")? {
        places.flags.push(entry.offset());
        flags.push(flag(entry.section("a flag")?)?);
    }
    let mut fields = Vec::new();
    for entry in each(section.optional("motion_states"), "motion states")? {
        places.motion_states.push(entry.offset());
        fields.push(motion_state(entry.section("a motion state")?)?);
    }
    section.finish()?;
    Ok(StatusLayout::new(bits, flags.leak()).motion_states(fields.leak()))
}

fn flag(mut section: Section<'_>) -> Result<StatusBit> {
    let flag = section.need("flag")?.word()?;
    let mut bit = StatusBit::live(flag, section.need("bit")?.number()?);
    bit.axis = section.number_or("axis", bit.axis)?;
    bit.polarity = section.word_or("active", Polarity::ActiveHigh)?;
    if let Some(value) = section.optional("latched_until") {
        bit.holding = Holding::LatchedUntil(value.word()?);
    }
    section.finish()?;
    Ok(bit)
}

fn motion_state(mut section: Section<'_>) -> Result<MotionStateField> {
    let field = BitField::new(section.need("lsb")?.number()?, section.need("bits")?.number()?);
    let axis = section.number_or("axis", 0)?;
    let mut codes = [0; 4];
    for (code, state) in codes.iter_mut().zip(MotionState::ALL) {
        *code = section.need(key_of(state))?.number()?;
    }
    section.finish()?;
    Ok(MotionStateField::new(field, codes).axis(axis))
}

/// A motion state as a bare TOML key: the driver's name for it, blanks joined.
pub(super) fn key_of(state: MotionState) -> &'static str {
    match state {
        MotionState::ConstantVelocity => "constant_velocity",
        other => other.word(),
    }
}

fn position(mut section: Section<'_>, places: &mut Places) -> Result<PositionCounter> {
    places.keys.insert("position", section.offset());
    let bits = places.note("position.bits", section.need("bits")?).number()?;
    let list = places.note("position.resolutions", section.need("resolutions")?).list("microsteps in a full step")?;
    let list: Vec<u16> = list.iter().map(At::number).collect::<Result<_>>()?;
    let mut position = PositionCounter::new(bits, list.leak());
    position.wrap_around = section.word_or("wrap_around", WrapAround::Wraps)?;
    section.finish()?;
    Ok(position)
}

/// The entries of a list; none where there is no list.
fn each<'t>(value: Option<At<'t>>, of: &str) -> Result<Vec<At<'t>>> {
    value.map_or(Ok(Vec::new()), |value| value.list(of))
}

fn leaked(text: &str) -> &'static str {
    Box::leak(text.into())
}
