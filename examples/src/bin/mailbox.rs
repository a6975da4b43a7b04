//! Interrupts and tasks post commands; the one owner of the chain pumps them, and what was posted for different
//! devices leaves in the same frames.
//!
//! `cargo run -p stepchain-examples --bin mailbox`

use stepchain::mailbox::FaultLatch;
use stepchain::map::{BridgeState, Parameter, RegisterMap, StopRamp};
use stepchain::reference::Latched;
use stepchain::units::Velocity;
use stepchain::{Chain, Command, Mailbox};
use stepchain_sim::chain::VirtualChain;

/// Three devices, four commands waiting for each at most.
static MAILBOX: Mailbox<3, 4> = Mailbox::new();
/// What the interrupt of the fault line sets.
static FAULT: FaultLatch = FaultLatch::new();

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let bench = VirtualChain::new(&Latched::LAYOUT, 3)?;
    let mut chain = Chain::<Latched, _, 3>::new(bench.spi());

    // A knob that is turned faster than the chain is pumped: only its last value counts.
    for steps_per_s in [100, 140, 180] {
        MAILBOX.post_latest(0, 0, Velocity::from_steps_per_s(steps_per_s)?)?;
    }
    // A task elsewhere, in a thread of its own as an interrupt would be.
    std::thread::spawn(|| {
        let run = Command::MoveVelocity { velocity: Velocity::steps_per_s::<-75>() };
        MAILBOX.post(1, run).and_then(|_| MAILBOX.post(1, Command::read(Parameter::VelocityDemandValue)))
    })
    .join()
    .map_err(|_| "the task panicked")??;

    for round in 1.. {
        let before = bench.frames();
        let answers = MAILBOX.pump(&mut chain)?;
        let frames = bench.frames() - before;
        if frames == 0 {
            break;
        }
        println!("Pump {round}: {frames} frames");
        for (device, answer) in answers.iter().enumerate() {
            let Some(answer) = answer else {
                continue;
            };
            let value = answer.result?.value.map_or_else(String::new, |value| format!(", which is {value}"));
            println!("  device {device}: {:?}{value}", answer.posted.command.command);
        }
        bench.advance_ns(1_000_000_000);
    }

    for number in 0.. {
        if let Err(error) = MAILBOX.post(2, Command::PeekStatus) {
            println!("Post {number}: {error}.");
            break;
        }
    }

    // The fault line's interrupt does nothing but set the latch; the owner acts.
    FAULT.set();
    if FAULT.take() > 0 {
        chain.send_all(Command::Stop { ramp: StopRamp::Quick, bridge: BridgeState::Driven })?;
        bench.run_until_still(10_000_000_000);
        let places = [0, 1, 2].map(|device| bench.position(device, 0));
        println!("The fault line fell: all stopped, at {places:?} microsteps.");
    }
    Ok(())
}
