//! What a capture shows of devices and machine: pins as levels, motion as numbers.
//!
//! Knows axes and their instants; knows no bus and no file.

use embedded_hal::digital::PinState;
use stepchain::map::Verb;

use super::CaptureOptions;
use super::lines::level;
use crate::capture::Level;
use crate::chain::lines::{Drive, Effect, Span, Tap};
use crate::chain::world::World;
use crate::device::Axis;
use crate::motor::Motor;
use crate::wave::{Header, Signal, Value};

type OfAxis = fn(&Axis, u64) -> f64;
type OfMotor = fn(&Motor) -> f64;

/// Numbers that every axis shows, by their names with the unit.
const QUANTITIES: [(&str, OfAxis); 2] = [
    ("position_steps", |axis, now_ns| axis.position(now_ns) as f64 / f64::from(axis.microsteps_per_step())),
    ("velocity_steps_per_s", Axis::velocity_steps_per_s),
];

/// Numbers that an axis with a motor shows: where the rotor is since power-up, and the current of either phase.
const OF_MOTOR: [(&str, OfMotor); 3] = [
    ("rotor_steps", Motor::position_steps),
    ("current_a_a", |motor| motor.currents_a()[0]),
    ("current_b_a", |motor| motor.currents_a()[1]),
];

/// A signal, and what it shows.
#[derive(Clone, Debug)]
pub(super) struct Probe {
    pub(super) signal: Signal,
    shows: Shows,
}

#[derive(Clone, Debug)]
enum Shows {
    /// High while the line is active.
    Tap(Tap),
    /// A line that firmware or a test drives.
    Driven(Drive),
    Quantity {
        device: usize,
        axis: usize,
        of: OfAxis,
    },
    OfMotor {
        device: usize,
        axis: usize,
        of: OfMotor,
    },
}

/// Names what there is to be seen of a world.
pub(super) fn probes(world: &World, options: &CaptureOptions, header: &mut Header) -> Vec<Probe> {
    let mut probes = Vec::new();
    for (device, machine) in world.devices.iter().enumerate() {
        let scope = format!("device_{device}");
        let mut line = |name, shows| probes.push(Probe { signal: header.level(&scope, name), shows });
        line("busy", Shows::Tap(Tap::Busy(Span::Device(device))));
        line("fault", Shows::Tap(Tap::Fault(Span::Device(device))));
        for axis in 0..machine.axes().len() {
            let named = options.axis_names.get(&(device, axis)).map(|name| name.replace('.', "_"));
            let scope = format!("{scope}.{}", named.unwrap_or_else(|| format!("axis_{axis}")));
            let switch = Shows::Tap(Tap::HomeSwitch { device, axis });
            probes.push(Probe { signal: header.level(&scope, "home_switch"), shows: switch });
            if machine.layout().form(Verb::PulseInput).is_some() {
                let shows = Shows::Driven(Drive { device, axis, effect: Effect::StepPulses });
                probes.push(Probe { signal: header.level(&scope, "step_pulses"), shows });
            }
            for (name, of) in QUANTITIES {
                let shows = Shows::Quantity { device, axis, of };
                probes.push(Probe { signal: header.real(&scope, name), shows });
            }
            if machine.motor(axis, world.now_ns()).is_some() {
                for (name, of) in OF_MOTOR {
                    let shows = Shows::OfMotor { device, axis, of };
                    probes.push(Probe { signal: header.real(&scope, name), shows });
                }
            }
        }
    }
    probes
}

impl Probe {
    /// What it shows at an instant up to which everything has happened.
    pub(super) fn value(&self, world: &World, now_ns: u64) -> Option<Value> {
        Some(match &self.shows {
            Shows::Tap(tap) => Value::Level(level(tap.is_active(&world.devices, now_ns))),
            Shows::Driven(drive) => Value::Level(match world.driven.get(drive) {
                Some(state) => level(*state == PinState::High),
                None => Level::Floating,
            }),
            Shows::Quantity { device, axis, of } => {
                let axis = world.devices.get(*device).and_then(|device| device.axes().get(*axis))?;
                Value::Real(of(axis, now_ns))
            }
            Shows::OfMotor { device, axis, of } => {
                Value::Real(of(&world.devices.get(*device)?.motor(*axis, now_ns)?))
            }
        })
    }
}
