//! The check against a model of shift registers with faults: what is found, and what the devices hold afterwards.

extern crate std;
use std::boxed::Box;
use std::collections::VecDeque;
use std::vec;
use std::vec::Vec;

use embedded_hal::spi::{ErrorKind, ErrorType, Operation, SpiDevice};
use proptest::prelude::*;

use super::*;
use crate::chain::{Codec, Pending};
use crate::map::{Piece, Wire};

/// What is wrong with the bus.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Fault {
    None,
    Stuck(bool),
    Tied,
    /// So many bits more between input and output.
    Late(usize),
    /// One bit fewer: the input samples ahead.
    Early,
    /// Nothing passes the device with this number, and behind it the line rests.
    Broken(usize, bool),
}

/// Devices of some unit width in one chain, a bit at a time. Device 0 is nearest to the controller's output.
struct Bus {
    unit_bits: usize,
    devices: usize,
    /// What leaves next stands in front.
    bits: VecDeque<bool>,
    fault: Fault,
    /// What each device loads when chip select rises, from what it holds.
    reply: Box<dyn FnMut(usize, u64) -> u64>,
    frames: Vec<Vec<u8>>,
}

impl Bus {
    fn new(unit_bits: usize, devices: usize, fault: Fault, reply: impl FnMut(usize, u64) -> u64 + 'static) -> Self {
        let mut bus = Self {
            unit_bits,
            devices,
            bits: VecDeque::from(vec![false; unit_bits * devices]),
            fault,
            reply: Box::new(reply),
            frames: vec![],
        };
        bus.load();
        bus
    }

    /// What each device holds, device 0 first.
    fn held(&self) -> Vec<u64> {
        let bits: Vec<_> = self.bits.iter().copied().collect();
        bits.chunks(self.unit_bits)
            .rev()
            .map(|unit| unit.iter().fold(0, |sum, &bit| sum << 1 | u64::from(bit)))
            .collect()
    }

    fn load(&mut self) {
        let held = self.held();
        self.bits.clear();
        for device in (0..self.devices).rev() {
            let unit = (self.reply)(device, held[device]);
            self.bits.extend((0..self.unit_bits).rev().map(|weight| unit >> weight & 1 == 1));
        }
    }

    fn shift(&mut self, bytes: &mut [u8]) {
        self.frames.push(bytes.to_vec());
        let mut extra = VecDeque::from(match self.fault {
            Fault::Late(bits) => vec![true; bits],
            _ => vec![],
        });
        let mut out = vec![];
        for bit in
            bytes.iter().flat_map(|byte| (0..8).rev().map(move |weight| byte >> weight & 1 == 1)).collect::<Vec<_>>()
        {
            self.bits.push_back(bit);
            let broken_at = match self.fault {
                Fault::Broken(device, rests) => Some((device, rests)),
                _ => None,
            };
            if let Some((device, rests)) = broken_at {
                // The first bit of what lies behind the break comes from the line at rest.
                let behind = (self.devices - device) * self.unit_bits;
                self.bits[behind] = rests;
            }
            extra.push_back(self.bits.pop_front().unwrap());
            out.push(match self.fault {
                Fault::Stuck(level) => level,
                Fault::Tied => bit,
                _ => extra.pop_front().unwrap(),
            });
        }
        if self.fault == Fault::Early {
            out.remove(0);
            out.push(self.bits[0]);
        }
        for (byte, bits) in bytes.iter_mut().zip(out.chunks(8)) {
            *byte = bits.iter().fold(0, |sum, &bit| sum << 1 | u8::from(bit));
        }
    }
}

impl ErrorType for Bus {
    type Error = ErrorKind;
}

impl SpiDevice for Bus {
    fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), ErrorKind> {
        let [Operation::TransferInPlace(bytes)] = operations else { panic!("not one transfer in place") };
        self.shift(bytes);
        self.load();
        Ok(())
    }
}

/// Runs a check of devices whose frames the bus latches, and gives what they held at each release besides.
fn run(bus: &mut Bus, layout: &'static Layout, expected: Option<usize>, most: usize) -> Result<Report, WiringError> {
    let mut pending = vec![Pending::default(); expected.unwrap_or(0)];
    let mut buffer = vec![0; buffer_bytes(layout, most)];
    let mut check = Check::new(Codec::new(layout).unwrap(), expected, &mut pending, &mut buffer)?;
    assert_eq!(check.verdict(), Err(WiringError::Unfinished));
    while let Some(frame) = check.next_frame() {
        bus.transfer_in_place(frame).unwrap();
        check.came_back();
    }
    check.verdict()
}

/// A device that knows nothing but its filler.
fn plain(unit_bits: u8, filler: u64) -> &'static Layout {
    let pieces: &'static [Piece] = vec![Piece::fixed(unit_bits, filler)].leak();
    Box::leak(Box::new(Layout::new("plain", Wire::latched_units(unit_bits, pieces))))
}

fn masked(bits: u64, width: u8) -> u64 {
    if width == 64 { bits } else { bits & ((1 << width) - 1) }
}

proptest! {
    /// Whatever the devices say meanwhile, and whatever their filler is.
    #[test]
    fn devices_are_counted_and_left_with_filler(
        unit_bits in 1u8..=64, filler: u64, devices in 1usize..9, spare in 0usize..5, seed: u64,
    ) {
        let filler = masked(filler, unit_bits);
        let layout = plain(unit_bits, filler);
        let mut state = seed;
        let said = move |_, _| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            state ^ state >> 29
        };
        let mut bus = Bus::new(unit_bits.into(), devices, Fault::None, said);
        let held = std::rc::Rc::new(std::cell::RefCell::new(vec![]));
        let mut said = std::mem::replace(&mut bus.reply, Box::new(|_, _| 0));
        let seen = std::rc::Rc::clone(&held);
        bus.reply = Box::new(move |device, unit| {
            seen.borrow_mut().push(unit);
            said(device, unit)
        });
        let report = run(&mut bus, layout, None, devices + spare);
        prop_assert_eq!(report, Ok(Report { devices, counted: true, replies_checked: false }));
        let held = held.borrow();
        prop_assert!(!held.is_empty());
        prop_assert!(held.iter().all(|&unit| unit == filler), "{:x?} is not {:x}", held, filler);
        prop_assert!(bus.frames.len() <= 5, "two markers do as a rule: {}", bus.frames.len());
    }

    #[test]
    fn another_number_than_expected_and_a_chain_that_is_off_by_bits_are_told(
        unit_bits in 2u8..=64, filler: u64, devices in 1usize..7, expected in 1usize..7, late in 1usize..64, early: bool,
    ) {
        let layout = plain(unit_bits, masked(filler, unit_bits));
        let count = run(&mut Bus::new(unit_bits.into(), devices, Fault::None, |device, _| 77 + device as u64), layout, Some(expected), 7);
        match count {
            Ok(report) => prop_assert_eq!((report.devices, expected), (devices, devices)),
            error => prop_assert_eq!(error, Err(WiringError::WrongCount { expected, found: devices })),
        }
        let unit = usize::from(unit_bits);
        let late = 1 + late % (unit - 1).max(1);
        let (fault, delay_bits) =
            if early { (Fault::Early, unit * devices - 1) } else { (Fault::Late(late), unit * devices + late) };
        let off = run(&mut Bus::new(unit, devices, fault, |_, _| 0x5A), layout, Some(devices), 8);
        prop_assert_eq!(off, Err(WiringError::NotWholeUnits { delay_bits, unit_bits }));
    }
}

#[test]
fn stuck_and_tied_lines_and_a_break_are_told_apart() {
    let layout = plain(16, 0x7E7E);
    let found = |fault| run(&mut Bus::new(16, 3, fault, |_, _| 0x1234), layout, Some(3), 5).unwrap_err();
    assert_eq!(found(Fault::Stuck(true)), WiringError::StuckHigh);
    assert_eq!(found(Fault::Stuck(false)), WiringError::StuckLow);
    assert_eq!(found(Fault::Tied), WiringError::TiedTogether);
    assert_eq!(found(Fault::Broken(1, true)), WiringError::NoMarker { rests: Some(true) });
    assert_eq!(found(Fault::Broken(0, false)), WiringError::NoMarker { rests: Some(false) });
    // Device 6 and what follows are beyond the buffer.
    let many = run(&mut Bus::new(16, 9, Fault::None, |_, _| 0x1234), layout, None, 5);
    assert!(matches!(many, Err(WiringError::NoMarker { .. })), "{many:?}");
}

/// A line that rests high in one frame and low in the next does not rest at all: it may be touched, or picked up noise.
#[test]
fn a_line_that_rests_at_either_level_is_told_to_rest_at_none() {
    let layout = plain(16, 0x7E7E);
    for begins_high in [false, true] {
        let mut pending = vec![Pending::default(); 3];
        let mut buffer = vec![0; buffer_bytes(layout, 5)];
        let mut check = Check::new(Codec::new(layout).unwrap(), Some(3), &mut pending, &mut buffer).unwrap();
        let mut is_high = begins_high;
        while let Some(frame) = check.next_frame() {
            frame.fill(if is_high { 0xFF } else { 0x00 });
            frame[0] = 0x5A;
            is_high = !is_high;
            check.came_back();
        }
        assert_eq!(check.verdict(), Err(WiringError::NoMarker { rests: None }));
    }
}

/// Devices whose replies pass for the first marker: only with its complement is the true place found.
#[test]
fn devices_that_say_the_marker_themselves_are_counted_all_the_same() {
    let layout = plain(32, 0xB8E5_1D2C);
    let mut bus = Bus::new(32, 4, Fault::None, |_, _| 0xB8E5_1D2C);
    assert_eq!(run(&mut bus, layout, None, 6).map(|report| report.devices), Ok(4));
    assert!(bus.held().len() == 4 && bus.frames.len() > 3);
}

#[test]
fn a_buffer_too_short_for_the_expected_devices_is_refused() {
    let layout = plain(12, 0);
    let check = |pending: usize, bytes: usize| {
        let (mut pending, mut buffer) = (vec![Pending::default(); pending], vec![0; bytes]);
        Check::new(Codec::new(layout).unwrap(), Some(3), &mut pending, &mut buffer).map(|_| ())
    };
    assert_eq!(check(3, 9), Ok(()));
    assert_eq!(check(3, 8), Err(WiringError::BufferLength { found: 8, needed: 9 }));
    assert_eq!(check(2, 9), Err(WiringError::BufferLength { found: 2, needed: 3 }));
}

#[cfg(feature = "reference-maps")]
mod with_replies {
    use super::*;
    use crate::map::{RegisterMap, SpareClocks};
    use crate::reference::FixedWord;
    use crate::{Chain, ReplyError};

    /// The bits of a word of FixedWord, with its check by an outside crate.
    fn word(bytes: [u8; 5]) -> u64 {
        let check = crc::Crc::<u8>::new(&crc::CRC_8_AUTOSAR).checksum(&bytes);
        bytes.iter().chain(&[check]).fold(0, |sum, &byte| sum << 8 | u64::from(byte))
    }

    /// Says its status in eight bits, or all of it when asked for; `spoilt` says it with a wrong check.
    fn device(spoilt: Option<usize>) -> impl FnMut(usize, u64) -> u64 {
        let peek = word([0x01, 0, 0, 0, 0]);
        move |device, held| match held == peek {
            true if spoilt == Some(device) => word([0x84, 0, 0, 0, 0x20]) ^ 0x100,
            true => word([0x84, 0, 0, 0, 0x20]),
            false => word([0x84, 0, 0, 0, 0]),
        }
    }

    #[test]
    fn a_chain_in_order_is_reported_so_by_the_blocking_front() {
        let mut chain = Chain::<FixedWord, _, 3>::new(Bus::new(48, 3, Fault::None, device(None)));
        let mut buffer = [0; buffer_bytes(&FixedWord::LAYOUT, 4)];
        let report = chain.check_wiring(&mut buffer).unwrap();
        assert_eq!(report, Ok(Report { devices: 3, counted: true, replies_checked: true }));
        assert!(chain.is_in_step());
        let mut bus = chain.release();
        assert_eq!(discover::<FixedWord, _>(&mut bus, &mut buffer), Ok(Ok(3)));
    }

    #[cfg(feature = "async")]
    #[test]
    fn the_async_front_sends_the_same_and_finds_the_same() {
        use crate::AsyncChain;
        use core::future::Future;
        use core::task::{Context, Poll, Waker};

        struct Awaited(Bus);
        impl ErrorType for Awaited {
            type Error = ErrorKind;
        }
        impl embedded_hal_async::spi::SpiDevice for Awaited {
            async fn transaction(&mut self, operations: &mut [Operation<'_, u8>]) -> Result<(), ErrorKind> {
                SpiDevice::transaction(&mut self.0, operations)
            }
        }
        fn ready<T>(future: impl Future<Output = T>) -> T {
            match core::pin::pin!(future).poll(&mut Context::from_waker(Waker::noop())) {
                Poll::Ready(output) => output,
                Poll::Pending => panic!("the bus never waits"),
            }
        }
        let bus = || Bus::new(48, 2, Fault::None, device(Some(1)));
        let mut buffer = [0; buffer_bytes(&FixedWord::LAYOUT, 4)];
        let mut blocking = Chain::<FixedWord, _, 2>::new(bus());
        let mut awaited = AsyncChain::<FixedWord, _, 2>::new(Awaited(bus()));
        let found = blocking.check_wiring(&mut buffer).unwrap();
        assert_eq!(ready(awaited.check_wiring(&mut buffer)).unwrap(), found);
        assert!(found.is_err() && awaited.is_in_step());
        let (mut a, mut b) = (blocking.release(), awaited.release());
        assert_eq!(discover::<FixedWord, _>(&mut a, &mut buffer), Ok(Ok(2)));
        assert_eq!(ready(discover_async::<FixedWord, _>(&mut b, &mut buffer)), Ok(Ok(2)));
        assert_eq!(a.frames, b.0.frames);
    }

    #[test]
    fn a_device_that_answers_with_a_wrong_check_is_named() {
        for spoilt in 0..3 {
            let mut chain = Chain::<FixedWord, _, 3>::new(Bus::new(48, 3, Fault::None, device(Some(spoilt))));
            let mut buffer = [0; buffer_bytes(&FixedWord::LAYOUT, 3)];
            let error = chain.check_wiring(&mut buffer).unwrap().unwrap_err();
            let WiringError::Reply { device, error: ReplyError::Crc { .. } } = error else { panic!("{error}") };
            assert_eq!(device, spoilt);
        }
    }

    /// FixedWord, but counting its clocks.
    struct Counting;
    impl RegisterMap for Counting {
        const LAYOUT: Layout = {
            let mut layout = FixedWord::LAYOUT;
            layout.wire = layout.wire.no_spare_clocks();
            layout
        };
    }

    #[test]
    fn devices_that_count_their_clocks_get_whole_frames_alone() {
        assert_eq!(Counting::LAYOUT.wire.spare_clocks, SpareClocks::Refused);
        let check = |fault, spoilt| {
            let mut chain = Chain::<Counting, _, 2>::new(Bus::new(48, 2, fault, device(spoilt)));
            let found = chain.check_wiring(&mut [0; 12]).unwrap();
            let bus = chain.release();
            assert!(bus.frames.iter().all(|frame| frame.len() == 12));
            found
        };
        assert_eq!(check(Fault::None, None), Ok(Report { devices: 2, counted: false, replies_checked: true }));
        assert_eq!(check(Fault::Stuck(true), None), Err(WiringError::StuckHigh));
        assert_eq!(check(Fault::Stuck(false), None), Err(WiringError::StuckLow));
        assert_eq!(check(Fault::Tied, None), Err(WiringError::TiedTogether));
        assert!(matches!(check(Fault::None, Some(1)), Err(WiringError::Reply { device: 1, .. })));
        assert!(matches!(check(Fault::Late(1), None), Err(WiringError::Reply { .. })));
        let mut bus = Bus::new(48, 2, Fault::None, device(None));
        assert_eq!(discover::<Counting, _>(&mut bus, &mut [0; 64]), Ok(Err(WiringError::Unsupported)));
        assert!(bus.frames.is_empty());
    }
}
