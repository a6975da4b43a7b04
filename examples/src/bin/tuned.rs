//! Settings that were computed from a motor's data, written to a chain of two and read back.
//!
//! `src/tuned.rs` is what `stepchain tune examples/motors/demo.toml --map latched --out tuned` writes as `settings.rs`.
//!
//! `cargo run -p stepchain-examples --bin tuned`

use stepchain::map::{BridgeState, RegisterMap, StopRamp};
use stepchain::reference::Latched;
use stepchain::settings::Apply;
use stepchain::{Chain, Command};
use stepchain_examples::tuned::TUNED;
use stepchain_sim::chain::VirtualChain;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let bench = VirtualChain::new(&Latched::LAYOUT, 2)?;
    let mut chain = Chain::<Latched, _, 2>::new(bench.spi());
    // The resistance compensation is written with the bridges off.
    chain.send_all(Command::Stop { ramp: StopRamp::Profile, bridge: BridgeState::HighImpedance })?;
    let mut apply = Apply::to_all(&Latched::LAYOUT, &TUNED);
    chain.run(&mut apply, &mut bench.delay())?;
    for (device, result) in apply.results().iter().enumerate() {
        match result {
            Ok(()) => println!("Device {device}: {} settings applied and read back.", TUNED.entries().len()),
            Err(error) => return Err(format!("device {device}: {error}").into()),
        }
    }
    Ok(())
}
