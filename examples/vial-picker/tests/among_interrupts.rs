//! The machine among interrupts, on virtual motors: where the needle goes, whenever a key is pressed or the wheel turned.

use embassy_futures::block_on;
use stepchain::fault::FaultKind;
use stepchain::map::{Flag, RegisterMap};
use stepchain::reference::{FixedWord, Latched};
use stepchain_sim::chain::VirtualChain;
use stepchain_sim::device::{EventKind, Switch};
use stepchain_vial_picker::machine::{BRAKING, CARRIAGE, DEVICES, PARK, TRAY, WHEEL_TIME};
use stepchain_vial_picker::moments::Moments;
use stepchain_vial_picker::{AsyncPicker, Desk, Interrupt, PickError};

const UP: Interrupt = Interrupt::Wheel { is_up: true };
const DOWN: Interrupt = Interrupt::Wheel { is_up: false };

/// The switches are 60, 40 and 25 full steps behind where the axes happen to stand.
fn machine<M: RegisterMap>() -> VirtualChain {
    let machine = VirtualChain::new(const { &M::LAYOUT }, DEVICES).expect("the map is valid");
    for (device, steps) in [60.0, 40.0, 25.0].into_iter().enumerate() {
        machine.set_switch(device, 0, Switch::ClosedBetween { from_steps: -1e6, to_steps: -steps });
    }
    machine
}

/// Runs something of the application with the interrupts of a script; gives what came of it, and how many dealings it took.
macro_rules! run {
    ($map:ty, $machine:expr, $script:expr, |$picker:ident| $work:expr) => {{
        let (machine, desk) = (&$machine, Desk::new());
        let script = $script;
        let moments = Moments::new(&script, |interrupt| desk.interrupt(interrupt));
        let (spi, delay) = (moments.in_each(machine.spi()), moments.in_each(machine.delay()));
        let mut $picker = AsyncPicker::<$map, _, _>::new(spi, delay, &desk);
        let came = block_on(async { $work.await });
        (came, moments.dealings())
    }};
}

fn is_parked(machine: &VirtualChain) -> bool {
    let places = [0, 1, 2].map(|device| machine.position(device, 0));
    places == PARK.0.map(|steps| i64::from(steps) * 32)
}

/// What a device refused or the controller did wrong.
fn troubles(machine: &VirtualChain) -> Vec<EventKind> {
    let is = |kind: &EventKind| {
        matches!(kind, EventKind::CommandRejected { .. } | EventKind::Violation(_) | EventKind::CommandUnknown { .. })
    };
    machine.events().into_iter().map(|event| event.kind).filter(is).collect()
}

fn works_undisturbed<M: RegisterMap>() {
    assert_eq!(run!(M, machine::<M>(), [], |picker| picker.check()).0, Ok(()));
    let machine = machine::<M>();
    let (came, _) = run!(M, machine, [], |picker| picker.work(&TRAY, 0));
    assert_eq!((came, is_parked(&machine), troubles(&machine)), (Ok(0), true, vec![]));
    let deepest = machine.trajectory(2, 0).iter().map(|corner| corner.position_steps).fold(0.0, f64::max);
    assert_eq!(deepest, 240.0);
}

/// The key is pressed in one dealing of the work, whichever: in a frame of the settings, while the axes look for their
/// switches, between the frames of a line, in a dip.
fn obeys_the_stop_key<M: RegisterMap>() {
    let vial = &TRAY[..1];
    let (_, dealings) = run!(M, machine::<M>(), [], |picker| picker.work(vial, 0));
    // The settings are close together, the rest is long.
    let moments = (3..80).step_by(30).chain((80..dealings).step_by(dealings as usize / 4));
    for at in moments {
        let machine = machine::<M>();
        let (came, _) = run!(M, machine, [(at, Interrupt::StopKey)], |picker| async {
            let came = picker.work(vial, 0).await;
            let moving = (0..DEVICES).filter(|device| machine.is_moving(*device, 0)).count();
            assert_eq!((came, moving), (Err(PickError::Stopped), 0), "dealing {at}");
            picker.work(vial, 0).await
        });
        assert_eq!((came, is_parked(&machine), troubles(&machine)), (Ok(0), true, vec![]), "dealing {at}");
    }
}

#[test]
fn the_needle_visits_every_vial_and_parks_on_both_maps() {
    works_undisturbed::<Latched>();
    works_undisturbed::<FixedWord>();
}

#[test]
fn stopped_at_any_moment_all_axes_stand_and_the_work_goes_on_from_there_on_both_maps() {
    obeys_the_stop_key::<Latched>();
    obeys_the_stop_key::<FixedWord>();
}

/// By hand: three notches up and one down are 100 steps/s, and the wheel is turned in the first periods of 3 s.
#[test]
fn the_wheel_drives_the_carriage_while_it_has_a_say_until_the_key_takes_it_away() {
    let machine = machine::<Latched>();
    let (came, before) = run!(Latched, machine, [(30, UP), (90, UP)], |picker| picker.begin());
    assert_eq!(came, Ok(()));
    let begun_ns = machine.now_ns();
    let turns = [(10, UP), (11, UP), (12, UP), (20, DOWN)];
    let (came, whole) = run!(Latched, machine, turns, |picker| picker.jog(WHEEL_TIME));
    assert_eq!(came, Ok(()));
    assert!(before > 90 && whole > 20);
    let position = machine.position(CARRIAGE, 0);
    assert!((280 * 32..=300 * 32).contains(&position), "{position} microsteps in 3 s at 100 steps/s");
    assert!(!machine.is_moving(CARRIAGE, 0));
    let took_ns = u128::from(machine.now_ns() - begun_ns);
    assert!(took_ns < WHEEL_TIME.as_nanos() * 11 / 10 + BRAKING.as_nanos(), "{took_ns} ns");
    assert_eq!([0, 2].map(|device| machine.is_moving(device, 0)), [false, false]);

    // The key in the middle: what is turned behind it changes nothing.
    let machine = self::machine::<Latched>();
    assert_eq!(run!(Latched, machine, [], |picker| picker.begin()).0, Ok(()));
    let turns = [(10, UP), (200, Interrupt::StopKey), (201, UP), (202, UP)];
    let (came, short) = run!(Latched, machine, turns, |picker| picker.jog(WHEEL_TIME));
    assert_eq!((came, machine.is_moving(CARRIAGE, 0)), (Ok(()), false));
    assert!(short < whole / 2, "{short} of {whole} dealings");
    let corners = machine.trajectory(CARRIAGE, 0);
    let jogged = corners.iter().filter(|corner| corner.time_ns > begun_ns);
    assert!(
        jogged.clone().count() > 2 && jogged.clone().all(|corner| corner.velocity_steps_per_s <= 50.0),
        "{corners:?}"
    );
}

/// The condition lasts, so that the device is still too hot after it was given time to cool.
#[test]
fn a_fault_is_seen_by_a_look_and_ends_the_work_with_its_name_once_patience_is_gone() {
    let machine = machine::<Latched>();
    let (came, _) = run!(Latched, machine, [], |picker| async {
        picker.begin().await?;
        machine.set_condition(1, 0, Flag::Overtemperature, true);
        picker.work(&TRAY, 0).await
    });
    assert_eq!(came, Err(PickError::Fault { found: Some((1, FaultKind::Overtemperature)) }));
    machine.set_condition(1, 0, Flag::Overtemperature, false);
    assert!(machine.run_until_still(1_000_000_000), "the others were told to stop");
    let (came, _) = run!(Latched, machine, [], |picker| async {
        let went = picker.go(PARK).await;
        assert_eq!(went, Err(PickError::NotHomed));
        picker.work(&TRAY, 0).await
    });
    assert_eq!((came, is_parked(&machine)), (Ok(0), true));
}
