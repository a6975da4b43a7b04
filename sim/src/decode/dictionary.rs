//! The map as the simulator looks things up in it: fields, forms, what sets a command going, the check.

use std::fmt;

use crc::{Algorithm, Crc};
use stepchain::map::{
    Access, BufferMode, CommandForm, Crc8, Layout, Parameter, Piece, Register, Request, Source, Verb, Write,
};

/// A device's map, ready to be read.
#[derive(Clone)]
pub struct Dictionary {
    layout: &'static Layout,
    crc: Option<Crc<u8>>,
}

/// A command that a register write has set going.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Trigger {
    /// The command.
    pub form: &'static CommandForm,
    /// The writes that it is made of.
    pub writes: &'static [Write],
    /// The axis whose register was written.
    pub axis: u8,
}

impl Dictionary {
    /// The map `layout`, which must be a [valid](Layout::validate) one.
    #[must_use]
    pub fn new(layout: &'static Layout) -> Self {
        Self { layout, crc: layout.wire.crc.map(crc_of) }
    }

    /// The map's data.
    #[must_use]
    pub const fn layout(&self) -> &'static Layout {
        self.layout
    }

    /// The form of a command that begins at once.
    #[must_use]
    pub fn form(&self, verb: Verb) -> Option<&'static CommandForm> {
        self.form_in(verb, BufferMode::Aborting)
    }

    /// The form of a command in this buffer mode.
    #[must_use]
    pub fn form_in(&self, verb: Verb, buffer_mode: BufferMode) -> Option<&'static CommandForm> {
        self.layout.commands.iter().find(|form| form.verb == verb && form.buffer_mode == buffer_mode)
    }

    /// The fields of the register at an address.
    pub fn fields(&self, address: u16) -> impl Iterator<Item = &'static Register> + use<> {
        self.layout.registers.iter().filter(move |register| register.address == address)
    }

    /// Whether there is a register at an address.
    #[must_use]
    pub fn has_register(&self, address: u16) -> bool {
        self.fields(address).next().is_some()
    }

    /// Bits from 0 to the highest one that a field at this address has; none where there is no register.
    #[must_use]
    pub fn content_bits(&self, address: u16) -> u32 {
        let ends = self.fields(address).map(|field| u32::from(field.lsb) + u32::from(field.coding.width));
        ends.max().unwrap_or(0)
    }

    /// Bits that the content takes on a wire that carries whole units of it.
    pub(super) fn content_in_whole_units(&self, address: u16) -> usize {
        let unit = usize::from(self.layout.wire.unit_bits).max(1);
        (self.content_bits(address) as usize).div_ceil(unit) * unit
    }

    /// The register of a parameter for an axis; one that stands under axis 0 alone serves every axis.
    #[must_use]
    pub fn register(&self, parameter: Parameter, axis: u8) -> Option<&'static Register> {
        let carriers = || self.layout.registers.iter().filter(move |register| register.parameter == parameter);
        let own = carriers().find(|register| register.axis == axis);
        own.or_else(|| carriers().next().filter(|_| carriers().all(|register| register.axis == 0)))
    }

    /// The axes that a register speaks of.
    #[must_use]
    pub fn axes_of(&self, register: &Register) -> std::ops::Range<u8> {
        let alone = self.layout.registers.iter().all(|other| other.parameter != register.parameter || other.axis == 0);
        if alone { 0..self.layout.axes } else { register.axis..register.axis + 1 }
    }

    /// Whether the field may be written at all.
    #[must_use]
    pub fn is_writable(register: &Register) -> bool {
        register.access != Access::ReadOnly
    }

    /// The command that writing `code` to `register` sets going, if it is the last write of one.
    #[must_use]
    pub fn trigger(&self, register: &Register, code: u32) -> Option<Trigger> {
        self.layout.commands.iter().find_map(|form| {
            let Request::Writes(writes) = form.request else { return None };
            let last = writes.last().filter(|last| last.parameter == register.parameter)?;
            let meant = match last.source {
                Source::Code(wanted) => code == wanted,
                Source::Argument => true,
                Source::Direction { positive, negative } => code == positive || code == negative,
            };
            meant.then_some(Trigger { form, writes, axis: register.axis })
        })
    }

    /// The check over bits in the order of the wire, filled up in front with zeros to whole bytes; zero without one.
    #[must_use]
    pub fn check_over(&self, bits: &[bool]) -> u8 {
        let Some(crc) = &self.crc else { return 0 };
        let padding = bits.len().next_multiple_of(8) - bits.len();
        let padded: Vec<bool> = std::iter::repeat_n(false, padding).chain(bits.iter().copied()).collect();
        crc.checksum(&crate::wire::bytes_of(&padded))
    }

    /// Whether every word of the device, the filler too, is one unit that ends in a check.
    pub(super) fn every_unit_has_a_check(&self) -> bool {
        let ends_in_check = |pieces: &[Piece]| pieces.last() == Some(&Piece::Crc);
        let words = self.layout.commands.iter().filter_map(|form| match form.request {
            Request::Word(pieces) => Some(pieces),
            Request::Writes(_) => None,
        });
        self.layout.wire.framing == stepchain::map::Framing::FixedWord
            && std::iter::once(self.layout.wire.filler).chain(words).all(ends_in_check)
    }
}

impl fmt::Debug for Dictionary {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Dictionary").field("layout", &self.layout.name).finish_non_exhaustive()
    }
}

/// The `crc` crate's calculator wants its parameters to live for ever: a few bytes for each map are left behind.
fn crc_of(check: Crc8) -> Crc<u8> {
    let Crc8 { polynomial, initial, reflected, xor_out } = check;
    Crc::<u8>::new(Box::leak(Box::new(Algorithm {
        width: 8,
        poly: polynomial,
        init: initial,
        refin: reflected,
        refout: reflected,
        xorout: xor_out,
        // These two describe the algorithm and take no part in it.
        check: 0,
        residue: 0,
    })))
}

#[cfg(test)]
mod tests {
    use stepchain::map::Wire;

    use super::*;

    const SMBUS: Layout = layout(Crc8::new(0x07));
    const AUTOSAR: Layout = layout(Crc8::new(0x2F).initial(0xFF).xor_out(0xFF));
    const MAXIM_DOW: Layout = layout(Crc8::new(0x31).reflected());

    const FILLER: &[Piece] = &[Piece::fixed(8, 0)];

    const fn layout(crc: Crc8) -> Layout {
        Layout::new("checked", Wire::latched_units(8, FILLER).crc(crc))
    }

    /// Check values of the public catalogue of CRC algorithms over the text "123456789".
    #[test]
    fn the_check_agrees_with_the_public_catalogue() {
        let bits = crate::wire::bits_of(b"123456789");
        assert_eq!(Dictionary::new(&SMBUS).check_over(&bits), 0xF4);
        assert_eq!(Dictionary::new(&AUTOSAR).check_over(&bits), 0xDF);
        assert_eq!(Dictionary::new(&MAXIM_DOW).check_over(&bits), 0xA1);
    }

    /// By hand, polynomial x⁸+x²+x+1: the four bits 0011 become the byte 0x03; 0x03 · x⁸ leaves
    /// x·0x07 ⊕ 0x07 = 0x0E ⊕ 0x07 = 0x09.
    #[test]
    fn bits_are_filled_up_in_front() {
        assert_eq!(Dictionary::new(&SMBUS).check_over(&[false, false, true, true]), 0x09);
    }
}
