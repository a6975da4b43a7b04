//! Writes down what a chain's bus, pins and axes do while they do it: a capture as a VCD file.
//!
//! ```text
//!   transactions, buses, faults of lines  ->  lines   levels of cs, sck, mosi, miso   -.
//!   devices, machine                      ->  probes  pins, position, velocity        -+->  wave  ->  any io::Write
//! ```
//!
//! **What is shown.** The bus at the controller's end, in scope `bus`: `sck` and `mosi` as the controller drives them in
//! the mode that it is set to, `miso` as it reads it, bits that flip on the way included, and floating while nothing drives
//! it. A line that is stuck is so at both ends. A bit of `mosi` that flips, a clock that gets lost and a break between two
//! devices happen farther down the line, and do not show here: a replay of the capture finds them. Then each device's
//! `busy` and `fault` in scope `device_N`, and in it for each axis `home_switch`, `step_pulses` where the map follows them,
//! `position_steps` and `velocity_steps_per_s`, and where it has a motor `rotor_steps`, `current_a_a` and `current_b_a`. Pins
//! are high while active.
//!
//! **When.** At the instants of virtual time; within a bit as [`lines`] has it. A selection that begins with the capture
//! does so a nanosecond later, so that its edge is seen. Pins and motion are looked at whenever they
//! may change, and while an axis moves also at a steady pace. Selections that [`VirtualChain::drive`] clocks at one
//! instant have no time for their bits: those cannot be shown, and are counted.
//!
//! **What it costs.** Nothing while there is no capture. What is written leaves as it comes; kept is no more than what the
//! bus has sent since the chain was looked at last.

mod lines;
mod probes;
#[cfg(test)]
mod tests;

use std::collections::BTreeMap;
use std::fmt;
use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::Path;

use stepchain::map::{BitOrder, SpiMode};

use super::VirtualChain;
use super::world::World;
use crate::capture::{Level, Line, OF_A_CHAIN};
use crate::device::Device;
use crate::inject;
use crate::wave::{Header, Signal, Value, Wave};
use crate::wire::Lines;

use lines::{Change, Levels, Run, level};
use probes::Probe;

/// Steps of the bus that may wait before the chain is looked at for their sake.
const MOST_WAITING: usize = 4096;

/// How a capture is written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CaptureOptions {
    /// How often motion and currents are looked at while an axis moves or its motor is not at rest, in nanoseconds; a
    /// millisecond at first, at least a nanosecond.
    pub sample_ns: u64,
    /// What axes are called, by device and axis; `axis_N` where nothing is said.
    pub axis_names: BTreeMap<(usize, usize), String>,
}

impl Default for CaptureOptions {
    fn default() -> Self {
        Self { sample_ns: 1_000_000, axis_names: BTreeMap::new() }
    }
}

/// What a capture that has ended holds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Captured {
    /// Clocks that are not in it, because they came without taking time, or faster than a nanosecond an edge.
    pub unshown_clocks: u64,
}

impl VirtualChain {
    /// Writes what happens from now on to a VCD file, until [`end_capture`](Self::end_capture) or until the chain's last
    /// handle is gone; so a test that fails leaves one too.
    ///
    /// ```
    /// use embedded_hal::spi::SpiDevice;
    /// use stepchain::{map::RegisterMap, reference::Latched};
    /// use stepchain_sim::capture::{self, Item, Options};
    /// use stepchain_sim::chain::VirtualChain;
    ///
    /// let path = std::env::temp_dir().join(format!("stepchain-{}.vcd", std::process::id()));
    /// let chain = VirtualChain::new(&Latched::LAYOUT, 1)?;
    /// chain.capture_to_file(&path)?;
    /// chain.spi().write(&[0xB4, 0x00])?;
    /// chain.end_capture()?;
    ///
    /// let options = Options { mode: Some(Latched::LAYOUT.wire.mode), ..Options::default() };
    /// let frames: Vec<_> = capture::open(&path, &options)?.filter_map(|item| match item {
    ///     Ok(Item::Frame(frame)) => frame.mosi,
    ///     _ => None,
    /// }).collect();
    /// assert_eq!(frames, [stepchain_sim::wire::bits_of(&[0xB4, 0x00])]);
    /// # std::fs::remove_file(&path)?;
    /// # Ok::<(), Box<dyn std::error::Error>>(())
    /// ```
    ///
    /// # Errors
    /// Those of making the file and of its header. What happens later is told by [`end_capture`](Self::end_capture).
    pub fn capture_to_file(&self, path: impl AsRef<Path>) -> io::Result<()> {
        self.capture_to(BufWriter::new(File::create(path)?), &CaptureOptions::default())
    }

    /// Writes what happens from now on to a writer, buffered or not; instead of a capture that is under way, which ends.
    ///
    /// A [fork](Self::fork) of the chain is not captured.
    ///
    /// # Errors
    /// Those of the writer, for the header and for the end of the capture before.
    pub fn capture_to(&self, out: impl Write + Send + 'static, options: &CaptureOptions) -> io::Result<()> {
        self.end_capture()?;
        self.world().begin_capture(Box::new(out), options)
    }

    /// Ends the capture at this instant. Without one, does nothing.
    ///
    /// # Errors
    /// The first error of the writer since the capture began; nothing behind it was written.
    pub fn end_capture(&self) -> io::Result<Captured> {
        let mut world = self.world();
        world.catch_up();
        let now_ns = world.now_ns();
        match world.capture.0.take() {
            Some(mut scribe) => scribe.end(now_ns),
            None => Ok(Captured::default()),
        }
    }
}

/// The capture that is under way, if any. A copy of a world has none.
#[derive(Default)]
pub(super) struct Slot(Option<Box<Scribe>>);

impl Slot {
    /// Whether a capture is under way.
    pub(super) const fn is_on(&self) -> bool {
        self.0.is_some()
    }
}

impl Clone for Slot {
    fn clone(&self) -> Self {
        Self(None)
    }
}

impl fmt::Debug for Slot {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_tuple("Slot").field(&self.is_on()).finish()
    }
}

/// What writes: the lines up to now, and the file.
struct Scribe {
    /// None once it has ended or failed.
    wave: Option<Wave<Box<dyn Write + Send>>>,
    failure: Option<io::Error>,
    levels: Levels,
    bus: [Signal; 4],
    probes: Vec<Probe>,
    sample_ns: u64,
}

impl Scribe {
    fn set(&mut self, at_ns: u64, signal: Signal, value: Value) {
        if let Some(wave) = &mut self.wave
            && let Err(error) = wave.set(at_ns, signal, value)
        {
            self.failure = Some(error);
            self.wave = None;
        }
    }

    /// Writes what the lines have done up to an instant.
    fn write_lines(&mut self, limit_ns: u64) {
        while let Some((at_ns, line, level)) = self.levels.next(limit_ns) {
            self.set(at_ns, self.bus[line as usize], Value::Level(level));
        }
    }

    fn end(&mut self, now_ns: u64) -> io::Result<Captured> {
        self.write_lines(u64::MAX);
        if let Some(wave) = self.wave.take() {
            wave.end(now_ns)?;
        }
        match self.failure.take() {
            Some(error) => Err(error),
            None => Ok(Captured { unshown_clocks: self.levels.unshown() }),
        }
    }
}

impl Drop for Scribe {
    /// The end that nobody has asked for; nobody is left to hear of an error.
    fn drop(&mut self) {
        let _ = self.end(0);
    }
}

impl World {
    fn begin_capture(&mut self, out: Box<dyn Write + Send>, options: &CaptureOptions) -> io::Result<()> {
        self.settle_bus();
        self.catch_up();
        let now_ns = self.now_ns();
        let mut header = Header::new(&self.captured_chain());
        let bus = Line::ALL.map(|line| header.level("bus", line.name()));
        let probes = probes::probes(self, options, &mut header);
        let wave = Some(Wave::begin(out, &header)?);
        let lines = Lines { cs: !self.registers.is_selected(), ..self.registers.controller_lines() };
        let miso = self.registers.miso().map_or(Level::Floating, level);
        let stuck = Line::ALL.map(|line| self.stuck_at(line));
        let levels = Levels::new(now_ns, self.registers.controller_mode(), lines, miso, stuck);
        let sample_ns = options.sample_ns.max(1);
        self.capture.0 = Some(Box::new(Scribe { wave, failure: None, levels, bus, probes, sample_ns }));
        let Some(scribe) = &mut self.capture.0 else { return Ok(()) };
        for line in Line::ALL {
            let now = scribe.levels.at(line);
            scribe.set(now_ns, scribe.bus[line as usize], Value::Level(now));
        }
        self.show(now_ns);
        Ok(())
    }

    /// What was captured, in words.
    fn captured_chain(&self) -> String {
        let names: Vec<_> = self.devices.iter().map(|device| device.layout().name).collect();
        let is_one = names.windows(2).all(|pair| pair[0] == pair[1]);
        let maps = if is_one { names.first().copied().unwrap_or_default().to_owned() } else { names.join(", ") };
        let wire = self.devices.first().map(|device| device.layout().wire);
        let order = wire.map_or("msb", |wire| if wire.bit_order == BitOrder::MsbFirst { "msb" } else { "lsb" });
        let mode = self.registers.controller_mode() as u8;
        format!("{OF_A_CHAIN}map {maps}; devices {}; mode {mode}; bit order {order}; cs active low", names.len())
    }

    /// Chip select is where the registers have it now, and so is what drives MISO.
    pub(super) fn note_select(&mut self, at_ns: u64) {
        if let Some(scribe) = &mut self.capture.0 {
            let miso = self.registers.miso().map_or(Level::Floating, level);
            scribe.levels.push(Change::Level(at_ns, Line::Cs, level(!self.registers.is_selected())));
            scribe.levels.push(Change::Level(at_ns, Line::Miso, miso));
        }
    }

    /// Bits have been clocked, the first of them `before` bits' time after `base_ns`.
    pub(super) fn note_bits(&mut self, base_ns: u64, before: u64, sent: &[bool], came: &[bool]) {
        let clock_hz = self.clock_hz;
        let is_driven = self.registers.is_selected();
        if let Some(scribe) = &mut self.capture.0 {
            let (mosi, miso) = (sent.to_vec(), is_driven.then(|| came.to_vec()));
            scribe.levels.push(Change::Bits(Run { base_ns, before, clock_hz, mosi, miso }, 0));
            if scribe.levels.waiting() > MOST_WAITING && !self.player.is_playing() {
                self.reach(self.now_ns());
            }
        }
    }

    /// Bits have been clocked that took no time.
    pub(super) fn note_untimed(&mut self, bits: usize) {
        if let Some(scribe) = &mut self.capture.0 {
            scribe.levels.leave_out(bits as u64);
        }
    }

    /// The controller is set to another mode.
    pub(super) fn note_mode(&mut self, mode: SpiMode) {
        let now_ns = self.now_ns();
        if let Some(scribe) = &mut self.capture.0 {
            scribe.levels.push(Change::Mode(now_ns, mode));
        }
    }

    /// A line is stuck from now on, or no longer.
    pub(super) fn note_stuck(&mut self, line: inject::Line, at_ns: u64) {
        let shown = Line::ALL.into_iter().find(|&shown| line_of(shown) == line);
        let Some((shown, held)) = shown.map(|shown| (shown, self.stuck_at(shown))) else { return };
        if let Some(scribe) = &mut self.capture.0 {
            scribe.levels.push(Change::Stuck(at_ns, shown, held));
        }
    }

    /// Where a fault holds a line now. Chip select is always where the registers have it.
    fn stuck_at(&self, line: Line) -> Option<Level> {
        self.player.stuck(line_of(line)).filter(|_| line != Line::Cs).map(level)
    }

    /// Writes what can be seen at an instant up to which everything has happened.
    pub(super) fn show(&mut self, at_ns: u64) {
        let Some(mut scribe) = self.capture.0.take() else { return };
        scribe.write_lines(at_ns);
        for place in 0..scribe.probes.len() {
            let Some(probe) = scribe.probes.get(place) else { break };
            let (signal, value) = (probe.signal, probe.value(self, at_ns));
            if let Some(value) = value {
                scribe.set(at_ns, signal, value);
            }
        }
        self.capture.0 = Some(scribe);
    }

    /// When motion is to be looked at next, if any axis moves.
    pub(super) fn next_sample_after(&self, at_ns: u64) -> Option<u64> {
        let sample_ns = self.capture.0.as_ref()?.sample_ns;
        let moves = |device: &Device| device.axes().iter().any(|axis| axis.is_moving(at_ns)) || !device.is_settled();
        self.devices.iter().any(moves).then(|| (at_ns / sample_ns + 1).saturating_mul(sample_ns))
    }
}

/// A line of the bus as faults name it.
const fn line_of(line: Line) -> inject::Line {
    match line {
        Line::Cs => inject::Line::Cs,
        Line::Sck => inject::Line::Sck,
        Line::Mosi => inject::Line::Mosi,
        Line::Miso => inject::Line::Miso,
    }
}
