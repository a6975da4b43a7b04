//! The laws on maps that keep them, and on maps and devices that do not.

use stepchain::map::{
    Access, BitOrder, CommandForm, Encoding, Flag, Piece, Polarity, PositionCounter, Refusal, Register, RegisterMap,
    Request, StatusBit, StatusLayout, Verb,
};
use stepchain::reference::{FixedWord, Latched};

use super::*;
use crate::random_map;

const LATCHED: &Layout = &Latched::LAYOUT;
const FIXED_WORD: &Layout = &FixedWord::LAYOUT;

#[test]
fn the_reference_maps_keep_every_law_and_nothing_is_left_untried() {
    for layout in [LATCHED, FIXED_WORD] {
        let report = check(layout);
        assert!(report.is_kept(), "{}\n{report}", layout.name);
        assert!(report.laws.iter().all(|law| law.tried > 0 && law.not_tried.is_empty()), "{report}");
    }
}

#[test]
fn random_maps_keep_every_law() {
    for seed in (0..8).chain([31, 33]) {
        let report = check(random_map::layout(seed));
        assert!(report.is_kept(), "random map {seed}\n{report}");
    }
}

#[test]
fn the_same_map_has_the_same_report() {
    assert_eq!(check(random_map::layout(3)), check(random_map::layout(3)));
}

/// The laws that a map breaks on a device, by their places in the report.
fn broken(map: &'static Layout, device: &'static Layout) -> Vec<&'static str> {
    let report = check_against(map, device);
    report.laws.iter().filter(|law| !law.is_kept()).map(|law| law.name).collect()
}

const WORDS: &str = "every word is decoded as what was meant";
const FILLER: &str = "filler changes nothing, whatever the motor does";
const CODES: &str = "every register's codes go out and come back";
const POWER_UP: &str = "every register can be read after power-up";
const LOCKS: &str = "locked, read-only and missing registers are left alone and told";
const REPLIES: &str = "replies come when and where the map says";
const STATUS: &str = "every flag is raised by its condition, and only by it";
const MOTION: &str = "every motion command does what its verb says";
const SERVICE: &str = "every service command does what its verb says";

fn with_registers(layout: &Layout, change: impl Fn(&mut Register)) -> &'static Layout {
    let mut registers = layout.registers.to_vec();
    registers.iter_mut().for_each(change);
    leak(layout.registers(registers.leak()))
}

fn with_commands(layout: &Layout, change: impl Fn(&mut CommandForm)) -> &'static Layout {
    let mut commands = layout.commands.to_vec();
    commands.iter_mut().for_each(change);
    leak(layout.commands(commands.leak()))
}

fn with_flags(layout: &Layout, change: impl Fn(&mut StatusBit)) -> &'static Layout {
    let mut flags = layout.status.flags.to_vec();
    flags.iter_mut().for_each(change);
    let status = StatusLayout::new(layout.status.bits, flags.leak()).motion_states(layout.status.motion_states);
    leak(layout.status(status))
}

fn leak(layout: Layout) -> &'static Layout {
    let layout: &'static Layout = Box::leak(Box::new(layout));
    layout.validate().expect("what is tried here is valid, and wrong");
    layout
}

#[test]
fn two_opcodes_that_are_swapped_are_found() {
    let device = with_commands(LATCHED, |form| {
        form.verb = match form.verb {
            Verb::ReturnToZero => Verb::ReturnToProbedPosition,
            Verb::ReturnToProbedPosition => Verb::ReturnToZero,
            verb => verb,
        }
    });
    assert_eq!(broken(LATCHED, device), [WORDS, MOTION]);
}

#[test]
fn a_direction_bit_the_other_way_round_is_found() {
    let device = with_commands(LATCHED, |form| {
        if form.verb == Verb::MoveVelocity
            && let Request::Word(pieces) = form.request
        {
            let mut pieces = pieces.to_vec();
            pieces[1] = Piece::direction(false);
            form.request = Request::Word(pieces.leak());
        }
    });
    let broken = broken(LATCHED, device);
    assert!(broken.contains(&WORDS) && broken.contains(&MOTION), "{broken:?}");
}

#[test]
fn a_device_that_takes_filler_for_a_command_is_found() {
    // The filler of the map is a peek for the device, and its filler is the map's peek.
    const FILLER_HERE: &[Piece] = &[Piece::fixed(16, 0xE000)];
    const PEEK_HERE: &[Piece] = &[Piece::fixed(16, 0x7E7E)];
    let mut swapped = *with_commands_unchecked(LATCHED, |form| {
        if form.verb == Verb::PeekStatus {
            form.request = Request::Word(PEEK_HERE);
        }
    });
    swapped.wire.filler = FILLER_HERE;
    let broken = broken(LATCHED, leak(swapped));
    assert!(broken.contains(&FILLER), "{broken:?}");
}

fn with_commands_unchecked(layout: &Layout, change: impl Fn(&mut CommandForm)) -> &'static Layout {
    let mut commands = layout.commands.to_vec();
    commands.iter_mut().for_each(change);
    Box::leak(Box::new(layout.commands(commands.leak())))
}

#[test]
fn a_flag_of_the_other_polarity_is_found() {
    for flag in [Flag::Busy, Flag::TargetReached, Flag::BridgeOff, Flag::Overcurrent, Flag::CommandUnknown] {
        let device = with_flags(LATCHED, |bit| {
            if bit.flag == flag {
                bit.polarity = match bit.polarity {
                    Polarity::ActiveHigh => Polarity::ActiveLow,
                    Polarity::ActiveLow => Polarity::ActiveHigh,
                };
            }
        });
        let broken = broken(LATCHED, device);
        assert!(broken.contains(&STATUS), "{}: {broken:?}", flag.name());
    }
}

#[test]
fn flags_that_are_swapped_are_found() {
    let device = with_flags(FIXED_WORD, |bit| {
        bit.flag = match bit.flag {
            Flag::StallA => Flag::StallB,
            Flag::StallB => Flag::StallA,
            flag => flag,
        }
    });
    assert_eq!(broken(FIXED_WORD, device), [STATUS]);
}

#[test]
fn a_flag_that_is_cleared_otherwise_is_found() {
    let device = with_flags(LATCHED, |bit| {
        if bit.flag == Flag::Overcurrent {
            *bit = bit.cleared_by(stepchain::map::Clearing::TakeStatus);
        }
    });
    assert!(broken(LATCHED, device).contains(&SERVICE));
}

#[test]
fn another_reset_code_scale_width_or_access_is_found() {
    let of = |change: fn(&mut Register)| broken(LATCHED, with_registers(LATCHED, change));
    let reset = of(|register| {
        if register.address == 0x31 {
            register.reset = 31;
        }
    });
    assert!(reset.contains(&POWER_UP) && reset.contains(&SERVICE), "{reset:?}");
    let scale = of(|register| {
        if register.address == 0x10 {
            register.coding.encoding = Encoding::linear(1, 25);
            register.reset = 25_000;
        }
    });
    assert_eq!(scale, Vec::<&str>::new(), "a scale that nothing but the chip could tell");
    let narrow = of(|register| {
        if register.address == 0x29 {
            register.coding.width = 15;
        }
    });
    assert!(narrow.contains(&CODES), "{narrow:?}");
    let locked = of(|register| {
        if register.address == 0x20 {
            register.access = Access::ReadOnly;
        }
    });
    assert!(locked.contains(&CODES), "{locked:?}");
    let open = of(|register| {
        if register.address == 0x11 {
            register.access = Access::Always;
        }
    });
    assert_eq!(open, [LOCKS]);
}

#[test]
fn registers_at_each_others_addresses_are_found() {
    let device = with_registers(LATCHED, |register| {
        register.address = match register.address {
            0x30 => 0x31,
            0x31 => 0x30,
            address => address,
        }
    });
    let broken = broken(LATCHED, device);
    assert!(broken.contains(&POWER_UP), "{broken:?}");
}

#[test]
fn bits_in_the_other_order_are_found() {
    let mut device = *LATCHED;
    device.wire.bit_order = BitOrder::LsbFirst;
    let broken = broken(LATCHED, leak(device));
    assert!(broken.contains(&WORDS) && broken.contains(&REPLIES), "{broken:?}");
}

/// The reply of the fixed-word map carries 24 bits of status; a flag at bit 24 is one that nobody can see.
#[test]
fn a_flag_that_no_reply_carries_is_found() {
    let mut flags = FIXED_WORD.status.flags.to_vec();
    flags.push(StatusBit::live(Flag::Warning, 24));
    let status = StatusLayout::new(25, flags.leak()).motion_states(FIXED_WORD.status.motion_states);
    let map = leak(FIXED_WORD.status(status));
    assert_eq!(broken(map, map), [STATUS]);
    assert!(check(map).to_string().contains("warning of axis 0: no reply to a status command carries bit 24"));
}

/// After power-up the bridge is off; a map whose every stop and motion is refused then has no way out.
#[test]
fn commands_that_are_refused_in_every_state_are_found() {
    let map = with_commands(LATCHED, |form| {
        if form.verb.is_of_one_axis() {
            *form = form.refused(Refusal::NEVER.while_bridge_off());
        }
    });
    assert_eq!(broken(map, map), [MOTION]);
    assert!(check(map).to_string().contains("never obeyed: not while the bridge is in high impedance"));
}

/// The position register holds 24 bits, the counter behind it 20: what is written does not come back.
#[test]
fn a_register_wider_than_its_counter_is_found() {
    let map = leak(LATCHED.position(PositionCounter::new(20, LATCHED.position.resolutions)));
    let broken = broken(map, map);
    assert!(broken.contains(&CODES), "{broken:?}");
}

#[test]
fn a_map_that_is_not_valid_has_one_law_and_its_flaw() {
    let mut map = *LATCHED;
    map.wire.unit_bits = 99;
    let report = check(Box::leak(Box::new(map)));
    assert_eq!((report.laws.len(), report.is_kept()), (1, false));
    assert!(report.to_string().contains("Broken: the map is valid"), "{report}");
}
