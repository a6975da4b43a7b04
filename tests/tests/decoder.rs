//! What a device must not obey, from SPI bytes to log, flag and register: unknown opcodes, bad addresses, writes to what is
//! read only or locked at that moment. Units are worked out by hand from the drawings of the reference maps.

#![allow(clippy::unusual_byte_groupings, reason = "words are grouped by their pieces")]

use embedded_hal::spi::SpiDevice;
use stepchain::map::{Flag, Layout, RegisterMap, Verb};
use stepchain::reference::{FixedWord, Latched};
use stepchain_sim::chain::VirtualChain;
use stepchain_sim::device::{EventKind, Rejection};
use stepchain_sim::expect::{self, OrPanic, Pattern};

/// Two devices of a map; device 1 is spoken to, device 0 gets filler.
struct Bench {
    chain: VirtualChain,
    unit_bytes: usize,
    filler: u64,
}

impl Bench {
    fn new(layout: &'static Layout, filler: u64) -> Self {
        let chain = VirtualChain::new(layout, 2).unwrap();
        let bench = Self { chain, unit_bytes: usize::from(layout.wire.unit_bits) / 8, filler };
        let take = if layout.name == "latched" { vec![0xE100] } else { vec![checked(0x02 << 32)] };
        bench.send(&take);
        bench
    }

    /// Device 1 gets its unit first.
    fn send(&self, units: &[u64]) {
        for unit in units {
            let bytes = |unit: u64| unit.to_be_bytes()[8 - self.unit_bytes..].to_vec();
            self.chain.spi().write(&[bytes(*unit), bytes(self.filler)].concat()).unwrap();
        }
    }

    /// What device 1 tells of the units; device 0 must have nothing to tell.
    fn told(&self, units: &[u64]) -> Vec<EventKind> {
        let mark = self.chain.event_count();
        self.send(units);
        let events = self.chain.events_since(mark);
        assert!(events.iter().all(|event| event.device == Some(1)), "{events:?}");
        events.into_iter().map(|event| event.kind).collect()
    }

    /// The units are rejected for this reason, which the status shows, and no register changes by them.
    fn rejects(&self, verb: Verb, reason: Rejection, units: &[u64]) {
        let before = [0, 1].map(|device| self.chain.registers(device));
        let told = self.told(units);
        let rejected = EventKind::CommandRejected { verb, axis: 0, reason };
        assert!(told.contains(&rejected), "expected {rejected:?}, found {told:?}");
        let is_obeyed =
            |kind: &EventKind| matches!(kind, EventKind::CommandAccepted { .. } | EventKind::RegisterWritten { .. });
        assert!(!told.iter().any(is_obeyed), "{told:?}");
        expect::flag(&self.chain, 1, 0, Flag::CommandRejected, true).or_panic();
        expect::flag(&self.chain, 0, 0, Flag::CommandRejected, false).or_panic();
        let after = [0, 1].map(|device| self.chain.registers(device));
        for (before, after) in before.iter().zip(&after) {
            // A motor that moves moves on.
            let live = [0x02, 0x03, 0x06, 0x30, 0x31, 0x33].map(|address| address as u16);
            let still = |address: &u16| !live.contains(address) || !self.chain.is_moving(1, 0);
            assert!(before.iter().filter(|(address, _)| still(address)).all(|(address, held)| after[address] == *held));
        }
        self.take();
    }

    fn take(&self) {
        self.send(&if self.unit_bytes == 2 {
            vec![0xE100, self.filler]
        } else {
            vec![checked(0x02 << 32), self.filler]
        });
        expect::flag(&self.chain, 1, 0, Flag::CommandRejected, false).or_panic();
    }
}

/// A 40-bit front with its check behind it: CRC-8/AUTOSAR by plain long division, the first eight bits and the rest
/// inverted.
fn checked(front: u64) -> u64 {
    let mut rest = (front ^ 0xFF << 32) << 8;
    for bit in (8..48).rev() {
        if rest >> bit & 1 == 1 {
            rest ^= 0x12F << (bit - 8);
        }
    }
    front << 8 | rest ^ 0xFF
}

fn latched() -> Bench {
    Bench::new(&Latched::LAYOUT, 0x7E7E)
}

fn fixed_word() -> Bench {
    Bench::new(&FixedWord::LAYOUT, checked(0))
}

/// Writes as a fixed word.
fn write(address: u64, content: u64) -> u64 {
    checked((0x80 | address) << 32 | content)
}

#[test]
fn an_unknown_opcode_is_told_and_does_nothing() {
    let bench = latched();
    // 11111 is nobody's opcode; 00111 is a stop, and ramp 111 none of its ramps.
    for unit in [0xF800, 0b00111_111_0001_1000] {
        let told = bench.told(&[unit]);
        assert_eq!(told[0], EventKind::CommandUnknown { units: vec![unit] });
        expect::flag(&bench.chain, 1, 0, Flag::CommandUnknown, true).or_panic();
        bench.take();
    }
    let bench = fixed_word();
    // A read whose content is not zero.
    let unit = checked(0x20 << 32 | 1);
    assert_eq!(bench.told(&[unit])[0], EventKind::CommandUnknown { units: vec![unit] });
    expect::flag(&bench.chain, 1, 0, Flag::CommandUnknown, true).or_panic();
}

#[test]
fn a_word_with_a_wrong_check_is_told_and_does_nothing() {
    let bench = fixed_word();
    let unit = write(0x20, 5) ^ 1;
    assert_eq!(bench.told(&[unit])[0], EventKind::CrcMismatch { units: vec![unit] });
    expect::flag(&bench.chain, 1, 0, Flag::CrcMismatch, true).or_panic();
    assert_eq!(bench.chain.read_register(1, 0x20), 200_000);
}

#[test]
fn an_address_without_a_register_is_rejected() {
    let bench = latched();
    let reason = Rejection::NoSuchRegister { address: 0x77 };
    bench.rejects(Verb::ReadParameter, reason, &[0x5077]);
    bench.rejects(Verb::WriteParameter, reason, &[0x8877]);
    let bench = fixed_word();
    let reason = Rejection::NoSuchRegister { address: 0x7F };
    bench.rejects(Verb::ReadParameter, reason, &[checked(0x7F << 32)]);
    bench.rejects(Verb::WriteParameter, reason, &[write(0x7F, 1)]);
}

#[test]
fn what_is_read_only_is_not_written() {
    // 25 bits of velocity demand value in two units.
    latched().rejects(Verb::WriteParameter, Rejection::ReadOnly { address: 0x03 }, &[0x8803, 0x0000, 0x1234]);
    fixed_word().rejects(Verb::WriteParameter, Rejection::ReadOnly { address: 0x32 }, &[write(0x32, 7)]);
}

#[test]
fn a_code_without_meaning_is_not_written() {
    // Resolutions have codes 0 to 6, and 0 to 8.
    latched().rejects(Verb::WriteParameter, Rejection::MeaninglessCode { code: 7 }, &[0x8815, 0x0007]);
    // 9 in the lowest four bits, the two amplitudes as they are.
    let content = 300 << 16 | 150 << 4 | 9;
    fixed_word().rejects(Verb::WriteParameter, Rejection::MeaninglessCode { code: 9 }, &[write(0x25, content)]);
}

#[test]
fn what_is_locked_while_the_motor_moves_is_written_when_it_stands() {
    let bench = latched();
    // Acceleration: code 501, written at 100 steps/s and after a stop.
    bench.send(&[0xB400, 0x1388]);
    bench.rejects(Verb::WriteParameter, Rejection::NotAtStandstill { address: 0x11 }, &[0x8811, 0x01F5]);
    // And a move, which the map has refused under way.
    bench.rejects(Verb::MoveRelative, Rejection::WhileMoving, &[0x6800, 0x0040]);
    bench.send(&[0x3C18, 0x8811, 0x01F5]);
    assert_eq!(bench.chain.read_register(1, 0x11), 501);

    let bench = fixed_word();
    bench.send(&[write(0x11, 33_333), write(0x12, 1)]);
    bench.rejects(Verb::WriteParameter, Rejection::NotAtStandstill { address: 0x30 }, &[write(0x30, 99)]);
    bench.send(&[write(0x13, 7), write(0x30, 99)]);
    assert_eq!(bench.chain.position(1, 0), 99);
}

#[test]
fn what_is_locked_while_the_bridge_drives_is_written_when_it_is_off() {
    let bench = latched();
    bench.send(&[0x3C18]);
    bench.rejects(Verb::WriteParameter, Rejection::BridgeNotOff { address: 0x33 }, &[0x8833, 0x0040]);
    bench.send(&[0x3C42, 0x8833, 0x0040]);
    assert_eq!(bench.chain.read_register(1, 0x33), 0x40);
    expect::order(
        &bench.chain,
        &[
            Pattern::rejected(Verb::WriteParameter).on(1),
            Pattern::fallen(Flag::CommandRejected),
            Pattern::written(0x33),
        ],
    )
    .or_panic();
}
