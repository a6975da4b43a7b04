//! Motors on a chain: that nothing depends on who looks when, and that rotor, switch and stops are physical.

use stepchain::map::{Encoding, Flag};

use super::*;
use crate::device::MotorSetup;
use crate::inject::{Fault, Lasts, Script, Start};
use crate::motor::{Load, MotorData, Regulation, Supply};

fn data() -> MotorData {
    crate::motor::parse(&crate::bench::Source {
        file: "demo.toml",
        text: include_str!("../../../../examples/motors/demo.toml"),
    })
    .unwrap()
    .motor
}

pub(super) fn setup() -> MotorSetup {
    MotorSetup::new(&data(), &Load { inertia_kg_m2: 9e-6, ..Load::default() }, &Supply::constant(24.0))
}

pub(super) fn attached(setup: &MotorSetup) -> VirtualChain {
    let chain = chain(LATCHED, 1);
    chain.attach_motor(0, 0, setup);
    chain
}

/// Sends units of the latched map.
pub(super) fn send(chain: &VirtualChain, units: &[u16]) {
    units.iter().for_each(|unit| chain.spi().write(&unit.to_be_bytes()).unwrap());
}

/// 16 microsteps a step, an amplitude of a quarter in motion and a tenth at rest; stops by the profile ramp, driven.
pub(super) const SET: [u16; 8] = [0x8815, 0x0004, 0x8820, 0x0033, 0x8821, 0x0080, 0x8811, 0x01F4];
pub(super) const STOP: [u16; 1] = [0x3918];
/// 200 steps up, 200 steps down.
pub(super) const UP: [u16; 2] = [0x6800, 200 * 16];
pub(super) const DOWN: [u16; 2] = [0x6C00, 200 * 16];

/// What can be seen of a chain with a motor, to the last bit.
pub(super) fn seen(chain: &VirtualChain) -> (String, u64, [u64; 4], u64) {
    let motor = chain.motor(0, 0).unwrap();
    let [a, b] = motor.currents_a();
    let bits = [a, b, chain.rotor_steps(0, 0), motor.heat().winding_c].map(f64::to_bits);
    (chain.log_text(), chain.status(0), bits, chain.lost_steps(0, 0).to_bits())
}

/// A day with a move, a blocked rotor, a dip of the supply and a rest: `look` is called between stretches of time that
/// `cuts` cut.
fn day(cuts: &[u64], look: impl Fn(&VirtualChain)) -> (String, u64, [u64; 4], u64) {
    let dip = [(700 * MS, 24.0), (705 * MS, 4.0), (710 * MS, 24.0)];
    let chain = attached(&MotorSetup { supply: Supply::over_time(&dip), ..setup() });
    send(&chain, &SET);
    let blocked = Fault::BlockedRotor { device: 0, axis: 0 };
    let start = Start::Position { device: 0, axis: 0, steps: 60.0 };
    chain.inject(&Script::new().with(blocked, start, Lasts::Ns(30 * MS), 0)).unwrap();
    send(&chain, &UP);
    let end_ns = 900 * MS;
    let mut left = cuts.iter().cycle();
    while chain.now_ns() < end_ns {
        let step_ns = left.next().copied().unwrap_or(end_ns);
        chain.advance_ns(step_ns.min(end_ns - chain.now_ns()));
        look(&chain);
    }
    seen(&chain)
}

#[test]
fn what_a_motor_does_depends_neither_on_how_time_is_cut_nor_on_who_looks() {
    let whole = day(&[u64::MAX], |_| {});
    assert!(whole.0.contains("raised     undervoltage") && whole.0.contains("out of step"), "{}", whole.0);
    let all = |chain: &VirtualChain| {
        let _ = (chain.motor(0, 0), chain.rotor_steps(0, 0), chain.status(0), chain.registers(0), chain.fork());
    };
    for cuts in [&[3 * MS + 17, 50_001][..], &[77 * MS], &[100_000, 1], &[999_999]] {
        assert_eq!(day(cuts, |_| {}), whole, "{cuts:?}");
        assert_eq!(day(cuts, all), whole, "{cuts:?}, looked at");
    }
}

#[test]
fn a_fork_has_a_motor_of_its_own_that_does_the_same() {
    let chain = attached(&setup());
    send(&chain, &SET);
    send(&chain, &UP);
    chain.advance_ns(101 * MS + 5);
    let fork = chain.fork();
    chain.advance_ns(S);
    fork.set_load(0, 0, &Load { dry_friction_n_m: 1.0, ..Load::default() });
    let slow = fork.fork();
    fork.advance_ns(S);
    assert!(fork.lost_steps(0, 0) > 100.0 && chain.lost_steps(0, 0) == 0.0);
    slow.advance_ns(S / 2);
    slow.advance_ns(S / 2);
    assert_eq!(seen(&slow), seen(&fork));
}

/// The rotor rests within a few hundredths of a step of where the field is.
#[test]
fn a_rotor_goes_where_its_counter_goes_and_the_switch_sees_the_rotor() {
    let chain = attached(&setup());
    chain.set_switch(0, 0, Switch::ClosedBetween { from_steps: 150.0, to_steps: 170.0 });
    send(&chain, &SET);
    send(&chain, &UP);
    chain.run_until_still(9 * S);
    chain.advance_ns(S / 2);
    assert!((chain.rotor_steps(0, 0) - 200.0).abs() < 0.05, "{}", chain.rotor_steps(0, 0));
    let changes: Vec<_> =
        chain.events().into_iter().filter(|event| matches!(event.kind, EventKind::SwitchChanged { .. })).collect();
    assert_eq!(changes.len(), 2, "{changes:?}");
    // It lags by less than a step and a half at some 280 steps/s: the counter was at 150 before.
    let counted = chain.history(0, 0).demand(changes[0].time_ns).position as f64 / 16.0;
    assert!(counted > 150.0 && counted < 151.5, "{counted}");
}

#[test]
fn a_search_ends_where_the_rotor_meets_the_switch() {
    let chain = attached(&setup());
    chain.set_switch(0, 0, Switch::ClosedBetween { from_steps: 40.0, to_steps: 1000.0 });
    send(&chain, &SET);
    // Search for the switch at 100 steps/s upwards; its place becomes zero.
    send(&chain, &[0x9E00, 0x1388]);
    assert!(chain.run_until_still(9 * S));
    chain.advance_ns(S / 2);
    let counted = chain.position(0, 0) as f64 / 16.0;
    assert!((chain.rotor_steps(0, 0) - 40.0 - counted).abs() < 1.5, "{counted} {}", chain.rotor_steps(0, 0));
    assert_eq!(chain.lost_steps(0, 0), 0.0);
}

/// By hand: 200 steps up against a stop at 50.3, then 200 down. The rotor lies against the stop while the field goes
/// round, is at rest next to where the field holds it, and is then 148 or so of its steps behind.
#[test]
fn an_end_stop_holds_the_rotor_which_is_lost_by_whole_cycles() {
    let chain = attached(&setup());
    chain.set_end_stop(0, 0, 50.3);
    send(&chain, &SET);
    send(&chain, &UP);
    while chain.is_moving(0, 0) {
        chain.advance_ns(MS);
        assert!(chain.rotor_steps(0, 0) <= 50.3);
    }
    chain.advance_ns(S / 2);
    let (rotor, lost) = (chain.rotor_steps(0, 0), chain.lost_steps(0, 0));
    assert!(lost % 4.0 == 0.0 && (200.0 - lost - rotor).abs() < 2.0, "{rotor} {lost}");
    send(&chain, &DOWN);
    chain.run_until_still(9 * S);
    chain.advance_ns(S / 2);
    let (rotor, lost_now) = (chain.rotor_steps(0, 0), chain.lost_steps(0, 0));
    assert!((rotor + lost_now).abs() < 0.1, "{rotor} {lost_now}");
    assert!((lost_now - lost).abs() <= 4.0);
}

/// By hand: 10.5 steps are 168 of 16 to a step, two cycles and 160 of 64; the field stays, and so does the rotor.
#[test]
fn another_resolution_and_another_number_move_no_rotor_and_lose_no_step() {
    let chain = attached(&setup());
    send(&chain, &SET);
    send(&chain, &[0x6800, 168]);
    chain.run_until_still(9 * S);
    chain.advance_ns(S / 2);
    let rotor = chain.rotor_steps(0, 0);
    assert!((rotor - 10.5).abs() < 0.05, "{rotor}");
    chain.set_position(0, 0, 77_777);
    send(&chain, &[0x8815, 0x0006]);
    chain.advance_ns(S / 2);
    assert!((chain.rotor_steps(0, 0) - rotor).abs() < 0.01);
    assert_eq!(chain.lost_steps(0, 0), 0.0);
    send(&chain, &[0x6C00, 4 * 64]);
    chain.run_until_still(9 * S);
    chain.advance_ns(S / 2);
    assert!((chain.rotor_steps(0, 0) - rotor + 4.0).abs() < 0.05, "{}", chain.rotor_steps(0, 0));
    assert_eq!(chain.lost_steps(0, 0), 0.0);
}

/// A reset puts the field at the beginning of its cycle: the rotor goes to the nearest such place once it is driven.
#[test]
fn after_a_reset_the_field_pulls_the_rotor_to_the_nearest_cycle() {
    let chain = attached(&setup());
    send(&chain, &SET);
    send(&chain, &[0x6800, 5 * 16]);
    chain.run_until_still(9 * S);
    chain.advance_ns(S / 2);
    chain.reset_node(0);
    send(&chain, &SET);
    chain.advance_ns(S / 10);
    assert!((chain.rotor_steps(0, 0) - 5.0).abs() < 0.05, "let go it stays: {}", chain.rotor_steps(0, 0));
    send(&chain, &STOP);
    chain.advance_ns(S / 2);
    assert!((chain.rotor_steps(0, 0) - 4.0).abs() < 0.05, "{}", chain.rotor_steps(0, 0));
    assert_eq!((chain.position(0, 0), chain.lost_steps(0, 0)), (0, 0.0));
}

/// Whoever waits for what will never come is told so: at rest, with nothing warming up, nothing more is looked at.
#[test]
fn a_wait_in_vain_ends_when_the_motor_is_at_rest() {
    use embedded_hal_async::digital::Wait;
    let chain = attached(&setup());
    send(&chain, &SET);
    send(&chain, &UP);
    let mut line = chain.fault_pin(Span::Chain, embedded_hal::digital::PinState::High);
    assert_eq!(embassy_futures::block_on(line.wait_for_high()), Err(PinError::NeverComes));
    assert!(chain.now_ns() < 9 * S && !chain.is_moving(0, 0));
    let before = chain.event_count();
    chain.advance_ns(3600 * S);
    assert_eq!(chain.event_count(), before);
    assert!(chain.motor(0, 0).unwrap().heat().winding_c > 30.0, "though the windings have warmed");
}

/// Nobody looks for minutes, or somebody does all the time: the stage gets too hot at the same instant.
#[test]
fn a_stage_gets_too_hot_at_rest_at_an_instant_of_its_own() {
    let told = |cuts_ns: u64| {
        let mut hot = setup();
        hot.stage.ambient_c = 120.0;
        hot.stage.node.resistance_k_per_w = 90.0;
        let chain = attached(&hot);
        send(&chain, &SET);
        send(&chain, &STOP);
        while chain.now_ns() < 4000 * S {
            chain.advance_ns(cuts_ns);
        }
        let is_hot = |event: &&Event| {
            matches!(event.kind, EventKind::FlagChanged { flag: Flag::Overtemperature, raised: true, .. })
        };
        chain.events().iter().find(is_hot).map(|event| event.time_ns)
    };
    let at_ns = told(4000 * S);
    assert!(at_ns.is_some_and(|at_ns| at_ns > 10 * S), "{at_ns:?}");
    assert_eq!(told(3 * S + 7), at_ns);
}

const CURRENTS: &Layout = &LATCHED.drive(stepchain::map::Drive::Current).registers(&[
    Register::new(Parameter::StandstillAmplitude, 0x20, 6)
        .encoding(Encoding::linear(1, 20))
        .unit(stepchain::units::Unit::Amperes)
        .reset(16),
    Register::new(Parameter::ConstantVelocityAmplitude, 0x21, 6)
        .encoding(Encoding::linear(1, 20))
        .unit(stepchain::units::Unit::Amperes)
        .reset(24),
    Register::new(Parameter::ProfileAcceleration, 0x11, 16).encoding(Encoding::linear(2, 1)).reset(500),
    Register::new(Parameter::FullStepThreshold, 0x16, 16).encoding(Encoding::linear(1, 4)).reset(0xFFFF),
    Register::new(Parameter::SupplyVoltage, 0x40, 8).access(stepchain::map::Access::ReadOnly),
    Register::new(Parameter::DeviceTemperature, 0x41, 8).access(stepchain::map::Access::ReadOnly),
    Register::new(Parameter::PositionActualValue, 0x42, 24).sign(stepchain::map::Sign::TwosComplement),
]);

/// Amplitudes of 0.8 A at rest and 1.2 A in motion, regulated with a ripple of a few per cent.
#[test]
fn where_the_amplitude_is_a_current_it_is_regulated() {
    let chain = chain(CURRENTS, 1);
    chain.attach_motor(0, 0, &MotorSetup { regulation: Regulation::default(), ..setup() });
    let current_a = |chain: &VirtualChain| chain.motor(0, 0).unwrap().current_amplitude_a();
    send(&chain, &[0xB400, 100 * 50]);
    chain.advance_ns(S / 5);
    assert!((current_a(&chain) / 1.2 - 1.0).abs() < 0.06, "{}", current_a(&chain));
    send(&chain, &STOP);
    chain.advance_ns(S / 2);
    assert!((current_a(&chain) / 0.8 - 1.0).abs() < 0.06, "{}", current_a(&chain));
    let rotor = chain.rotor_steps(0, 0);
    let followed = f64::from(chain.read_register(0, 0x42)) / 64.0;
    assert!((followed - rotor).abs() < 0.02, "{followed} {rotor}");
    assert_eq!((chain.read_register(0, 0x40), chain.read_register(0, 0x41)), (24, 25));
    // At rest all that goes on is heat: an hour costs nothing.
    chain.advance_ns(3600 * S);
    // By hand: 0.3 Ω times 0.8² A² over 20 K/W are 3.84 K.
    assert_eq!(chain.read_register(0, 0x41), 29);
    assert!((current_a(&chain) / 0.8 - 1.0).abs() < 0.06 && chain.motor(0, 0).unwrap().heat().winding_c > 33.0);
    // What comes now has no say in what was: it is still as warm when the bridge lets go.
    send(&chain, &[0x3942]);
    chain.advance_ns(10 * MS);
    assert_eq!(chain.read_register(0, 0x41), 29);
}

/// The dip of the supply passes 8 V between two looks; who waits for the line wakes at the later one.
#[test]
fn whoever_waits_for_the_fault_line_wakes_at_the_look_that_finds_the_fault() {
    use embedded_hal_async::digital::Wait;
    let dip = [(S, 24.0), (S + 10 * MS, 4.0), (S + 20 * MS, 24.0)];
    let chain = attached(&MotorSetup { supply: Supply::over_time(&dip), ..setup() });
    send(&chain, &SET);
    send(&chain, &STOP);
    let mut line = chain.fault_pin(Span::Chain, embedded_hal::digital::PinState::High);
    embassy_futures::block_on(line.wait_for_high()).unwrap();
    assert_eq!(chain.now_ns(), S + 8 * MS + MS / 10);
}

/// Above the threshold both windings carry the whole amplitude, half a step away from where one of them has it alone.
#[test]
fn in_full_steps_both_windings_carry_the_whole_current() {
    let chain = chain(CURRENTS, 1);
    chain.attach_motor(0, 0, &setup());
    send(&chain, &[0x8816, 4 * 50]);
    send(&chain, &[0xB400, 100 * 50]);
    chain.advance_ns(S / 4);
    let [a, b] = chain.motor(0, 0).unwrap().currents_a().map(f64::abs);
    assert!((a / 1.2 - 1.0).abs() < 0.08 && (b / 1.2 - 1.0).abs() < 0.08, "{a} {b}");
}

#[test]
fn a_motor_that_is_attached_late_is_where_the_axis_had_its_rotor() {
    let chain = chain(LATCHED, 1);
    chain.set_position(0, 0, 12_345);
    send(&chain, &SET);
    send(&chain, &[0x6800, 7 * 16]);
    chain.run_until_still(9 * S);
    chain.attach_motor(0, 0, &setup());
    chain.advance_ns(S / 2);
    assert!((chain.rotor_steps(0, 0) - 7.0).abs() < 0.05);
    assert_eq!(chain.lost_steps(0, 0), 0.0);
}
