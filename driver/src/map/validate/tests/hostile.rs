//! Layouts of random parts, sound or not: a map from a file reaches the check before anything else has looked at it.

extern crate std;
use std::boxed::Box;
use std::vec::Vec;

use proptest::collection::vec;
use proptest::prelude::*;
use proptest::sample::select;

use super::*;

fn leaked<T>(list: Vec<T>) -> &'static [T] {
    Box::leak(list.into_boxed_slice())
}

/// Widths and places as they should be, at the edges, and anywhere.
fn bits() -> impl Strategy<Value = u8> {
    prop_oneof![4 => 1u8..=16, 2 => select(&[0, 24, 31, 32, 33, 48, 63, 64, 65, 128, 255][..]), 1 => any::<u8>()]
}

fn coding() -> impl Strategy<Value = Coding> {
    let sign = select(&[Sign::Unsigned, Sign::TwosComplement, Sign::SignMagnitude][..]);
    (bits(), sign, 0..7, any::<[u32; 2]>(), bits()).prop_map(|(width, sign, kind, [numerator, denominator], small)| {
        let encoding = match kind {
            0 | 1 => Encoding::Raw,
            2 => Encoding::Linear { numerator, denominator, offset: denominator as i32 },
            3 => Encoding::Reciprocal { numerator, denominator, zero: small & 1 == 0 },
            4 => Encoding::PowerOfTwo { numerator, denominator, falling: small & 1 == 0 },
            5 => Encoding::Table(leaked(Vec::from([TableEntry::new(0, 0), TableEntry::new(small as u32, numerator)]))),
            _ => Encoding::MantissaExponent { numerator, denominator, mantissa_bits: small },
        };
        Coding::new(width, encoding).sign(sign)
    })
}

fn piece() -> impl Strategy<Value = Piece> {
    let value = prop_oneof![0u64..256, any::<u64>()];
    (0..13, bits(), bits(), coding(), value).prop_map(|(kind, width, lsb, coding, value)| match kind {
        0..3 => Piece::Fixed { width, value },
        3 => Piece::Any { width },
        4 => Piece::Axis { width },
        5 => Piece::Address { width },
        6 => Piece::Data { lsb, width },
        7 => Piece::DataByRegister,
        8 => Piece::Direction { positive: value & 1 == 1 },
        9 => Piece::Velocity { coding, lsb, width },
        10 => Piece::Distance { coding, lsb, width },
        11 => Piece::Position { coding, lsb: 0, width: coding.width },
        _ if value & 1 == 0 => Piece::Status { lsb, width },
        _ => Piece::Crc,
    })
}

fn pieces() -> impl Strategy<Value = &'static [Piece]> {
    vec(piece(), 0..6).prop_map(leaked)
}

fn parameter() -> impl Strategy<Value = Parameter> {
    prop_oneof![
        select(Parameter::PLAIN),
        (0u8..4).prop_map(Parameter::Custom),
        any::<u8>().prop_map(|index| Parameter::BackEmfSlope(CurveSegment::new(index))),
        (0u8..3).prop_map(|index| Parameter::BackEmfFrom(CurveSegment::of(MotionState::Standstill, index))),
    ]
}

prop_compose! {
    fn register()(
        parameter in parameter(), address in prop_oneof![0u16..8, any::<u16>()], coding in coding(), lsb in bits(),
        unit in select(Unit::ALL), axis in 0u8..3, reset in any::<u32>(), own_unit in any::<bool>(),
        at_zero in any::<bool>(),
    ) -> Register {
        let mut register = Register::new(parameter, address, coding.width).at_bit(if at_zero { 0 } else { lsb });
        register.coding = coding;
        register.axis = axis;
        register.reset = if at_zero { 0 } else { reset };
        if own_unit { register } else { register.unit(unit) }
    }
}

fn request() -> impl Strategy<Value = Request> {
    let source = (0..3, any::<u32>(), 0u32..4).prop_map(|(kind, code, small)| match kind {
        0 => Source::Code(if code & 1 == 0 { small } else { code }),
        1 => Source::Argument,
        _ => Source::Direction { positive: small, negative: code },
    });
    let write = (parameter(), source).prop_map(|(parameter, source)| Write { parameter, source });
    prop_oneof![
        3 => pieces().prop_map(Request::Word),
        1 => vec(write, 0..10).prop_map(|writes| Request::Writes(leaked(writes))),
    ]
}

prop_compose! {
    fn form()(verb in select(Verb::ALL), request in request(), reply in pieces()) -> CommandForm {
        CommandForm { request, ..CommandForm::word(verb, &[]).reply(reply) }
    }
}

prop_compose! {
    fn status()(
        bits in bits(),
        flags in vec((select(Flag::ALL), bits(), 0u8..2), 0..4),
        fields in vec((bits(), bits(), 0u8..2, any::<[u8; 4]>()), 0..3),
    ) -> StatusLayout {
        let flags = flags.into_iter().map(|(flag, bit, axis)| StatusBit::latched(flag, bit).axis(axis)).collect();
        let fields = fields
            .into_iter()
            .map(|(lsb, width, axis, codes)| MotionStateField::new(BitField::new(lsb, width), codes).axis(axis))
            .collect();
        StatusLayout::new(bits, leaked(flags)).motion_states(leaked(fields))
    }
}

prop_compose! {
    /// Sound wires half of the time, so that the check gets to what comes after them.
    fn layout()(
        unit_bits in bits(), filler in pieces(), idle in pieces(), fixed_word in any::<bool>(), sound in any::<bool>(),
        axes in 0u8..4, registers in vec(register(), 0..5), commands in vec(form(), 0..5), status in status(),
        counter_bits in bits(), resolutions in vec(any::<u16>(), 0..3), base in any::<bool>(),
    ) -> Layout {
        let mut wire = if fixed_word { FIXED.wire } else { LATCHED.wire };
        let mut layout = if fixed_word { FIXED } else { LATCHED };
        if !sound {
            (wire.unit_bits, wire.filler, wire.idle_reply) = (unit_bits, filler, idle);
            layout.axes = axes;
            layout.position = PositionCounter::new(counter_bits, leaked(resolutions));
            layout.status = status;
        }
        layout.wire = wire;
        let known = if base { layout.registers } else { &[] };
        layout.registers = leaked(known.iter().copied().chain(registers).collect());
        let known = if base { layout.commands } else { &[] };
        layout.commands = leaked(known.iter().copied().chain(commands).collect());
        layout
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1500))]

    #[test]
    fn the_check_of_any_layout_ends_without_a_panic(layout in layout(), devices in any::<usize>()) {
        let _ = layout.validate_for(devices);
        if let Err(flaw) = layout.validate() {
            let message = flaw.message();
            prop_assert_eq!(flaw.to_string(), message.as_str());
        }
    }
}

#[test]
fn thousands_of_pieces_are_counted_without_overflow() {
    let many: &[CommandForm] =
        leaked(Vec::from([CommandForm::word(Verb::PeekStatus, leaked([Piece::direction(true); 1024].into()))]));
    let flaw = Flaw::ArgumentForeign { command: "peek status", argument: "direction" };
    assert_eq!(LATCHED.commands(many).validate(), Err(flaw));
}
