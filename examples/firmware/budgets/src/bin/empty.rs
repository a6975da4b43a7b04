//! The image without the driver: the processor's start, and one transfer on the bus.
#![no_std]
#![no_main]

use cortex_m_rt::entry;
use stepchain_budgets::transfer;

#[panic_handler]
fn panic(_: &core::panic::PanicInfo<'_>) -> ! {
    loop {}
}

#[entry]
fn main() -> ! {
    let mut frame = [0; 8];
    loop {
        transfer(&mut frame);
    }
}
