//! The vial picker on a controller: it counts its three devices, sets and homes them, visits every vial, gets over a fault on
//! the way, and ends with a panic that is meant, so that its handler is seen to let every bridge go.
#![no_std]
#![no_main]

use core::cell::RefCell;
use core::panic::PanicInfo;
use core::time::Duration;

use cortex_m_rt::entry;
use cortex_m_semihosting::hprintln;
use embedded_hal::digital::PinState;
use stepchain::reference::Latched;
use stepchain_firmware::{BoardError, Uart, begin, let_go, provoke};
use stepchain_link::message::Line;
use stepchain_link::{LinkClock, LinkDelay, LinkInput, LinkSpi};
use stepchain_vial_picker::machine::{DEVICES, TRAY};
use stepchain_vial_picker::{Clock, PickError, Picker};

/// Virtual time, for the application.
struct Ticks<'a>(LinkClock<'a, Uart>);

impl Clock for Ticks<'_> {
    fn now(&mut self) -> Duration {
        self.0.now()
    }
}

#[entry]
fn main() -> ! {
    match Uart::take().map(work) {
        Some(Ok(faults)) => {
            hprintln!("every vial was visited, {} fault on the way", faults);
            provoke();
            panic!("this panic is meant")
        }
        Some(Err(error)) => panic!("{}", error),
        None => panic!("somebody else has the serial line"),
    }
}

fn work(uart: Uart) -> Result<u8, PickError<BoardError>> {
    let link = RefCell::new(begin(uart).map_err(stepchain::Error::Spi)?);
    let line = |line| LinkInput::new(&link, line, PinState::Low);
    let (busy, fault) = (line(Line::Busy { device: None }), line(Line::Fault { device: None }));
    let clock = Ticks(LinkClock::new(&link));
    let mut picker =
        Picker::<Latched, _, _, _, _, _>::new(LinkSpi::new(&link), busy, fault, LinkDelay::new(&link), clock);
    picker.check()?;
    hprintln!("{} devices answer", DEVICES);
    picker.begin()?;
    hprintln!("all axes are homed");
    picker.work(&TRAY, 1)
}

#[panic_handler]
fn panic(info: &PanicInfo<'_>) -> ! {
    let_go::<Latched, DEVICES>(info)
}
