//! An oscilloscope at the motors of a chain: traces around instants that are still to come.
//!
//! Every sample is taken of a copy of the motor as it is at that instant, so looking changes nothing.

use stepchain::map::{Drive, MotionState, Parameter};

use super::VirtualChain;
use super::world::World;
use crate::scope::{Sample, Trace, Window};

/// A trace that is being recorded.
#[derive(Clone, Debug)]
pub(super) struct Armed {
    device: usize,
    axis: usize,
    next_ns: u64,
    last_ns: u64,
    trace: Trace,
}

impl VirtualChain {
    /// Records voltages and currents of an axis' motor around an instant. What of the window is over already is left out;
    /// an axis without a motor has an empty trace.
    ///
    /// # Panics
    /// If the chain has no such device or axis.
    pub fn arm_scope(&self, device: usize, axis: usize, trigger_ns: u64, window: &Window) {
        let now_ns = self.with_axis(device, axis, |_, now_ns| now_ns);
        let sample_ns = window.sample_ns.max(1);
        let before = window.before_ns.min(trigger_ns) / sample_ns;
        let first_ns = trigger_ns - before * sample_ns;
        // The first instant of the trace's own grid that is not over.
        let over = now_ns.saturating_sub(first_ns).div_ceil(sample_ns);
        let last_ns = trigger_ns.saturating_add(window.after_ns / sample_ns * sample_ns);
        let trace = Trace { trigger_ns, sample_ns, samples: Vec::new() };
        let next_ns = first_ns.saturating_add(over.saturating_mul(sample_ns));
        let mut world = self.world();
        world.scopes.push(Armed { device, axis, next_ns, last_ns, trace });
        world.sample_scopes(now_ns);
    }

    /// The current, in amperes, that the written amplitude of a motion state makes at rest, with the supply and the
    /// windings as they are: what there is before back-EMF and inductance take their part. `None` without a motor, or
    /// without such an amplitude in the map.
    ///
    /// # Panics
    /// If the chain has no such device or axis.
    #[must_use]
    pub fn current_without_droop_a(&self, device: usize, axis: usize, state: MotionState) -> Option<f64> {
        let motor = self.motor(device, axis)?;
        let number = u8::try_from(axis).ok()?;
        let drive = self.layout_of(device).drive;
        self.with_device(device, |device, _| {
            let own = match state {
                MotionState::Standstill => Parameter::StandstillAmplitude,
                MotionState::ConstantVelocity => Parameter::ConstantVelocityAmplitude,
                MotionState::Accelerating => Parameter::AcceleratingAmplitude,
                MotionState::Decelerating => Parameter::DeceleratingAmplitude,
            };
            let read = |parameter| device.parameter(parameter, number);
            let amplitude = read(own).or_else(|| read(Parameter::ConstantVelocityAmplitude))?;
            Some(match drive {
                Drive::Current => amplitude,
                Drive::Voltage => {
                    let factor = |parameter| read(parameter).unwrap_or(1.0);
                    let compensated = factor(Parameter::SupplyCompensation) * factor(Parameter::ResistanceCompensation);
                    (amplitude * compensated).min(1.0) * motor.supply_v() / motor.windings().resistance_ohm
                }
            })
        })
    }

    /// What has been recorded so far, in the order in which it was asked for.
    #[must_use]
    pub fn scope_traces(&self) -> Vec<Trace> {
        let mut world = self.world();
        world.catch_up();
        world.scopes.iter().map(|armed| armed.trace.clone()).collect()
    }
}

impl World {
    /// Whether any trace is not whole yet.
    pub(super) fn has_open_scopes(&self) -> bool {
        self.scopes.iter().any(|armed| armed.next_ns <= armed.last_ns)
    }

    /// When the next sample is due after an instant.
    pub(super) fn next_scope_after(&self, at_ns: u64) -> Option<u64> {
        let open = self.scopes.iter().filter(|armed| armed.next_ns <= armed.last_ns);
        open.map(|armed| armed.next_ns).filter(|&next_ns| next_ns > at_ns).min()
    }

    /// Takes the samples that are due at an instant up to which everything has happened.
    pub(super) fn sample_scopes(&mut self, at_ns: u64) {
        for armed in self.scopes.iter_mut().filter(|armed| armed.next_ns == at_ns && at_ns <= armed.last_ns) {
            armed.next_ns = at_ns.saturating_add(armed.trace.sample_ns);
            let Some(device) = self.devices.get(armed.device) else { continue };
            let commanded_steps = device.commanded_steps(armed.axis, at_ns);
            let (Some(motor), Some(angle_steps)) = (device.motor(armed.axis, at_ns), commanded_steps) else { continue };
            armed.trace.samples.push(Sample {
                time_ns: at_ns,
                voltages_v: motor.voltages_v(),
                currents_a: motor.currents_a(),
                angle_steps,
            });
        }
    }
}

#[cfg(test)]
mod tests {
    use embedded_hal::spi::SpiDevice;
    use stepchain::map::RegisterMap;
    use stepchain::reference::Latched;

    use super::*;
    use crate::device::MotorSetup;

    fn turning() -> VirtualChain {
        let text = include_str!("../../../examples/motors/demo.toml");
        let file = crate::motor::parse(&crate::bench::Source { file: "demo.toml", text }).unwrap();
        let chain = VirtualChain::new(&Latched::LAYOUT, 2).unwrap();
        chain.attach_motor(1, 0, &MotorSetup::from(&file));
        // Device 1 gets its units first: 100 steps/s upwards.
        for unit in [[0xB4, 0x00, 0x7E, 0x7E], [0x13, 0x88, 0x7E, 0x7E]] {
            chain.spi().write(&unit).unwrap();
        }
        chain
    }

    #[test]
    fn a_trace_is_the_motor_as_it_is_asked_at_each_instant_and_changes_nothing() {
        let (watched, asked) = (turning(), turning());
        let window = Window { sample_ns: 70_000, before_ns: 1_000_000, after_ns: 5_000_000 };
        let trigger_ns = 20_000_000;
        watched.arm_scope(1, 0, trigger_ns, &window);
        watched.arm_scope(0, 0, trigger_ns, &window);
        watched.advance_ns(40_000_000);
        let [trace, none] = watched.scope_traces().try_into().unwrap();
        assert_eq!((trace.samples.len(), none.samples.len()), (14 + 1 + 71, 0), "one device has no motor");
        assert_eq!((trace.samples[14].time_ns, trace.trigger_ns), (trigger_ns, trigger_ns));
        for sample in &trace.samples {
            asked.advance_ns(sample.time_ns - asked.now_ns());
            let motor = asked.motor(1, 0).unwrap();
            assert_eq!((sample.currents_a, sample.voltages_v), (motor.currents_a(), motor.voltages_v()));
            let microsteps = f64::from(asked.microsteps_per_step(1, 0));
            assert_eq!(sample.angle_steps, asked.position(1, 0) as f64 / microsteps);
        }
        assert!(trace.samples.iter().any(|sample| sample.currents_a[0].abs() > 0.1), "a current flows");
        asked.advance_ns(watched.now_ns() - asked.now_ns());
        assert_eq!(watched.log_text(), asked.log_text());
        assert_eq!(watched.motor(1, 0).unwrap().currents_a(), asked.motor(1, 0).unwrap().currents_a());
    }

    /// By hand, from the map's register: the share times 24 V over the resistance of the windings as warm as they are.
    #[test]
    fn the_current_without_droop_is_that_of_the_amplitude_at_rest() {
        let chain = turning();
        for (state, parameter) in [
            (MotionState::Standstill, Parameter::StandstillAmplitude),
            (MotionState::ConstantVelocity, Parameter::ConstantVelocityAmplitude),
            (MotionState::Accelerating, Parameter::AcceleratingAmplitude),
            (MotionState::Decelerating, Parameter::DeceleratingAmplitude),
        ] {
            let register = Latched::LAYOUT.register(parameter, 0).unwrap();
            let code = (chain.read_register(1, register.address) & register.mask()) >> register.lsb;
            let stepchain::units::Value::Amplitude(share) = register.value_of(code).unwrap() else {
                panic!("{parameter}")
            };
            let share: f64 = share.to_string().split(' ').next().unwrap().parse().unwrap();
            let expected = share * 24.0 / chain.motor(1, 0).unwrap().windings().resistance_ohm;
            let found = chain.current_without_droop_a(1, 0, state).unwrap();
            assert!((found / expected - 1.0).abs() < 1e-4, "{found}, not {expected}, {state:?}");
        }
        assert_eq!(chain.current_without_droop_a(0, 0, MotionState::Standstill), None);
    }

    /// By hand: 100 steps/s are a period in 40 ms, so five in 0.2 s, whatever the counter says.
    #[test]
    fn another_number_of_the_counter_turns_no_field_and_makes_no_periods() {
        let chain = turning();
        chain.advance_ns(200_000_000 - chain.now_ns());
        let window = Window { sample_ns: 100_000, before_ns: 0, after_ns: 202_000_000 };
        chain.arm_scope(1, 0, chain.now_ns(), &window);
        chain.advance_ns(100_000_000);
        chain.set_position(1, 0, -12_345);
        chain.advance_ns(110_000_000);
        let [trace] = chain.scope_traces().try_into().unwrap();
        let figures = trace.figures(&crate::scope::Cursors::whole(&trace), None).unwrap();
        assert_eq!(figures.periods, Some(5));
        let steps = trace.samples.windows(2).map(|pair| pair[1].angle_steps - pair[0].angle_steps);
        assert!(steps.fold(0.0, |most: f64, step| most.max(step.abs())) < 0.1, "the field goes on as it went");
    }

    #[test]
    fn what_of_a_window_is_over_is_left_out() {
        let chain = turning();
        chain.advance_ns(10_000_000 - chain.now_ns());
        let window = Window { sample_ns: 1_000_000, before_ns: 3_000_000, after_ns: 2_000_000 };
        let times = |trace: &Trace| trace.samples.iter().map(|sample| sample.time_ns).collect::<Vec<_>>();
        chain.arm_scope(1, 0, 10_500_000, &window);
        chain.arm_scope(1, 0, 10_000_000, &window);
        chain.arm_scope(1, 0, 1_000_000, &window);
        chain.advance_ns(5_000_000);
        let found: Vec<_> = chain.scope_traces().iter().map(times).collect();
        let late = vec![10_500_000, 11_500_000, 12_500_000];
        assert_eq!(found, [late, vec![10_000_000, 11_000_000, 12_000_000], Vec::new()]);
    }
}
