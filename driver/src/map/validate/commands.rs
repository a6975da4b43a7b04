//! Commands: whole units, the arguments that each verb needs, addresses and data that fit, and no two alike.

use crate::units::Unit;

use super::super::coding::{Coding, Sign};
use super::super::flaw::Flaw;
use super::super::form::{CommandForm, Piece, Request, Source, Write};
use super::super::layout::Layout;
use super::super::register::{Access, Register};
use super::super::vocabulary::Verb;
use super::super::wire::Framing;
use super::{ok, refuse_if, status};

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
        ok!(distinct(layout, layout.wire.filler, "filler", Layout::word_of(form), name));
        let mut others = tail;
        while let [other, more @ ..] = others {
            refuse_if!(form.verb.id() == other.verb.id(), Flaw::CommandTwice { command: name });
            ok!(distinct(layout, Layout::word_of(form), name, Layout::word_of(other), other.verb.name()));
            ok!(distinct_writes(form, other));
            ok!(distinct_writes(other, form));
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
        Request::Writes(writes) => ok!(check_writes(layout, form, writes)),
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

/// The kinds of pieces counted, and the bits that parts of an argument have covered.
struct Tally {
    axis: u8,
    address: u8,
    direction: u8,
    data: u64,
    data_by_register: u8,
    velocity: u64,
    distance: u64,
    position: u64,
    status: u64,
    signed: bool,
    overlap: bool,
}

impl Tally {
    const fn of(pieces: &[Piece]) -> Self {
        let mut tally = Self {
            axis: 0,
            address: 0,
            direction: 0,
            data: 0,
            data_by_register: 0,
            velocity: 0,
            distance: 0,
            position: 0,
            status: 0,
            signed: false,
            overlap: false,
        };
        let mut rest = pieces;
        while let [piece, tail @ ..] = rest {
            match *piece {
                Piece::Axis { .. } => tally.axis = tally.axis.saturating_add(1),
                Piece::Address { .. } => tally.address = tally.address.saturating_add(1),
                Piece::Direction { .. } => tally.direction = tally.direction.saturating_add(1),
                Piece::DataByRegister => tally.data_by_register = tally.data_by_register.saturating_add(1),
                Piece::Data { lsb, width } => {
                    tally.overlap |= tally.data & bits(lsb, width) != 0;
                    tally.data |= bits(lsb, width);
                }
                Piece::Velocity { coding, lsb, width } => {
                    tally.overlap |= tally.velocity & bits(lsb, width) != 0;
                    tally.velocity |= bits(lsb, width);
                    tally.signed |= !matches!(coding.sign, Sign::Unsigned);
                }
                Piece::Distance { coding, lsb, width } => {
                    tally.overlap |= tally.distance & bits(lsb, width) != 0;
                    tally.distance |= bits(lsb, width);
                    tally.signed |= !matches!(coding.sign, Sign::Unsigned);
                }
                Piece::Position { lsb, width, .. } => {
                    tally.overlap |= tally.position & bits(lsb, width) != 0;
                    tally.position |= bits(lsb, width);
                }
                Piece::Status { lsb, width } => {
                    tally.overlap |= tally.status & bits(lsb, width) != 0;
                    tally.status |= bits(lsb, width);
                }
                Piece::Fixed { .. } | Piece::Any { .. } | Piece::Crc => {}
            }
            rest = tail;
        }
        tally
    }

    const fn has_data(&self) -> bool {
        self.data != 0 || self.data_by_register > 0
    }
}

const fn bits(lsb: u8, width: u8) -> u64 {
    low_bits(width) << (lsb & 63)
}

const fn low_bits(width: u8) -> u64 {
    if width >= 64 { u64::MAX } else { (1 << width) - 1 }
}

const fn is_run_from_zero(bits: u64) -> bool {
    bits & bits.wrapping_add(1) == 0
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
    ok!(expect(name, "velocity", (tally.velocity != 0) as u32, matches!(form.verb, Verb::MoveVelocity)));
    ok!(expect(name, "distance", (tally.distance != 0) as u32, matches!(form.verb, Verb::MoveRelative)));
    ok!(expect(name, "target position", (tally.position != 0) as u32, matches!(form.verb, Verb::MoveAbsolute(_))));
    let needs_direction = matches!(form.verb, Verb::MoveVelocity | Verb::MoveRelative) && !tally.signed;
    ok!(expect(name, "direction", tally.direction as u32, needs_direction));
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

const fn expect(command: &'static str, argument: &'static str, found: u32, wanted: bool) -> Result<(), Flaw> {
    refuse_if!(wanted && found == 0, Flaw::ArgumentMissing { command, argument });
    refuse_if!(!wanted && found > 0, Flaw::ArgumentForeign { command, argument });
    refuse_if!(found > 1, Flaw::ArgumentTwice { command, argument });
    Ok(())
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
    let mut registers = layout.registers;
    while let [register, tail @ ..] = registers {
        registers = tail;
        if only_writable && !layout.is_writable(register.address) {
            continue;
        }
        let mut rest = pieces;
        while let [piece, more @ ..] = rest {
            if let Piece::Address { width } = *piece {
                refuse_if!(
                    register.address as u64 > low_bits(width),
                    Flaw::AddressWidth { command, register: register.name }
                );
            }
            rest = more;
        }
        refuse_if!(
            tally.data != 0 && tally.data < low_bits(layout.content_bits(register.address)),
            Flaw::DataWidth { command, register: register.name }
        );
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
                refuse_if!(fixed, Flaw::WordLength { command });
            }
            Piece::Velocity { coding, lsb, width }
            | Piece::Distance { coding, lsb, width }
            | Piece::Position { coding, lsb, width } => {
                let unit = match *piece {
                    Piece::Velocity { .. } => Unit::StepsPerSecond,
                    _ => Unit::Microsteps,
                };
                let (min, max) = coding.limits(unit);
                refuse_if!(!coding.is_sound() || min > max, Flaw::Coding { of: command });
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
    let unit = layout.wire.unit_bits as u16;
    let total = Piece::total_width(pieces, 0);
    let units = match (total.checked_div(unit), total.checked_rem(unit)) {
        (Some(units), Some(0)) => units,
        _ => return Err(Flaw::WordLength { command }),
    };
    let by_register = Piece::has_data_by_register(pieces);
    refuse_if!(units == 0 && !by_register && !reply, Flaw::WordLength { command });
    refuse_if!(matches!(layout.wire.framing, Framing::FixedWord) && units > 1, Flaw::WordLength { command });
    refuse_if!(units > 64, Flaw::WordLength { command });
    Ok(())
}

const fn check_writes(layout: &Layout, form: &CommandForm, writes: &[Write]) -> Result<(), Flaw> {
    let command = form.verb.name();
    let is_itself_a_word = form.verb.takes_address() || matches!(form.verb, Verb::PeekStatus | Verb::TakeStatus);
    refuse_if!(is_itself_a_word || !form.reply.is_empty(), Flaw::NotByWrites { command });
    refuse_if!(writes.is_empty() || writes.len() > 8, Flaw::WordLength { command });
    refuse_if!(layout.form(Verb::WriteParameter).is_none(), Flaw::WriteNoForm { command });
    let (mut arguments, mut directions, mut signed) = (0, 0, false);
    let mut rest = writes;
    while let [write, tail @ ..] = rest {
        let mut axis = 0;
        while axis < layout.axes {
            let Some(register) = layout.register(write.parameter, axis) else {
                return Err(Flaw::WriteUnknown { command, parameter: write.parameter });
            };
            ok!(check_write(layout, form, write, register));
            // A register that the device has once would move its first axis, or all of them.
            refuse_if!(register.axis != axis, Flaw::ArgumentMissing { command, argument: "axis" });
            signed |= matches!(write.source, Source::Argument) && !matches!(register.coding.sign, Sign::Unsigned);
            axis += 1;
        }
        match write.source {
            Source::Argument => arguments += 1,
            Source::Direction { .. } => directions += 1,
            Source::Code(_) => {}
        }
        rest = tail;
    }
    ok!(expect(command, "argument", arguments, form.verb.takes_argument()));
    let needs_direction = matches!(form.verb, Verb::MoveVelocity | Verb::MoveRelative) && !signed;
    ok!(expect(command, "direction", directions, needs_direction));
    if let [before @ .., last] = writes {
        refuse_if!(occurs(last, before), Flaw::SetsGoingEarly { command });
    }
    Ok(())
}

const fn check_write(layout: &Layout, form: &CommandForm, write: &Write, register: &Register) -> Result<(), Flaw> {
    let command = form.verb.name();
    let register_name = register.name;
    refuse_if!(matches!(register.access, Access::ReadOnly), Flaw::WriteReadOnly { command, register: register_name });
    let fits = match write.source {
        Source::Code(code) => register.value_of(code).is_ok(),
        Source::Direction { positive, negative } => {
            positive != negative && register.value_of(positive).is_ok() && register.value_of(negative).is_ok()
        }
        Source::Argument => true,
    };
    refuse_if!(
        !fits || layout.is_shared(register.address) || register.lsb != 0,
        Flaw::WriteShared { command, register: register_name }
    );
    if matches!(write.source, Source::Argument) {
        let same_unit = match form.verb {
            Verb::MoveVelocity => matches!(register.unit, Unit::StepsPerSecond),
            _ => matches!(register.unit, Unit::Microsteps),
        };
        refuse_if!(!same_unit, Flaw::WriteUnit { command, register: register_name });
        let (min, _) = register.coding.limits(register.unit);
        refuse_if!(matches!(form.verb, Verb::MoveAbsolute(_)) && min >= 0, Flaw::PositionRange { of: register_name });
    }
    Ok(())
}

/// A write that sets one command going must not occur in another, neither at its end nor on the way.
const fn distinct_writes(first: &CommandForm, second: &CommandForm) -> Result<(), Flaw> {
    let (Request::Writes([.., last]), Request::Writes(writes)) = (first.request, second.request) else {
        return Ok(());
    };
    refuse_if!(occurs(last, writes), Flaw::OpcodeShadowed { first: first.verb.name(), second: second.verb.name() });
    Ok(())
}

/// Whether one of the writes may be the same as this one.
const fn occurs(wanted: &Write, writes: &[Write]) -> bool {
    let mut rest = writes;
    while let [write, tail @ ..] = rest {
        let alike = match (wanted.source, write.source) {
            (Source::Code(a), Source::Code(b)) => a == b,
            _ => true,
        };
        if alike && wanted.parameter.same(write.parameter) {
            return true;
        }
        rest = tail;
    }
    false
}

/// Two words can be told apart: some bit is known in both, and differs, before either ends.
const fn distinct(
    layout: &Layout,
    first: &[Piece],
    first_name: &'static str,
    second: &[Piece],
    second_name: &'static str,
) -> Result<(), Flaw> {
    let flaw = Flaw::OpcodeShadowed { first: first_name, second: second_name };
    if first.is_empty() || second.is_empty() || differ(first, second, None) {
        return Ok(());
    }
    // Not by their fixed bits alone: only an address that no register has can still tell them apart. Two words that
    // both have an address are alike for the address that they have in common.
    let addressed = Tally::of(first).address != Tally::of(second).address;
    refuse_if!(!addressed || layout.registers.is_empty(), flaw);
    let mut rest = layout.registers;
    while let [register, tail @ ..] = rest {
        refuse_if!(!differ(first, second, Some(register.address)), flaw);
        rest = tail;
    }
    Ok(())
}

const fn differ(first: &[Piece], second: &[Piece], address: Option<u16>) -> bool {
    let (mut first, mut second) = (Known::new(first, address), Known::new(second, address));
    loop {
        match (first.next_bit(), second.next_bit()) {
            (Some(Bit::Known(a)), Some(Bit::Known(b))) if a != b => return true,
            (Some(_), Some(_)) => {}
            _ => return false,
        }
    }
}

enum Bit {
    Known(bool),
    Open,
}

/// Walks the bits of a word and tells those that are the same in every such word.
struct Known<'a> {
    rest: &'a [Piece],
    address: Option<u16>,
    taken: u16,
}

impl<'a> Known<'a> {
    const fn new(pieces: &'a [Piece], address: Option<u16>) -> Self {
        Self { rest: pieces, address, taken: 0 }
    }

    const fn next_bit(&mut self) -> Option<Bit> {
        let [piece, tail @ ..] = self.rest else {
            return None;
        };
        let width = piece.width(0);
        // What comes after data of unknown length is at no known place.
        if width == 0 {
            return None;
        }
        let shift = (width - 1 - self.taken) as u32;
        let bit = match (*piece, self.address) {
            (Piece::Fixed { value, .. }, _) => Bit::Known(value >> shift & 1 == 1),
            (Piece::Address { .. }, Some(address)) => Bit::Known(address as u64 >> shift & 1 == 1),
            _ => Bit::Open,
        };
        self.taken += 1;
        if self.taken == width {
            self.rest = tail;
            self.taken = 0;
        }
        Some(bit)
    }
}
