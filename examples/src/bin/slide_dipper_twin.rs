//! What the image `slide-dipper` of `examples/firmware` does, on the host: the slide dipper takes its rack through a bath and
//! sets out once more, and while both motors run the release sequence lets go of them. With a path, all frames are
//! written to a file there, to be compared with those of the controller.
//!
//! `cargo run -p stepchain-examples --bin slide_dipper_twin`

use core::time::Duration;
use std::cell::Cell;
use std::panic::{self, AssertUnwindSafe};

use embedded_hal::delay::DelayNs;
use stepchain::map::{BridgeState, RegisterMap};
use stepchain::mechanism::Length;
use stepchain::reference::Latched;
use stepchain::release;
use stepchain_examples::twin::{Twin, TwinDelay};
use stepchain_sim::chain::VirtualClock;
use stepchain_slide_dipper::machine::DEVICES;
use stepchain_slide_dipper::{Bath, Clock, Dipper, Place};

const BATH: Bath =
    Bath { along: Length::from_millimetres(20), depth: Length::from_millimetres(10), time: Duration::from_millis(100) };

struct Ticks(VirtualClock);

impl Clock for Ticks {
    fn now(&mut self) -> Duration {
        self.0.now()
    }
}

/// A delay that bursts behind so many calls, as on the controller.
struct Fuse<'a> {
    delay: TwinDelay,
    calls: &'a Cell<Option<u32>>,
}

impl DelayNs for Fuse<'_> {
    fn delay_ns(&mut self, ns: u32) {
        if let Some(left) = self.calls.get() {
            let less = left.checked_sub(1);
            // Not `panic!`: nothing is to be printed.
            self.calls.set(Some(less.unwrap_or_else(|| panic::resume_unwind(Box::new("this panic is meant")))));
        }
        self.delay.delay_ns(ns);
    }
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let twin = Twin::new(&Latched::LAYOUT, &[2.0, 3.0], &[])?;
    let ([busy, fault], calls) = (twin.lines(), Cell::new(None));
    let delay = Fuse { delay: twin.delay(), calls: &calls };
    let mut dipper = Dipper::<Latched, _, _, _, _, _>::new(twin.spi(), busy, fault, delay, Ticks(twin.clock()));
    let told = |what: &str| println!("{:8.3} s  {what}", twin.chain().now_ns() as f64 / 1e9);
    dipper.begin()?;
    told("both axes are homed");
    dipper.run(&[BATH])?;
    told("the rack is back");
    calls.set(Some(100));
    let burst = panic::catch_unwind(AssertUnwindSafe(|| dipper.go(Place::millimetres(40, 20))));
    assert!(burst.is_err(), "the fuse did not burn: {burst:?}");
    assert!((0..DEVICES).all(|device| twin.chain().is_moving(device, 0)), "both motors run");
    release::send::<Latched, _, DEVICES>(&mut twin.spi())?;
    let is_free = |device| twin.chain().bridge_state(device, 0) == BridgeState::HighImpedance;
    assert!((0..DEVICES).all(is_free), "every bridge lets go");
    told("the motors are free");
    Ok(twin.write_frames()?)
}
