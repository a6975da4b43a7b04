//! Three commands to four devices of `reference::Latched`, by the driver.
#![no_std]
#![no_main]

use core::hint::black_box;

use cortex_m_rt::entry;
use stepchain::map::Parameter;
use stepchain::reference::Latched;
use stepchain::{Chain, Command};
use stepchain_budgets::Bus;
use stepchain_budgets::application::DEVICES;
use stepchain_budgets::{exchange_each, statuses_each};

#[panic_handler]
fn panic(_: &core::panic::PanicInfo<'_>) -> ! {
    loop {}
}

#[entry]
fn main() -> ! {
    let mut chain = Chain::<Latched, _, DEVICES>::new(Bus);
    loop {
        black_box(exchange_each(&mut chain, |velocity| Command::MoveVelocity { velocity }));
        black_box(exchange_each(&mut chain, |velocity| Command::write(Parameter::ProfileVelocity, velocity)));
        black_box(statuses_each(&mut chain));
    }
}
