//! Firmware that knows nothing but embedded-hal, unchanged on virtual motors: a rack of slides goes through two baths, a
//! fault strikes, and the rack is fetched back. What happens meanwhile is told by a task beside the firmware.
//!
//! `cargo run -p stepchain-examples --bin slide_dipper`

use core::time::Duration;

use embassy_futures::block_on;
use embassy_futures::select::{Either, select};
use embedded_hal::digital::PinState;
use embedded_hal_async::delay::DelayNs;
use embedded_hal_async::digital::Wait;
use stepchain::map::{Flag, RegisterMap};
use stepchain::mechanism::Length;
use stepchain::reference::Latched;
use stepchain_sim::chain::{Span, VirtualChain};
use stepchain_sim::device::Switch;
use stepchain_slide_dipper::{AsyncDipper, Bath};

const LINE: [Bath; 2] = [
    Bath { along: Length::from_millimetres(100), depth: Length::from_millimetres(40), time: Duration::from_secs(3) },
    Bath { along: Length::from_millimetres(160), depth: Length::from_millimetres(55), time: Duration::from_secs(1) },
];

/// Tells where the rack is whenever the motors have come to rest, and strikes at an instant.
async fn watch(machine: &VirtualChain, mut strike_ns: Option<u64>) {
    let mut busy = machine.busy_pin(Span::Chain, PinState::Low);
    loop {
        let left_ns = strike_ns.map_or(u64::MAX, |strike_ns| strike_ns.saturating_sub(machine.now_ns()));
        let strike = async {
            let ms = u32::try_from(left_ns / 1_000_000).unwrap_or(u32::MAX);
            machine.delay().delay_ms(ms).await;
        };
        match select(busy.wait_for_rising_edge(), strike).await {
            Either::First(Ok(())) => {
                let [along, down] = [(0, 5.0), (1, 25.0)].map(|(device, steps_per_mm)| {
                    let steps = machine.position(device, 0) as f64 / f64::from(machine.microsteps_per_step(device, 0));
                    steps / steps_per_mm
                });
                println!("{:8.3} s  at rest {along:6.1} mm along, {down:5.1} mm down", seconds(machine));
            }
            Either::Second(()) if strike_ns.is_some() => {
                strike_ns = None;
                machine.set_condition(1, 0, Flag::Overtemperature, true);
                println!("{:8.3} s  the lift's driver is too hot", seconds(machine));
            }
            _ => return,
        }
    }
}

fn seconds(machine: &VirtualChain) -> f64 {
    machine.now_ns() as f64 / 1e9
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let machine = VirtualChain::new(&Latched::LAYOUT, 2)?;
    machine.set_switch(0, 0, Switch::ClosedBetween { from_steps: -1e6, to_steps: -100.0 });
    machine.set_switch(1, 0, Switch::ClosedBetween { from_steps: -1e6, to_steps: -250.0 });
    let [busy, fault] = [machine.busy_pin(Span::Chain, PinState::Low), machine.fault_pin(Span::Chain, PinState::Low)];
    let mut dipper = AsyncDipper::<Latched, _, _, _, _>::new(machine.spi(), busy, fault, machine.delay());

    block_on(dipper.begin())?;
    println!("{:8.3} s  both axes are homed", seconds(&machine));
    if let Either::First(ended) = block_on(select(dipper.run(&LINE), watch(&machine, None))) {
        ended?;
    }
    println!("{:8.3} s  the rack is back; {} bytes on the wire", seconds(&machine), machine.bytes_on_wire());

    let strike_ns = machine.now_ns() + 4_000_000_000;
    let ended = block_on(select(dipper.run(&LINE), watch(&machine, Some(strike_ns))));
    let Either::First(Err(error)) = ended else { return Err("the fault was not noticed".into()) };
    println!("{:8.3} s  {error}", seconds(&machine));
    machine.set_condition(1, 0, Flag::Overtemperature, false);
    block_on(dipper.begin())?;
    println!("{:8.3} s  it has cooled, and both axes are homed again", seconds(&machine));
    Ok(())
}
