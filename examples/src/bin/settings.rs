//! One typed value configures a chain: checked when it is compiled, applied to all devices at once, read back,
//! compared, stored in an image and brought back.
//!
//! `cargo run -p stepchain-examples --bin settings`

use stepchain::map::{Parameter, RegisterMap};
use stepchain::reference::FixedWord;
use stepchain::settings::image::image_bytes;
use stepchain::settings::{Apply, ReadBack, Setting, Settings};
use stepchain::units::{Acceleration, Amplitude, MicrostepResolution, Value, Velocity};
use stepchain::{Chain, Command};
use stepchain_sim::chain::VirtualChain;

/// A conveyor of three motors, all alike. What the map cannot hold would not compile.
const CONVEYOR: Settings<5> = Settings::new([
    Setting::new(
        Parameter::MicrostepResolution,
        Value::MicrostepResolution(MicrostepResolution::from_microsteps_per_step(32)),
    ),
    Setting::new(Parameter::ProfileVelocity, Value::Velocity(Velocity::steps_per_s::<750>())),
    Setting::new(Parameter::ProfileAcceleration, Value::Acceleration(Acceleration::steps_per_s2::<1_025>())),
    Setting::new(Parameter::StandstillAmplitude, Value::Amplitude(Amplitude::per_mille::<120>())),
    Setting::new(Parameter::ConstantVelocityAmplitude, Value::Amplitude(Amplitude::per_mille::<350>())),
]);
const _: () = CONVEYOR.assert_fits(&FixedWord::LAYOUT);

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let layout = &FixedWord::LAYOUT;
    let bench = VirtualChain::new(layout, 3)?;
    let mut chain = Chain::<FixedWord, _, 3>::new(bench.spi());

    println!("What the codes really mean:");
    let really = CONVEYOR.quantised(layout)?;
    for (asked, really) in CONVEYOR.entries().iter().zip(really.entries()) {
        let note = if asked.value == really.value { "" } else { "   <- rounded" };
        let [parameter, asked, really] =
            [asked.parameter.to_string(), asked.value.to_string(), really.value.to_string()];
        println!("  {parameter:28} {asked:>20} {really:>20}{note}");
    }

    let mut apply = Apply::to_all(layout, &CONVEYOR);
    chain.run(&mut apply, &mut bench.delay())?;
    for (device, result) in apply.results().iter().enumerate() {
        match result {
            Ok(()) => println!("Device {device}: applied and read back."),
            Err(error) => println!("Device {device}: {error}."),
        }
    }
    println!("{} frames of {} bytes for all three.", bench.frames(), layout.frame_bytes(3));

    println!("Somebody changes device 1:");
    chain.send_one(1, Command::write(Parameter::ProfileVelocity, Velocity::steps_per_s::<900>()))?;
    let mut read_back = ReadBack::new(&CONVEYOR);
    chain.run(&mut read_back, &mut bench.delay())?;
    for (device, found) in read_back.found().iter().enumerate() {
        for (setting, holds) in really.diff(&(*found)?) {
            let holds = holds.map_or_else(|| "nothing".to_owned(), |value| value.to_string());
            println!("  device {device}: `{}` should be {} and is {holds}", setting.parameter, setting.value);
        }
    }

    let mut image = [0; image_bytes(5)];
    let length = CONVEYOR.to_image(layout, &mut image)?;
    println!("As an image of {length} bytes: {}", image.map(|byte| format!("{byte:02x}")).concat());
    assert_eq!(Settings::<5>::from_image(layout, &image)?, really);
    image[12] ^= 0x10;
    if let Err(error) = Settings::<5>::from_image(layout, &image) {
        println!("With one bit turned: {error}.");
    }
    Ok(())
}
