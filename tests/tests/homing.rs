//! Homing through the driver: every axis of a chain finds a switch of its own, makes its edge zero, and comes back to it.

use stepchain::map::{EdgeAction, Flag, RegisterMap};
use stepchain::reference::{FixedWord, Latched};
use stepchain::units::{Distance, Velocity};
use stepchain::{Chain, Command};
use stepchain_sim::chain::{VirtualChain, VirtualSpi};
use stepchain_sim::device::Switch;
use stepchain_tests::maps::{Mirrored, Twin};

const N: usize = 3;
const MINUTE: u64 = 60_000_000_000;

/// The switch of a device is closed from here on downwards, in full steps.
fn closes_at(device: usize, axis: u8) -> f64 {
    -30.0 - 7.0 * device as f64 - f64::from(axis)
}

fn rig<M: RegisterMap>(axis: u8) -> (VirtualChain, Chain<M, VirtualSpi, N>) {
    let bench = VirtualChain::new(Chain::<M, VirtualSpi, N>::LAYOUT, N).unwrap();
    for device in 0..N {
        let switch = Switch::ClosedBetween { from_steps: -1e6, to_steps: closes_at(device, axis) };
        bench.set_switch(device, axis.into(), switch);
    }
    let chain = Chain::new(bench.spi());
    (bench, chain)
}

fn zero_is_the_edge_of_the_switch<M: RegisterMap>(axis: u8) {
    let (bench, mut chain) = rig::<M>(axis);
    let velocity = Velocity::from_steps_per_s(-60).unwrap();
    let search = Command::SearchForSwitch { velocity, action: EdgeAction::Zero };
    chain.send(&[search.on(axis); N]).unwrap();
    assert!(bench.run_until_still(MINUTE), "every search has found its switch");
    for device in 0..N {
        assert!(bench.position(device, axis.into()) < 0, "it needs some way to stop");
        let status = chain.send_one(device, Command::PeekStatus).unwrap().status.unwrap();
        assert_eq!(status.flag_of(Flag::HomeSwitch, axis), Some(true));
        assert_eq!(status.flag_of(Flag::SwitchEvent, axis), Some(true));
    }
    chain.send(&[Command::ReturnToZero.on(axis); N]).unwrap();
    assert!(bench.run_until_still(MINUTE));
    for device in 0..N {
        assert_eq!(bench.position(device, axis.into()), 0);
        let off = bench.rotor_steps(device, axis.into()) - closes_at(device, axis);
        let microstep = 1.0 / f64::from(bench.microsteps_per_step(device, axis.into()));
        assert!((-microstep..1e-9).contains(&off), "device {device}: {off} steps from the edge");
    }
}

/// Out of the switch by creeping, and then a move and one that waits for it, in the frames of one device each.
fn a_creep_finds_zero_and_two_moves_follow_one_another<M: RegisterMap>(axis: u8) {
    let (bench, mut chain) = rig::<M>(axis);
    for device in 0..N {
        bench.set_switch(device, axis.into(), Switch::ClosedBetween { from_steps: -10.0, to_steps: 2.0 });
    }
    let velocity = Velocity::from_steps_per_s(40).unwrap();
    chain.send(&[Command::SearchForZero { velocity, action: EdgeAction::Zero }.on(axis); N]).unwrap();
    assert!(bench.run_until_still(MINUTE));
    let from = bench.position(0, axis.into());
    let distance = |microsteps| Command::MoveRelative { distance: Distance::from_microsteps(microsteps) };
    chain.send(&[distance(400).on(axis); N]).unwrap();
    chain.send(&[distance(-150).on(axis).buffered(); N]).unwrap();
    assert!(bench.run_until_still(MINUTE));
    for device in 0..N {
        assert_eq!(bench.position(device, axis.into()), from + 250, "device {device}");
    }
}

macro_rules! on_maps {
    ($($name:ident: $scenario:ident::<$map:ty>($axis:literal);)+) => {
        $(#[test]
        fn $name() {
            $scenario::<$map>($axis);
        })+
    };
}

on_maps! {
    zero_is_the_edge_of_the_switch_latched: zero_is_the_edge_of_the_switch::<Latched>(0);
    zero_is_the_edge_of_the_switch_fixed_word: zero_is_the_edge_of_the_switch::<FixedWord>(0);
    zero_is_the_edge_of_the_switch_mirrored: zero_is_the_edge_of_the_switch::<Mirrored>(0);
    zero_is_the_edge_of_the_switch_twin_first_axis: zero_is_the_edge_of_the_switch::<Twin>(0);
    zero_is_the_edge_of_the_switch_twin_second_axis: zero_is_the_edge_of_the_switch::<Twin>(1);
    a_creep_and_two_moves_latched: a_creep_finds_zero_and_two_moves_follow_one_another::<Latched>(0);
    a_creep_and_two_moves_fixed_word: a_creep_finds_zero_and_two_moves_follow_one_another::<FixedWord>(0);
    a_creep_and_two_moves_mirrored: a_creep_finds_zero_and_two_moves_follow_one_another::<Mirrored>(0);
    a_creep_and_two_moves_twin_second_axis: a_creep_finds_zero_and_two_moves_follow_one_another::<Twin>(1);
}
