//! The vial picker among interrupts: one task of an executor owns the chain and sleeps while bytes are under way; the look
//! timer, the stop key and the wheel are interrupts that post into the mailbox of its desk. Ends as the blocking one does.
#![no_std]
#![no_main]

use core::panic::PanicInfo;

use cortex_m_rt::{entry, exception};
use cortex_m_semihosting::hprintln;
use embassy_executor::{Executor, Spawner};
use static_cell::StaticCell;
use stepchain::Error;
use stepchain::reference::Latched;
use stepchain_firmware::{AsyncUart, BoardError, Pin, arm, let_go, provoke, serve, serve_silence};
use stepchain_link::AsyncLink;
use stepchain_vial_picker::machine::{DEVICES, PATIENCE, SHIFT, TRAY, WHEEL_TIME};
use stepchain_vial_picker::moments::Moments;
use stepchain_vial_picker::{AsyncPicker, Desk, Interrupt, PickError};

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
    let (spi, delay) = (moments.in_each(link.spi()), moments.in_each(link.delay()));
    let mut picker = AsyncPicker::<Latched, _, _>::new(spi, delay, &DESK);
    picker.check().await?;
    hprintln!("{} devices answer", DEVICES);
    let interruptions = picker.work(&TRAY, PATIENCE).await?;
    picker.jog(WHEEL_TIME).await?;
    hprintln!("the wheel has had its say");
    picker.work(&[], 0).await?;
    Ok((interruptions, moments.dealings()))
}

/// Every interrupt of the board. Those of the pins post into the mailbox, and the task finds it there.
#[exception]
#[allow(unsafe_code, reason = "how a handler is declared")]
unsafe fn DefaultHandler(number: i16) {
    let pin = serve(number);
    for (_, interrupt) in WIRED.iter().filter(|(wired, _)| Some(*wired) == pin) {
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
