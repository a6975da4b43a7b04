//! Homing on the virtual chain: every method, with switches and stops that the simulated machines have, on four maps.

use core::time::Duration;

use embassy_futures::block_on;
use stepchain::chain::Step;
use stepchain::homing::{
    AxisHoming, Contact, Homed, Homing, HomingError, HomingVelocities, Method, Phase, SearchLimits,
};
use stepchain::map::{CommandForm, Flag, Layout, Parameter, RegisterMap, Verb};
use stepchain::reference::{FixedWord, Latched};
use stepchain::units::{Distance, MicrostepResolution, Position, Value, Velocity};
use stepchain::{AsyncChain, Chain, Command, Tracker, UnwrappedPosition};
use stepchain_sim::chain::{VirtualChain, VirtualSpi};
use stepchain_sim::device::{EventKind, Switch};
use stepchain_tests::maps::Twin;

const SPEEDS: HomingVelocities = HomingVelocities {
    search_for_switch: Velocity::steps_per_s::<300>(),
    search_for_zero: Velocity::steps_per_s::<40>(),
};
const LIMITS: SearchLimits = SearchLimits { travel: Distance::from_microsteps(60_000), time: Duration::from_secs(60) };
/// The time between two polls.
const PERIOD: Duration = Duration::from_millis(5);
const HOMED: Homed = Homed { counter: Position::ZERO, at: UnwrappedPosition::ZERO };

/// The methods that look for a switch, and whether it is pressed above its edge.
const SWITCH_METHODS: [(Method, bool); 6] = [
    (Method::NegativeLimitSwitch, false),
    (Method::PositiveLimitSwitch, true),
    (Method::OutOfPositiveHomeSwitch, true),
    (Method::IntoPositiveHomeSwitch, true),
    (Method::OutOfNegativeHomeSwitch, false),
    (Method::IntoNegativeHomeSwitch, false),
];

/// The first reference map without the searches: the driver has to watch the switch.
#[derive(Clone, Copy, Debug)]
struct Watched;

const fn is_search(form: &CommandForm) -> bool {
    matches!(form.verb, Verb::SearchForSwitch(_) | Verb::SearchForZero(_))
}

const SEARCHES: usize = {
    let (mut rest, mut count) = (Latched::LAYOUT.commands, 0);
    while let [form, tail @ ..] = rest {
        count += is_search(form) as usize;
        rest = tail;
    }
    count
};

const KEPT: [CommandForm; Latched::LAYOUT.commands.len() - SEARCHES] = {
    let all = Latched::LAYOUT.commands;
    let mut kept = [all[0]; Latched::LAYOUT.commands.len() - SEARCHES];
    let (mut from, mut to) = (0, 0);
    while from < all.len() {
        if !is_search(&all[from]) {
            kept[to] = all[from];
            to += 1;
        }
        from += 1;
    }
    kept
};

impl RegisterMap for Watched {
    const LAYOUT: Layout = Latched::LAYOUT.commands(&KEPT);
}

struct Rig<M, const N: usize> {
    bench: VirtualChain,
    chain: Chain<M, VirtualSpi, N>,
}

impl<M: RegisterMap, const N: usize> Rig<M, N> {
    fn new() -> Self {
        let bench = VirtualChain::new(Chain::<M, VirtualSpi, N>::LAYOUT, N).unwrap();
        let chain = Chain::new(bench.spi());
        Self { bench, chain }
    }

    /// An axis whose switch is pressed above or below an edge, in full steps from where it stands now.
    fn set_switch(&self, device: usize, axis: usize, edge_steps: f64, is_above: bool, contact: Contact) {
        let closed_above = is_above == (contact == Contact::NormallyOpen);
        let (from_steps, to_steps) = if closed_above { (edge_steps, 1e6) } else { (-1e6, edge_steps) };
        self.bench.set_switch(device, axis, Switch::ClosedBetween { from_steps, to_steps });
    }

    fn home<const K: usize>(&mut self, axes: [AxisHoming; K]) -> Homing<K, N> {
        let mut homing = Homing::new(Chain::<M, VirtualSpi, N>::LAYOUT, axes).every(PERIOD);
        self.chain.run(&mut homing, &mut self.bench.delay()).unwrap();
        homing
    }

    /// The axis stands with its counter at zero, as many steps from where it was as expected.
    fn assert_zero_at(&self, device: usize, axis: usize, steps: f64, tolerance_microsteps: f64, of: &str) {
        assert_eq!(self.bench.position(device, axis), 0, "{of}");
        assert_eq!(self.bench.velocity_steps_per_s(device, axis), 0.0, "{of}");
        let off = self.bench.rotor_steps(device, axis) - steps;
        let tolerance = tolerance_microsteps / f64::from(self.bench.microsteps_per_step(device, axis));
        assert!(off.abs() <= tolerance, "{of}: {off} steps beside {steps}, {tolerance} are allowed");
    }

    fn assert_nothing_wrong(&self) {
        let wrong = |kind: &EventKind| {
            use EventKind::{CommandRejected, CommandUnknown, CrcMismatch, Violation};
            matches!(kind, Violation(_) | CommandRejected { .. } | CommandUnknown { .. } | CrcMismatch { .. })
        };
        let events: Vec<_> = self.bench.events().into_iter().filter(|event| wrong(&event.kind)).collect();
        assert!(events.is_empty(), "{events:?}");
    }
}

/// Six devices, each with another method and another switch, at once; from both sides, with either contact.
fn every_method_finds_its_switch<M: RegisterMap>(tolerance_microsteps: f64) {
    for contact in [Contact::NormallyOpen, Contact::NormallyClosed] {
        for side in [-1.0, 1.0] {
            let mut rig = Rig::<M, 6>::new();
            let edge = |device: usize| side * (20.0 + 7.25 * device as f64);
            let mut device = 0;
            let axes = SWITCH_METHODS.map(|(method, is_above)| {
                rig.set_switch(device, 0, edge(device), is_above, contact);
                device += 1;
                AxisHoming::new(method, SPEEDS, LIMITS).device(device - 1).contact(contact)
            });
            let homing = rig.home(axes);
            assert_eq!(homing.results(), [Ok(HOMED); 6], "{contact:?}, {side}");
            for (device, axis) in axes.iter().enumerate() {
                rig.assert_zero_at(device, 0, edge(device), tolerance_microsteps, &format!("{axis:?}"));
            }
            rig.assert_nothing_wrong();
        }
    }
}

/// A switch that is closed at both of its ends opens one microstep beyond: that is all that may be missing.
#[test]
fn a_device_that_searches_is_homed_to_the_microstep() {
    every_method_finds_its_switch::<Latched>(1.001);
    every_method_finds_its_switch::<FixedWord>(1.001);
}

/// What a watched axis goes at 40 steps/s of 64 microsteps each between two polls, and the microstep.
///
/// By hand: a round of three exchanges has twelve frames at most, each of 6 · 16 bits at 5 MHz and 0.8 µs: 0.24 ms beside
/// the period of 5 ms.
const WATCHED: f64 = 1.001 + 5.24e-3 * 40.0 * 64.0;

#[test]
fn a_device_that_is_watched_is_homed_to_what_it_goes_between_two_polls() {
    every_method_finds_its_switch::<Watched>(WATCHED);
}

#[test]
fn both_axes_of_each_device_are_homed_at_once() {
    let mut rig = Rig::<Twin, 2>::new();
    let places = [(0, 0), (0, 1), (1, 0), (1, 1)];
    let mut index = 0;
    let axes = places.map(|(device, axis)| {
        let (method, is_above) = SWITCH_METHODS[index + 1];
        rig.set_switch(device, axis, 10.0 + 5.0 * index as f64, is_above, Contact::NormallyOpen);
        index += 1;
        AxisHoming::new(method, SPEEDS, LIMITS).device(device).axis(axis as u8)
    });
    let homing = rig.home(axes);
    assert_eq!(homing.results(), [Ok(HOMED); 4]);
    for (index, (device, axis)) in places.into_iter().enumerate() {
        let edge = 10.0 + 5.0 * index as f64;
        rig.assert_zero_at(device, axis, edge, 1.001, &format!("device {device}, axis {axis}"));
    }
    rig.assert_nothing_wrong();
}

/// The zero position lies below home by a positive offset.
fn the_axis_ends_at_its_zero_position<M: RegisterMap>(tolerance_microsteps: f64) {
    let mut rig = Rig::<M, 2>::new();
    let microsteps = rig.bench.microsteps_per_step(0, 0) as i32;
    for device in 0..2 {
        rig.set_switch(device, 0, -15.0, false, Contact::NormallyOpen);
    }
    let axis = AxisHoming::new(Method::NegativeLimitSwitch, SPEEDS, LIMITS);
    let offset = |steps: i32| Distance::from_microsteps(steps * microsteps);
    let homing = rig.home([axis.home_offset(offset(-40)), axis.device(1).home_offset(offset(3))]);
    assert_eq!(homing.results(), [Ok(HOMED); 2]);
    rig.assert_zero_at(0, 0, -15.0 + 40.0, tolerance_microsteps, "40 steps above home");
    rig.assert_zero_at(1, 0, -15.0 - 3.0, tolerance_microsteps, "3 steps below home");
    rig.assert_nothing_wrong();
}

#[test]
fn the_axis_ends_at_its_zero_position_on_every_map() {
    the_axis_ends_at_its_zero_position::<Latched>(1.001);
    the_axis_ends_at_its_zero_position::<FixedWord>(1.001);
    the_axis_ends_at_its_zero_position::<Watched>(WATCHED);
}

/// The rotor stands at the stop, while the device goes on counting until it is told to cease.
fn a_stop_is_found<M: RegisterMap>() {
    let mut rig = Rig::<M, 2>::new();
    let microsteps = rig.bench.microsteps_per_step(0, 0) as i32;
    rig.bench.set_end_stop(0, 0, -25.0);
    rig.bench.set_end_stop(1, 0, 30.0);
    let offset = |steps: i32| Distance::from_microsteps(steps * microsteps);
    let homing = rig.home([
        AxisHoming::new(Method::NegativeStop, SPEEDS, LIMITS).home_offset(offset(-5)),
        AxisHoming::new(Method::PositiveStop, SPEEDS, LIMITS).device(1).home_offset(offset(8)),
    ]);
    assert_eq!(homing.results(), [Ok(HOMED); 2]);
    rig.assert_zero_at(0, 0, -20.0, 1.001, "5 steps above the stop");
    rig.assert_zero_at(1, 0, 22.0, 1.001, "8 steps below the stop");
    rig.assert_nothing_wrong();
}

#[test]
fn a_stop_is_found_on_both_reference_maps() {
    a_stop_is_found::<Latched>();
    a_stop_is_found::<FixedWord>();
}

/// One axis has no switch, one loses its supply on the way, one has a jammed switch; the fourth gets home.
fn troubles_stay_with_their_axis<M: RegisterMap>() {
    let mut rig = Rig::<M, 4>::new();
    rig.bench.set_switch(2, 0, Switch::Closed);
    for device in [1, 3] {
        rig.set_switch(device, 0, 90.0, true, Contact::NormallyOpen);
    }
    let limits = SearchLimits { travel: Distance::from_microsteps(4_000), ..LIMITS };
    let method = Method::IntoPositiveHomeSwitch;
    let axis = AxisHoming::new(method, SPEEDS, limits);
    let far = AxisHoming::new(method, SPEEDS, LIMITS);
    let mut homing =
        Homing::new(Chain::<M, VirtualSpi, 4>::LAYOUT, [axis, far.device(1), axis.device(2), far.device(3)])
            .every(PERIOD);
    let mut is_reset = false;
    loop {
        match rig.chain.poll(&mut homing).unwrap() {
            Step::Done => break,
            Step::Wait(time) => rig.bench.advance_ns(time.as_nanos() as u64),
            Step::Exchange => {}
        }
        if !is_reset && homing.phases()[1] == Phase::Seeking && rig.bench.now_ns() > 100_000_000 {
            rig.bench.reset_node(1);
            is_reset = true;
        }
    }
    let [missing, reset, stuck, homed] = homing.results();
    assert!(matches!(missing, Err(HomingError::SwitchNotFound { travelled: 4_001.. })), "{missing:?}");
    assert_eq!(reset, Err(HomingError::Fault(Flag::ResetOccurred)));
    assert!(matches!(stuck, Err(HomingError::SwitchStuck { travelled: 4_001.. })), "{stuck:?}");
    assert_eq!(homed, Ok(HOMED));
    rig.assert_zero_at(3, 0, 90.0, 1.001, "the fourth");
    for device in 0..3 {
        assert_eq!(rig.bench.velocity_steps_per_s(device, 0), 0.0, "device {device}");
    }
    assert!(matches!(homing.phases()[0], Phase::Failed { stands: true, .. }));
}

#[test]
fn troubles_stay_with_their_axis_on_both_reference_maps() {
    troubles_stay_with_their_axis::<Latched>();
    troubles_stay_with_their_axis::<FixedWord>();
}

fn the_tracker_trusts_what_was_homed<M: RegisterMap>() {
    let mut rig = Rig::<M, 1>::new();
    let layout = Chain::<M, VirtualSpi, 1>::LAYOUT;
    rig.set_switch(0, 0, 12.0, true, Contact::NormallyOpen);
    let resolution = MicrostepResolution::from_microsteps_per_step(rig.bench.microsteps_per_step(0, 0) as u16);
    let mut tracker = Tracker::new(&layout.position, resolution, Velocity::steps_per_s::<2000>());
    let there = Command::MoveRelative { distance: Distance::from_microsteps(320) };
    assert!(tracker.allow(&there).is_err());
    let homing = rig.home([AxisHoming::new(Method::PositiveLimitSwitch, SPEEDS, LIMITS)]);
    let [Ok(homed)] = homing.results() else { panic!("{:?}", homing.results()) };
    tracker.homed_at(homed.counter, homed.at);
    let status = rig.chain.send_one(0, Command::PeekStatus).unwrap().status.unwrap();
    assert_eq!(tracker.observe(&status), None, "the reset of power-up is no news any more");
    tracker.allow(&there).unwrap();
    rig.chain.send_one(0, there).unwrap();
    assert!(rig.bench.run_until_still(60_000_000_000));
    let read = rig.chain.send_one(0, Command::read(Parameter::PositionDemandValue)).unwrap().value;
    let Some(Value::Position(counter)) = read else { panic!("{read:?}") };
    tracker.update(counter, None).unwrap();
    assert_eq!(tracker.position(), Ok(UnwrappedPosition::from_microsteps(320)));
}

#[test]
fn the_tracker_trusts_what_was_homed_on_both_reference_maps() {
    the_tracker_trusts_what_was_homed::<Latched>();
    the_tracker_trusts_what_was_homed::<FixedWord>();
}

/// The async front drives the same procedure, to the same bytes.
fn homing_can_be_awaited<M: RegisterMap>() {
    let home = |is_async: bool| {
        let rig = Rig::<M, 2>::new();
        let axis = AxisHoming::new(Method::IntoPositiveHomeSwitch, SPEEDS, LIMITS);
        for device in 0..2 {
            rig.set_switch(device, 0, 30.0, true, Contact::NormallyOpen);
        }
        let mut homing = Homing::new(&M::LAYOUT, [axis, axis.device(1)]).every(PERIOD);
        if is_async {
            let mut chain = AsyncChain::<M, _, 2>::new(rig.bench.spi());
            block_on(chain.run(&mut homing, &mut rig.bench.delay())).unwrap();
        } else {
            let mut chain = rig.chain;
            chain.run(&mut homing, &mut rig.bench.delay()).unwrap();
        }
        assert_eq!(homing.results(), [Ok(HOMED); 2]);
        (rig.bench.bytes_on_wire(), rig.bench.now_ns())
    };
    assert_eq!(home(true), home(false));
}

#[test]
fn homing_can_be_awaited_on_both_maps() {
    homing_can_be_awaited::<Latched>();
    homing_can_be_awaited::<FixedWord>();
}

#[test]
fn axes_are_homed_side_by_side() {
    let seconds = |devices: &[usize]| {
        let mut rig = Rig::<FixedWord, 6>::new();
        for device in 0..6 {
            rig.set_switch(device, 0, 20.0 + 10.0 * device as f64, true, Contact::NormallyOpen);
        }
        let axis = AxisHoming::new(Method::IntoPositiveHomeSwitch, SPEEDS, LIMITS);
        match *devices {
            [device] => assert_eq!(rig.home([axis.device(device)]).results(), [Ok(HOMED)]),
            _ => {
                let homing = rig.home([0, 1, 2, 3, 4, 5].map(|device| axis.device(device)));
                assert_eq!(homing.results(), [Ok(HOMED); 6]);
            }
        }
        rig.bench.now_ns() as f64 * 1e-9
    };
    let (together, alone) = (seconds(&[0, 1, 2, 3, 4, 5]), seconds(&[5]));
    assert!(together < 1.1 * alone, "{together} s for six, {alone} s for the slowest");
}
