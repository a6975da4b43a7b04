//! Firmware that knows nothing but embedded-hal, on virtual motors: a needle visits three vials, and a device gets too hot on
//! the way. `examples/firmware` runs the same source on a controller; with a path, this program writes all frames to
//! a file there, to be compared with those of the controller.
//!
//! `cargo run -p stepchain-examples --bin vial_picker`

use core::time::Duration;

use stepchain::map::{BridgeState, Flag, RegisterMap};
use stepchain::reference::Latched;
use stepchain::release;
use stepchain_examples::twin::Twin;
use stepchain_sim::chain::VirtualClock;
use stepchain_sim::serve::Condition;
use stepchain_vial_picker::machine::{DEVICES, TRAY};
use stepchain_vial_picker::{Clock, Picker};

/// The needle's driver, while the needle comes up from the second vial: `--condition needle:overtemperature@6.5..8`.
const HOT: Condition =
    Condition { device: 2, axis: 0, flag: Flag::Overtemperature, from_ns: 6_500_000_000, to_ns: Some(8_000_000_000) };

struct Ticks(VirtualClock);

impl Clock for Ticks {
    fn now(&mut self) -> Duration {
        self.0.now()
    }
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let twin = Twin::new(&Latched::LAYOUT, &[60.0, 40.0, 25.0], &[HOT])?;
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
