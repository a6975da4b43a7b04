//! The same faults by whichever front, in a wrong mode, on branches of a run, and how the log tells them.

use embassy_futures::block_on;
use embedded_hal::digital::{OutputPin, StatefulOutputPin};
use embedded_hal::spi::SpiBus;
use stepchain::map::{Piece, SpiMode, Wire};

use super::*;
use crate::expect::{self, OrPanic, Pattern};

/// Devices of 8 bits that tell of each byte that they have latched. A clock of 1 MHz: a bit takes 1 µs.
const RAW: Layout = Layout::new("raw", Wire::latched_units(8, &[Piece::fixed(8, 0)]).timing(1_000_000, 500));

#[derive(Clone, Copy, Debug, PartialEq)]
enum Front {
    Device,
    AsyncDevice,
    Bus,
    AsyncBus,
    Captured,
}

/// One frame, after the gap. What a front does not read is left out by all that are compared with it.
fn frame(chain: &VirtualChain, front: Front, bytes: &[u8]) -> Vec<u8> {
    let mut came = bytes.to_vec();
    let (mut bus, mut chip_select) = chain.bus();
    match front {
        Front::Device => SpiDevice::transfer_in_place(&mut chain.spi(), &mut came).unwrap(),
        Front::AsyncDevice => {
            block_on(embedded_hal_async::spi::SpiDevice::transfer_in_place(&mut chain.spi(), &mut came)).unwrap();
        }
        Front::Bus => {
            chip_select.set_low().unwrap();
            bus.transfer_in_place(&mut came).unwrap();
            SpiBus::flush(&mut bus).unwrap();
            chip_select.set_high().unwrap();
        }
        Front::AsyncBus => {
            use embedded_hal_async::spi::SpiBus;
            chip_select.set_low().unwrap();
            block_on(async {
                SpiBus::transfer_in_place(&mut bus, &mut came).await.unwrap();
                SpiBus::flush(&mut bus).await.unwrap();
            });
            chip_select.set_high().unwrap();
        }
        Front::Captured => {
            chain.drive(BusEvent::Select);
            // A bit of this clock and this map takes 200 ns.
            let bit = |bit| {
                let came = chain.drive(BusEvent::Bits(&[bit]));
                chain.advance_ns(200);
                came
            };
            came = bytes_of(&bits_of(bytes).into_iter().flat_map(bit).collect::<Vec<_>>());
            chain.drive(BusEvent::Deselect);
        }
    }
    chain.advance_ns(800);
    came
}

proptest! {
    /// What is read, what is latched, and when: nothing of it depends on how the firmware is wired to the bus.
    #[test]
    fn every_front_meets_the_same_faults(
        faults in prop::collection::vec((any_fault(), 0u64..40_000, any_duration(), any::<u64>()), 1..5),
        frames in prop::collection::vec(prop::array::uniform4(any::<u8>()), 1..6),
    ) {
        let run = |front| {
            let chain = VirtualChain::new(LATCHED, 2).unwrap();
            for (fault, at_ns, lasts, seed) in faults.clone() {
                // At any instant, also amidst a bit.
                chain.inject(&Script::new().with(fault, Start::At(at_ns), lasts, seed)).unwrap();
            }
            let came: Vec<_> = frames.iter().map(|bytes| frame(&chain, front, bytes)).collect();
            (came, chain.log_text(), chain.now_ns(), chain.frames(), chain.unheard_clocks())
        };
        let expected = run(Front::Device);
        for front in [Front::AsyncDevice, Front::Bus, Front::AsyncBus, Front::Captured] {
            prop_assert_eq!(&run(front), &expected, "{:?}", front);
        }
    }
}

/// The write returns at once and the bits leave by and by: those whose clocks begin at 3, 4 and 5 µs are hit, although
/// nobody looks before all of them have left. The fault begins amidst the third bit and ends as the seventh begins.
#[test]
fn bits_in_the_buffer_meet_the_faults_of_their_own_instants() {
    for looks in [false, true] {
        let chain = chain(&RAW, 1, stuck(Line::Mosi, PinState::High), Start::At(2_500), Lasts::Ns(3_500));
        let (mut bus, mut chip_select) = chain.bus();
        chip_select.set_low().unwrap();
        bus.write(&[0]).unwrap();
        for _ in 0..100 {
            chain.advance_ns(100);
            if looks {
                let _ = (chain.events(), chain.unheard_clocks());
            }
        }
        chip_select.set_high().unwrap();
        let latched = |event: &Event| event.kind == EventKind::CommandUnknown { units: vec![0b0001_1100] };
        assert!(chain.events().iter().any(latched), "{}", chain.log_text());
        assert_eq!(struck(&chain), [(0, 3, 3)]);
    }
}

/// Five bits have had their time at 5.5 µs; the sixth is cut off with the rest. It would have left with the fault at
/// 5.2 µs, which finds it under way.
#[test]
fn a_bit_that_is_under_way_as_a_fault_turns_is_not_cut_off() {
    let cut = |at_ns| {
        let chain = chain(&RAW, 1, stuck(Line::Miso, PinState::High), Start::At(at_ns), Lasts::ForEver);
        let (mut bus, mut chip_select) = chain.bus();
        chip_select.set_low().unwrap();
        bus.write(&[0xFF]).unwrap();
        chain.advance_ns(5_500);
        chip_select.set_high().unwrap();
        violations(&chain)
    };
    let few = |clocks| Violation::TooFewClocks { clocks, least: 8 };
    assert_eq!(cut(6_000), [Violation::ReleasedUnderWay { bits: 3 }, few(5)]);
    assert_eq!(cut(5_200), [Violation::ReleasedUnderWay { bits: 2 }, few(6)]);
}

#[test]
fn the_pin_is_where_the_firmware_has_it_and_the_line_where_it_is_stuck() {
    let chain = chain(&RAW, 1, stuck(Line::Cs, PinState::Low), Start::At(1_000), Lasts::Ns(49_000));
    let (mut bus, mut chip_select) = chain.bus();
    let both =
        |chip_select: &mut crate::chain::VirtualChipSelect| (chip_select.is_set_low().unwrap(), chain.is_selected());
    assert_eq!(both(&mut chip_select), (false, false));
    chain.advance_ns(1_000);
    assert_eq!(both(&mut chip_select), (false, true), "the line has gone down by itself");
    for byte in [0x12, 0x34] {
        chip_select.set_low().unwrap();
        chip_select.set_low().unwrap();
        assert_eq!(both(&mut chip_select), (true, true));
        bus.write(&[byte]).unwrap();
        bus.flush().unwrap();
        chip_select.set_high().unwrap();
        chip_select.set_high().unwrap();
        assert_eq!(both(&mut chip_select), (false, true));
        chain.advance_ns(500);
    }
    assert_eq!((chain.frames(), chain.is_moving(0, 0)), (2, false));
    chain.advance_ns(50_000);
    assert_eq!(both(&mut chip_select), (false, false));
    let latched = chain.events().into_iter().filter_map(|event| match event.kind {
        EventKind::CommandUnknown { units } => Some((event.time_ns, units)),
        _ => None,
    });
    assert_eq!(latched.collect::<Vec<_>>(), [(50_000, vec![0x34])], "once, as the line comes up");
    assert_eq!(violations(&chain), [Violation::SurplusUnits { bits: 16, chain_bits: 8 }]);
}

/// The write ends at 8 µs, and its last bit has begun before the line moves.
#[test]
fn a_line_that_moves_within_the_last_bit_of_a_write_has_moved_when_it_returns() {
    let chain = chain(&RAW, 1, stuck(Line::Cs, PinState::High), Start::At(7_500), Lasts::ForEver);
    chain.set_buffer_bytes(0);
    let (mut bus, mut chip_select) = chain.bus();
    chip_select.set_low().unwrap();
    bus.write(&[0]).unwrap();
    assert_eq!((chain.now_ns(), chain.is_selected()), (8_000, false));
}

/// On a shared bus. A line that is stuck is so for all; noise is told of the frames of this chain only.
#[test]
fn bits_for_others_strike_no_frame_and_do_not_move_the_dice() {
    let sent = |others: bool, fault: Fault| {
        let chain = chain(&RAW, 1, fault, Start::At(0), Lasts::ForEver);
        let (mut bus, _) = chain.bus();
        let mut came = [0x5A];
        if others {
            bus.transfer_in_place(&mut came).unwrap();
        }
        let own: Vec<_> = (0..8).map(|_| talk(&chain, &[0])).collect();
        (came, own, struck(&chain))
    };
    let noise = || Fault::BitFlips { line: DataLine::Miso, bits: Bits::Each(0.2) };
    let (came, own, hits) = sent(true, noise());
    assert_eq!(came, [0xFF], "an open line");
    assert_eq!((own, hits), {
        let (_, own, hits) = sent(false, noise());
        (own, hits)
    });
    let (came, _, hits) = sent(true, stuck(Line::Miso, PinState::Low));
    assert_eq!((came, hits), ([0x00], vec![]), "all that the device shows is low anyway");
}

/// By hand. The devices are of mode 0; a controller of mode 1 is heard a clock late, and what it was left at (low) before.
/// Sent are 16 bits 1010 0101 0000 1111 for two devices: heard are 0101 0010 | 1000 0111.
#[test]
fn a_controller_in_a_wrong_mode_meets_the_same_lines() {
    let heard = |fault: Option<Fault>| {
        let chain = VirtualChain::new(&RAW, 2).unwrap();
        chain.set_mode(SpiMode::Mode1);
        if let Some(fault) = fault {
            chain.inject(&Script::new().with(fault, Start::Frame(0), Lasts::ForEver, 1)).unwrap();
        }
        let came = talk(&chain, &[0b1010_0101, 0b0000_1111]);
        let latched = chain.events().into_iter().filter_map(|event| match event.kind {
            EventKind::CommandUnknown { units } => Some(units[0]),
            _ => None,
        });
        (latched.collect::<Vec<_>>(), came, struck(&chain), violations(&chain))
    };
    assert_eq!(heard(None), (vec![0b1000_0111, 0b0101_0010], vec![0, 0], vec![], vec![]));
    // Bit 3 of what the controller sends is bit 4 of what is heard.
    let (latched, ..) = heard(Some(Fault::BitFlips { line: DataLine::Mosi, bits: Bits::At(vec![3]) }));
    assert_eq!(latched, [0b1000_0111, 0b0101_1010]);
    let (latched, came, ..) = heard(Some(Fault::BitFlips { line: DataLine::Miso, bits: Bits::At(vec![3]) }));
    assert_eq!((latched, came), (vec![0b1000_0111, 0b0101_0010], vec![0b0001_0000, 0]));
    let (latched, _, hits, _) = heard(Some(stuck(Line::Behind(0), PinState::High)));
    assert_eq!((latched, hits), (vec![0b1000_0111, 0xFF], vec![(0, 16 - 3, 0)]), "three ones came over anyway");
    let (_, _, hits, breaches) = heard(Some(Fault::LostClocks { count: 2 }));
    assert_eq!((hits[0].1, breaches), (2, vec![Violation::TooFewClocks { clocks: 14, least: 16 }]));
    let (_, _, hits, breaches) = heard(Some(Fault::ExtraClocks { count: 8 }));
    assert_eq!((hits[0].1, breaches), (8, vec![Violation::SurplusUnits { bits: 24, chain_bits: 16 }]));
    let (_, came, hits, breaches) = heard(Some(stuck(Line::Cs, PinState::High)));
    assert_eq!((came, hits, breaches), (vec![0xFF, 0xFF], vec![(0, 16, 0)], vec![]));
}

/// Five bits have gone when the script comes: its places count from the beginning of the frame all the same.
#[test]
fn a_script_that_comes_amidst_a_frame_counts_the_bits_before_it() {
    let chain = VirtualChain::new(&RAW, 1).unwrap();
    chain.drive(BusEvent::Select);
    chain.drive(BusEvent::Bits(&[false; 3]));
    chain.drive(BusEvent::Deselect);
    chain.advance_ns(500);
    chain.drive(BusEvent::Select);
    chain.drive(BusEvent::Bits(&[false; 5]));
    let flips = Fault::BitFlips { line: DataLine::Mosi, bits: Bits::At(vec![1, 6]) };
    chain.inject(&Script::new().with(flips, Start::At(0), Lasts::ForEver, 1)).unwrap();
    chain.drive(BusEvent::Bits(&[false; 1]));
    chain.drive(BusEvent::Select);
    chain.drive(BusEvent::Bits(&[false; 2]));
    chain.drive(BusEvent::Deselect);
    assert_eq!(struck(&chain), [(1, 1, 6)], "and a second selection is none");
    assert_eq!(violations(&chain), [Violation::TooFewClocks { clocks: 3, least: 8 }]);
}

/// The fork is taken while the fault holds, after its dice have been thrown some times, and amidst a selection.
#[test]
fn a_branch_goes_on_with_the_script_and_with_its_dice() {
    let noise = Fault::BitFlips { line: DataLine::Miso, bits: Bits::Each(0.3) };
    let script = Script::new().with(noise, Start::Frame(1), Lasts::Frames(4), 5).with(
        Fault::ResetNode { device: 0 },
        Start::At(60_000),
        Lasts::Instant,
        1,
    );
    let chain = VirtualChain::new(&RAW, 1).unwrap();
    chain.inject(&script).unwrap();
    (0..3).for_each(|_| drop(talk(&chain, &[0])));
    chain.advance_ns(500);
    chain.drive(BusEvent::Select);
    let before = chain.log_text();
    let branch = chain.fork();
    let go_on = |chain: &VirtualChain| {
        let mut came = vec![chain.drive(BusEvent::Bits(&[false; 8]))];
        chain.drive(BusEvent::Deselect);
        came.extend((0..3).map(|_| bits_of(&talk(chain, &[0]))));
        chain.advance_ns(60_000);
        (came, chain.log_text())
    };
    let went = go_on(&chain);
    assert_eq!(branch.log_text(), before, "what happens to the one does not touch the other");
    assert_eq!(go_on(&branch), went);
    expect::order(
        &branch,
        &[Pattern::fault_began(0), Pattern::fault_ended(0), Pattern::fault_began(1), Pattern::reset()],
    )
    .or_panic();
}

/// By hand: bits of 1 µs and a gap of 0.5 µs, so frames end at 8, 16.5 and 25 µs.
#[test]
fn the_log_tells_faults_in_lines_of_its_own_and_patterns_find_them() {
    let flips = Fault::BitFlips { line: DataLine::Mosi, bits: Bits::At(vec![2, 3]) };
    let script = Script::new()
        .with(flips, Start::Frame(1), Lasts::Frames(1), 1)
        .with(Fault::Overheating { device: 0, shut_off_after_ns: 1_000 }, Start::At(20_000), Lasts::Ns(2_000), 1)
        .with(Fault::BlockedRotor { device: 0, axis: 0 }, Start::At(24_000), Lasts::ForEver, 1);
    let chain = VirtualChain::new(&RAW, 1).unwrap();
    chain.inject(&script).unwrap();
    (0..3).for_each(|_| drop(talk(&chain, &[0])));
    let lines: Vec<_> = chain.log_text().lines().filter(|line| line.contains("fault")).map(str::to_owned).collect();
    assert_eq!(format!("\n{}\n", lines.join("\n")), LINES);
    let own = [
        Pattern::fault_began(0).within_ns(8_500, 8_500),
        Pattern::fault_struck(0).within_ns(16_500, 16_500),
        Pattern::fault_ended(0),
        Pattern::fault_began(1).on(0),
        Pattern::fault_worsened(1),
        Pattern::fault_ended(1),
        Pattern::fault_began(2).on(0).axis(0),
    ];
    expect::order(&chain, &own).or_panic();
    for other in
        [Pattern::fault_began(3), Pattern::fault_worsened(0), Pattern::fault_struck(1), Pattern::fault_ended(2)]
    {
        assert!(expect::order(&chain, std::slice::from_ref(&other)).is_err(), "{other}");
    }
    let names =
        [Pattern::fault_began(3), Pattern::fault_worsened(0), Pattern::fault_struck(1), Pattern::fault_ended(2)];
    let names: Vec<_> = names.iter().map(Pattern::to_string).collect();
    assert_eq!(names, ["began fault 3", "worsened fault 0", "struck fault 1", "ended fault 2"]);
}

const LINES: &str = "
            8_500  bus   began      fault 0: bit flips on mosi, at 2, 3 of each frame
           16_500  bus   struck     fault 0: frame 1, hits 2, first at bit 2
           16_500  bus   ended      fault 0: bit flips on mosi, at 2, 3 of each frame
           20_000  0     began      fault 1: overheating of device 0
           21_000  0     worsened   fault 1: overheating of device 0
           22_000  0     ended      fault 1: overheating of device 0
           24_000  0.0   began      fault 2: blocked rotor of axis 0 of device 0
";
