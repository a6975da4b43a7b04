use proptest::prelude::*;
use stepchain::map::Piece;

use super::*;

/// The registers move bits and know no filler: its width does not matter here.
const FILLER: &[Piece] = &[Piece::fixed(16, 0)];

fn shift(chain: &mut ShiftRegisters, bits: &[bool]) -> (Vec<bool>, Latched) {
    let mut miso = Vec::new();
    assert_eq!(chain.take(BusEvent::Select, &mut miso), None);
    assert_eq!(chain.take(BusEvent::Bits(bits), &mut miso), None);
    let latched = chain.take(BusEvent::Deselect, &mut miso).expect("a release latches");
    (miso, latched)
}

#[test]
fn the_farthest_device_is_sent_to_first_and_heard_first() {
    for (devices, sent, held) in [
        (1, vec![0xA1, 0xB2], vec![0xA1B2]),
        (2, vec![0xA1, 0xB2, 0xC3, 0xD4], vec![0xC3D4, 0xA1B2]),
        (3, vec![0xA1, 0xB2, 0xC3, 0xD4, 0xE5, 0xF6], vec![0xE5F6, 0xC3D4, 0xA1B2]),
    ] {
        let mut chain = ShiftRegisters::new(&Wire::latched_units(16, FILLER), devices);
        chain.load(&[0x0001, 0x0203, 0x0405][..devices]);
        let (miso, latched) = shift(&mut chain, &bits_of(&sent));
        assert_eq!(latched, Latched { units: held, clocks: 16 * devices as u64 });
        let answers = [0x04, 0x05, 0x02, 0x03, 0x00, 0x01];
        assert_eq!(bytes_of(&miso), answers[6 - 2 * devices..], "{devices} devices");
    }
}

/// Two devices of 4 bits; 11 bits 101 0011 1000: the first three fall out, and come out after the eight that were loaded.
#[test]
fn bits_beyond_the_chain_fall_out_at_the_far_end_behind_the_answers() {
    let mut chain = ShiftRegisters::new(&Wire::latched_units(4, FILLER), 2);
    chain.load(&[0b1100, 0b0110]);
    let bits = bits_of(&[0b1010_0111, 0b0000_0000]);
    let (miso, latched) = shift(&mut chain, &bits[..11]);
    assert_eq!(latched, Latched { units: vec![0b1000, 0b0011], clocks: 11 });
    assert_eq!(miso, [bits_of(&[0b0110_1100]), bits_of(&[0b1010_0000])[..3].to_vec()].concat());
}

/// Four bits into 2 devices of 4: device 0 holds them, device 1 holds what device 0 had loaded.
#[test]
fn with_too_few_clocks_devices_hold_what_their_neighbours_had() {
    let mut chain = ShiftRegisters::new(&Wire::latched_units(4, FILLER), 2);
    chain.load(&[0b1100, 0b0110]);
    let (miso, latched) = shift(&mut chain, &bits_of(&[0b1011_0000])[..4]);
    assert_eq!(latched, Latched { units: vec![0b1011, 0b1100], clocks: 4 });
    assert_eq!(miso, bits_of(&[0b0110_0000])[..4]);
}

#[test]
fn least_significant_bit_first_turns_each_unit_round_and_not_the_chain() {
    let wire = Wire::latched_units(8, FILLER).bit_order(BitOrder::LsbFirst);
    let mut chain = ShiftRegisters::new(&wire, 2);
    chain.load(&[0b0000_0001, 0b0000_0011]);
    let (miso, latched) = shift(&mut chain, &bits_of(&[0b1000_0000, 0b0010_1111]));
    assert_eq!(latched.units, [0b1111_0100, 0b0000_0001]);
    assert_eq!(bytes_of(&miso), [0b1100_0000, 0b1000_0000]);
}

#[test]
fn without_selection_nothing_moves() {
    let mut chain = ShiftRegisters::new(&Wire::latched_units(16, FILLER), 1);
    chain.load(&[0x1234]);
    let mut miso = Vec::new();
    assert_eq!(chain.take(BusEvent::Bits(&[true; 5]), &mut miso), None);
    assert_eq!(chain.take(BusEvent::Deselect, &mut miso), None);
    assert!(miso.is_empty(), "{miso:?}");
    assert_eq!(shift(&mut chain, &[false; 16]).0, bits_of(&[0x12, 0x34]));
}

proptest! {
    #[test]
    fn how_bits_are_cut_into_events_does_not_matter(
        unit_bits in 1u8..=64, devices in 1usize..5, loaded in prop::array::uniform4(any::<u64>()),
        bits in prop::collection::vec(any::<bool>(), 0..300), cut in 0usize..300,
    ) {
        let wire = Wire::latched_units(unit_bits, FILLER);
        let mut whole = ShiftRegisters::new(&wire, devices);
        whole.load(&loaded);
        let mut parts = whole.clone();
        let (miso, latched) = shift(&mut whole, &bits);
        let (first, second) = bits.split_at(cut.min(bits.len()));
        let mut pieces = Vec::new();
        parts.take(BusEvent::Select, &mut pieces);
        parts.take(BusEvent::Bits(first), &mut pieces);
        parts.take(BusEvent::Bits(second), &mut pieces);
        prop_assert_eq!(parts.take(BusEvent::Deselect, &mut pieces), Some(latched));
        prop_assert_eq!(pieces, miso);
    }

    #[test]
    fn what_is_loaded_and_not_shifted_is_what_is_latched(
        unit_bits in 1u8..=64, loaded in prop::collection::vec(any::<u64>(), 0..5), lsb_first in any::<bool>(),
    ) {
        let order = if lsb_first { BitOrder::LsbFirst } else { BitOrder::MsbFirst };
        let wire = Wire::latched_units(unit_bits, FILLER).bit_order(order);
        let mut chain = ShiftRegisters::new(&wire, loaded.len());
        chain.load(&loaded);
        let masked: Vec<u64> = loaded.iter().map(|unit| unit & u64::MAX >> (64 - unit_bits)).collect();
        prop_assert_eq!(shift(&mut chain, &[]).1, Latched { units: masked, clocks: 0 });
    }
}
