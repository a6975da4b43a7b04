//! One typed value configures a whole virtual chain: applied in the frames of one device, read back, compared.

use stepchain::map::{Parameter, RegisterMap};
use stepchain::reference::{FixedWord, Latched};
use stepchain::settings::{Apply, ApplyError, ReadBack, Setting, Settings};
use stepchain::units::{Acceleration, Amplitude, Factor, MicrostepResolution, Value, Velocity};
use stepchain::{Chain, Command};
use stepchain_sim::chain::{VirtualChain, VirtualSpi};

/// What both reference maps have: guarded and unguarded, alone and sharing a register.
const COMMON: Settings<4> = Settings::new([
    Setting::new(Parameter::StandstillAmplitude, Value::Amplitude(Amplitude::per_mille::<123>())),
    Setting::new(Parameter::ProfileVelocity, Value::Velocity(Velocity::steps_per_s::<431>())),
    Setting::new(
        Parameter::MicrostepResolution,
        Value::MicrostepResolution(MicrostepResolution::from_microsteps_per_step(8)),
    ),
    Setting::new(Parameter::ProfileAcceleration, Value::Acceleration(Acceleration::steps_per_s2::<1_777>())),
]);
const _: () = COMMON.assert_fits(&Latched::LAYOUT);
const _: () = COMMON.assert_fits(&FixedWord::LAYOUT);

fn bench<M: RegisterMap, const N: usize>() -> (VirtualChain, Chain<M, VirtualSpi, N>) {
    let bench = VirtualChain::new(Chain::<M, VirtualSpi, N>::LAYOUT, N).unwrap();
    let chain = Chain::new(bench.spi());
    (bench, chain)
}

fn n_devices_cost_the_frames_of_one<M: RegisterMap>() {
    let layout = Chain::<M, VirtualSpi, 1>::LAYOUT;
    let (one, mut chain) = bench::<M, 1>();
    let mut apply = Apply::to_all(layout, &COMMON);
    chain.run(&mut apply, &mut one.delay()).unwrap();
    assert_eq!(apply.results(), &[Ok(())]);
    let (eight, mut chain) = bench::<M, 8>();
    let mut apply = Apply::to_all(layout, &COMMON);
    chain.run(&mut apply, &mut eight.delay()).unwrap();
    assert_eq!(apply.results(), &[Ok(()); 8]);
    assert_eq!(one.frames(), eight.frames());
    for device in 0..8 {
        assert_eq!(eight.microsteps_per_step(device, 0), 8);
        for entry in COMMON.entries() {
            // The simulator's registers, read by the back door and by hand.
            let register = layout.register(entry.parameter, 0).unwrap();
            let content = eight.read_register(device, register.address);
            assert_eq!(content & register.mask(), register.content(register.code_of(entry.value).unwrap()));
        }
    }
}

#[test]
fn n_devices_cost_the_frames_of_one_on_both_maps() {
    n_devices_cost_the_frames_of_one::<Latched>();
    n_devices_cost_the_frames_of_one::<FixedWord>();
}

fn a_device_that_moves_keeps_all_from_being_written<M: RegisterMap>() {
    let (bench, mut chain) = bench::<M, 2>();
    chain.send_one(1, Command::MoveVelocity { velocity: Velocity::steps_per_s::<100>() }).unwrap();
    let before: Vec<_> = (0..2).map(|device| bench.read_register(device, 0x20)).collect();
    let mut apply = Apply::to_all(Chain::<M, VirtualSpi, 2>::LAYOUT, &COMMON);
    chain.run(&mut apply, &mut bench.delay()).unwrap();
    assert!(matches!(apply.results(), [Ok(()), Err(ApplyError::Moving { .. })]), "{:?}", apply.results());
    assert_eq!((0..2).map(|device| bench.read_register(device, 0x20)).collect::<Vec<_>>(), before);
}

#[test]
fn a_device_that_moves_keeps_all_from_being_written_on_both_maps() {
    a_device_that_moves_keeps_all_from_being_written::<Latched>();
    a_device_that_moves_keeps_all_from_being_written::<FixedWord>();
}

/// Resistance compensation may be written in high impedance alone: after power-up, and not once a move has driven
/// the bridge.
#[test]
fn a_driven_bridge_is_in_the_way_of_what_needs_it_off() {
    let compensation =
        Setting::new(Parameter::ResistanceCompensation, Value::Factor(Factor::from_ratio(9, 8).unwrap()));
    let settings = Settings::new([compensation]);
    let (bench, mut chain) = bench::<Latched, 1>();
    let mut apply = Apply::to_all(&Latched::LAYOUT, &settings);
    chain.run(&mut apply, &mut bench.delay()).unwrap();
    assert_eq!(apply.results(), &[Ok(())]);
    chain.send_one(0, Command::MoveVelocity { velocity: Velocity::ZERO }).unwrap();
    let mut apply = Apply::to_all(&Latched::LAYOUT, &settings);
    chain.run(&mut apply, &mut bench.delay()).unwrap();
    assert!(matches!(apply.results(), [Err(ApplyError::BridgeDriven { .. })]), "{:?}", apply.results());
}

/// A device that has started anew holds its reset codes, and the comparison shows it.
#[test]
fn a_restart_shows_in_the_comparison() {
    let (bench, mut chain) = bench::<FixedWord, 2>();
    chain.run(&mut Apply::to_all(&FixedWord::LAYOUT, &COMMON), &mut bench.delay()).unwrap();
    bench.reset_node(1);
    let mut read_back = ReadBack::new(&COMMON);
    chain.run(&mut read_back, &mut bench.delay()).unwrap();
    let wanted = COMMON.quantised(&FixedWord::LAYOUT).unwrap();
    let differences = |device: usize| {
        let found = read_back.found()[device].unwrap();
        wanted.diff(&found).map(|(setting, _)| setting.parameter).collect::<Vec<_>>()
    };
    assert_eq!(differences(0), []);
    assert_eq!(differences(1), COMMON.entries().map(|entry| entry.parameter));
}
