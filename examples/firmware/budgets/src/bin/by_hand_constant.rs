//! Three commands to four devices of `reference::Latched`, known when the image is built, by routines written by hand.
#![no_std]
#![no_main]

use core::hint::black_box;

use cortex_m_rt::entry;
use stepchain_budgets::by_hand::latched;
use stepchain_budgets::{constant, send};

#[panic_handler]
fn panic(_: &core::panic::PanicInfo<'_>) -> ! {
    loop {}
}

#[entry]
fn main() -> ! {
    loop {
        black_box(send(&constant::BY_HAND_MOVE));
        black_box(send(&constant::BY_HAND_WRITE));
        black_box(latched::statuses(&send(&latched::PEEK)));
    }
}
