//! Turns levels of the lines into what daisy-chained devices hold and drive, whatever modes the two ends are set to.
//!
//! [`ShiftRegisters`](super::ShiftRegisters) count whole clocks, which is all that matters while the controller and
//! the devices agree on the SPI mode. Here is what happens if they do not. A device is two flip-flops and a register:
//!
//! ```text
//!   in -> [ register of U bits ] -> [ output ] -> out        cs, sck: common to all
//!             moves on the              follows the register's front on
//!             capturing edge            the other edge
//! ```
//!
//! * A device captures on the rising edge in modes 0 and 3, on the falling edge in modes 1 and 2.
//! * When it is selected, a device of phase 0 (modes 0 and 2) shows its first bit at once; one of phase 1 drives low
//!   until its first edge.
//! * Only edges while chip select is low count: a level of the clock that is there already when chip select falls is
//!   no edge.
//! * Where a line changes in the same instant as the clock, what was there before the edge counts. In a real circuit
//!   that is a race, and may go either way.
//!
//! So comes of a controller in one mode and devices in another:
//!
//! | controller | devices 0 | devices 1 | devices 2 | devices 3 |
//! | --- | --- | --- | --- | --- |
//! | mode 0 | right | MISO late | MISO late | first bits lost |
//! | mode 1 | MOSI late | right | right | MOSI late, first bits lost |
//! | mode 2 | MISO late | first bits lost | right | MISO late |
//! | mode 3 | right | MOSI late, first bits lost | MOSI late | right |
//!
//! *MISO late*: the controller gets each bit one clock late, and before it low or, where the phase is right, the first
//! bit twice. *MOSI late*: the devices get each bit one clock late, and before it what MOSI was left at. *First bits
//! lost*: the first bit of each device reads low, for the controller and for the next device; all others are right.
//!
//! Knows levels and their order; knows no time, no unit's meaning, no bytes.

use std::collections::VecDeque;

use embedded_hal::spi::{Mode, Phase, Polarity};
use stepchain::map::SpiMode;

/// The levels of the lines that a device hears; `true` is high.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Lines {
    /// Chip select, low while selected.
    pub cs: bool,
    /// The clock.
    pub sck: bool,
    /// The controller's data output.
    pub mosi: bool,
}

/// One device: its register, whose front leaves next, and its output.
#[derive(Clone, Debug)]
struct Stage {
    register: VecDeque<bool>,
    output: bool,
}

/// The registers of a whole chain, moved by edges.
///
/// ```
/// use stepchain::map::SpiMode;
/// use stepchain_sim::wire::{Driver, EdgeRegisters};
///
/// // One device of 4 bits in mode 0, and a controller that was set to mode 1 by mistake.
/// let mut device = EdgeRegisters::new(SpiMode::Mode0, [vec![true, false, true, true]]);
/// let mut controller = Driver::new(SpiMode::Mode1);
/// controller.select(&mut device);
/// let miso = [false, true, true, false].map(|bit| controller.clock(bit, &mut device));
/// assert_eq!(miso, [true, false, true, true], "the controller hears right");
/// assert_eq!(device.bits(), [false, false, true, true], "the device hears a clock late");
/// ```
#[derive(Clone, Debug)]
pub struct EdgeRegisters {
    mode: SpiMode,
    /// Device 0 first.
    stages: Vec<Stage>,
    lines: Lines,
    clocks: u64,
}

impl EdgeRegisters {
    /// Devices in this mode that hold these bits, device 0 first, of each the bit first that leaves first; not selected,
    /// with the clock at rest and MOSI low.
    #[must_use]
    pub fn new(mode: SpiMode, registers: impl IntoIterator<Item = Vec<bool>>) -> Self {
        let stages = registers.into_iter().map(|bits| Stage { register: bits.into(), output: false }).collect();
        Self { mode, stages, lines: Lines { cs: true, sck: rests_high(mode), mosi: false }, clocks: 0 }
    }

    /// The lines take these levels.
    ///
    /// A clock that moves in the same instant as chip select is not heard.
    pub fn set(&mut self, lines: Lines) {
        let before = std::mem::replace(&mut self.lines, lines);
        if before.cs && !lines.cs {
            self.clocks = 0;
            self.begin();
        } else if !before.cs && !lines.cs && before.sck != lines.sck {
            self.edge(lines.sck, before.mosi);
        }
    }

    /// The level that the farthest device drives; `None` while it is not selected and drives nothing.
    #[must_use]
    pub fn miso(&self) -> Option<bool> {
        // A chain of no devices is a wire.
        (!self.lines.cs).then(|| self.stages.last().map_or(self.lines.mosi, |stage| stage.output))
    }

    /// The levels of the lines.
    #[must_use]
    pub const fn lines(&self) -> Lines {
        self.lines
    }

    /// Capturing edges since chip select fell.
    #[must_use]
    pub const fn clocks(&self) -> u64 {
        self.clocks
    }

    /// What the devices hold, in the order in which it leaves: the farthest device first.
    #[must_use]
    pub fn bits(&self) -> Vec<bool> {
        self.stages.iter().rev().flat_map(|stage| stage.register.iter().copied()).collect()
    }

    /// Puts other bits into one device, of which the first leaves first; its output is not touched.
    pub(super) fn load_device(&mut self, device: usize, bits: VecDeque<bool>) {
        if let Some(stage) = self.stages.get_mut(device) {
            stage.register = bits;
        }
    }

    /// Puts another bit in the place of the one that a device has captured last; gives what was there. A device that is not
    /// there has captured nothing.
    pub(super) fn replace_arrival(&mut self, device: usize, bit: bool) -> Option<bool> {
        let last = self.stages.get_mut(device)?.register.back_mut()?;
        Some(std::mem::replace(last, bit))
    }

    /// Takes up a selection that went on by whole clocks: what each output was left at by them, device 0 first.
    pub(super) fn resume(&mut self, lines: Lines, clocks: u64, left_last: &[bool]) {
        self.lines = lines;
        self.clocks = clocks;
        self.begin();
        if shows_first_bit_at_once(self.mode) || clocks == 0 {
            return;
        }
        for (stage, &bit) in self.stages.iter_mut().zip(left_last) {
            stage.output = bit;
        }
    }

    fn begin(&mut self) {
        let at_once = shows_first_bit_at_once(self.mode);
        for stage in &mut self.stages {
            stage.output = at_once && stage.register.front().copied().unwrap_or(false);
        }
    }

    fn edge(&mut self, rising: bool, mosi: bool) {
        if rising != captures_on_rising(self.mode) {
            for stage in &mut self.stages {
                stage.output = stage.register.front().copied().unwrap_or(stage.output);
            }
            return;
        }
        self.clocks += 1;
        let mut input = mosi;
        for stage in &mut self.stages {
            stage.register.push_back(input);
            stage.register.pop_front();
            input = stage.output;
        }
    }
}

/// The controller's end of the lines: makes edges of bits, in the mode that it is set to.
#[derive(Clone, Copy, Debug)]
pub struct Driver {
    pub(super) mode: SpiMode,
    /// The level that MOSI was left at.
    pub(super) mosi: bool,
}

impl Driver {
    /// A controller in this mode; MOSI rests low.
    #[must_use]
    pub const fn new(mode: SpiMode) -> Self {
        Self { mode, mosi: false }
    }

    /// The mode.
    #[must_use]
    pub const fn mode(&self) -> SpiMode {
        self.mode
    }

    /// The controller is set to another mode. Its clock goes to where it rests in that mode; devices that are selected
    /// meanwhile take that for an edge.
    pub fn set_mode(&mut self, mode: SpiMode, devices: &mut EdgeRegisters) {
        self.mode = mode;
        devices.set(Lines { sck: rests_high(mode), ..devices.lines() });
    }

    /// Chip select falls, with the clock at rest.
    pub fn select(&self, devices: &mut EdgeRegisters) {
        devices.set(self.at_rest(true));
        devices.set(self.at_rest(false));
    }

    /// Chip select rises.
    pub fn deselect(&self, devices: &mut EdgeRegisters) {
        devices.set(self.at_rest(true));
    }

    /// One clock: sends a bit, and gives the level that MISO had just before the capturing edge; low if nothing
    /// drives it.
    pub fn clock(&mut self, bit: bool, devices: &mut EdgeRegisters) -> bool {
        let rest = devices.lines();
        let Lines { cs, .. } = rest;
        let (idle, active) = (rests_high(self.mode), !rests_high(self.mode));
        let came;
        if shows_first_bit_at_once(self.mode) {
            devices.set(Lines { cs, sck: idle, mosi: bit });
            came = devices.miso();
            devices.set(Lines { cs, sck: active, mosi: bit });
        } else {
            devices.set(Lines { cs, sck: active, mosi: self.mosi });
            devices.set(Lines { cs, sck: active, mosi: bit });
            came = devices.miso();
        }
        devices.set(Lines { cs, sck: idle, mosi: bit });
        self.mosi = bit;
        came.unwrap_or(false)
    }

    pub(super) fn at_rest(&self, cs: bool) -> Lines {
        Lines { cs, sck: rests_high(self.mode), mosi: self.mosi }
    }
}

fn rests_high(mode: SpiMode) -> bool {
    mode.to_hal().polarity == Polarity::IdleHigh
}

pub(super) fn shows_first_bit_at_once(mode: SpiMode) -> bool {
    mode.to_hal().phase == Phase::CaptureOnFirstTransition
}

/// The first transition goes away from the level at rest, the second back to it.
fn captures_on_rising(mode: SpiMode) -> bool {
    matches!(
        mode.to_hal(),
        Mode { polarity: Polarity::IdleLow, phase: Phase::CaptureOnFirstTransition }
            | Mode { polarity: Polarity::IdleHigh, phase: Phase::CaptureOnSecondTransition }
    )
}

#[cfg(test)]
mod tests {
    use super::SpiMode::{Mode0, Mode1, Mode2, Mode3};
    use super::*;

    fn bits(text: &str) -> Vec<bool> {
        text.chars().filter(|letter| *letter != ' ').map(|letter| letter == '1').collect()
    }

    /// Two devices of four bits, 0110 in device 0 and 1011 in device 1, are sent ten bits; MOSI was left high.
    fn exchange(controller: SpiMode, devices: SpiMode) -> (Vec<bool>, Vec<bool>) {
        let mut chain = EdgeRegisters::new(devices, [bits("0110"), bits("1011")]);
        let mut driver = Driver { mosi: true, ..Driver::new(controller) };
        driver.select(&mut chain);
        let miso = bits("0100 1101 00").into_iter().map(|bit| driver.clock(bit, &mut chain)).collect();
        driver.deselect(&mut chain);
        assert_eq!((chain.clocks(), chain.miso()), (10, None), "{controller:?} to {devices:?}");
        (miso, chain.bits())
    }

    /// By hand, from the rules in the module's text.
    #[test]
    fn each_of_the_sixteen_pairs_of_modes_is_heard_as_the_table_says() {
        let right = ("1011 0110 01", "0011 0100");
        let miso_late_first_twice = ("1101 1011 00", "0011 0100");
        let miso_late = ("0101 1011 00", "0011 0100");
        let mosi_late = ("1011 0110 10", "1001 1010");
        // The first bit of device 1 for the controller, and that of device 0 (which is zero anyway) for device 1.
        let first_lost = ("0011 0110 01", "0011 0100");
        let mosi_late_first_lost = ("0011 0110 10", "1001 1010");
        for (controller, expected) in [
            (Mode0, [right, miso_late, miso_late_first_twice, first_lost]),
            (Mode1, [mosi_late, right, right, mosi_late_first_lost]),
            (Mode2, [miso_late_first_twice, first_lost, right, miso_late]),
            (Mode3, [right, mosi_late_first_lost, mosi_late, right]),
        ] {
            for (devices, (miso, held)) in [Mode0, Mode1, Mode2, Mode3].into_iter().zip(expected) {
                let came = exchange(controller, devices);
                assert_eq!(came, (bits(miso), bits(held)), "controller {controller:?}, devices {devices:?}");
            }
        }
    }

    #[test]
    fn the_first_bit_of_every_device_is_lost_to_its_neighbour_too() {
        let mut chain = EdgeRegisters::new(Mode3, [bits("1111"), bits("1111"), bits("1111")]);
        let mut driver = Driver::new(Mode0);
        driver.select(&mut chain);
        let miso: Vec<_> = (0..12).map(|_| driver.clock(true, &mut chain)).collect();
        assert_eq!(miso, bits("0111 0111 0111"));
    }

    #[test]
    fn a_mode_set_while_selected_is_an_edge() {
        for (mode, clocks) in [(Mode3, 1), (Mode1, 0), (Mode2, 1)] {
            let mut chain = EdgeRegisters::new(Mode0, [bits("10")]);
            let mut driver = Driver::new(Mode0);
            driver.select(&mut chain);
            driver.set_mode(mode, &mut chain);
            assert_eq!(chain.clocks(), clocks, "{mode:?}");
        }
    }

    #[test]
    fn without_selection_nothing_moves_and_nothing_is_driven() {
        let mut chain = EdgeRegisters::new(Mode0, [bits("10")]);
        let mut driver = Driver::new(Mode0);
        assert!(!driver.clock(true, &mut chain));
        assert_eq!((chain.bits(), chain.miso(), chain.clocks()), (bits("10"), None, 0));
    }

    /// As a controller may do that sets up its data and its clock at once.
    #[test]
    fn what_was_there_before_the_edge_counts() {
        let mut chain = EdgeRegisters::new(Mode0, [bits("00")]);
        let low = Lines { cs: false, sck: false, mosi: false };
        chain.set(low);
        chain.set(Lines { sck: true, mosi: true, ..low });
        assert_eq!(chain.bits(), bits("00"));
        chain.set(Lines { mosi: true, ..low });
        chain.set(Lines { sck: true, ..low });
        assert_eq!(chain.bits(), bits("01"));
    }
}
