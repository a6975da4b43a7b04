//! The lines around a chain as embedded-hal pins: motion-busy and fault lines, switches, step pulses.
//!
//! ```text
//!   device: busy, fault   machine: home switch     ->  VirtualInput   (InputPin, async Wait)
//!   machine: home switch  device: step pulses      <-  VirtualOutput  (StatefulOutputPin)
//! ```
//!
//! A line is active or not; which level that is, the one who takes the pin says. Open-drain lines of several devices
//! are joined and active low as a rule: `chain.busy_pin(Span::Chain, PinState::Low)`.
//!
//! A line is busy as the status flag is: until standstill, and for a velocity until it is reached. The fault line is
//! active while one of the faults lasts that shut bridges off, or is latched in the status until it is cleared.
//!
//! # Waiting
//!
//! [`Wait`] does not look again and again: when every task waits, time goes on at once to the instant at which the
//! next of them has something to do, and an edge is seen at the very instant at which it happens. What a line does
//! while another task keeps the processor (a transfer, a delay that blocks) is not lost either: it ends the wait, at
//! the next poll, as an interrupt that is pending would.
//!
//! A wait for what will never come ends with [`PinError::NeverComes`] once nothing is left that could change a line. As long
//! as a [motor](crate::device::MotorSetup) turns, or warms up towards a limit of its device, something may always come (it
//! may fall out of step, or reach the switch), and such a wait lasts as long. Firmware that bounds its waits, by a delay
//! beside them, meets the end of the delay here as on a board.
//!
//! ```
//! use embassy_futures::block_on;
//! use embedded_hal::digital::PinState;
//! use embedded_hal::spi::SpiDevice;
//! use embedded_hal_async::digital::Wait;
//! use stepchain::{map::RegisterMap, reference::Latched};
//! use stepchain_sim::chain::{PinError, Span, VirtualChain};
//!
//! let chain = VirtualChain::new(&Latched::LAYOUT, 1)?;
//! let mut busy = chain.busy_pin(Span::Chain, PinState::Low);
//! // Run up to 100 steps/s at 1000 steps/s².
//! for unit in [[0xB4, 0x00], [0x13, 0x88]] {
//!     SpiDevice::write(&mut chain.spi(), &unit).unwrap();
//! }
//! let begun_ns = chain.now_ns();
//! assert_eq!(block_on(busy.wait_for_high()), Ok(()));
//! assert_eq!(chain.now_ns() - begun_ns, 100_000_000);
//! assert_eq!(block_on(busy.wait_for_low()), Err(PinError::NeverComes));
//! # Ok::<(), stepchain::map::Flaw>(())
//! ```

#[cfg(test)]
mod tests;

use std::convert::Infallible;
use std::fmt;

use embedded_hal::digital::{self, ErrorKind, InputPin, OutputPin, PinState, StatefulOutputPin};
use embedded_hal_async::digital::Wait;

use super::agenda::{Awaited, Outcome};
use super::lines::{Drive, Effect, Span, Tap};
use super::waits::Waiting;
use super::{VirtualChain, axis_of};
use crate::device::Switch;

/// A line to look at and to wait for: [`InputPin`] and the async [`Wait`].
///
/// Its level is that of this instant. Clones look at the same line.
#[derive(Clone, Debug)]
pub struct VirtualInput {
    chain: VirtualChain,
    tap: Tap,
    active: PinState,
}

/// Why waiting for a pin was given up.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum PinError {
    /// Nothing on the chain will change the line by itself, and no other future waits for an instant or a line at
    /// which something might happen: a real firmware would wait for ever. Never while a motor turns or warms up, see
    /// [waiting](self#waiting); never where time goes [by hand](VirtualChain::set_time_by_hand).
    NeverComes,
}

impl fmt::Display for PinError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NeverComes => f.write_str("the line that is waited for will never change by itself"),
        }
    }
}

impl std::error::Error for PinError {}

impl digital::Error for PinError {
    fn kind(&self) -> ErrorKind {
        ErrorKind::Other
    }
}

impl VirtualInput {
    fn level(&self) -> PinState {
        if self.chain.is_active(self.tap) { self.active } else { !self.active }
    }

    const fn means_active(&self, level: PinState) -> bool {
        matches!((level, self.active), (PinState::High, PinState::High) | (PinState::Low, PinState::Low))
    }

    async fn wait_for(&self, awaited: Awaited) -> Result<(), PinError> {
        match Waiting::for_line(&self.chain, awaited).await {
            Outcome::Came => Ok(()),
            Outcome::Never => Err(PinError::NeverComes),
        }
    }

    async fn wait_for_level(&self, level: PinState) -> Result<(), PinError> {
        self.wait_for(Awaited::Level { tap: self.tap, active: self.means_active(level) }).await
    }

    async fn wait_for_edge_to(&self, level: PinState) -> Result<(), PinError> {
        self.wait_for(Awaited::Edge { tap: self.tap, active: self.means_active(level) }).await
    }
}

impl digital::ErrorType for VirtualInput {
    type Error = PinError;
}

impl InputPin for VirtualInput {
    fn is_high(&mut self) -> Result<bool, PinError> {
        Ok(self.level() == PinState::High)
    }

    fn is_low(&mut self) -> Result<bool, PinError> {
        Ok(self.level() == PinState::Low)
    }
}

/// Ready at once at a level that is so already. An edge is one after the first poll.
impl Wait for VirtualInput {
    async fn wait_for_high(&mut self) -> Result<(), PinError> {
        self.wait_for_level(PinState::High).await
    }

    async fn wait_for_low(&mut self) -> Result<(), PinError> {
        self.wait_for_level(PinState::Low).await
    }

    async fn wait_for_rising_edge(&mut self) -> Result<(), PinError> {
        self.wait_for_edge_to(PinState::High).await
    }

    async fn wait_for_falling_edge(&mut self) -> Result<(), PinError> {
        self.wait_for_edge_to(PinState::Low).await
    }

    async fn wait_for_any_edge(&mut self) -> Result<(), PinError> {
        self.wait_for(Awaited::AnyEdge { tap: self.tap }).await
    }
}

/// A line to drive: [`OutputPin`] and [`StatefulOutputPin`].
///
/// Not active at first. Clones, and pins taken later for the same purpose and axis, drive the same line.
#[derive(Clone, Debug)]
pub struct VirtualOutput {
    chain: VirtualChain,
    drive: Drive,
    active: PinState,
}

impl VirtualOutput {
    fn level(&self) -> PinState {
        self.chain.world().driven.get(&self.drive).copied().unwrap_or(!self.active)
    }

    fn set(&self, level: PinState) {
        let Drive { device, axis, effect } = self.drive;
        let (before, is_active) = (self.level(), level == self.active);
        {
            let mut world = self.chain.world();
            world.catch_up();
            world.driven.insert(self.drive, level);
        }
        match effect {
            Effect::HomeSwitch => {
                self.chain.set_switch(device, axis, if is_active { Switch::Closed } else { Switch::Open });
            }
            Effect::StepPulses if is_active && before != level => self.chain.pulse(device, axis, 1),
            Effect::StepPulses => {}
        }
    }
}

impl digital::ErrorType for VirtualOutput {
    type Error = Infallible;
}

impl OutputPin for VirtualOutput {
    fn set_low(&mut self) -> Result<(), Infallible> {
        self.set(PinState::Low);
        Ok(())
    }

    fn set_high(&mut self) -> Result<(), Infallible> {
        self.set(PinState::High);
        Ok(())
    }
}

impl StatefulOutputPin for VirtualOutput {
    fn is_set_high(&mut self) -> Result<bool, Infallible> {
        Ok(self.level() == PinState::High)
    }

    fn is_set_low(&mut self) -> Result<bool, Infallible> {
        Ok(self.level() == PinState::Low)
    }
}

impl VirtualChain {
    /// The motion-busy line: `active` while an axis carries out a motion command, as the status flag tells it.
    ///
    /// # Panics
    /// If the chain has no such device.
    #[must_use]
    pub fn busy_pin(&self, span: Span, active: PinState) -> VirtualInput {
        self.check_span(span);
        VirtualInput { chain: self.clone(), tap: Tap::Busy(span), active }
    }

    /// The fault line: `active` while a fault that shuts bridges off lasts, or is latched in the status.
    ///
    /// # Panics
    /// If the chain has no such device.
    #[must_use]
    pub fn fault_pin(&self, span: Span, active: PinState) -> VirtualInput {
        self.check_span(span);
        VirtualInput { chain: self.clone(), tap: Tap::Fault(span), active }
    }

    /// The home switch of an axis, wired to the processor as well: `active` while it is closed.
    ///
    /// # Panics
    /// If the chain has no such device or axis.
    #[must_use]
    pub fn home_switch_pin(&self, device: usize, axis: usize, active: PinState) -> VirtualInput {
        self.check_axis(device, axis);
        VirtualInput { chain: self.clone(), tap: Tap::HomeSwitch { device, axis }, active }
    }

    /// A line in place of an axis' home switch: closed while it is `active`. As long as nobody has driven it, the
    /// switch is as [`set_switch`](Self::set_switch) left it, and that takes it over again.
    ///
    /// # Panics
    /// If the chain has no such device or axis.
    #[must_use]
    pub fn home_switch_drive(&self, device: usize, axis: usize, active: PinState) -> VirtualOutput {
        self.check_axis(device, axis);
        VirtualOutput { chain: self.clone(), drive: Drive { device, axis, effect: Effect::HomeSwitch }, active }
    }

    /// The input for outside pulses of an axis: each edge to `active` is one microstep, in the direction that the
    /// command of the pulse input mode has named. There is no direction line. An axis that was not told to follow
    /// pulses ignores them.
    ///
    /// # Panics
    /// If the chain has no such device or axis.
    #[must_use]
    pub fn step_pulse_drive(&self, device: usize, axis: usize, active: PinState) -> VirtualOutput {
        self.check_axis(device, axis);
        VirtualOutput { chain: self.clone(), drive: Drive { device, axis, effect: Effect::StepPulses }, active }
    }

    fn is_active(&self, tap: Tap) -> bool {
        let mut world = self.world();
        world.catch_up();
        tap.is_active(&world.devices, world.now_ns())
    }

    fn check_span(&self, span: Span) {
        if let Span::Device(device) = span {
            self.with_device(device, |_, _| ());
        }
    }

    fn check_axis(&self, device: usize, axis: usize) {
        self.with_device(device, |device, _| {
            axis_of(device, axis);
        });
    }
}
