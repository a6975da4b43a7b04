//! The machine among other tasks: it waits for its pins, and the processor sleeps or does something else meanwhile.

use core::time::Duration;

use embassy_futures::select::{Either, Either3, select, select3};
use embedded_hal_async::delay::DelayNs;
use embedded_hal_async::digital::Wait;
use embedded_hal_async::spi::SpiDevice;
use stepchain::homing::{AxisHoming, Homing};
use stepchain::map::{BridgeState, RegisterMap, StopRamp};
use stepchain::settings::Apply;
use stepchain::{AsyncChain, Command};

use crate::course::{Bath, Course, Place};
use crate::error::DipError;
use crate::machine::{CARRIAGE_HOMING, DEVICES, GRACE, LIFT_HOMING, SETTINGS};

/// The machine, its motors described by the map `M`: as [`Dipper`](crate::Dipper), but waiting for its pins.
///
/// A future of it that is dropped leaves the motors at what they were doing, and the machine to be homed again.
#[derive(Debug)]
pub struct AsyncDipper<M, SPI, BUSY, FAULT, DELAY> {
    chain: AsyncChain<M, SPI, DEVICES>,
    busy: BUSY,
    fault: FAULT,
    delay: DELAY,
    course: Course,
}

impl<M, SPI, BUSY, FAULT, DELAY> AsyncDipper<M, SPI, BUSY, FAULT, DELAY>
where
    M: RegisterMap,
    SPI: SpiDevice,
    BUSY: Wait,
    FAULT: Wait,
    DELAY: DelayNs,
{
    /// The machine with both lines active low. Nothing is sent.
    pub fn new(spi: SPI, busy: BUSY, fault: FAULT, delay: DELAY) -> Self {
        Self { chain: AsyncChain::new(spi), busy, fault, delay, course: Course::default() }
    }

    /// Gives the SPI device and both pins back.
    pub fn release(self) -> (SPI, BUSY, FAULT) {
        (self.chain.release(), self.busy, self.fault)
    }

    /// As [`Dipper::begin`](crate::Dipper::begin).
    ///
    /// # Errors
    /// [`DipError`] other than `Course`.
    pub async fn begin(&mut self) -> Result<(), DipError<SPI::Error>> {
        self.course.doubt();
        self.chain.doubt_step();
        for command in [Command::FaultReset, Command::TakeStatus] {
            // Their replies tell of what was before.
            let _ = self.chain.exchange(&[command; DEVICES]).await?;
        }
        let mut apply = Apply::to_all(AsyncChain::<M, SPI, DEVICES>::LAYOUT, &SETTINGS);
        self.chain.run(&mut apply, &mut self.delay).await?;
        for (device, result) in apply.results().iter().enumerate() {
            result.map_err(|error| DipError::Setting { device, error })?;
        }
        self.home(LIFT_HOMING).await?;
        self.home(CARRIAGE_HOMING).await
    }

    /// As [`Dipper::run`](crate::Dipper::run).
    ///
    /// # Errors
    /// [`DipError`].
    pub async fn run(&mut self, baths: &[Bath]) -> Result<(), DipError<SPI::Error>> {
        for bath in baths {
            for place in bath.places() {
                self.go(place).await?;
            }
            self.dwell(bath.time).await?;
            self.go(bath.rim()).await?;
            self.go(Place { down: Place::default().down, ..bath.rim() }).await?;
        }
        self.go(Place::default()).await
    }

    /// As [`Dipper::go`](crate::Dipper::go).
    ///
    /// # Errors
    /// [`DipError::Course`] if nothing has moved; else `Chain`, `Pin`, `Fault` or `Late`.
    pub async fn go(&mut self, place: Place) -> Result<(), DipError<SPI::Error>> {
        let line = self.course.line_to(AsyncChain::<M, SPI, DEVICES>::LAYOUT, place)?;
        self.course.doubt();
        for commands in line.writes() {
            self.chain.send(&commands).await?;
        }
        self.chain.send(&line.start()).await?;
        let limit = pass(&mut self.delay, line.duration() + GRACE);
        // The fault is looked at first: it ends a motion, too.
        match select3(self.fault.wait_for_low(), self.busy.wait_for_high(), limit).await {
            Either3::First(fallen) => Err(self.fault_fell(fallen.map_err(|error| DipError::pin(&error))).await),
            Either3::Second(still) => {
                still.map_err(|error| DipError::pin(&error))?;
                self.course.arrived(place);
                Ok(())
            }
            Either3::Third(()) => {
                self.stop().await;
                Err(DipError::Late)
            }
        }
    }

    /// As [`Dipper::stop`](crate::Dipper::stop).
    pub async fn stop(&mut self) {
        self.course.doubt();
        let stop = Command::Stop { ramp: StopRamp::Quick, bridge: BridgeState::Driven };
        // A device that has let go of its motor refuses this, and does not keep the other from being stopped.
        let _ = self.chain.exchange(&[stop; DEVICES]).await;
    }

    /// Whether it is known where the rack is.
    pub fn is_homed(&self) -> bool {
        self.course.is_homed()
    }

    async fn home(&mut self, axis: AxisHoming) -> Result<(), DipError<SPI::Error>> {
        let mut homing = Homing::<1, DEVICES>::new(AsyncChain::<M, SPI, DEVICES>::LAYOUT, [axis]);
        self.chain.run(&mut homing, &mut self.delay).await?;
        let [result] = homing.results();
        let (device, _) = axis.place();
        Ok(self.course.homed(device, result)?)
    }

    async fn dwell(&mut self, time: Duration) -> Result<(), DipError<SPI::Error>> {
        match select(self.fault.wait_for_low(), pass(&mut self.delay, time)).await {
            Either::First(fallen) => Err(self.fault_fell(fallen.map_err(|error| DipError::pin(&error))).await),
            Either::Second(()) => Ok(()),
        }
    }

    async fn fault_fell(&mut self, seen: Result<(), DipError<SPI::Error>>) -> DipError<SPI::Error> {
        self.stop().await;
        if let Err(error) = seen {
            return error;
        }
        match self.chain.exchange(&[Command::PeekStatus; DEVICES]).await {
            Ok(answers) => DipError::fault(&answers),
            Err(error) => error.into(),
        }
    }
}

/// Rounded up to a microsecond.
async fn pass(delay: &mut impl DelayNs, time: Duration) {
    let mut left_us = time.as_nanos().div_ceil(1_000);
    while left_us > 0 {
        let part_us = u32::try_from(left_us).unwrap_or(u32::MAX);
        delay.delay_us(part_us).await;
        left_us = left_us.saturating_sub(u128::from(part_us));
    }
}
