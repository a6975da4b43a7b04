//! The vial picker on an STM32F411, behind a HAL whose transfers block. Compiled in the checks, not run.
//!
//! ```text
//!   PA5 sck, PA6 miso, PA7 mosi, PA4 cs       SPI1: to the chain
//!   PB0 busy, PB1 fault                       open drain and active low, of all devices
//!   TIM2 clock, TIM3 delay, TIM5 spacing      microseconds
//! ```
//!
//! The chain has its bus to itself: `ExclusiveDevice` of embedded-hal-bus makes bus and pin the one SPI device that the driver
//! wants. Where others hang on the bus, `RefCellDevice` or `CriticalSectionDevice` of the same crate take its place; the
//! latter transfers with interrupts off.
#![no_std]
#![no_main]

use core::panic::PanicInfo;
use core::time::Duration;

use cortex_m_rt::entry;
use embedded_hal_bus::spi::{ExclusiveDevice, NoDelay};
use stepchain::map::RegisterMap;
use stepchain::reference::Latched;
use stepchain::{Chain, release};
use stepchain_spaced::Spaced;
use stepchain_vial_picker::machine::{DEVICES, TRAY};
use stepchain_vial_picker::{Clock, Picker};
use stm32f4xx_hal::gpio::{Input, Output, PA4, PB0, PB1};
use stm32f4xx_hal::pac::{self, SPI1, TIM2, TIM3, TIM5};
use stm32f4xx_hal::prelude::*;
use stm32f4xx_hal::rcc::Config;
use stm32f4xx_hal::spi::Spi;
use stm32f4xx_hal::timer::{CounterUs, DelayUs};

/// The chain's port: bus, chip select, and the time between two selections.
type Port = Spaced<ExclusiveDevice<Spi<SPI1>, PA4<Output>, NoDelay>, DelayUs<TIM5>>;

/// What the application needs of the board.
struct Board {
    port: Port,
    busy: PB0<Input>,
    fault: PB1<Input>,
    delay: DelayUs<TIM3>,
    clock: Ticks,
}

impl Board {
    /// Sets the peripherals up, whatever they were doing.
    fn new(peripherals: pac::Peripherals) -> Self {
        // The oscillator that runs after a reset: this may be done again at any time.
        let mut rcc = peripherals.RCC.freeze(Config::hsi());
        let (a, b) = (peripherals.GPIOA.split(&mut rcc), peripherals.GPIOB.split(&mut rcc));
        // High before it is an output: a chip select that falls and rises latches what happens to stand in the devices.
        let select = a.pa4.into_push_pull_output_in_state(stm32f4xx_hal::gpio::PinState::High);
        let wire = Latched::LAYOUT.wire;
        let pins = (Some(a.pa5), Some(a.pa6), Some(a.pa7));
        // The HAL takes the next lower clock that it can make.
        let bus = Spi::new(
            peripherals.SPI1,
            pins,
            Chain::<Latched, Port, DEVICES>::spi_mode(),
            wire.max_clock_hz.Hz(),
            &mut rcc,
        );
        let Ok(device) = ExclusiveDevice::new_no_delay(bus, select);
        let mut timer = peripherals.TIM2.counter_us(&mut rcc);
        // The longest time that it can count; it goes on from the start.
        let _ = timer.start(u32::MAX.micros());
        Self {
            port: Spaced::new(device, peripherals.TIM5.delay_us(&mut rcc), wire.min_deselect_ns),
            busy: b.pb0.into_pull_up_input(),
            fault: b.pb1.into_pull_up_input(),
            delay: peripherals.TIM3.delay_us(&mut rcc),
            clock: Ticks { timer, last_us: 0, passed: Duration::ZERO },
        }
    }
}

/// A clock of a counter that runs over every 71 minutes, and is looked at more often than that.
struct Ticks {
    timer: CounterUs<TIM2>,
    last_us: u32,
    passed: Duration,
}

impl Clock for Ticks {
    fn now(&mut self) -> Duration {
        let now_us = self.timer.now().ticks();
        self.passed += Duration::from_micros(now_us.wrapping_sub(self.last_us).into());
        self.last_us = now_us;
        self.passed
    }
}

#[entry]
fn main() -> ! {
    let Some(peripherals) = pac::Peripherals::take() else { panic!("somebody else has the peripherals") };
    let Board { mut port, busy, fault, delay, clock } = Board::new(peripherals);
    // The devices know nothing of a reset of this processor, and go on with what they were told last.
    let Ok(()) = release::send::<Latched, _, DEVICES>(&mut port) else { panic!("the bus has failed") };
    let mut picker = Picker::<Latched, _, _, _, _, _>::new(port, busy, fault, delay, clock);
    let work = picker.check().and_then(|()| picker.begin()).and_then(|()| {
        loop {
            picker.work(&TRAY, 1)?;
        }
    });
    match work {
        Err(error) => panic!("{}", error),
        Ok(never) => never,
    }
}

/// Every bridge lets go. What the firmware may have been in the middle of is not used: all is taken anew.
#[panic_handler]
fn panic(_: &PanicInfo<'_>) -> ! {
    cortex_m::interrupt::disable();
    #[allow(unsafe_code, reason = "nobody goes on who had the peripherals")]
    let peripherals = unsafe { pac::Peripherals::steal() };
    let mut port = Board::new(peripherals).port;
    loop {
        // Again and again: the supply of a device may have been away when the first one came.
        let _ = release::send::<Latched, _, DEVICES>(&mut port);
    }
}
