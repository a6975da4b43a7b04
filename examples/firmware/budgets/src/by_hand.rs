//! The other way: routines that push bytes, written by hand for one map each and for a chain of four.
//!
//! They do what somebody would write who has the datasheet and one product: the same frames, the same rounding and the same
//! range checks as the driver, and nothing that is not needed for these commands. All arithmetic is of 32 bits.

use crate::Aligned;
use crate::application::DEVICES;

/// What could not be sent, or not be believed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Refused;

/// Sign and size of a velocity in 4096ths of a step per second.
const fn parts(bits: i32) -> (bool, u32, u32) {
    let magnitude = bits.unsigned_abs();
    (bits >= 0, magnitude >> 12, magnitude & 0xFFF)
}

/// `reference::Latched`: 16-bit units.
pub mod latched {
    use super::{Aligned, DEVICES, Refused, parts};

    /// A frame of the chain.
    pub type Frame = [u8; 2 * DEVICES];

    /// One code is a fiftieth of a step per second.
    const fn code_of(bits: i32) -> Result<(bool, u32), Refused> {
        let (positive, whole, rest) = parts(bits);
        let code = whole * 50 + ((rest * 50 + 0x800) >> 12);
        if code > 0xFF_FFFF { Err(Refused) } else { Ok((positive, code)) }
    }

    /// Puts a unit in its place: that of the last device leaves first.
    const fn put(frame: &mut Frame, device: usize, unit: [u8; 2]) {
        let place = 2 * (DEVICES - 1 - device);
        frame[place] = unit[0];
        frame[place + 1] = unit[1];
    }

    /// Ramp to a velocity.
    pub const fn move_velocity(bits: &[i32; DEVICES]) -> Result<Aligned<[Frame; 2]>, Refused> {
        let mut frames = [[0; 2 * DEVICES]; 2];
        let mut device = 0;
        while device < DEVICES {
            let (positive, code) = match code_of(bits[device]) {
                Ok(code) => code,
                Err(refused) => return Err(refused),
            };
            let [_, high, mid, low] = code.to_be_bytes();
            put(&mut frames[0], device, [0xB0 | (positive as u8) << 2, high]);
            put(&mut frames[1], device, [mid, low]);
            device += 1;
        }
        Ok(Aligned(frames))
    }

    /// Write the profile velocity.
    pub const fn write_profile_velocity(bits: &[i32; DEVICES]) -> Result<Aligned<[Frame; 3]>, Refused> {
        let mut frames = [[0; 2 * DEVICES]; 3];
        let mut device = 0;
        while device < DEVICES {
            let code = match code_of(bits[device]) {
                Ok((true, code)) => code,
                _ => return Err(Refused),
            };
            let [_, high, mid, low] = code.to_be_bytes();
            put(&mut frames[0], device, [0x88, 0x10]);
            put(&mut frames[1], device, [0, high]);
            put(&mut frames[2], device, [mid, low]);
            device += 1;
        }
        Ok(Aligned(frames))
    }

    /// Ask for the status, then the filler behind which it comes.
    pub static PEEK: Aligned<[Frame; 2]> = Aligned([[0xE0, 0, 0xE0, 0, 0xE0, 0, 0xE0, 0], [0x7E; 2 * DEVICES]]);

    /// The status words in the frame that came back.
    pub fn statuses(frame: &Frame) -> [u16; DEVICES] {
        let [a, b, c, d, e, f, g, h] = *frame;
        [[g, h], [e, f], [c, d], [a, b]].map(u16::from_be_bytes)
    }
}

/// `reference::FixedWord`: 48-bit words with a check.
pub mod fixed_word {
    use super::{Aligned, DEVICES, Refused, parts};

    /// A frame of the chain.
    pub type Frame = [u8; 6 * DEVICES];

    /// The check over the five bytes in front of it, bit by bit.
    const fn check(bytes: [u8; 5]) -> u8 {
        let mut register = 0xFF;
        let mut byte = 0;
        while byte < 5 {
            register ^= bytes[byte];
            let mut bit = 0;
            while bit < 8 {
                register = if register & 0x80 != 0 { register << 1 ^ 0x2F } else { register << 1 };
                bit += 1;
            }
            byte += 1;
        }
        register ^ 0xFF
    }

    /// One code is three thousandths of a step per second.
    const fn code_of(bits: i32) -> Result<u32, Refused> {
        let (positive, whole, rest) = parts(bits);
        let thousands = whole * 1000;
        let code = thousands / 3 + (thousands % 3 * 0x1000 + rest * 1000 + 0x1800) / 0x3000;
        if code >= 1 << 25 {
            return Err(Refused);
        }
        Ok(if positive { code } else { code.wrapping_neg() & 0x3FF_FFFF })
    }

    /// Puts a word in its place: that of the last device leaves first.
    const fn put(frame: &mut Frame, device: usize, head: u8, content: u32) {
        let [a, b, c, d] = content.to_be_bytes();
        let bytes = [head, a, b, c, d];
        let place = 6 * (DEVICES - 1 - device);
        let mut at = 0;
        while at < 5 {
            frame[place + at] = bytes[at];
            at += 1;
        }
        frame[place + 5] = check(bytes);
    }

    /// Ramp to a velocity: the velocity, then what sets it going.
    pub const fn move_velocity(bits: &[i32; DEVICES]) -> Result<Aligned<[Frame; 2]>, Refused> {
        let mut frames = [[0; 6 * DEVICES]; 2];
        let mut device = 0;
        while device < DEVICES {
            let code = match code_of(bits[device]) {
                Ok(code) => code,
                Err(refused) => return Err(refused),
            };
            put(&mut frames[0], device, 0x91, code);
            put(&mut frames[1], device, 0x92, 1);
            device += 1;
        }
        Ok(Aligned(frames))
    }

    /// Write the profile velocity.
    pub const fn write_profile_velocity(bits: &[i32; DEVICES]) -> Result<Aligned<[Frame; 1]>, Refused> {
        let mut frames = [[0; 6 * DEVICES]; 1];
        let mut device = 0;
        while device < DEVICES {
            let code = match code_of(bits[device]) {
                Ok(code) if bits[device] >= 0 => code,
                _ => return Err(Refused),
            };
            put(&mut frames[0], device, 0xA0, code);
            device += 1;
        }
        Ok(Aligned(frames))
    }

    /// Ask for the status, then the filler behind which it comes.
    pub static PEEK: Aligned<[Frame; 2]> = {
        let mut frames = [[0; 6 * DEVICES]; 2];
        let mut device = 0;
        while device < DEVICES {
            put(&mut frames[0], device, 0x01, 0);
            put(&mut frames[1], device, 0x00, 0);
            device += 1;
        }
        Aligned(frames)
    };

    /// The status words in the frame that came back.
    pub fn statuses(frame: &Frame) -> Result<[u32; DEVICES], Refused> {
        let mut statuses = [0; DEVICES];
        for (status, word) in statuses.iter_mut().rev().zip(frame.chunks_exact(6)) {
            let &[low, a, b, high, mid, crc] = word else {
                return Err(Refused);
            };
            if check([low, a, b, high, mid]) != crc || a != 0 || b != 0 {
                return Err(Refused);
            }
            *status = u32::from_be_bytes([0, high, mid, low]);
        }
        Ok(statuses)
    }
}
