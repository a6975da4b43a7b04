//! The board's first UART, a simple peripheral with a data, a state, a control, an interrupt and a divider register; and the
//! processor's SysTick, which says how long an answer may take.
//!
//! [`Uart`] is for firmware that blocks: the processor sleeps until one of the two has something to say. Neither has a
//! handler: interrupts are masked, and one that is pending ends the sleep all the same. For an executor there is
//! [`AsyncUart`](crate::AsyncUart), on the same registers.
#![allow(unsafe_code, reason = "device registers")]

use core::convert::Infallible;
use core::ptr;

use cortex_m::interrupt::InterruptNumber;
use cortex_m::peripheral::syst::SystClkSource;
use cortex_m::peripheral::{NVIC, SCB, SYST};
use stepchain_link::Transport;

const DATA: *mut u32 = 0x4000_4000 as *mut u32;
const STATE: *mut u32 = 0x4000_4004 as *mut u32;
const CONTROL: *mut u32 = 0x4000_4008 as *mut u32;
const INTERRUPTS: *mut u32 = 0x4000_400C as *mut u32;
const DIVIDER: *mut u32 = 0x4000_4010 as *mut u32;

const TRANSMIT_FULL: u32 = 1 << 0;
const RECEIVE_FULL: u32 = 1 << 1;
const ENABLE_BOTH: u32 = 0b11;
const INTERRUPT_WHEN_RECEIVED: u32 = 1 << 3;
const RECEIVED: u32 = 1 << 1;
/// 25 MHz over this are 1.56 MBd; the emulated line is as fast as the computer.
const DIVISOR: u32 = 16;

/// How long an answer may take before it is asked for again: 200 ms at 25 MHz. The counter has 24 bits.
pub(crate) const PATIENCE: u32 = 5_000_000;

/// The UART's interrupt: a byte was received.
#[derive(Clone, Copy)]
pub(crate) struct Receive;

// SAFETY: 0 is the number of this board's UART0 for a received byte.
unsafe impl InterruptNumber for Receive {
    fn number(self) -> u16 {
        0
    }
}

/// The serial line to the other end of the link.
#[derive(Debug)]
pub struct Uart {
    _one_only: (),
}

impl Uart {
    /// The line, if nobody has it yet. SysTick goes with it, and interrupts are masked from now on.
    pub fn take() -> Option<Self> {
        // Whoever has the processor's peripherals, has this one; there is no second way to them.
        cortex_m::Peripherals::take().map(|_| Self::anew())
    }

    /// The line once more, whoever has it: for the panic handler, behind which nobody goes on.
    pub(crate) fn anew() -> Self {
        cortex_m::interrupt::disable();
        set_up();
        Self { _one_only: () }
    }

    /// Starts the time of an answer, and gives the counter to look at.
    fn timer() -> SYST {
        // SAFETY: nothing else in these images uses SysTick.
        let mut timer = unsafe { cortex_m::Peripherals::steal() }.SYST;
        timer.set_clock_source(SystClkSource::Core);
        timer.set_reload(PATIENCE);
        timer.clear_current();
        timer.enable_interrupt();
        timer.enable_counter();
        timer
    }
}

impl Transport for Uart {
    type Error = Infallible;

    fn write(&mut self, bytes: &[u8]) -> Result<(), Infallible> {
        send(bytes);
        Ok(())
    }

    fn read(&mut self) -> Result<Option<u8>, Infallible> {
        let byte = received().or_else(|| {
            let mut timer = Self::timer();
            loop {
                match received() {
                    None if timer.has_wrapped() => return None,
                    None => {}
                    byte => return byte,
                }
                cortex_m::asm::wfi();
                SCB::clear_pendst();
            }
        });
        NVIC::unpend(Receive);
        Ok(byte)
    }
}

/// Lets the UART go at its speed and ask for attention when a byte was received.
pub(crate) fn set_up() {
    // SAFETY: the addresses are those of this board's UART, whose registers bear any order of accesses; and who sets it up
    // holds no critical section that its interrupt could break.
    unsafe {
        ptr::write_volatile(DIVIDER, DIVISOR);
        ptr::write_volatile(CONTROL, ENABLE_BOTH | INTERRUPT_WHEN_RECEIVED);
        NVIC::unmask(Receive);
    }
}

/// Sends bytes, each as soon as there is room for it.
pub(crate) fn send(bytes: &[u8]) {
    for byte in bytes {
        // SAFETY: as above.
        while unsafe { ptr::read_volatile(STATE) } & TRANSMIT_FULL != 0 {}
        // SAFETY: as above.
        unsafe { ptr::write_volatile(DATA, u32::from(*byte)) };
    }
}

/// The byte that was received, if there is one. What is received after it asks for attention anew.
pub(crate) fn received() -> Option<u8> {
    // SAFETY: as above.
    if unsafe { ptr::read_volatile(STATE) } & RECEIVE_FULL == 0 {
        return None;
    }
    // SAFETY: as above.
    let byte = unsafe {
        ptr::write_volatile(INTERRUPTS, RECEIVED);
        ptr::read_volatile(DATA)
    };
    Some(byte as u8)
}
