//! A chain of virtual devices with its bus and its time, behind handles that can be cloned.
//!
//! ```text
//!   firmware                                                                                 tests
//!   VirtualSpi, VirtualDelay       ->  World: clock, shift registers, devices, log, waits  <-  VirtualChain
//!   VirtualBus, VirtualChipSelect  -^
//!   pins, VirtualClock             -^
//! ```
//!
//! One world owns everything, and virtual time passes only where somebody lets it: a selection takes the time of its
//! bits at the set clock, the gap before it, the delays in it; a delay takes itself; and the back door advances by
//! hand. Nothing sleeps. The same calls give the same bytes on any machine.
//!
//! Async delays and [waits for pins](pins) share that time: when all of them wait, it goes on to the earliest instant
//! that one of them waits for, never beyond. They find out by their polls: after [`PATIENCE`] of them without any bus
//! traffic, delay or new wait, so for all tasks of one executor on one thread (`join`, `select`, any spawner that is
//! fair). A transaction takes its time at once, as on a processor that waits for the bus: who waited for an instant in
//! it is late by the rest of it.
//!
//! ```
//! use embedded_hal::spi::SpiDevice;
//! use stepchain::{map::RegisterMap, reference::Latched};
//! use stepchain_sim::chain::VirtualChain;
//!
//! let chain = VirtualChain::new(&Latched::LAYOUT, 2)?;
//! let mut spi = chain.spi();
//! // Device 1 gets its unit first. Both turn at 100 steps/s, device 0 up, device 1 down.
//! spi.write(&[0xB0, 0x00, 0xB4, 0x00]).unwrap();
//! spi.write(&[0x13, 0x88, 0x13, 0x88]).unwrap();
//! chain.advance_ns(1_000_000_000);
//! assert_eq!(chain.velocity_steps_per_s(0, 0), 100.0);
//! assert_eq!(chain.velocity_steps_per_s(1, 0), -100.0);
//! # Ok::<(), stepchain::map::Flaw>(())
//! ```

mod agenda;
mod assume;
mod asynchronous;
mod bus;
mod capture;
mod faults;
mod fork;
mod lines;
mod log;
mod motors;
pub mod pins;
mod scope;
mod spi;
#[cfg(test)]
mod tests;
pub mod time;
mod waits;
mod world;

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use stepchain::map::{BridgeState, ChainFlaw, Devices, Flag, Flaw, Layout};

use crate::device::{Axis, Bounce, Breakpoint, Demand, Device, History, Switch};
use crate::inject::{InjectError, Script};
use crate::motion::Engine;
use crate::wire::BusEvent;

pub use agenda::PATIENCE;
pub use bus::{VirtualBus, VirtualChipSelect};
pub use capture::{CaptureOptions, Captured};
pub use lines::Span;
pub use pins::{PinError, VirtualInput, VirtualOutput};
pub use spi::{BusError, VirtualDelay, VirtualSpi};
pub use time::VirtualClock;

use world::World;

/// A chain of virtual devices: its settings, its time, and the back door for tests. Clones are the same chain.
///
/// Devices are counted from 0 at the controller's output, axes from 0 within a device.
///
/// A chain that runs into a device or an axis that it does not have is a mistake of the test, so methods that are given
/// one panic there and say so.
#[derive(Clone, Debug)]
pub struct VirtualChain {
    world: Arc<Mutex<World>>,
}

impl VirtualChain {
    /// A chain of this many devices, all just powered up, at time zero.
    ///
    /// # Errors
    /// The [`Flaw`] of a map that is not valid, or whose frame of this many devices cannot be sent in whole bytes; and
    /// [`Flaw::NoDevices`] for a chain of none.
    pub fn new(layout: &'static Layout, devices: usize) -> Result<Self, Flaw> {
        layout.validate()?;
        layout.validate_for(devices)?;
        Ok(Self { world: Arc::new(Mutex::new(World::new(&vec![layout; devices]))) })
    }

    /// A chain of unlike devices that share the wire form, one for each layout, that of device 0 first.
    ///
    /// Each device decodes by its own map. Its clock is at first the fastest that all bear, its gap the shortest; in a
    /// frame with spare clocks only the devices that refuse them do not act.
    ///
    /// ```
    /// use stepchain::map::RegisterMap;
    /// use stepchain::reference::{FixedWord, Latched};
    /// use stepchain_sim::chain::VirtualChain;
    ///
    /// let refused = VirtualChain::unlike(&[&Latched::LAYOUT, &FixedWord::LAYOUT]).unwrap_err();
    /// assert_eq!(refused.to_string(), "device 1 (`fixed-word`): its unit has 48 bits, that of device 0 has 16");
    /// ```
    ///
    /// # Errors
    /// The [`ChainFlaw`] of layouts that cannot be one chain.
    pub fn unlike(layouts: &'static [&'static Layout]) -> Result<Self, ChainFlaw> {
        Devices::unlike(layouts).validate_for(layouts.len())?;
        Ok(Self { world: Arc::new(Mutex::new(World::new(layouts))) })
    }

    /// The map of the chain's devices; of unlike devices, that of device 0.
    #[must_use]
    pub fn layout(&self) -> &'static Layout {
        self.layout_of(0)
    }

    /// The map of one device.
    ///
    /// # Panics
    /// If the chain has no such device.
    #[must_use]
    pub fn layout_of(&self, device: usize) -> &'static Layout {
        self.world().device(device).layout()
    }

    /// How many devices the chain has.
    #[must_use]
    pub fn devices(&self) -> usize {
        self.world().devices.len()
    }

    /// The chain for firmware.
    #[must_use]
    pub fn spi(&self) -> VirtualSpi {
        VirtualSpi { chain: self.clone() }
    }

    /// Time for firmware.
    #[must_use]
    pub fn delay(&self) -> VirtualDelay {
        VirtualDelay { chain: self.clone() }
    }

    /// A clock for firmware that measures time.
    #[must_use]
    pub fn clock(&self) -> VirtualClock {
        VirtualClock { chain: self.clone() }
    }

    /// Whether futures that wait leave time alone, so that it goes on only by [`advance_ns`](Self::advance_ns),
    /// transactions and blocking delays: for tests that poll by hand, and for tasks on several threads. At first it goes on
    /// by itself when all futures of this chain wait.
    pub fn set_time_by_hand(&self, by_hand: bool) {
        self.world().by_hand = by_hand;
    }

    /// Sets the SPI clock in hertz; at first it is the fastest that the map allows. A faster one is a violation, noticed
    /// when chip select falls and when it is set while chip select is low.
    pub fn set_clock_hz(&self, clock_hz: u32) {
        self.world().set_clock_hz(clock_hz);
    }

    /// Sets for how long chip select stays released at least between two selections; at first what the map asks for.
    /// With less, selections that follow too soon are violations. A [bus](Self::bus) keeps no gap by itself.
    pub fn set_gap_ns(&self, gap_ns: u64) {
        self.world().gap_ns = gap_ns;
    }

    /// Lets something happen on the bus now, as from a capture: it takes no time and there is no gap before it.
    /// Gives the bits that the controller reads: those that leave at the far end, an open line while chip select is high.
    pub fn drive(&self, event: BusEvent<'_>) -> Vec<bool> {
        let mut world = self.world();
        world.settle_bus();
        if let BusEvent::Bits(bits) = event {
            world.note_untimed(bits.len());
        }
        world.drive(event)
    }

    /// Virtual time in nanoseconds.
    #[must_use]
    pub fn now_ns(&self) -> u64 {
        self.world().now_ns()
    }

    /// Lets exactly `duration_ns` pass.
    pub fn advance_ns(&self, duration_ns: u64) {
        let mut world = self.world();
        world.clock.advance_ns(duration_ns);
        world.catch_up();
    }

    /// Lets time pass until every axis stands, but no longer than `limit_ns` from now; whether all stand then.
    pub fn run_until_still(&self, limit_ns: u64) -> bool {
        let mut world = self.world();
        let last_ns = world.now_ns().saturating_add(limit_ns);
        loop {
            world.catch_up();
            let still_ns = world.still_from_ns().filter(|&still_ns| still_ns <= last_ns);
            let end_ns = still_ns.unwrap_or(last_ns);
            // What happens on the way may set an axis going, or stop one that would turn for ever.
            if let Some(next_ns) = world.next_event_ns().filter(|&next_ns| next_ns <= end_ns) {
                world.clock.advance_to_ns(next_ns);
                continue;
            }
            world.clock.advance_to_ns(end_ns);
            return still_ns.is_some();
        }
    }

    /// Bytes that have been sent by SPI transactions, or given to the bus.
    #[must_use]
    pub fn bytes_on_wire(&self) -> u64 {
        self.world().bytes
    }

    /// Selections that have ended.
    #[must_use]
    pub fn frames(&self) -> u64 {
        self.world().frames
    }

    /// An axis' position in microsteps, without wrap-around.
    ///
    /// # Panics
    /// If the chain has no such device or axis.
    #[must_use]
    pub fn position(&self, device: usize, axis: usize) -> i64 {
        self.with_axis(device, axis, Axis::position)
    }

    /// An axis' velocity in full steps/s, positive counting up.
    ///
    /// # Panics
    /// If the chain has no such device or axis.
    #[must_use]
    pub fn velocity_steps_per_s(&self, device: usize, axis: usize) -> f64 {
        self.with_axis(device, axis, Axis::velocity_steps_per_s)
    }

    /// What the bridge of an axis does to the windings.
    ///
    /// # Panics
    /// If the chain has no such device or axis.
    #[must_use]
    pub fn bridge_state(&self, device: usize, axis: usize) -> BridgeState {
        self.with_axis(device, axis, Axis::bridge)
    }

    /// Whether an axis makes steps.
    ///
    /// # Panics
    /// If the chain has no such device or axis.
    #[must_use]
    pub fn is_moving(&self, device: usize, axis: usize) -> bool {
        self.with_axis(device, axis, Axis::is_moving)
    }

    /// Microsteps in a full step of an axis.
    ///
    /// # Panics
    /// If the chain has no such device or axis.
    #[must_use]
    pub fn microsteps_per_step(&self, device: usize, axis: usize) -> u32 {
        self.with_axis(device, axis, |axis, _| axis.microsteps_per_step())
    }

    /// A copy of an axis' ramp generator, to ask about any instant since the last command and after.
    ///
    /// # Panics
    /// If the chain has no such device or axis.
    #[must_use]
    pub fn engine(&self, device: usize, axis: usize) -> Engine {
        self.with_axis(device, axis, |axis, _| axis.engine().clone())
    }

    /// All motion of an axis so far, as the corners between quadratics.
    ///
    /// # Panics
    /// If the chain has no such device or axis.
    #[must_use]
    pub fn trajectory(&self, device: usize, axis: usize) -> Vec<Breakpoint> {
        self.with_axis(device, axis, Axis::trajectory)
    }

    /// Where an axis is told to be now, how fast it goes, and the electrical angle of its windings.
    ///
    /// # Panics
    /// If the chain has no such device or axis.
    #[must_use]
    pub fn demand(&self, device: usize, axis: usize) -> Demand {
        self.with_axis(device, axis, Axis::demand)
    }

    /// A copy of all motion of an axis since power-up and of what is planned, to ask about any instant and for the steps in
    /// any stretch of time. What it costs is the number of commands so far.
    ///
    /// # Panics
    /// If the chain has no such device or axis.
    #[must_use]
    pub fn history(&self, device: usize, axis: usize) -> History {
        self.with_axis(device, axis, |axis, _| axis.history())
    }

    /// Puts an axis at an unwrapped count of microsteps, behind the firmware's back.
    ///
    /// # Panics
    /// If the chain has no such device or axis.
    pub fn set_position(&self, device: usize, axis: usize, microsteps: i64) {
        self.change_axis(device, axis, |device, now_ns| device.set_position(axis, microsteps, now_ns));
    }

    /// What the register at an address holds, live values included; zero where there is none.
    ///
    /// # Panics
    /// If the chain has no such device.
    #[must_use]
    pub fn read_register(&self, device: usize, address: u16) -> u32 {
        self.with_device(device, |device, now_ns| device.content(address, now_ns))
    }

    /// What all registers of a device hold, by address, live values included.
    ///
    /// # Panics
    /// If the chain has no such device.
    #[must_use]
    pub fn registers(&self, device: usize) -> BTreeMap<u16, u32> {
        self.with_device(device, Device::contents)
    }

    /// A device's status word.
    ///
    /// # Panics
    /// If the chain has no such device.
    #[must_use]
    pub fn status(&self, device: usize) -> u64 {
        self.with_device(device, |device, now_ns| device.status(now_ns))
    }

    /// Where the rotor of an axis is, in full steps from where it was at power-up.
    ///
    /// # Panics
    /// If the chain has no such device or axis.
    #[must_use]
    pub fn rotor_steps(&self, device: usize, axis: usize) -> f64 {
        self.with_device(device, |device, now_ns| {
            axis_of(device, axis);
            device.rotor_steps(axis, now_ns)
        })
    }

    /// How far the rotor of an axis is behind its count, in full steps, since the counter was given its number: what it
    /// has lost, positive if it should be farther up. With a motor in whole cycles of four, as the device looked last.
    ///
    /// # Panics
    /// If the chain has no such device or axis.
    #[must_use]
    pub fn lost_steps(&self, device: usize, axis: usize) -> f64 {
        self.with_axis(device, axis, Axis::lost_steps)
    }

    /// The machine of an axis has another home switch from now on. No axis has one at first.
    ///
    /// # Panics
    /// If the chain has no such device or axis.
    pub fn set_switch(&self, device: usize, axis: usize, switch: Switch) {
        self.change_axis(device, axis, |device, now_ns| device.set_switch(axis, switch, now_ns));
    }

    /// The contact of an axis' home switch bounces so from its next change on, or not at all, as at first.
    ///
    /// # Panics
    /// If the chain has no such device or axis.
    pub fn set_bounce(&self, device: usize, axis: usize, bounce: Option<Bounce>) {
        self.change_axis(device, axis, |device, now_ns| device.set_bounce(axis, bounce, now_ns));
    }

    /// The machine of an axis has an end stop from now on, in full steps from where the rotor was at power-up: below the
    /// rotor if it lies there, else above. There is one on each side at most, and none at first.
    ///
    /// # Panics
    /// If the chain has no such device or axis.
    pub fn set_end_stop(&self, device: usize, axis: usize, at_steps: f64) {
        self.change_axis(device, axis, |device, now_ns| device.set_end_stop(axis, at_steps, now_ns));
    }

    /// Outside pulses come now, each for one microstep. An axis that was not told to follow them ignores them.
    ///
    /// # Panics
    /// If the chain has no such device or axis.
    pub fn pulse(&self, device: usize, axis: usize, count: u64) {
        self.change_axis(device, axis, |device, now_ns| device.pulse(axis, count, now_ns));
    }

    /// A condition that a device notices (a closed switch, a low supply) holds from now on, or no longer. A fault shuts
    /// bridges off; [`device`](crate::device) says which.
    ///
    /// # Panics
    /// If the chain has no such device or axis.
    pub fn set_condition(&self, device: usize, axis: usize, flag: Flag, holds: bool) {
        let number = u8::try_from(axis).unwrap_or(u8::MAX);
        self.change_axis(device, axis, |device, now_ns| device.set_condition(flag, number, holds, now_ns));
    }

    /// A device loses its supply for an instant and starts anew.
    ///
    /// # Panics
    /// If the chain has no such device.
    pub fn reset_node(&self, device: usize) {
        self.world().reset_node(device);
    }

    /// Plays a script of faults from now on, beside those that are played already. The log tells each fault that begins,
    /// strikes and ends, numbered in the order in which the chain was given them.
    ///
    /// # Errors
    /// [`InjectError`] for a script that this chain cannot carry out; nothing of it is played then.
    pub fn inject(&self, script: &Script) -> Result<(), InjectError> {
        self.world().inject(script)
    }

    fn with_device<R>(&self, device: usize, ask: impl FnOnce(&mut Device, u64) -> R) -> R {
        let mut world = self.world();
        world.catch_up();
        let now_ns = world.now_ns();
        ask(world.device(device), now_ns)
    }

    fn with_axis<R>(&self, device: usize, axis: usize, ask: impl FnOnce(&Axis, u64) -> R) -> R {
        self.with_device(device, |device, now_ns| ask(axis_of(device, axis), now_ns))
    }

    fn change_axis(&self, device: usize, axis: usize, change: impl FnOnce(&mut Device, u64)) {
        self.with_device(device, |device, now_ns| {
            axis_of(device, axis);
            change(device, now_ns);
        });
    }

    /// A panic elsewhere leaves the world as it was: nothing in it is half done across calls.
    fn world(&self) -> MutexGuard<'_, World> {
        self.world.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// One axis of a device.
///
/// # Panics
/// If the device has none such.
fn axis_of(device: &Device, axis: usize) -> &Axis {
    let axes = device.axes();
    match axes.get(axis) {
        Some(axis) => axis,
        None => panic!("a device has {} axes, counted from 0, and no axis {axis}", axes.len()),
    }
}
