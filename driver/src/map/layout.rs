//! The whole description of one device, and the trait by which a type stands for it.

use super::form::{CommandForm, Piece, Request};
use super::parameter::Parameter;
use super::register::{Access, Register};
use super::status::StatusLayout;
use super::vocabulary::{BufferMode, Verb};
use super::wire::{ReplyTiming, SpareClocks, Wire};

/// A type that stands for one kind of device.
///
/// ```
/// use stepchain::map::{Layout, Piece, RegisterMap, Wire};
///
/// struct Silent;
/// impl RegisterMap for Silent {
///     const LAYOUT: Layout = Layout::new("silent", Wire::latched_units(8, &[Piece::fixed(8, 0)]));
/// }
/// stepchain::check_map!(Silent);
/// ```
pub trait RegisterMap {
    /// Wire format, registers, commands and status bits of the device.
    const LAYOUT: Layout;
}

/// What drives the windings.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Drive {
    /// A voltage: amplitudes are shares of the supply.
    Voltage,
    /// A regulated current: amplitudes are currents.
    ///
    /// Each amplitude register then needs `.unit(Unit::Amperes)`, since an amplitude is a share of the supply until
    /// told otherwise; the check of the map refuses one that does not agree.
    Current,
}

/// What happens where the position counter ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum WrapAround {
    /// It goes on at the other end.
    Wraps,
    /// Moves that would pass the end are refused; turning without a target stops there.
    Refuses,
}

/// The position counter.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub struct PositionCounter {
    /// Bits in the counter, 8 to 32; it is signed.
    pub bits: u8,
    /// What happens at its ends.
    pub wrap_around: WrapAround,
    /// The microsteps in a full step that the device can be set to; the first one holds after power-up where no
    /// register carries the resolution.
    pub resolutions: &'static [u16],
}

impl PositionCounter {
    /// A wrapping counter of this many bits that counts microsteps of one of these resolutions.
    #[must_use]
    pub const fn new(bits: u8, resolutions: &'static [u16]) -> Self {
        Self { bits, wrap_around: WrapAround::Wraps, resolutions }
    }

    /// The same without wrap-around.
    #[must_use]
    pub const fn refuses_to_wrap(mut self) -> Self {
        self.wrap_around = WrapAround::Refuses;
        self
    }

    /// Smallest and greatest count.
    #[must_use]
    pub const fn range(&self) -> (i64, i64) {
        match self.bits {
            0 => (0, 0),
            bits if bits >= 64 => (i64::MIN, i64::MAX),
            bits => (-(1 << (bits - 1)), (1 << (bits - 1)) - 1),
        }
    }

    /// The count that the counter shows for a count without end.
    #[must_use]
    pub const fn wrapped(&self, count: i64) -> i64 {
        let unused = 64u32.saturating_sub(self.bits as u32);
        match count.checked_shl(unused) {
            Some(high) => high.wrapping_shr(unused),
            None => 0,
        }
    }
}

/// One kind of device: everything that the driver and the simulator need to know of a chip.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub struct Layout {
    /// The device's name.
    pub name: &'static str,
    /// Motors that one device drives.
    pub axes: u8,
    /// How bits are framed.
    pub wire: Wire,
    /// The registers.
    pub registers: &'static [Register],
    /// The commands.
    pub commands: &'static [CommandForm],
    /// The status word.
    pub status: StatusLayout,
    /// What drives the windings.
    pub drive: Drive,
    /// The position counter.
    pub position: PositionCounter,
}

impl Layout {
    /// A device of one axis with this wire, and nothing yet behind it.
    ///
    /// Its drive is one of voltage, it has no status word, and its position counter wraps at 32 bits and counts full
    /// steps (one microstep a step): give [`position`](Self::position) what the datasheet says before anything moves.
    #[must_use]
    pub const fn new(name: &'static str, wire: Wire) -> Self {
        Self {
            name,
            axes: 1,
            wire,
            registers: &[],
            commands: &[],
            status: StatusLayout::NONE,
            drive: Drive::Voltage,
            position: PositionCounter::new(32, &[1]),
        }
    }

    /// The same with this many axes in one device.
    #[must_use]
    pub const fn axes(mut self, axes: u8) -> Self {
        self.axes = axes;
        self
    }

    /// The same with these registers.
    #[must_use]
    pub const fn registers(mut self, registers: &'static [Register]) -> Self {
        self.registers = registers;
        self
    }

    /// The same with these commands.
    #[must_use]
    pub const fn commands(mut self, commands: &'static [CommandForm]) -> Self {
        self.commands = commands;
        self
    }

    /// The same with this status word.
    #[must_use]
    pub const fn status(mut self, status: StatusLayout) -> Self {
        self.status = status;
        self
    }

    /// The same with this drive.
    #[must_use]
    pub const fn drive(mut self, drive: Drive) -> Self {
        self.drive = drive;
        self
    }

    /// The same with this position counter.
    #[must_use]
    pub const fn position(mut self, position: PositionCounter) -> Self {
        self.position = position;
        self
    }

    /// The register that carries `parameter` for `axis`; what a device has once is found from every axis.
    #[must_use]
    pub const fn register(&self, parameter: Parameter, axis: u8) -> Option<&'static Register> {
        let id = parameter.id();
        let mut once = None;
        let mut rest = self.registers;
        while let [register, tail @ ..] = rest {
            if register.parameter.id() == id {
                if register.axis == axis {
                    return Some(register);
                }
                if register.axis == 0 {
                    once = Some(register);
                }
            }
            rest = tail;
        }
        // A device with several axes may still have one supply: such a register stands under axis 0, alone.
        match once {
            Some(_) if self.has_other_axis(parameter) => None,
            found => found,
        }
    }

    const fn has_other_axis(&self, parameter: Parameter) -> bool {
        let mut rest = self.registers;
        while let [register, tail @ ..] = rest {
            if register.parameter.same(parameter) && register.axis > 0 {
                return true;
            }
            rest = tail;
        }
        false
    }

    /// The parameter whose register bears this name.
    #[must_use]
    pub const fn parameter(&self, name: &str) -> Option<Parameter> {
        let mut rest = self.registers;
        while let [register, tail @ ..] = rest {
            if same_text(register.name, name) {
                return Some(register.parameter);
            }
            rest = tail;
        }
        None
    }

    /// The form of a command that begins at once.
    #[must_use]
    pub const fn form(&self, verb: Verb) -> Option<&'static CommandForm> {
        self.form_in(verb, BufferMode::Aborting)
    }

    /// The form of a command in this buffer mode.
    #[must_use]
    pub const fn form_in(&self, verb: Verb, buffer_mode: BufferMode) -> Option<&'static CommandForm> {
        let id = verb.id();
        let mut rest = self.commands;
        while let [form, tail @ ..] = rest {
            if form.verb.id() == id && form.buffer_mode as u8 == buffer_mode as u8 {
                return Some(form);
            }
            rest = tail;
        }
        None
    }

    /// How many bits the registers at `address` take, from bit 0 to the highest bit of the highest field.
    #[must_use]
    pub const fn content_bits(&self, address: u16) -> u8 {
        let mut bits: u8 = 0;
        let mut rest = self.registers;
        while let [register, tail @ ..] = rest {
            if register.address == address {
                let end = register.lsb.saturating_add(register.coding.width);
                if end > bits {
                    bits = end;
                }
            }
            rest = tail;
        }
        bits
    }

    /// A one in each bit of the register at `address` that some field takes.
    #[must_use]
    pub const fn content_mask(&self, address: u16) -> u32 {
        let mut mask = 0;
        let mut rest = self.registers;
        while let [register, tail @ ..] = rest {
            if register.address == address {
                mask |= register.mask();
            }
            rest = tail;
        }
        mask
    }

    /// What the register at `address` holds after power-up.
    #[must_use]
    pub const fn reset_content(&self, address: u16) -> u32 {
        let mut content = 0;
        let mut rest = self.registers;
        while let [register, tail @ ..] = rest {
            if register.address == address {
                content |= register.content(register.reset);
            }
            rest = tail;
        }
        content
    }

    /// At how many addresses several fields share a register that can be written.
    #[must_use]
    pub const fn shared_registers(&self) -> usize {
        let mut count = 0;
        let mut rest = self.registers;
        while let [register, tail @ ..] = rest {
            // Counted at the last of its fields.
            let mut later = tail;
            let mut is_last = true;
            while let [other, more @ ..] = later {
                is_last &= other.address != register.address;
                later = more;
            }
            if is_last && self.is_shared(register.address) && self.is_writable(register.address) {
                count += 1;
            }
            rest = tail;
        }
        count
    }

    /// Whether several fields share the register at `address`.
    #[must_use]
    pub const fn is_shared(&self, address: u16) -> bool {
        let mut fields = 0;
        let mut rest = self.registers;
        while let [register, tail @ ..] = rest {
            if register.address == address {
                fields += 1;
            }
            rest = tail;
        }
        fields > 1
    }

    /// Whether any field at `address` may be written.
    #[must_use]
    pub const fn is_writable(&self, address: u16) -> bool {
        let mut rest = self.registers;
        while let [register, tail @ ..] = rest {
            if register.address == address && !matches!(register.access, Access::ReadOnly) {
                return true;
            }
            rest = tail;
        }
        false
    }

    /// How many bits [`Piece::DataByRegister`] stands for at `address`: whole units, as many as the content needs.
    #[must_use]
    pub const fn data_bits(&self, address: u16) -> u16 {
        let unit = self.wire.unit_bits as u16;
        let content = self.content_bits(address) as u16;
        match content.checked_rem(unit) {
            Some(0) => content,
            Some(rest) => content - rest + unit,
            None => 0,
        }
    }

    /// How many units the pieces take when they speak of the register at `address`, rounded up.
    #[must_use]
    pub const fn units(&self, pieces: &[Piece], address: u16) -> u16 {
        self.units_of(pieces, self.data_bits_in(pieces, address))
    }

    /// As [`units`](Self::units), where it is known what [`Piece::DataByRegister`] stands for.
    pub(crate) const fn units_of(&self, pieces: &[Piece], data_bits: u16) -> u16 {
        let unit = self.wire.unit_bits as u16;
        let mut left = Piece::total_width(pieces, data_bits);
        let mut units = 0;
        // Words are of few units: quicker than a division where the processor has none.
        while left > 0 && unit > 0 {
            left = left.saturating_sub(unit);
            units += 1;
        }
        units
    }

    /// As [`data_bits`](Self::data_bits), where one of the pieces stands for them; the registers are not searched in vain.
    pub(crate) const fn data_bits_in(&self, pieces: &[Piece], address: u16) -> u16 {
        if Piece::has_data_by_register(pieces) { self.data_bits(address) } else { 0 }
    }

    /// How many units the longest command that is one word takes, with the slots of its reply where those belong to it;
    /// 1 at least.
    #[must_use]
    pub const fn longest_word(&self) -> u16 {
        let mut longest = 1;
        let mut forms = self.commands;
        while let [form, other_forms @ ..] = forms {
            forms = other_forms;
            let Request::Word(pieces) = form.request else {
                continue;
            };
            // What does not speak of a register is as long for every address.
            let mut address = 0;
            let mut registers = self.registers;
            loop {
                let reply = if self.replies_in_same_slots() { self.units(form.reply, address) } else { 0 };
                let units = self.units(pieces, address).saturating_add(reply);
                if units > longest {
                    longest = units;
                }
                let [register, other_registers @ ..] = registers else {
                    break;
                };
                address = register.address;
                registers = other_registers;
            }
        }
        longest
    }

    /// Bytes in the frame of a chain of `devices`, front padding included.
    #[must_use]
    pub const fn frame_bytes(&self, devices: usize) -> usize {
        let bits = devices.saturating_mul(self.wire.unit_bits as usize);
        bits / 8 + !bits.is_multiple_of(8) as usize
    }

    /// Whether the frame of a chain of `devices` is whole bytes without padding, or may be padded.
    #[must_use]
    pub const fn can_frame(&self, devices: usize) -> bool {
        let bits = devices.saturating_mul(self.wire.unit_bits as usize);
        bits.is_multiple_of(8) || matches!(self.wire.spare_clocks, SpareClocks::Tolerated)
    }

    /// Whether a reply lies in the slots of its own command.
    #[must_use]
    pub const fn replies_in_same_slots(&self) -> bool {
        matches!(self.wire.reply_timing, ReplyTiming::SameSlots)
    }
}

pub(crate) const fn same_text(a: &str, b: &str) -> bool {
    let (mut a, mut b) = (a.as_bytes(), b.as_bytes());
    if a.len() != b.len() {
        return false;
    }
    loop {
        match (a, b) {
            ([], []) => return true,
            ([x, rest_a @ ..], [y, rest_b @ ..]) if *x == *y => (a, b) = (rest_a, rest_b),
            _ => return false,
        }
    }
}
