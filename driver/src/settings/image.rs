//! Settings as bytes, for an EEPROM or a page of flash, and back.
//!
//! ```text
//!   | 'S' 'c' | version 1 | count 1 | map 4 | count times: address 2, lowest bit 1, axis 1, code 4 | CRC-32 4 |
//! ```
//!
//! Numbers are little-endian. `map` is a fingerprint of the map's name and registers, so that an image of another
//! map is told from a damaged one. The check is CRC-32/ISO-HDLC over everything in front of it.

use core::fmt;

use crc::{CRC_32_ISO_HDLC, Crc, NoTable};

use crate::map::Layout;
use crate::units::OutOfRange;

use super::{Setting, Settings, SettingsError};

const MAGIC: [u8; 2] = *b"Sc";
const VERSION: u8 = 1;
const HEAD: usize = 8;
const ENTRY: usize = 8;
const TAIL: usize = 4;
const CHECK: Crc<u32, NoTable> = Crc::<u32, NoTable>::new(&CRC_32_ISO_HDLC);

/// Bytes in the image of `count` settings.
#[must_use]
pub const fn image_bytes(count: usize) -> usize {
    HEAD + ENTRY * count + TAIL
}

/// Why bytes are no image of settings for this map, or cannot become one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum ImageError {
    /// The settings do not fit the map.
    Settings(SettingsError),
    /// There are fewer bytes than the image has.
    TooShort {
        /// How many there are.
        found: usize,
        /// How many are needed.
        needed: usize,
    },
    /// The bytes do not begin as an image does: nothing was stored there, or something else.
    NoImage,
    /// The image has another version than this software writes.
    Version {
        /// The image's version.
        found: u8,
    },
    /// The check is wrong: the bytes were damaged.
    Damaged {
        /// The check in the image.
        found: u32,
        /// The check over its bytes.
        expected: u32,
    },
    /// The image was written for another map.
    ForeignMap {
        /// The map's fingerprint in the image.
        found: u32,
        /// This map's.
        expected: u32,
    },
    /// The image holds another number of settings.
    Count {
        /// How many it holds.
        found: usize,
        /// How many were expected.
        expected: usize,
    },
    /// The map has no register at this place.
    NoSuchRegister {
        /// The address.
        address: u16,
        /// The lowest bit.
        lsb: u8,
    },
    /// A code in the image means nothing.
    Code {
        /// The register's name.
        register: &'static str,
        /// The code and its limits.
        error: OutOfRange,
    },
}

impl fmt::Display for ImageError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Settings(error) => write!(f, "{error}"),
            Self::TooShort { found, needed } => write!(f, "{found} bytes are too few, the image has {needed}"),
            Self::NoImage => f.write_str("the bytes are no image of settings"),
            Self::Version { found } => write!(f, "the image has version {found}, this software knows {VERSION}"),
            Self::Damaged { found, expected } => {
                write!(f, "the image is damaged: its check is {found:#010x}, its bytes make {expected:#010x}")
            }
            Self::ForeignMap { found, expected } => {
                write!(f, "the image is of another map ({found:#010x}), not of this one ({expected:#010x})")
            }
            Self::Count { found, expected } => write!(f, "the image holds {found} settings, not {expected}"),
            Self::NoSuchRegister { address, lsb } => {
                write!(f, "the map has no register at address {address:#x}, bit {lsb}")
            }
            Self::Code { register, error } => write!(f, "register `{register}`: {error}"),
        }
    }
}

impl core::error::Error for ImageError {
    fn source(&self) -> Option<&(dyn core::error::Error + 'static)> {
        match self {
            Self::Settings(error) => Some(error),
            Self::Code { error, .. } => Some(error),
            _ => None,
        }
    }
}

impl<const K: usize> Settings<K> {
    /// Writes the settings, as codes of this map, to the first [`image_bytes`]`(K)` of `bytes`; gives their number.
    ///
    /// # Errors
    /// [`ImageError::Settings`], [`ImageError::TooShort`], or [`ImageError::Count`] for more than 255 settings.
    pub fn to_image(&self, layout: &Layout, bytes: &mut [u8]) -> Result<usize, ImageError> {
        let found = bytes.len();
        let needed = image_bytes(K);
        let count = u8::try_from(K).map_err(|_| ImageError::Count { found: K, expected: 255 })?;
        let image = bytes.get_mut(..needed).ok_or(ImageError::TooShort { found, needed })?;
        let (body, tail) = image.split_at_mut_checked(needed - TAIL).ok_or(ImageError::TooShort { found, needed })?;
        let mut writer = Writer(body);
        writer.put(&MAGIC);
        writer.put(&[VERSION, count]);
        writer.put(&fingerprint(layout).to_le_bytes());
        for entry in self.entries() {
            let (register, code) = entry.code(layout).map_err(ImageError::Settings)?;
            writer.put(&register.address.to_le_bytes());
            writer.put(&[register.lsb, entry.axis]);
            writer.put(&code.to_le_bytes());
        }
        Writer(tail).put(&CHECK.checksum(body).to_le_bytes());
        Ok(needed)
    }

    /// Reads settings from an image; bytes behind it do not matter.
    ///
    /// # Errors
    /// [`ImageError`] for anything that is not an undamaged image of `K` settings of this map.
    pub fn from_image(layout: &Layout, bytes: &[u8]) -> Result<Self, ImageError> {
        let (found, needed) = (bytes.len(), image_bytes(K));
        let short = ImageError::TooShort { found, needed };
        let mut reader = Reader(bytes);
        if reader.take::<2>().ok_or(short)? != MAGIC {
            return Err(ImageError::NoImage);
        }
        let [version, count] = reader.take().ok_or(short)?;
        if version != VERSION {
            return Err(ImageError::Version { found: version });
        }
        // The check first: in a damaged image no other number can be believed, the count least of all.
        let held = image_bytes(count.into());
        let (body, tail) = bytes
            .get(..held)
            .and_then(|image| image.split_at_checked(held - TAIL))
            .ok_or(ImageError::TooShort { found, needed: held })?;
        let expected = CHECK.checksum(body);
        let found = u32::from_le_bytes(Reader(tail).take().ok_or(short)?);
        if found != expected {
            return Err(ImageError::Damaged { found, expected });
        }
        let found = u32::from_le_bytes(reader.take().ok_or(short)?);
        let expected = fingerprint(layout);
        if found != expected {
            return Err(ImageError::ForeignMap { found, expected });
        }
        if usize::from(count) != K {
            return Err(ImageError::Count { found: count.into(), expected: K });
        }
        let mut entries = [None; K];
        for entry in &mut entries {
            let address = u16::from_le_bytes(reader.take().ok_or(short)?);
            let [lsb, axis] = reader.take().ok_or(short)?;
            let code = u32::from_le_bytes(reader.take().ok_or(short)?);
            let mut registers = layout.registers.iter();
            let register = registers
                .find(|register| register.address == address && register.lsb == lsb)
                .ok_or(ImageError::NoSuchRegister { address, lsb })?;
            let value = register.value_of(code).map_err(|error| ImageError::Code { register: register.name, error })?;
            *entry = Some(Setting { parameter: register.parameter, axis, value });
        }
        // Every place was filled above; an array without a default has no shorter way to say so.
        let fallback = entries.iter().flatten().next().copied();
        match fallback {
            Some(fallback) => Ok(Self::new(entries.map(|entry| entry.unwrap_or(fallback)))),
            None => Err(ImageError::Count { found: 0, expected: K }),
        }
    }
}

/// A number that is the same for maps with the same name and registers, and hardly for others.
fn fingerprint(layout: &Layout) -> u32 {
    let mut digest = CHECK.digest();
    digest.update(layout.name.as_bytes());
    for register in layout.registers {
        digest.update(&register.address.to_le_bytes());
        digest.update(&[register.lsb, register.coding.width, register.axis, register.unit as u8]);
        digest.update(&register.parameter.id().to_le_bytes());
        // What a code means, by the meaning of the least and the greatest.
        let (min, max) = register.coding.limits(register.unit);
        digest.update(&min.to_le_bytes());
        digest.update(&max.to_le_bytes());
    }
    digest.finalize()
}

/// Fills a slice from the front.
struct Writer<'a>(&'a mut [u8]);

impl Writer<'_> {
    fn put(&mut self, bytes: &[u8]) {
        let rest = core::mem::take(&mut self.0);
        if let Some((place, rest)) = rest.split_at_mut_checked(bytes.len()) {
            // Copied byte by byte: a length that could differ would bring a panic into the image.
            place.iter_mut().zip(bytes).for_each(|(place, byte)| *place = *byte);
            self.0 = rest;
        }
    }
}

/// Takes a slice apart from the front.
struct Reader<'a>(&'a [u8]);

impl Reader<'_> {
    fn take<const LENGTH: usize>(&mut self) -> Option<[u8; LENGTH]> {
        let (taken, rest) = self.0.split_first_chunk()?;
        self.0 = rest;
        Some(*taken)
    }
}
