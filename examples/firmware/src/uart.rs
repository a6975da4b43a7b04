//! The board's first UART, a simple peripheral with a data, a state, a control, an interrupt and a divider register; and the
//! processor's SysTick, which says how long an answer may take.
//!
//! The processor sleeps until one of the two has something to say. Neither has a handler: interrupts are masked, and one that
//! is pending ends the sleep all the same.
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
const PATIENCE: u32 = 5_000_000;

/// The UART's interrupt: a byte was received.
#[derive(Clone, Copy)]
struct Receive;

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
        // SAFETY: the addresses are those of this board's UART, whose registers bear any order of accesses; and an interrupt
        // that is masked breaks no critical section.
        unsafe {
            ptr::write_volatile(DIVIDER, DIVISOR);
            ptr::write_volatile(CONTROL, ENABLE_BOTH | INTERRUPT_WHEN_RECEIVED);
            NVIC::unmask(Receive);
        }
        Self { _one_only: () }
    }

    fn state(&self) -> u32 {
        // SAFETY: as above.
        unsafe { ptr::read_volatile(STATE) }
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
        for byte in bytes {
            while self.state() & TRANSMIT_FULL != 0 {}
            // SAFETY: as above.
            unsafe { ptr::write_volatile(DATA, u32::from(*byte)) };
        }
        Ok(())
    }

    fn read(&mut self) -> Result<Option<u8>, Infallible> {
        if self.state() & RECEIVE_FULL == 0 {
            let mut timer = Self::timer();
            while self.state() & RECEIVE_FULL == 0 {
                if timer.has_wrapped() {
                    return Ok(None);
                }
                cortex_m::asm::wfi();
                SCB::clear_pendst();
            }
        }
        // SAFETY: as above. What is received between the two accesses pends anew.
        let byte = unsafe {
            ptr::write_volatile(INTERRUPTS, RECEIVED);
            ptr::read_volatile(DATA)
        };
        NVIC::unpend(Receive);
        Ok(Some(byte as u8))
    }
}
