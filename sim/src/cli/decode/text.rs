//! Text for a person who reads in a hurry: one line a command, columns in line, the chain in sight.

use stepchain::map::{BufferMode, Framing, SpareClocks};

use super::show::{Show, hex, name};
use super::{Chain, Counts, Level};
use crate::capture::{Asked, Exchange, Facts, FieldValue, Frame, Line, Reply, Seconds, Trouble, Word};
use crate::cli::{Failure, Output};
use crate::report::number;

/// Devices that are drawn one by one; of a longer chain only the number is told.
const DRAWN: usize = 16;

pub(super) struct Text {
    level: Level,
    devices: usize,
    origin_ns: i64,
    /// Commands of one latch, told once the next latch is known, with what is wrong in between.
    group: Vec<Exchange>,
}

impl Text {
    pub(super) fn new(level: Level, devices: usize, origin_ns: i64) -> Self {
        Self { level, devices, origin_ns, group: Vec::new() }
    }

    fn time(&self, ns: i64) -> String {
        format!("{:>14}", Seconds(ns - self.origin_ns))
    }

    fn chain(&self, device: usize) -> String {
        if self.devices > DRAWN {
            return format!("{device:>5}");
        }
        let sign = |place| if place == device { char::from_digit(device as u32, 16).unwrap_or('*') } else { '·' };
        let drawn: String = (0..self.devices).map(sign).collect();
        format!("{drawn:<5}")
    }

    fn tell_group(&mut self, output: &mut Output<'_>) -> Result<(), Failure> {
        let group = std::mem::take(&mut self.group);
        let last = group.len().saturating_sub(1);
        for (place, exchange) in group.iter().enumerate() {
            let bracket = match (place, last) {
                (_, 0) => ' ',
                (0, _) => '┌',
                (place, last) if place == last => '└',
                _ => '├',
            };
            let (time, chain) = (self.time(exchange.latched_ns), self.chain(exchange.device));
            let mut line = format!("{bracket} {time} {:>7}  {chain}  {}", exchange.frames.1, told(exchange));
            if let Some(reply) = &exchange.reply {
                line = format!("{line} -> {}", answer(reply));
            }
            for note in &exchange.notes {
                line = format!("{line}  # {note}");
            }
            writeln!(output.out, "{}", line.trim_end())?;
        }
        Ok(())
    }
}

impl Show for Text {
    fn begin(
        &mut self,
        file: &str,
        facts: &Facts,
        chain: Option<&Chain>,
        output: &mut Output<'_>,
    ) -> Result<(), Failure> {
        let out = &mut output.out;
        write!(out, "{file}: {}", facts.format)?;
        if !facts.signals.is_empty() {
            let lines: Vec<_> = facts.signals.iter().map(|(line, name)| format!("{line} = {name}")).collect();
            write!(out, ", mode {}; {}", facts.mode as u8, lines.join(", "))?;
        }
        writeln!(out)?;
        if let Some(clock_ns) = facts.pace.clock_ns().filter(|clock| *clock > 0) {
            let kilohertz = number(1e6 / clock_ns as f64);
            writeln!(out, "Clock about {kilohertz} kHz; pulses below {} ns are left out.", facts.min_pulse_ns)?;
        }
        if let Some(gap) = facts.idle_gap_ns {
            writeln!(out, "No {}: a frame ends where the clock rests for more than {gap} ns.", Line::Cs)?;
        }
        if let Some(Chain { layout, devices, .. }) = chain {
            let framing = match layout.wire.framing {
                Framing::LatchedUnits => "latched units",
                Framing::FixedWord => "fixed words",
            };
            let spare = match layout.wire.spare_clocks {
                SpareClocks::Tolerated => "",
                SpareClocks::Refused => ", which count their clocks",
            };
            let (name, bits) = (layout.name, layout.wire.unit_bits);
            writeln!(out, "Chain: {devices} × `{name}`, {framing} of {bits} bits{spare}.")?;
        }
        writeln!(out)?;
        match self.level {
            Level::Frames => writeln!(out, "         start, s    frame    bits  mosi > miso")?,
            Level::Words => {
                let unit = chain.map_or(0, |chain| usize::from(chain.layout.wire.unit_bits).div_ceil(8) * 4 + 3);
                let heads: Vec<_> =
                    (0..self.devices).map(|device| format!("{:<unit$}", format!("device {device}"))).collect();
                let line = format!("         start, s    frame  {}", heads.join("   "));
                writeln!(out, "{}", line.trim_end())?;
            }
            Level::Commands => writeln!(out, "        latch, s   frame  chain  command")?,
        }
        Ok(())
    }

    fn frame(&mut self, frame: &Frame, output: &mut Output<'_>) -> Result<(), Failure> {
        let side = |bits: &Option<Vec<bool>>| bits.as_deref().map_or("-".to_owned(), spaced);
        let cut = if frame.complete { "" } else { "  (incomplete)" };
        let (time, number, bits) = (self.time(frame.start_ns), frame.number, frame.bits());
        let (mosi, miso) = (side(&frame.mosi), side(&frame.miso));
        Ok(writeln!(output.out, "  {time:>15} {number:>8} {bits:>7}  {mosi} > {miso}{cut}")?)
    }

    fn words(&mut self, frame: &Frame, words: &[Word<'_>], output: &mut Output<'_>) -> Result<(), Failure> {
        let side = |bits: Option<&[bool]>| bits.map_or("-".to_owned(), hex);
        let word = |word: &Word<'_>| format!("{} > {}", side(word.mosi), side(word.miso));
        let told: Vec<_> = words.iter().map(word).collect();
        let cut = if frame.complete { "" } else { "  (incomplete)" };
        let (time, number) = (self.time(frame.start_ns), frame.number);
        Ok(writeln!(output.out, "  {time:>15} {number:>8}  {}{cut}", told.join("   "))?)
    }

    fn exchange(&mut self, exchange: &Exchange, output: &mut Output<'_>) -> Result<(), Failure> {
        if self.group.last().is_some_and(|last| last.frames.1 != exchange.frames.1) {
            self.tell_group(output)?;
        }
        self.group.push(exchange.clone());
        Ok(())
    }

    fn trouble(&mut self, trouble: &Trouble, output: &mut Output<'_>) -> Result<(), Failure> {
        self.tell_group(output)?;
        let frame = trouble.frame.map_or(String::new(), |frame| frame.to_string());
        Ok(writeln!(output.out, "! {} {frame:>7}  {}", self.time(trouble.time_ns), trouble.kind)?)
    }

    fn end(&mut self, counts: &Counts, output: &mut Output<'_>) -> Result<(), Failure> {
        self.tell_group(output)?;
        let plural = |count: u64, what: &str| format!("{count} {what}{}", if count == 1 { "" } else { "s" });
        let mut parts = vec![plural(counts.frames, "frame")];
        if self.level == Level::Commands {
            parts.push(plural(counts.exchanges, "command"));
        }
        match (counts.troubles, counts.strange) {
            (0, 0) => parts.push("nothing wrong".to_owned()),
            (troubles, strange) => {
                if troubles > 0 {
                    parts.push(format!("{} with the recording", plural(troubles, "trouble")));
                }
                if strange > 0 {
                    parts.push(format!("{} not as the map has it", plural(strange, "word")));
                }
            }
        }
        Ok(writeln!(output.out, "\n{}.", parts.join(", "))?)
    }
}

/// Bytes apart from one another.
fn spaced(bits: &[bool]) -> String {
    bits.chunks(8).map(hex).collect::<Vec<_>>().join(" ")
}

/// What a command asks, and what was answered.
pub(in crate::cli) fn told_of(exchange: &Exchange) -> (String, Option<String>) {
    (told(exchange), exchange.reply.as_ref().map(answer))
}

fn told(exchange: &Exchange) -> String {
    let units = || exchange.units.iter().map(|unit| format!("{unit:#x}")).collect::<Vec<_>>().join(" ");
    match &exchange.asked {
        Asked::Read { address, names } if names.is_empty() => format!("read register {address:#04x}"),
        Asked::Read { names, .. } => format!("read {}", names.join(", ")),
        Asked::Write { address, content, values, .. } if values.is_empty() => {
            format!("write register {address:#04x} = {content:#x}")
        }
        Asked::Write { values, sets_going, .. } => {
            let written = values.iter().map(|value| format!("{} = {}", value.name, shown(value)));
            let going = sets_going.as_ref().map_or(String::new(), |asked| format!(" => {}", command(asked)));
            format!("write {}{going}", written.collect::<Vec<_>>().join(", "))
        }
        asked @ Asked::Command { .. } => command(asked),
        other => format!("{}: {}", name(other), units()),
    }
}

fn command(asked: &Asked) -> String {
    let Asked::Command { verb, buffer_mode, axis, argument } = asked else { return name(asked).to_owned() };
    let axis = if *axis > 0 { format!(", axis {axis}") } else { String::new() };
    let waits = if *buffer_mode == BufferMode::Buffered { ", buffered" } else { "" };
    let argument = match argument {
        None => String::new(),
        Some(FieldValue { name: "direction", value, .. }) => {
            format!(" {}", if value.is_some_and(|value| value < 0.0) { "negative" } else { "positive" })
        }
        Some(value) => format!(" {}", shown(value)),
    };
    format!("{}{argument}{axis}{waits}", verb.name())
}

/// A value with its unit; a code that means nothing as it is.
fn shown(value: &FieldValue) -> String {
    let Some(quantity) = value.value else { return format!("code {:#x}", value.code) };
    let told = format!("{} {}", number(quantity), value.unit);
    match value.microsteps {
        Some(microsteps) => format!("{told} ({} microsteps)", number(microsteps)),
        None => told.trim_end().to_owned(),
    }
}

fn answer(reply: &Reply) -> String {
    let mut parts = Vec::new();
    match &reply.values[..] {
        [] => {}
        [only] => parts.push(shown(only)),
        several => parts.extend(several.iter().map(|value| format!("{} {}", value.name, shown(value)))),
    }
    if reply.values.is_empty()
        && let Some(content) = reply.content.filter(|content| *content != 0)
    {
        parts.push(format!("{content:#x}"));
    }
    if reply.status.is_some() {
        let states = reply.states.iter().map(|(_, state)| state.name());
        let flags = reply.flags.iter().map(|(flag, _)| flag.name());
        let told: Vec<_> = states.chain(flags).collect();
        parts.push(if told.is_empty() { "no flag".to_owned() } else { format!("[{}]", told.join(", ")) });
    }
    if parts.is_empty() { "nothing".to_owned() } else { parts.join(" ") }
}
