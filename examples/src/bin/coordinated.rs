//! Three axes go along one straight line: they begin on one chip-select edge and arrive together, as far as their
//! registers' codes allow, and the driver says beforehand how far that is.
//!
//! `cargo run -p stepchain-examples --bin coordinated`

use core::time::Duration;

use stepchain::Chain;
use stepchain::map::RegisterMap;
use stepchain::plan::{AxisGoal, Coordinated, Ramp};
use stepchain::reference::Latched;
use stepchain::units::{Acceleration, Distance, MicrostepResolution, Velocity};
use stepchain_sim::chain::VirtualChain;

/// The axes of an engraving table: a heavy gantry, a light carriage, a slow screw.
const AXES: [(&str, i32, i32, i32); 3] =
    [("gantry", 64 * 1_830, 900, 1_200), ("carriage", -64 * 1_210, 1_600, 6_000), ("screw", 64 * 77, 300, 500)];

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let layout = &Latched::LAYOUT;
    let bench = VirtualChain::new(layout, 3)?;
    let mut chain = Chain::<Latched, _, 3>::new(bench.spi());

    let goals = AXES.map(|(_, microsteps, steps_per_s, steps_per_s2)| {
        let slope = Acceleration::from_steps_per_s2(steps_per_s2).unwrap_or_default();
        let limits = Ramp {
            velocity: Velocity::from_steps_per_s(steps_per_s).unwrap_or_default(),
            acceleration: slope,
            deceleration: slope,
            start_stop_velocity: Velocity::ZERO,
            resolution: MicrostepResolution::from_microsteps_per_step(64),
        };
        AxisGoal { axis: 0, limits, distance: Distance::from_microsteps(microsteps) }
    });
    let first = Coordinated::new(layout, &goals)?;
    println!("Nearest codes: arrival within {:?} of one another, {:?} in all.", first.skew(), first.duration());
    let line = first.within(Duration::from_millis(1))?;
    println!("Better codes:  arrival within {:?} of one another, {:?} in all.", line.skew(), line.duration());

    for commands in line.writes() {
        chain.send(&commands)?;
    }
    chain.send(&line.start())?;
    let start_ns = bench.now_ns();

    println!("{:>10}  {:>10}  {:>10}  {:>10}", "", AXES[0].0, AXES[1].0, AXES[2].0);
    for percent in (0..100).step_by(20) {
        let at = line.duration().mul_f64(f64::from(percent) / 100.0);
        let now = bench.now_ns();
        bench.advance_ns((start_ns + at.as_nanos() as u64).saturating_sub(now));
        let places = [0, 1, 2].map(|device| bench.position(device, 0) as f64 / f64::from(AXES[device].1) * 100.0);
        println!("{percent:>8} %  {:>8.3} %  {:>8.3} %  {:>8.3} %", places[0], places[1], places[2]);
    }

    let mut arrived = [0; 3];
    while arrived.contains(&0) {
        bench.advance_ns(100_000);
        for (device, arrived) in arrived.iter_mut().enumerate().filter(|(_, arrived)| **arrived == 0) {
            if !bench.is_moving(device, 0) {
                *arrived = bench.now_ns() - start_ns;
            }
        }
    }
    for (device, (arrived, predicted)) in arrived.iter().zip(line.moves()).enumerate() {
        let (name, goal, ..) = AXES[device];
        println!(
            "{name}: at {} of {goal} microsteps, {:.4} s after the start; predicted {:.4} s",
            bench.position(device, 0),
            *arrived as f64 / 1e9,
            predicted.duration().as_secs_f64()
        );
    }
    Ok(())
}
