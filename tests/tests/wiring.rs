//! Counting devices, naming what is wrong with the wires, and letting every bridge go, on virtual chains.

use embedded_hal::spi::{ErrorType, Operation, SpiDevice};
use stepchain::map::{BridgeState, RegisterMap, StopRamp, Verb};
use stepchain::reference::{FixedWord, Latched};
use stepchain::units::{Distance, Velocity};
use stepchain::wiring::{self, WiringError};
use stepchain::{AxisCommand, Chain, Codec, Command, Pending, release};
use stepchain_sim::chain::{BusError, VirtualChain, VirtualSpi};
use stepchain_tests::maps::{Mirrored, Prefixed, Twin};

/// A bus whose controller hears something else than what comes back.
struct Flawed<F> {
    spi: VirtualSpi,
    flaw: F,
}

impl<F> ErrorType for Flawed<F> {
    type Error = BusError;
}

impl<F: FnMut(&[u8], &mut [u8])> SpiDevice for Flawed<F> {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), BusError> {
        for operation in operations.iter_mut() {
            match operation {
                Operation::TransferInPlace(words) => {
                    let sent = words.to_vec();
                    self.spi.transfer_in_place(words)?;
                    (self.flaw)(&sent, words);
                }
                other => panic!("one transfer in place is what a frame is, not {other:?}"),
            }
        }
        Ok(())
    }
}

fn discovered<M: RegisterMap, const N: usize>() -> Result<usize, WiringError> {
    let bench = VirtualChain::new(Chain::<M, VirtualSpi, N>::LAYOUT, N).unwrap();
    let mut buffer = vec![0; wiring::buffer_bytes(bench.layout(), 40)];
    let found = wiring::discover::<M, _>(&mut bench.spi(), &mut buffer).unwrap();
    for device in 0..N {
        assert!(!bench.is_moving(device, 0), "discovery must move nothing");
    }
    found
}

#[test]
fn devices_are_counted_by_the_marker_that_comes_back() {
    assert_eq!(
        [discovered::<Latched, 1>(), discovered::<Latched, 3>(), discovered::<Latched, 32>()],
        [Ok(1), Ok(3), Ok(32)]
    );
    assert_eq!([discovered::<FixedWord, 1>(), discovered::<FixedWord, 8>()], [Ok(1), Ok(8)]);
    assert_eq!([discovered::<Mirrored, 3>(), discovered::<Mirrored, 7>()], [Ok(3), Ok(7)], "28 bits each, LSB first");
    assert_eq!(discovered::<Twin, 5>(), Ok(5));
    assert_eq!(discovered::<Prefixed, 3>(), Err(WiringError::Unsupported), "it bears no spare clocks");
}

fn checked<M: RegisterMap>(flaw: impl FnMut(&[u8], &mut [u8])) -> Result<wiring::Report, WiringError> {
    let bench = VirtualChain::new(Chain::<M, VirtualSpi, 3>::LAYOUT, 3).unwrap();
    let mut buffer = vec![0; wiring::buffer_bytes(bench.layout(), 8)];
    let mut chain = Chain::<M, _, 3>::new(Flawed { spi: bench.spi(), flaw });
    chain.check_wiring(&mut buffer).unwrap()
}

fn every_fault_has_its_name<M: RegisterMap>() {
    let report = checked::<M>(|_, _| {}).unwrap();
    assert_eq!((report.devices, report.counted, report.replies_checked), (3, true, true));
    assert_eq!(checked::<M>(|_, came| came.fill(0)), Err(WiringError::StuckLow));
    assert_eq!(checked::<M>(|_, came| came.fill(0xFF)), Err(WiringError::StuckHigh));
    assert_eq!(checked::<M>(|sent, came| came.copy_from_slice(sent)), Err(WiringError::TiedTogether));
    let late = checked::<M>(|_, came| {
        let mut carry = 0;
        for byte in came {
            (*byte, carry) = (*byte >> 1 | carry << 7, *byte & 1);
        }
    });
    let bits = usize::from(M::LAYOUT.wire.unit_bits) * 3;
    assert!(matches!(late, Err(WiringError::NotWholeUnits { delay_bits, .. }) if delay_bits == bits + 1), "{late:?}");
}

#[test]
fn every_fault_has_its_name_on_both_maps() {
    every_fault_has_its_name::<Latched>();
    every_fault_has_its_name::<FixedWord>();
}

#[test]
fn a_wrong_count_tells_both_numbers() {
    let bench = VirtualChain::new(&FixedWord::LAYOUT, 4).unwrap();
    let mut buffer = vec![0; wiring::buffer_bytes(bench.layout(), 8)];
    let mut chain = Chain::<FixedWord, _, 3>::new(bench.spi());
    assert_eq!(chain.check_wiring(&mut buffer).unwrap(), Err(WiringError::WrongCount { expected: 3, found: 4 }));
}

/// Whatever command was cut off after whatever frame, the constant frames end with every bridge in high impedance.
fn every_bridge_lets_go_after_any_half_sent_command<M: RegisterMap>() {
    let layout = Chain::<M, VirtualSpi, 3>::LAYOUT;
    let codec = Codec::new(layout).unwrap();
    let run = Command::MoveVelocity { velocity: Velocity::steps_per_s::<250>() };
    let half_sent = [
        run,
        Command::MoveRelative { distance: Distance::from_microsteps(-99_999) },
        Command::Stop { ramp: StopRamp::Profile, bridge: BridgeState::Shorted },
        Command::PeekStatus,
        Command::read(stepchain::map::Parameter::ProfileVelocity),
        Command::write(stepchain::map::Parameter::ProfileVelocity, Velocity::steps_per_s::<77>()),
    ];
    for command in half_sent {
        for sent in 0..4 {
            let bench = VirtualChain::new(layout, 3).unwrap();
            Chain::<M, _, 3>::new(bench.spi()).send_all(run).unwrap();
            bench.advance_ns(500_000_000);
            let mut pending = [Pending::default(); 3];
            let mut buffer = [0; 18];
            let commands: [AxisCommand; 3] = [command.into(); 3];
            let mut talk = codec.begin(&commands, &mut pending, &mut buffer).unwrap();
            for _ in 0..sent {
                if let Some(frame) = talk.next_frame() {
                    bench.spi().transfer_in_place(frame).unwrap();
                }
            }
            release::send::<M, _, 3>(&mut bench.spi()).unwrap();
            for device in 0..3 {
                let state = bench.bridge_state(device, 0);
                assert_eq!(state, BridgeState::HighImpedance, "{command:?} cut off after {sent} frames");
                assert!(!bench.is_moving(device, 0), "{command:?} cut off after {sent} frames");
            }
        }
    }
    assert!(layout.form(Verb::Stop(StopRamp::None, BridgeState::HighImpedance)).is_some());
}

#[test]
fn every_bridge_lets_go_after_any_half_sent_command_on_four_maps() {
    every_bridge_lets_go_after_any_half_sent_command::<Latched>();
    every_bridge_lets_go_after_any_half_sent_command::<FixedWord>();
    every_bridge_lets_go_after_any_half_sent_command::<Mirrored>();
    every_bridge_lets_go_after_any_half_sent_command::<Prefixed>();
}
