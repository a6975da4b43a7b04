//! Three commands to four devices of `reference::Latched`, by routines written by hand.
#![no_std]
#![no_main]

use core::hint::black_box;

use cortex_m_rt::entry;
use stepchain_budgets::by_hand::latched;
use stepchain_budgets::{send, velocities};

#[panic_handler]
fn panic(_: &core::panic::PanicInfo<'_>) -> ! {
    loop {}
}

#[entry]
fn main() -> ! {
    loop {
        black_box(latched::move_velocity(&velocities()).map(|frames| send(&frames)).is_ok());
        black_box(latched::write_profile_velocity(&velocities()).map(|frames| send(&frames)).is_ok());
        black_box(latched::statuses(&send(&latched::PEEK)));
    }
}
