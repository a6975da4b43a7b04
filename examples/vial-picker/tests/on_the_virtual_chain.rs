//! The firmware as it is, on virtual motors: where the needle goes, and what a fault does.

use core::time::Duration;

use embedded_hal::digital::PinState;
use stepchain::fault::FaultKind;
use stepchain::map::{Flag, RegisterMap};
use stepchain::reference::{FixedWord, Latched};
use stepchain_sim::chain::{Span, VirtualChain, VirtualClock, VirtualDelay, VirtualInput, VirtualSpi};
use stepchain_sim::device::Switch;
use stepchain_vial_picker::machine::{PARK, TRAY};
use stepchain_vial_picker::{Clock, PickError, Picker};

/// The firmware's clock on this machine.
struct Ticks(VirtualClock);

impl Clock for Ticks {
    fn now(&mut self) -> Duration {
        self.0.now()
    }
}

/// The switches are 60, 40 and 25 full steps behind where the axes happen to stand.
fn machine<M: RegisterMap>(devices: usize) -> VirtualChain {
    let machine = VirtualChain::new(const { &M::LAYOUT }, devices).expect("the map is valid");
    for (device, steps) in [60.0, 40.0, 25.0].into_iter().enumerate().take(devices) {
        machine.set_switch(device, 0, Switch::ClosedBetween { from_steps: -1e6, to_steps: -steps });
    }
    machine
}

type Virtual<M> = Picker<M, VirtualSpi, VirtualInput, VirtualInput, VirtualDelay, Ticks>;

fn picker<M: RegisterMap>(machine: &VirtualChain) -> Virtual<M> {
    let [busy, fault] = [machine.busy_pin(Span::Chain, PinState::Low), machine.fault_pin(Span::Chain, PinState::Low)];
    Picker::new(machine.spi(), busy, fault, machine.delay(), Ticks(machine.clock()))
}

fn visits_every_vial<M: RegisterMap>() {
    let machine = machine::<M>(3);
    let mut picker = picker::<M>(&machine);
    assert_eq!(picker.check(), Ok(()));
    assert_eq!(picker.begin(), Ok(()));
    assert_eq!(picker.work(&TRAY, 0), Ok(0));
    for (device, park) in PARK.0.into_iter().enumerate() {
        assert_eq!(machine.position(device, 0), i64::from(park) * 32);
    }
    // Where the needle was down and stood still: in each vial, and nowhere else.
    let mut dips = Vec::new();
    for pair in machine.trajectory(2, 0).windows(2) {
        let rests = |corner: &stepchain_sim::device::Breakpoint| corner.velocity_steps_per_s == 0.0;
        if rests(&pair[0]) && rests(&pair[1]) && pair[0].position_steps > 100.0 && pair[1].time_ns > pair[0].time_ns {
            let at = |device| machine.history(device, 0).demand(pair[1].time_ns).position;
            dips.push([0, 1, 2].map(at));
        }
    }
    assert_eq!(dips, TRAY.map(|spot| spot.0.map(|steps| i64::from(steps) * 32)));
}

#[test]
fn the_needle_is_dipped_into_every_vial_and_parked_on_both_maps() {
    visits_every_vial::<Latched>();
    visits_every_vial::<FixedWord>();
}

#[test]
fn a_chain_of_two_is_told_before_anything_moves() {
    let machine = machine::<Latched>(2);
    let mut picker = picker::<Latched>(&machine);
    let checked = picker.check();
    assert!(matches!(checked, Err(PickError::Wiring(_))), "{checked:?}");
    assert_eq!(picker.go(PARK), Err(PickError::NotHomed));
    assert_eq!([0, 1].map(|device| machine.position(device, 0)), [0, 0]);
}

/// The condition lasts, so that the device is still too hot after it was given time to cool.
#[test]
fn a_fault_that_lasts_ends_the_work_with_its_name() {
    let machine = machine::<Latched>(3);
    let mut picker = picker::<Latched>(&machine);
    assert_eq!(picker.begin(), Ok(()));
    machine.set_condition(1, 0, Flag::Overtemperature, true);
    let fault = PickError::Fault { found: Some((1, FaultKind::Overtemperature)) };
    let found = picker.work(&TRAY, 0);
    assert_eq!(found, Err(fault));
    machine.set_condition(1, 0, Flag::Overtemperature, false);
    assert_eq!(picker.work(&TRAY, 0), Err(PickError::NotHomed));
    assert_eq!(picker.begin(), Ok(()));
    assert_eq!(picker.work(&TRAY, 0), Ok(0));
}
