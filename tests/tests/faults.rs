//! What the driver makes of faults on the chain: it notices them, says what they are, and works again once they are gone.

use embedded_hal::digital::PinState;
use stepchain::chain::{Retries, Verifier};
use stepchain::fault::{self, FaultKind};
use stepchain::map::{Parameter, RegisterMap};
use stepchain::reference::{FixedWord, Latched};
use stepchain::track::{Doubt, Tracker, Trust};
use stepchain::units::{Distance, MicrostepResolution, Position, Value, Velocity};
use stepchain::{Chain, Command, UnwrappedPosition};
use stepchain_sim::chain::{Span, VirtualChain, VirtualSpi};
use stepchain_sim::device::EventKind;
use stepchain_sim::inject::{Bits, DataLine, Fault, Lasts, Line, Script, Start, Winding};

const S: u64 = 1_000_000_000;

fn rig<M: RegisterMap>() -> (VirtualChain, Chain<M, VirtualSpi, 2>) {
    let bench = VirtualChain::new(Chain::<M, VirtualSpi, 2>::LAYOUT, 2).unwrap();
    let mut chain = Chain::new(bench.spi());
    // The reset of power-up is told until the status is taken.
    chain.send_all(Command::TakeStatus).unwrap();
    (bench, chain)
}

fn inject(bench: &VirtualChain, fault: Fault, start: Start, lasts: Lasts) {
    bench.inject(&Script::new().with(fault, start, lasts, 1)).unwrap();
}

fn kinds<M: RegisterMap>(chain: &mut Chain<M, VirtualSpi, 2>, device: usize) -> Vec<FaultKind> {
    let status = chain.send_one(device, Command::PeekStatus).unwrap().status.unwrap();
    fault::faults(&status).map(|fault| fault.kind).collect()
}

fn steps<M: RegisterMap>(steps: i32) -> Distance {
    Distance::from_microsteps(steps * i32::from(M::LAYOUT.position.resolutions[0]))
}

/// Every bit of the first frame of a verified call is spoilt in turn: with a check on the wire, the call or the next one
/// fails, or what was asked is done all the same.
#[test]
fn a_verified_send_notices_flips_and_works_when_they_are_gone() {
    for line in [DataLine::Mosi, DataLine::Miso] {
        for bit in 0..96 {
            let (bench, mut chain) = rig::<FixedWord>();
            let frame = bench.frames();
            let flip = Fault::BitFlips { line, bits: Bits::At(vec![bit]) };
            inject(&bench, flip, Start::Frame(frame), Lasts::Frames(1));
            let write = Command::write(Parameter::ProfileVelocity, Velocity::from_steps_per_s(444).unwrap());
            let mut verifier = Verifier::new(Retries::NONE);
            let first = chain.send_verified(&[write, Command::Filler], &mut verifier);
            let later = chain.send_verified(&[Command::Filler; 2], &mut verifier);
            // By hand: a code is 0.003 steps/s.
            let harmless = bench.read_register(0, 0x20) == 148_000 && first.is_ok();
            assert!(first.is_err() || later.is_err() || harmless, "{line} bit {bit}: {first:?}");
            // What a device has noticed it tells until it is taken.
            chain.send_all(Command::TakeStatus).unwrap();
            let again = chain.send_verified(&[write, Command::Filler], &mut Verifier::new(Retries::NONE));
            assert!(again.is_ok(), "{line} bit {bit}: {again:?}");
        }
    }
}

fn an_undervoltage_is_a_fault_of_its_kind<M: RegisterMap>() {
    let (bench, mut chain) = rig::<M>();
    inject(&bench, Fault::Undervoltage { device: 1 }, Start::At(S), Lasts::Ns(1_000));
    assert_eq!(kinds(&mut chain, 1), []);
    bench.advance_ns(S);
    assert!(kinds(&mut chain, 1).contains(&FaultKind::Undervoltage));
    assert_eq!(kinds(&mut chain, 0), [], "the neighbour is well");
    chain.send_one(1, Command::TakeStatus).unwrap();
    assert_eq!(kinds(&mut chain, 1), [], "over, and acknowledged");
}

fn heat_is_a_warning_first<M: RegisterMap>() {
    let (bench, mut chain) = rig::<M>();
    let fault = Fault::Overheating { device: 0, shut_off_after_ns: S };
    inject(&bench, fault, Start::At(S), Lasts::Ns(2 * S));
    bench.advance_ns(S);
    assert_eq!(kinds(&mut chain, 0), [FaultKind::OvertemperatureWarning]);
    bench.advance_ns(S);
    assert!(kinds(&mut chain, 0).contains(&FaultKind::Overtemperature));
    bench.advance_ns(S);
    assert!(!kinds(&mut chain, 0).contains(&FaultKind::OvertemperatureWarning));
    chain.send_one(0, Command::FaultReset).unwrap();
    assert_eq!(kinds(&mut chain, 0), []);
}

#[test]
fn conditions_of_a_device_are_faults_of_their_kind_on_both_maps() {
    an_undervoltage_is_a_fault_of_its_kind::<Latched>();
    an_undervoltage_is_a_fault_of_its_kind::<FixedWord>();
    heat_is_a_warning_first::<Latched>();
    heat_is_a_warning_first::<FixedWord>();
}

/// The device starts anew in the middle of a move, and the tracker trusts its position no more.
fn a_reset_under_way_is_noticed<M: RegisterMap>() {
    let (bench, mut chain) = rig::<M>();
    let resolution = MicrostepResolution::from_microsteps_per_step(bench.microsteps_per_step(1, 0) as u16);
    let mut tracker = Tracker::new(&M::LAYOUT.position, resolution, Velocity::steps_per_s::<1_000>());
    chain.send_one(1, Command::HomeOnCurrentPosition).unwrap();
    tracker.homed_at(Position::ZERO, UnwrappedPosition::ZERO);
    let start = Start::Position { device: 1, axis: 0, steps: 50.0 };
    inject(&bench, Fault::ResetNode { device: 1 }, start, Lasts::Instant);
    chain.send_one(1, Command::MoveRelative { distance: steps::<M>(100) }).unwrap();
    bench.run_until_still(9 * S);
    let status = chain.send_one(1, Command::PeekStatus).unwrap().status.unwrap();
    assert!(tracker.observe(&status).is_some());
    assert!(matches!(tracker.trust(), Trust::Unknown(Doubt::DeviceReset)));
    assert_eq!((bench.position(1, 0), bench.rotor_steps(1, 0)), (0, 50.0));
}

#[test]
fn a_reset_under_way_is_noticed_on_both_maps() {
    a_reset_under_way_is_noticed::<Latched>();
    a_reset_under_way_is_noticed::<FixedWord>();
}

/// A rotor that is blocked at half its way stays there, and what flags the map has for a stall say so.
fn a_blocked_rotor_is_a_stall<M: RegisterMap>(fault: Fault, shows: &[FaultKind]) {
    let (bench, mut chain) = rig::<M>();
    let start = Start::Position { device: 0, axis: 0, steps: 10.0 };
    inject(&bench, fault, start, Lasts::ForEver);
    chain.send_one(0, Command::MoveRelative { distance: steps::<M>(20) }).unwrap();
    assert!(bench.run_until_still(9 * S));
    let lost = bench.position(0, 0) as f64 / f64::from(bench.microsteps_per_step(0, 0)) - 10.0;
    assert!(lost > 0.0);
    assert_eq!((bench.rotor_steps(0, 0), bench.lost_steps(0, 0)), (10.0, lost));
    assert_eq!(kinds(&mut chain, 0), shows);
}

#[test]
fn a_rotor_that_does_not_follow_is_a_stall_where_the_map_can_say_so() {
    let blocked = Fault::BlockedRotor { device: 0, axis: 0 };
    let open = |winding| Fault::OpenWinding { device: 0, axis: 0, winding };
    let (a, b) = (FaultKind::StallA, FaultKind::StallB);
    a_blocked_rotor_is_a_stall::<Latched>(blocked.clone(), &[a]);
    a_blocked_rotor_is_a_stall::<FixedWord>(blocked, &[a, b]);
    a_blocked_rotor_is_a_stall::<FixedWord>(open(Winding::A), &[a]);
    a_blocked_rotor_is_a_stall::<FixedWord>(open(Winding::B), &[b]);
    // This map has no flag for winding B: steps are lost, and nobody says so.
    a_blocked_rotor_is_a_stall::<Latched>(open(Winding::B), &[]);
}

/// Whatever was on the wire for three frames, and whatever came of the calls: brought into step, the chain obeys.
fn the_chain_works_again_after<M: RegisterMap>(fault: &Fault, seed: u64) {
    let (bench, mut chain) = rig::<M>();
    let from = bench.frames();
    let script = Script::new().with(fault.clone(), Start::Frame(from), Lasts::Frames(3), seed);
    bench.inject(&script).unwrap();
    let velocity = Velocity::from_steps_per_s(300).unwrap();
    let read = Command::read(Parameter::ProfileVelocity);
    while bench.frames() < from + 3 {
        // What it says cannot be believed; it may be an error.
        let _ = chain.send_all(read);
    }
    let ended = |kind: &EventKind| matches!(kind, EventKind::FaultEnded { .. });
    assert!(bench.events().iter().any(|event| ended(&event.kind)), "{fault}");
    // Half a command may be left in a device: idle frames let it run out.
    chain.doubt_step();
    // What a device has noticed it tells until it is taken, and a call would take it for a refusal of its own.
    chain.send_all(Command::TakeStatus).unwrap();
    chain.send_all(Command::write(Parameter::ProfileVelocity, velocity)).unwrap();
    let replies = chain.send_all(read).unwrap();
    for reply in replies {
        assert_eq!(reply.value, Some(Value::Velocity(velocity)), "{fault}, seed {seed}");
    }
}

#[test]
fn the_chain_works_again_once_a_fault_of_the_bus_is_over() {
    let line = |line| [PinState::Low, PinState::High].map(|level| Fault::StuckLine { line, level });
    let flips = |line| Fault::BitFlips { line, bits: Bits::Each(0.2) };
    let mut faults = vec![flips(DataLine::Mosi), flips(DataLine::Miso)];
    faults.extend((1..=9).map(|count| Fault::LostClocks { count }));
    faults.extend((1..=9).map(|count| Fault::ExtraClocks { count }));
    faults.extend([Line::Sck, Line::Mosi, Line::Miso, Line::Cs, Line::Behind(0)].into_iter().flat_map(line));
    for fault in &faults {
        for seed in 0..5 {
            the_chain_works_again_after::<Latched>(fault, seed);
            the_chain_works_again_after::<FixedWord>(fault, seed);
        }
    }
}

/// A task that waits for the fault line wakes at the very instant at which the script lets the supply dip.
#[test]
fn a_task_that_waits_for_the_fault_line_sees_a_scripted_fault() {
    use embedded_hal_async::digital::Wait;
    let (bench, _) = rig::<FixedWord>();
    inject(&bench, Fault::Undervoltage { device: 1 }, Start::At(S), Lasts::Instant);
    let mut line = bench.fault_pin(Span::Chain, PinState::High);
    embassy_futures::block_on(line.wait_for_high()).unwrap();
    assert_eq!(bench.now_ns(), S);
}
