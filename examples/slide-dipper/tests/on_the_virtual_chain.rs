//! The firmware as it is, on virtual motors: where the rack goes, how long it stays, and what a fault does.

use core::time::Duration;

use embassy_futures::block_on;
use embassy_futures::join::join;
use embedded_hal::digital::{InputPin, PinState};
use embedded_hal_async::delay::DelayNs;
use stepchain::fault::FaultKind;
use stepchain::map::{BridgeState, Flag, RegisterMap};
use stepchain::mechanism::Length;
use stepchain::reference::{FixedWord, Latched};
use stepchain_sim::chain::{PinError, Span, VirtualChain, VirtualClock, VirtualDelay, VirtualInput, VirtualSpi};
use stepchain_sim::device::{Breakpoint, EventKind, Switch};
use stepchain_slide_dipper::{AsyncDipper, Bath, Clock, CourseError, DipError, Dipper, Place};

const MS: u64 = 1_000_000;
const LINE: [Bath; 2] = [bath(100, 40, 3), bath(160, 55, 1)];

const fn bath(along_mm: i32, depth_mm: i32, seconds: u64) -> Bath {
    Bath {
        along: Length::from_millimetres(along_mm),
        depth: Length::from_millimetres(depth_mm),
        time: Duration::from_secs(seconds),
    }
}

/// The firmware's clock on this machine.
struct Ticks(VirtualClock);

impl Clock for Ticks {
    fn now(&mut self) -> Duration {
        self.0.now()
    }
}

/// The switches are 4 mm (20 steps) and 2 mm (50 steps) behind where the axes happen to stand.
fn machine<M: RegisterMap>() -> VirtualChain {
    let machine = VirtualChain::new(const { &M::LAYOUT }, 2).expect("the map is valid");
    machine.set_switch(0, 0, Switch::ClosedBetween { from_steps: -1e6, to_steps: -20.0 });
    machine.set_switch(1, 0, Switch::ClosedBetween { from_steps: -1e6, to_steps: -50.0 });
    machine
}

fn pins(machine: &VirtualChain) -> [VirtualInput; 2] {
    [machine.busy_pin(Span::Chain, PinState::Low), machine.fault_pin(Span::Chain, PinState::Low)]
}

type Blocking<M> = Dipper<M, VirtualSpi, VirtualInput, VirtualInput, VirtualDelay, Ticks>;
type Waiting<M> = AsyncDipper<M, VirtualSpi, VirtualInput, VirtualInput, VirtualDelay>;

fn blocking<M: RegisterMap>(machine: &VirtualChain) -> Blocking<M> {
    let [busy, fault] = pins(machine);
    Dipper::new(machine.spi(), busy, fault, machine.delay(), Ticks(machine.clock()))
}

fn waiting<M: RegisterMap>(machine: &VirtualChain) -> Waiting<M> {
    let [busy, fault] = pins(machine);
    AsyncDipper::new(machine.spi(), busy, fault, machine.delay())
}

/// How long the lift stood in a bath, each time, in nanoseconds.
fn times_in_baths_ns(machine: &VirtualChain) -> Vec<u64> {
    let corners = machine.trajectory(1, 0);
    let is_deep = |corner: &Breakpoint| corner.velocity_steps_per_s == 0.0 && corner.position_steps >= 40.0 * 25.0;
    let pairs = corners.windows(2).filter(|pair| pair.iter().all(is_deep));
    let mut times = Vec::new();
    for pair in pairs.filter(|pair| pair[1].time_ns > pair[0].time_ns) {
        times.push(pair[1].time_ns - pair[0].time_ns);
    }
    times
}

/// What a device refused or the controller did wrong.
fn troubles(machine: &VirtualChain) -> Vec<EventKind> {
    let is = |kind: &EventKind| {
        matches!(
            kind,
            EventKind::CommandRejected { .. }
                | EventKind::Violation(_)
                | EventKind::CommandUnknown { .. }
                | EventKind::CrcMismatch { .. }
        )
    };
    machine.events().into_iter().map(|event| event.kind).filter(is).collect()
}

fn goes_through_the_baths<M: RegisterMap>() {
    let machines = [machine::<M>(), machine::<M>()];
    let [one, other] = &machines;
    let mut dipper = blocking::<M>(one);
    assert_eq!(dipper.begin().and_then(|()| dipper.run(&LINE)), Ok(()));
    let mut dipper = waiting::<M>(other);
    assert_eq!(block_on(async { dipper.begin().await.and(dipper.run(&LINE).await) }), Ok(()));
    for machine in machines {
        assert_eq!([0, 1].map(|device| machine.position(device, 0)), [0, 0]);
        // Zero is the first microstep at which the switch is open again.
        let rotors = [0, 1].map(|device| machine.rotor_steps(device, 0));
        assert_eq!(rotors, [-20.0 + 1.0 / 32.0, -50.0 + 1.0 / 32.0]);
        assert_eq!(troubles(&machine), []);
        let carriage = machine.trajectory(0, 0);
        let greatest = carriage.iter().map(|corner| corner.position_steps).fold(0.0, f64::max);
        assert_eq!(greatest, 161.0 * 5.0, "a millimetre behind the last bath");
        // What the looks at the line and the frames of the next line take is less than two milliseconds.
        let times = times_in_baths_ns(&machine);
        assert_eq!(times.len(), 2);
        for (time_ns, bath) in times.iter().zip(LINE) {
            let late_ns = u128::from(*time_ns).checked_sub(bath.time.as_nanos()).expect("not too short");
            assert!(late_ns < 2 * u128::from(MS), "{late_ns} ns");
        }
    }
}

#[test]
fn the_rack_goes_through_the_baths_and_home_on_both_maps() {
    goes_through_the_baths::<Latched>();
    goes_through_the_baths::<FixedWord>();
}

#[test]
fn nothing_moves_before_the_machine_is_homed_nor_beyond_its_travel() {
    let machine = machine::<Latched>();
    let mut dipper = blocking::<Latched>(&machine);
    assert_eq!(dipper.go(Place::millimetres(10, 0)), Err(DipError::Course(CourseError::NotHomed)));
    assert_eq!((machine.bytes_on_wire(), dipper.is_homed()), (0, false));
    assert_eq!(dipper.begin(), Ok(()));
    let (bytes, place) = (machine.bytes_on_wire(), Place::millimetres(10, 61));
    assert_eq!(dipper.go(place), Err(DipError::Course(CourseError::Beyond { place })));
    assert_eq!((machine.bytes_on_wire(), dipper.is_homed()), (bytes, true));
}

/// The line of 300 mm takes some 3 s; after one of them the lift's device is short of a phase. 600 steps/s are gone in
/// 75 ms at 8000 steps/s².
#[test]
fn a_fault_stops_both_axes_at_the_instant_and_names_the_device() {
    let machine = machine::<FixedWord>();
    let mut dipper = waiting::<FixedWord>(&machine);
    assert_eq!(block_on(dipper.begin()), Ok(()));
    let strike = async {
        machine.delay().delay_ms(1_000).await;
        machine.set_condition(1, 0, Flag::Overcurrent, true);
        let faulted_ns = machine.now_ns();
        // The frames of the stop are what the answer takes: the lines need no poll.
        machine.delay().delay_us(100).await;
        assert!(machine.velocity_steps_per_s(0, 0) < 600.0, "it brakes");
        faulted_ns
    };
    let (went, faulted_ns) = block_on(join(dipper.go(Place::millimetres(300, 40)), strike));
    assert_eq!(went, Err(DipError::Fault { found: Some((1, FaultKind::Overcurrent)) }));
    assert!(machine.run_until_still(1_000 * MS));
    assert!(machine.now_ns() - faulted_ns < 76 * MS, "{} ns", machine.now_ns() - faulted_ns);
    assert_eq!(machine.bridge_state(0, 0), BridgeState::Driven, "the carriage is held");
    assert_eq!(machine.bridge_state(1, 0), BridgeState::HighImpedance);
    assert!(!dipper.is_homed());
    machine.set_condition(1, 0, Flag::Overcurrent, false);
    let again = async { dipper.begin().await.and(dipper.go(Place::millimetres(300, 40)).await) };
    assert_eq!(block_on(again), Ok(()));
    assert_eq!([0, 1].map(|device| machine.position(device, 0)), [300 * 5 * 32, 40 * 25 * 32]);
}

/// The lift has let go; the carriage was not moving. A poll of the line comes within a millisecond.
#[test]
fn a_fault_in_a_bath_is_seen_by_both_and_the_rack_waits_no_longer() {
    for is_async in [false, true] {
        let machine = machine::<Latched>();
        let bath = [bath(10, 20, 3_600)];
        let went = if is_async {
            let mut dipper = waiting::<Latched>(&machine);
            let strike = async {
                machine.delay().delay_ms(12_000).await;
                machine.set_condition(1, 0, Flag::Overtemperature, true);
            };
            block_on(join(async { dipper.begin().await.and(dipper.run(&bath).await) }, strike)).0
        } else {
            let [busy, fault] = pins(&machine);
            let fault = Struck { fault, machine: machine.clone(), at_ns: 12_000 * MS };
            let clock = Ticks(machine.clock());
            let mut dipper = Dipper::<Latched, _, _, _, _, _>::new(machine.spi(), busy, fault, machine.delay(), clock);
            dipper.begin().and_then(|()| dipper.run(&bath))
        };
        assert_eq!(went, Err(DipError::Fault { found: Some((1, FaultKind::Overtemperature)) }));
        assert!((12_000 * MS..12_002 * MS).contains(&machine.now_ns()), "{} ns", machine.now_ns());
    }
}

/// A fault line, and what makes it fall: blocking firmware has no task beside it that could.
struct Struck {
    fault: VirtualInput,
    machine: VirtualChain,
    at_ns: u64,
}

impl embedded_hal::digital::ErrorType for Struck {
    type Error = PinError;
}

impl InputPin for Struck {
    fn is_high(&mut self) -> Result<bool, PinError> {
        if self.machine.now_ns() >= self.at_ns {
            self.machine.set_condition(1, 0, Flag::Overtemperature, true);
        }
        self.fault.is_high()
    }

    fn is_low(&mut self) -> Result<bool, PinError> {
        self.is_high().map(|is| !is)
    }
}

/// A line that something else holds low: the home switch's, which is closed all the time.
#[test]
fn motors_that_seem_to_run_for_ever_are_stopped_and_told() {
    for is_async in [false, true] {
        let machine = machine::<Latched>();
        let fault = machine.fault_pin(Span::Chain, PinState::Low);
        let stuck = machine.home_switch_pin(0, 0, PinState::High);
        let clock = Ticks(machine.clock());
        let place = Place::millimetres(40, 0);
        let (begun_ns, went) = if is_async {
            let mut dipper = AsyncDipper::<Latched, _, _, _, _>::new(machine.spi(), stuck, fault, machine.delay());
            assert_eq!(block_on(dipper.begin()), Ok(()));
            (machine.now_ns(), block_on(dipper.go(place)))
        } else {
            let mut dipper = Dipper::<Latched, _, _, _, _, _>::new(machine.spi(), stuck, fault, machine.delay(), clock);
            assert_eq!(dipper.begin(), Ok(()));
            (machine.now_ns(), dipper.go(place))
        };
        assert_eq!(went, Err(DipError::Late));
        // By hand: 200 steps at 1000 steps/s² up and down are a triangle of 2 √(200/1000) s.
        let limit_ns = 2 * 447_213_595 + 50 * MS;
        let took_ns = machine.now_ns() - begun_ns;
        assert!((limit_ns..limit_ns + 3 * MS).contains(&took_ns), "{took_ns} ns");
    }
}
