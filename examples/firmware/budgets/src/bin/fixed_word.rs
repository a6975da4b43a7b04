//! The application on four devices of `reference::FixedWord`.
#![no_std]
#![no_main]

use core::hint::black_box;

use cortex_m_rt::entry;
use stepchain::Chain;
use stepchain::reference::FixedWord;
use stepchain_budgets::Bus;
use stepchain_budgets::application::{DEVICES, bring_up, round};

#[panic_handler]
fn panic(_: &core::panic::PanicInfo<'_>) -> ! {
    loop {}
}

#[entry]
fn main() -> ! {
    let mut chain = Chain::<FixedWord, _, DEVICES>::new(Bus);
    black_box(bring_up(&mut chain));
    loop {
        round(&mut chain);
    }
}
