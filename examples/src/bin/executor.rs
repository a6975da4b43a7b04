//! The async front: the same commands and the same procedures, driven by an executor. Two tasks, each with a chain of its
//! own, wait for their motions to end by asking the devices.
//!
//! `cargo run -p stepchain-examples --bin executor`

use embassy_futures::join::join;
use embassy_futures::{block_on, yield_now};
use embedded_hal_async::delay::DelayNs;
use stepchain::map::{Flag, Parameter, RegisterMap};
use stepchain::reference::FixedWord;
use stepchain::settings::{Apply, Setting, Settings};
use stepchain::units::{Distance, Value, Velocity};
use stepchain::{AsyncChain, Command};
use stepchain_sim::chain::VirtualChain;

const SETTINGS: Settings<1> =
    Settings::new([Setting::new(Parameter::ProfileVelocity, Value::Velocity(Velocity::steps_per_s::<640>()))]);

async fn fill_and_empty(name: &str, bench: VirtualChain) -> Result<(), Box<dyn std::error::Error>> {
    let mut chain = AsyncChain::<FixedWord, _, 2>::new(bench.spi());
    let mut apply = Apply::to_all(&FixedWord::LAYOUT, &SETTINGS);
    chain.run(&mut apply, &mut bench.delay()).await?;
    for result in apply.results() {
        (*result)?;
    }
    for steps in [400, -400] {
        let distance = Distance::from_microsteps(steps * 16);
        chain.send_all(Command::MoveRelative { distance }).await?;
        let mut polls = 0;
        while chain
            .send_all(Command::PeekStatus)
            .await?
            .iter()
            .any(|reply| reply.status.and_then(|status| status.flag(Flag::Busy)) != Some(false))
        {
            bench.delay().delay_ms(50).await;
            // Virtual time waits for nobody: the other task's turn has to be given.
            yield_now().await;
            polls += 1;
        }
        println!("{name}: {steps:+} steps done after {polls} polls, at {:.3} s", bench.now_ns() as f64 / 1e9);
    }
    Ok(())
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let left = VirtualChain::new(&FixedWord::LAYOUT, 2)?;
    let right = VirtualChain::new(&FixedWord::LAYOUT, 2)?;
    let (left, right) = block_on(join(fill_and_empty("left", left), fill_and_empty("right", right)));
    left.and(right)
}
