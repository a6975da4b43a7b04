//! Firmware that knows nothing but embedded-hal, on virtual motors: a needle visits three vials, and a device gets too hot on
//! the way. `examples/firmware` runs the same source on a controller; with a path, this program writes all frames to
//! a file there, to be compared with those of the controller.
//!
//! `cargo run -p stepchain-examples --bin vial_picker`

use core::time::Duration;

use stepchain::map::{BridgeState, RegisterMap};
use stepchain::reference::Latched;
use stepchain::release;
use stepchain_examples::twin::{HOT_NEEDLE, Twin};
use stepchain_sim::chain::VirtualClock;
use stepchain_vial_picker::machine::{DEVICES, TRAY};
use stepchain_vial_picker::{Clock, Picker};

struct Ticks(VirtualClock);

impl Clock for Ticks {
    fn now(&mut self) -> Duration {
        self.0.now()
    }
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let twin = Twin::new(&Latched::LAYOUT, &[60.0, 40.0, 25.0], &[HOT_NEEDLE])?;
    let [busy, fault] = twin.lines();
    let mut picker = Picker::<Latched, _, _, _, _, _>::new(twin.spi(), busy, fault, twin.delay(), Ticks(twin.clock()));
    let told = |what: &str| println!("{:8.3} s  {what}", twin.chain().now_ns() as f64 / 1e9);
    picker.check()?;
    told("all devices answer");
    picker.begin()?;
    told("all axes are homed");
    let faults = picker.work(&TRAY, 1)?;
    told(&format!("every vial was visited, {faults} fault on the way"));
    release::send::<Latched, _, DEVICES>(&mut twin.spi())?;
    let is_free = |device| twin.chain().bridge_state(device, 0) == BridgeState::HighImpedance;
    assert!((0..DEVICES).all(is_free), "every bridge lets go");
    told("the motors are free");
    Ok(twin.write_frames()?)
}
