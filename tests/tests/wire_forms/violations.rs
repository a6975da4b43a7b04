//! Each violation and each spoilt word, provoked through each front that can; times and limits worked out by hand.

use embedded_hal::delay::DelayNs;
use embedded_hal::digital::OutputPin;
use embedded_hal::spi::SpiBus;
use stepchain::map::{Layout, Piece, RegisterMap, Wire};
use stepchain::reference::FixedWord;
use stepchain_sim::device::EventKind;
use stepchain_sim::device::Violation::{
    ClockCount, ClockTooFast, DeselectTooShort, ReleasedUnderWay, SurplusUnits, TooFewClocks,
};
use stepchain_sim::wire::BusEvent;

use crate::fronts::{Front, Op, Rig};

/// A bit takes 1 µs, and chip select has to be high for 500 ns. Zero means nothing, all else is unknown, and told.
pub(crate) const RAW: Layout = Layout::new("raw", Wire::latched_units(8, FILLER).timing(1_000_000, 500));
const COUNTING: Layout =
    Layout::new("counting", Wire::latched_units(8, FILLER).timing(1_000_000, 500).no_spare_clocks());
const TWELVE_BITS: Layout =
    Layout::new("twelve bits", Wire::latched_units(12, &[Piece::fixed(12, 0)]).timing(1_000_000, 500));
const FILLER: &[Piece] = &[Piece::fixed(8, 0)];

fn zeros(bytes: usize) -> [Op; 1] {
    [Op::InPlace(vec![0; bytes])]
}

/// The units that devices did not know, with time and device.
fn unknown(rig: &Rig) -> Vec<(u64, Option<usize>, Vec<u64>)> {
    let unknown = rig.seen().events.into_iter().filter_map(|event| match event.kind {
        EventKind::CommandUnknown { units } => Some((event.time_ns, event.device, units)),
        _ => None,
    });
    unknown.collect()
}

#[test]
fn missing_clocks_are_told_with_their_number() {
    for front in Front::ALL {
        let mut rig = Rig::new(front, &RAW, 3);
        rig.select_once(&[]);
        rig.select_once(&zeros(2));
        rig.select_once(&zeros(3));
        // Chip select falls and rises at 0; again from 500 on 16 bits; and then as it should be.
        let missing = [(0, TooFewClocks { clocks: 0, least: 24 }), (16_500, TooFewClocks { clocks: 16, least: 24 })];
        assert_eq!(rig.violations(), missing, "{front:?}");
    }
}

/// 16 clocks for a unit of 12 bits leave 4 bits over, which is no violation; 8 clocks drop chip select within the unit.
#[test]
fn a_selection_that_ends_within_a_unit_leaves_old_bits_in_it() {
    for front in Front::ALL {
        let mut rig = Rig::new(front, &TWELVE_BITS, 1);
        rig.select_once(&[Op::Write(vec![0xF1, 0x23])]);
        rig.select_once(&[Op::Write(vec![0xAB])]);
        assert_eq!(unknown(&rig), [(16_000, Some(0), vec![0x123]), (24_500, Some(0), vec![0x0AB])], "{front:?}");
        assert_eq!(rig.violations(), [(24_500, TooFewClocks { clocks: 8, least: 12 })], "{front:?}");
    }
}

/// Eleven bits, 1111 1111 101, into two devices of 8: the far one keeps three bits of what it had to say (zeros) and
/// five ones, and then the near one has 1111 1101.
#[test]
fn chip_select_can_be_dropped_between_any_two_bits_by_pin_and_by_back_door() {
    let by_pin = Rig::new(Front::Pin, &RAW, 2);
    let (mut bus, mut pin) = by_pin.chain.bus();
    pin.set_low().unwrap();
    bus.write(&[0xFF, 0b1010_0000]).unwrap();
    by_pin.chain.delay().delay_ns(11_999);
    pin.set_high().unwrap();
    let by_back_door = Rig::new(Front::BackDoor, &RAW, 2);
    by_back_door.chain.drive(BusEvent::Select);
    let bits: Vec<bool> = "11111111101".chars().map(|bit| bit == '1').collect();
    by_back_door.chain.drive(BusEvent::Bits(&bits));
    by_back_door.chain.advance_ns(11_999);
    by_back_door.chain.drive(BusEvent::Deselect);
    let too_few = (11_999, TooFewClocks { clocks: 11, least: 16 });
    assert_eq!(by_pin.violations(), [(11_999, ReleasedUnderWay { bits: 5 }), too_few]);
    assert_eq!(by_back_door.violations(), [too_few]);
    for rig in [by_pin, by_back_door] {
        let near = (11_999, Some(0), vec![0b1111_1101]);
        assert_eq!(unknown(&rig), [near, (11_999, Some(1), vec![0b0000_0111])]);
    }
}

#[test]
fn devices_that_count_refuse_a_clock_too_few_and_a_clock_too_many() {
    for front in Front::ALL {
        let mut rig = Rig::new(front, &COUNTING, 2);
        for bytes in [1, 3, 2] {
            rig.select_once(&[Op::Write(vec![0x66; bytes])]);
        }
        // 8 bits, a gap of 500 ns, 24 bits; then 16, which are taken.
        let counted =
            [(8_000, ClockCount { clocks: 8, expected: 16 }), (32_500, ClockCount { clocks: 24, expected: 16 })];
        assert_eq!(rig.violations(), counted, "{front:?}");
        assert_eq!(unknown(&rig), [(49_000, Some(0), vec![0x66]), (49_000, Some(1), vec![0x66])], "{front:?}");
    }
}

#[test]
fn a_unit_to_spare_is_told_and_less_than_a_unit_is_not() {
    for front in Front::ALL {
        let mut rig = Rig::new(front, &TWELVE_BITS, 1);
        rig.select_once(&zeros(2));
        rig.select_once(&zeros(3));
        // 24 clocks for 12 bits, from 16 500 ns on.
        assert_eq!(rig.violations(), [(40_500, SurplusUnits { bits: 24, chain_bits: 12 })], "{front:?}");
    }
}

#[test]
fn too_short_a_gap_is_told_at_the_next_selection() {
    for front in Front::ALL {
        let mut rig = Rig::new(front, &RAW, 1);
        rig.set_gap_ns(499);
        rig.select_once(&zeros(1));
        rig.select_once(&zeros(1));
        rig.set_gap_ns(500);
        rig.select_once(&zeros(1));
        assert_eq!(rig.violations(), [(8_499, DeselectTooShort { found_ns: 499, least_ns: 500 })], "{front:?}");
    }
}

/// The back door has no clock.
#[test]
fn too_fast_a_clock_is_told_when_chip_select_falls() {
    for front in Front::ALL.into_iter().filter(|&front| front != Front::BackDoor) {
        let mut rig = Rig::new(front, &RAW, 1);
        rig.set_clock_hz(2_000_000);
        rig.select_once(&zeros(1));
        rig.set_clock_hz(1_000_000);
        rig.select_once(&zeros(1));
        assert_eq!(rig.violations(), [(0, ClockTooFast { clock_hz: 2_000_000, greatest_hz: 1_000_000 })], "{front:?}");
        assert_eq!(rig.chain.now_ns(), 4_000 + 500 + 8_000, "{front:?}");
    }
}

/// `embedded-hal-bus` flushes, so this takes a pin by hand. The async bus keeps the same buffer.
#[test]
fn a_release_without_flush_is_told_with_the_bits_that_were_left() {
    for is_async in [false, true] {
        let rig = Rig::new(Front::Pin, &RAW, 1);
        let (mut bus, mut pin) = rig.chain.bus();
        pin.set_low().unwrap();
        if is_async {
            embassy_futures::block_on(embedded_hal_async::spi::SpiBus::write(&mut bus, &[0x77; 5])).unwrap();
        } else {
            bus.write(&[0x77; 5]).unwrap();
        }
        pin.set_high().unwrap();
        assert_eq!(rig.violations(), [(8_000, ReleasedUnderWay { bits: 32 })], "async: {is_async}");
        assert_eq!(unknown(&rig), [(8_000, Some(0), vec![0x77])]);
    }
}

/// The filler 00 00 00 00 00 has the check 0x4D; 48 bits take 48 periods of the map's clock.
#[test]
fn a_word_with_a_wrong_check_is_told_by_the_device_that_got_it() {
    let bits_ns = 96_000_000_000 / u64::from(FixedWord::LAYOUT.wire.max_clock_hz);
    for front in Front::ALL {
        let mut rig = Rig::new(front, &FixedWord::LAYOUT, 2);
        rig.select_once(&[Op::InPlace(vec![0, 0, 0, 0, 0, 0x4C]), Op::Write(vec![0, 0, 0, 0, 0, 0x4D])]);
        let mismatches: Vec<_> = rig
            .seen()
            .events
            .into_iter()
            .filter(|event| matches!(event.kind, EventKind::CrcMismatch { .. }))
            .map(|event| (event.time_ns, event.device, event.kind))
            .collect();
        let wrong = EventKind::CrcMismatch { units: vec![0x4C] };
        assert_eq!(mismatches, [(bits_ns, Some(1), wrong)], "{front:?}");
    }
}
