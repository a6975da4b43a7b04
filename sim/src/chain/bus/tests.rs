//! The bare bus: who waits for what, and what becomes of bits that nobody waits for.

use embedded_hal::delay::DelayNs;
use embedded_hal::spi::SpiDevice;
use proptest::prelude::*;
use stepchain::map::{Layout, Piece, RegisterMap, Wire};
use stepchain::reference::Latched;

use super::*;
use crate::device::{Event, EventKind};

/// Devices of 8 bits that understand nothing but zero, and so tell of each byte that they have latched. A clock of
/// 1 MHz: a bit takes 1 µs.
const RAW: Layout = Layout::new("raw", Wire::latched_units(8, &[Piece::fixed(8, 0)]).timing(1_000_000, 500));

fn raw(devices: usize) -> (VirtualChain, VirtualBus, VirtualChipSelect) {
    let chain = VirtualChain::new(&RAW, devices).expect("the map is valid");
    let (bus, chip_select) = chain.bus();
    (chain, bus, chip_select)
}

/// The bytes that devices have latched, and when.
fn latched(chain: &VirtualChain) -> Vec<(u64, Option<usize>, u64)> {
    let unit_of = |event: Event| match event.kind {
        EventKind::CommandUnknown { units } => Some((event.time_ns, event.device, units[0])),
        _ => None,
    };
    chain.events().into_iter().filter_map(unit_of).collect()
}

fn violations(chain: &VirtualChain) -> Vec<(u64, Violation)> {
    let violation = |event: Event| match event.kind {
        EventKind::Violation(violation) => Some((event.time_ns, violation)),
        _ => None,
    };
    chain.events().into_iter().filter_map(violation).collect()
}

#[test]
fn a_flushed_frame_is_latched_when_the_pin_rises() {
    let (chain, mut bus, mut chip_select) = raw(2);
    assert!(chip_select.is_set_high().unwrap() && !chip_select.is_set_low().unwrap());
    chip_select.set_low().unwrap();
    assert!(chain.is_selected() && chip_select.is_set_low().unwrap());
    bus.write(&[0x21, 0x43]).unwrap();
    assert_eq!(chain.now_ns(), 0, "two bytes fit the buffer");
    bus.flush().unwrap();
    assert_eq!((chain.now_ns(), latched(&chain)), (16_000, vec![]), "chip select is low still");
    chain.advance_ns(250);
    chip_select.set_high().unwrap();
    assert_eq!(latched(&chain), [(16_250, Some(0), 0x43), (16_250, Some(1), 0x21)]);
    assert_eq!((chain.frames(), chain.bytes_on_wire()), (1, 2));
    assert_eq!(violations(&chain), []);
}

/// Six bytes into a buffer of four: the write returns after two, at 16 µs. Of the 32 bits left none has left when the
/// pin rises, so the devices hold the first two bytes.
#[test]
fn a_pin_that_rises_without_a_flush_cuts_off_what_is_under_way() {
    let (chain, mut bus, mut chip_select) = raw(2);
    chip_select.set_low().unwrap();
    bus.write(&[0x01, 0x02, 0x03, 0x04, 0x05, 0x06]).unwrap();
    assert_eq!(chain.now_ns(), 16_000);
    chip_select.set_high().unwrap();
    assert_eq!(latched(&chain), [(16_000, Some(0), 0x02), (16_000, Some(1), 0x01)]);
    assert_eq!(violations(&chain), [(16_000, Violation::ReleasedUnderWay { bits: 32 })]);
    bus.flush().unwrap();
    assert_eq!((chain.now_ns(), chain.unheard_clocks()), (48_000, 32), "the rest has gone out to nobody");
}

/// 11.5 µs after a write of three bytes eleven bits have left: five of the second byte are cut off with the third.
#[test]
fn bits_leave_one_by_one_while_time_passes() {
    let (chain, mut bus, mut chip_select) = raw(1);
    chip_select.set_low().unwrap();
    bus.write(&[0xFF, 0b1010_0110, 0xFF]).unwrap();
    chain.delay().delay_ns(11_500);
    chip_select.set_high().unwrap();
    assert_eq!(latched(&chain), [(11_500, Some(0), 0b1111_1101)]);
    assert_eq!(violations(&chain), [(11_500, Violation::ReleasedUnderWay { bits: 13 })]);
    chain.advance_ns(500);
    assert_eq!(chain.unheard_clocks(), 1);
    // What is left yet goes into the next selection: 12 bits of 0110 1111 1111.
    chip_select.set_low().unwrap();
    bus.flush().unwrap();
    chip_select.set_high().unwrap();
    assert_eq!(chain.now_ns(), 24_000);
    assert_eq!(latched(&chain)[1..], [(24_000, Some(0), 0xFF)]);
    assert_eq!(chain.unheard_clocks(), 1);
}

#[test]
fn time_that_passes_otherwise_is_as_good_as_a_flush() {
    let (chain, mut bus, mut chip_select) = raw(1);
    for (wait_ns, cut_off) in [(7_999, true), (8_000, false), (1_000_000, false)] {
        let begun = violations(&chain).len();
        bus.flush().unwrap();
        chain.advance_ns(500);
        chip_select.set_low().unwrap();
        bus.write(&[0x77]).unwrap();
        chain.advance_ns(wait_ns);
        chip_select.set_high().unwrap();
        assert_eq!(violations(&chain).len() > begun, cut_off, "{wait_ns} ns");
    }
}

#[test]
fn without_a_buffer_a_write_waits_for_its_last_bit() {
    let (chain, mut bus, mut chip_select) = raw(1);
    chain.set_buffer_bytes(0);
    chip_select.set_low().unwrap();
    bus.write(&[0x77]).unwrap();
    assert_eq!(chain.now_ns(), 8_000);
    chip_select.set_high().unwrap();
    assert_eq!((latched(&chain), violations(&chain)), (vec![(8_000, Some(0), 0x77)], vec![]));
}

#[test]
fn what_is_read_is_waited_for_behind_what_was_written() {
    let (chain, mut bus, mut chip_select) = raw(2);
    chip_select.set_low().unwrap();
    bus.write(&[0x12, 0x34]).unwrap();
    let mut read = [0xEE; 3];
    bus.read(&mut read).unwrap();
    assert_eq!((read, chain.now_ns()), ([0x12, 0x34, 0x00], 40_000));
    let mut read = [0xEE; 1];
    bus.transfer(&mut read, &[0x56, 0x78]).unwrap();
    assert_eq!((read, chain.now_ns()), ([0x00], 56_000), "behind the zeros of the read");
    bus.transfer(&mut [], &[0x9A]).unwrap();
    assert_eq!(chain.now_ns(), 56_000, "nothing is read: it may wait in the buffer");
    chip_select.set_low().unwrap();
    let mut both = [0xBC, 0xDE];
    bus.transfer_in_place(&mut both).unwrap();
    assert_eq!((both, chain.now_ns()), ([0x78, 0x9A], 80_000), "a pin set low again is no second selection");
    chip_select.set_high().unwrap();
    chip_select.set_high().unwrap();
    assert_eq!((chain.frames(), violations(&chain).len()), (1, 1), "only too many units");
}

#[test]
fn while_the_pin_is_high_an_open_line_is_read_and_no_device_hears() {
    let (chain, mut bus, mut chip_select) = raw(1);
    let mut read = [0; 2];
    bus.transfer_in_place(&mut read).unwrap();
    assert_eq!(read, [0xFF, 0xFF]);
    chain.set_open_line(false);
    bus.transfer(&mut read, &[0x55]).unwrap();
    assert_eq!((read, chain.unheard_clocks()), ([0, 0], 32));
    bus.write(&[0x66]).unwrap();
    chain.advance_ns(8_000);
    chip_select.set_low().unwrap();
    chip_select.set_high().unwrap();
    assert_eq!(chain.unheard_clocks(), 40, "the byte had left before the pin fell");
    assert_eq!(violations(&chain), [(40_000, Violation::TooFewClocks { clocks: 0, least: 8 })]);
}

#[test]
fn the_pin_keeps_no_gap_and_too_short_a_one_is_told() {
    let (chain, mut bus, mut chip_select) = raw(1);
    for gap_ns in [499, 500] {
        chip_select.set_low().unwrap();
        bus.transfer_in_place(&mut [0]).unwrap();
        chip_select.set_high().unwrap();
        chain.advance_ns(gap_ns);
    }
    chip_select.set_low().unwrap();
    // The second selection begins at 8 499 ns; the third, as late as it has to, at 16 999.
    assert_eq!(violations(&chain), [(8_499, Violation::DeselectTooShort { found_ns: 499, least_ns: 500 })]);
}

#[test]
fn a_clock_set_too_fast_is_told_at_once_where_a_device_hears_it() {
    let (chain, _bus, mut chip_select) = raw(1);
    let fast = Violation::ClockTooFast { clock_hz: 1_000_001, greatest_hz: 1_000_000 };
    chain.set_clock_hz(1_000_001);
    assert_eq!(violations(&chain), [], "no device hears it");
    chip_select.set_low().unwrap();
    chain.set_clock_hz(1_000_000);
    chain.advance_ns(70);
    chain.set_clock_hz(1_000_001);
    chip_select.set_low().unwrap();
    assert_eq!(violations(&chain), [(0, fast), (70, fast)]);
}

/// At 3 MHz 24 bits take 8 000 ns, and three times 8 bits, each rounded up, 8 001.
#[test]
fn bits_that_follow_close_upon_each_other_are_rounded_up_once() {
    let chain = VirtualChain::new(&Latched::LAYOUT, 1).unwrap();
    chain.set_clock_hz(3_000_000);
    let (mut bus, mut chip_select) = chain.bus();
    chip_select.set_low().unwrap();
    for _ in 0..3 {
        bus.transfer_in_place(&mut [0x7E]).unwrap();
    }
    assert_eq!(chain.now_ns(), 8_000);
    chain.advance_ns(1);
    bus.transfer_in_place(&mut [0x7E]).unwrap();
    assert_eq!(chain.now_ns(), 8_001 + 2_667, "a new run of bits");
}

/// The pin belongs to the line: a device handle finds the chain selected, and its release ends the selection.
#[test]
fn a_device_handle_finds_the_line_as_the_pin_has_left_it() {
    let (chain, mut bus, mut chip_select) = raw(1);
    chain.spi().write(&[0x11]).unwrap();
    chain.advance_ns(499);
    chip_select.set_low().unwrap();
    bus.write(&[0xA5]).unwrap();
    chain.spi().write(&[0x5A]).unwrap();
    assert_eq!((chain.frames(), chip_select.is_set_high()), (2, Ok(true)));
    assert_eq!(latched(&chain), [(8_000, Some(0), 0x11), (24_499, Some(0), 0x5A)]);
    let short = (8_499, Violation::DeselectTooShort { found_ns: 499, least_ns: 500 });
    assert_eq!(violations(&chain), [short, (24_499, Violation::SurplusUnits { bits: 16, chain_bits: 8 })]);
    // Without a bit between, the handle has nothing to wait for and keeps no gap: chip select has fallen already.
    chip_select.set_low().unwrap();
    chain.spi().write(&[0x22]).unwrap();
    assert_eq!(latched(&chain)[2..], [(32_499, Some(0), 0x22)]);
}

/// The pace changes for what has not left yet: 4 bits of 1 µs, then 4 of 2 µs.
#[test]
fn a_clock_that_changes_under_way_paces_what_is_left() {
    let (chain, mut bus, mut chip_select) = raw(1);
    chip_select.set_low().unwrap();
    bus.write(&[0x99]).unwrap();
    chain.advance_ns(4_000);
    chain.set_clock_hz(500_000);
    bus.flush().unwrap();
    assert_eq!(chain.now_ns(), 12_000);
    chip_select.set_high().unwrap();
    assert_eq!(latched(&chain), [(12_000, Some(0), 0x99)]);
}

/// A byte in mode 0, then the clock goes up to where mode 2 has it at rest. That is an edge more, on which the last bit
/// of the first byte is taken again.
#[test]
fn a_mode_is_set_between_the_bits_that_have_left_and_those_that_have_not() {
    let (chain, mut bus, mut chip_select) = raw(2);
    chip_select.set_low().unwrap();
    bus.write(&[0b1000_0001, 0x55]).unwrap();
    chain.advance_ns(8_000);
    chain.set_mode(SpiMode::Mode2);
    bus.flush().unwrap();
    chip_select.set_high().unwrap();
    assert_eq!(latched(&chain), [(16_000, Some(0), 0x55), (16_000, Some(1), 0b0000_0011)]);
}

#[test]
fn the_back_door_comes_behind_the_bits_that_have_left() {
    let (chain, mut bus, mut chip_select) = raw(2);
    chip_select.set_low().unwrap();
    bus.write(&[0x11]).unwrap();
    chain.advance_ns(8_000);
    chain.drive(BusEvent::Bits(&crate::wire::bits_of(&[0x22])));
    chain.drive(BusEvent::Select);
    chain.drive(BusEvent::Deselect);
    assert_eq!(latched(&chain), [(8_000, Some(0), 0x22), (8_000, Some(1), 0x11)]);
    assert_eq!(violations(&chain), []);
    chain.drive(BusEvent::Select);
    chain.drive(BusEvent::Select);
    let short = (8_000, Violation::DeselectTooShort { found_ns: 0, least_ns: 500 });
    assert_eq!(violations(&chain), [short], "the second is no edge");
}

proptest! {
    /// How a frame is cut into writes, and how big the buffer is, shows neither in the bits nor, once flushed, in time.
    #[test]
    fn cuts_and_buffers_do_not_show_behind_a_flush(
        bytes in prop::collection::vec(1u8.., 1..20), cuts in prop::collection::vec(0usize..20, 0..5),
        buffer_bytes in 0usize..8, clock_hz in 1u32..1_000_000,
    ) {
        let run = |cuts: &[usize], buffer_bytes| {
            let (chain, mut bus, mut chip_select) = raw(3);
            chain.set_clock_hz(clock_hz);
            chain.set_buffer_bytes(buffer_bytes);
            chip_select.set_low().unwrap();
            let mut rest: &[u8] = &bytes;
            for cut in cuts {
                let (now, later) = rest.split_at((*cut).min(rest.len()));
                bus.write(now).unwrap();
                rest = later;
            }
            bus.write(rest).unwrap();
            bus.flush().unwrap();
            chip_select.set_high().unwrap();
            (chain.now_ns(), chain.events(), chain.bytes_on_wire())
        };
        prop_assert_eq!(run(&cuts, buffer_bytes), run(&[], 0));
    }
}
