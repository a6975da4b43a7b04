//! The slide dipper on a controller: the same source as in its tests on the host. It takes the rack through a bath, sets out
//! once more, and panics while both motors run.
#![no_std]
#![no_main]

use core::cell::RefCell;
use core::panic::PanicInfo;
use core::time::Duration;

use cortex_m_rt::entry;
use cortex_m_semihosting::hprintln;
use embedded_hal::delay::DelayNs;
use embedded_hal::digital::PinState;
use stepchain::mechanism::Length;
use stepchain::reference::Latched;
use stepchain_firmware::{BoardError, Uart, begin, let_go, provoke};
use stepchain_link::message::Line;
use stepchain_link::{LinkClock, LinkDelay, LinkInput, LinkSpi};
use stepchain_slide_dipper::machine::DEVICES;
use stepchain_slide_dipper::{Bath, Clock, DipError, Dipper, Place};

const LINE: [Bath; 1] = [bath(20, 10, 100)];

const fn bath(along_mm: i32, depth_mm: i32, milliseconds: u64) -> Bath {
    Bath {
        along: Length::from_millimetres(along_mm),
        depth: Length::from_millimetres(depth_mm),
        time: Duration::from_millis(milliseconds),
    }
}

/// Virtual time, for the application.
struct Ticks<'a>(LinkClock<'a, Uart>);

impl Clock for Ticks<'_> {
    fn now(&mut self) -> Duration {
        self.0.now()
    }
}

/// A delay that bursts behind so many calls, as a mistake somewhere in a firmware does.
struct Fuse<'a> {
    delay: LinkDelay<'a, Uart>,
    calls: &'a RefCell<Option<u32>>,
}

impl DelayNs for Fuse<'_> {
    fn delay_ns(&mut self, ns: u32) {
        if let Some(left) = self.calls.borrow_mut().as_mut() {
            match left.checked_sub(1) {
                Some(less) => *left = less,
                None => {
                    provoke();
                    panic!("this panic is meant, and both motors run");
                }
            }
        }
        self.delay.delay_ns(ns);
    }
}

#[entry]
fn main() -> ! {
    match Uart::take().map(work) {
        Some(Ok(())) => panic!("the fuse did not burn"),
        Some(Err(error)) => panic!("{}", error),
        None => panic!("somebody else has the serial line"),
    }
}

fn work(uart: Uart) -> Result<(), DipError<BoardError>> {
    let link = RefCell::new(begin(uart).map_err(stepchain::Error::Spi)?);
    let line = |line| LinkInput::new(&link, line, PinState::Low);
    let (busy, fault) = (line(Line::Busy { device: None }), line(Line::Fault { device: None }));
    let (clock, calls) = (Ticks(LinkClock::new(&link)), RefCell::new(None));
    let delay = Fuse { delay: LinkDelay::new(&link), calls: &calls };
    let mut dipper = Dipper::<Latched, _, _, _, _, _>::new(LinkSpi::new(&link), busy, fault, delay, clock);
    dipper.begin()?;
    hprintln!("both axes are homed");
    dipper.run(&LINE)?;
    hprintln!("the rack is back");
    *calls.borrow_mut() = Some(100);
    dipper.go(Place::millimetres(40, 20))
}

#[panic_handler]
fn panic(info: &PanicInfo<'_>) -> ! {
    let_go::<Latched, DEVICES>(info)
}
