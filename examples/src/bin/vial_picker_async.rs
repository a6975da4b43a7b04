//! What the image `vial-picker-async` of `examples/firmware` does, on the host: the vial picker awaits its chain, and keys,
//! wheel and look timer post into its desk, at the moments of a script. With a path, all frames are written to a file
//! there, to be compared with those of the controller.
//!
//! `cargo run -p stepchain-examples --bin vial_picker_async`

use embassy_futures::block_on;
use stepchain::map::{BridgeState, RegisterMap};
use stepchain::reference::Latched;
use stepchain::release;
use stepchain_examples::twin::{HOT_NEEDLE, Twin};
use stepchain_vial_picker::machine::{CARRIAGE, DEVICES, PATIENCE, SHIFT, TRAY, WHEEL_TIME};
use stepchain_vial_picker::moments::Moments;
use stepchain_vial_picker::{AsyncPicker, Desk};

static DESK: Desk = Desk::new();

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let twin = Twin::new(&Latched::LAYOUT, &[60.0, 40.0, 25.0], &[HOT_NEEDLE])?;
    let moments = Moments::new(&SHIFT, |interrupt| DESK.interrupt(interrupt));
    let (spi, delay) = (moments.in_each(twin.spi()), moments.in_each(twin.delay()));
    let mut picker = AsyncPicker::<Latched, _, _>::new(spi, delay, &DESK);
    let told = |what: &str| {
        println!("{:8.3} s, dealing {:5}: {what}", twin.chain().now_ns() as f64 / 1e9, moments.dealings());
    };
    block_on(async {
        picker.check().await?;
        told("all devices answer");
        let interruptions = picker.work(&TRAY, PATIENCE).await?;
        assert_eq!(interruptions, 3, "two keys and a fault");
        told(&format!("every vial was visited, {interruptions} interruptions on the way"));
        let carriage = || twin.chain().position(CARRIAGE, 0);
        let (begun, begun_ns) = (carriage(), twin.chain().now_ns());
        picker.jog(WHEEL_TIME).await?;
        let took_ns = u128::from(twin.chain().now_ns() - begun_ns);
        assert!(carriage() > begun && took_ns < WHEEL_TIME.as_nanos(), "the wheel turns, and the key ends it");
        told(&format!("the wheel has driven the carriage by {} microsteps", carriage() - begun));
        picker.work(&[], 0).await?;
        told("parked");
        Ok::<(), Box<dyn std::error::Error>>(())
    })?;
    release::send::<Latched, _, DEVICES>(&mut twin.spi())?;
    let is_free = |device| twin.chain().bridge_state(device, 0) == BridgeState::HighImpedance;
    assert!((0..DEVICES).all(is_free), "every bridge lets go");
    told("the motors are free");
    Ok(twin.write_frames()?)
}
