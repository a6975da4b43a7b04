//! Commands drawn by lot: opcodes that differ, options apart or not, arguments whole or in parts, or register writes.

use stepchain::map::{
    BridgeState, BufferMode, Coding, CommandForm, EdgeAction, Encoding, Framing, Parameter, Piece, Refusal, Register,
    Sign, StopRamp, Verb, Way, Write,
};
use stepchain::units::Unit;

use super::registers::{DISTANCE, MOTION, RAMP, STOP, TURN};
use super::words::{Draft, argument, parts, some_status};
use super::{Home, Style, coding};
use crate::dice::Dice;

/// The commands of a map before they are padded, and its filler.
#[derive(Debug)]
pub(super) struct Plan {
    pub(super) filler: Draft,
    forms: Vec<Form>,
}

#[derive(Debug)]
struct Form {
    verb: Verb,
    buffer_mode: BufferMode,
    request: Request,
    reply: Draft,
    refusal: Refusal,
}

#[derive(Debug)]
enum Request {
    Word(Draft),
    Writes(Vec<Write>),
}

impl Plan {
    /// The fewest bits that every word of this plan fits into.
    pub(super) fn most_bits(&self) -> u8 {
        let requests = self.forms.iter().map(|form| match &form.request {
            Request::Word(draft) => draft.bits(),
            Request::Writes(_) => 0,
        });
        let replies = self.forms.iter().map(|form| form.reply.bits());
        // What does not fit into 64 bits is for `validate` to refuse.
        requests.chain(replies).chain([self.filler.bits()]).max().unwrap_or(1).clamp(1, 64) as u8
    }

    pub(super) fn commands(self, dice: &mut Dice, unit_bits: u8) -> (&'static [Piece], &'static [CommandForm]) {
        let mut filler = self.filler;
        filler.crc &= filler.bits() <= u16::from(unit_bits);
        let filler = filler.pieces(dice, unit_bits);
        let mut forms = Vec::new();
        for form in self.forms {
            let drawn = match form.request {
                Request::Word(draft) => CommandForm::word(form.verb, draft.pieces(dice, unit_bits)),
                Request::Writes(writes) => CommandForm::writes(form.verb, writes.leak()),
            };
            let drawn = drawn.reply(form.reply.pieces(dice, unit_bits)).refused(form.refusal);
            forms.push(match form.buffer_mode {
                BufferMode::Aborting => drawn,
                BufferMode::Buffered => drawn.buffered(),
            });
        }
        dice.shuffle(&mut forms);
        (filler, forms.leak())
    }
}

pub(super) fn draw(dice: &mut Dice, style: &Style, registers: &[Register]) -> Plan {
    let content_bits = registers.iter().map(|register| register.lsb + register.coding.width).max().unwrap_or(1);
    let address_bits = registers.iter().map(|register| 16 - register.address.leading_zeros() as u8).max().unwrap_or(1);
    // One more bit, so that there are addresses of no register.
    let address_bits = dice.between(u64::from(address_bits) + 1, u64::from(address_bits) + 2) as u8;
    let access = Access { address_bits, content_bits };
    if style.told_by_address && address_bits < style.unit_bits {
        told_by_address(dice, style, registers, access)
    } else {
        told_by_opcode(dice, style, registers, access)
    }
}

#[derive(Clone, Copy)]
struct Access {
    address_bits: u8,
    content_bits: u8,
}

/// Hands out opcodes, none twice, none that begins like the filler.
struct Opcodes {
    width: u8,
    free: Vec<u64>,
}

impl Opcodes {
    fn take(&mut self) -> Piece {
        Piece::fixed(self.width, self.free.pop().unwrap_or(0))
    }
}

/// One bit for reading or writing, then an address; what is no register has an address of its own.
fn told_by_address(dice: &mut Dice, style: &Style, registers: &[Register], access: Access) -> Plan {
    let write_level = dice.below(2);
    let mut free: Vec<u64> = (0..1 << access.address_bits).collect();
    free.retain(|address| registers.iter().all(|register| u64::from(register.address) != *address));
    dice.shuffle(&mut free);
    let mut own = |dice: &mut Dice| {
        let at = Piece::fixed(access.address_bits, free.pop().unwrap_or(0));
        vec![Piece::fixed(1, dice.below(2)), at]
    };
    let filler = Draft { head: own(dice), body: Vec::new(), crc: style.crc.is_some() };
    let (peek, take) = (own(dice), own(dice));
    let read = vec![Piece::fixed(1, 1 - write_level), Piece::address(access.address_bits)];
    let write = vec![Piece::fixed(1, write_level), Piece::address(access.address_bits)];
    let mut forms = access_forms(dice, style, access, [read, write, peek, take]);
    forms.extend(motion_by_writes(dice, style, registers));
    forms.extend(stops_by_writes(dice, style));
    forms.extend(home_by_writes(dice, style));
    Plan { filler, forms }
}

fn told_by_opcode(dice: &mut Dice, style: &Style, registers: &[Register], access: Access) -> Plan {
    let (filler, mut opcodes) = opcodes(dice, style);
    let (peek, take) = if dice.chance(2) {
        // One opcode and an option bit.
        let opcode = opcodes.take();
        (vec![opcode, Piece::fixed(1, 0)], vec![opcode, Piece::fixed(1, 1)])
    } else {
        (vec![opcodes.take()], vec![opcodes.take()])
    };
    let mut read = vec![opcodes.take()];
    let mut write = vec![opcodes.take()];
    for head in [&mut read, &mut write] {
        head.push(Piece::address(access.address_bits));
        if dice.chance(2) {
            head.insert(1, Piece::any(dice.between(1, 2) as u8));
        }
    }
    let mut forms = access_forms(dice, style, access, [read, write, peek, take]);
    if style.motion_by_writes {
        forms.extend(motion_by_writes(dice, style, registers));
    } else {
        forms.extend(motion_by_words(dice, style, &mut opcodes));
    }
    if style.stops_by_writes {
        forms.extend(stops_by_writes(dice, style));
    } else {
        forms.extend(stops_by_words(dice, style, &mut opcodes));
    }
    if style.home == Home::Word {
        let word = word(dice, style, vec![opcodes.take()], Vec::new(), true);
        forms.push(form(dice, style, Verb::HomeOnCurrentPosition, Request::Word(word)));
    } else {
        forms.extend(home_by_writes(dice, style));
    }
    Plan { filler, forms }
}

fn opcodes(dice: &mut Dice, style: &Style) -> (Draft, Opcodes) {
    // Never more than one for each verb in each buffer mode; the filler takes that of a verb that cannot wait.
    let needed = 2 * Verb::ALL.len();
    let mut width = dice.between(5, 8) as u8;
    loop {
        let mut free: Vec<u64> = (0..1 << width).collect();
        dice.shuffle(&mut free);
        let filler = free.pop().unwrap_or(0);
        // A unit shorter than an opcode is told by its own few bits.
        let short = width.saturating_sub(style.unit_bits);
        free.retain(|code| code >> short != filler >> short);
        if free.len() >= needed {
            let head = vec![Piece::fixed(width - short, filler >> short)];
            let crc = style.crc.is_some() && width + 8 <= style.unit_bits;
            return (Draft { head, body: Vec::new(), crc }, Opcodes { width, free });
        }
        width += 1;
    }
}

/// Reading and writing registers and the status; the heads come in this order: read, write, peek, take.
fn access_forms(dice: &mut Dice, style: &Style, access: Access, heads: [Vec<Piece>; 4]) -> Vec<Form> {
    let [read, write, peek, take] = heads;
    let fixed = style.framing == Framing::FixedWord;
    let data_bits = dice.between(u64::from(access.content_bits), u64::from(access.content_bits) + 2).min(32) as u8;
    let by_register = |dice: &mut Dice| !fixed && dice.chance(2);
    let data = |dice: &mut Dice| {
        if by_register(dice) { vec![Piece::DataByRegister] } else { parts(dice, data_bits, Piece::data_part) }
    };
    let echo = |dice: &mut Dice| {
        let mut body = data(dice);
        if dice.chance(2) {
            body.push(Piece::address(access.address_bits));
        }
        let room = 64 - 8 - u16::from(data_bits) - u16::from(access.address_bits);
        body.extend(some_status(dice, style, room));
        Draft { head: Vec::new(), body, crc: style.crc.is_some() && !dice.chance(4) }
    };
    let request = word(dice, style, read, Vec::new(), false);
    let mut read = form(dice, style, Verb::ReadParameter, Request::Word(request));
    read.reply = echo(dice);
    let body = data(dice);
    let request = word(dice, style, write, body, false);
    let mut write = form(dice, style, Verb::WriteParameter, Request::Word(request));
    if dice.chance(3) {
        write.reply = echo(dice);
    }
    let mut forms = vec![read, write];
    for (verb, head) in [(Verb::PeekStatus, peek), (Verb::TakeStatus, take)] {
        let request = word(dice, style, head, Vec::new(), false);
        let mut form = form(dice, style, verb, Request::Word(request));
        let body = parts(dice, style.status_bits, |lsb, width| Piece::status(width).part(lsb, width));
        form.reply = Draft { head: Vec::new(), body, crc: style.crc.is_some() && !dice.chance(4) };
        form.refusal = Refusal::NEVER;
        forms.push(form);
    }
    forms
}

/// A request; with the axis somewhere, if it is of one axis and there are several, and now and then if not.
fn word(dice: &mut Dice, style: &Style, head: Vec<Piece>, mut body: Vec<Piece>, of_one_axis: bool) -> Draft {
    if of_one_axis && (style.axes > 1 || dice.chance(8)) {
        body.push(Piece::axis(dice.between(2, 3) as u8));
    }
    // Fixed words are checked before anything tells them apart.
    let fixed = style.framing == Framing::FixedWord;
    Draft { head, body, crc: style.crc.is_some() && (fixed || !dice.chance(8)) }
}

/// A form with a reply of no importance, or none, and some refusals.
fn form(dice: &mut Dice, style: &Style, verb: Verb, request: Request) -> Form {
    let mut reply = Draft::default();
    if matches!(request, Request::Word(_)) && !verb.takes_address() && dice.chance(3) {
        reply.body = some_status(dice, style, 16);
        if dice.chance(2) {
            let width = dice.between(1, 8) as u8;
            reply.body.push(Piece::fixed(width, dice.bits(width)));
        }
        if verb.is_of_one_axis() && dice.chance(3) {
            reply.body.push(Piece::axis(2));
        }
        reply.crc = style.crc.is_some() && !reply.body.is_empty();
    }
    let mut refusal = Refusal::NEVER;
    if verb == Verb::RestoreDefaults {
        refusal.while_moving = dice.chance(2);
    }
    if verb.is_of_one_axis() && !matches!(verb, Verb::Stop(..)) {
        refusal.while_moving = dice.chance(3);
        refusal.while_bridge_off = dice.chance(4);
        refusal.while_faulted = dice.chance(3);
    }
    Form { verb, buffer_mode: BufferMode::Aborting, request, reply, refusal }
}

/// The same command so that it waits for the one that is being carried out.
fn buffered(dice: &mut Dice, style: &Style, verb: Verb, request: Request) -> Form {
    let mut form = form(dice, style, verb, request);
    form.buffer_mode = BufferMode::Buffered;
    form.refusal.while_moving = false;
    form
}

/// What not every device can do, each with a chance of its own.
fn others(dice: &mut Dice) -> Vec<Verb> {
    let rare = [
        Verb::ReturnToZero,
        Verb::ReturnToProbedPosition,
        Verb::SearchForSwitch(EdgeAction::Probe),
        Verb::SearchForSwitch(EdgeAction::Zero),
        Verb::SearchForZero(EdgeAction::Probe),
        Verb::SearchForZero(EdgeAction::Zero),
        Verb::PulseInput,
        Verb::RestoreDefaults,
        Verb::ResetNode,
        Verb::FaultReset,
    ];
    rare.into_iter().filter(|_| dice.chance(3)).collect()
}

fn ways(dice: &mut Dice) -> Vec<Way> {
    let mut ways = vec![Way::Shortest];
    ways.extend([Way::Positive, Way::Negative].into_iter().filter(|_| dice.chance(2)));
    ways
}

fn motion_by_words(dice: &mut Dice, style: &Style, opcodes: &mut Opcodes) -> Vec<Form> {
    let width = dice.between(6, u64::from(style.code_bits)) as u8;
    let signed = dice.chance(2);
    let velocity = coding::draw(dice, Unit::StepsPerSecond, width, signed);
    let body = argument(dice, Piece::velocity, velocity, !signed);
    let request = word(dice, style, vec![opcodes.take()], body, true);
    let mut forms = vec![form(dice, style, Verb::MoveVelocity, Request::Word(request))];

    let signed = dice.chance(2);
    let distance = coding::draw(dice, Unit::Microsteps, style.counter_bits, signed);
    let body = argument(dice, Piece::distance, distance, !signed);
    let request = word(dice, style, vec![opcodes.take()], body, true);
    forms.push(form(dice, style, Verb::MoveRelative, Request::Word(request)));
    if dice.chance(3) {
        let body = argument(dice, Piece::distance, distance, !signed);
        let request = word(dice, style, vec![opcodes.take()], body, true);
        forms.push(buffered(dice, style, Verb::MoveRelative, Request::Word(request)));
    }

    let position = if dice.chance(3) {
        coding::draw(dice, Unit::Microsteps, style.counter_bits, true)
    } else {
        Coding::signed(style.counter_bits, Encoding::Raw)
    };
    let option = dice.chance(2).then(|| (opcodes.take(), dice.between(2, 4) as u8));
    let codes = option.map_or(Vec::new(), |(_, width)| dice.distinct(3, width));
    for (at, way) in ways(dice).into_iter().enumerate() {
        let head = match option {
            Some((opcode, width)) => vec![opcode, Piece::fixed(width, codes[at])],
            None => vec![opcodes.take()],
        };
        let body = argument(dice, Piece::position, position, false);
        let request = word(dice, style, head, body, true);
        forms.push(form(dice, style, Verb::MoveAbsolute(way), Request::Word(request)));
        if dice.chance(4) {
            let body = argument(dice, Piece::position, position, false);
            let request = word(dice, style, vec![opcodes.take()], body, true);
            forms.push(buffered(dice, style, Verb::MoveAbsolute(way), Request::Word(request)));
        }
    }
    for verb in others(dice) {
        let body = match verb {
            Verb::PulseInput => vec![Piece::direction(dice.chance(2))],
            Verb::SearchForZero(_) if dice.chance(2) => vec![Piece::direction(dice.chance(2))],
            Verb::SearchForSwitch(_) | Verb::SearchForZero(_) => {
                let signed = dice.chance(2);
                let velocity = coding::draw(dice, Unit::StepsPerSecond, width, signed);
                argument(dice, Piece::velocity, velocity, !signed)
            }
            _ => Vec::new(),
        };
        let request = word(dice, style, vec![opcodes.take()], body, verb.is_of_one_axis());
        forms.push(form(dice, style, verb, Request::Word(request)));
    }
    forms
}

const BRIDGES: [BridgeState; 3] = [BridgeState::Driven, BridgeState::Shorted, BridgeState::HighImpedance];
const RAMPS: [StopRamp; 3] = [StopRamp::Profile, StopRamp::Quick, StopRamp::None];

fn stops_by_words(dice: &mut Dice, style: &Style, opcodes: &mut Opcodes) -> Vec<Form> {
    let option = dice.chance(2).then(|| opcodes.take());
    let (ramp_bits, bridge_bits) = (dice.between(2, 4) as u8, dice.between(2, 8) as u8);
    let (ramps, bridges) = (dice.distinct(3, ramp_bits), dice.distinct(3, bridge_bits));
    let gap = dice.below(3) as u8;
    let mut forms = Vec::new();
    for (ramp, ramp_code) in RAMPS.into_iter().zip(ramps) {
        for (bridge, bridge_code) in BRIDGES.into_iter().zip(&bridges) {
            let head = match option {
                Some(opcode) => {
                    let mut head = vec![opcode, Piece::fixed(ramp_bits, ramp_code)];
                    if gap > 0 {
                        head.push(Piece::any(gap));
                    }
                    head.push(Piece::fixed(bridge_bits, *bridge_code));
                    head
                }
                None => vec![opcodes.take()],
            };
            let request = word(dice, style, head, Vec::new(), true);
            forms.push(form(dice, style, Verb::Stop(ramp, bridge), Request::Word(request)));
        }
    }
    forms
}

/// Codes of the motion kind: 1 for a velocity, 2 for a distance, 3 and on for the ways, 9 for homing, 10 and on for what
/// not every device can do, 20 and on for the ways of moves that wait, 23 for a distance that does.
fn motion_by_writes(dice: &mut Dice, style: &Style, registers: &[Register]) -> Vec<Form> {
    let is_signed = |parameter| {
        let register = registers.iter().find(|register| register.parameter == parameter);
        register.is_some_and(|register| register.coding.sign != Sign::Unsigned)
    };
    let relative = dice.pick(&[DISTANCE, Parameter::TargetPosition]);
    let mut forms = Vec::new();
    let mut velocity_is_only_told = false;
    for (verb, parameter, code) in
        [(Verb::MoveVelocity, Parameter::TargetVelocity, 1), (Verb::MoveRelative, relative, 2)]
    {
        let mut writes = Vec::new();
        if !is_signed(parameter) {
            let codes = dice.distinct(2, 5);
            writes.push(Write::direction(TURN, codes[0] as u32, codes[1] as u32));
        }
        // Writing the argument may be what sets the device going, where no other command writes it.
        if parameter != Parameter::TargetPosition && dice.chance(3) {
            writes.push(Write::argument(parameter));
        } else {
            writes.push(Write::argument(parameter));
            dice.shuffle(&mut writes);
            if verb == Verb::MoveVelocity {
                velocity_is_only_told = true;
            } else if dice.chance(3) {
                let waiting = writes.iter().copied().chain([Write::code(MOTION, 23)]).collect();
                forms.push(buffered(dice, style, verb, Request::Writes(waiting)));
            }
            writes.push(Write::code(MOTION, code));
        }
        forms.push(form(dice, style, verb, Request::Writes(writes)));
    }
    for (way, code) in ways(dice).into_iter().zip(3..) {
        let writes = vec![Write::argument(Parameter::TargetPosition), Write::code(MOTION, code)];
        forms.push(form(dice, style, Verb::MoveAbsolute(way), Request::Writes(writes)));
        if dice.chance(4) {
            let writes = vec![Write::argument(Parameter::TargetPosition), Write::code(MOTION, code + 17)];
            forms.push(buffered(dice, style, Verb::MoveAbsolute(way), Request::Writes(writes)));
        }
    }
    let turn = |dice: &mut Dice| {
        let codes = dice.distinct(2, 5);
        Write::direction(TURN, codes[0] as u32, codes[1] as u32)
    };
    for (verb, code) in others(dice).into_iter().zip(10..) {
        let mut writes = match verb {
            Verb::PulseInput => vec![turn(dice)],
            Verb::SearchForZero(_) if !velocity_is_only_told || dice.chance(2) => vec![turn(dice)],
            Verb::SearchForSwitch(_) | Verb::SearchForZero(_) if velocity_is_only_told => {
                let mut writes = vec![Write::argument(Parameter::TargetVelocity)];
                if !is_signed(Parameter::TargetVelocity) {
                    writes.push(turn(dice));
                    dice.shuffle(&mut writes);
                }
                writes
            }
            // Writing its velocity would set another command going.
            Verb::SearchForSwitch(_) => continue,
            _ => Vec::new(),
        };
        writes.push(Write::code(MOTION, code));
        forms.push(form(dice, style, verb, Request::Writes(writes)));
    }
    forms
}

fn stops_by_writes(dice: &mut Dice, style: &Style) -> Vec<Form> {
    let with_ramp = dice.chance(2);
    let mut codes = dice.distinct(9, 5).into_iter();
    let mut forms = Vec::new();
    for (ramp, ramp_code) in RAMPS.into_iter().zip(1..) {
        for bridge in BRIDGES {
            let mut writes = Vec::new();
            if with_ramp {
                writes.push(Write::code(RAMP, ramp_code));
            }
            writes.push(Write::code(STOP, codes.next().unwrap_or(0) as u32));
            forms.push(form(dice, style, Verb::Stop(ramp, bridge), Request::Writes(writes)));
        }
    }
    forms
}

fn home_by_writes(dice: &mut Dice, style: &Style) -> Vec<Form> {
    let write = match style.home {
        Home::Counter => Write::code(Parameter::PositionDemandValue, 0),
        Home::Kind | Home::Word => Write::code(MOTION, 9),
    };
    vec![form(dice, style, Verb::HomeOnCurrentPosition, Request::Writes(vec![write]))]
}
