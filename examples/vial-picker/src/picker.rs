//! The machine on a processor that does one thing at a time: it looks at the pins now and then.

use core::time::Duration;

use embedded_hal::delay::DelayNs;
use embedded_hal::digital::{self, InputPin};
use embedded_hal::spi::SpiDevice;
use stepchain::homing::Homing;
use stepchain::map::{BridgeState, RegisterMap, StopRamp};
use stepchain::settings::Apply;
use stepchain::track::UnwrappedPosition;
use stepchain::{Chain, Command};

use crate::error::PickError;
use crate::machine::{COOLING, DEVICES, DIP, GRACE, HOMING, PARK, PERIOD, SETTINGS, Spot, grave_fault, line};

/// Time since some beginning. Never goes back.
pub trait Clock {
    /// Reads it.
    fn now(&mut self) -> Duration;
}

/// The machine, its motors described by the map `M`.
#[derive(Debug)]
pub struct Picker<M, SPI, BUSY, FAULT, DELAY, CLOCK> {
    chain: Chain<M, SPI, DEVICES>,
    busy: BUSY,
    fault: FAULT,
    delay: DELAY,
    clock: CLOCK,
    /// Where the axes stand, once they are homed.
    at: Option<[UnwrappedPosition; DEVICES]>,
}

impl<M, SPI, BUSY, FAULT, DELAY, CLOCK> Picker<M, SPI, BUSY, FAULT, DELAY, CLOCK>
where
    M: RegisterMap,
    SPI: SpiDevice,
    BUSY: InputPin,
    FAULT: InputPin,
    DELAY: DelayNs,
    CLOCK: Clock,
{
    /// The machine with both lines active low. Nothing is sent.
    pub fn new(spi: SPI, busy: BUSY, fault: FAULT, delay: DELAY, clock: CLOCK) -> Self {
        Self { chain: Chain::new(spi), busy, fault, delay, clock, at: None }
    }

    /// Counts the devices and checks that each answers sense.
    ///
    /// # Errors
    /// [`PickError::Wiring`], [`PickError::Chain`].
    pub fn check(&mut self) -> Result<(), PickError<SPI::Error>> {
        // Room for four devices of the longest units.
        let mut buffer = [0; 36];
        let checked = self.chain.check_wiring(&mut buffer).map_err(stepchain::Error::Spi)?;
        checked.map(|_| ()).map_err(PickError::Wiring)
    }

    /// Forgets old faults as far as they are gone, sets all devices and homes all axes at once.
    ///
    /// # Errors
    /// [`PickError`] other than `Wiring` and `Line`.
    pub fn begin(&mut self) -> Result<(), PickError<SPI::Error>> {
        self.at = None;
        self.chain.doubt_step();
        for command in [Command::FaultReset, Command::TakeStatus] {
            // Their replies tell of what was before.
            let _ = self.chain.exchange(&[command; DEVICES])?;
        }
        let mut apply = Apply::to_all(Chain::<M, SPI, DEVICES>::LAYOUT, &SETTINGS);
        self.chain.run(&mut apply, &mut self.delay)?;
        for (device, result) in apply.results().iter().enumerate() {
            result.map_err(|error| PickError::Setting { device, error })?;
        }
        let mut homing = Homing::<DEVICES, DEVICES>::new(Chain::<M, SPI, DEVICES>::LAYOUT, HOMING).every(PERIOD);
        self.chain.run(&mut homing, &mut self.delay)?;
        let mut at = [UnwrappedPosition::ZERO; DEVICES];
        for (device, (place, result)) in at.iter_mut().zip(homing.results()).enumerate() {
            *place = result.map_err(|error| PickError::homing(device, error))?.at;
        }
        self.at = Some(at);
        Ok(())
    }

    /// Dips the needle into one vial after another and parks it. When a fault strikes, the machine stops, waits until what
    /// was hot has cooled, begins anew and goes on with the same vial, up to `patience` times; gives how often it had to.
    ///
    /// # Errors
    /// [`PickError`].
    pub fn work(&mut self, vials: &[Spot], patience: u8) -> Result<u8, PickError<SPI::Error>> {
        let mut faults = 0;
        for vial in vials {
            while let Err(error) = self.pick(*vial) {
                if !matches!(error, PickError::Fault { .. }) || faults >= patience {
                    return Err(error);
                }
                faults += 1;
                self.pause(COOLING);
                self.begin()?;
            }
        }
        self.go(PARK)?;
        Ok(faults)
    }

    /// Goes to a spot on a straight line, and waits until the needle is there.
    ///
    /// # Errors
    /// [`PickError::NotHomed`] and [`PickError::Line`] if nothing has moved; else `Chain`, `Pin`, `Fault` or `Late`.
    pub fn go(&mut self, spot: Spot) -> Result<(), PickError<SPI::Error>> {
        let from = self.at.ok_or(PickError::NotHomed)?;
        self.look_at_fault()?;
        let line = line(Chain::<M, SPI, DEVICES>::LAYOUT, from, spot).map_err(PickError::Line)?;
        self.at = None;
        for commands in line.writes().chain([line.start()]) {
            if let Err(error) = self.chain.send(&commands) {
                // A device that has let go of its motor refuses to move it, and the fault says why.
                self.look_at_fault()?;
                return Err(error.into());
            }
        }
        let begun = self.clock.now();
        while self.busy.is_low().map_err(|error| pin(&error))? {
            if self.clock.now().saturating_sub(begun) > line.duration() + GRACE {
                self.stop();
                return Err(PickError::Late);
            }
            self.look_at_fault()?;
            self.pause(PERIOD);
        }
        // A fault ends a motion, too.
        self.look_at_fault()?;
        self.at = Some(spot.positions());
        Ok(())
    }

    /// Stops all axes as steeply as they can and keeps them held, without waiting for it. The machine has to be homed
    /// again.
    pub fn stop(&mut self) {
        self.at = None;
        let stop = Command::Stop { ramp: StopRamp::Quick, bridge: BridgeState::Driven };
        // A device that has let go of its motor refuses this, and does not keep the others from being stopped.
        let _ = self.chain.exchange(&[stop; DEVICES]);
    }

    fn pick(&mut self, vial: Spot) -> Result<(), PickError<SPI::Error>> {
        self.go(vial.above())?;
        self.go(vial)?;
        self.pause(DIP);
        self.look_at_fault()?;
        self.go(vial.above())
    }

    fn pause(&mut self, time: Duration) {
        self.delay.delay_ms(u32::try_from(time.as_millis()).unwrap_or(u32::MAX));
    }

    fn look_at_fault(&mut self) -> Result<(), PickError<SPI::Error>> {
        if self.fault.is_high().map_err(|error| pin(&error))? {
            return Ok(());
        }
        self.stop();
        let answers = self.chain.exchange(&[Command::PeekStatus; DEVICES])?;
        let seen = answers.map(|answer| answer.ok()?.status);
        Err(PickError::Fault { found: grave_fault(&seen) })
    }
}

fn pin<E>(error: &impl digital::Error) -> PickError<E> {
    PickError::Pin(error.kind())
}
