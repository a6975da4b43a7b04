//! The application's commands through the front for executors, to look for panics in it.
#![no_std]
#![no_main]

use core::hint::black_box;
use core::pin::pin;
use core::task::{Context, Waker};

use cortex_m_rt::entry;
use stepchain::AsyncChain;
use stepchain::reference::Latched;
use stepchain::settings::Apply;
use stepchain_budgets::application::{DEVICES, SETTINGS, command};
use stepchain_budgets::{Bus, NoTime};

#[panic_handler]
fn panic(_: &core::panic::PanicInfo<'_>) -> ! {
    loop {}
}

async fn application() -> ! {
    let mut chain = AsyncChain::<Latched, _, DEVICES>::new(Bus);
    let mut apply = Apply::over(AsyncChain::<Latched, Bus, DEVICES>::MAPPED, [Some(&SETTINGS); DEVICES]);
    black_box(chain.run(&mut apply, &mut NoTime).await.is_ok());
    loop {
        let replies = chain.send(&[command(), command(), command(), command()]).await;
        black_box(replies.is_ok());
    }
}

#[entry]
fn main() -> ! {
    let mut application = pin!(application());
    let mut context = Context::from_waker(Waker::noop());
    loop {
        let _ = application.as_mut().poll(&mut context);
    }
}
