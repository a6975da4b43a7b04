//! What a map offers to notice that a device refuses a command: flags that tell it, and states in which it says so.
//!
//! Knows neither frames nor when what is sent; `heed` looks where this says that looking tells something.

use core::fmt;

use crate::command::{AxisCommand, Command};
use crate::map::{
    Access, CommandForm, Flag, Holding, Layout, MotionState, Piece, Refusal, Register, Request, StatusBit, Verb,
};
use crate::reply::{ReplyError, Status};

/// The flags that speak of a command, from the device's own judgement to what spoils a word.
pub(super) const TELLING: [Flag; 3] = [Flag::CommandRejected, Flag::CommandUnknown, Flag::CrcMismatch];
/// The flags that say that a fault lasts or is latched.
const FAULTS: [Flag; 4] = [Flag::Fault, Flag::Overcurrent, Flag::Undervoltage, Flag::Overtemperature];

/// How `send` notices that a device refuses a command, and so what it sends beside the command; the worse, the greater.
///
/// What the map cannot tell shows when the firmware is compiled:
///
/// ```
/// use stepchain::chain::RefusalNotice;
/// use stepchain::map::{RegisterMap, Verb};
/// use stepchain::reference::Latched;
///
/// const _: () = assert!(!matches!(RefusalNotice::of(&Latched::LAYOUT), RefusalNotice::Never));
/// assert_eq!(RefusalNotice::of_verb(&Latched::LAYOUT, Verb::MoveRelative), Some(RefusalNotice::ByLookAfter));
/// assert_eq!(RefusalNotice::of_verb(&Latched::LAYOUT, Verb::ReadParameter), Some(RefusalNotice::NotRefused));
/// ```
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum RefusalNotice {
    /// The map says of no state that the command is refused in it, and has no flag that would tell; or it is a question,
    /// whose answer is all that it does.
    NotRefused,
    /// The command's own reply brings the flag.
    ByReply,
    /// The status, peeked at once afterwards, has the flag.
    ByLookAfter,
    /// No flag tells, but the status, peeked at once beforehand, has every state in which the map says that the command
    /// is refused. What the device refuses for another reason goes unnoticed.
    ByLookBefore,
    /// The map states a refusal, and nothing tells it: it is silent.
    Never,
}

/// Why a device would refuse a command now, by its status and its map.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Obstacle {
    /// The motor moves.
    Moving,
    /// The bridge is in high impedance.
    BridgeOff,
    /// The bridge is not in high impedance.
    BridgeDriven,
    /// A fault lasts or is latched.
    Faulted,
    /// The status that would tell cannot be believed.
    Unseen(ReplyError),
}

impl fmt::Display for Obstacle {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Moving => f.write_str("while the motor moves"),
            Self::BridgeOff => f.write_str("while the bridge is in high impedance"),
            Self::BridgeDriven => f.write_str("while the bridge is not in high impedance"),
            Self::Faulted => f.write_str("while a fault lasts or is latched"),
            Self::Unseen(error) => write!(f, "while the status cannot be believed: {error}"),
        }
    }
}

impl RefusalNotice {
    /// The worst of all commands of a map.
    #[must_use]
    pub const fn of(layout: &Layout) -> Self {
        let mut worst = Self::NotRefused;
        let mut rest = layout.commands;
        while let [form, tail @ ..] = rest {
            rest = tail;
            worst = worst.or_worse(Self::of_form(layout, form));
        }
        worst
    }

    /// That of one command; of writing, that of the worst register, and of a verb in two buffer modes the worse one's.
    /// `None` if the map has no such command.
    #[must_use]
    pub const fn of_verb(layout: &Layout, verb: Verb) -> Option<Self> {
        let mut found = None;
        let mut rest = layout.commands;
        while let [form, tail @ ..] = rest {
            rest = tail;
            if form.verb.id() == verb.id() {
                let notice = Self::of_form(layout, form);
                found = Some(match found {
                    Some(other) => notice.or_worse(other),
                    None => notice,
                });
            }
        }
        found
    }

    const fn or_worse(self, other: Self) -> Self {
        if other as u8 > self as u8 { other } else { self }
    }

    const fn of_form(layout: &Layout, form: &CommandForm) -> Self {
        if !matches!(form.verb, Verb::WriteParameter) {
            return Self::of_one(layout, form, None);
        }
        let mut worst = Self::NotRefused;
        let mut rest = layout.registers;
        while let [register, tail @ ..] = rest {
            rest = tail;
            if !matches!(register.access, Access::ReadOnly) {
                worst = worst.or_worse(Self::of_one(layout, form, Some(register)));
            }
        }
        worst
    }

    const fn of_one(layout: &Layout, form: &CommandForm, register: Option<&Register>) -> Self {
        if is_question(form) {
            return Self::NotRefused;
        }
        let is_shared = match register {
            Some(register) => layout.is_shared(register.address),
            None => false,
        };
        let own = if is_shared { 0 } else { own_bits(layout, form) };
        let looked = looked_bits(layout);
        if rejected_is_told(layout, own, 0) {
            return Self::ByReply;
        }
        if rejected_is_told(layout, own, looked) {
            return Self::ByLookAfter;
        }
        match Stated::of(layout, form, register) {
            Stated::NOTHING => Self::NotRefused,
            stated if stated.is_told(layout, looked) => Self::ByLookBefore,
            _ => Self::Never,
        }
    }
}

/// What is to be looked at for one command.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Looks {
    /// The status, before it is sent.
    pub(crate) before: bool,
    /// The flags in its own reply.
    pub(crate) own: bool,
    /// The status, after it was sent.
    pub(crate) after: bool,
}

impl Looks {
    pub(crate) const NOTHING: Self = Self { before: false, own: false, after: false };

    /// Nothing for filler, for questions, and for what the map does not have.
    pub(crate) const fn of(layout: &Layout, asked: AxisCommand) -> Self {
        let Some(verb) = asked.command.verb() else {
            return Self::NOTHING;
        };
        let Some(form) = layout.form_in(verb, asked.buffer_mode) else {
            return Self::NOTHING;
        };
        let (parameter, is_whole) = match asked.command {
            Command::WriteParameter { parameter, .. } => (parameter, false),
            Command::WriteContent { parameter, .. } => (parameter, true),
            _ => return Self::of_form(layout, form),
        };
        let mut stated = Stated::of(layout, form, None);
        let mut is_read_first = false;
        if let Some(named) = layout.register(parameter, asked.axis) {
            let mut rest = layout.registers;
            while let [register, tail @ ..] = rest {
                rest = tail;
                let is_named = register.axis == named.axis && register.parameter.same(named.parameter);
                if register.address == named.address && (is_whole || is_named) {
                    stated = stated.and_access(register.access);
                }
            }
            // Read first, and what comes back is the reply to the reading.
            is_read_first = !is_whole && layout.is_shared(named.address);
        }
        Self::stated(layout, form, stated, is_read_first)
    }

    /// Those of a command that writes no register by its parameter.
    pub(crate) const fn of_form(layout: &Layout, form: &CommandForm) -> Self {
        Self::stated(layout, form, Stated::of(layout, form, None), false)
    }

    const fn stated(layout: &Layout, form: &CommandForm, stated: Stated, is_read_first: bool) -> Self {
        if is_question(form) {
            return Self::NOTHING;
        }
        let own = if is_read_first { 0 } else { own_bits(layout, form) };
        let looked = looked_bits(layout);
        let foreseeable = looked != 0 && !rejected_is_told(layout, own, looked);
        let mut looks = Self { before: foreseeable && !stated.is_nothing(), ..Self::NOTHING };
        let mut rest = layout.status.flags;
        while let [bit, tail @ ..] = rest {
            rest = tail;
            if matches!(bit.flag, Flag::CommandRejected | Flag::CommandUnknown | Flag::CrcMismatch) {
                looks.own |= carries(own, bit);
                looks.after |= carries(looked, bit) && is_latched(bit) && !carries(own, bit);
            }
        }
        looks
    }
}

/// The first raised flag that speaks of a command; what was not understood comes before what was refused.
pub(super) fn raised(status: &Status, of: impl Fn(&StatusBit) -> bool) -> Option<Flag> {
    let is_raised = |flag: &Flag| status.raised_flags().any(|bit| bit.flag == *flag && of(bit));
    TELLING.into_iter().rev().find(is_raised)
}

/// Why a device with this status would refuse a command, as far as the status tells.
pub(crate) fn obstacle(layout: &Layout, asked: AxisCommand, status: &Status) -> Option<Obstacle> {
    let AxisCommand { axis, buffer_mode, .. } = asked;
    let form = layout.form_in(asked.command.verb()?, buffer_mode)?;
    let of_form = |form: &CommandForm| {
        let mut axes = axes_of(layout, form.verb, axis);
        axes.find_map(|axis| in_state(form.refusal, status, axis))
    };
    let of_register = |register: &Register| {
        let mut axes = (0..layout.axes).filter(|&axis| is_of(layout, register, axis));
        axes.find_map(|axis| in_access(register.access, status, axis))
    };
    let of_writes = || match form.request {
        Request::Word(_) => written(layout, asked).find_map(of_register),
        Request::Writes(writes) => {
            let registers = || writes.iter().filter_map(|write| layout.register(write.parameter, axis));
            layout.form(Verb::WriteParameter).and_then(of_form).or_else(|| registers().find_map(of_register))
        }
    };
    of_form(form).or_else(of_writes)
}

/// Whether an axis moves; `None` if the status does not tell.
pub(crate) fn moves(status: &Status, axis: u8) -> Option<bool> {
    match status.motion_state_of(axis) {
        Some(state) => Some(state != MotionState::Standstill),
        None => status.flag_of(Flag::Busy, axis),
    }
}

fn in_state(refusal: Refusal, status: &Status, axis: u8) -> Option<Obstacle> {
    let is_faulted = || status.raised().any(|(flag, of)| FAULTS.contains(&flag) && (of == axis || of == 0));
    // A fault has shut the bridge off: it is the reason to tell.
    if refusal.while_moving && moves(status, axis) == Some(true) {
        Some(Obstacle::Moving)
    } else if refusal.while_faulted && is_faulted() {
        Some(Obstacle::Faulted)
    } else if refusal.while_bridge_off && status.flag_of(Flag::BridgeOff, axis) == Some(true) {
        Some(Obstacle::BridgeOff)
    } else {
        None
    }
}

fn in_access(access: Access, status: &Status, axis: u8) -> Option<Obstacle> {
    match access {
        Access::AtStandstill if moves(status, axis) == Some(true) => Some(Obstacle::Moving),
        Access::BridgeOff if status.flag_of(Flag::BridgeOff, axis) == Some(false) => Some(Obstacle::BridgeDriven),
        _ => None,
    }
}

/// The axes that a command's states are looked at of.
fn axes_of(layout: &Layout, verb: Verb, axis: u8) -> core::ops::Range<u8> {
    if verb.is_of_one_axis() { axis..axis.saturating_add(1) } else { 0..layout.axes }
}

/// Whether a register is an axis's: its own, or one that the device has once for all.
fn is_of(layout: &Layout, register: &Register, axis: u8) -> bool {
    layout.register(register.parameter, axis).is_some_and(|found| found.axis == register.axis)
}

/// The registers that a command writes by their parameters: of a register's whole content every field, for which of them
/// change only its owner knows.
fn written(layout: &Layout, asked: AxisCommand) -> impl Iterator<Item = &'static Register> {
    let (parameter, is_whole) = match asked.command {
        Command::WriteParameter { parameter, .. } => (Some(parameter), false),
        Command::WriteContent { parameter, .. } => (Some(parameter), true),
        _ => (None, false),
    };
    let named = parameter.and_then(|parameter| layout.register(parameter, asked.axis));
    layout.registers.iter().filter(move |register| {
        named.is_some_and(|named| register.address == named.address && (is_whole || core::ptr::eq(*register, named)))
    })
}

/// Questions change nothing, and their answer shows whether they were obeyed. A reading that the map says is refused in
/// some state is none.
const fn is_question(form: &CommandForm) -> bool {
    match form.verb {
        Verb::PeekStatus | Verb::TakeStatus => true,
        Verb::ReadParameter => {
            let Refusal { while_moving, while_bridge_off, while_faulted } = form.refusal;
            !while_moving && !while_bridge_off && !while_faulted
        }
        _ => false,
    }
}

/// The status bits in a command's own reply, if that is awaited.
const fn own_bits(layout: &Layout, form: &CommandForm) -> u64 {
    let is_awaited = matches!(form.request, Request::Word(_))
        && (layout.replies_in_same_slots() || matches!(form.verb, Verb::ReadParameter));
    if is_awaited { status_bits(form.reply) } else { 0 }
}

/// The status bits that peeking brings.
const fn looked_bits(layout: &Layout) -> u64 {
    match layout.form(Verb::PeekStatus) {
        Some(form) => status_bits(form.reply),
        None => 0,
    }
}

const fn status_bits(pieces: &[Piece]) -> u64 {
    let mut bits = 0;
    let mut rest = pieces;
    while let [piece, tail @ ..] = rest {
        rest = tail;
        if let Piece::Status { lsb, width } = *piece {
            let mut bit = lsb as u32;
            while bit < lsb as u32 + width as u32 {
                bits |= match 1u64.checked_shl(bit) {
                    Some(one) => one,
                    None => 0,
                };
                bit += 1;
            }
        }
    }
    bits
}

const fn carries(bits: u64, bit: &StatusBit) -> bool {
    match bits.checked_shr(bit.bit as u32) {
        Some(shifted) => shifted & 1 == 1,
        None => false,
    }
}

const fn is_latched(bit: &StatusBit) -> bool {
    matches!(bit.holding, Holding::LatchedUntil(_))
}

/// Whether "command rejected" reaches the driver: in a command's own reply, or latched in what is looked at later. Live,
/// it would tell a look how the look itself has fared.
const fn rejected_is_told(layout: &Layout, own: u64, looked: u64) -> bool {
    // Words of no axis raise the device's flag, which is the first axis's.
    let mut is_devices = false;
    let mut rest = layout.status.flags;
    while let [bit, tail @ ..] = rest {
        rest = tail;
        if matches!(bit.flag, Flag::CommandRejected) {
            let is_told = carries(own, bit) || carries(looked, bit) && is_latched(bit);
            if !is_told {
                return false;
            }
            is_devices |= bit.axis == 0;
        }
    }
    is_devices
}

/// The states in which a map says that a command is refused, whichever axis they are of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Stated {
    moving: bool,
    bridge: bool,
    faulted: bool,
}

impl Stated {
    const NOTHING: Self = Self { moving: false, bridge: false, faulted: false };

    const fn of(layout: &Layout, form: &CommandForm, register: Option<&Register>) -> Self {
        let mut stated = Self::NOTHING.and_refusal(form.refusal);
        if let Some(register) = register {
            stated = stated.and_access(register.access);
        }
        if let Request::Writes(writes) = form.request {
            if let Some(write) = layout.form(Verb::WriteParameter) {
                stated = stated.and_refusal(write.refusal);
            }
            let mut rest = writes;
            while let [write, tail @ ..] = rest {
                rest = tail;
                let mut axis = 0;
                while axis < layout.axes {
                    if let Some(register) = layout.register(write.parameter, axis) {
                        stated = stated.and_access(register.access);
                    }
                    axis += 1;
                }
            }
        }
        stated
    }

    const fn is_nothing(self) -> bool {
        !self.moving && !self.bridge && !self.faulted
    }

    const fn and_refusal(mut self, refusal: Refusal) -> Self {
        self.moving |= refusal.while_moving;
        self.bridge |= refusal.while_bridge_off;
        self.faulted |= refusal.while_faulted;
        self
    }

    const fn and_access(mut self, access: Access) -> Self {
        self.moving |= matches!(access, Access::AtStandstill);
        self.bridge |= matches!(access, Access::BridgeOff);
        self
    }

    /// Whether these bits of the status tell every one of the states, of every axis.
    const fn is_told(self, layout: &Layout, bits: u64) -> bool {
        let mut axis = 0;
        while axis < layout.axes {
            let moving = motion_state_is_in(layout, bits, axis) || flag_is_in(layout, bits, Flag::Busy, axis);
            let faulted = flag_is_in(layout, bits, Flag::Fault, 0)
                || flag_is_in(layout, bits, Flag::Overcurrent, 0)
                    && flag_is_in(layout, bits, Flag::Undervoltage, 0)
                    && flag_is_in(layout, bits, Flag::Overtemperature, 0);
            if self.moving && !moving
                || self.bridge && !flag_is_in(layout, bits, Flag::BridgeOff, axis)
                || self.faulted && !faulted
            {
                return false;
            }
            axis += 1;
        }
        true
    }
}

const fn flag_is_in(layout: &Layout, bits: u64, flag: Flag, axis: u8) -> bool {
    let mut rest = layout.status.flags;
    while let [bit, tail @ ..] = rest {
        rest = tail;
        if bit.flag as u8 == flag as u8 && bit.axis == axis && carries(bits, bit) {
            return true;
        }
    }
    false
}

const fn motion_state_is_in(layout: &Layout, bits: u64, axis: u8) -> bool {
    let mut rest = layout.status.motion_states;
    while let [state, tail @ ..] = rest {
        rest = tail;
        let whole = status_bits(&[Piece::Status { lsb: state.field.lsb, width: state.field.width }]);
        if state.axis == axis && bits & whole == whole {
            return true;
        }
    }
    false
}
