//! Measures how deep the stack gets below `main`: paints it, runs the whole application on both maps, and looks where the
//! paint is gone.
//!
//! The devices answer at random, by a seed, with correct checks where the map has one: so every refusal, doubt and failure
//! of the procedures is met, and homing goes through all of its stages.
#![no_std]
#![no_main]

use core::convert::Infallible;
use core::hint::black_box;
use core::ptr;

use cortex_m::register::msp;
use cortex_m_rt::entry;
use cortex_m_semihosting::{debug, hprintln};
use embedded_hal::spi::{ErrorType, Operation, SpiDevice};
use stepchain::Chain;
use stepchain::map::RegisterMap;
use stepchain::reference::{FixedWord, Latched};
use stepchain_budgets::application::{DEVICES, bring_up, round};

#[panic_handler]
fn panic(_: &core::panic::PanicInfo<'_>) -> ! {
    debug::exit(debug::EXIT_FAILURE);
    loop {}
}

/// Painted below `main`, in words.
const WORDS: u32 = 4096;
const PAINT: u32 = 0xA5C3_3C5A;
const ROUNDS: u32 = 300;

/// Devices that answer anything; `word` bytes at a time end with a check, if there is one.
struct AtRandom {
    state: u32,
    word: usize,
}

impl AtRandom {
    fn next(&mut self) -> u8 {
        self.state ^= self.state << 13;
        self.state ^= self.state >> 17;
        self.state ^= self.state << 5;
        // Zeros often: an answer may have to say that nothing is wrong.
        if self.state & 0x300 == 0 { 0 } else { self.state as u8 & (self.state >> 16) as u8 }
    }
}

impl ErrorType for AtRandom {
    type Error = Infallible;
}

impl SpiDevice for AtRandom {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), Infallible> {
        for operation in operations {
            let Operation::TransferInPlace(frame) = operation else {
                continue;
            };
            for byte in frame.iter_mut() {
                *byte = self.next();
            }
            if self.word == 6 {
                for word in frame.chunks_exact_mut(6) {
                    if let [head, .., last] = word {
                        *head &= 0x65;
                        *last = 0;
                    }
                    let crc = word.iter().take(5).fold(0xFFu8, |register, byte| {
                        (0..8).fold(register ^ byte, |r, _| if r & 0x80 != 0 { r << 1 ^ 0x2F } else { r << 1 })
                    });
                    if let [.., last] = word {
                        *last = crc ^ 0xFF;
                    }
                }
            }
        }
        Ok(())
    }
}

#[inline(never)]
fn application<M: RegisterMap>(word: usize) {
    let mut chain = Chain::<M, _, DEVICES>::new(AtRandom { state: 0x1234_5678, word });
    for _ in 0..ROUNDS {
        black_box(bring_up(&mut chain));
        round(&mut chain);
    }
}

/// Bytes of the stack that a call has used.
#[inline(never)]
fn depth_of(call: fn()) -> u32 {
    let top = msp::read() - 64;
    let bottom = top - 4 * WORDS;
    for word in 0..WORDS {
        // SAFETY: below the stack pointer there is nothing but free memory, as much as the linker script leaves.
        unsafe { ptr::write_volatile((bottom + 4 * word) as *mut u32, PAINT) };
    }
    call();
    // SAFETY: as above.
    let painted =
        (0..WORDS).take_while(|word| unsafe { ptr::read_volatile((bottom + 4 * word) as *const u32) } == PAINT);
    top - bottom - 4 * painted.count() as u32 + 64
}

#[entry]
fn main() -> ! {
    hprintln!("latched.stack {}", depth_of(|| application::<Latched>(2)));
    hprintln!("fixed-word.stack {}", depth_of(|| application::<FixedWord>(6)));
    debug::exit(debug::EXIT_SUCCESS);
    loop {}
}
