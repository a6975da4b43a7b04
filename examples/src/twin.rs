//! The host's twin of a firmware on a controller: the same application on virtual handles, and the frames that it sends.
//!
//! What befalls the chain befalls it at the same instants as under `stepchain serve`, so that the two can be compared byte by
//! byte and nanosecond by nanosecond.

use std::cell::RefCell;
use std::rc::Rc;

use embedded_hal::delay::DelayNs;
use embedded_hal::digital::PinState;
use embedded_hal::spi::{ErrorType, Operation, SpiDevice};
use stepchain::map::{Flag, Layout};
use stepchain_sim::chain::{BusError, Span, VirtualChain, VirtualClock, VirtualInput, VirtualSpi};
use stepchain_sim::device::Switch;
use stepchain_sim::serve::{Condition, Exchange, Schedule, frames_csv};

/// What befalls the vial picker: its needle's driver gets too hot while the needle comes up from the second vial, as
/// `--condition needle:overtemperature@6.5..8` says.
pub const HOT_NEEDLE: Condition =
    Condition { device: 2, axis: 0, flag: Flag::Overtemperature, from_ns: 6_500_000_000, to_ns: Some(8_000_000_000) };

/// A virtual chain whose frames are written down.
#[derive(Clone, Debug)]
pub struct Twin {
    chain: VirtualChain,
    schedule: Rc<RefCell<Schedule>>,
    exchanges: Rc<RefCell<Vec<Exchange>>>,
}

impl Twin {
    /// A chain with a limit switch for each device, so many full steps below where it stands, and what befalls it.
    ///
    /// # Errors
    /// A map that does not bear so many devices.
    pub fn new(
        layout: &'static Layout,
        switches: &[f64],
        conditions: &[Condition],
    ) -> Result<Self, stepchain::map::Flaw> {
        let chain = VirtualChain::new(layout, switches.len())?;
        for (device, steps) in switches.iter().enumerate() {
            chain.set_switch(device, 0, Switch::ClosedBetween { from_steps: f64::NEG_INFINITY, to_steps: -steps });
        }
        let schedule = Rc::new(RefCell::new(Schedule::new(conditions)));
        Ok(Self { chain, schedule, exchanges: Rc::default() })
    }

    /// The chain, for a look.
    #[must_use]
    pub const fn chain(&self) -> &VirtualChain {
        &self.chain
    }

    /// The chain's SPI device.
    #[must_use]
    pub fn spi(&self) -> TwinSpi {
        TwinSpi { twin: self.clone(), spi: self.chain.spi() }
    }

    /// Its time.
    #[must_use]
    pub fn delay(&self) -> TwinDelay {
        TwinDelay { twin: self.clone() }
    }

    /// Its clock.
    #[must_use]
    pub fn clock(&self) -> VirtualClock {
        self.chain.clock()
    }

    /// Its busy and fault lines, each joined and active low.
    #[must_use]
    pub fn lines(&self) -> [VirtualInput; 2] {
        let low = PinState::Low;
        [self.chain.busy_pin(Span::Chain, low), self.chain.fault_pin(Span::Chain, low)]
    }

    /// The frames so far, as `stepchain serve --out` writes them.
    #[must_use]
    pub fn frames_csv(&self) -> String {
        frames_csv(&self.exchanges.borrow())
    }

    /// Writes the frames to the file that the program's first argument names, if there is one.
    ///
    /// # Errors
    /// Those of writing.
    pub fn write_frames(&self) -> std::io::Result<()> {
        std::env::args_os().nth(1).map_or(Ok(()), |path| std::fs::write(path, self.frames_csv()))
    }
}

/// An SPI device that writes down what goes through it.
#[derive(Debug)]
pub struct TwinSpi {
    twin: Twin,
    spi: VirtualSpi,
}

impl ErrorType for TwinSpi {
    type Error = BusError;
}

impl SpiDevice for TwinSpi {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), BusError> {
        let time_ns = self.twin.chain.now_ns();
        let (mut mosi, mut miso) = (Vec::new(), Vec::new());
        for operation in operations {
            // The frames of the driver and those of the release sequence.
            let mut bytes = match operation {
                Operation::TransferInPlace(bytes) => bytes.to_vec(),
                Operation::Write(bytes) => bytes.to_vec(),
                other => unreachable!("the driver does not use {other:?}"),
            };
            mosi.extend_from_slice(&bytes);
            self.spi.transfer_in_place(&mut bytes)?;
            if let Operation::TransferInPlace(into) = operation {
                into.copy_from_slice(&bytes);
            }
            miso.extend(bytes);
        }
        self.twin.schedule.borrow_mut().catch_up(&self.twin.chain);
        self.twin.exchanges.borrow_mut().push(Exchange { time_ns, mosi, miso });
        Ok(())
    }
}

/// Ready at once: a virtual bus takes no time but its own.
impl embedded_hal_async::spi::SpiDevice for TwinSpi {
    async fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), BusError> {
        SpiDevice::transaction(self, operations)
    }
}

/// A delay in which things befall the chain.
#[derive(Debug)]
pub struct TwinDelay {
    twin: Twin,
}

impl TwinDelay {
    fn pass(&self, ns: u64) {
        self.twin.schedule.borrow_mut().pass(&self.twin.chain, ns);
    }
}

impl DelayNs for TwinDelay {
    fn delay_ns(&mut self, ns: u32) {
        self.pass(ns.into());
    }

    fn delay_us(&mut self, us: u32) {
        self.pass(u64::from(us) * 1_000);
    }

    fn delay_ms(&mut self, ms: u32) {
        self.pass(u64::from(ms) * 1_000_000);
    }
}

/// Ready at once: for one task, which has nobody to wait for.
impl embedded_hal_async::delay::DelayNs for TwinDelay {
    async fn delay_ns(&mut self, ns: u32) {
        self.pass(ns.into());
    }

    async fn delay_us(&mut self, us: u32) {
        self.pass(u64::from(us) * 1_000);
    }

    async fn delay_ms(&mut self, ms: u32) {
        self.pass(u64::from(ms) * 1_000_000);
    }
}
