//! The vial picker on an RP2040, behind a HAL whose transfers are DMA's and are awaited. Compiled in the checks, not run.
//!
//! ```text
//!   GPIO 18 sck, 19 mosi, 16 miso, 17 cs    SPI0 with DMA channels 0 and 1: to the chain
//!   GPIO 2 stop key, 3 and 4 wheel          active low
//!
//!   thread          owner: AsyncPicker, which sleeps while DMA shifts;  feeder of the watchdog
//!   SWI_IRQ_1       keys, wheel, look timer: post into the desk's mailbox, whatever the thread is at
//! ```
//!
//! Not a byte is shifted inside a critical section, so no interrupt waits for the bus.
#![no_std]
#![no_main]

use core::panic::PanicInfo;

use cortex_m_rt::entry;
use embassy_executor::{Executor, InterruptExecutor};
use embassy_rp::gpio::{Input, Level, Output, Pull};
use embassy_rp::interrupt::{self, InterruptExt, Priority};
use embassy_rp::peripherals::{DMA_CH0, DMA_CH1, SPI0, WATCHDOG};
use embassy_rp::spi::{self, Async, Phase, Polarity, Spi};
use embassy_rp::watchdog::Watchdog;
use embassy_rp::{Peri, Peripherals, bind_interrupts, dma};
use embassy_time::{Delay, Duration, Ticker, Timer};
use embedded_hal::spi as hal;
use embedded_hal_bus::spi::ExclusiveDevice;
use static_cell::StaticCell;
use stepchain::map::RegisterMap;
use stepchain::reference::Latched;
use stepchain::release;
use stepchain_spaced::Spaced;
use stepchain_vial_picker::machine::{DEVICES, LOOK_PERIOD, TRAY};
use stepchain_vial_picker::{AsyncPicker, Desk, Interrupt};

bind_interrupts!(struct Served {
    DMA_IRQ_0 => dma::InterruptHandler<DMA_CH0>, dma::InterruptHandler<DMA_CH1>;
});

static DESK: Desk = Desk::new();
static THREAD: StaticCell<Executor> = StaticCell::new();
static ABOVE: InterruptExecutor = InterruptExecutor::new();

/// How long the owner and the feeder may be kept from running before the watchdog resets the processor.
const PATIENCE: Duration = Duration::from_millis(500);

/// SPI as the map wants it, in this HAL's words.
fn config() -> spi::Config {
    let mode = Latched::LAYOUT.wire.mode.to_hal();
    let mut config = spi::Config::default();
    config.frequency = Latched::LAYOUT.wire.max_clock_hz;
    config.polarity = match mode.polarity {
        hal::Polarity::IdleLow => Polarity::IdleLow,
        hal::Polarity::IdleHigh => Polarity::IdleHigh,
    };
    config.phase = match mode.phase {
        hal::Phase::CaptureOnFirstTransition => Phase::CaptureOnFirstTransition,
        hal::Phase::CaptureOnSecondTransition => Phase::CaptureOnSecondTransition,
    };
    config
}

#[entry]
fn main() -> ! {
    let board: Peripherals = embassy_rp::init(embassy_rp::config::Config::default());
    // High from the first moment: a chip select that falls and rises latches what happens to stand in the devices.
    let select = Output::new(board.PIN_17, Level::High);
    let (sck, mosi, miso) = (board.PIN_18, board.PIN_19, board.PIN_16);
    let bus = Spi::new(board.SPI0, sck, mosi, miso, board.DMA_CH0, board.DMA_CH1, Served, config());

    interrupt::SWI_IRQ_1.set_priority(Priority::P2);
    let above = ABOVE.start(interrupt::SWI_IRQ_1);
    let keys = [
        (Input::new(board.PIN_2, Pull::Up), Interrupt::StopKey),
        (Input::new(board.PIN_3, Pull::Up), Interrupt::Wheel { is_up: true }),
        (Input::new(board.PIN_4, Pull::Up), Interrupt::Wheel { is_up: false }),
    ];
    for (pin, interrupt) in keys {
        let Ok(task) = key(pin, interrupt) else { panic!("a task for each key") };
        above.spawn(task);
    }
    let Ok(task) = look() else { panic!("one look timer") };
    above.spawn(task);

    THREAD.init(Executor::new()).run(|thread| {
        let (Ok(own), Ok(feed)) = (own(bus, select), feed(board.WATCHDOG)) else { panic!("one of each") };
        thread.spawn(own);
        thread.spawn(feed);
    })
}

/// The interrupt in which keys, wheel and look timer run.
#[embassy_rp::interrupt]
#[allow(unsafe_code, reason = "called by this handler and by nobody else")]
fn SWI_IRQ_1() {
    unsafe { ABOVE.on_interrupt() }
}

/// Posts for a key, and lets its contacts come to rest.
#[embassy_executor::task(pool_size = 3)]
async fn key(mut pin: Input<'static>, interrupt: Interrupt) {
    loop {
        pin.wait_for_falling_edge().await;
        DESK.interrupt(interrupt);
        Timer::after_millis(5).await;
    }
}

/// Posts the look for which the owner waits.
#[embassy_executor::task]
async fn look() {
    let mut ticker = Ticker::every(Duration::from_millis(LOOK_PERIOD.as_millis() as u64 / 2));
    loop {
        ticker.next().await;
        DESK.interrupt(Interrupt::Look);
    }
}

/// Owns the chain.
#[embassy_executor::task]
async fn own(bus: Spi<'static, SPI0, Async>, select: Output<'static>) {
    let Ok(device) = ExclusiveDevice::new(bus, select, Delay);
    let mut port = Spaced::new(device, Delay, Latched::LAYOUT.wire.min_deselect_ns);
    // The devices know nothing of a reset of this processor, and go on with what they were told last.
    for frame in release::frames::<Latched, DEVICES>() {
        let Ok(()) = embedded_hal_async::spi::SpiDevice::write(&mut port, frame).await else {
            panic!("the bus has failed")
        };
    }
    let mut picker = AsyncPicker::<Latched, _, _>::new(port, Delay, &DESK);
    let mut outcome = picker.check().await;
    while outcome.is_ok() {
        outcome = picker.work(&TRAY, 1).await.map(|_| ());
    }
    panic!("{:?}", outcome)
}

/// Feeds the watchdog as long as the executor of the owner has its turns.
#[embassy_executor::task]
async fn feed(watchdog: Peri<'static, WATCHDOG>) {
    let mut watchdog = Watchdog::new(watchdog);
    watchdog.start(PATIENCE);
    loop {
        Timer::after(PATIENCE / 4).await;
        watchdog.feed(PATIENCE);
    }
}

/// Every bridge lets go. What the firmware may have been in the middle of is not used: bus and pin are taken anew, and the
/// frames go out without DMA.
#[panic_handler]
fn panic(_: &PanicInfo<'_>) -> ! {
    cortex_m::interrupt::disable();
    #[allow(unsafe_code, reason = "nobody goes on who had the peripherals")]
    let board = unsafe { Peripherals::steal() };
    let select = Output::new(board.PIN_17, Level::High);
    let bus = Spi::new_blocking(board.SPI0, board.PIN_18, board.PIN_19, board.PIN_16, config());
    let Ok(device) = ExclusiveDevice::new(bus, select, Delay);
    let mut port = Spaced::new(device, Delay, Latched::LAYOUT.wire.min_deselect_ns);
    // Until the watchdog ends it.
    loop {
        let _ = release::send::<Latched, _, DEVICES>(&mut port);
    }
}
