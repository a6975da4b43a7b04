//! A setting for a parameter that the map does not have.

use stepchain::map::{Parameter, RegisterMap};
use stepchain::reference::FixedWord;
use stepchain::settings::{Setting, Settings};
use stepchain::units::{Value, Velocity};

const THRESHOLD: Settings<1> = Settings::new([Setting::new(
    Parameter::FullStepThreshold,
    Value::Velocity(Velocity::steps_per_s::<400>()),
)]);
const _: () = THRESHOLD.assert_fits(&FixedWord::LAYOUT);

fn main() {}
