//! Constant frames that put every bridge of a chain into high impedance, for where there is no [`Chain`](crate::Chain).
//!
//! A panic handler or a fault interrupt has an SPI device at best, and knows nothing of what was being sent. What it
//! needs is here as constants, worked out when the firmware is compiled:
//!
//! ```text
//!   idle, idle, ...    every device: filler, as often as the longest command has units
//!   stop               every device: stop without ramp, high impedance (several frames if it takes several units)
//!   stop               the same again, in case the first one was spoilt
//! ```
//!
//! ```
//! # use embedded_hal::spi::{ErrorKind, ErrorType, Operation};
//! # struct Bus(usize);
//! # impl ErrorType for Bus { type Error = ErrorKind; }
//! # impl SpiDevice for Bus {
//! #     fn transaction(&mut self, _: &mut [Operation<'_, u8>]) -> Result<(), ErrorKind> { self.0 += 1; Ok(()) }
//! # }
//! use embedded_hal::spi::SpiDevice;
//! use stepchain::reference::Latched;
//! use stepchain::release;
//!
//! # let mut spi = Bus(0);
//! // In a panic handler, with an SPI device made anew from the peripheral:
//! for frame in release::frames::<Latched, 3>() {
//!     let _ = spi.write(frame);
//! }
//! # assert_eq!(spi.0, 5);
//! ```
//!
//! The frames are `&'static [u8]` and stay in read-only memory. (A DMA that cannot read from there needs a copy.) Keep
//! the map's least time between two selections, as always.
//!
//! # What comes before the stop
//!
//! The motors are without torque when the stop is complete; a load may drop, and a turning rotor runs on. Until then, a
//! command that was half sent is completed by filler, and obeyed:
//!
//! * Latched units: a velocity, distance, position or register content that was cut off ends in bits of the filler. The
//!   motion that this may begin lasts until the stop, so for the rest of the idle frames and the stop's own. A register
//!   keeps what it was given: write all settings anew before anything moves again.
//! * Fixed words: no word is ever half sent. Of a command that is a sequence of writes, the last write sets the device
//!   going; what was cut off before it leaves values in registers that nothing acts upon.
//! * A frame that was cut off itself leaves each device with the last bits that reached it, which may be any word. Where
//!   the wire has a check, a device sees that it is none; where not, it may be a command.
//!
//! Of `reference::Latched`, whose filler is 0x7E7E:
//!
//! | half sent | what the filler makes of it |
//! | --- | --- |
//! | move velocity, move relative, buffered or not, search for switch | the upper byte as sent, the lower two 0x7E7E |
//! | move absolute | likewise, if the motor stands; else it is refused, as ever |
//! | write, of two units or three | what is missing of the content is 0x7E7E |
//! | read, status | complete with their first unit: the filler takes the reply out |
//!
//! Of `reference::FixedWord` nothing is half sent.

use embedded_hal::spi::SpiDevice;

use crate::map::{BridgeState, ChainMap, Devices, Layout, Request, Source, StopRamp, Verb};
use crate::wire::{self, Content};

/// Most frames that one stop of every axis may take.
pub const MOST_STOP_FRAMES: usize = 16;

const STOP: Verb = Verb::Stop(StopRamp::None, BridgeState::HighImpedance);

/// The frames of the release sequence, one after another.
#[derive(Clone, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[must_use = "the frames send nothing by themselves"]
pub struct Frames<const N: usize> {
    /// The idle frame, then the frames of the stop; eight bytes for each device, of which `bytes` are used in all.
    rows: &'static [[[u8; 8]; N]],
    bytes: usize,
    idle: usize,
    next: usize,
}

/// The release sequence for a chain of the `N` devices `M`.
///
/// Of unlike devices each begins its own stop in the same frame, and has filler once it is complete: a device whose stop
/// takes fewer units than another's lets its bridge go sooner. There are as many idle frames as the longest command of
/// any of them has units.
///
/// A map without a stop that has no ramp and ends in high impedance does not compile, nor does one where that takes more
/// than [`MOST_STOP_FRAMES`]:
///
/// ```compile_fail,E0080
/// use stepchain::map::{Layout, Piece, RegisterMap, Wire};
///
/// struct Silent;
/// impl RegisterMap for Silent {
///     const LAYOUT: Layout = Layout::new("silent", Wire::latched_units(8, &[Piece::fixed(8, 0)]));
/// }
/// let _ = stepchain::release::frames::<Silent, 1>();
/// ```
pub const fn frames<M: ChainMap, const N: usize>() -> Frames<N> {
    const { Sequence::<M, N>::FRAMES }
}

/// Sends the release sequence, and goes on where a transfer fails.
///
/// # Errors
/// The first failure, once all frames were tried.
pub fn send<M: ChainMap, S: SpiDevice, const N: usize>(spi: &mut S) -> Result<(), S::Error> {
    let mut result = Ok(());
    for frame in frames::<M, N>() {
        result = result.and(spi.write(frame));
    }
    result
}

impl<const N: usize> Iterator for Frames<N> {
    type Item = &'static [u8];

    fn next(&mut self) -> Option<&'static [u8]> {
        let stops = self.rows.len().saturating_sub(1);
        let row = match self.next.checked_sub(self.idle) {
            None => 0,
            Some(place) if place < stops => 1 + place,
            Some(place) if place < 2 * stops => 1 + place - stops,
            Some(_) => return None,
        };
        self.next += 1;
        self.rows.get(row)?.as_flattened().get(..self.bytes)
    }

    fn size_hint(&self) -> (usize, Option<usize>) {
        let left = (self.idle + 2 * self.rows.len().saturating_sub(1)).saturating_sub(self.next);
        (left, Some(left))
    }
}

impl<const N: usize> ExactSizeIterator for Frames<N> {}

/// Where the constants of one chain stand.
struct Sequence<M, const N: usize>(core::marker::PhantomData<M>);

/// The table of as many rows as there are.
macro_rules! rows {
    ($devices:expr, $count:expr, $($stops:literal)*) => {
        match $count {
            $($stops => &table::<N, { $stops + 1 }>($devices),)*
            _ => panic!("putting every axis into high impedance takes more than 16 frames"),
        }
    };
}

impl<M: ChainMap, const N: usize> Sequence<M, N> {
    #[allow(clippy::panic, reason = "a panic in a constant is a compile error, which is what this is for")]
    const ROWS: &'static [[[u8; 8]; N]] = {
        M::DEVICES.assert_valid_for(N);
        let mut count = 0;
        let mut device = 0;
        while device < N {
            let layout = M::DEVICES.layout(device);
            assert!(layout.form(STOP).is_some(), "the map has no command `stop, no ramp, high impedance`");
            while stop_unit(layout, count).is_some() {
                count += 1;
            }
            device += 1;
        }
        rows!(&M::DEVICES, count, 1 2 3 4 5 6 7 8 9 10 11 12 13 14 15 16)
    };

    const FRAMES: Frames<N> = Frames {
        rows: Self::ROWS,
        bytes: M::DEVICES.frame_bytes(N),
        idle: M::DEVICES.longest_word() as usize,
        next: 0,
    };
}

/// The idle frame, then those of the stop.
const fn table<const N: usize, const ROWS: usize>(devices: &Devices) -> [[[u8; 8]; N]; ROWS] {
    let mut rows = [[[0; 8]; N]; ROWS];
    let mut rest: &mut [[[u8; 8]; N]] = &mut rows;
    let mut place = None;
    while let [row, tail @ ..] = rest {
        rest = tail;
        fill(devices, row.as_flattened_mut(), N, place);
        place = match place {
            None => Some(0),
            Some(place) => Some(place + 1),
        };
    }
    rows
}

/// The unit at `place` of each device's stop, behind the padding; filler behind its last, and where there is no place.
const fn fill(devices: &Devices, row: &mut [u8], count: usize, place: Option<u16>) {
    let width = devices.unit_bits();
    let mut offset = devices.frame_bytes(count) * 8;
    let mut device = 0;
    while device < count {
        let layout = devices.layout(device);
        let stop = match place {
            Some(place) => stop_unit(layout, place),
            None => None,
        };
        let unit = match stop {
            Some(unit) => unit,
            None => wire::filler(layout),
        };
        offset = offset.saturating_sub(width as usize);
        wire::put_bits(row, offset, width, unit);
        device += 1;
    }
}

/// The unit at `place` of all that stops one device, axis by axis; `None` behind the last.
const fn stop_unit(layout: &Layout, place: u16) -> Option<u64> {
    let Some(form) = layout.form(STOP) else {
        return None;
    };
    let mut place = place;
    let mut axis = 0;
    while axis < layout.axes {
        match form.request {
            Request::Word(pieces) => {
                let units = layout.units(pieces, 0);
                if place < units {
                    return Some(wire::unit(layout, pieces, &Content { axis, ..Content::NONE }, place));
                }
                place -= units;
                let reply = if layout.replies_in_same_slots() { layout.units(form.reply, 0) } else { 0 };
                if place < reply {
                    return Some(wire::filler(layout));
                }
                place -= reply;
            }
            Request::Writes(mut writes) => {
                while let [write, tail @ ..] = writes {
                    writes = tail;
                    let (Some(form), Some(register)) =
                        (layout.form(Verb::WriteParameter), layout.register(write.parameter, axis))
                    else {
                        return None;
                    };
                    let (Request::Word(pieces), Source::Code(data)) = (form.request, write.source) else {
                        return None;
                    };
                    let address = register.address;
                    let units = layout.units(pieces, address);
                    if place < units {
                        let data_bits = layout.data_bits(address);
                        let content = Content { axis, address, data_bits, data, ..Content::NONE };
                        return Some(wire::unit(layout, pieces, &content, place));
                    }
                    place -= units;
                    let reply = if layout.replies_in_same_slots() { layout.units(form.reply, address) } else { 0 };
                    if place < reply {
                        return Some(wire::filler(layout));
                    }
                    place -= reply;
                }
            }
        }
        axis += 1;
    }
    None
}

#[cfg(all(test, feature = "reference-maps"))]
mod tests;
