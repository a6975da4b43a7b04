//! The vial picker among interrupts: one task of an executor owns the chain and sleeps while bytes are under way; the look
//! timer, the stop key and the wheel are interrupts that post into the mailbox of its desk. Ends as the blocking one does.
#![no_std]
#![no_main]

use core::panic::PanicInfo;

use cortex_m_rt::{entry, exception};
use cortex_m_semihosting::hprintln;
use embassy_executor::{Executor, Spawner};
use embedded_hal_async::delay::DelayNs;
use static_cell::StaticCell;
use stepchain::Error;
use stepchain::reference::Latched;
use stepchain_firmware::{AsyncUart, BoardError, Pin, Said, arm, let_go, provoke, said, serve, serve_silence};
use stepchain_link::AsyncLink;
use stepchain_link::packet::MOST_BODY;
use stepchain_vial_picker::machine::{DEVICES, PATIENCE, SETTINGS, SHIFT, TRAY, WHEEL_TIME};
use stepchain_vial_picker::moments::Moments;
use stepchain_vial_picker::{AsyncPicker, Desk, Interrupt, PickError};

/// What is logged goes over the link and is kept at its other end.
#[defmt::global_logger]
struct Logger;

#[allow(unsafe_code, reason = "handed on")]
// SAFETY: each call is handed on to a logger, with the same conditions.
unsafe impl defmt::Logger for Logger {
    fn acquire() {
        Said::acquire();
    }

    unsafe fn flush() {
        unsafe { Said::flush() };
    }

    unsafe fn release() {
        unsafe { Said::release() };
    }

    unsafe fn write(bytes: &[u8]) {
        unsafe { Said::write(bytes) };
    }
}

/// A delay before which the log is taken to the other end: that takes no virtual time, and a chain is not waited for.
struct Telling<'a> {
    link: &'a AsyncLink<AsyncUart>,
}

impl Telling<'_> {
    async fn tell(&self) {
        let mut bytes = [0; MOST_BODY];
        let words = said(&mut bytes);
        if !words.is_empty() {
            // A log that is lost is told by whatever is asked next.
            let _ = self.link.log(words).await;
        }
    }
}

impl DelayNs for Telling<'_> {
    async fn delay_ns(&mut self, ns: u32) {
        self.tell().await;
        self.link.delay().delay_ns(ns).await;
    }

    async fn delay_us(&mut self, us: u32) {
        self.tell().await;
        self.link.delay().delay_us(us).await;
    }

    async fn delay_ms(&mut self, ms: u32) {
        self.tell().await;
        self.link.delay().delay_ms(ms).await;
    }
}

static DESK: Desk = Desk::new();
static EXECUTOR: StaticCell<Executor> = StaticCell::new();

/// What is wired to which pin.
const WIRED: [(Pin, Interrupt); 4] = [
    (Pin(0), Interrupt::Look),
    (Pin(1), Interrupt::StopKey),
    (Pin(2), Interrupt::Wheel { is_up: true }),
    (Pin(3), Interrupt::Wheel { is_up: false }),
];

#[entry]
fn main() -> ! {
    let Some(uart) = AsyncUart::take() else { panic!("somebody else has the serial line") };
    EXECUTOR.init(Executor::new()).run(|spawner: Spawner| match own(uart) {
        Ok(task) => spawner.spawn(task),
        Err(error) => panic!("{:?}", error),
    })
}

/// The task that owns the chain.
#[embassy_executor::task]
async fn own(uart: AsyncUart) {
    match work(uart).await {
        Ok((interruptions, dealings)) => {
            hprintln!("every vial was visited, {} interruptions in {} dealings", interruptions, dealings);
            provoke();
            panic!("this panic is meant")
        }
        Err(error) => panic!("{}", error),
    }
}

async fn work(uart: AsyncUart) -> Result<(u8, u32), PickError<BoardError>> {
    let (link, greeting) = AsyncLink::begin(uart, 1).await.map_err(|(error, _)| Error::Spi(error))?;
    hprintln!("{} devices at the other end", greeting.devices);
    let moments = Moments::new(&SHIFT, |interrupt| {
        WIRED.iter().filter(|(_, wired)| *wired == interrupt).for_each(|(pin, _)| arm(*pin));
    });
    let (spi, delay) = (moments.in_each(link.spi()), moments.in_each(Telling { link: &link }));
    let mut picker = AsyncPicker::<Latched, _, _>::new(spi, delay, &DESK);
    picker.check().await?;
    hprintln!("{} devices answer", DEVICES);
    defmt::info!("{} devices answer, and are going to be set to {}", DEVICES, SETTINGS);
    let interruptions = picker.work(&TRAY, PATIENCE).await?;
    defmt::info!("every vial was visited, {} interruptions on the way", interruptions);
    picker.jog(WHEEL_TIME).await?;
    hprintln!("the wheel has had its say");
    picker.work(&[], 0).await?;
    defmt::info!("parked after {} dealings", moments.dealings());
    Ok((interruptions, moments.dealings()))
}

/// Every interrupt of the board. Those of the pins post into the mailbox, and the task finds it there.
#[exception]
#[allow(unsafe_code, reason = "how a handler is declared")]
unsafe fn DefaultHandler(number: i16) {
    let pin = serve(number);
    for (_, interrupt) in WIRED.iter().filter(|(wired, _)| Some(*wired) == pin) {
        match interrupt {
            Interrupt::Look => {}
            Interrupt::StopKey => defmt::warn!("the stop key was pressed"),
            Interrupt::Wheel { is_up } => defmt::debug!("the wheel was turned, up: {}", is_up),
        }
        DESK.interrupt(*interrupt);
    }
}

#[exception]
fn SysTick() {
    serve_silence();
}

#[panic_handler]
fn panic(info: &PanicInfo<'_>) -> ! {
    let_go::<Latched, DEVICES>(info)
}
