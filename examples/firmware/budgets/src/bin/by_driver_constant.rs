//! Three commands to four devices of `reference::Latched`, known when the image is built, by the driver.
#![no_std]
#![no_main]

use core::hint::black_box;

use cortex_m_rt::entry;
use stepchain::Chain;
use stepchain::reference::Latched;
use stepchain_budgets::application::DEVICES;
use stepchain_budgets::{Bus, constant, words};

#[panic_handler]
fn panic(_: &core::panic::PanicInfo<'_>) -> ! {
    loop {}
}

#[entry]
fn main() -> ! {
    let mut chain = Chain::<Latched, _, DEVICES>::new(Bus);
    loop {
        black_box(chain.exchange_constant(&constant::LATCHED_MOVE).is_ok());
        black_box(chain.exchange_constant(&constant::LATCHED_WRITE).is_ok());
        black_box(words(chain.look_constant(&constant::LATCHED_PEEK)));
    }
}
