//! A setting that no code of its register can mean.

use stepchain::map::{Parameter, RegisterMap};
use stepchain::reference::Latched;
use stepchain::settings::{Setting, Settings};
use stepchain::units::{Value, Velocity};

const FAST: Settings<1> = Settings::new([Setting::new(
    Parameter::ProfileVelocity,
    Value::Velocity(Velocity::steps_per_s::<400_000>()),
)]);
const _: () = FAST.assert_fits(&Latched::LAYOUT);

fn main() {}
