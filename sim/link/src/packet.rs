//! Packets as bytes on the line, and packets out of whatever bytes come: header, body, check, stuffing, delimiters.
//!
//! Knows no meaning of kinds and bodies. The crate's first page draws the format.

use crc::{CRC_32_ISO_HDLC, Crc, NoTable};

/// The longest packet before stuffing, in bytes: with no more than these, stuffing adds exactly one.
pub const MOST_BYTES: usize = 254;
/// Bytes of the header: session, sequence, kind.
const HEADER: usize = 5;
/// Bytes of the check.
const CHECK: usize = 4;
/// The longest body, in bytes.
pub const MOST_BODY: usize = MOST_BYTES - HEADER - CHECK;
/// The longest packet on the line: stuffing and both delimiters.
pub const MOST_ON_LINE: usize = MOST_BYTES + 3;

/// Ends a packet, and comes nowhere in one.
const DELIMITER: u8 = 0;

/// Without a table: 1 KiB of flash is worth more than the microseconds on a line of this speed.
const CRC: Crc<u32, NoTable> = Crc::<u32, NoTable>::new(&CRC_32_ISO_HDLC);

/// A packet that came through whole.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Packet<'a> {
    /// Which run of the firmware it belongs to.
    pub session: u16,
    /// Which exchange of the session it belongs to.
    pub sequence: u16,
    /// What it is.
    pub kind: u8,
    /// What it carries.
    pub body: &'a [u8],
}

impl<'a> Packet<'a> {
    /// Writes the packet as it goes over the line, a delimiter before it and one behind it; gives how many bytes that
    /// are, or nothing if the body is longer than [`MOST_BODY`].
    pub fn write(&self, line: &mut [u8; MOST_ON_LINE]) -> Option<usize> {
        let mut plain = [0; MOST_BYTES];
        let end = HEADER + self.body.len();
        let [s0, s1] = self.session.to_le_bytes();
        let [n0, n1] = self.sequence.to_le_bytes();
        plain.get_mut(..HEADER)?.copy_from_slice(&[s0, s1, n0, n1, self.kind]);
        plain.get_mut(HEADER..end)?.copy_from_slice(self.body);
        let check = CRC.checksum(plain.get(..end)?);
        plain.get_mut(end..end + CHECK)?.copy_from_slice(&check.to_le_bytes());
        line.fill(DELIMITER);
        let stuffed = cobs::try_encode(plain.get(..end + CHECK)?, line.get_mut(1..)?).ok()?;
        Some(stuffed + 2)
    }

    /// Reads a packet whose stuffing is gone; nothing if its check is wrong.
    fn read(plain: &'a [u8]) -> Option<Self> {
        let (content, check) = plain.split_at_checked(plain.len().checked_sub(CHECK)?)?;
        if CRC.checksum(content).to_le_bytes() != check {
            return None;
        }
        let (&[s0, s1, n0, n1, kind], body) = content.split_first_chunk()?;
        Some(Self { session: u16::from_le_bytes([s0, s1]), sequence: u16::from_le_bytes([n0, n1]), kind, body })
    }
}

/// Finds packets in the bytes that come.
#[derive(Clone, Debug)]
pub struct Collector {
    bytes: [u8; MOST_ON_LINE],
    count: usize,
    /// Packets with bytes in them that were none.
    broken: u32,
}

impl Default for Collector {
    fn default() -> Self {
        Self::new()
    }
}

impl Collector {
    /// With nothing collected.
    #[must_use]
    pub const fn new() -> Self {
        Self { bytes: [0; MOST_ON_LINE], count: 0, broken: 0 }
    }

    /// Takes the next byte; gives the packet that it ends, if it ends one that is whole.
    pub fn take(&mut self, byte: u8) -> Option<Packet<'_>> {
        if byte != DELIMITER {
            // What is too long for a packet is counted on, so that its end is not taken for a whole one.
            if let Some(place) = self.bytes.get_mut(self.count) {
                *place = byte;
            }
            self.count = self.count.saturating_add(1);
            return None;
        }
        let count = core::mem::take(&mut self.count);
        if count == 0 {
            return None;
        }
        let Self { bytes, broken, .. } = self;
        let plain = bytes.get_mut(..count).and_then(|stuffed| {
            let length = cobs::decode_in_place(stuffed).ok()?;
            stuffed.get(..length)
        });
        let packet = plain.and_then(Packet::read);
        if packet.is_none() {
            *broken = broken.saturating_add(1);
        }
        packet
    }

    /// How many runs of bytes were no packets: spoilt, cut, or never meant to be any.
    #[must_use]
    pub const fn broken(&self) -> u32 {
        self.broken
    }
}
