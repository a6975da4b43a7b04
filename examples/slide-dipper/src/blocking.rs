//! The machine on a processor that does one thing at a time: it looks at the pins every millisecond.

use core::time::Duration;

use embedded_hal::delay::DelayNs;
use embedded_hal::digital::InputPin;
use embedded_hal::spi::SpiDevice;
use stepchain::homing::{AxisHoming, Homing};
use stepchain::map::{BridgeState, RegisterMap, StopRamp};
use stepchain::settings::Apply;
use stepchain::{Chain, Command};

use crate::course::{Bath, Course, Place};
use crate::error::DipError;
use crate::machine::{CARRIAGE_HOMING, DEVICES, GRACE, LIFT_HOMING, SETTINGS};

/// Time since some beginning. Never goes back.
pub trait Clock {
    /// Reads it.
    fn now(&mut self) -> Duration;
}

/// The machine, its motors described by the map `M`.
#[derive(Debug)]
pub struct Dipper<M, SPI, BUSY, FAULT, DELAY, CLOCK> {
    chain: Chain<M, SPI, DEVICES>,
    busy: BUSY,
    fault: FAULT,
    delay: DELAY,
    clock: CLOCK,
    course: Course,
}

impl<M, SPI, BUSY, FAULT, DELAY, CLOCK> Dipper<M, SPI, BUSY, FAULT, DELAY, CLOCK>
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
        Self { chain: Chain::new(spi), busy, fault, delay, clock, course: Course::default() }
    }

    /// Gives the SPI device and both pins back.
    pub fn release(self) -> (SPI, BUSY, FAULT) {
        (self.chain.release(), self.busy, self.fault)
    }

    /// Forgets old faults as far as they are gone, sets both devices and homes both axes: the lift first, so that the
    /// rack is out of any bath before it goes along.
    ///
    /// # Errors
    /// [`DipError`] other than `Course`.
    pub fn begin(&mut self) -> Result<(), DipError<SPI::Error>> {
        self.course.doubt();
        self.chain.doubt_step();
        for command in [Command::FaultReset, Command::TakeStatus] {
            // Their replies tell of what was before.
            let _ = self.chain.exchange(&[command; DEVICES])?;
        }
        let mut apply = Apply::to_all(Chain::<M, SPI, DEVICES>::LAYOUT, &SETTINGS);
        self.chain.run(&mut apply, &mut self.delay)?;
        for (device, result) in apply.results().iter().enumerate() {
            result.map_err(|error| DipError::Setting { device, error })?;
        }
        self.home(LIFT_HOMING)?;
        self.home(CARRIAGE_HOMING)
    }

    /// Takes the rack through the baths, one after another, and back to the loading place.
    ///
    /// # Errors
    /// [`DipError`].
    pub fn run(&mut self, baths: &[Bath]) -> Result<(), DipError<SPI::Error>> {
        for bath in baths {
            for place in bath.places() {
                self.go(place)?;
            }
            self.dwell(bath.time)?;
            self.go(bath.rim())?;
            self.go(Place { down: Place::default().down, ..bath.rim() })?;
        }
        self.go(Place::default())
    }

    /// Goes to a place on a straight line, and waits until the rack is there.
    ///
    /// # Errors
    /// [`DipError::Course`] if nothing has moved; else `Chain`, `Pin`, `Fault` or `Late`.
    pub fn go(&mut self, place: Place) -> Result<(), DipError<SPI::Error>> {
        let line = self.course.line_to(Chain::<M, SPI, DEVICES>::LAYOUT, place)?;
        self.course.doubt();
        for commands in line.writes() {
            self.chain.send(&commands)?;
        }
        self.chain.send(&line.start())?;
        let begun = self.clock.now();
        while self.busy.is_low().map_err(|error| DipError::pin(&error))? {
            if self.clock.now().saturating_sub(begun) > line.duration() + GRACE {
                self.stop();
                return Err(DipError::Late);
            }
            self.pause()?;
        }
        // A fault ends a motion, too.
        self.look_at_fault()?;
        self.course.arrived(place);
        Ok(())
    }

    /// Stops both axes as steeply as they can and keeps them held, without waiting for it. The machine has to be homed
    /// again.
    pub fn stop(&mut self) {
        self.course.doubt();
        let stop = Command::Stop { ramp: StopRamp::Quick, bridge: BridgeState::Driven };
        // A device that has let go of its motor refuses this, and does not keep the other from being stopped.
        let _ = self.chain.exchange(&[stop; DEVICES]);
    }

    /// Whether it is known where the rack is.
    pub fn is_homed(&self) -> bool {
        self.course.is_homed()
    }

    fn home(&mut self, axis: AxisHoming) -> Result<(), DipError<SPI::Error>> {
        let mut homing = Homing::<1, DEVICES>::new(Chain::<M, SPI, DEVICES>::LAYOUT, [axis]);
        self.chain.run(&mut homing, &mut self.delay)?;
        let [result] = homing.results();
        let (device, _) = axis.place();
        Ok(self.course.homed(device, result)?)
    }

    /// Lets time pass, by the clock: what looking at the line takes counts, too.
    fn dwell(&mut self, time: Duration) -> Result<(), DipError<SPI::Error>> {
        let begun = self.clock.now();
        while self.clock.now().saturating_sub(begun) < time {
            self.pause()?;
        }
        Ok(())
    }

    fn pause(&mut self) -> Result<(), DipError<SPI::Error>> {
        self.look_at_fault()?;
        self.delay.delay_ms(1);
        Ok(())
    }

    fn look_at_fault(&mut self) -> Result<(), DipError<SPI::Error>> {
        if self.fault.is_high().map_err(|error| DipError::pin(&error))? {
            return Ok(());
        }
        self.stop();
        Err(match self.chain.exchange(&[Command::PeekStatus; DEVICES]) {
            Ok(answers) => DipError::fault(&answers),
            Err(error) => error.into(),
        })
    }
}
