//! Homes three axes at once on the virtual chain, and tells what each is doing: `cargo run -p stepchain-examples --bin
//! homing`.
//!
//! A lift with a limit switch at its lower end, a table with a home switch that is pressed from its middle upwards, and
//! a slide that is run against its stop. The procedure is polled, so that the firmware could do other things meanwhile.

use core::time::Duration;
use std::error::Error;

use stepchain::chain::Step;
use stepchain::homing::{AxisHoming, Contact, Homing, HomingVelocities, Method, Phase, SearchLimits};
use stepchain::map::RegisterMap;
use stepchain::reference::Latched;
use stepchain::units::{Distance, MicrostepResolution, Velocity};
use stepchain::{Chain, Tracker};
use stepchain_sim::chain::VirtualChain;
use stepchain_sim::device::Switch;

const NAMES: [&str; 3] = ["lift", "table", "slide"];
const MICROSTEPS: i32 = 64;

const SPEEDS: HomingVelocities = HomingVelocities {
    search_for_switch: Velocity::steps_per_s::<400>(),
    search_for_zero: Velocity::steps_per_s::<30>(),
};
const LIMITS: SearchLimits =
    SearchLimits { travel: Distance::from_microsteps(600 * MICROSTEPS), time: Duration::from_secs(30) };

/// The lift's zero is 20 steps above its switch; a broken wire looks like a pressed switch.
const LIFT: AxisHoming = AxisHoming::new(Method::NegativeLimitSwitch, SPEEDS, LIMITS)
    .contact(Contact::NormallyClosed)
    .home_offset(Distance::from_microsteps(-20 * MICROSTEPS));
const TABLE: AxisHoming = AxisHoming::new(Method::IntoPositiveHomeSwitch, SPEEDS, LIMITS).device(1);
/// The slide's zero is 10 steps off its stop.
const SLIDE: AxisHoming = AxisHoming::new(Method::PositiveStop, SPEEDS, LIMITS)
    .device(2)
    .home_offset(Distance::from_microsteps(10 * MICROSTEPS));

fn main() -> Result<(), Box<dyn Error>> {
    let machine = VirtualChain::new(&Latched::LAYOUT, 3)?;
    // All in full steps from where the axes happen to stand. The lift's switch opens where it is pressed.
    machine.set_switch(0, 0, Switch::ClosedBetween { from_steps: -150.0, to_steps: 1e6 });
    machine.set_switch(1, 0, Switch::ClosedBetween { from_steps: -80.0, to_steps: 500.0 });
    machine.set_end_stop(2, 0, 120.0);

    let mut chain = Chain::<Latched, _, 3>::new(machine.spi());
    let mut homing = Homing::new(&Latched::LAYOUT, [LIFT, TABLE, SLIDE]);
    let mut shown = [None; 3];
    println!("time_s  axis   at_steps  phase");
    loop {
        let step = chain.poll(&mut homing)?;
        for (axis, phase) in homing.phases().into_iter().enumerate() {
            if shown[axis] != Some(phase) {
                shown[axis] = Some(phase);
                let (seconds, at) = (machine.now_ns() as f64 * 1e-9, machine.rotor_steps(axis, 0));
                println!("{seconds:6.3}  {:<5}  {at:8.2}  {}", NAMES[axis], told(phase));
            }
        }
        match step {
            Step::Done => break,
            // A firmware does something else until then.
            Step::Wait(time) => machine.advance_ns(u64::try_from(time.as_nanos())?),
            Step::Exchange => {}
        }
    }

    let resolution = MicrostepResolution::from_microsteps_per_step(MICROSTEPS as u16);
    for (axis, result) in homing.results().into_iter().enumerate() {
        let homed = result?;
        let mut tracker = Tracker::new(&Latched::LAYOUT.position, resolution, Velocity::from_steps_per_s(1000)?);
        tracker.homed_at(homed.counter, homed.at);
        println!("{:<5} {} by its tracker", NAMES[axis], tracker.position()?);
    }
    println!("{} bytes on the wire", machine.bytes_on_wire());
    Ok(())
}

fn told(phase: Phase) -> String {
    match phase {
        Phase::Settling => "stands still, forgets old events".into(),
        Phase::Seeking => "seeks fast".into(),
        Phase::BackingOff => "backs off".into(),
        Phase::Creeping => "creeps over the edge".into(),
        Phase::Moving => "moves to its zero position".into(),
        Phase::SettingZero => "sets its counter to zero".into(),
        Phase::Stopping(error) => format!("is being stopped: {error}"),
        Phase::Homed(_) => "is homed".into(),
        Phase::Failed { error, .. } => format!("has failed: {error}"),
        other => format!("{other:?}"),
    }
}
