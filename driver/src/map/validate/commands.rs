//! Commands: whole units, the arguments that each verb needs, addresses and data that fit, and no two alike.

use crate::units::Unit;

use super::super::coding::Coding;
use super::super::flaw::Flaw;
use super::super::form::{CommandForm, Piece, Request};
use super::super::layout::Layout;
use super::super::register::Access;
use super::super::vocabulary::{BufferMode, Verb};
use super::super::wire::Framing;
use super::tally::{Tally, expect, is_run_from_zero, low_bits};
use super::{distinct, ok, refuse_if, status, writes};

pub(super) const fn check(layout: &Layout) -> Result<(), Flaw> {
    // Each by itself first: to compare two, the bits of both must be known to be sound.
    let mut rest = layout.commands;
    while let [form, tail @ ..] = rest {
        ok!(one(layout, form));
        rest = tail;
    }
    let mut rest = layout.commands;
    while let [form, tail @ ..] = rest {
        let name = form.verb.name();
        ok!(distinct::words(layout, layout.wire.filler, "filler", Layout::word_of(form), name));
        let mut others = tail;
        while let [other, more @ ..] = others {
            let alike = form.verb.id() == other.verb.id() && form.buffer_mode as u8 == other.buffer_mode as u8;
            refuse_if!(alike, Flaw::CommandTwice { command: name });
            ok!(distinct::words(layout, Layout::word_of(form), name, Layout::word_of(other), other.verb.name()));
            ok!(writes::distinct(form, other));
            ok!(writes::distinct(other, form));
            others = more;
        }
        rest = tail;
    }
    Ok(())
}

const fn one(layout: &Layout, form: &CommandForm) -> Result<(), Flaw> {
    let name = form.verb.name();
    match form.request {
        Request::Word(pieces) => ok!(check_word(layout, form, pieces)),
        Request::Writes(writes) => ok!(writes::check(layout, form, writes)),
    }
    ok!(check_pieces(layout, form.reply, name, true));
    ok!(check_length(layout, form.reply, name, true));
    check_reply(layout, form)
}

impl Layout {
    /// The pieces of a request, empty for one that is a sequence of writes.
    const fn word_of(form: &CommandForm) -> &'static [Piece] {
        match form.request {
            Request::Word(pieces) => pieces,
            Request::Writes(_) => &[],
        }
    }
}

const fn check_word(layout: &Layout, form: &CommandForm, pieces: &[Piece]) -> Result<(), Flaw> {
    let name = form.verb.name();
    ok!(check_pieces(layout, pieces, name, false));
    ok!(check_length(layout, pieces, name, false));
    refuse_if!(data_leads_address(pieces), Flaw::DataBeforeAddress { command: name });
    refuse_if!(lacks_check(layout, pieces), Flaw::CrcLeftOut { command: name });
    let tally = Tally::of(pieces);
    ok!(expect(name, "address", tally.address as u32, form.verb.takes_address()));
    ok!(expect(name, "data", tally.has_data() as u32, matches!(form.verb, Verb::WriteParameter)));
    refuse_if!(
        tally.data_by_register > 1 || tally.data_by_register > 0 && tally.data != 0,
        Flaw::ArgumentTwice { command: name, argument: "data" }
    );
    let in_steps = matches!(form.verb.argument(), Some(Unit::StepsPerSecond));
    let has_velocity = tally.velocity != 0;
    let wants_velocity = in_steps && (has_velocity || !form.verb.argument_is_optional());
    ok!(expect(name, "velocity", has_velocity as u32, wants_velocity));
    ok!(expect(name, "distance", (tally.distance != 0) as u32, matches!(form.verb, Verb::MoveRelative)));
    ok!(expect(name, "target position", (tally.position != 0) as u32, matches!(form.verb, Verb::MoveAbsolute(_))));
    ok!(expect(name, "direction", tally.direction as u32, form.verb.is_directed() && !tally.signed));
    refuse_if!(
        matches!(form.buffer_mode, BufferMode::Buffered) && !form.verb.is_motion(),
        Flaw::NotBuffered { command: name }
    );
    let needs_axis = layout.axes > 1 && form.verb.is_of_one_axis();
    refuse_if!(needs_axis && tally.axis == 0, Flaw::ArgumentMissing { command: name, argument: "axis" });
    refuse_if!(tally.axis > 1, Flaw::ArgumentTwice { command: name, argument: "axis" });
    let is_write = matches!(form.verb, Verb::WriteParameter);
    check_registers_fit(layout, pieces, &tally, name, is_write)
}

/// Whether data of a length that hangs on the address stands in front of it: the device could not tell where they end.
const fn data_leads_address(pieces: &[Piece]) -> bool {
    let mut leads = false;
    let mut rest = pieces;
    while let [piece, tail @ ..] = rest {
        match piece {
            Piece::DataByRegister => leads = true,
            Piece::Address { .. } => return leads,
            _ => {}
        }
        rest = tail;
    }
    false
}

/// Whether a word lacks the wire's check. In latched units a check may end some commands and not others; fixed words
/// are checked before anything tells them apart.
pub(super) const fn lacks_check(layout: &Layout, pieces: &[Piece]) -> bool {
    let checked = matches!(pieces, [.., Piece::Crc]);
    layout.wire.crc.is_some() && matches!(layout.wire.framing, Framing::FixedWord) && !checked
}

/// Every register's address fits an address piece, and its content the data pieces, if there are any; for a write only
/// what can be written.
const fn check_registers_fit(
    layout: &Layout,
    pieces: &[Piece],
    tally: &Tally,
    command: &'static str,
    only_writable: bool,
) -> Result<(), Flaw> {
    if tally.address == 0 && tally.data == 0 {
        return Ok(());
    }
    let mut narrowest = 64;
    let mut rest = pieces;
    while let [piece, tail @ ..] = rest {
        if let Piece::Address { width } = *piece
            && width < narrowest
        {
            narrowest = width;
        }
        rest = tail;
    }
    let mut rest = layout.registers;
    while let [register, tail @ ..] = rest {
        rest = tail;
        // What is only read may share its address with what is written.
        let is_only_read = matches!(register.access, Access::ReadOnly) && !layout.is_writable(register.address);
        if only_writable && is_only_read {
            continue;
        }
        let name = register.name;
        if register.address as u64 > low_bits(narrowest) {
            let expected = (u16::BITS - register.address.leading_zeros()) as u8;
            return Err(Flaw::AddressWidth { command, register: name, found: narrowest, expected });
        }
        let expected = register.lsb + register.coding.width;
        if tally.data != 0 && tally.data < low_bits(expected) {
            let found = tally.data.count_ones() as u8;
            return Err(Flaw::DataWidth { command, register: name, found, expected });
        }
    }
    Ok(())
}

const fn check_reply(layout: &Layout, form: &CommandForm) -> Result<(), Flaw> {
    let command = form.verb.name();
    let tally = Tally::of(form.reply);
    if !form.verb.takes_address() {
        refuse_if!(tally.has_data(), Flaw::ArgumentForeign { command, argument: "data in its reply" });
        refuse_if!(tally.address > 0, Flaw::ArgumentForeign { command, argument: "register's address in its reply" });
    }
    refuse_if!(
        tally.data_by_register > 1 || tally.data_by_register > 0 && tally.data != 0,
        Flaw::ArgumentTwice { command, argument: "data in its reply" }
    );
    let lacks = match form.verb {
        Verb::ReadParameter => !tally.has_data(),
        Verb::PeekStatus => tally.status == 0,
        // What taking clears is told nowhere else.
        Verb::TakeStatus => tally.status == 0 || status::cleared_by_taking(layout) & !tally.status != 0,
        _ => false,
    };
    refuse_if!(lacks, Flaw::ReplyMissing { command });
    check_registers_fit(layout, form.reply, &tally, command, false)
}

/// What holds for any list of pieces: widths, fixed values, parts that make a whole, the check at the end.
pub(super) const fn check_pieces(
    layout: &Layout,
    pieces: &[Piece],
    command: &'static str,
    reply: bool,
) -> Result<(), Flaw> {
    let mut rest = pieces;
    while let [piece, tail @ ..] = rest {
        rest = tail;
        match *piece {
            Piece::Fixed { width, value } => {
                refuse_if!(width == 0 || width > 64, Flaw::PieceWidth { command });
                refuse_if!(value > low_bits(width), Flaw::FixedValue { command });
            }
            Piece::Any { width } => refuse_if!(width == 0 || width > 64, Flaw::PieceWidth { command }),
            Piece::Axis { width } => {
                let fits = width > 0 && width <= 8 && layout.axes as u64 - 1 <= low_bits(width);
                refuse_if!(!fits, Flaw::PieceWidth { command });
            }
            Piece::Address { width } => refuse_if!(width == 0 || width > 16, Flaw::PieceWidth { command }),
            Piece::Data { lsb, width } => {
                refuse_if!(width == 0 || lsb as u16 + width as u16 > 64, Flaw::PieceWidth { command });
            }
            Piece::DataByRegister => {
                let fixed = matches!(layout.wire.framing, Framing::FixedWord);
                refuse_if!(fixed, Flaw::DataByRegister { command });
            }
            Piece::Velocity { coding, lsb, width }
            | Piece::Distance { coding, lsb, width }
            | Piece::Position { coding, lsb, width } => {
                let unit = match *piece {
                    Piece::Velocity { .. } => Unit::StepsPerSecond,
                    _ => Unit::Microsteps,
                };
                if let Err(why) = coding.check() {
                    return Err(Flaw::Coding { of: command, why });
                }
                let (min, max) = coding.limits(unit);
                refuse_if!(min > max, Flaw::NoValue { of: command, unit });
                // The counter has a sign, so its places have one.
                refuse_if!(matches!(piece, Piece::Position { .. }) && min >= 0, Flaw::PositionRange { of: command });
                let fits = width > 0 && lsb as u16 + width as u16 <= coding.width as u16;
                refuse_if!(!fits, Flaw::PieceWidth { command });
                refuse_if!(!parts_are_whole(pieces, piece, &coding), Flaw::Parts { command });
                refuse_if!(reply, Flaw::ArgumentForeign { command, argument: "argument in its reply" });
            }
            Piece::Direction { .. } => {
                refuse_if!(reply, Flaw::ArgumentForeign { command, argument: "direction in its reply" });
            }
            Piece::Status { lsb, width } => {
                let fits = width > 0 && lsb as u16 + width as u16 <= layout.status.bits as u16;
                refuse_if!(!fits, Flaw::PieceWidth { command });
                refuse_if!(!reply, Flaw::ArgumentForeign { command, argument: "status in its request" });
            }
            Piece::Crc => {
                refuse_if!(layout.wire.crc.is_none(), Flaw::CrcMissing { command });
                refuse_if!(!tail.is_empty(), Flaw::CrcNotLast { command });
            }
        }
    }
    let tally = Tally::of(pieces);
    refuse_if!(tally.overlap || !is_run_from_zero(tally.data), Flaw::Parts { command });
    Ok(())
}

/// Whether the parts of the argument that `piece` belongs to make one code of `coding`.
const fn parts_are_whole(pieces: &[Piece], piece: &Piece, coding: &Coding) -> bool {
    let mut rest = pieces;
    while let [part, tail @ ..] = rest {
        let same = match (piece, part) {
            (Piece::Velocity { .. }, Piece::Velocity { coding: other, .. })
            | (Piece::Distance { .. }, Piece::Distance { coding: other, .. })
            | (Piece::Position { .. }, Piece::Position { coding: other, .. }) => coding.same(other),
            _ => true,
        };
        if !same {
            return false;
        }
        rest = tail;
    }
    let tally = Tally::of(pieces);
    let covered = match piece {
        Piece::Velocity { .. } => tally.velocity,
        Piece::Distance { .. } => tally.distance,
        _ => tally.position,
    };
    covered == low_bits(coding.width)
}

/// Whole units, and exactly one with fixed words.
const fn check_length(layout: &Layout, pieces: &[Piece], command: &'static str, reply: bool) -> Result<(), Flaw> {
    let unit_bits = layout.wire.unit_bits;
    let bits = Piece::total_width(pieces, 0);
    let of = if reply { "reply" } else { "request" };
    let is_fixed = matches!(layout.wire.framing, Framing::FixedWord);
    let units = match (bits.checked_div(unit_bits as u16), bits.checked_rem(unit_bits as u16)) {
        (Some(units), Some(0)) => units,
        _ if is_fixed => return Err(Flaw::NotOneWord { command, of, bits, word_bits: unit_bits }),
        _ => return Err(Flaw::NotWholeUnits { command, of, bits, unit_bits }),
    };
    let by_register = Piece::has_data_by_register(pieces);
    refuse_if!(units == 0 && !by_register && !reply, Flaw::RequestEmpty { command });
    refuse_if!(is_fixed && units > 1, Flaw::NotOneWord { command, of, bits, word_bits: unit_bits });
    refuse_if!(units > 64, Flaw::TooManyUnits { command, of, units });
    Ok(())
}
