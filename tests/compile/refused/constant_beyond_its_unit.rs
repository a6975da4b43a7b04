//! A constant that the type of its unit cannot hold.

use stepchain::units::Velocity;

fn main() {
    let _ = Velocity::steps_per_s::<600_000>();
}
