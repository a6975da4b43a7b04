//! The machine among interrupts: what they post is pumped by the one task that owns the chain, and the processor sleeps
//! while bytes are under way.

use core::time::Duration;

use embedded_hal_async::delay::DelayNs;
use embedded_hal_async::spi::SpiDevice;
use stepchain::chain::{DeviceError, Step};
use stepchain::homing::Homing;
use stepchain::mailbox::{Answer, PumpFault};
use stepchain::map::{Flag, RegisterMap};
use stepchain::reply::Status;
use stepchain::settings::Apply;
use stepchain::track::UnwrappedPosition;
use stepchain::{AsyncChain, Command, Error};

use crate::desk::{Desk, STOP};
use crate::error::PickError;
use crate::machine::{
    BRAKING, COOLING, DEVICES, DIP, GRACE, HOMING, LOOK_PERIOD, PARK, SETTINGS, Spot, grave_fault, line,
};

/// The machine, its motors described by the map `M`: as [`Picker`](crate::Picker), but told by a [`Desk`] how its devices
/// are and when to stop. It has no pins: the looks that the desk's timer posts say whether a motor runs and what is wrong.
///
/// A future of it that is dropped leaves the motors at what they were doing, and the machine to be homed again.
#[derive(Debug)]
pub struct AsyncPicker<'d, M, SPI, DELAY> {
    chain: AsyncChain<M, SPI, DEVICES>,
    delay: DELAY,
    desk: &'d Desk,
    /// Where the axes stand, once they are homed.
    at: Option<[UnwrappedPosition; DEVICES]>,
    /// What the last look has shown, if it came.
    seen: [Option<Status>; DEVICES],
}

/// What the machine is sent out for.
#[derive(Clone, Copy)]
enum Errand {
    Dip(Spot),
    Park,
}

impl<'d, M, SPI, DELAY> AsyncPicker<'d, M, SPI, DELAY>
where
    M: RegisterMap,
    SPI: SpiDevice,
    DELAY: DelayNs,
{
    /// The machine at a desk. Nothing is sent.
    pub fn new(spi: SPI, delay: DELAY, desk: &'d Desk) -> Self {
        Self { chain: AsyncChain::new(spi), delay, desk, at: None, seen: [None; DEVICES] }
    }

    /// As [`Picker::check`](crate::Picker::check).
    ///
    /// # Errors
    /// [`PickError::Wiring`], [`PickError::Chain`].
    pub async fn check(&mut self) -> Result<(), PickError<SPI::Error>> {
        // Room for four devices of the longest units.
        let mut buffer = [0; 36];
        let checked = self.chain.check_wiring(&mut buffer).await.map_err(Error::Spi)?;
        checked.map(|_| ()).map_err(PickError::Wiring)
    }

    /// As [`Picker::begin`](crate::Picker::begin); the stop key ends the homing, too.
    ///
    /// # Errors
    /// [`PickError`] other than `Wiring` and `Line`.
    pub async fn begin(&mut self) -> Result<(), PickError<SPI::Error>> {
        self.at = None;
        self.chain.doubt_step();
        for command in [Command::FaultReset, Command::TakeStatus] {
            // Their replies tell of what was before.
            let _ = self.chain.exchange(&[command; DEVICES]).await?;
        }
        let mut apply = Apply::to_all(AsyncChain::<M, SPI, DEVICES>::LAYOUT, &SETTINGS);
        self.chain.run(&mut apply, &mut self.delay).await?;
        for (device, result) in apply.results().iter().enumerate() {
            result.map_err(|error| PickError::Setting { device, error })?;
        }
        let layout = AsyncChain::<M, SPI, DEVICES>::LAYOUT;
        let mut homing = Homing::<DEVICES, DEVICES>::new(layout, HOMING).every(LOOK_PERIOD);
        loop {
            match self.chain.poll(&mut homing).await? {
                Step::Done => break,
                Step::Wait(time) => self.pause(time).await,
                Step::Exchange => {}
            }
            if self.desk.is_stopped() {
                homing.stop();
            }
        }
        self.heed_stop_key().await?;
        let mut at = [UnwrappedPosition::ZERO; DEVICES];
        for (device, (place, result)) in at.iter_mut().zip(homing.results()).enumerate() {
            *place = result.map_err(|error| PickError::homing(device, error))?.at;
        }
        self.at = Some(at);
        Ok(())
    }

    /// Begins, if that was not done, dips the needle into one vial after another and parks it. After a fault the machine waits
    /// until what was hot has cooled; after that, or when the stop key was pressed, it begins anew and goes on with the same
    /// vial, up to `patience` times in all. Gives how often it had to.
    ///
    /// # Errors
    /// [`PickError`].
    pub async fn work(&mut self, vials: &[Spot], patience: u8) -> Result<u8, PickError<SPI::Error>> {
        let mut interruptions = 0;
        for errand in vials.iter().copied().map(Errand::Dip).chain([Errand::Park]) {
            while let Err(error) = self.run(errand).await {
                if interruptions >= patience {
                    return Err(error);
                }
                match error {
                    PickError::Fault { .. } => self.pause(COOLING).await,
                    PickError::Stopped => {}
                    other => return Err(other),
                }
                interruptions += 1;
            }
        }
        Ok(interruptions)
    }

    /// Lets the wheel drive the carriage until the stop key is pressed, or until so much time has passed. The machine has to
    /// be homed again.
    ///
    /// # Errors
    /// [`PickError::Chain`], [`PickError::Fault`], [`PickError::Late`] if the motors run on after the stop.
    pub async fn jog(&mut self, most: Duration) -> Result<(), PickError<SPI::Error>> {
        self.at = None;
        self.desk.listen_to_wheel();
        let periods = most.as_millis() / LOOK_PERIOD.as_millis().max(1);
        for _ in 0..periods {
            self.look().await?;
            if self.desk.is_stopped() {
                break;
            }
        }
        // As the key does, so that the wheel has no say any more, whoever ended it.
        self.desk.interrupt(crate::desk::Interrupt::StopKey);
        match self.heed_stop_key().await {
            Err(PickError::Stopped) => Ok(()),
            other => other,
        }
    }

    /// Stops all axes as steeply as they can and keeps them held, without waiting for it. The machine has to be homed
    /// again.
    pub async fn stop(&mut self) {
        self.at = None;
        // A device that has let go of its motor refuses this, and does not keep the others from being stopped.
        let _ = self.chain.exchange(&[STOP; DEVICES]).await;
    }

    async fn run(&mut self, errand: Errand) -> Result<(), PickError<SPI::Error>> {
        if self.at.is_none() {
            self.begin().await?;
        }
        let Errand::Dip(vial) = errand else { return self.go(PARK).await };
        self.go(vial.above()).await?;
        self.go(vial).await?;
        self.pause(DIP).await;
        self.go(vial.above()).await
    }

    /// Goes to a spot on a straight line, and waits until the needle is there.
    ///
    /// # Errors
    /// [`PickError::NotHomed`] and [`PickError::Line`] if nothing has moved; else `Chain`, `Fault`, `Stopped` or `Late`.
    pub async fn go(&mut self, spot: Spot) -> Result<(), PickError<SPI::Error>> {
        let from = self.at.ok_or(PickError::NotHomed)?;
        // What was posted since the last look is older than this line.
        self.pump().await?;
        self.heed_stop_key().await?;
        let line = line(AsyncChain::<M, SPI, DEVICES>::LAYOUT, from, spot).map_err(PickError::Line)?;
        self.at = None;
        for commands in line.writes().chain([line.start()]) {
            if let Err(error) = self.chain.send(&commands).await {
                // A device that has let go of its motor refuses to move it, and the look says why.
                self.look().await?;
                return Err(error.into());
            }
        }
        let periods = (line.duration() + GRACE).as_millis() / LOOK_PERIOD.as_millis().max(1);
        for _ in 0..=periods {
            self.look().await?;
            self.heed_stop_key().await?;
            if self.is_still() {
                self.at = Some(spot.positions());
                return Ok(());
            }
        }
        self.stop().await;
        Err(PickError::Late)
    }

    /// Waits until the motors stand, if the stop key was pressed.
    async fn heed_stop_key(&mut self) -> Result<(), PickError<SPI::Error>> {
        if !self.desk.take_stop() {
            return Ok(());
        }
        self.at = None;
        self.pump().await?;
        for _ in 0..BRAKING.as_millis() / LOOK_PERIOD.as_millis().max(1) {
            self.look().await?;
            if self.is_still() {
                return Err(PickError::Stopped);
            }
        }
        self.stop().await;
        Err(PickError::Late)
    }

    /// Lets a period pass, in which the timer posts its look, and pumps.
    async fn look(&mut self) -> Result<(), PickError<SPI::Error>> {
        self.seen = [None; DEVICES];
        self.pause(LOOK_PERIOD).await;
        self.pump().await?;
        match grave_fault(&self.seen) {
            None => Ok(()),
            found => {
                self.stop().await;
                Err(PickError::Fault { found })
            }
        }
    }

    /// Whether the last look has shown all motors at rest.
    fn is_still(&self) -> bool {
        self.seen.iter().all(|seen| seen.is_some_and(|status| status.flag(Flag::Busy) == Some(false)))
    }

    /// Sends what was posted, until nothing waits.
    async fn pump(&mut self) -> Result<(), PickError<SPI::Error>> {
        loop {
            let answers = match self.desk.mailbox().pump_async(&mut self.chain).await {
                Ok(answers) => answers,
                Err(error) => match error.error {
                    PumpFault::Chain(error) if !matches!(error, Error::NotNow { .. }) => return Err(error.into()),
                    // What is not sent now is not sent any more: a stop of a motor that is free, a velocity that came late.
                    _ => continue,
                },
            };
            if answers.iter().all(Option::is_none) {
                return Ok(());
            }
            for (device, answer) in answers.iter().enumerate() {
                self.note(device, *answer)?;
            }
        }
    }

    fn note(&mut self, device: usize, answer: Option<Answer>) -> Result<(), PickError<SPI::Error>> {
        let Some(Answer { posted, result, .. }) = answer else { return Ok(()) };
        let is_look = posted.command.command == Command::PeekStatus;
        if is_look {
            self.desk.has_looked();
        }
        match result {
            Ok(reply) => {
                if let Some(seen) = self.seen.get_mut(device).filter(|_| is_look) {
                    *seen = reply.status;
                }
                Ok(())
            }
            Err(DeviceError::Reply(error)) => Err(Error::Reply { device, error }.into()),
            // The looks show in which state a device is that refuses to stop or to turn.
            Err(_) => Ok(()),
        }
    }

    async fn pause(&mut self, time: Duration) {
        self.delay.delay_ms(u32::try_from(time.as_millis()).unwrap_or(u32::MAX)).await;
    }
}
