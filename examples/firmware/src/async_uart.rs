//! The same UART for an executor: its interrupt takes the bytes in and wakes the task that waits for them.
//!
//! SysTick says how long an answer may take. Both handlers only put something into a channel, and nothing is masked while bytes
//! are under way: interrupts of the application come when they like. Those of the board's pins can also be
//! [armed](arm), so that software pends them amid an exchange.
#![allow(unsafe_code, reason = "interrupts are enabled")]

use core::convert::Infallible;
use core::sync::atomic::{AtomicU32, Ordering};

use cortex_m::interrupt::InterruptNumber;
use cortex_m::peripheral::syst::SystClkSource;
use cortex_m::peripheral::{NVIC, SYST};
use embassy_sync::blocking_mutex::raw::CriticalSectionRawMutex;
use embassy_sync::channel::Channel;
use stepchain_link::AsyncTransport;

use crate::uart::{self, PATIENCE, Receive};

/// What the interrupts have seen: a byte, or that none has come for too long. There is room for more than the longest packet.
static SEEN: Channel<CriticalSectionRawMutex, Option<u8>, 320> = Channel::new();

/// The pins whose interrupts come with the next byte, a bit for each.
static ARMED: AtomicU32 = AtomicU32::new(0);

/// The serial line to the other end of the link, and the processor's SysTick.
pub struct AsyncUart {
    timer: SYST,
}

impl AsyncUart {
    /// The line, if nobody has it yet. Its interrupt and SysTick's are served from now on.
    pub fn take() -> Option<Self> {
        let mut timer = cortex_m::Peripherals::take()?.SYST;
        timer.set_clock_source(SystClkSource::Core);
        timer.set_reload(PATIENCE);
        timer.enable_interrupt();
        // What was on its way to the firmware that ran before is of no use any more.
        while uart::received().is_some() {}
        uart::set_up();
        Some(Self { timer })
    }
}

impl AsyncTransport for AsyncUart {
    type Error = Infallible;

    async fn write(&mut self, bytes: &[u8]) -> Result<(), Infallible> {
        // The emulated line is as fast as the computer; a slow one is better fed by its interrupt, too.
        uart::send(bytes);
        Ok(())
    }

    async fn read(&mut self) -> Result<Option<u8>, Infallible> {
        if let Ok(seen) = SEEN.try_receive() {
            return Ok(seen);
        }
        self.timer.clear_current();
        self.timer.enable_counter();
        let seen = SEEN.receive().await;
        self.timer.disable_counter();
        Ok(seen)
    }
}

/// A pin of the board's first port, 0 to 15.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Pin(pub u8);

/// The number of the first pin's interrupt.
const FIRST_PIN: u16 = 16;
const PINS: u8 = 16;

// SAFETY: 16 and so on are the numbers of this board's GPIO interrupts, one for each pin of the first port.
unsafe impl InterruptNumber for Pin {
    fn number(self) -> u16 {
        FIRST_PIN + u16::from(self.0 % PINS)
    }
}

/// Serves an interrupt by its number; gives the pin if it is one of a pin's.
pub fn serve(number: i16) -> Option<Pin> {
    if number != Receive.number() as i16 {
        return (0..PINS).map(Pin).find(|pin| pin.number() as i16 == number);
    }
    let mut has_come = false;
    while let Some(byte) = uart::received() {
        has_come = true;
        // What finds no place is asked for again.
        let _ = SEEN.try_send(Some(byte));
    }
    let armed = if has_come { ARMED.swap(0, Ordering::SeqCst) } else { 0 };
    (0..PINS).map(Pin).filter(|pin| armed >> pin.0 & 1 == 1).for_each(NVIC::pend);
    // They are served before the task goes on that waits for the byte.
    cortex_m::asm::dsb();
    None
}

/// Serves SysTick: an answer takes too long.
pub fn serve_silence() {
    let _ = SEEN.try_send(None);
}

/// Lets the next byte that comes bring the interrupt of a pin with it: amid an exchange, and at the same place of the
/// application in every run.
pub fn arm(pin: Pin) {
    // SAFETY: the interrupt breaks no critical section: those of this processor mask all of them.
    unsafe { NVIC::unmask(pin) };
    ARMED.fetch_or(1 << (pin.0 % PINS), Ordering::SeqCst);
}
