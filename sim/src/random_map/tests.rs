//! That the generator keeps its word: valid, the same each time, and every shape that a map can have.

use std::collections::BTreeMap;

use stepchain::map::{
    Access, BufferMode, Clearing, Encoding, Flag, Holding, Parameter, Piece, Polarity, Request, Sign, Source,
    SpareClocks, Verb, Way,
};
use stepchain::units::Unit;

use super::*;
use crate::map_file::{parse, to_toml};

const SEEDS: u64 = 1_000;

#[test]
fn a_seed_gives_the_same_valid_layout_each_time() {
    for seed in (0..200).chain([u64::MAX]) {
        let drawn = layout(seed);
        assert_eq!(drawn.validate(), Ok(()));
        assert_eq!(drawn, layout(seed));
    }
}

#[test]
fn the_first_draw_is_nearly_always_valid() {
    let mut reasons = BTreeMap::new();
    for seed in 0..SEEDS {
        if let Err(flaw) = draw(seed, 0).unwrap().validate() {
            *reasons.entry(flaw.to_string()).or_insert(0) += 1;
        }
    }
    assert!(reasons.values().sum::<u64>() <= SEEDS / 100, "{reasons:#?}");
}

#[test]
fn every_map_has_the_promised_commands_and_registers() {
    let others = [
        Verb::ReturnToZero,
        Verb::ReturnToProbedPosition,
        Verb::PulseInput,
        Verb::RestoreDefaults,
        Verb::ResetNode,
        Verb::FaultReset,
    ];
    let promised = Verb::ALL.iter().filter(|verb| {
        let is_rare = matches!(verb, Verb::SearchForSwitch(_) | Verb::SearchForZero(_)) || others.contains(verb);
        !is_rare && !matches!(verb, Verb::MoveAbsolute(Way::Positive | Way::Negative))
    });
    for seed in 0..SEEDS {
        let drawn = layout(seed);
        for verb in promised.clone() {
            assert!(drawn.form(*verb).is_some(), "{} of seed {seed}", verb.name());
        }
        for axis in 0..drawn.axes {
            for parameter in
                [Parameter::ProfileVelocity, Parameter::ProfileAcceleration, Parameter::ProfileDeceleration]
            {
                assert!(drawn.register(parameter, axis).is_some(), "{parameter} of seed {seed}");
            }
        }
    }
}

#[test]
fn random_maps_come_back_from_a_map_file_as_they_went() {
    for seed in 0..200 {
        let (drawn, text) = (layout(seed), to_toml(layout(seed)));
        match parse(&text, "random.toml") {
            Ok(read) => assert_eq!(read, drawn, "seed {seed}, written as\n{text}"),
            Err(error) => panic!("seed {seed}: {error}\nwritten as\n{text}"),
        }
    }
}

/// Each feature has to occur in one map of a hundred at least.
#[test]
fn every_shape_that_a_map_can_have_occurs() {
    let mut found: BTreeMap<String, u64> = every_feature().into_iter().map(|feature| (feature, 0)).collect();
    for seed in 0..SEEDS {
        let mut features = Vec::new();
        note_features(layout(seed), &mut features);
        features.sort_unstable();
        features.dedup();
        for feature in features {
            *found.entry(feature).or_insert(0) += 1;
        }
    }
    let rare: Vec<_> = found.iter().filter(|(_, count)| **count < SEEDS / 100).collect();
    assert!(rare.is_empty(), "{rare:#?}");
}

fn every_feature() -> Vec<String> {
    let mut all: Vec<String> = Vec::new();
    all.extend(Piece::ONE_OF_EACH.iter().map(|piece| format!("{} in a request or reply", piece.name())));
    all.extend(Verb::ALL.iter().map(|verb| verb.name().to_owned()));
    all.extend(Flag::ALL.iter().map(|flag| format!("flag {}", flag.name())));
    all.extend(Parameter::PLAIN.iter().map(|parameter| format!("parameter {parameter}")));
    all.extend(Unit::ALL.iter().map(|unit| format!("unit {unit:?}")));
    let encodings = ["Raw", "Linear", "Linear with offset", "Reciprocal", "Reciprocal or zero", "PowerOfTwo"];
    all.extend(encodings.iter().chain(&["PowerOfTwo falling", "Table", "MantissaExponent"]).map(|s| (*s).to_owned()));
    all.extend([Sign::Unsigned, Sign::TwosComplement, Sign::SignMagnitude].map(|sign| format!("{sign:?}")));
    all.extend(
        [Access::ReadOnly, Access::Always, Access::AtStandstill, Access::BridgeOff].map(|access| format!("{access:?}")),
    );
    let others = "latched units of 1 to 7 bits|latched units of 8, 16, 24 or 32 bits|latched units of other widths|\
        latched units above 32 bits|fixed words up to 32 bits|fixed words up to 48 bits|fixed words up to 64 bits|\
        whole bytes|no whole bytes|MsbFirst|LsbFirst|Mode0|Mode1|Mode2|Mode3|latched SameSlots|latched NextFrame|\
        spare clocks refused|check|check reflected|no check|1 axes|2 axes|3 axes|Voltage|Current|Wraps|Refuses|\
        idle reply|no idle reply|status in the idle reply|argument in parts|data in parts|status in parts|\
        direction high|direction low|opcode in several pieces|writes|write of a direction|argument written last|\
        several writes|told apart by address|shared address|register above bit 0|register of another axis|\
        register once for all axes|limited codes|own name|custom register|one curve|a curve for each motion state|\
        eight segments|register wider than the unit|reset code|refused while moving|refused while bridge off|\
        refused while faulted|reply of a motion command|address in a reply|live|until take status|\
        until fault reset|active low|motion state|no motion state|several motion states|fixed bits in a reply|\
        any bits in a request|buffered|search for zero by its direction alone|\
        check only in some requests|filler of several pieces|filler with check";
    all.extend(others.split('|').map(|feature| feature.trim().to_owned()));
    all
}

fn note_features(layout: &Layout, found: &mut Vec<String>) {
    let mut note = |is: bool, feature: &str| {
        if is {
            found.push(feature.to_owned());
        }
    };
    let wire = &layout.wire;
    let bits = wire.unit_bits;
    let latched = wire.framing == Framing::LatchedUnits;
    note(latched && bits < 8, "latched units of 1 to 7 bits");
    note(latched && matches!(bits, 8 | 16 | 24 | 32), "latched units of 8, 16, 24 or 32 bits");
    note(latched && bits > 8 && !bits.is_multiple_of(8), "latched units of other widths");
    note(latched && bits > 32, "latched units above 32 bits");
    note(!latched && bits <= 32, "fixed words up to 32 bits");
    note(!latched && matches!(bits, 33..=48), "fixed words up to 48 bits");
    note(!latched && bits > 48, "fixed words up to 64 bits");
    note(bits.is_multiple_of(8), "whole bytes");
    note(!bits.is_multiple_of(8), "no whole bytes");
    note(true, &format!("{:?}", wire.bit_order));
    note(true, &format!("{:?}", wire.mode));
    note(latched, &format!("latched {:?}", wire.reply_timing));
    note(wire.spare_clocks == SpareClocks::Refused, "spare clocks refused");
    note(wire.crc.is_some(), "check");
    note(wire.crc.is_some_and(|crc| crc.reflected), "check reflected");
    note(wire.crc.is_none(), "no check");
    note(true, &format!("{} axes", layout.axes));
    note(true, &format!("{:?}", layout.drive));
    note(true, &format!("{:?}", layout.position.wrap_around));
    note(!wire.idle_reply.is_empty(), "idle reply");
    note(wire.idle_reply.is_empty(), "no idle reply");
    note(wire.idle_reply.iter().any(|piece| matches!(piece, Piece::Status { .. })), "status in the idle reply");
    note(wire.filler.len() > 1, "filler of several pieces");
    note(wire.filler.contains(&Piece::Crc), "filler with check");
    note_commands(layout, &mut note);
    note_registers(layout, &mut note);
    note_status(layout, &mut note);
}

fn note_commands(layout: &Layout, note: &mut impl FnMut(bool, &str)) {
    let mut checked = Vec::new();
    let mut opcodes = Vec::new();
    for form in layout.commands {
        note(true, form.verb.name());
        note(form.buffer_mode == BufferMode::Buffered, "buffered");
        note(form.refusal.while_moving, "refused while moving");
        note(form.refusal.while_bridge_off, "refused while bridge off");
        note(form.refusal.while_faulted, "refused while faulted");
        note(form.verb.is_of_one_axis() && !form.reply.is_empty(), "reply of a motion command");
        note(form.reply.iter().any(|piece| matches!(piece, Piece::Address { .. })), "address in a reply");
        note(form.reply.iter().any(|piece| matches!(piece, Piece::Fixed { .. })), "fixed bits in a reply");
        let is_argument = |piece: &Piece| matches!(piece, Piece::Velocity { .. });
        let has_argument = match form.request {
            Request::Word(pieces) => pieces.iter().any(is_argument),
            Request::Writes(writes) => writes.iter().any(|write| write.source == Source::Argument),
        };
        let by_direction = matches!(form.verb, Verb::SearchForZero(_)) && !has_argument;
        note(by_direction, "search for zero by its direction alone");
        let pieces = match form.request {
            Request::Word(pieces) => pieces,
            Request::Writes(writes) => {
                note(true, "writes");
                note(writes.len() > 1, "several writes");
                let is_turn = |write: &stepchain::map::Write| matches!(write.source, Source::Direction { .. });
                note(writes.iter().any(is_turn), "write of a direction");
                note(writes.last().is_some_and(|write| write.source == Source::Argument), "argument written last");
                continue;
            }
        };
        checked.push(pieces.contains(&Piece::Crc));
        opcodes.push(pieces.first().map(|piece| piece.width(0)));
        note(matches!(pieces, [Piece::Fixed { .. }, Piece::Fixed { .. }, ..]), "opcode in several pieces");
        note(pieces.iter().any(|piece| matches!(piece, Piece::Any { .. })), "any bits in a request");
        for piece in pieces.iter().chain(form.reply) {
            note(true, &format!("{} in a request or reply", piece.name()));
            match *piece {
                Piece::Velocity { coding, width, .. }
                | Piece::Distance { coding, width, .. }
                | Piece::Position { coding, width, .. } => {
                    note(width < coding.width, "argument in parts");
                    note_coding(&coding, note);
                }
                Piece::Data { lsb, .. } => note(lsb > 0, "data in parts"),
                Piece::Status { lsb, .. } => note(lsb > 0, "status in parts"),
                Piece::Direction { positive } => note(true, if positive { "direction high" } else { "direction low" }),
                _ => {}
            }
        }
    }
    note(checked.contains(&true) && checked.contains(&false), "check only in some requests");
    note(opcodes.iter().all(|width| *width == Some(1)), "told apart by address");
}

fn note_registers(layout: &Layout, note: &mut impl FnMut(bool, &str)) {
    for register in layout.registers {
        note(true, &format!("parameter {}", register.parameter));
        note(true, &format!("unit {:?}", register.unit));
        note(true, &format!("{:?}", register.access));
        note(layout.is_shared(register.address), "shared address");
        note(!layout.is_shared(register.address) && register.lsb > 0, "register above bit 0");
        note(register.axis > 0, "register of another axis");
        let once = layout.axes > 1 && layout.register(register.parameter, 1) == Some(register) && register.axis == 0;
        note(once, "register once for all axes");
        note(register.name != register.parameter.name(), "own name");
        note(matches!(register.parameter, Parameter::Custom(_)), "custom register");
        note(register.coding.width > layout.wire.unit_bits, "register wider than the unit");
        note(register.reset != 0, "reset code");
        if let Parameter::BackEmfSlope(segment) = register.parameter {
            note(segment.state.is_none(), "one curve");
            note(segment.state.is_some(), "a curve for each motion state");
            note(segment.index == 7, "eight segments");
        }
        note_coding(&register.coding, note);
    }
}

fn note_coding(coding: &stepchain::map::Coding, note: &mut impl FnMut(bool, &str)) {
    note(true, &format!("{:?}", coding.sign));
    note(coding.max_code < coding.mask(), "limited codes");
    let name = match coding.encoding {
        Encoding::Raw => "Raw",
        Encoding::Linear { offset: 0, .. } => "Linear",
        Encoding::Linear { .. } => "Linear with offset",
        Encoding::Reciprocal { zero: false, .. } => "Reciprocal",
        Encoding::Reciprocal { zero: true, .. } => "Reciprocal or zero",
        Encoding::PowerOfTwo { falling: false, .. } => "PowerOfTwo",
        Encoding::PowerOfTwo { falling: true, .. } => "PowerOfTwo falling",
        Encoding::Table(_) => "Table",
        Encoding::MantissaExponent { .. } => "MantissaExponent",
    };
    note(true, name);
}

fn note_status(layout: &Layout, note: &mut impl FnMut(bool, &str)) {
    for bit in layout.status.flags {
        note(true, &format!("flag {}", bit.flag.name()));
        note(bit.polarity == Polarity::ActiveLow, "active low");
        let holding = match bit.holding {
            Holding::Live => "live",
            Holding::LatchedUntil(Clearing::TakeStatus) => "until take status",
            Holding::LatchedUntil(Clearing::FaultReset) => "until fault reset",
        };
        note(true, holding);
    }
    note(!layout.status.motion_states.is_empty(), "motion state");
    note(layout.status.motion_states.is_empty(), "no motion state");
    note(layout.status.motion_states.len() > 1, "several motion states");
}
/// A law of the driver's codings, tried here because here are codings of every kind: what a code means comes back as
/// a code of that meaning, and no other code means something nearer to any value within the limits.
#[test]
fn the_code_of_a_value_is_the_nearest_there_is() {
    let mut tried = 0;
    for seed in 0..400 {
        let mut dice = Dice::new(seed, u64::MAX);
        for register in layout(seed).registers {
            let (coding, unit) = (register.coding, register.unit);
            let values = |codes: &mut dyn Iterator<Item = u32>| -> Vec<i64> {
                codes.filter_map(|code| coding.value_of(code, unit).ok()).collect()
            };
            let edges = [0, 1, coding.mask() >> 1, (coding.mask() >> 1) + 1, coding.mask()];
            let drawn: Vec<u32> = (0..8).map(|_| dice.bits(coding.width) as u32).chain(edges).collect();
            for value in values(&mut drawn.into_iter()) {
                let back = coding.code_of(value, unit).and_then(|code| coding.value_of(code, unit));
                assert_eq!(back, Ok(value), "{register:?} of seed {seed}");
            }
            if coding.width > 9 {
                continue;
            }
            let all = values(&mut (0..=coding.mask()));
            let (min, max) = coding.limits(unit);
            for _ in 0..16 {
                let wanted = min + dice.below((max - min) as u64 + 1) as i64;
                let found = coding.code_of(wanted, unit).and_then(|code| coding.value_of(code, unit));
                let found = found.unwrap_or_else(|error| panic!("{error}: {register:?} of seed {seed}"));
                // A period has no zero to pass through: a value keeps its sign, though the other side may be nearer.
                let same_side = all.iter().filter(|value| **value == 0 || value.signum() == wanted.signum());
                let nearest = same_side.map(|value| value.abs_diff(wanted)).min().unwrap_or(u64::MAX);
                assert!(found.abs_diff(wanted) <= nearest + 1, "{wanted} gets {found}: {register:?} of seed {seed}");
                tried += 1;
            }
        }
    }
    assert!(tried > 5_000, "{tried}");
}
