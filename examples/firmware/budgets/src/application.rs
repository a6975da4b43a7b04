//! The application that the budgets are for: one chain of four, with settings, homing, moves, stops and status.

use core::hint::black_box;
use core::time::Duration;

use embedded_hal::spi::SpiDevice;
use stepchain::homing::{AxisHoming, Homing, HomingVelocities, Method, SearchLimits};
use stepchain::map::{BridgeState, Flag, Parameter, RegisterMap, StopRamp, Way};
use stepchain::settings::{Apply, Setting, Settings};
use stepchain::units::{Acceleration, Amplitude, Distance, Position, Value, Velocity};
use stepchain::{Chain, Command};

use crate::NoTime;

/// Devices in the chain.
pub const DEVICES: usize = 4;

/// What every device of the chain is set to.
pub const SETTINGS: Settings<5> = Settings::new([
    Setting::new(Parameter::ProfileVelocity, Value::Velocity(Velocity::steps_per_s::<600>())),
    Setting::new(Parameter::ProfileAcceleration, Value::Acceleration(Acceleration::steps_per_s2::<1_500>())),
    Setting::new(Parameter::ProfileDeceleration, Value::Acceleration(Acceleration::steps_per_s2::<1_500>())),
    Setting::new(Parameter::StandstillAmplitude, Value::Amplitude(Amplitude::per_mille::<120>())),
    Setting::new(Parameter::ConstantVelocityAmplitude, Value::Amplitude(Amplitude::per_mille::<300>())),
]);

const SPEEDS: HomingVelocities = HomingVelocities {
    search_for_switch: Velocity::steps_per_s::<400>(),
    search_for_zero: Velocity::steps_per_s::<20>(),
};
const LIMITS: SearchLimits =
    SearchLimits { travel: Distance::from_microsteps(200_000), time: Duration::from_millis(200) };
/// How the first axis is homed; the others alike.
pub const AXIS: AxisHoming = AxisHoming::new(Method::NegativeLimitSwitch, SPEEDS, LIMITS);

/// What is known only when the application runs.
pub fn input() -> i32 {
    black_box(12_345)
}

/// One command, of a kind and with a value that are known only when the application runs.
pub fn command() -> Command {
    let number = input();
    match input() & 7 {
        0 => Command::MoveVelocity { velocity: Velocity::from_milli_steps_per_s(number).unwrap_or_default() },
        1 => Command::MoveRelative { distance: Distance::from_microsteps(number) },
        2 => Command::MoveAbsolute { target: Position::from_microsteps(number.into()), way: Way::Shortest },
        3 => Command::Stop { ramp: StopRamp::Profile, bridge: BridgeState::Driven },
        4 => Command::Stop { ramp: StopRamp::Quick, bridge: BridgeState::HighImpedance },
        5 => Command::read(Parameter::PositionDemandValue),
        6 => {
            let velocity = Velocity::from_milli_steps_per_s(number).unwrap_or_default();
            Command::write(Parameter::ProfileVelocity, velocity)
        }
        _ => Command::PeekStatus,
    }
}

/// Brings the chain up: settings with read-back, then all four axes home at once.
pub fn bring_up<M: RegisterMap, S: SpiDevice>(chain: &mut Chain<M, S, DEVICES>) -> bool {
    let mut apply = Apply::over(Chain::<M, S, DEVICES>::MAPPED, [Some(&SETTINGS); DEVICES]);
    let is_applied = chain.run(&mut apply, &mut NoTime).is_ok() && apply.results().iter().all(Result::is_ok);
    let axes = [AXIS, AXIS.device(1), AXIS.device(2), AXIS.device(3)];
    let mut homing = Homing::<4, DEVICES, _>::over(Chain::<M, S, DEVICES>::MAPPED, axes);
    let is_run = chain.run(&mut homing, &mut NoTime).is_ok();
    is_applied && is_run && homing.results().iter().all(Result::is_ok)
}

/// One round of commanding: a command to each device, and what they answered.
pub fn round<M: RegisterMap, S: SpiDevice>(chain: &mut Chain<M, S, DEVICES>) {
    match chain.send(&[command(), command(), command(), command()]) {
        Ok(replies) => {
            for reply in replies {
                if let Some(status) = reply.status {
                    black_box((status.flag(Flag::Busy), status.flag(Flag::StallA), status.motion_state()));
                }
                if let Some(Value::Position(position)) = reply.value {
                    black_box(position.to_bits());
                }
            }
        }
        Err(_) => {
            let stop = Command::Stop { ramp: StopRamp::Quick, bridge: BridgeState::HighImpedance };
            black_box(chain.send_all(stop).is_ok());
        }
    }
}
