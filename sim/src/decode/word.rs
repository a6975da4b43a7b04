//! Takes words apart: which form the bits of some units have, and what stands in its pieces.
//!
//! A word is told from another by its fixed bits. Where fixed bits of one form lie over the address of another, the
//! fixed bits win unless the address is that of a register (a valid map makes sure that this decides). Content whose
//! length depends on the register has no length where there is no register.

use stepchain::map::{Coding, CommandForm, Layout, Piece, Request, Verb};

use super::number::value_of;
use super::{Argument, Decoded, Dictionary, Quantity};

/// Gathers the units of one device's word until it is whole.
///
/// What begins like no word is dropped with all that was gathered; the next unit begins anew.
#[derive(Clone, Debug, Default)]
pub struct Assembler {
    units: Vec<u64>,
}

impl Assembler {
    /// An assembler that awaits the first unit of a word.
    #[must_use]
    pub const fn new() -> Self {
        Self { units: Vec::new() }
    }

    /// Takes a unit in; [`Decoded::PartOf`] until the word is whole.
    pub fn push(&mut self, unit: u64, dictionary: &Dictionary) -> Decoded {
        self.units.push(unit);
        let decoded = dictionary.decode(&self.units);
        if !matches!(decoded, Decoded::PartOf { .. }) {
            self.units.clear();
        }
        decoded
    }

    /// Units gathered of a word that is not whole yet.
    #[must_use]
    pub fn pending(&self) -> &[u64] {
        &self.units
    }

    /// Forgets what was gathered.
    pub fn clear(&mut self) {
        self.units.clear();
    }
}

impl Dictionary {
    /// What these units mean, taken as the beginning of a word; any units mean something.
    #[must_use]
    pub fn decode(&self, units: &[u64]) -> Decoded {
        let bits = bits_of_units(units, self.layout());
        let mut fits: Vec<Fit> = self.words().filter_map(|word| Fit::of(self, word, &bits)).collect();
        if fits.iter().any(|fit| !fit.address_is_foreign) {
            fits.retain(|fit| !fit.address_is_foreign);
        }
        match fits.iter().find(|fit| fit.is_whole) {
            Some(fit) if !fit.check_is_right => Decoded::CrcMismatch { units: units.to_vec() },
            Some(fit) => fit.read(self, &bits),
            None if !fits.is_empty() => Decoded::PartOf { units: units.len() },
            None if self.every_unit_has_a_check() && !self.ends_in_right_check(&bits) => {
                Decoded::CrcMismatch { units: units.to_vec() }
            }
            None => Decoded::Unknown { units: units.to_vec() },
        }
    }

    /// The filler and every command that is a word.
    fn words(&self) -> impl Iterator<Item = Form> {
        let filler = Form { of: None, pieces: self.layout().wire.filler };
        let commands = self.layout().commands.iter().filter_map(|form| match form.request {
            Request::Word(pieces) => Some(Form { of: Some(form), pieces }),
            Request::Writes(_) => None,
        });
        std::iter::once(filler).chain(commands)
    }

    fn ends_in_right_check(&self, bits: &[bool]) -> bool {
        bits.split_last_chunk::<8>().is_some_and(|(front, check)| number(check) == u64::from(self.check_over(front)))
    }
}

#[derive(Clone, Copy)]
struct Form {
    /// `None` for the filler.
    of: Option<&'static CommandForm>,
    pieces: &'static [Piece],
}

/// How bits lie under the pieces of a form that they do not contradict.
struct Fit {
    form: Form,
    is_whole: bool,
    check_is_right: bool,
    /// The word names an address at which there is no register.
    address_is_foreign: bool,
}

impl Fit {
    /// `None` if some fixed bit differs, or the bits are more than the form has.
    fn of(dictionary: &Dictionary, form: Form, bits: &[bool]) -> Option<Self> {
        let mut fit = Self { form, is_whole: true, check_is_right: true, address_is_foreign: false };
        let mut address = 0;
        let mut rest = bits;
        for piece in form.pieces {
            let width = width_of(piece, dictionary, address);
            let (held, after) = rest.split_at(width.min(rest.len()));
            let is_there = held.len() == width;
            fit.is_whole &= is_there;
            match *piece {
                Piece::Fixed { value, .. } => {
                    let wanted = (0..width).rev().map(|weight| value.checked_shr(weight as u32).unwrap_or(0) & 1 == 1);
                    if held.iter().zip(wanted).any(|(&bit, wanted)| bit != wanted) {
                        return None;
                    }
                }
                Piece::Address { .. } if is_there => {
                    address = number(held) as u16;
                    fit.address_is_foreign = !dictionary.has_register(address);
                }
                Piece::Crc if is_there => {
                    let before = &bits[..bits.len() - rest.len()];
                    fit.check_is_right = number(held) == u64::from(dictionary.check_over(before));
                }
                _ => {}
            }
            if !is_there {
                return Some(fit);
            }
            rest = after;
        }
        rest.is_empty().then_some(fit)
    }

    /// The meaning of a whole word.
    fn read(&self, dictionary: &Dictionary, bits: &[bool]) -> Decoded {
        let Some(&CommandForm { verb, buffer_mode, .. }) = self.form.of else { return Decoded::Filler };
        let mut found = Found::default();
        let mut rest = bits;
        for piece in self.form.pieces {
            let (held, after) = rest.split_at(width_of(piece, dictionary, found.address).min(rest.len()));
            found.take(piece, number(held));
            rest = after;
        }
        match verb {
            Verb::ReadParameter => Decoded::Read { address: found.address },
            Verb::WriteParameter => {
                let mask = (1u64 << dictionary.content_bits(found.address).min(32)) - 1;
                Decoded::Write { address: found.address, content: (found.content & mask) as u32 }
            }
            _ => Decoded::Command { verb, buffer_mode, axis: found.axis, argument: found.argument() },
        }
    }
}

/// Which of the arguments a quantity is.
type ArgumentOf = fn(Quantity) -> Argument;

/// What stood in the pieces of a word.
#[derive(Default)]
struct Found {
    axis: u8,
    address: u16,
    content: u64,
    /// `Some(true)` for the positive direction.
    direction: Option<bool>,
    code: u64,
    kind: Option<(ArgumentOf, Coding)>,
}

impl Found {
    fn take(&mut self, piece: &Piece, held: u64) {
        match *piece {
            Piece::Axis { .. } => self.axis = held as u8,
            Piece::Address { .. } => self.address = held as u16,
            Piece::Data { lsb, .. } => self.content |= shifted(held, lsb),
            Piece::DataByRegister => self.content = held,
            Piece::Direction { positive } => self.direction = Some((held == 1) == positive),
            Piece::Velocity { coding, lsb, .. } => self.take_code(Argument::Velocity, coding, lsb, held),
            Piece::Distance { coding, lsb, .. } => self.take_code(Argument::Distance, coding, lsb, held),
            Piece::Position { coding, lsb, .. } => self.take_code(Argument::Position, coding, lsb, held),
            _ => {}
        }
    }

    fn take_code(&mut self, kind: ArgumentOf, coding: Coding, lsb: u8, held: u64) {
        self.code |= shifted(held, lsb);
        self.kind = Some((kind, coding));
    }

    fn argument(&self) -> Argument {
        let Some((kind, coding)) = self.kind else {
            let way = |is_positive| Quantity {
                code: u32::from(is_positive),
                value: Some(if is_positive { 1.0 } else { -1.0 }),
            };
            return self.direction.map_or(Argument::None, |is_positive| Argument::Direction(way(is_positive)));
        };
        let code = self.code as u32;
        let sign = if self.direction == Some(false) { -1.0 } else { 1.0 };
        // A magnitude of zero has no direction.
        let value = value_of(code, &coding).map(|value| if value == 0.0 { 0.0 } else { sign * value });
        kind(Quantity { code, value })
    }
}

/// The bits that a piece takes, if the word speaks of this address.
pub(super) fn width_of(piece: &Piece, dictionary: &Dictionary, address: u16) -> usize {
    match *piece {
        Piece::Fixed { width, .. }
        | Piece::Any { width }
        | Piece::Axis { width }
        | Piece::Address { width }
        | Piece::Data { width, .. }
        | Piece::Velocity { width, .. }
        | Piece::Distance { width, .. }
        | Piece::Position { width, .. }
        | Piece::Status { width, .. } => usize::from(width),
        Piece::Direction { .. } => 1,
        Piece::Crc => 8,
        Piece::DataByRegister => dictionary.content_in_whole_units(address),
        // A kind of piece that is not known here takes no bits.
        _ => 0,
    }
}

/// The units' bits in the order of a datasheet: most significant bit of the first unit first.
fn bits_of_units(units: &[u64], layout: &Layout) -> Vec<bool> {
    let weights = || (0..u32::from(layout.wire.unit_bits)).rev();
    units.iter().flat_map(|unit| weights().map(move |weight| unit >> weight & 1 == 1)).collect()
}

/// The number that bits make; of more than 64 the last 64 count.
fn number(bits: &[bool]) -> u64 {
    bits.iter().fold(0, |number, &bit| number << 1 | u64::from(bit))
}

fn shifted(held: u64, lsb: u8) -> u64 {
    held.checked_shl(u32::from(lsb)).unwrap_or(0)
}
