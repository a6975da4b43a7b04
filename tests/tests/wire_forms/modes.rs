//! What the driver's wiring check makes of a controller that is set to another mode or bit order than its devices.

use embedded_hal::spi::SpiDevice;
use stepchain::map::SpiMode::{Mode0, Mode1, Mode2, Mode3};
use stepchain::map::{BitOrder, Layout, RegisterMap, SpiMode};
use stepchain::reference::{FixedWord, Latched};
use stepchain::reply::ReplyError;
use stepchain::wiring::{self, Check, Report, WiringError};
use stepchain::{Codec, Pending};
use stepchain_sim::chain::VirtualChain;

fn checked(chain: &VirtualChain) -> Result<Report, WiringError> {
    let (layout, devices) = (chain.layout(), chain.devices());
    let mut pending = vec![Pending::default(); devices];
    let mut buffer = vec![0; wiring::buffer_bytes(layout, devices + 2)];
    let mut check = Check::new(Codec::new(layout).unwrap(), Some(devices), &mut pending, &mut buffer).unwrap();
    while let Some(frame) = check.next_frame() {
        chain.spi().transfer_in_place(frame).unwrap();
        check.came_back();
    }
    check.verdict()
}

fn in_mode(layout: Layout, mode: SpiMode) -> &'static Layout {
    let mut layout = layout;
    layout.wire.mode = mode;
    Box::leak(Box::new(layout))
}

/// Every pair of modes that samples a clock late is told by the one bit too much; of the others those are right whose
/// devices show their first bit when they are selected, or whose controller waits for it.
#[test]
fn a_mode_that_samples_a_clock_late_is_told_by_the_bit_too_much() {
    const LATE: [[bool; 4]; 4] = [
        // By row the controller's mode, by column the devices': a rising edge captures in modes 0 and 3.
        [false, true, true, false],
        [true, false, false, true],
        [true, false, false, true],
        [false, true, true, false],
    ];
    for (layout, word_bits) in [(Latched::LAYOUT, 16), (FixedWord::LAYOUT, 48)] {
        for (controller, late) in [Mode0, Mode1, Mode2, Mode3].into_iter().zip(LATE) {
            for (devices, is_late) in [Mode0, Mode1, Mode2, Mode3].into_iter().zip(late) {
                let chain = VirtualChain::new(in_mode(layout, devices), 3).unwrap();
                chain.set_mode(controller);
                let verdict = checked(&chain);
                let one_too_many =
                    WiringError::NotWholeUnits { delay_bits: 3 * word_bits + 1, unit_bits: word_bits as u8 };
                let found = (layout.name, controller, devices, verdict);
                assert_eq!(verdict == Err(one_too_many), is_late, "{found:?}");
            }
        }
    }
}

/// The status of `FixedWord` begins with a one after power-up (bridge off). A controller in mode 0 looks before devices
/// in mode 3 have shown it, and so does each device at its neighbour: only the check of the reply tells.
#[test]
fn a_lost_first_bit_is_told_by_the_check_of_the_reply() {
    for (controller, devices) in [(Mode0, Mode3), (Mode2, Mode1)] {
        let chain = VirtualChain::new(in_mode(FixedWord::LAYOUT, devices), 2).unwrap();
        chain.set_mode(controller);
        assert!(
            matches!(checked(&chain), Err(WiringError::Reply { device: 0, error: ReplyError::Crc { .. } })),
            "{controller:?} to {devices:?}: {:?}",
            checked(&chain)
        );
    }
    for (controller, devices) in [(Mode3, Mode0), (Mode1, Mode2)] {
        let chain = VirtualChain::new(in_mode(FixedWord::LAYOUT, devices), 2).unwrap();
        chain.set_mode(controller);
        assert_eq!(checked(&chain).map(|report| report.devices), Ok(2), "{controller:?} to {devices:?}");
    }
}

/// Bytes turned round going and coming let the marker through as it is; the words in them have a wrong check.
#[test]
fn a_controller_with_the_wrong_bit_order_is_told_by_the_answers() {
    let chain = VirtualChain::new(&FixedWord::LAYOUT, 2).unwrap();
    chain.set_bit_order(BitOrder::LsbFirst);
    assert!(matches!(checked(&chain), Err(WiringError::Reply { device: 0, .. })), "{:?}", checked(&chain));
    chain.set_bit_order(BitOrder::MsbFirst);
    assert_eq!(checked(&chain).map(|report| report.devices), Ok(2));
}
